"""Board, chart and capability of one characteristic with 10^7 readings in 20,000 lots, against 10^5 readings in as many lots.

Both databases hold the same lots; they differ in readings for each lot. The board is the page of lots that Lots shows; it is
also set against pandas reading the raw table and grouping it by lot, in the same run.
"""

from __future__ import annotations

import importlib.util
import sqlite3
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

NAMES = ("board-scale", "chart-scale", "capability-scale", "board-frame")
LOTS, FEW, MANY = 20_000, 5, 500
ROUNDS = 9
PART, CODE = "FM-2040", "COL"
LOTS_A_PIECE = 200


def imports() -> Any:
    spec = importlib.util.spec_from_file_location("bench_import", Path(__file__).with_name("bench_import.py"))
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def fill(path: Path, each: int) -> Any:
    """LOTS lots with `each` readings of collapse, in one import."""
    from qualrec.records import lookups
    from qualrec.records.bulk import BulkImport, NewColumns

    plant = imports().lay(f"sqlite:///{path}", LOTS)
    session = plant.as_badge()
    rng = np.random.default_rng(3)
    with plant.store.read() as conn:
        characteristic = lookups.characteristic(conn, PART, CODE).id
    segments = np.array([row[0] for row in plant.rows("SELECT id FROM lot_segment ORDER BY id")][-LOTS:])
    with BulkImport(plant.store, session.actor, plant_id=session.plant.id, kind="machine") as job:
        for at in range(0, LOTS, LOTS_A_PIECE):
            subject = np.repeat(segments[at : at + LOTS_A_PIECE], each)
            lot = np.repeat(rng.normal(0.28, 0.003, LOTS_A_PIECE), each)
            values = np.round(lot + rng.normal(0, 0.006, len(subject)), 4)
            moments = 1_793_000_000_000_000 + 1_000_000 * np.arange(at * each, at * each + len(subject))
            job.stage(NewColumns(subject, np.full(len(subject), characteristic), values, moments))
        job.accept()
    return plant


def board(plant: Any) -> object:
    from qualrec.records import lookups

    with plant.store.read() as conn:
        return lookups.lots_page(conn, limit=200)


def chart(plant: Any) -> object:
    from qualrec.assess.charts import chart_view

    with plant.store.read() as conn:
        return chart_view(conn, PART, CODE)


def capability(plant: Any) -> object:
    from qualrec.assess.capability import capability_report

    with plant.store.read() as conn:
        return capability_report(conn, PART, CODE)


def by_frame(path: Path) -> object:
    import pandas as pd

    connection = sqlite3.connect(path)
    try:
        frame = pd.read_sql("SELECT subject_id, characteristic_id, value FROM reading", connection)
        return frame.groupby(["characteristic_id", "subject_id"])["value"].agg(
            ["count", "mean", "std", "min", "max"]
        )
    finally:
        connection.close()


def seconds(act: Callable[[], object]) -> float:
    begun = time.perf_counter()
    assert act() is not None
    return time.perf_counter() - begun


def compared(few: Any, many: Any, act: Callable[[Any], object]) -> tuple[float, float]:
    """Median seconds of each, the two taking turns."""
    times: tuple[list[float], list[float]] = ([], [])
    for plant in (few, many):
        act(plant)
    for _ in range(ROUNDS):
        for place, plant in enumerate((few, many)):
            times[place].append(seconds(lambda plant=plant: act(plant)))  # type: ignore[misc]
    return statistics.median(times[0]), statistics.median(times[1])


def run() -> list[dict[str, Any]]:
    found = []
    with tempfile.TemporaryDirectory() as name:
        paths = [Path(name) / f"{each}.sqlite" for each in (FEW, MANY)]
        few, many = (fill(path, each) for path, each in zip(paths, (FEW, MANY), strict=True))
        for what, act in (("board", board), ("chart", chart), ("capability", capability)):
            reference, ours = compared(few, many, act)
            ratio = ours / reference
            entry = {
                "name": f"{what}-scale",
                "ours": ours,
                "reference": reference,
                "ratio": ratio,
                "goal": 1.5,
            }
            found.append({**entry, "ok": ratio <= 1.5, "unit": "s"})
        frame, ours = seconds(lambda: by_frame(paths[1])), seconds(lambda: board(many))
        entry = {
            "name": "board-frame",
            "ours": ours,
            "reference": frame,
            "ratio": frame / ours,
            "goal": ">= 300",
        }
        found.append({**entry, "ok": frame / ours >= 300, "unit": "s"})
        for plant in (few, many):
            plant.store.close()
    return found
