"""What a bench asks of a lot: which gauge is usual at its station, which lot runs there, which tests are due."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from sqlalchemy import Connection, select

from qualrec.records.lookups.base import rows_for, table
from qualrec.records.lookups.lots import SETTLED, load_owed
from qualrec.values import Owed

NEWEST_SEGMENTS = 50


@dataclass(frozen=True, slots=True)
class DueTest:
    """A test that a lot still owes."""

    lot_id: int
    lot_number: str
    part_number: str
    lot_state: str
    started_us: int
    owed: Owed


def gauges_used(conn: Connection, part_id: int, station_id: int | None) -> dict[int, tuple[int, ...]]:
    """Ids of the gauges that the newest segments of a part on a station were measured with, by characteristic.

    The gauge used last stands first. Empty without a station. Two queries.
    """
    if station_id is None:
        return {}
    s, o, u, k = table("lot_segment"), table("lot"), table("rollup"), table("condition")
    newest = (
        select(s.c.id)
        .join(o, o.c.id == s.c.lot_id)
        .where(s.c.station_id == station_id, o.c.part_id == part_id)
        .order_by(s.c.from_us.desc(), s.c.id.desc())
        .limit(NEWEST_SEGMENTS)
    )
    ids = list(conn.execute(newest).scalars())
    place = {segment: at for at, segment in enumerate(ids)}
    asked = (
        select(u.c.subject_id, u.c.characteristic_id, k.c.gauge_id)
        .join(k, k.c.id == u.c.condition_id)
        .where(u.c.subject_id.in_(ids), u.c.subgroup == 0, k.c.gauge_id.is_not(None))
    )
    found: dict[int, dict[int, int]] = {}
    for row in conn.execute(asked):
        held = found.setdefault(row.characteristic_id, {})
        held[row.gauge_id] = min(held.get(row.gauge_id, len(ids)), place[row.subject_id])
    return {c: tuple(sorted(held, key=lambda g: (held[g], g))) for c, held in found.items()}


def lot_running_at(conn: Connection, station_id: int) -> int | None:
    """Id of the lot whose segment began last on a station, while it has not ended; None where no lot runs."""
    s, o = table("lot_segment"), table("lot")
    asked = (
        select(o.c.id, o.c.ended_us)
        .join(o, o.c.id == s.c.lot_id)
        .where(s.c.station_id == station_id)
        .order_by(s.c.from_us.desc(), s.c.id.desc())
        .limit(1)
    )
    row = conn.execute(asked).first()
    return None if row is None or row.ended_us is not None else int(row.id)


def where_lots_stand(conn: Connection, lot_ids: Iterable[int]) -> dict[int, tuple[str, int | None]]:
    """Code of the station of the last segment ('' for none) and the end of lots, by lot id. One query."""
    s, o, st = table("lot_segment"), table("lot"), table("station")
    asked = (
        select(o.c.id, o.c.ended_us, st.c.code)
        .outerjoin(s, s.c.lot_id == o.c.id)
        .outerjoin(st, st.c.id == s.c.station_id)
        .order_by(o.c.id, s.c.position)
    )
    return {row.id: (row.code or "", row.ended_us) for row in rows_for(conn, asked, o.c.id, lot_ids)}


def due_tests(conn: Connection, limit: int = 200) -> tuple[DueTest, ...]:
    """Tests that lots still owe, of the newest `limit` unsettled lots; due first, then oldest lot first."""
    o, p, t = table("lot"), table("part"), table("test_owed")
    asked = (
        select(o.c.id, o.c.number, o.c.state, o.c.started_us, p.c.number.label("part_number"))
        .join(p, p.c.id == o.c.part_id)
        .where(o.c.state.not_in(SETTLED), o.c.id.in_(select(t.c.lot_id)))
        .order_by(o.c.started_us.desc(), o.c.id.desc())
        .limit(limit)
    )
    rows = list(conn.execute(asked))
    held = load_owed(conn, [row.id for row in rows])
    found = [
        DueTest(row.id, row.number, row.part_number, row.state, row.started_us, one)
        for row in rows
        for one in held.get(row.id, ())
        if one.missing
    ]
    far = 1 << 62
    return tuple(
        sorted(found, key=lambda d: (d.owed.due_us or far, d.started_us, d.lot_id, d.owed.characteristic_id))
    )
