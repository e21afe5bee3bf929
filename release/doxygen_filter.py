"""Shows Doxygen the header of the C client with every comment as one that documents: ours are
plain, as in the rest of the C. Prints the header that is named."""

import re
import sys
from pathlib import Path

text = Path(sys.argv[1]).read_text()
text = re.sub(r"(?m)^(\s*)/\* ", r"\1/** ", text)  # above what it documents
text = re.sub(r"(?m)^(.*[;,}\w] +)/\* ", r"\1/**< ", text)  # behind it
text = text.replace("/** Tallymark from C:", "/** @file\n * Tallymark from C:", 1)
sys.stdout.write(text)
