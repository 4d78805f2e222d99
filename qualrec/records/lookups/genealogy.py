"""What belongs to what, for tracing: gauges of subjects, moulding lots of deliveries, serials, child lots."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass

from sqlalchemy import Connection, func, select

from qualrec.records.lookups.base import rows_for, table


@dataclass(frozen=True, slots=True)
class GaugeUse:
    """Readings of one subject and characteristic with one gauge; `gauge` empty where none is stated."""

    subject_id: int
    code: str
    gauge: str
    n: int
    first_us: int
    last_us: int


@dataclass(frozen=True, slots=True)
class UnitPlace:
    """Where a serial number was read: subject and sample, with its lot where it is a segment of one."""

    subject_id: int
    sample: int
    lot_number: str
    segment: int | None


def gauge_uses(conn: Connection, subject_ids: Iterable[int]) -> tuple[GaugeUse, ...]:
    """With what subjects were measured, by characteristic and gauge."""
    r, b, c, k, g = (table(name) for name in ("reading", "batch", "characteristic", "condition", "gauge"))
    asked = (
        select(
            r.c.subject_id,
            c.c.code,
            func.coalesce(g.c.code, "").label("gauge"),
            func.count().label("n"),
            func.min(r.c.at_us).label("first_us"),
            func.max(r.c.at_us).label("last_us"),
        )
        .join(b, b.c.id == r.c.batch_id)
        .join(c, c.c.id == r.c.characteristic_id)
        .outerjoin(k, k.c.id == r.c.condition_id)
        .outerjoin(g, g.c.id == k.c.gauge_id)
        .where(b.c.state == "accepted")
        .group_by(r.c.subject_id, c.c.code, g.c.code)
        .order_by(r.c.subject_id, c.c.code)
    )
    return tuple(GaugeUse(*tuple(row)) for row in rows_for(conn, asked, r.c.subject_id, subject_ids))


def moulding_lots_of(
    conn: Connection, *, delivery_id: int | None = None, tool_id: int | None = None
) -> tuple[int, ...]:
    """Ids of the moulding lots that a delivery or a tool went into, in time order."""
    m, p = table("moulding_lot"), table("moulding_parent")
    asked = select(m.c.id)
    if delivery_id is not None:
        asked = asked.where(m.c.id.in_(select(p.c.moulding_lot_id).where(p.c.delivery_id == delivery_id)))
    if tool_id is not None:
        asked = asked.where(m.c.tool_id == tool_id)
    return tuple(conn.execute(asked.order_by(m.c.moulded_us, m.c.id)).scalars())


def moulding_lots_measured(
    conn: Connection, gauge_id: int, from_us: int | None = None, until_us: int | None = None
) -> tuple[int, ...]:
    """Ids of the moulding lots that a gauge measured, in time order."""
    m, r, b, k = table("moulding_lot"), table("reading"), table("batch"), table("condition")
    taken = select(r.c.subject_id).where(
        r.c.subject_id == m.c.id,
        r.c.condition_id.in_(select(k.c.id).where(k.c.gauge_id == gauge_id)),
        r.c.batch_id.in_(select(b.c.id).where(b.c.state == "accepted")),
    )
    if from_us is not None:
        taken = taken.where(r.c.at_us >= from_us)
    if until_us is not None:
        taken = taken.where(r.c.at_us <= until_us)
    asked = select(m.c.id).where(taken.exists()).order_by(m.c.moulded_us, m.c.id)
    return tuple(conn.execute(asked).scalars())


def units_named(conn: Connection, serial: str) -> tuple[UnitPlace, ...]:
    """Where a serial number stands, compared exactly."""
    w, s, o = table("welded_unit"), table("lot_segment"), table("lot")
    asked = (
        select(w.c.subject_id, w.c.sample, func.coalesce(o.c.number, ""), s.c.position)
        .outerjoin(s, s.c.id == w.c.subject_id)
        .outerjoin(o, o.c.id == s.c.lot_id)
        .where(w.c.serial == serial)
        .order_by(w.c.subject_id, w.c.sample)
    )
    return tuple(UnitPlace(*row) for row in conn.execute(asked))


def serials_of(conn: Connection, subject_ids: Iterable[int]) -> tuple[str, ...]:
    """Serial numbers on subjects, each once, in their order."""
    w = table("welded_unit")
    asked = select(w.c.serial, w.c.subject_id, w.c.sample).order_by(w.c.subject_id, w.c.sample)
    return tuple(dict.fromkeys(row.serial for row in rows_for(conn, asked, w.c.subject_id, subject_ids)))


def children_of(conn: Connection, lot_ids: Iterable[int]) -> dict[int, tuple[int, ...]]:
    """Child lots by the lot that they were made of."""
    o = table("lot")
    found: dict[int, list[int]] = defaultdict(list)
    asked = select(o.c.id, o.c.parent_lot_id).order_by(o.c.id)
    for row in rows_for(conn, asked, o.c.parent_lot_id, lot_ids):
        found[row.parent_lot_id].append(row.id)
    return {lot: tuple(children) for lot, children in found.items()}
