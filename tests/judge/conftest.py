"""Plain values of one invented part, lot and characteristic; every test changes what it needs."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest

from qualrec.judge.facts import LotFacts, MouldingReadings
from qualrec.values import (
    Calibration,
    Characteristic,
    Component,
    Gauge,
    Lot,
    MouldingLot,
    Owed,
    Part,
    PullResult,
    ReadingKey,
    ReadingRow,
    RecipeRevision,
    RecipeSetting,
    Segment,
    Station,
    Window,
)

HOUR = 3_600_000_000
DAY = 24 * HOUR
WELDED = 1_000 * DAY

PULL = Characteristic(
    id=11,
    revision_id=111,
    revision=1,
    valid_from_us=0,
    part_id=1,
    code="PULL",
    name="Pull force",
    hangs_on="lot",
    kind="measured",
    quantity="force",
    unit="N",
    lsl=450.0,
    decimals=0,
    strength=True,
    destructive=True,
    samples=5,
    mandatory=True,
    good_side=1,
    reaction_plan=("Stop.", "Hold all since the last good check."),
)
TRANSMISSION = replace(
    PULL,
    id=12,
    revision_id=121,
    code="TRANS",
    name="Transmission",
    hangs_on="moulding lot",
    quantity="transmission",
    unit="%",
    lsl=18.0,
    decimals=1,
    strength=False,
    destructive=False,
    reaction_plan=(),
)
COLLAPSE = replace(
    PULL,
    id=13,
    revision_id=131,
    code="COLL",
    name="Collapse",
    quantity="collapse",
    unit="mm",
    lsl=0.15,
    usl=0.40,
    decimals=3,
    strength=False,
    destructive=False,
    good_side=0,
)


def component(side: str, number: int) -> Component:
    return Component(
        id=number,
        number=f"C{number}",
        name=side,
        side=side,
        material_id=900 + number,
        material=f"M{number}",
        polymer="PA6-GF30",
        supplier="invented",
        filler="GF",
        filler_pct=30.0,
        colour="black",
        infrared_role="transmissive" if side == "upper" else "absorbing",
        absorber_pct=None,
        thickness_mm=2.0,
    )


UPPER, LOWER = component("upper", 1), component("lower", 2)


def moulding(number: str, part: Component, **changes: Any) -> MouldingLot:
    plain = MouldingLot(
        id=hash_free_id(number),
        number=number,
        component=part,
        tool="T1",
        moulded_us=WELDED - 10 * DAY,
        expires_us=WELDED + 100 * DAY,
        state="accepted",
        deliveries=("D-1",),
        delivery_materials=(part.material_id,),
        deliveries_expire_us=(WELDED,),
        delivery_states=("accepted",),
    )
    return replace(plain, **changes)


def hash_free_id(text: str) -> int:
    return 500 + sum(ord(sign) for sign in text)


RECIPE = RecipeRevision(
    id=31,
    recipe_id=30,
    code="R-1",
    part_number="P-1",
    process="quasi-simultaneous",
    revision=2,
    state="approved",
    reason="first",
    author="A",
    created_us=0,
    approver="B",
    approved_us=WELDED - 50 * DAY,
    valid_from_us=WELDED - 50 * DAY,
    ended_us=None,
    settings=(
        RecipeSetting("power", 100.0, "W"),
        RecipeSetting("speed", 1000.0, "mm/s"),
        RecipeSetting("seam_length", 150.0, "mm"),
        RecipeSetting("seam_width", 2.0, "mm"),
        RecipeSetting("passes", 20.0, "count"),
    ),
    windows=(Window("joint energy", 0.15, 0.30, "J/mm²"), Window("transmission", 15.0, 30.0, "%")),
)


def make_lot(**changes: Any) -> Lot:
    segment = Segment(
        id=41,
        position=1,
        from_us=WELDED,
        recipe=RECIPE,
        station="W1",
        operator="A",
        upper=moulding("U-1", UPPER),
        lower=moulding("L-1", LOWER),
        clamp_tool="K1",
        station_id=7,
    )
    plain = Lot(
        id=21,
        number="LOT-1",
        part=Part(
            id=1,
            number="P-1",
            name="housing",
            customer=None,
            customer_reference="",
            safety_related=False,
            process="quasi-simultaneous",
            joint="T-joint",
            seam_length_mm=150.0,
            seam_width_mm=2.0,
            revision="A",
            drawing="D",
            upper=UPPER,
            lower=LOWER,
        ),
        state="under review",
        quantity=500,
        started_us=WELDED,
        ended_us=WELDED + 6 * HOUR,
        parent="",
        version=1,
        remark="",
        segments=(segment,),
        owed=(),
        dispositions=(),
        shipments=(),
    )
    segment_changes = changes.pop("segment", {})
    lot = replace(plain, **changes)
    if segment_changes:
        lot = replace(lot, segments=(replace(lot.segments[0], **segment_changes), *lot.segments[1:]))
    return lot


def make_reading(c: Characteristic, value: float | None, sample: int = 1, **changes: Any) -> ReadingRow:
    pull = changes.pop("pull", PullResult("cohesive", 0.0, 100.0, 0.0, 0.0) if c.strength else None)
    plain = ReadingRow(
        key=ReadingKey(changes.pop("subject", 41), c.id, changes.pop("stream_id", 0), sample),
        lot_id=21,
        lot_number="LOT-1",
        code=c.code,
        unit=c.unit,
        value=value,
        original=value,
        at_us=WELDED + HOUR,
        entered_us=WELDED + HOUR,
        person="A",
        stream="",
        condition_id=0,
        gauge="",
        serial="",
        source="typed",
        file_name="",
        entered_text=f"{value}",
        decimals=c.decimals,
        first_text=None,
        late=False,
        pull=pull,
        corrected=False,
        void=False,
        correction_reason="",
        corrected_by="",
    )
    return replace(plain, **changes)


def make_facts(**changes: Any) -> LotFacts:
    lot = changes.pop("lot", make_lot())
    upper = lot.segments[0].upper
    transmission = changes.pop("transmission", (22.0, 22.4, 21.8))
    rows = tuple(
        make_reading(TRANSMISSION, v, i + 1, subject=upper.id if upper else 0, lot_id=None)
        for i, v in enumerate(transmission)
    )
    plain = LotFacts(
        lot=lot,
        characteristics={c.id: c for c in (PULL, TRANSMISSION, COLLAPSE)},
        readings=(),
        moulding=(MouldingReadings(upper, rows),) if upper is not None else (),
        now_us=WELDED + 10 * DAY,
    )
    return replace(plain, **changes)


def make_gauge(*calibrations: tuple[int, int, str], **changes: Any) -> Gauge:
    held = tuple(Calibration(at, due, verdict, None, None, "", "") for at, due, verdict in calibrations)
    plain = Gauge(51, "G1", "tester", "force", "N", 0.1, 365, None, None, None, "in use", "lab", held)
    return replace(plain, **changes)


def owed(c: Characteristic, position: str, count: int, done: int, **changes: Any) -> Owed:
    return replace(Owed(c.id, c.code, c.name, position, count, done, None, True), **changes)


@pytest.fixture(scope="session")
def made() -> SimpleNamespace:
    """Makers of plain values and the values they start from."""
    return SimpleNamespace(
        HOUR=HOUR,
        DAY=DAY,
        WELDED=WELDED,
        pull=PULL,
        transmission=TRANSMISSION,
        collapse=COLLAPSE,
        recipe=RECIPE,
        upper=UPPER,
        lower=LOWER,
        station=Station(7, "W1", "welder", "welder", 24),
        moulding=moulding,
        lot=make_lot,
        reading=make_reading,
        facts=make_facts,
        gauge=make_gauge,
        owed=owed,
    )


@pytest.fixture(scope="session")
def kinds_of() -> Callable[..., list[str]]:
    """The kinds of findings, in order."""

    def of(findings: Any) -> list[str]:
        return [f.kind for f in findings]

    return of
