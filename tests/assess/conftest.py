"""An invented shop in a database: one part, its materials, recipe, gauge, characteristics, and lots as asked for."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest

from qualrec.records import registry
from qualrec.records.database import Store, open_store
from qualrec.records.findings import store_limits
from qualrec.records.ledger import Writer
from qualrec.values import Actor, NewReading, PullResult, RecipeSetting, Window

HOUR = 3_600_000_000
DAY = 24 * HOUR
START = 20_458 * DAY  # 2026-01-05, UTC
SETTINGS = (
    RecipeSetting("power", 100.0, "W"),
    RecipeSetting("speed", 1000.0, "mm/s"),
    RecipeSetting("seam_length", 150.0, "mm"),
    RecipeSetting("seam_width", 2.0, "mm"),
    RecipeSetting("passes", 20.0, "count"),
)
PARENT = PullResult("parent material", 0.0, 0.0, 0.0, 100.0)
COHESIVE = PullResult("cohesive", 0.0, 100.0, 0.0, 0.0)
INTERFACIAL = PullResult("interfacial", 100.0, 0.0, 0.0, 0.0)


@dataclass
class Shop:
    """A store with ids by name, and the makers that tests use."""

    store: Store
    now_us: int = START - 60 * DAY
    ids: dict[str, int] = field(default_factory=dict)
    lots: dict[str, int] = field(default_factory=dict)
    segments: dict[str, int] = field(default_factory=dict)
    moulded: dict[str, int] = field(default_factory=dict)

    @property
    def actor(self) -> Actor:
        return Actor(self.ids.get("person"), "Ada Example", "B1")

    def write(self, act: Callable[[Writer], Any]) -> Any:
        with self.store.write(self.actor) as writer:
            return act(writer)

    def at(self, moment_us: int) -> Shop:
        """Let the clock of the store stand at a moment."""
        self.now_us = moment_us
        return self

    def moulding(self, number: str, transmission: Sequence[float] = (22.0, 22.5, 21.5), **given: Any) -> int:
        """An upper moulding lot with transmission readings, alternating over the two cavities."""
        when = given.pop("moulded_us", START - 5 * DAY)

        def act(w: Writer) -> int:
            lot = registry.add_moulding_lot(
                w, number, self.ids["upper"], when, parents=[self.ids["delivery"]], **given
            )
            rows = [
                NewReading(
                    lot,
                    self.ids["TRANS"],
                    value,
                    when + HOUR + i,
                    stream_id=self.ids[f"cavity {i % 2 + 1}"],
                    condition_id=self.ids["meter condition"],
                )
                for i, value in enumerate(transmission)
            ]
            if rows:
                w.add_readings(rows)
            return lot

        self.moulded[number] = self.write(act)
        return self.moulded[number]

    def lot(self, number: str, started_us: int, **given: Any) -> int:
        """A lot on the approved recipe with the qualified materials."""
        plain = {
            "quantity": 500,
            "recipe_revision_id": self.ids["revision"],
            "station_id": self.ids["welder"],
            "operator_id": self.ids["person"],
            "upper_moulding_lot_id": self.moulded.get("U-1"),
            "lower_moulding_lot_id": self.moulded.get("L-1"),
        }
        self.lots[number] = self.write(
            lambda w: registry.add_lot(w, number, self.ids["part"], started_us, **{**plain, **given})
        )
        with self.store.read() as conn:
            from qualrec.records import lookups

            self.segments[number] = lookups.lot(conn, number).segments[0].id
        return self.lots[number]

    def readings(
        self,
        number: str,
        code: str,
        values: Sequence[float],
        at_us: int,
        pulls: Sequence[PullResult] = (),
        **given: Any,
    ) -> Any:
        """Typed readings of a lot."""
        condition = given.pop("condition_id", self.ids["tester condition"])
        rows = [
            NewReading(
                self.segments[number],
                self.ids[code],
                value,
                at_us + i,
                condition_id=condition,
                pull=pulls[i % len(pulls)] if pulls else (COHESIVE if code == "PULL" else None),
                **given,
            )
            for i, value in enumerate(values)
        ]
        return self.write(lambda w: w.add_readings(rows))

    def freeze(self, limits: Any, reason: str = "first phase") -> int:
        """Freeze trial limits as the work room does."""
        return self.write(
            lambda w: store_limits(
                w,
                limits.characteristic.id,
                used_lots=limits.used_lots,
                left_out=limits.left_out,
                state="frozen",
                reason=reason,
                **limits.fields,
            )
        )

    def read(self) -> Any:
        return self.store.read()


def set_up(store_url: str) -> Shop:
    shop = Shop(store=None)  # type: ignore[arg-type]
    shop.store = open_store(store_url, clock=lambda: shop.now_us)
    registry.add_plant(shop.store, "P1", "invented plant", "Europe/Berlin", invented=True)
    ids = shop.ids
    ids["person"] = shop.write(
        lambda w: registry.add_person(w, "Ada Example", "B1", roles=("quality engineer",))
    )
    shop.write(lambda w: _materials(w, ids))
    shop.write(lambda w: _part(w, ids))
    shop.write(lambda w: _means(w, ids))
    return shop


def _materials(w: Writer, ids: dict[str, int]) -> None:
    clear = registry.add_material(w, "M1", "invented", "PA6-GF30", "transmissive")
    black = registry.add_material(w, "M2", "invented", "PA6-GF30", "absorbing")
    ids["upper"] = registry.add_component(w, "C1", "lid", "upper", clear, thickness_mm=2.0)
    ids["lower"] = registry.add_component(w, "C2", "body", "lower", black)
    ids["delivery"] = registry.add_delivery(w, clear, "D-1", START - 50 * DAY, expires_us=START + 900 * DAY)
    tool = registry.add_tool(w, ids["upper"], "T1")
    ids["C1-1"], ids["C1-2"] = registry.add_cavity(w, tool, "1"), registry.add_cavity(w, tool, "2")


def _part(w: Writer, ids: dict[str, int]) -> None:
    part = ids["part"] = registry.add_part(
        w, "P-1", "housing", upper_id=ids["upper"], lower_id=ids["lower"], process="quasi-simultaneous",
        joint="T-joint", revision="A", drawing="D-1", seam_length_mm=150.0, seam_width_mm=2.0,
    )  # fmt: skip
    for cavity in ("1", "2"):
        ids[f"cavity {cavity}"] = registry.add_stream(
            w, part, f"cavity {cavity}", upper_cavity_id=ids[f"C1-{cavity}"]
        )
    ids["PULL"] = registry.add_characteristic(
        w, part, code="PULL", name="Pull force", quantity="force", unit="N", lsl=450.0, decimals=0, strength=True,
        destructive=True, samples=5, mandatory=True, good_side=1, special_class="significant",
        index_requirement=1.33, reaction_plan=("Stop.", "Hold all since the last good check."),
        plausible_low=0.0, plausible_high=2000.0,
    )  # fmt: skip
    ids["COLL"] = registry.add_characteristic(
        w, part, code="COLL", name="Collapse", quantity="collapse", unit="mm", lsl=0.15, usl=0.40, decimals=3
    )
    ids["TRANS"] = registry.add_characteristic(
        w, part, code="TRANS", name="Transmission", quantity="transmission", unit="%", hangs_on="moulding lot",
        lsl=18.0, decimals=1, good_side=1,
    )  # fmt: skip
    ids["LEAK"] = registry.add_characteristic(
        w,
        part,
        code="LEAK",
        name="Leaks",
        quantity="leak",
        unit="count",
        kind="counted",
        chart="p",
        decimals=0,
    )
    ids["BURN"] = registry.add_characteristic(
        w,
        part,
        code="BURN",
        name="Burns",
        quantity="burn",
        unit="count",
        kind="counted",
        chart="zero count",
        decimals=0,
    )
    recipe = registry.add_recipe(w, part, "R-1")
    ids["recipe"] = recipe
    ids["revision"] = registry.add_recipe_revision(
        w, recipe, settings=SETTINGS, reason="first",
        windows=(Window("joint energy", 0.15, 0.30, "J/mm2"), Window("transmission", 15.0, 30.0, "%")),
    )  # fmt: skip
    registry.approve_recipe_revision(w, ids["revision"])


def _means(w: Writer, ids: dict[str, int]) -> None:
    ids["welder"] = registry.add_station(w, "W1", "welder", "welder", clean_every_hours=48)
    ids["tester"] = registry.add_gauge(w, "G1", "pull tester", "force", unit="N")
    ids["meter"] = registry.add_gauge(w, "G2", "transmission meter", "transmission", unit="%")
    for gauge in ("tester", "meter"):
        registry.add_calibration(w, ids[gauge], START - 30 * DAY, verdict="good", due_us=START + 400 * DAY)
    ids["tester condition"] = registry.get_or_add_condition(w, gauge_id=ids["tester"], speed_mm_min=10.0)
    ids["meter condition"] = registry.get_or_add_condition(w, gauge_id=ids["meter"], wavelength_nm=980.0)


@pytest.fixture
def shop(store_url: str) -> Iterator[Shop]:
    """A shop without lots, for tests that add to it."""
    made = set_up(store_url)
    made.moulding("U-1")
    yield made.at(START + 30 * DAY)
    made.store.close()


LOTS = 36
PHASE_ONE = 26
ODD_LOT = "F030"


def lot_values(rng: np.random.Generator, index: int) -> dict[str, np.ndarray]:
    """Readings of one lot. The odd lot is low in force."""
    centre = 600.0 + 12.0 * rng.standard_normal() - (75.0 if f"F{index + 1:03d}" == ODD_LOT else 0.0)
    return {
        "PULL": np.round(centre + 12.0 * rng.standard_normal(5), 0),
        "COLL": np.round(0.25 + 0.004 * rng.standard_normal() + 0.008 * rng.standard_normal(8), 3),
        "LEAK": (rng.uniform(size=40) < 0.05).astype(float),
    }


@pytest.fixture(scope="session")
def run_shop(databases: Any) -> Iterator[Shop]:
    """36 lots, two days apart, limits of PULL, COLL and LEAK frozen after 26; read only."""
    from qualrec.assess import trial_limits

    url = databases.new()
    made = set_up(url)
    rng = np.random.default_rng(20260105)
    for index in range(LOTS):
        begun = START + 2 * index * DAY
        if index % 6 == 0:
            number = f"U-{index // 6 + 1}"
            made.at(begun).moulding(
                number, tuple(np.round(22.0 + 0.5 * rng.standard_normal(6), 1)), moulded_us=begun - DAY
            )
        made.at(begun - HOUR).write(
            lambda w, t=begun - HOUR: registry.add_event(w, "glass_cleaned", t, station_id=made.ids["welder"])
        )
        lot = f"F{index + 1:03d}"
        made.at(begun).lot(lot, begun, upper_moulding_lot_id=made.moulded[number])
        values = lot_values(rng, index)
        for code, row in values.items():
            pulls = (PARENT, COHESIVE, PARENT, COHESIVE, PARENT) if code == "PULL" else ()
            made.readings(lot, code, row.tolist(), begun + 2 * HOUR, pulls)
        if index + 1 == PHASE_ONE:
            with made.read() as conn:
                trials = [trial_limits(conn, "P-1", code, {}) for code in ("PULL", "COLL", "LEAK")]
            for trial in trials:
                made.at(begun + DAY).freeze(trial)
    made.at(START + 2 * LOTS * DAY)
    yield made
    made.store.close()
    databases.give_back(url)
