"""Time and memory of the customer's workbook against bare openpyxl writing the same cells and charts, in one run.

Run: python tests/benchmarks/bench_workbook.py [readings] [charts] (100,000 and 40 by default). Goal: 1.3 times, 600 MB.
Each side runs in its own process, alternating, and the faster of its runs counts.
"""

from __future__ import annotations

import importlib.util
import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from types import ModuleType
from typing import Any

GOAL = 1.3
GOAL_MB = 600.0
READINGS, CHARTS, RUNS = 100_000, 40, 3
PER_LOT = 25


def builders() -> ModuleType:
    """The makers of packs that the tests use."""
    path = Path(__file__).parent.parent / "export" / "conftest.py"
    spec = importlib.util.spec_from_file_location("export_packs", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def make_pack(readings: int, charts: int) -> Any:
    """A pack with so many readings over characteristics of three charts each."""
    made = builders()
    count = max(1, round(charts / 3))
    lots = max(4, readings // (count * PER_LOT))
    sheets = tuple(
        made.sheet_of(made.characteristic(at, f"C{at:02d}"), lots, PER_LOT, seed=at)
        for at in range(1, count + 1)
    )
    return made.make_pack(sheets)


def ours(pack: Any, to: Path) -> None:
    from qualrec.export.workbook import write_workbook

    write_workbook(pack, to)


def bare(rows_of: dict[str, list[list[Any]]], charts_of: dict[str, list[Any]], to: Path) -> None:
    """The same values row by row, and as many line charts with as many series, by openpyxl alone."""
    from openpyxl import Workbook
    from openpyxl.chart import LineChart, Reference

    book = Workbook(write_only=True)
    for title, rows in rows_of.items():
        sheet = book.create_sheet(title)
        for row in rows:
            sheet.append(row)
        for columns, first, last in charts_of.get(title, []):
            chart = LineChart()
            for column in columns:
                chart.add_data(
                    Reference(sheet, min_col=column, min_row=first, max_row=last), titles_from_data=True
                )
            sheet.add_chart(chart, "A1")
    book.save(to)


def contents(path: Path) -> tuple[dict[str, list[list[Any]]], dict[str, list[Any]]]:
    """Values by sheet and the areas of the charts of a workbook of ours."""
    from openpyxl import load_workbook
    from openpyxl.utils import range_boundaries

    book = load_workbook(path)
    rows = {sheet.title: [list(row) for row in sheet.iter_rows(values_only=True)] for sheet in book}
    charts: dict[str, list[Any]] = {}
    for sheet in book:
        for chart in sheet._charts:
            areas = [range_boundaries(s.val.numRef.f.split("!")[1].replace("$", "")) for s in chart.series]
            charts.setdefault(sheet.title, []).append(([a[0] for a in areas], areas[0][1] - 1, areas[0][3]))
    return rows, charts


def measure(side: str, readings: int, charts: int) -> dict[str, float]:
    """Seconds of writing and the peak of memory in MB, in this process."""
    folder = Path(tempfile.mkdtemp(prefix="qualrec-"))
    pack = make_pack(readings, charts)
    if side == "ours":
        before = time.perf_counter()
        ours(pack, folder / "ours.xlsx")
        return {"seconds": time.perf_counter() - before, "memory": peak()}
    ours(pack, folder / "ours.xlsx")
    rows, areas = contents(folder / "ours.xlsx")
    before = time.perf_counter()
    bare(rows, areas, folder / "bare.xlsx")
    return {"seconds": time.perf_counter() - before, "memory": peak()}


def peak() -> float:
    """Peak resident memory of this process in MB; nan where the system does not tell."""
    try:
        import resource
    except ImportError:
        return float("nan")
    used = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return used / (1024.0 * 1024.0 if sys.platform == "darwin" else 1024.0)


def run(readings: int = READINGS, charts: int = CHARTS, runs: int = RUNS) -> dict[str, Any]:
    """{name, ours, reference, ratio, goal, ok, memory, memory_goal}: seconds of both sides and peak memory of ours."""
    best: dict[str, float] = {}
    memory = 0.0
    for _ in range(runs):
        for side in ("ours", "bare"):
            command = [sys.executable, __file__, "--side", side, str(readings), str(charts)]
            found = json.loads(subprocess.run(command, capture_output=True, text=True, check=True).stdout)
            best[side] = min(best.get(side, float("inf")), found["seconds"])
            if side == "ours":
                memory = max(memory, found["memory"])
    ratio = best["ours"] / best["bare"]
    return {
        "name": f"workbook, {readings} readings, {charts} charts",
        "ours": best["ours"],
        "reference": best["bare"],
        "ratio": ratio,
        "goal": GOAL,
        "ok": ratio <= GOAL and not memory > GOAL_MB,
        "memory": memory,
        "memory_goal": GOAL_MB,
    }


if __name__ == "__main__":
    arguments = sys.argv[1:]
    if arguments[:1] == ["--side"]:
        print(json.dumps(measure(arguments[1], int(arguments[2]), int(arguments[3]))))
    else:
        sizes = [int(a) for a in arguments]
        print(json.dumps(run(*sizes), indent=2))
