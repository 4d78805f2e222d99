"""A small plant from the master data of the sample plant, with lots that wait for files. All of it invented."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import text as sql

from qualrec import config
from qualrec.intake.profile_text import to_toml
from qualrec.intake.profiles import PULL_BENCH, Profile, TimeColumns, ValueColumn
from qualrec.records import lookups, registry
from qualrec.records.database import Store, open_store
from qualrec.work import definitions, review
from qualrec.work.sample_files import locate
from qualrec.work.sample_plan import DAY_US, HOUR_US, lot_start
from qualrec.work.session import Session, make_session
from qualrec.work.set_up import PROGRAM

SET_UP_US = lot_start(1)
NOW_US = lot_start(61) + DAY_US
TABLES = (
    "reading",
    "pull",
    "welded_unit",
    "batch",
    "rollup",
    "mode_count",
    "lot",
    "lot_segment",
    "condition",
    "import_profile",
    "flag",
    "trail",
)


@dataclass
class SmallPlant:
    """A store with the sample master data. `as_badge` gives the session of a person."""

    store: Store
    clock: list[int]

    def as_badge(self, badge: str = "Q-01") -> Session:
        return make_session(self.store, config.Settings(self.store.url, badge=badge))

    def rows(self, query: str, **values: Any) -> list[tuple[Any, ...]]:
        with self.store.read() as conn:
            return [tuple(row) for row in conn.execute(sql(query), values)]

    def counts(self) -> dict[str, int]:
        """Rows of every table that an import may write."""
        return {t: self.rows(f"SELECT count(*) FROM {t}")[0][0] for t in TABLES}

    def define(self, tables: dict[str, Any], badge: str = "Q-01") -> None:
        with self.store.write(self.as_badge(badge).actor) as writer:
            definitions.Definitions(writer, "test").define(tables)


def lay(store: Store, clock: list[int]) -> SmallPlant:
    """Master data, an approved recipe, one moulding lot of each side, lots FM00060 and FM00061."""
    tables = definitions.load(locate("sample_plant.toml"))
    with store.write(PROGRAM) as writer:
        registry.add_plant(writer, "SAMPLE", "Sample plant", "Europe/Berlin", "point", invented=True)
        job = definitions.Definitions(writer, "sample_plant.toml")
        job.define({"person": tables["person"]})
    plant = SmallPlant(store, clock)
    wanted = {k: v for k, v in tables.items() if k not in ("plant", "person")}
    wanted["part"] = [p for p in tables["part"] if p["number"] in ("FM-2040", "VB-1310")]
    wanted["recipe"] = [{**r, "revision": r["revision"][:1]} for r in tables["recipe"][:2]]
    plant.define(wanted, "P-01")
    review.approve_recipe(plant.as_badge(), "RC-2040", 1, reason="Window study seen")
    clock[0] = NOW_US
    with store.write(plant.as_badge().actor) as writer:
        conn = writer.conn
        part = lookups.part(conn, "FM-2040")
        moulded = lot_start(61) - 3 * DAY_US
        upper = registry.add_moulding_lot(writer, "U0061", part.upper.id, moulded)
        lower = registry.add_moulding_lot(writer, "L0061", part.lower.id, moulded + HOUR_US)
        for position in (60, 61):
            registry.add_lot(
                writer,
                f"FM{position:05d}",
                part.id,
                lot_start(position),
                quantity=480,
                recipe_revision_id=lookups.recipe_revision(conn, "RC-2040", 1).id,
                station_id=lookups.station(conn, "LW-1").id,
                upper_moulding_lot_id=upper,
                lower_moulding_lot_id=lower,
            )
    return plant


def plain_profile(**changes: Any) -> Profile:
    """A tester without units and words of its own: point, comma as delimiter."""
    given: dict[str, Any] = {
        "name": "plain tester",
        "revision": 1,
        "kind": "tester",
        "delimiter": "comma",
        "encoding": "utf-8",
        "decimal_style": "point",
        "lot": "lot",
        "sample": "specimen",
        "stream": ("nest",),
        "time": TimeColumns(("tested_at",), "iso"),
        "values": (ValueColumn("force", "PULL", "N", pull=True),),
        "mode": type(PULL_BENCH.mode)("mode", PULL_BENCH.mode.words),  # type: ignore[misc, union-attr]
    }
    return Profile(**{**given, **changes})


@pytest.fixture
def profile() -> Callable[..., Profile]:
    """Makes profiles of a plain tester."""
    return plain_profile


@pytest.fixture
def put(tmp_path: Path) -> Callable[..., Path]:
    def write(content: str | list[str], name: str = "file.csv") -> Path:
        path = tmp_path / name
        text = content if isinstance(content, str) else "\n".join(content) + "\n"
        path.write_text(text, encoding="utf-8", newline="")
        return path

    return write


@pytest.fixture
def plain(put: Callable[..., Path]) -> Callable[..., str]:
    """Path of a profile as TOML."""

    def write(**changes: Any) -> str:
        return str(put(to_toml(plain_profile(**changes)), "profile.toml"))

    return write


@pytest.fixture
def small_plant(store_url: str) -> Iterator[SmallPlant]:
    """A small plant on each kind of database."""
    clock = [SET_UP_US]
    with open_store(store_url, clock=lambda: clock[0]) as store:
        yield lay(store, clock)


LEAN = {
    "material": [
        {"code": "M-N", "supplier": "S", "polymer": "PBT", "infrared_role": "transmissive"},
        {"code": "M-B", "supplier": "S", "polymer": "PBT", "infrared_role": "absorbing"},
    ],
    "component": [
        {"number": "FM-2041", "name": "Cover", "side": "upper", "material": "M-N"},
        {"number": "FM-2042", "name": "Body", "side": "lower", "material": "M-B"},
    ],
}
"""What a part hangs on, as small as it goes."""
PERSONS = {
    "T-01": ("Sample technician A", "technician"),
    "P-01": ("Sample process engineer", "process engineer"),
    "Q-01": ("Sample quality engineer", "quality engineer"),
    "A-01": ("Sample auditor", "auditor"),
}


def lay_lean(store: Store, clock: list[int]) -> SmallPlant:
    """Four persons, two gauges and one part from the sample master data: much quicker than the small plant."""
    tables = definitions.load(locate("sample_plant.toml"))
    part = next(p for p in tables["part"] if p["number"] == "FM-2040")
    clock[0] = SET_UP_US
    with store.write(PROGRAM) as writer:
        registry.add_plant(writer, "SAMPLE", "Sample plant", "Europe/Berlin", "point", invented=True)
        for badge, (name, role) in PERSONS.items():
            registry.add_person(writer, name, badge, roles=(role,))
    plant = SmallPlant(store, clock)
    gauges = [
        {**g, "calibration": g["calibration"][:1]} for g in tables["gauge"] if g["code"] in ("TM-01", "PT-02")
    ]
    lean = {k: v for k, v in part.items() if k not in ("customer", "streams")}
    plant.define({**LEAN, "gauge": gauges, "part": [lean]}, "P-01")
    return plant


@pytest.fixture
def lean_plant(store_url: str) -> Iterator[SmallPlant]:
    """A lean plant on each kind of database."""
    clock = [SET_UP_US]
    with open_store(store_url, clock=lambda: clock[0]) as store:
        yield lay_lean(store, clock)


@pytest.fixture
def another_plant(databases: Any) -> Iterator[Callable[[], SmallPlant]]:
    """Makes further small plants of the same kind."""
    made: list[tuple[str, Store]] = []

    def make() -> SmallPlant:
        clock = [SET_UP_US]
        url = databases.new()
        store = open_store(url, clock=lambda: clock[0])
        made.append((url, store))
        return lay(store, clock)

    yield make
    for url, store in made:
        store.close()
        databases.give_back(url)


@pytest.fixture(scope="session")
def laid_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A SQLite file with a small plant, laid once."""
    path, clock = tmp_path_factory.mktemp("laid") / "plant.sqlite", [SET_UP_US]
    with open_store(f"sqlite:///{path}", create=True, clock=lambda: clock[0]) as store:
        lay(store, clock)
    return path


@pytest.fixture
def copied_plant(laid_file: Path, tmp_path: Path) -> Iterator[SmallPlant]:
    """A small plant on SQLite, copied from the one that was laid."""
    path, clock = tmp_path / "plant.sqlite", [NOW_US]
    shutil.copyfile(laid_file, path)
    with open_store(f"sqlite:///{path}", clock=lambda: clock[0]) as store:
        yield SmallPlant(store, clock)
