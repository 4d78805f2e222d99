"""The disk fills up in mid-write: the entry is refused in words, what was stored stays whole, work goes on with room.

Two ways of being full that need no special rights: SQLite told to take no more pages (its own error for a full disk), and on
systems that can, a process whose files may not grow beyond a size (the error comes from the operating system in mid-write).
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from sqlalchemy import event

from qualrec.errors import DiskFull, QualrecError
from qualrec.records import bulk, trail
from qualrec.records.bulk import BulkImport, NewColumns, clear_staged
from qualrec.records.database import Store, open_store
from qualrec.values import Actor, NewReading

PROGRAM = Actor(None, "station")


@dataclass
class Tally:
    rounds: int = 0
    refused: int = 0
    stored: int = 0
    problems: list[str] = field(default_factory=list)

    @property
    def good(self) -> bool:
        return self.refused > 0 and not self.problems


def run(store: Store, subject: int, characteristic: int, rounds: int) -> Tally:
    """Fill the database again and again with a little more room each time, by entries and by imports."""
    tally = Tally()
    for number in range(rounds):
        limit = _pages(store) + 1 + 3 * number

        def no_room(connection: Any, _record: Any, limit: int = limit) -> None:
            connection.execute(f"PRAGMA max_page_count = {limit}")

        store.engine.dispose()
        event.listen(store.engine, "connect", no_room)
        before = _count(store)
        added = _until_full(store, subject, characteristic, number, tally)
        event.remove(store.engine, "connect", no_room)
        store.engine.dispose()
        clear_staged(store)
        tally.rounds += 1
        tally.stored += added
        if _count(store) != before + added:
            tally.problems.append(f"round {number}: {_count(store)} rows, {before + added} were stored")
        if not trail.verify(store).ok:
            tally.problems.append(f"round {number}: {trail.verify(store).faults[:3]}")
        _enter(store, subject, characteristic, 1)
    return tally


def _until_full(store: Store, subject: int, characteristic: int, number: int, tally: Tally) -> int:
    added = 0
    try:
        while True:
            if number % 2:
                added += _import(store, subject, characteristic, 2000)
            else:
                added += _enter(store, subject, characteristic, 20)
    except DiskFull as error:
        tally.refused += 1
        if not error.remedy:
            tally.problems.append("no remedy")
    except QualrecError as error:
        tally.problems.append(f"round {number}: {error!r}")
    return added


def _enter(store: Store, subject: int, characteristic: int, n: int) -> int:
    with store.write(PROGRAM) as writer:
        reading = NewReading(subject, characteristic, 500.0, 1, entered_text="x" * 60)
        writer.add_readings([reading] * n)
    return n


def _import(store: Store, subject: int, characteristic: int, n: int) -> int:
    bulk.ROWS_A_TRANSACTION = {"sqlite": 500, "postgresql": 500}
    with BulkImport(store, PROGRAM) as job:
        job.stage(
            NewColumns(np.full(n, subject), np.full(n, characteristic), np.linspace(1, 2, n), np.arange(n))
        )
        return job.accept().rows


def _pages(store: Store) -> int:
    with store.read() as connection:
        return int(connection.exec_driver_sql("PRAGMA page_count").scalar_one())


def _count(store: Store) -> int:
    with store.read() as connection:
        query = (
            "SELECT count(*) FROM reading WHERE batch_id IN (SELECT id FROM batch WHERE state = 'accepted')"
        )
        return int(connection.exec_driver_sql(query).scalar_one())


def limited_station(url: str, subject: int, characteristic: int, room: int) -> None:
    """A program whose files may not grow beyond `room` bytes: prints how many entries were stored, then the error."""
    import resource
    import signal

    signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    with open_store(url) as store:
        resource.setrlimit(resource.RLIMIT_FSIZE, (room, room))
        stored = 0
        try:
            while True:
                stored += _enter(store, subject, characteristic, 20)
        except QualrecError as error:
            print(stored, type(error).__name__, bool(error.remedy), flush=True)


def size_of(store: Store) -> int:
    """Bytes of the largest file of the database."""
    assert store.path is not None
    names = (store.path, store.path.with_name(store.path.name + "-wal"))
    return max(Path(name).stat().st_size for name in names if Path(name).exists())


if __name__ == "__main__":
    limited_station(sys.argv[1], int(sys.argv[2]), int(sys.argv[3]), int(sys.argv[4]))
