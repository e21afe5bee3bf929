"""Runs every bench of this folder, prints the figures as a table and writes them as JSON.

    python tests/bench/run.py build/bench.json
"""

from __future__ import annotations

import importlib
import json
import platform
import sys
from dataclasses import asdict
from pathlib import Path

from result_table import show

HERE = Path(__file__).parent
NOT_A_BENCH = {"result_table", "run", "served_box"}


def main() -> None:
    sys.path.insert(0, str(HERE))
    figures = []
    for name in sorted(path.stem for path in HERE.glob("*.py")):
        if name not in NOT_A_BENCH:
            print(f"measuring: {name}", file=sys.stderr)
            figures += importlib.import_module(name).figures()
    show(figures)
    path = Path(sys.argv[1])
    path.parent.mkdir(parents=True, exist_ok=True)
    machine = {"python": platform.python_version(), "machine": platform.machine()}
    rows = [asdict(each) | {"ratio": each.ratio} for each in figures]
    path.write_text(json.dumps({**machine, "figures": rows}, indent=1) + "\n", encoding="utf-8")
    print(f"written to {path}")


if __name__ == "__main__":
    main()
