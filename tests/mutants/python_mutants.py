"""Makes mutants of the library's modules by cosmic-ray's operators, as a table for `run.py`.

    python_mutants.py OUT.toml [FILE ...]      of all modules in python.toml, or of some

Left out are those that change annotations, docstrings or options of a dataclass alone, and those of
more than one line.
"""

from __future__ import annotations

import ast
import json
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from cosmic_ray.mutating import mutate_code
from cosmic_ray.plugins import get_operator

if sys.version_info >= (3, 11):
    import tomllib
else:
    import tomli as tomllib

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
MODULES = HERE / "python.toml"
TABLES = HERE / "table"
OPERATORS = [
    "AddNot", "ExceptionReplacer", "NumberReplacer", "ReplaceAndWithOr", "ReplaceOrWithAnd",
    "ReplaceTrueWithFalse", "ReplaceFalseWithTrue", "ReplaceBreakWithContinue",
    "ReplaceContinueWithBreak", "ZeroIterationForLoop",
    *(f"ReplaceComparisonOperator_{pair}" for pair in (
        "Lt_LtE", "LtE_Lt", "Gt_GtE", "GtE_Gt", "Eq_NotEq", "NotEq_Eq", "Is_IsNot", "IsNot_Is",
    )),
    *(f"ReplaceBinaryOperator_{pair}" for pair in (
        "Add_Sub", "Sub_Add", "Mul_Div", "Div_Mul", "FloorDiv_Mul", "Mod_FloorDiv",
        "BitAnd_BitOr", "BitOr_BitAnd", "BitXor_BitOr", "LShift_RShift", "RShift_LShift",
    )),
    "ReplaceUnaryOperator_Delete_USub", "ReplaceUnaryOperator_Delete_Not",
]
"""What people get wrong: limits, signs, conditions, counts. Of each, the likeliest slip."""


@dataclass(frozen=True)
class LineMutant:
    """One line of a file, and what becomes of it. line: its number, from 1."""

    line: int
    before: str
    after: str


def meaning(source: str) -> str:
    """What Python makes of a module, without annotations and docstrings."""
    tree = ast.parse(source)
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            node.returns = None
            for each in ast.walk(node.args):
                if isinstance(each, ast.arg):
                    each.annotation = None
        elif isinstance(node, ast.AnnAssign):
            node.annotation = ast.Constant(None)
        if isinstance(body := getattr(node, "body", None), list):
            node.body = [  # type: ignore[attr-defined]
                each for each in body
                if not (isinstance(each, ast.Expr) and isinstance(each.value, ast.Constant))
            ]
    return ast.dump(tree)


def mutants_of(source: str) -> Iterator[LineMutant]:
    """All mutants of a module that differ from it in one line, each once."""
    lines = source.splitlines(keepends=True)
    known = {meaning(source)}
    for name in OPERATORS:
        operator = get_operator(f"core/{name}")()
        occurrence = 0
        while (code := mutate_code(source, operator, occurrence)) is not None:
            occurrence += 1
            changed = code.splitlines(keepends=True)
            differing = [at for at, line in enumerate(lines) if line != changed[at]]
            try:
                means = meaning(code)
            except SyntaxError:
                continue
            if len(changed) != len(lines) or len(differing) != 1 or means in known:
                continue
            known.add(means)
            at = differing[0]
            if lines[at].startswith("@dataclass"):
                continue
            yield LineMutant(at + 1, lines[at], changed[at])


def text(value: object) -> str:
    """A TOML value."""
    return json.dumps(value, ensure_ascii=False)


def table_of(module: dict[str, str], equivalents: list[dict[str, str]]) -> tuple[str, list[str]]:
    """The head of a module's tests and its rows, in the format of `mutant_table`."""
    room = tomllib.loads((TABLES / f"{module['room']}.toml").read_text(encoding="utf-8"))
    tests: dict[str, Any] = room["tests"][module["tests"]]
    key = f"{module['room']}-{module['tests']}"
    head = f"[tests.{key}]\n" + "".join(f"{k} = {text(v)}\n" for k, v in tests.items())
    reasons = {
        (each["find"], each["replace"]): each["reason"]
        for each in equivalents
        if each["file"] == module["file"]
    }
    rows = []
    source = (ROOT / module["file"]).read_text(encoding="utf-8")
    used = set()
    for mutant in mutants_of(source):
        before, after = mutant.before.strip(), mutant.after.strip()
        row: dict[str, object] = {
            "name": f"{Path(module['file']).stem} {mutant.line}: {before}  ->  {after}",
            "file": module["file"],
            "line": mutant.line,
            "find": mutant.before,
            "replace": mutant.after,
            "tests": key,
        }
        if reason := reasons.get((before, after)):
            used.add((before, after))
            row["equivalent"] = reason
        rows.append("[[mutant]]\n" + "".join(f"{k} = {text(v)}\n" for k, v in row.items()))
    for before, after in set(reasons) - used:
        print(f"No such mutant of {module['file']} any more: {before}  ->  {after}")
    return head, rows


def main() -> int:
    out, *wanted = sys.argv[1:]
    listed = tomllib.loads(MODULES.read_text(encoding="utf-8"))
    heads, rows = {}, []
    for module in listed["module"]:
        if wanted and module["file"] not in wanted:
            continue
        head, found = table_of(module, listed.get("equivalent", []))
        heads[head] = None
        rows += found
        print(f"{len(found):4} mutants of {module['file']}")
    Path(out).parent.mkdir(parents=True, exist_ok=True)
    Path(out).write_text("\n".join([*heads, *rows]), encoding="utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
