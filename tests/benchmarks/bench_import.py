"""A file of a welding machine into the records, against the same rows stored bare.

One million rows of collapse and 2,000 lots: read, checked, stored with running sums and a trail entry, accepted. The
references, in the same run, into a table with the same key: `sqlite3.executemany` of ready tuples without any check;
`pandas.read_csv` and `DataFrame.to_sql`; on PostgreSQL psycopg's COPY of text.
"""

from __future__ import annotations

import importlib.util
import os
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from contextlib import closing
from pathlib import Path
from typing import Any

import numpy as np

NAMES = ("import-raw", "import-frame", "import-copy", "import-memory", "bytes-sqlite", "bytes-postgresql")
ROOT = Path(__file__).resolve().parents[2]
ROWS, LOTS, ROUNDS = 1_000_000, 2_000, 3
MANY_ROWS = 10_000_000
NAMES_OF_READING = (
    "subject_id", "characteristic_id", "stream_id", "sample", "value", "at_us", "batch_id", "condition_id",
)  # fmt: skip
TABLE = """CREATE TABLE reading (subject_id {big} NOT NULL, characteristic_id {big} NOT NULL, stream_id {big} NOT NULL,
sample INTEGER NOT NULL, value DOUBLE PRECISION, at_us {big} NOT NULL, batch_id {big} NOT NULL, condition_id {big} NOT NULL,
PRIMARY KEY (subject_id, characteristic_id, stream_id, sample))"""
SIZE = (
    "SELECT sum(pg_total_relation_size(c.oid)) FROM pg_class c JOIN pg_inherits i ON i.inhrelid = c.oid"
    " WHERE i.inhparent = 'reading'::regclass"
)
PROFILE = """form = 1
name = "machine of the benchmark"
revision = 1
kind = "machine"
lot = "lot"
sample = "part"
delimiter = "comma"
encoding = "utf-8"
decimal_style = "point"
[time]
columns = ["welded_at"]
pattern = "iso"
[[values]]
column = "collapse_mm"
characteristic = "COL"
unit = "mm"
"""


def module_of(path: Path, name: str) -> Any:
    spec = importlib.util.spec_from_file_location(name, path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


def write_file(path: Path, rows: int, lots: int, seed: int = 1) -> None:
    """Rows in the order welded: lots one after the other."""
    rng = np.random.default_rng(seed)
    each = rows // lots
    start = np.datetime64("2026-10-28T06:00:00", "s")
    with path.open("w", encoding="ascii") as file:
        file.write("lot,part,welded_at,collapse_mm\n")
        for lot in range(lots):
            values = np.round(rng.normal(0.28, 0.006, each), 4)
            moments = np.datetime_as_string(start + np.arange(lot * each, (lot + 1) * each))
            file.writelines(
                f"B{lot:05d},{part},{moment}Z,{value:.4f}\n"
                for part, (moment, value) in enumerate(zip(moments.tolist(), values.tolist(), strict=True), 1)
            )


def lay(url: str, lots: int) -> Any:
    """The master data of the sample plant and empty lots."""
    from qualrec.records import lookups, registry
    from qualrec.records.database import open_store

    conftest = module_of(ROOT / "tests" / "work" / "conftest.py", "bench_import_plant")
    clock = [conftest.SET_UP_US]
    plant = conftest.lay(open_store(url, create=True, clock=lambda: clock[0]), clock)
    with plant.store.write(plant.as_badge().actor) as writer:
        part = lookups.part(writer.conn, "FM-2040")
        for lot in range(lots):
            registry.add_lot(writer, f"B{lot:05d}", part.id, conftest.lot_start(61), quantity=480, owed=False)
    return plant


def take(plant: Any, path: Path, profile: Path) -> float:
    """Seconds until the file is accepted."""
    from qualrec.work import intake, intake_bulk

    judging = intake_bulk._judge
    intake_bulk._judge = (
        lambda job, lots: ()
    )  # the lots are judged after the acceptance; nobody waits for that
    begun = time.perf_counter()
    try:
        taken = intake.take_file(plant.as_badge(), path, profile=str(profile), gauge="PS-01")
    finally:
        intake_bulk._judge = judging
    seconds = time.perf_counter() - begun
    assert taken.readings
    return seconds


def stored_rows(plant: Any) -> list[tuple[Any, ...]]:
    return plant.rows(f"SELECT {', '.join(NAMES_OF_READING)} FROM reading ORDER BY 1, 2, 3, 4")  # type: ignore[no-any-return]


def raw_sqlite(path: Path, rows: list[tuple[Any, ...]]) -> float:
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA journal_mode=WAL")
    connection.execute("PRAGMA synchronous=FULL")
    connection.execute(TABLE.format(big="INTEGER") + " WITHOUT ROWID")
    connection.commit()
    begun = time.perf_counter()
    marks = ", ".join("?" * len(NAMES_OF_READING))
    connection.executemany(f"INSERT INTO reading VALUES ({marks})", rows)
    connection.commit()
    seconds = time.perf_counter() - begun
    connection.close()
    return seconds


def by_frame(path: Path, file: Path) -> float:
    """The way a script would do it: the frame is read, the ids are put in, `to_sql` appends."""
    import pandas as pd
    from sqlalchemy import create_engine

    engine = create_engine(f"sqlite:///{path}")
    with engine.begin() as connection:
        connection.exec_driver_sql(TABLE.format(big="INTEGER") + " WITHOUT ROWID")
    begun = time.perf_counter()
    frame = pd.read_csv(file, parse_dates=["welded_at"])
    codes, _ = pd.factorize(frame["lot"])
    rows = pd.DataFrame(
        {
            "subject_id": codes.astype(np.int64) + (1 << 40),
            "characteristic_id": 1 << 40,
            "stream_id": 0,
            "sample": frame["part"],
            "value": frame["collapse_mm"],
            "at_us": frame["welded_at"].astype("datetime64[us, UTC]").astype(np.int64),
            "batch_id": 1 << 40,
            "condition_id": 0,
        }
    )
    with engine.begin() as connection:
        rows.to_sql("reading", connection, if_exists="append", index=False)
    seconds = time.perf_counter() - begun
    engine.dispose()
    return seconds


def raw_copy(plant: Any, rows: list[tuple[Any, ...]]) -> float:
    with plant.store.transaction() as connection:
        connection.exec_driver_sql("DROP TABLE IF EXISTS bare_reading")
        connection.exec_driver_sql(TABLE.format(big="BIGINT").replace("TABLE reading", "TABLE bare_reading"))
    begun = time.perf_counter()
    with plant.store.transaction() as connection:
        cursor = connection.connection.cursor()
        with cursor.copy("COPY bare_reading FROM STDIN") as copy:
            for row in rows:
                copy.write_row(row)
    return time.perf_counter() - begun


def entry(
    name: str, ours: float, reference: float, ratio: float, goal: str, ok: bool, **more: Any
) -> dict[str, Any]:
    return {
        "name": name,
        "ours": ours,
        "reference": reference,
        "ratio": ratio,
        "goal": goal,
        "ok": ok,
        **more,
    }


def on_sqlite(folder: Path, file: Path, profile: Path) -> list[dict[str, Any]]:
    ours, raw, frame = [], [], []
    size = 0.0
    for turn in range(ROUNDS):
        plant = lay(f"sqlite:///{folder / f'ours{turn}.sqlite'}", LOTS)
        before = (folder / f"ours{turn}.sqlite").stat().st_size
        ours.append(take(plant, file, profile))
        rows = stored_rows(plant)
        plant.store.close()
        with closing(sqlite3.connect(folder / f"ours{turn}.sqlite")) as connection:
            connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        size = ((folder / f"ours{turn}.sqlite").stat().st_size - before) / ROWS
        raw.append(raw_sqlite(folder / f"raw{turn}.sqlite", rows))
        del rows
        frame.append(by_frame(folder / f"frame{turn}.sqlite", file))
    mine, bare, script = (statistics.median(times) for times in (ours, raw, frame))
    return [
        entry(
            "import-raw", ROWS / mine, ROWS / bare, bare / mine, ">= 0.40", bare / mine >= 0.40, unit="rows/s"
        ),
        entry(
            "import-frame",
            ROWS / mine,
            ROWS / script,
            script / mine,
            ">= 2.5",
            script / mine >= 2.5,
            unit="rows/s",
        ),
        entry("bytes-sqlite", size, 60, size / 60, "<= 60 bytes a reading", size <= 60, unit="bytes"),
    ]


def on_server(folder: Path, file: Path, profile: Path) -> list[dict[str, Any]]:
    tests = module_of(ROOT / "tests" / "conftest.py", "bench_import_server")
    ours, raw = [], []
    size = 0.0
    with tests._own_server() as server:
        databases = tests.Databases("postgresql", folder, server.url)
        for _ in range(ROUNDS):
            plant = lay(databases.new(), LOTS)
            ours.append(take(plant, file, profile))
            rows = stored_rows(plant)
            raw.append(raw_copy(plant, rows))
            size = plant.rows(SIZE)[0][0] / ROWS
            plant.store.close()
    mine, bare = statistics.median(ours), statistics.median(raw)
    return [
        entry(
            "import-copy", ROWS / mine, ROWS / bare, bare / mine, ">= 0.5", bare / mine >= 0.5, unit="rows/s"
        ),
        entry("bytes-postgresql", size, 120, size / 120, "<= 120 bytes a reading", size <= 120, unit="bytes"),
    ]


PROGRAM = """
import resource, sys
sys.path.insert(0, {root!r})
from pathlib import Path
import importlib.util
spec = importlib.util.spec_from_file_location("bench_import", {here!r})
module = importlib.util.module_from_spec(spec)
sys.modules["bench_import"] = module
spec.loader.exec_module(module)
plant = module.lay({url!r}, module.LOTS)
module.take(plant, Path({file!r}), Path({profile!r}))
print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss)
"""


def memory(folder: Path, profile: Path) -> dict[str, Any]:
    """Largest memory of a program that takes ten million rows in."""
    file = folder / "many.csv"
    write_file(file, MANY_ROWS, LOTS)
    code = PROGRAM.format(
        root=str(ROOT),
        here=__file__,
        url=f"sqlite:///{folder / 'many.sqlite'}",
        file=str(file),
        profile=str(profile),
    )
    done = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=ROOT, env={**os.environ}
    )
    used = int(done.stdout.split()[-1]) / (1 << 20 if sys.platform == "darwin" else 1 << 10)
    return entry("import-memory", used, 400, used / 400, "<= 400 MB at 10^7 rows", used <= 400, unit="MB")


def run() -> list[dict[str, Any]]:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        file, profile = folder / "machine.csv", folder / "machine.toml"
        write_file(file, ROWS, LOTS)
        profile.write_text(PROFILE, encoding="utf-8")
        return [*on_sqlite(folder, file, profile), *on_server(folder, file, profile), memory(folder, profile)]
