"""Ratios against other code, both sides measured in the same run: `python tests/benchmarks/run.py [--only NAME] [--json]`.

Prints `[{name, ours, reference, ratio, goal, ok, ...}]`. Each `bench_*.py` beside this file gives `run()`: one such entry or
several. Exit 1 where a goal is missed. Not part of the test suite: a loaded machine would make it lie.
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import os
import platform
import sys
from collections.abc import Iterator
from importlib.metadata import version
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
LIBRARIES = ("numpy", "scipy", "pandas", "sqlalchemy", "textual", "typer", "openpyxl")


def entries(only: str | None) -> Iterator[dict[str, Any]]:
    """The entries of all benchmarks whose file or entry name holds `only`."""
    for path in sorted(HERE.glob("bench_*.py")):
        spec = importlib.util.spec_from_file_location(path.stem, path)
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(module)
        names = getattr(module, "NAMES", (path.stem.removeprefix("bench_"),))
        if only and not any(only in name for name in (*names, path.stem)):
            continue
        found = module.run()
        for entry in [found] if isinstance(found, dict) else found:
            if not only or only in entry["name"] or only in path.stem:
                yield entry


def machine() -> dict[str, Any]:
    return {
        "cores": os.cpu_count(),
        "system": platform.system(),
        "machine": platform.machine(),
        "python": platform.python_version(),
        **{name: version(name) for name in LIBRARIES},
    }


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--only", help="part of a name")
    parser.add_argument("--json", action="store_true", help="JSON on stdout")
    given = parser.parse_args()
    found = []
    for entry in entries(given.only):
        found.append(entry)
        ok = "ok" if entry["ok"] else "MISSED"
        figures = f"{entry['ours']:.4g} against {entry['reference']:.4g}, ratio {entry['ratio']:.3g}"
        line = f"{entry['name']}: {figures}, goal {entry['goal']}: {ok}"
        print(line, file=sys.stderr, flush=True)
    if given.json:
        print(json.dumps([{**entry, "on": machine()} for entry in found], indent=2))
    return 0 if all(entry["ok"] for entry in found) else 1


if __name__ == "__main__":
    sys.exit(main())
