"""Lots, their segments, what they owe, and what becomes of them."""

from __future__ import annotations

from sqlalchemy import CheckConstraint, Index, UniqueConstraint
from sqlmodel import SQLModel

from qualrec.records.models.base import (
    filled,
    key,
    one_of,
    positive,
    ref,
    subject_key,
    text,
    us,
    whole,
    word,
)

LOT_STATES = (
    "open",
    "awaiting tests",
    "under review",
    "on hold",
    "released",
    "released under concession",
    "scrapped",
    "reworked",
    "shipped",
    "suspect, shipped",
)
DISPOSITIONS = ("release", "hold", "sort", "rework", "scrap", "use as is", "return to supplier")


class Lot(SQLModel, table=True):
    """One production lot. `sequence` orders the lots of a part on charts (time of welding)."""

    __tablename__ = "lot"
    __table_args__ = (
        UniqueConstraint("plant_id", "number"),
        filled("number"),
        one_of("state", LOT_STATES),
        positive("quantity"),
        Index("ix_lot_state_started", "state", "started_us"),
        Index("ix_lot_part_started", "part_id", "started_us"),
    )
    id: int = key()
    plant_id: int = ref("plant.id")
    number: str = word(60)
    part_id: int = ref("part.id")
    part_revision_id: int | None = ref("part_revision.id", null=True)
    quantity: int | None = whole(null=True)
    started_us: int = us()
    ended_us: int | None = us(null=True)
    state: str = word(30, default="open")
    parent_lot_id: int | None = ref("lot.id", null=True)
    version: int = whole(default=1)
    remark: str = text()


class LotSegment(SQLModel, table=True):
    """A stretch of a lot with one recipe revision, station, operator, pair of moulding lots and clamp tool."""

    __tablename__ = "lot_segment"
    __table_args__ = (UniqueConstraint("lot_id", "position"),)
    id: int = subject_key()
    lot_id: int = ref("lot.id")
    position: int = whole()
    from_us: int = us()
    recipe_revision_id: int | None = ref("recipe_revision.id", null=True, index=True)
    station_id: int | None = ref("station.id", null=True, index=True)
    operator_id: int | None = ref("person.id", null=True)
    upper_moulding_lot_id: int | None = ref("moulding_lot.id", null=True, index=True)
    lower_moulding_lot_id: int | None = ref("moulding_lot.id", null=True, index=True)
    clamp_tool_id: int | None = ref("clamp_tool.id", null=True)


class TestOwed(SQLModel, table=True):
    """What the sampling plan asks of a lot."""

    __tablename__ = "test_owed"
    __table_args__ = (
        UniqueConstraint("lot_id", "characteristic_id", "position"),
        CheckConstraint("count > 0", name="count_positive"),
    )
    id: int = key()
    lot_id: int = ref("lot.id")
    characteristic_id: int = ref("characteristic.id")
    position: str = word(30)
    count: int = whole()
    due_us: int | None = us(null=True)
    mandatory: int = whole(default=1)


class Shipment(SQLModel, table=True):
    __tablename__ = "shipment"
    __table_args__ = (positive("quantity"),)
    id: int = key()
    plant_id: int = ref("plant.id")
    lot_id: int = ref("lot.id", index=True)
    customer_id: int | None = ref("customer.id", null=True)
    quantity: int = whole()
    at_us: int = us()
    document: str = word(80, default="")
    concession_id: int | None = ref("concession.id", null=True)
    person_id: int | None = ref("person.id", null=True)


class Concession(SQLModel, table=True):
    """Leave to use nonconforming product, counted by quantity or date."""

    __tablename__ = "concession"
    __table_args__ = (CheckConstraint("quantity IS NOT NULL OR until_us IS NOT NULL", name="has_an_end"),)
    id: int = key()
    plant_id: int = ref("plant.id")
    part_id: int = ref("part.id")
    lot_id: int | None = ref("lot.id", null=True)
    reference: str = word(80)
    quantity: int | None = whole(null=True)
    until_us: int | None = us(null=True)
    reason: str = text()
    signature_id: int | None = ref("signature.id", null=True)


class Disposition(SQLModel, table=True):
    __tablename__ = "disposition"
    __table_args__ = (one_of("kind", DISPOSITIONS),)
    id: int = key()
    plant_id: int = ref("plant.id")
    lot_id: int = ref("lot.id", index=True)
    kind: str = word(30)
    quantity: int | None = whole(null=True)
    at_us: int = us()
    person_id: int | None = ref("person.id", null=True)
    reason: str = text()
    signature_id: int | None = ref("signature.id", null=True)
    concession_id: int | None = ref("concession.id", null=True)


class Containment(SQLModel, table=True):
    __tablename__ = "containment"
    __table_args__ = (one_of("state", ("open", "done")),)
    id: int = key()
    plant_id: int = ref("plant.id")
    flag_id: int | None = ref("flag.id", null=True)
    lot_id: int | None = ref("lot.id", null=True)
    place: str = word(120)
    quantity: int | None = whole(null=True)
    action: str = text()
    result: str = text()
    state: str = word(10, default="open")
    at_us: int = us()
    person_id: int | None = ref("person.id", null=True)


class ChecklistStep(SQLModel, table=True):
    """One ticked or owed step: first-off, reaction plan, hand-over, change notice."""

    __tablename__ = "checklist"
    __table_args__ = (one_of("kind", ("first-off", "reaction plan", "hand-over", "change notice")),)
    id: int = key()
    plant_id: int = ref("plant.id")
    kind: str = word(30)
    lot_id: int | None = ref("lot.id", null=True, index=True)
    flag_id: int | None = ref("flag.id", null=True)
    station_id: int | None = ref("station.id", null=True)
    position: int = whole()
    step: str = text()
    done_us: int | None = us(null=True)
    person_id: int | None = ref("person.id", null=True)
    remark: str = text()


class ProblemReport(SQLModel, table=True):
    """An eight-discipline record linked to lots, flags and evidence; `steps` and `links` are JSON."""

    __tablename__ = "problem_report"
    __table_args__ = (UniqueConstraint("plant_id", "number"), one_of("state", ("open", "closed")))
    id: int = key()
    plant_id: int = ref("plant.id")
    number: str = word(40)
    title: str = word(200)
    part_id: int | None = ref("part.id", null=True)
    opened_us: int = us()
    due_us: int | None = us(null=True)
    state: str = word(10, default="open")
    steps: str = text(default="{}")
    links: str = text(default="[]")
