"""A copy whose program is killed leaves no file under its name; what comes after works."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest

from qualrec.records import backup, trail
from qualrec.records.database import open_store

SLOW_COPY = """
import sys, time
from pathlib import Path
from qualrec.records import backup
from qualrec.records.database import open_store
backup.PAGES_A_STEP = 4
with open_store(sys.argv[1]) as store:
    backup.back_up(store, Path(sys.argv[2]), lambda *told: (print("step", flush=True), time.sleep(0.01)))
"""


@pytest.mark.parametrize("steps", [1, 5, 15])
def test_a_killed_copy(tmp_path: Path, small_plant: Any, program_env: dict[str, str], steps: int) -> None:
    url = f"sqlite:///{tmp_path / 'plant.sqlite'}"
    to = tmp_path / "copy.sqlite"
    with open_store(url, create=True) as store:
        site = small_plant(store)
        site.add(*[site.reading(500.0 + i, pull=site.pull()) for i in range(300)])
        command = [sys.executable, "-c", SLOW_COPY, url, str(to)]
        with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=program_env) as program:
            assert program.stdout is not None
            for _ in range(steps):
                assert program.stdout.readline() == "step\n"
            program.kill()
        assert not to.exists()
        assert not backup.manifest_of(to).exists()
        made = backup.back_up(store, to)
        site.add(site.reading(600.0))
        assert trail.verify(store).ok
    done = backup.restore(made.path, tmp_path / "back.sqlite")
    assert done.verdict.readings == 300


def test_a_copy_of_a_database_that_is_written_all_the_time_comes_to_an_end(
    tmp_path: Path, small_plant: Any, program_env: dict[str, str]
) -> None:
    """SQLite begins a copy anew when the source changes under it; a copy inside one read transaction does not."""
    url = f"sqlite:///{tmp_path / 'plant.sqlite'}"
    to = tmp_path / "copy.sqlite"
    with open_store(url, create=True) as store:
        site = small_plant(store)
        site.add(*[site.reading(500.0 + i, pull=site.pull()) for i in range(300)])
        command = [sys.executable, "-c", SLOW_COPY, url, str(to)]
        end = time.monotonic() + 60
        with subprocess.Popen(command, stdout=subprocess.DEVNULL, env=program_env) as program:
            while program.poll() is None:
                site.add(site.reading(600.0, pull=site.pull()))
                assert time.monotonic() < end
        assert program.returncode == 0
    assert backup.look(to).counts["reading"] >= 300
