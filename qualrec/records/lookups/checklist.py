"""Steps that were done, and what was entered within a stretch of time."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Row, Select, func, select

from qualrec.records.lookups.base import rows_for, table

NEWEST_BATCHES = 5_000


@dataclass(frozen=True, slots=True)
class DoneStep:
    """A step of a reaction plan or hand-over. `position` counts from 1."""

    id: int
    kind: str
    flag_id: int | None
    lot_id: int | None
    station: str
    position: int
    step: str
    done_us: int | None
    person: str
    remark: str


@dataclass(frozen=True, slots=True)
class Entered:
    """Readings of one lot (or moulding lot) and characteristic that one person typed."""

    number: str
    code: str
    person: str
    n: int
    last_us: int


@dataclass(frozen=True, slots=True)
class TakenIn:
    """A file that was taken in."""

    file_name: str
    rows: int
    at_us: int
    person: str


def _steps(kind: str) -> Select[Any]:
    k, p, s = table("checklist"), table("person"), table("station")
    return (
        select(k, p.c.name.label("person"), s.c.code.label("station"))
        .outerjoin(p, p.c.id == k.c.person_id)
        .outerjoin(s, s.c.id == k.c.station_id)
        .where(k.c.kind == kind)
    )


def steps_of_flags(conn: Connection, flag_ids: Iterable[int]) -> dict[int, tuple[DoneStep, ...]]:
    """The steps done of each flag's reaction plan, by flag id, in their order."""
    k = table("checklist")
    asked = _steps("reaction plan").order_by(k.c.position, k.c.id)
    found: dict[int, list[DoneStep]] = {}
    for row in rows_for(conn, asked, k.c.flag_id, flag_ids):
        found.setdefault(row.flag_id, []).append(_step(row))
    return {flag: tuple(steps) for flag, steps in found.items()}


def hand_overs(conn: Connection, plant_id: int, newest: int = 20) -> tuple[DoneStep, ...]:
    """The newest notes and take-overs between shifts, newest first."""
    k = table("checklist")
    asked = _steps("hand-over").where(k.c.plant_id == plant_id).order_by(k.c.id.desc()).limit(newest)
    return tuple(_step(row) for row in conn.execute(asked))


def _step(row: Row[Any]) -> DoneStep:
    given = {name: getattr(row, name) for name in DoneStep.__dataclass_fields__}
    return DoneStep(**{**given, "person": row.person or "", "station": row.station or ""})


def _newest_batches(conn: Connection, plant_id: int, from_us: int, *, typed: bool) -> list[int]:
    """Ids of the accepted batches begun from a moment on, among the newest `NEWEST_BATCHES`."""
    b = table("batch")
    newest = (
        select(b.c.id, b.c.begun_us, b.c.state, b.c.kind)
        .where(b.c.plant_id == plant_id)
        .order_by(b.c.id.desc())
        .limit(NEWEST_BATCHES)
    )
    return [
        row.id
        for row in conn.execute(newest)
        if row.begun_us >= from_us and row.state == "accepted" and (row.kind == "typed") is typed
    ]


def entered_since(conn: Connection, plant_id: int, from_us: int) -> tuple[Entered, ...]:
    """What was typed since a moment, the lot worked on last first."""
    r, b, c, w = table("reading"), table("batch"), table("characteristic"), table("person")
    s, o, m = table("lot_segment"), table("lot"), table("moulding_lot")
    asked = (
        select(
            func.coalesce(o.c.number, m.c.number, "").label("number"),
            c.c.code,
            func.coalesce(w.c.name, "").label("person"),
            func.count().label("n"),
            func.max(b.c.begun_us).label("last_us"),
        )
        .select_from(
            r.join(b, b.c.id == r.c.batch_id)
            .join(c, c.c.id == r.c.characteristic_id)
            .outerjoin(w, w.c.id == b.c.person_id)
            .outerjoin(s, s.c.id == r.c.subject_id)
            .outerjoin(o, o.c.id == s.c.lot_id)
            .outerjoin(m, m.c.id == r.c.subject_id)
        )
        .group_by(o.c.number, m.c.number, c.c.code, w.c.name)
    )
    sums: dict[tuple[str, str, str], tuple[int, int]] = {}
    for row in rows_for(conn, asked, r.c.batch_id, _newest_batches(conn, plant_id, from_us, typed=True)):
        key = (row.number, row.code, row.person)
        n, last = sums.get(key, (0, 0))
        sums[key] = (n + int(row.n), max(last, int(row.last_us)))
    found = [Entered(*key, n, last) for key, (n, last) in sums.items()]
    return tuple(sorted(found, key=lambda e: (-e.last_us, e.number, e.code)))


def taken_in_since(conn: Connection, plant_id: int, from_us: int) -> tuple[TakenIn, ...]:
    """Files and machine data that came in since a moment, newest first."""
    b, w = table("batch"), table("person")
    asked = select(b, w.c.name.label("person")).outerjoin(w, w.c.id == b.c.person_id)
    rows = rows_for(conn, asked, b.c.id, _newest_batches(conn, plant_id, from_us, typed=False))
    found = [TakenIn(row.file_name or row.kind, row.rows, row.begun_us, row.person or "") for row in rows]
    return tuple(sorted(found, key=lambda t: -t.at_us))
