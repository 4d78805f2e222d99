"""Tracing: which lots something went into, and what went into a lot."""

from __future__ import annotations

from typing import Any

from sqlalchemy import ColumnElement, Connection, exists, or_, select

from qualrec.errors import UsageError
from qualrec.records.lookups.base import table
from qualrec.records.lookups.lots import load_lot_rows
from qualrec.values import LotRow


def lots_touched(
    conn: Connection,
    *,
    delivery_id: int | None = None,
    moulding_lot_id: int | None = None,
    tool_id: int | None = None,
    gauge_id: int | None = None,
    recipe_revision_id: int | None = None,
    station_id: int | None = None,
    clamp_tool_id: int | None = None,
    operator_id: int | None = None,
    from_us: int | None = None,
    until_us: int | None = None,
    limit: int = 5_000,
) -> tuple[LotRow, ...]:
    """Lots with a segment that all given things touched, in time order.

    `gauge_id`: a reading of the segment, or of a moulding lot that went in, was taken with the gauge; the time range is then
    that of the readings, otherwise that of the beginning of the segment. Both ends belong to it. Raises UsageError where
    nothing is given.
    """
    s, m, mp = table("lot_segment"), table("moulding_lot"), table("moulding_parent")
    where: list[ColumnElement[bool]] = []
    for column, wanted in (
        (s.c.recipe_revision_id, recipe_revision_id),
        (s.c.station_id, station_id),
        (s.c.clamp_tool_id, clamp_tool_id),
        (s.c.operator_id, operator_id),
    ):
        if wanted is not None:
            where.append(column == wanted)
    for column, owner, wanted in (
        (m.c.id, m.c.id, moulding_lot_id),
        (m.c.id, m.c.tool_id, tool_id),
        (mp.c.moulding_lot_id, mp.c.delivery_id, delivery_id),
    ):
        if wanted is not None:
            where.append(_moulded_in(select(column).where(owner == wanted)))
    if gauge_id is not None:
        where.append(_measured_with(gauge_id, from_us, until_us))
    elif from_us is not None or until_us is not None:
        where.extend(_between(s.c.from_us, from_us, until_us))
    if not where:
        raise UsageError(
            "It is not said what to trace.", "Give a delivery, moulding lot, gauge, recipe, station or time."
        )
    o = table("lot")
    asked = select(o.c.id).where(o.c.id.in_(select(s.c.lot_id).where(*where)))
    ids = list(conn.execute(asked.order_by(o.c.started_us, o.c.id).limit(limit)).scalars())
    rows = load_lot_rows(conn, ids)
    return tuple(rows[one] for one in ids)


def _moulded_in(moulding_lots: Any) -> ColumnElement[bool]:
    s = table("lot_segment")
    return or_(s.c.upper_moulding_lot_id.in_(moulding_lots), s.c.lower_moulding_lot_id.in_(moulding_lots))


def _between(column: Any, from_us: int | None, until_us: int | None) -> list[ColumnElement[bool]]:
    held: list[ColumnElement[bool]] = []
    if from_us is not None:
        held.append(column >= from_us)
    if until_us is not None:
        held.append(column <= until_us)
    return held


def _measured_with(gauge_id: int, from_us: int | None, until_us: int | None) -> ColumnElement[bool]:
    s, r, b, k = table("lot_segment"), table("reading"), table("batch"), table("condition")
    taken = [
        r.c.condition_id.in_(select(k.c.id).where(k.c.gauge_id == gauge_id)),
        r.c.batch_id.in_(select(b.c.id).where(b.c.state == "accepted")),
        *_between(r.c.at_us, from_us, until_us),
    ]
    return or_(
        *(
            exists().where(r.c.subject_id == column, *taken).correlate(s)
            for column in (s.c.id, s.c.upper_moulding_lot_id, s.c.lower_moulding_lot_id)
        )
    )
