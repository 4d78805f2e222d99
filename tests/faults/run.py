"""Kill, fill, corrupt, cut and crowd, many rounds: `python tests/faults/run.py --long`.

Prints a line for each and ends with 1 where one fails. On SQLite in a temporary folder; with `--postgres URL` the killing is
done on a PostgreSQL database as well (it must exist and be empty; it gets the tables and readings of these tests). Files, cut
networks and crowds of stations have a database each: with `--postgres` on a server of their own, from the wheel of the tests.
"""

from __future__ import annotations

import argparse
import importlib.util
import sys
import tempfile
import time
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


def told(name: str, tally: Any, begin: float) -> bool:
    print(
        f"{name}: {'in order' if tally.good else 'FAILED'} in {time.monotonic() - begin:.0f} s: {tally}",
        flush=True,
    )
    return bool(tally.good)


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
    given = parser.parse_args()
    kills, fills, damages = (100, 40, 1000) if given.long else (10, 6, 100)
    good = files(given.long)
    with tempfile.TemporaryDirectory(prefix="qualrec-faults-") as name:
        folder = Path(name)
        urls = [f"sqlite:///{folder / 'kill.sqlite'}", *([given.postgres] if given.postgres else [])]
        for url in urls:
            store, site = plant(url)
            begin = time.monotonic()
            good &= told(
                f"kill ({store.dialect})",
                load(HERE / "kill.py").run(store, site.segments[0], site.force, kills),
                begin,
            )
            store.close()
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
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
