"""Writes the pages of the public Python modules with pdoc. Usage: python_reference.py FOLDER"""

import sys
from pathlib import Path

import pdoc

# One page a room; what a room doesn't list in __all__ is its own business.
ROOMS = ("tallymark", "tallymark.common.errors")
pdoc.render.configure(docformat="google", show_source=False, footer_text="Tallymark")
pdoc.pdoc(*ROOMS, output_directory=Path(sys.argv[1]))
