"""Twenty stations enter while a large import runs. Nothing may be lost, nothing may come twice.

Each station has a connection of its own (as its own program would) and enters pulls on one lot; an import stages and accepts
rows on another. The last entry of a station is sent once more, as after a lost answer. Then: every entry is stored once, sample
numbers have no gap, the import is whole, sums and chain agree. The time of each entry is kept.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
import time
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

import qualrec
from qualrec.errors import DatabaseBusy
from qualrec.records import trail
from qualrec.records.bulk import BulkImport, NewColumns
from qualrec.records.database import Store, open_store
from qualrec.records.ledger import Receipt
from qualrec.values import Actor, NewReading, PullResult

ENVIRONMENT = {**os.environ, "PYTHONPATH": str(Path(qualrec.__file__).parents[1])}
PROGRAM = Actor(None, "station")
ROWS_A_STAGE = 5_000


@dataclass
class Tally:
    """What came of it. Times in ms: median and 99 % of all entries, and 99 % of the worst station."""

    entries: int = 0
    imported: int = 0
    lost: int = 0
    twice: int = 0
    faults: int = 0
    busy: int = 0
    median_ms: float = 0.0
    p99_ms: float = 0.0
    worst_station_p99_ms: float = 0.0
    import_s: float = 0.0
    errors: list[str] = field(default_factory=list)

    @property
    def good(self) -> bool:
        return not (self.lost or self.twice or self.faults or self.errors)


def enter(url: str, subject: int, characteristic: int, number: int, entries: int) -> dict[str, Any]:
    """One station: its sample numbers, the time of each entry in ms, and how often the database was busy for too long."""
    samples, times, busy = [], [], 0
    with open_store(url) as store:
        for at in range(entries):
            reading = NewReading(
                subject, characteristic, 500.0 + number, 1, entered_text="5", pull=PullResult("cohesive")
            )
            begin = time.perf_counter()
            receipt, waited = _stored(store, reading, f"{number}-{at}")
            times.append(1000 * (time.perf_counter() - begin))
            samples.append(receipt.keys[0].sample)
            busy += waited
        again, waited = _stored(store, reading, f"{number}-{entries - 1}")
        assert again.repeated
    return {"samples": samples, "times": times, "busy": busy}


def _stored(store: Store, reading: NewReading, key: str) -> tuple[Receipt, int]:
    """Store an entry; where the database is busy for too long it is sent again, and that is counted."""
    busy = 0
    while True:
        try:
            with store.write(PROGRAM) as writer:
                return writer.add_readings([reading], entry_key=key), busy
        except DatabaseBusy:
            busy += 1


def bulk_import(url: str, subject: int, characteristic: int, rows: int) -> float:
    """One import in pieces; its time in s."""
    begin = time.perf_counter()
    with open_store(url) as store, BulkImport(store, PROGRAM, file_name="machine.csv") as job:
        for first in range(0, rows, ROWS_A_STAGE):
            n = min(ROWS_A_STAGE, rows - first)
            at = np.arange(first, first + n)
            given = NewColumns(np.full(n, subject), np.full(n, characteristic), 0.3 + (at % 97) / 1000, at)
            job.stage(given)
        job.accept()
    return time.perf_counter() - begin


def run(
    store: Store, site: Any, stations: int, entries: int, rows: int, *, own_programs: bool = False
) -> Tally:
    """Let stations and import run together: as threads, or each station as a program of its own."""
    tally, found = Tally(), list[dict[str, Any]]()
    others = [(site.segments[0], site.force, n, entries) for n in range(stations)]

    def importing() -> None:
        tally.import_s = bulk_import(store.url, site.segments[1], site.collapse, rows)

    def entering(*given: int) -> None:
        try:
            found.append(_as_program(store.url, *given) if own_programs else enter(store.url, *given))
        except Exception as error:
            tally.errors.append(f"{type(error).__name__}: {error}")

    threads = [threading.Thread(target=entering, args=given) for given in others]
    threads.append(threading.Thread(target=importing))
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    _judge(store, site, found, rows, stations * entries, tally)
    return tally


def _as_program(url: str, *given: int) -> dict[str, Any]:
    command = [sys.executable, str(Path(__file__)), url, *map(str, given)]
    done = subprocess.run(command, capture_output=True, text=True, check=False, env=ENVIRONMENT)
    assert done.returncode == 0, done.stderr
    return dict(json.loads(done.stdout))


def _judge(
    store: Store, site: Any, found: list[dict[str, Any]], rows: int, wanted: int, tally: Tally
) -> None:
    samples = sorted(sample for station in found for sample in station["samples"])
    tally.entries, tally.busy = len(samples), sum(station["busy"] for station in found)
    stored = site.rows(f"SELECT sample FROM reading WHERE subject_id = {site.segments[0]} ORDER BY sample")
    tally.lost = wanted - len(set(samples) & {row[0] for row in stored})
    tally.twice = len(stored) - wanted + len(samples) - len(set(samples))
    tally.imported = site.rows(
        "SELECT count(*) FROM reading r JOIN batch b ON b.id = r.batch_id"
        f" WHERE b.state = 'accepted' AND r.subject_id = {site.segments[1]}"
    )[0][0]
    tally.lost += rows - tally.imported
    tally.faults = trail.verify(store).fault_count + (samples != list(range(1, wanted + 1)))
    times = [np.asarray(station["times"]) for station in found]
    if times:
        together = np.concatenate(times)
        tally.median_ms, tally.p99_ms = (float(np.percentile(together, q)) for q in (50, 99))
        tally.worst_station_p99_ms = max(float(np.percentile(t, 99)) for t in times)


if __name__ == "__main__":
    print(json.dumps(enter(sys.argv[1], *map(int, sys.argv[2:6]))))
