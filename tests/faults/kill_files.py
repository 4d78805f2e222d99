"""An import or a watch is killed in mid-file. Each file must be taken whole, once, however often the program starts again.

A round puts two tester files and a machine file into a folder and starts a program that takes what lies there: `watch`, or
an import of each file as a person would give it. The program is killed (SIGKILL, TerminateProcess on Windows) after a random
time. At the end it may finish. Then every file is in exactly one accepted batch with all its rows, nothing is staged, no
file was refused, and the records verify.
"""

from __future__ import annotations

import importlib.util
import os
import random
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import Any

import qualrec
from qualrec import assess
from qualrec.config import Settings
from qualrec.intake.readers import file_digest
from qualrec.records import bulk, trail
from qualrec.records.bulk import clear_staged
from qualrec.records.database import Store
from qualrec.work import intake
from qualrec.work.session import Session, open_session
from qualrec.work.watch import Watch, WatchPlan

ENVIRONMENT = {**os.environ, "PYTHONPATH": str(Path(qualrec.__file__).parents[1])}
BADGE, GAUGE = "T-01", ("PS-01",)
PARTS, PULLS = 36, 3
HEADS = (
    "Lot;Specimen;Nest;Date;Time;Peak force;Force at break;Travel at peak;Failure;Interfacial share;Cohesive share;"
    "Tear share;Parent share;Remark",
    ";;;;;N;N;mm;;%;%;%;%;",
)
MACHINE = "lot,serial,nest,welded_at,collapse_mm,path_time_s,energy_J,stopped_by"


@dataclass
class Tally:
    """What happened over all rounds."""

    rounds: int = 0
    files: int = 0
    taken_at_kills: int = 0
    lost: int = 0
    twice: int = 0
    partial: int = 0
    refused: int = 0
    faults: int = 0

    @property
    def good(self) -> bool:
        return not (self.lost or self.twice or self.partial or self.refused or self.faults)


def plant(store: Store) -> Any:
    """The small plant of the tests of `work`."""
    path = Path(__file__).parents[1] / "work" / "conftest.py"
    spec = importlib.util.spec_from_file_location("qualrec_tests_kill_files_plant", path)
    assert spec is not None
    assert spec.loader is not None
    module: ModuleType = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    clock = [module.SET_UP_US]
    before, store.clock = store.clock, lambda: clock[0]
    try:
        return module.lay(store, clock)
    finally:
        store.clock = before


def put(folder: Path, number: int) -> dict[str, int]:
    """The files of a round; readings by digest."""
    found = {}
    for half in (0, 1):
        first = (2 * number + half) * PULLS + 1
        rows = [
            f"FM00061;{n};1;28.10.2026;17:30:00;6{n % 90:02d},5;;;parent;;;;;"
            for n in range(first, first + PULLS)
        ]
        found[_write(folder / f"pulls{number}-{half}.csv", "\n".join([*HEADS, *rows]))] = PULLS
    rows = [
        f"FM00060,S{number:04d}-{n:03d},{n % 4 + 1},2026-10-27T08:{n % 60:02d}:00+01:00,0.{28 + n % 3},2.9,58{n % 9},path"
        for n in range(PARTS)
    ]
    found[_write(folder / f"cell{number}.csv", "\n".join([MACHINE, *rows]))] = 3 * PARTS
    return found


def _write(path: Path, text: str) -> str:
    path.write_text(text + "\n", encoding="utf-8", newline="")
    return file_digest(path)


def program(url: str, folder: Path, how: str) -> None:
    """The program that is killed: as a user's, with small transactions."""
    intake.BULK_READINGS = 100
    bulk.ROWS_A_TRANSACTION = {"sqlite": 20, "postgresql": 20}
    settings = Settings(url, badge=BADGE)
    with open_session(
        settings
    ) as session:  # what is loaded at the first file is loaded before the kills begin
        for path in sorted(folder.glob("*.csv"))[:2]:
            intake.check_file(session, path, gauge=GAUGE)
            judge_lot(session, "FM00061")
    print("ready", flush=True)
    take_all(settings, folder, how)


def take_all(settings: Settings, folder: Path, how: str) -> None:
    """Take what lies in the folder."""
    if how == "watch":
        plan = WatchPlan(folder, gauge=GAUGE, every_s=0.01, settle_s=0.01, once=True)
        Watch(settings, plan, lambda notice: print(notice.event, notice.file, flush=True)).run()
        return
    with open_session(settings) as session:
        for path in sorted(folder.glob("*.csv")):
            intake.take_file(session, path, gauge=GAUGE)
            print("taken", path.name, flush=True)


def judge_lot(session: Session, number: str) -> None:
    with session.store.read() as connection:
        assess.judge_lot(connection, number, now_us=session.store.clock())


def _start(url: str, folder: Path, how: str) -> subprocess.Popen[str]:
    command = [sys.executable, str(Path(__file__)), url, str(folder), how]
    return subprocess.Popen(command, stdout=subprocess.PIPE, text=True, env=ENVIRONMENT)


def run(store: Store, folder: Path, how: str, rounds: int, seed: int = 1, longest_s: float = 0.6) -> Tally:
    """Kill programs at random moments; the folder must be empty and the plant laid."""
    tally, chance, wanted = Tally(), random.Random(seed), {}
    for number in range(rounds):
        wanted |= put(folder, number)
        with _start(store.url, folder, how) as running:
            assert running.stdout is not None
            assert running.stdout.readline() == "ready\n"
            time.sleep(chance.uniform(0.0, longest_s))
            running.kill()
            tally.taken_at_kills += sum(line.startswith("taken") for line in running.stdout)
        tally.rounds += 1
    for _ in range(100):  # a server needs a moment to notice that a client died
        clear_staged(store)
        if not _number(store, "SELECT count(*) FROM batch WHERE state = 'staged'"):
            break
        time.sleep(0.05)
    take_all(Settings(store.url, badge=BADGE), folder, how)
    tally.files = len(wanted)
    _check(store, folder, how, wanted, tally)
    return tally


def _check(store: Store, folder: Path, how: str, wanted: dict[str, int], tally: Tally) -> None:
    query = (
        "SELECT file_digest, rows, (SELECT count(*) FROM reading WHERE batch_id = batch.id) AS n"
        " FROM batch WHERE state = 'accepted' AND file_digest IS NOT NULL"
    )
    with store.read() as connection:
        found: list[Any] = list(connection.exec_driver_sql(query))
    digests = [row.file_digest for row in found]
    tally.lost += sum(digest not in digests for digest in wanted)
    tally.twice += len(digests) - len(set(digests))
    tally.partial += sum(not row.rows == row.n == wanted.get(row.file_digest) for row in found)
    tally.partial += abs(_number(store, "SELECT count(*) FROM reading") - sum(wanted.values()))
    tally.refused += len(list((folder / "refused").glob("*"))) if how == "watch" else 0
    left = len(list(folder.glob("*.csv"))) if how == "watch" else 0
    tally.faults += trail.verify(store).fault_count + left


def _number(store: Store, query: str) -> int:
    with store.read() as connection:
        return int(connection.exec_driver_sql(query).scalar_one())


if __name__ == "__main__":
    program(sys.argv[1], Path(sys.argv[2]), sys.argv[3])
