"""KiCad's file format, read into nested lists and written back."""

from __future__ import annotations

import re
from typing import Union

Node = Union[str, "list[Node]"]

_TOKEN = re.compile(r'\s*(?:(\()|(\))|("(?:[^"\\]|\\.)*")|([^\s()"]+))')


def parse(text: str) -> list[Node]:
    """Read one expression. Quoted strings keep their quotes, so that `dump` gives them back."""
    stack: list[list[Node]] = [[]]
    for opened, closed, quoted, bare in _TOKEN.findall(text):
        if opened:
            stack.append([])
        elif closed:
            done = stack.pop()
            stack[-1].append(done)
        else:
            stack[-1].append(quoted or bare)
    top = stack[0][0]
    assert isinstance(top, list)
    return top


def dump(node: Node) -> str:
    """Write an expression."""
    return node if isinstance(node, str) else "(" + " ".join(map(dump, node)) + ")"


def children(node: Node, name: str) -> list[list[Node]]:
    """The direct children of a node that are lists starting with `name`."""
    if isinstance(node, str):
        return []
    return [item for item in node if isinstance(item, list) and item and item[0] == name]


def text_of(node: Node, name: str) -> str:
    """The first word of the first child `name`, without its quotes."""
    word = children(node, name)[0][1]
    assert isinstance(word, str)
    return word.strip('"')
