"""The reference for programmers: pages that open from a folder, without a network.

Python's docstrings by pdoc, the C header by Doxygen, the protocol and its companions by
markdown-it.
"""

from __future__ import annotations

import html
import os
import re
import sys
from pathlib import Path

from archives import files_below
from compiler import run

PAGES = {
    "protocol": ("protocol/PROTOCOL.md", "The protocol"),
    "signature": ("protocol/SIGNATURE.md", "The session signature"),
    "marker-log": ("protocol/MARKERLOG.md", "The marker log"),
    "recording-check": ("host/RECORDING-CHECK.md", "The recording check"),
    "node": ("host/node/README.md", "JavaScript"),
    "matlab": ("host/matlab/README.md", "MATLAB and Octave"),
}
"""Documents beside the references, by the name of their page."""

_STYLE = """
body { font: 16px/1.5 system-ui, sans-serif; max-width: 60rem; margin: 2rem auto; padding: 0 1rem;
       color: #1c2128; background: #fff; }
code, pre { font: 0.9em/1.4 ui-monospace, monospace; background: #f3f4f6; border-radius: 3px; }
code { padding: 0.1em 0.25em; } pre { padding: 0.8rem; overflow-x: auto; } pre code { padding: 0; }
table { border-collapse: collapse; display: block; overflow-x: auto; }
th, td { border: 1px solid #c9ced6; padding: 0.3rem 0.6rem; text-align: left; vertical-align: top; }
a { color: #34606f; }
"""

_DOXYFILE = """
PROJECT_NAME = "Tallymark: C client"
INPUT = host/c/tallymark.h
INPUT_FILTER = "python3 release/doxygen_filter.py"
STRIP_FROM_PATH = .
OUTPUT_DIRECTORY = "{output}"
HTML_OUTPUT = c
OPTIMIZE_OUTPUT_FOR_C = YES
JAVADOC_AUTOBRIEF = YES
EXTRACT_ALL = YES
GENERATE_LATEX = NO
HTML_TIMESTAMP = NO
HTML_COLORSTYLE_SAT = 60
SORT_MEMBER_DOCS = NO
FULL_PATH_NAMES = NO
VERBATIM_HEADERS = NO
SEARCHENGINE = NO
HAVE_DOT = NO
QUIET = YES
WARNINGS = NO
"""


def write(tree: Path, installed: Path, work: Path) -> dict[str, bytes]:
    """Makes all pages in `work` and returns them by path; `index.html` leads to each.

    installed: the Python package with its compiled parts, which pdoc imports."""
    work.mkdir(parents=True)
    run(sys.executable, Path(__file__).with_name("python_reference.py"), work / "python",
        PYTHONPATH=str(installed))
    (work / "Doxyfile").write_text(_DOXYFILE.format(output=work))
    # Doxygen has no way to quote a filter: no path of this computer may be in it.
    here = f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"
    run("doxygen", work / "Doxyfile", folder=tree, PATH=here)
    (work / "Doxyfile").unlink()
    links = [("python/tallymark.html", "Python"), ("c/tallymark_8h.html", "C")]
    for name, (source, title) in PAGES.items():
        (work / f"{name}.html").write_text(_page(title, (tree / source).read_text(), True))
        links.append((f"{name}.html", title))
    listed = "\n".join(f"- [{title}]({where})" for where, title in links)
    start = f"# Tallymark: reference for programmers\n\n{listed}\n"
    (work / "index.html").write_text(_page("Tallymark: reference", start, False))
    return files_below(work)


def _page(title: str, markdown: str, back: bool) -> str:
    from markdown_it import MarkdownIt

    body = MarkdownIt("commonmark").enable(["table", "strikethrough"]).render(markdown)
    body = re.sub(
        r"<h([1-6])>(.*?)</h\1>",
        lambda found: f'<h{found[1]} id="{_anchor(found[2])}">{found[2]}</h{found[1]}>', body,
    )
    # What a page of the repository links to is not beside it here.
    body = re.sub(r'<a href="(?!#|https?:|\w+(?:-\w+)*\.html|python/|c/)[^"]*">(.*?)</a>', r"\1",
                  body)
    home = '<p><a href="index.html">All references</a></p>' if back else ""
    return (
        f'<!doctype html>\n<html lang="en"><head><meta charset="utf-8"><title>{html.escape(title)}'
        '</title><meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<style>{_STYLE}</style></head><body>{home}\n{body}</body></html>\n"
    )


def _anchor(heading: str) -> str:
    plain = html.unescape(re.sub(r"<[^>]+>", "", heading)).lower()
    return html.escape(re.sub(r"[^\w -]", "", plain).replace(" ", "-"))
