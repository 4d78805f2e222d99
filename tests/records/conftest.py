"""A small invented plant for the tests of the records."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import pytest

from qualrec.records import trail
from qualrec.records.database import Store
from qualrec.records.ledger import Writer
from qualrec.values import Actor, NewReading, PullResult, ReadingKey

DAY_US = 86_400_000_000


@dataclass(frozen=True)
class Site:
    """Ids of what the fixture set up."""

    store: Store
    actor: Actor
    plant_id: int
    person_id: int
    second_id: int
    part_id: int
    force: int
    """Pull force in N, on the lot: target 500, limits 400 to 700."""
    collapse: int
    """Collapse in mm, subgroups of 5 consecutive every 20."""
    transmission: int
    """Transmission in %, on moulding lots; only a lower limit."""
    lots: tuple[int, ...]
    segments: tuple[int, ...]
    moulding_lot: int
    condition: int
    stream: int

    @staticmethod
    def pull(mode: str = "cohesive", **more: Any) -> PullResult:
        return PullResult(mode, **more)

    def reading(self, value: float | None, **more: Any) -> NewReading:
        """A pull force on the first lot."""
        given = {"subject_id": self.segments[0], "characteristic_id": self.force, "at_us": DAY_US, **more}
        return NewReading(value=value, **given)

    def add(self, *readings: NewReading, **more: Any) -> tuple[ReadingKey, ...]:
        with self.store.write(self.actor, self.plant_id) as writer:
            return writer.add_readings(readings, **more).keys

    def new_lot(self, number: str) -> int:
        """Id of the segment of a new lot."""
        with self.store.write(self.actor, self.plant_id) as writer:
            return add_lot(writer, self.part_id, number)[1]

    def rows(self, query: str) -> list[tuple[Any, ...]]:
        with self.store.read() as connection:
            return [tuple(row) for row in connection.exec_driver_sql(query)]

    def tamper(self, *statements: str) -> None:
        """Run statements past the program, with the guards switched off."""
        with self.store.engine.connect() as connection:
            if self.store.dialect == "sqlite":
                query = "SELECT name FROM sqlite_master WHERE type = 'trigger'"
                for (name,) in connection.exec_driver_sql(query).fetchall():
                    connection.exec_driver_sql(f"DROP TRIGGER {name}")
            else:
                connection.exec_driver_sql("SET session_replication_role = replica")
            for statement in statements:
                connection.exec_driver_sql(statement)
            connection.commit()

    def faults(self) -> list[tuple[str, str]]:
        """Kind and table of everything that verifying finds."""
        return [(fault.kind, fault.table) for fault in trail.verify(self.store).faults]


def add_characteristic(
    writer: Writer, part_id: int, code: str, hangs_on: str = "lot", **revision: Any
) -> int:
    row = {
        "part_id": part_id,
        "code": code,
        "name": code,
        "hangs_on": hangs_on,
        "kind": "measured",
        "quantity": code,
    }
    characteristic = writer.insert("characteristic", row, act="characteristic added")
    fixed = {"mean_width": 3.5, "ewma_lambda": 0.2, "ewma_width": 2.9, "revision": 1, "valid_from_us": 0}
    content = {**fixed, "characteristic_id": characteristic, "unit": "N", **revision}
    writer.insert("characteristic_revision", content, act="characteristic revised")
    return characteristic


def add_lot(writer: Writer, part_id: int, number: str) -> tuple[int, int]:
    """Ids of a lot and its segment."""
    row = {"number": number, "part_id": part_id, "started_us": DAY_US}
    lot = writer.insert("lot", row, act="lot opened")
    segment = writer.new_subject("lot segment")
    row = {"id": segment, "lot_id": lot, "position": 1, "from_us": DAY_US}
    writer.insert("lot_segment", row, act="segment opened")
    return lot, segment


def set_up(store: Store, code: str = "P1") -> Site:
    """The plant in an empty database (or a further one beside others)."""
    with store.write(Actor(None, "set-up"), 0) as w:
        plant = w.insert(
            "plant",
            {
                "code": code,
                "name": "Invented plant",
                "zone": "Europe/Berlin",
                "decimal_style": "comma",
                "single_user": False,
                "invented": True,
            },
            act="plant set up",
        )
        person, second = (
            w.insert("person", {"name": n, "badge": f"{code}-{n}", "created_us": 1}, act="person added")
            for n in ("First Person", "Second Person")
        )
    actor = Actor(person, "First Person")
    with store.write(actor, plant) as w:
        material = w.insert(
            "material",
            {"code": "M1", "supplier": "Invented", "polymer": "PA66", "infrared_role": "transmissive"},
            act="material added",
        )
        upper, lower = (
            w.insert(
                "component_part",
                {"number": s, "name": s, "side": s, "material_id": material},
                act="component added",
            )
            for s in ("upper", "lower")
        )
        part = w.insert(
            "part",
            {
                "number": "0001",
                "name": "Housing",
                "process": "contour",
                "joint": "lap",
                "upper_id": upper,
                "lower_id": lower,
            },
            act="part added",
        )
        force = add_characteristic(w, part, "F", lsl=400.0, usl=700.0, target=500.0, strength=True)
        collapse = add_characteristic(w, part, "S", unit="mm", subgroup_size=5, subgroup_every=20)
        transmission = add_characteristic(w, part, "T", "moulding lot", unit="%", lsl=15.0)
        lots, segments = zip(*(add_lot(w, part, f"L-{i:03d}") for i in range(1, 4)), strict=True)
        moulding = w.new_subject("moulding lot")
        w.insert(
            "moulding_lot",
            {"id": moulding, "number": "ML-1", "component_part_id": upper, "moulded_us": DAY_US},
            act="moulding lot added",
        )
        gauge = w.insert(
            "gauge", {"code": "G1", "name": "Tester", "family": "pull tester"}, act="gauge added"
        )
        condition = w.insert(
            "condition",
            {"gauge_id": gauge, "speed_mm_min": 50.0, "digest": f"{plant:064d}"},
            act="condition added",
        )
        stream = w.insert("stream", {"part_id": part, "label": "1/1"}, act="stream added")
    return Site(
        store,
        actor,
        plant,
        person,
        second,
        part,
        force,
        collapse,
        transmission,
        lots,
        segments,
        moulding,
        condition,
        stream,
    )


@pytest.fixture
def site(store: Store) -> Site:
    """A plant with a part, three characteristics, three lots and a moulding lot."""
    return set_up(store)


@pytest.fixture
def set_up_plant() -> Any:
    """The function that sets up a plant in a store."""
    return set_up
