"""What happened within a stretch of time: flags opened and closed, decisions, recipes approved, readings entered."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from sqlalchemy import Connection, func, select

from qualrec.records.lookups.base import revision_label, table
from qualrec.records.lookups.flags import flags_where
from qualrec.values import Flag


@dataclass(frozen=True, slots=True)
class Decided:
    """A decision about a lot."""

    lot_number: str
    part_number: str
    kind: str
    quantity: int | None
    at_us: int
    person: str
    reason: str


@dataclass(frozen=True, slots=True)
class StandingFlags:
    """Flags that are not closed, by level, and since when the oldest of them that holds a lot has been open."""

    levels: Mapping[str, int]
    oldest_holding_us: int | None


@dataclass(frozen=True, slots=True)
class RevisionTurn:
    """A recipe revision that was drafted or approved."""

    recipe: str
    part_number: str
    state: str
    at_us: int
    reason: str


def flags_opened(conn: Connection, from_us: int, until_us: int) -> tuple[Flag, ...]:
    """Flags opened from a moment until (not at) another, newest first."""
    f = table("flag")
    return flags_where(conn, f.c.opened_us >= from_us, f.c.opened_us < until_us)


def flags_closed(conn: Connection, from_us: int, until_us: int) -> tuple[Flag, ...]:
    """Flags closed from a moment until (not at) another, newest opened first."""
    f = table("flag")
    return flags_where(conn, f.c.state == "closed", f.c.closed_us >= from_us, f.c.closed_us < until_us)


def standing_flags(conn: Connection) -> StandingFlags:
    """Flags that are not closed now."""
    f = table("flag")
    counted = select(f.c.level, func.count().label("n")).where(f.c.state != "closed").group_by(f.c.level)
    oldest = select(func.min(f.c.opened_us)).where(
        f.c.state != "closed", f.c.level == "H", f.c.scope != "process"
    )
    return StandingFlags(
        {row.level: row.n for row in conn.execute(counted.order_by(f.c.level))}, conn.execute(oldest).scalar()
    )


def decided_between(conn: Connection, from_us: int, until_us: int) -> tuple[Decided, ...]:
    """Decisions about lots, oldest first."""
    d, o, p, w = table("disposition"), table("lot"), table("part"), table("person")
    asked = (
        select(d, o.c.number.label("lot"), p.c.number.label("part"), w.c.name.label("person"))
        .join(o, o.c.id == d.c.lot_id)
        .join(p, p.c.id == o.c.part_id)
        .outerjoin(w, w.c.id == d.c.person_id)
        .where(d.c.at_us >= from_us, d.c.at_us < until_us)
        .order_by(d.c.at_us, d.c.id)
    )
    return tuple(
        Decided(r.lot, r.part, r.kind, r.quantity, r.at_us, r.person or "", r.reason)
        for r in conn.execute(asked)
    )


def lots_welded(conn: Connection, from_us: int, until_us: int) -> tuple[int, ...]:
    """Ids of the lots whose welding began in a stretch of time, oldest first."""
    o = table("lot")
    asked = select(o.c.id).where(o.c.started_us >= from_us, o.c.started_us < until_us)
    return tuple(conn.execute(asked.order_by(o.c.started_us, o.c.id)).scalars())


def lots_in_state(conn: Connection, *states: str) -> tuple[int, ...]:
    """Ids of the lots in one of the states, oldest first."""
    o = table("lot")
    asked = select(o.c.id).where(o.c.state.in_(states))
    return tuple(conn.execute(asked.order_by(o.c.started_us, o.c.id)).scalars())


def recipe_turns(conn: Connection, from_us: int, until_us: int) -> tuple[RevisionTurn, ...]:
    """Recipe revisions drafted or approved in a stretch of time, oldest first."""
    v, r, p = table("recipe_revision"), table("recipe"), table("part")
    asked = (
        select(v, r.c.code, p.c.number.label("part"))
        .join(r, r.c.id == v.c.recipe_id)
        .join(p, p.c.id == r.c.part_id)
        .order_by(v.c.created_us, v.c.id)
    )
    found = []
    for row in conn.execute(asked):
        moments = {"approved": row.approved_us, "draft": row.created_us}
        for state, at_us in moments.items():
            if at_us is not None and from_us <= at_us < until_us:
                label = revision_label(row.code, row.revision)
                found.append(RevisionTurn(label, row.part, state, at_us, row.reason))
                break
    return tuple(found)
