"""A station is killed in mid-write. What it was told is stored must be there; nothing may be there in part.

The station is a process of its own that stores entries and imports one after the other and prints a line after each commit.
It is killed (SIGKILL, TerminateProcess on Windows) after a random time. Then: every printed entry is stored whole, every
stored entry is whole, staged rows are cleared, the records verify, and sending the last entries again stores none twice.
"""

from __future__ import annotations

import os
import random
import subprocess
import sys
import threading
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

import qualrec
from qualrec.records import bulk, trail
from qualrec.records.bulk import BulkImport, NewColumns, clear_staged
from qualrec.records.database import Store, open_store
from qualrec.values import Actor, NewReading, PullResult

ENVIRONMENT = {**os.environ, "PYTHONPATH": str(Path(qualrec.__file__).parents[1])}
ROWS_AN_ENTRY = 5
ROWS_AN_IMPORT = 300
PROGRAM = Actor(None, "station")


@dataclass
class Tally:
    """What happened over all rounds."""

    rounds: int = 0
    told: int = 0
    stored_untold: int = 0
    cleared: int = 0
    lost: int = 0
    partial: int = 0
    faults: int = 0
    twice: int = 0

    @property
    def good(self) -> bool:
        return not (self.lost or self.partial or self.faults or self.twice)


def entry(store: Store, subject: int, characteristic: int, key: str) -> None:
    """One typed entry of five pulls."""
    readings = [
        NewReading(
            subject,
            characteristic,
            500.0 + i,
            1,
            serial=f"{key}-{i}",
            entered_text="5",
            pull=PullResult("cohesive"),
        )
        for i in range(ROWS_AN_ENTRY)
    ]
    with store.write(PROGRAM) as writer:
        writer.add_readings(readings, entry_key=key)


def station(url: str, subject: int, characteristic: int, begin: int) -> None:
    """Endless: three entries, then an import in small transactions; a line after each commit."""
    bulk.ROWS_A_TRANSACTION = {"sqlite": 50, "postgresql": 50}
    with open_store(url) as store:
        for number in range(begin, 10**9):
            key = f"k{number}"
            if number % 4 == 3:
                with BulkImport(store, PROGRAM, file_name=key) as job:
                    n = ROWS_AN_IMPORT
                    values = np.linspace(500, 560, n)
                    given = NewColumns(np.full(n, subject), np.full(n, characteristic), values, np.arange(n))
                    for at in range(0, n, 50):
                        job.stage(NewColumns(*(getattr(given, f)[at : at + 50] for f in FIELDS)))
                    job.accept()
            else:
                entry(store, subject, characteristic, key)
            print(key, flush=True)


FIELDS = ("subject_id", "characteristic_id", "value", "at_us")


def kill_once(url: str, subject: int, characteristic: int, begin: int, wait_s: float) -> list[str]:
    """Run a station, kill it `wait_s` after its first line, return the keys it was told."""
    command = [sys.executable, str(Path(__file__)), url, str(subject), str(characteristic), str(begin)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=ENVIRONMENT) as program:
        assert program.stdout is not None
        told = [program.stdout.readline().strip()]
        reader = threading.Thread(target=lambda: told.extend(line.strip() for line in program.stdout))
        reader.start()
        time.sleep(wait_s)
        program.kill()
        program.wait()
        reader.join()
    return [key for key in told if key]


def run(store: Store, subject: int, characteristic: int, rounds: int, seed: int = 1) -> Tally:
    """Kill stations at random moments; `subject` and `characteristic` are what they enter readings of."""
    tally, chance, begin = Tally(), random.Random(seed), 0
    for _ in range(rounds):
        told = kill_once(store.url, subject, characteristic, begin, chance.uniform(0.0, 0.25))
        tally.rounds += 1
        tally.told += len(told)
        _check(store, tally, told)
        begin = _resend(store, subject, characteristic, begin, told, tally)
    return tally


def _check(store: Store, tally: Tally, told: list[str]) -> None:
    for _ in range(100):  # a server needs a moment to notice that a client died
        tally.cleared += clear_staged(store)
        if not _staged(store):
            break
        time.sleep(0.05)
    stored = _stored(store)
    tally.lost += sum(key not in stored for key in told)
    tally.partial += sum(rows != wanted for rows, wanted in stored.values())
    tally.faults += trail.verify(store).fault_count + _staged(store)


def _staged(store: Store) -> int:
    with store.read() as connection:
        return int(
            connection.exec_driver_sql("SELECT count(*) FROM batch WHERE state = 'staged'").scalar_one()
        )


def _stored(store: Store) -> dict[str, tuple[int, int]]:
    """Rows found and rows wanted of every accepted batch, by key or file name."""
    query = (
        "SELECT coalesce(entry_key, file_name) AS key, rows, (SELECT count(*) FROM reading WHERE batch_id = batch.id) AS n,"
        " kind FROM batch WHERE state = 'accepted'"
    )
    with store.read() as connection:
        found: list[Any] = list(connection.exec_driver_sql(query))
    return {r.key: (r.n, ROWS_AN_IMPORT if r.kind == "file" else ROWS_AN_ENTRY) for r in found}


def _resend(
    store: Store, subject: int, characteristic: int, begin: int, told: list[str], tally: Tally
) -> int:
    """The station starts again and sends the last entries once more, told or not."""
    last = int(told[-1][1:]) if told else begin - 1
    before = _stored(store)
    tally.stored_untold += sum(int(key[1:]) > last for key in before)
    for number in range(max(begin, last - 1), last + 2):
        if number % 4 != 3:
            entry(store, subject, characteristic, f"k{number}")
    with store.read() as connection:
        counts = "SELECT count(*) FROM batch WHERE state = 'accepted' GROUP BY coalesce(entry_key, file_name)"
        tally.twice += sum(n > 1 for n in connection.exec_driver_sql(counts).scalars())
    return last + 3


if __name__ == "__main__":
    station(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]), int(sys.argv[4]))
