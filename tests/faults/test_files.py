"""Files on their way in: the program is killed, the network is cut. In short; `run.py --long` does many more rounds."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest


@pytest.mark.parametrize(
    ("databases", "how"), [("sqlite", "watch"), ("postgresql", "import")], indirect=["databases"]
)
def test_a_killed_program_takes_each_file_once(store: Any, tmp_path: Path, fault: Any, how: str) -> None:
    folder = tmp_path / "in"
    folder.mkdir()
    program = fault("kill_files")
    program.plant(store)
    tally = program.run(store, folder, how, rounds=1)
    assert tally.good, tally
    assert tally.files == 3


@pytest.mark.parametrize("databases", ["postgresql"], indirect=True)
def test_a_cut_network_takes_each_file_once(store: Any, tmp_path: Path, fault: Any) -> None:
    folder = tmp_path / "in"
    folder.mkdir()
    program = fault("cut")
    program.files().plant(store)
    found = program.run(store, folder, cuts=2)
    assert found.good, found


def test_twenty_stations_and_an_import_lose_nothing(store: Any, small_plant: Any, fault: Any) -> None:
    site = small_plant(store)
    tally = fault("stations").run(store, site, stations=20, entries=3, rows=6_000)
    assert tally.good, tally
    assert (tally.entries, tally.imported) == (60, 6_000)
