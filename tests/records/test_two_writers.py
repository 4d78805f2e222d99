"""Several stations at once: nothing is lost, nothing comes twice, and the chain has no fork."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from typing import Any

import numpy as np

from qualrec.records import bulk
from qualrec.records.bulk import BulkImport, NewColumns
from qualrec.records.database import open_store


def together(*jobs: Callable[[], None]) -> None:
    """Run jobs in threads; the first error of any is raised."""
    errors: list[BaseException] = []

    def run(job: Callable[[], None]) -> None:
        try:
            job()
        except BaseException as error:
            errors.append(error)

    threads = [threading.Thread(target=run, args=(job,)) for job in jobs]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    if errors:
        raise errors[0]


def test_many_stations_enter_at_once(site: Any) -> None:
    """Six stations, one lot: each has its own connection as it would have its own program."""
    stations, entries = 6, 8
    keys: list[Any] = []

    def station(number: int) -> Callable[[], None]:
        def enter() -> None:
            with open_store(site.store.url) as store:
                for i in range(entries):
                    with store.write(site.actor, site.plant_id) as writer:
                        reading = site.reading(500.0 + number, pull=site.pull())
                        keys.extend(writer.add_readings([reading, reading], entry_key=f"{number}-{i}").keys)

        return enter

    together(*(station(n) for n in range(stations)))
    n = stations * entries * 2
    assert sorted(key.sample for key in keys) == list(range(1, n + 1))
    assert site.rows("SELECT count(*) FROM reading") == [(n,)]
    assert site.rows("SELECT n FROM rollup") == [(n,)]
    assert site.rows("SELECT n FROM mode_count") == [(n,)]
    assert site.faults() == []


def test_the_same_entry_sent_by_two_at_once_is_stored_once(site: Any) -> None:
    found: list[Any] = []

    def send() -> None:
        with open_store(site.store.url) as store, store.write(site.actor, site.plant_id) as writer:
            found.append(writer.add_readings([site.reading(500.0)], entry_key="same"))

    together(*[send] * 5)
    assert sorted(receipt.repeated for receipt in found) == [False, True, True, True, True]
    assert len({receipt.batch_id for receipt in found}) == 1
    assert site.rows("SELECT count(*) FROM reading") == [(1,)]


def test_two_plants_write_at_once(site: Any, set_up_plant: Any) -> None:
    other = set_up_plant(site.store, "P2")

    def enter(place: Any) -> Callable[[], None]:
        def run() -> None:
            for _ in range(10):
                place.add(place.reading(500.0))

        return run

    together(enter(site), enter(other))
    assert site.rows("SELECT n FROM rollup") == [(10,), (10,)]
    assert site.faults() == []


def test_a_correction_and_an_entry_at_once(site: Any) -> None:
    keys = site.add(*[site.reading(500.0 + i) for i in range(10)])

    def correct() -> None:
        for key in keys:
            with site.store.write(site.actor) as writer:
                writer.correct(key, kind="value", new_value=700.0, reason="read again")

    def enter() -> None:
        for _ in range(10):
            site.add(site.reading(600.0))

    together(correct, enter)
    assert site.rows("SELECT n, low, high FROM rollup") == [(20, 600.0, 700.0)]
    assert site.faults() == []


def test_a_station_enters_during_an_import(site: Any) -> None:
    """Entries go in between the small transactions of an import, and both are whole at the end."""
    n = 40_000
    waits: list[float] = []
    stop = threading.Event()

    def take() -> None:
        try:
            with open_store(site.store.url) as store, BulkImport(store, site.actor) as job:
                size = bulk.ROWS_A_TRANSACTION["sqlite"]
                values = np.random.default_rng(1).normal(540, 10, n)
                subjects = np.repeat(site.segments[1], n)
                for at in range(0, n, size):
                    part = slice(at, at + size)
                    job.stage(
                        NewColumns(subjects[part], np.full(size, site.force), values[part], np.arange(size))
                    )
                job.accept()
        finally:
            stop.set()

    def enter() -> None:
        with open_store(site.store.url) as store:
            while not stop.is_set():
                begin = time.perf_counter()
                with store.write(site.actor) as writer:
                    writer.add_readings([site.reading(500.0)])
                waits.append(time.perf_counter() - begin)
                stop.wait(0.005)

    together(take, enter)
    assert len(waits) >= 3
    assert site.rows("SELECT count(*) FROM reading") == [(n + len(waits),)]
    assert site.rows("SELECT state, count(*) FROM batch GROUP BY state") == [("accepted", len(waits) + 1)]
    assert site.faults() == []


def test_two_imports_of_the_same_rows_at_once(site: Any) -> None:
    """One is taken, the other is refused with its rows; never a mixture."""
    outcomes: list[str] = []
    both = threading.Barrier(2)

    def take() -> None:
        with open_store(site.store.url) as store, BulkImport(store, site.actor) as job:
            n = 3000
            both.wait()
            job.stage(
                NewColumns(
                    np.full(n, site.segments[1]),
                    np.full(n, site.force),
                    np.linspace(500, 600, n),
                    np.arange(n),
                    sample=np.arange(1, n + 1),
                )
            )
            try:
                job.accept()
                outcomes.append("taken")
            except Exception as error:
                outcomes.append(type(error).__name__)

    together(take, take)
    assert outcomes.count("taken") <= 1
    assert set(outcomes) <= {"taken", "FileRefused"}
    assert site.rows("SELECT count(*) FROM reading")[0][0] in (0, 3000)
    assert site.faults() == []
