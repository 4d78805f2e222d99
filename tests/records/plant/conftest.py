"""An invented plant made through the registry, for tests of writes and reads of master data and lots."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

import pytest
from sqlalchemy import event

from qualrec.records import registry
from qualrec.records.database import Store
from qualrec.values import Actor, NewReading, PullResult, ReadingKey

HOUR_US = 3_600_000_000
DAY_US = 24 * HOUR_US
BEGIN_US = 1_770_000_000_000_000
"""2026-02-02 02:40 UTC; the clock of the store stands here until a test moves it."""


@dataclass
class Plant:
    """Ids of what the fixture set up, and short ways to add to it."""

    store: Store
    clock: list[int]
    actor: Actor
    second: Actor
    ids: dict[str, int] = field(default_factory=dict)
    begin_us: int = BEGIN_US

    def __getattr__(self, name: str) -> int:
        try:
            return self.__dict__["ids"][name]
        except KeyError:
            raise AttributeError(name) from None

    def do(self, act: Callable[..., Any], *given: Any, by: Actor | None = None, **more: Any) -> Any:
        """One registry function in a transaction of its own."""
        with self.store.write(by or self.actor, self.ids["plant"]) as writer:
            return act(writer, *given, **more)

    def ask(self, look: Callable[..., Any], *given: Any, **more: Any) -> Any:
        """One lookup."""
        with self.store.read() as conn:
            return look(conn, *given, **more)

    def lot(self, number: str, day: int = 0, **more: Any) -> tuple[int, int]:
        """(lot, first segment) of a lot welded some days after the beginning."""
        lot_id = self.do(registry.add_lot, number, self.part, self.begin_us + day * DAY_US, **more)
        query = f"SELECT id FROM lot_segment WHERE lot_id = {lot_id} ORDER BY position DESC"
        with self.store.read() as conn:
            return lot_id, int(conn.exec_driver_sql(query).scalar_one())

    def read(self, subject: int, code: str, *values: float | None, **more: Any) -> tuple[ReadingKey, ...]:
        """Readings of a characteristic on a subject; None is a test fault. Pulls are cohesive unless `modes` say so."""
        modes = more.pop("modes", None)
        readings = []
        for place, value in enumerate(values):
            given: dict[str, Any] = {"at_us": self.begin_us + place, "condition_id": 0, **more}
            if code == "PULL":
                mode = "test fault" if value is None else (modes[place] if modes else "cohesive")
                given["pull"] = mode if isinstance(mode, PullResult) else PullResult(mode)
            readings.append(NewReading(subject, self.ids[code], value, **given))
        with self.store.write(self.actor, self.ids["plant"]) as writer:
            return writer.add_readings(readings).keys

    def correct(self, key: ReadingKey, **more: Any) -> None:
        with self.store.write(self.actor, self.ids["plant"]) as writer:
            writer.correct(key, reason="typed wrong", **more)

    def rows(self, table: str) -> int:
        with self.store.read() as conn:
            return int(conn.exec_driver_sql(f"SELECT count(*) FROM {table}").scalar_one())

    @contextmanager
    def counted(self) -> Iterator[list[str]]:
        """The statements that are sent meanwhile."""
        sent: list[str] = []

        def note(conn: Any, cursor: Any, statement: str, *rest: Any) -> None:
            if not statement.startswith(("PRAGMA", "SET", "BEGIN")) and "sqlite_master" not in statement:
                sent.append(statement)

        event.listen(self.store.engine, "before_cursor_execute", note)
        yield sent
        event.remove(self.store.engine, "before_cursor_execute", note)


def make_plant(store: Store) -> Plant:
    clock = [BEGIN_US]
    store.clock = lambda: clock[0]
    number = registry.add_plant(store, "P1", "Invented plant", "Europe/Berlin", "comma", invented=True)
    with store.write(Actor(None, "set-up"), number) as w:
        first = registry.add_person(w, "Anna Example", "0101", roles=["quality engineer"])
        second = registry.add_person(w, "Berta Example", "0102", roles=["technician", "process engineer"])
    made = Plant(store, clock, Actor(first, "Anna Example", "0101"), Actor(second, "Berta Example", "0102"))
    ids = made.ids = {"plant": number, "anna": first, "berta": second}
    with store.write(made.actor, number) as w:
        ids["clear"] = registry.add_material(w, "PA-N", "Invented", "PA66", "transmissive", filler_pct=30.0)
        ids["black"] = registry.add_material(w, "PA-B", "Invented", "PA66", "absorbing", absorber_pct=0.4)
        ids["upper"] = registry.add_component(w, "U-100", "Cover", "upper", ids["clear"], thickness_mm=2.0)
        ids["lower"] = registry.add_component(w, "L-100", "Body", "lower", ids["black"])
        ids["customer"] = registry.add_customer(w, "C1", "Invented customer", symbols={"critical": "K"})
        ids["part"] = registry.add_part(
            w,
            "0042",
            "Housing",
            upper_id=ids["upper"],
            lower_id=ids["lower"],
            process="contour",
            joint="lap",
            revision="A",
            drawing="D-1",
            valid_from_us=BEGIN_US,
            customer_id=ids["customer"],
        )
        since = {"valid_from_us": BEGIN_US}
        ids["PULL"] = registry.add_characteristic(
            w,
            ids["part"],
            code="PULL",
            name="Pull force",
            quantity="pull force",
            unit="N",
            lsl=400.0,
            strength=True,
            destructive=True,
            samples=5,
            sample_positions=("first-off", "middle", "end"),
            mandatory=True,
            accepted_modes=("parent material", "cohesive"),
            separating=("speed_mm_min",),
            reaction_plan=("Stop the station.", "Call the process engineer."),
            **since,
        )
        ids["PATH"] = registry.add_characteristic(
            w, ids["part"], code="PATH", name="Collapse", quantity="collapse", unit="mm", samples=2, **since
        )
        ids["TRN"] = registry.add_characteristic(
            w,
            ids["part"],
            code="TRN",
            name="Transmission",
            quantity="transmission",
            unit="%",
            hangs_on="moulding lot",
            samples=3,
            **since,
        )
        ids["station"] = registry.add_station(w, "W1", "Welder one", "welder", clean_every_hours=24)
        ids["station2"] = registry.add_station(w, "W2", "Welder two", "welder")
        ids["clamp"] = registry.add_clamp_tool(w, "CT-1", "glass 12")
        ids["recipe"] = registry.add_recipe(w, ids["part"], "R-42")
        settings = {"power": 100.0, "speed": 1000.0, "seam_width": 2.0}
        ids["rev1"] = registry.add_recipe_revision(w, ids["recipe"], settings=settings, reason="first")
        registry.approve_recipe_revision(w, ids["rev1"])
        ids["delivery"] = registry.add_delivery(w, ids["clear"], "R-001", BEGIN_US)
        ids["moulded"] = registry.add_moulding_lot(
            w, "U0001", ids["upper"], BEGIN_US, parents=[(ids["delivery"], 100.0)]
        )
        ids["moulded_low"] = registry.add_moulding_lot(w, "L0001", ids["lower"], BEGIN_US)
        ids["gauge"] = registry.add_gauge(w, "G-1", "Tester", "pull tester", unit="N", interval_days=30)
        registry.add_calibration(w, ids["gauge"], BEGIN_US, verdict="good", certificate="K-1")
        ids["slow"] = registry.get_or_add_condition(w, gauge_id=ids["gauge"], speed_mm_min=5.0)
        ids["fast"] = registry.get_or_add_condition(w, gauge_id=ids["gauge"], speed_mm_min=50.0)
        ids["cavity1"] = registry.add_stream(w, ids["part"], "cavity 1")
        ids["cavity2"] = registry.add_stream(w, ids["part"], "cavity 2")
    return made


@pytest.fixture
def plant(store: Store) -> Plant:
    return make_plant(store)
