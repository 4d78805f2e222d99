"""Deliveries and moulding lots."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Row, and_, or_, select

from qualrec.errors import UnknownRecord, UsageError
from qualrec.records.lookups.base import find, rows_for, table, unknown
from qualrec.records.lookups.parts import load_components
from qualrec.values import MouldingLot


@dataclass(frozen=True, slots=True)
class Delivery:
    """A supplier's lot of a material."""

    id: int
    material_id: int
    material: str
    supplier: str
    supplier_lot: str
    kind: str
    received_us: int
    expires_us: int | None
    state: str


def deliveries(
    conn: Connection, material: str | None = None, *, plant_id: int | None = None
) -> tuple[Delivery, ...]:
    """Deliveries of a material by its code (or all), newest first."""
    d, m = table("delivery"), table("material")
    asked = (
        select(d, m.c.code.label("material"), m.c.supplier)
        .join(m, m.c.id == d.c.material_id)
        .order_by(d.c.received_us.desc(), d.c.id.desc())
    )
    if material is not None:
        remedy = "Give the code of a material, or add it first."
        row = find(conn, "material", "code", material, what="material", remedy=remedy, plant_id=plant_id)
        asked = asked.where(d.c.material_id == row.id)
    names = Delivery.__dataclass_fields__
    return tuple(Delivery(**{name: getattr(row, name) for name in names}) for row in conn.execute(asked))


def delivery(conn: Connection, supplier_lot: str, material: str | None = None) -> Delivery:
    """A delivery by the supplier's lot number, which two materials may share: then `material` (code) is needed."""
    every = deliveries(conn, material)
    found = [d for d in every if d.supplier_lot == supplier_lot]
    if len(found) > 1:
        listed = ", ".join(d.material for d in found)
        raise UsageError(
            f"Supplier lot {supplier_lot!r} is of several materials: {listed}.",
            "Say which material is meant.",
        )
    if not found:
        raise unknown(
            "delivery",
            supplier_lot,
            [d.supplier_lot for d in every],
            "Give the supplier's lot number as on the label.",
        )
    return found[0]


def load_moulding_lots(conn: Connection, ids: Iterable[int]) -> dict[int, MouldingLot]:
    """Moulding lots by id with component, tool and deliveries, in three queries."""
    m, t, d, mp = table("moulding_lot"), table("tool"), table("delivery"), table("moulding_parent")
    asked = select(m, t.c.code.label("tool")).outerjoin(t, t.c.id == m.c.tool_id).order_by(m.c.id)
    rows = rows_for(conn, asked, m.c.id, ids)
    parents: dict[int, list[Row[Any]]] = defaultdict(list)
    fed = (
        select(mp.c.moulding_lot_id, d)
        .join(d, d.c.id == mp.c.delivery_id)
        .order_by(mp.c.moulding_lot_id, d.c.received_us, d.c.id)
    )
    for row in rows_for(conn, fed, mp.c.moulding_lot_id, [row.id for row in rows]):
        parents[row.moulding_lot_id].append(row)
    sides = load_components(conn, [row.component_part_id for row in rows])
    return {
        row.id: MouldingLot(
            id=row.id,
            number=row.number,
            component=sides[row.component_part_id],
            tool=row.tool or "",
            moulded_us=row.moulded_us,
            expires_us=row.expires_us,
            state=row.state,
            deliveries=tuple(x.supplier_lot for x in parents[row.id]),
            delivery_materials=tuple(x.material_id for x in parents[row.id]),
            deliveries_expire_us=tuple(x.expires_us for x in parents[row.id]),
            delivery_states=tuple(x.state for x in parents[row.id]),
        )
        for row in rows
    }


def moulding_lot(conn: Connection, number: str, *, plant_id: int | None = None) -> MouldingLot:
    """A moulding lot by number, compared exactly. Raises UnknownRecord with near numbers."""
    remedy = "Give the number as on the label, or add the moulding lot first."
    row = find(conn, "moulding_lot", "number", number, what="moulding lot", remedy=remedy, plant_id=plant_id)
    return load_moulding_lots(conn, [row.id])[row.id]


def moulding_lot_by_id(conn: Connection, moulding_lot_id: int) -> MouldingLot:
    found = load_moulding_lots(conn, [moulding_lot_id])
    if moulding_lot_id not in found:
        raise UnknownRecord(f"There is no moulding lot with id {moulding_lot_id}.", "See the moulding lots.")
    return found[moulding_lot_id]


def moulding_lots_page(
    conn: Connection,
    component: str | None = None,
    text: str | None = None,
    after: tuple[int, int] | None = None,
    limit: int = 200,
) -> tuple[MouldingLot, ...]:
    """Moulding lots, newest first. `after`: (moulded_us, id) of the last one seen. `text`: part of the number."""
    m, c = table("moulding_lot"), table("component_part")
    asked = select(m.c.id).join(c, c.c.id == m.c.component_part_id)
    if component is not None:
        remedy = "Give the number of a moulded component."
        row = find(conn, "component_part", "number", component, what="component", remedy=remedy)
        asked = asked.where(m.c.component_part_id == row.id)
    if text:
        asked = asked.where(m.c.number.icontains(text, autoescape=True))
    if after is not None:
        moulded_us, last_id = after
        later = and_(m.c.moulded_us == moulded_us, m.c.id < last_id)
        asked = asked.where(or_(m.c.moulded_us < moulded_us, later))
    ids = list(conn.execute(asked.order_by(m.c.moulded_us.desc(), m.c.id.desc()).limit(limit)).scalars())
    found = load_moulding_lots(conn, ids)
    return tuple(found[one] for one in ids)
