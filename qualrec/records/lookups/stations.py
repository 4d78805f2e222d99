"""Stations, clamp tools, events."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Row, select

from qualrec.records.lookups.base import by_id, find, table
from qualrec.values import Event, Station


@dataclass(frozen=True, slots=True)
class ClampTool:
    id: int
    code: str
    glass: str


def _station(row: Row[Any]) -> Station:
    return Station(
        id=row.id,
        code=row.code,
        name=row.name,
        kind=row.kind,
        clean_every_hours=row.clean_every_hours,
        idle_lock_seconds=row.idle_lock_seconds,
    )


def stations(
    conn: Connection, *, kind: str | None = None, plant_id: int | None = None
) -> tuple[Station, ...]:
    """Stations by code. `kind`: 'welder', 'tester', 'meter' or 'bench'."""
    t = table("station")
    asked = select(t).order_by(t.c.id)
    if kind is not None:
        asked = asked.where(t.c.kind == kind)
    if plant_id is not None:
        asked = asked.where(t.c.plant_id == plant_id)
    return tuple(sorted((_station(row) for row in conn.execute(asked)), key=lambda s: (s.code, s.id)))


def station(conn: Connection, code: str, *, plant_id: int | None = None) -> Station:
    remedy = "Give the code of a station, or add it first."
    return _station(find(conn, "station", "code", code, what="station", remedy=remedy, plant_id=plant_id))


def station_by_id(conn: Connection, station_id: int) -> Station:
    return _station(by_id(conn, "station", station_id, what="station", remedy="See the list of stations."))


def clamp_tools(conn: Connection) -> tuple[ClampTool, ...]:
    """Clamp tools by code."""
    t = table("clamp_tool")
    found = (ClampTool(row.id, row.code, row.glass) for row in conn.execute(select(t).order_by(t.c.id)))
    return tuple(sorted(found, key=lambda c: (c.code, c.id)))


def clamp_tool(conn: Connection, code: str, *, plant_id: int | None = None) -> ClampTool:
    remedy = "Give the code of a clamp tool, or add it first."
    row = find(conn, "clamp_tool", "code", code, what="clamp tool", remedy=remedy, plant_id=plant_id)
    return ClampTool(row.id, row.code, row.glass)


def events(
    conn: Connection,
    station_id: int | None = None,
    lot_id: int | None = None,
    from_us: int | None = None,
    until_us: int | None = None,
    *,
    kind: str | None = None,
    clamp_tool_id: int | None = None,
    newest: int | None = None,
) -> tuple[Event, ...]:
    """Events in time order. Both ends of the time range belong to it. `newest`: only the last so many."""
    e, s, lot, p = table("event"), table("station"), table("lot"), table("person")
    asked = select(
        e, s.c.code.label("station"), lot.c.number.label("lot_number"), p.c.name.label("person")
    ).select_from(
        e.outerjoin(s, s.c.id == e.c.station_id)
        .outerjoin(lot, lot.c.id == e.c.lot_id)
        .outerjoin(p, p.c.id == e.c.person_id)
    )
    exact = (
        (e.c.station_id, station_id),
        (e.c.lot_id, lot_id),
        (e.c.kind, kind),
        (e.c.clamp_tool_id, clamp_tool_id),
    )
    for column, wanted in exact:
        if wanted is not None:
            asked = asked.where(column == wanted)
    if from_us is not None:
        asked = asked.where(e.c.at_us >= from_us)
    if until_us is not None:
        asked = asked.where(e.c.at_us <= until_us)
    asked = asked.order_by(e.c.at_us.desc(), e.c.id.desc())
    if newest is not None:
        asked = asked.limit(newest)
    found = [
        Event(
            id=row.id,
            kind=row.kind,
            station=row.station or "",
            lot_number=row.lot_number or "",
            at_us=row.at_us,
            person=row.person or "",
            remark=row.remark,
            station_id=row.station_id,
        )
        for row in conn.execute(asked)
    ]
    return tuple(reversed(found))
