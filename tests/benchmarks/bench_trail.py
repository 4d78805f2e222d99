"""Verifying the trail against a bare read of the same rows with a SHA-256 over them.

The database holds an import of 400,000 readings, 4,000 typed entries with failure modes, and 3,000 changed rows. The reference
reads every row of every table that verifying reads, with the sqlite3 module alone, and hashes their bytes.
"""

from __future__ import annotations

import hashlib
import importlib.util
import marshal
import sqlite3
import statistics
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np

NAMES = ("trail-verify", "database-verify")
ROUNDS = 3
IMPORTED, TYPED, CHANGED = 400_000, 4_000, 3_000
GOALS = (3.0, 4.0)
"""`database-verify` also has SQLite check the structure of the whole file, and sums every reading up again."""
SUMS = ("rollup", "mode_count", "shape")


def set_up(store: Any) -> Any:
    path = Path(__file__).resolve().parents[1] / "records" / "conftest.py"
    spec = importlib.util.spec_from_file_location("bench_trail_site", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module.set_up(store)


def fill(store: Any) -> None:
    from qualrec.records.bulk import BulkImport, NewColumns

    site = set_up(store)
    rng = np.random.default_rng(1)
    with BulkImport(store, site.actor, file_name="line.csv") as job:
        half = IMPORTED // 2
        for segment in site.segments[1:3]:
            values = rng.normal(540, 10, half)
            job.stage(NewColumns(np.full(half, segment), np.full(half, site.force), values, np.arange(half)))
        job.accept()
    for begin in range(0, TYPED, 5):
        site.add(
            *[
                site.reading(500.0 + i, pull=site.pull(), serial=f"U{i}", entered_text=f"{500 + i}")
                for i in range(begin, begin + 5)
            ]
        )
    for number in range(CHANGED):
        with store.write(site.actor) as writer:
            writer.update("lot", site.lots[0], {"remark": f"remark {number}"}, act="lot changed")


def bare(path: Path, without: tuple[str, ...]) -> str:
    """Read and hash every row."""
    digest = hashlib.sha256()
    connection = sqlite3.connect(path)
    names = "SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name"
    for (name,) in connection.execute(names).fetchall():
        if name in without:
            continue
        cursor = connection.execute(f"SELECT * FROM {name}")
        while rows := cursor.fetchmany(5_000):
            digest.update(marshal.dumps(rows))
    connection.close()
    return digest.hexdigest()


def seconds(act: Any) -> float:
    times = []
    for _ in range(ROUNDS):
        begin = time.perf_counter()
        act()
        times.append(time.perf_counter() - begin)
    return statistics.median(times)


def run() -> list[dict[str, Any]]:
    from qualrec.records import trail
    from qualrec.records.database import open_store

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "plant.sqlite"
        with open_store(f"sqlite:///{path}", create=True) as store:
            fill(store)
            assert trail.verify(store).ok
            ours = seconds(lambda: trail.verify(store, sums=False))
            whole = seconds(lambda: trail.verify(store))
        reference, everything = seconds(lambda: bare(path, SUMS)), seconds(lambda: bare(path, ()))
    found = []
    measured = zip(NAMES, (ours, whole), (reference, everything), GOALS, strict=True)
    for name, mine, theirs, goal in measured:
        ratio = mine / theirs
        found.append(
            {
                "name": name,
                "ours": mine,
                "reference": theirs,
                "ratio": ratio,
                "goal": goal,
                "ok": ratio <= goal,
                "readings": IMPORTED + TYPED,
            }
        )
    return found
