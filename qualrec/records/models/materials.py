"""Polymers, materials, deliveries and moulding lots."""

from __future__ import annotations

from sqlalchemy import CheckConstraint, UniqueConstraint
from sqlmodel import SQLModel

from qualrec.records.models.base import key, one_of, ordered, real, ref, subject_key, text, us, whole, word


class Polymer(SQLModel, table=True):
    """Own or edited polymer data beside the packaged table; every row with its source."""

    __tablename__ = "polymer"
    __table_args__ = (UniqueConstraint("plant_id", "code"),)
    id: int = key()
    plant_id: int = ref("plant.id")
    code: str = word(40)
    name: str = word(120)
    crystallinity: str = word(20)
    data: str = text(default="{}")
    source: str = text()


class PairRating(SQLModel, table=True):
    """Own or edited rating of a pair of polymers, upper on lower."""

    __tablename__ = "pair_rating"
    __table_args__ = (
        UniqueConstraint("plant_id", "upper", "lower"),
        one_of("rating", ("good", "limited", "none")),
    )
    id: int = key()
    plant_id: int = ref("plant.id")
    upper: str = word(40)
    lower: str = word(40)
    rating: str = word(10)
    source: str = text()


class Material(SQLModel, table=True):
    """One grade of one supplier."""

    __tablename__ = "material"
    __table_args__ = (
        UniqueConstraint("plant_id", "code"),
        one_of("infrared_role", ("transmissive", "absorbing")),
        ordered("melt_low_c", "melt_high_c"),
    )
    id: int = key()
    plant_id: int = ref("plant.id")
    code: str = word(60)
    supplier: str = word(120)
    polymer: str = word(40)
    filler: str = word(40, default="")
    filler_pct: float | None = real()
    colour: str = word(60, default="")
    infrared_role: str = word(20)
    absorber_pct: float | None = real()
    melt_low_c: float | None = real()
    melt_high_c: float | None = real()
    surface_energy_mn_m: float | None = real()
    drying: str = text()


class ComponentPart(SQLModel, table=True):
    """The upper or lower moulded part of a welded product."""

    __tablename__ = "component_part"
    __table_args__ = (UniqueConstraint("plant_id", "number"), one_of("side", ("upper", "lower")))
    id: int = key()
    plant_id: int = ref("plant.id")
    number: str = word(60)
    name: str = word(120)
    side: str = word(10)
    material_id: int = ref("material.id")
    thickness_mm: float | None = real()


class Tool(SQLModel, table=True):
    """A mould."""

    __tablename__ = "tool"
    __table_args__ = (UniqueConstraint("plant_id", "code"),)
    id: int = key()
    plant_id: int = ref("plant.id")
    component_part_id: int = ref("component_part.id")
    code: str = word(40)


class Cavity(SQLModel, table=True):
    __tablename__ = "cavity"
    __table_args__ = (UniqueConstraint("tool_id", "code"),)
    id: int = key()
    plant_id: int = ref("plant.id")
    tool_id: int = ref("tool.id")
    code: str = word(20)


class Delivery(SQLModel, table=True):
    """A supplier's lot of a material."""

    __tablename__ = "delivery"
    __table_args__ = (
        UniqueConstraint("plant_id", "material_id", "supplier_lot"),
        one_of("kind", ("resin", "masterbatch", "regrind")),
        one_of("state", ("accepted", "on hold", "refused")),
    )
    id: int = key()
    plant_id: int = ref("plant.id")
    material_id: int = ref("material.id")
    supplier_lot: str = word(60)
    kind: str = word(20, default="resin")
    received_us: int = us()
    expires_us: int | None = us(null=True)
    state: str = word(20, default="accepted")


class MouldingLot(SQLModel, table=True):
    """A lot of one component part from one tool; transmission readings hang on it."""

    __tablename__ = "moulding_lot"
    __table_args__ = (
        UniqueConstraint("plant_id", "number"),
        one_of("state", ("accepted", "on hold", "refused")),
    )
    id: int = subject_key()
    plant_id: int = ref("plant.id")
    number: str = word(60)
    component_part_id: int = ref("component_part.id", index=True)
    tool_id: int | None = ref("tool.id", null=True)
    moulded_us: int = us(index=True)
    expires_us: int | None = us(null=True)
    state: str = word(20, default="accepted")


class MouldingParent(SQLModel, table=True):
    """Which deliveries went into a moulding lot."""

    __tablename__ = "moulding_parent"
    __table_args__ = (
        CheckConstraint("share_pct IS NULL OR share_pct BETWEEN 0 AND 100", name="share_pct_range"),
    )
    moulding_lot_id: int = ref("moulding_lot.id", pk=True)
    delivery_id: int = ref("delivery.id", pk=True)
    share_pct: float | None = real()


class ParentSpecimens(SQLModel, table=True):
    """A set of unwelded reference specimens for the weld factor."""

    __tablename__ = "parent_specimens"
    id: int = subject_key()
    plant_id: int = ref("plant.id")
    material_id: int = ref("material.id")
    label: str = word(80)
    tested_us: int = us()
    remark: str = text()
    count: int = whole(default=0)
