"""The trail as rows, and the counts of the status screen."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Select, func, select

from qualrec.records.lookups.base import table
from qualrec.records.lookups.bench import due_tests
from qualrec.records.lookups.gauges import gauges
from qualrec.values import TrailRow


@dataclass(frozen=True, slots=True)
class StatusCounts:
    """What the records hold and what must not be overlooked."""

    lots: Mapping[str, int]
    """Lots by state; only states that occur."""
    flags: Mapping[str, int]
    """Flags that are not closed, by level H, R, I."""
    parts: int
    characteristics: int
    readings: int
    """Values that count: accepted, neither void nor test fault."""
    corrections: int
    tests_missing: int
    """Single tests that unsettled lots still owe."""
    lots_waiting: int
    """Lots that owe at least one of them."""
    gauges_overdue: tuple[str, ...]
    """Codes of gauges in use that no good calibration covers."""
    staged_batches: int
    changes_ended: int
    """Temporary changes past their end that are still open."""
    trail_entries: int


def _statement() -> Select[Any]:
    t, p = table("trail"), table("person")
    return select(t, p.c.name.label("person")).outerjoin(p, p.c.id == t.c.person_id)


def _row(row: Any) -> TrailRow:
    return TrailRow(
        plant_id=row.plant_id,
        seq=row.seq,
        at_us=row.at_us,
        person=row.person or "",
        act=row.act,
        what_table=row.what_table,
        what_id=row.what_id,
        content=row.content,
        digest=row.digest,
    )


def trail_rows(
    conn: Connection,
    after: int | None = None,
    limit: int = 200,
    *,
    plant_id: int | None = None,
    act: str | None = None,
    person_id: int | None = None,
    act_part: str = "",
    person_part: str = "",
    table_part: str = "",
    newest_first: bool = True,
) -> tuple[TrailRow, ...]:
    """Trail entries. `after` is the sequence number of the last one seen (older ones follow, or newer with
    `newest_first` False). With several plants give `plant_id`: each has its own chain. `act_part`, `person_part` and
    `table_part`: parts of the act, of the person's name and of the table, without regard to case."""
    t, p = table("trail"), table("person")
    asked = _statement().limit(limit)
    for column, wanted in ((t.c.plant_id, plant_id), (t.c.act, act), (t.c.person_id, person_id)):
        if wanted is not None:
            asked = asked.where(column == wanted)
    for column, part in ((t.c.act, act_part), (p.c.name, person_part), (t.c.what_table, table_part)):
        if part:
            asked = asked.where(column.icontains(part, autoescape=True))
    if after is not None:
        asked = asked.where(t.c.seq < after if newest_first else t.c.seq > after)
    order = (t.c.seq.desc(), t.c.plant_id) if newest_first else (t.c.seq, t.c.plant_id)
    return tuple(_row(row) for row in conn.execute(asked.order_by(*order)))


def trail_of(conn: Connection, what_table: str, what_id: int) -> tuple[TrailRow, ...]:
    """The history of one record, oldest first."""
    t = table("trail")
    asked = _statement().where(t.c.what_table == what_table, t.c.what_id == what_id)
    return tuple(_row(row) for row in conn.execute(asked.order_by(t.c.plant_id, t.c.seq)))


def last_entry_us(conn: Connection, plant_id: int) -> int:
    """Moment of the last entry of a plant's chain; 0 where there is none."""
    t = table("trail")
    asked = select(t.c.at_us).where(t.c.plant_id == plant_id).order_by(t.c.seq.desc()).limit(1)
    return int(conn.execute(asked).scalar() or 0)


def _count(conn: Connection, name: str, *where: Any) -> int:
    return int(conn.execute(select(func.count()).select_from(table(name)).where(*where)).scalar_one())


def status_counts(conn: Connection, now_us: int) -> StatusCounts:
    """Counts for the status screen at a moment; a fixed number of queries."""
    o, f, u = table("lot"), table("flag"), table("rollup")
    by_state = select(o.c.state, func.count().label("n")).group_by(o.c.state).order_by(o.c.state)
    by_level = select(f.c.level, func.count().label("n")).where(f.c.state != "closed").group_by(f.c.level)
    counted = select(func.coalesce(func.sum(u.c.n), 0)).where(u.c.subgroup == 0)
    due = due_tests(conn)
    change = table("temporary_change")
    return StatusCounts(
        lots={row.state: row.n for row in conn.execute(by_state)},
        flags={row.level: row.n for row in conn.execute(by_level.order_by(f.c.level))},
        parts=_count(conn, "part"),
        characteristics=_count(conn, "characteristic"),
        readings=int(conn.execute(counted).scalar_one()),
        corrections=_count(conn, "correction"),
        tests_missing=sum(one.owed.missing for one in due),
        lots_waiting=len({one.lot_id for one in due}),
        gauges_overdue=tuple(g.code for g in gauges(conn, state="in use") if g.overdue_at(now_us)),
        staged_batches=_count(conn, "batch", table("batch").c.state == "staged"),
        changes_ended=_count(conn, "temporary_change", change.c.state == "open", change.c.until_us < now_us),
        trail_entries=_count(conn, "trail"),
    )
