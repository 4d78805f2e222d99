"""Kill, fill and corrupt, in short; `python tests/faults/run.py --long` does many more rounds."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from qualrec.records import trail
from qualrec.records.database import open_store


def test_a_killed_station(store: Any, small_plant: Any, fault: Any) -> None:
    site = small_plant(store)
    tally = fault("kill").run(store, site.segments[0], site.force, rounds=4)
    assert tally.good, tally
    assert tally.told >= 4


def test_a_full_disk(tmp_path: Path, small_plant: Any, fault: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    from qualrec.records import bulk

    monkeypatch.setattr(bulk, "ROWS_A_TRANSACTION", bulk.ROWS_A_TRANSACTION)
    with open_store(f"sqlite:///{tmp_path / 'a.sqlite'}", create=True) as store:
        site = small_plant(store)
        tally = fault("fill").run(store, site.segments[0], site.force, rounds=6)
        assert tally.good, tally
        assert tally.refused == 6


@pytest.mark.skipif(os.name != "posix", reason="sizes of files can be limited on POSIX systems only")
def test_a_file_that_may_not_grow(
    tmp_path: Path, small_plant: Any, fault: Any, program_env: dict[str, str]
) -> None:
    """The operating system refuses in mid-write."""
    program = fault("fill")
    with open_store(f"sqlite:///{tmp_path / 'a.sqlite'}", create=True) as store:
        site = small_plant(store)
        for extra in (3_000, 70_000):
            before = site.rows("SELECT count(*) FROM reading")[0][0]
            room = program.size_of(store) + extra
            command = [
                sys.executable,
                program.__file__,
                store.url,
                str(site.segments[0]),
                str(site.force),
                str(room),
            ]
            done = subprocess.run(command, capture_output=True, text=True, check=False, env=program_env)
            stored, kind, remedy = done.stdout.split()
            assert (kind, remedy) == ("DiskFull", "True"), done.stderr
            assert site.rows("SELECT count(*) FROM reading") == [(before + int(stored),)]
            assert trail.verify(store).ok
            site.add(site.reading(500.0))


def test_damaged_files(tmp_path: Path, small_plant: Any, fault: Any) -> None:
    path = tmp_path / "a.sqlite"
    with open_store(f"sqlite:///{path}", create=True) as store:
        site = small_plant(store)
        site.add(
            *[site.reading(500.0 + i, pull=site.pull(), serial=f"U{i}", entered_text="5") for i in range(200)]
        )
        with store.write(site.actor) as writer:
            key = writer.add_readings([site.reading(700.0)]).keys[0]
            writer.correct(key, kind="void", reason="wrong part")
    tally = fault("corrupt").run(path, tmp_path, rounds=40)
    assert tally.good, tally
    assert tally.refused + tally.faults > 10
