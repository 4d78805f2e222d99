"""Parent specimens: unwelded reference pulls of a material, and how long welds had rested when they were pulled."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from sqlalchemy import Connection, and_, case, func, select

from qualrec.records.lookups.base import rows_for, table


@dataclass(frozen=True, slots=True)
class ParentSet:
    """A set of parent specimens with the values that count (corrections applied), of one characteristic."""

    id: int
    label: str
    material: str
    material_id: int
    tested_us: int
    remark: str
    characteristic_id: int
    condition_id: int
    values: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Rest:
    """Pulls of a characteristic by the time since welding: too early, long enough, not stated."""

    early: int
    rested: int
    unknown: int


def parent_sets(
    conn: Connection, *, characteristic_id: int | None = None, material_ids: Iterable[int] | None = None
) -> tuple[ParentSet, ...]:
    """Sets of parent specimens with their values, newest first; of a characteristic, of some materials, or all."""
    s, m, r, b, k = (
        table("parent_specimens"),
        table("material"),
        table("reading"),
        table("batch"),
        table("correction"),
    )
    last = (
        select(k.c.subject_id, k.c.characteristic_id, k.c.stream_id, k.c.sample, func.max(k.c.id).label("id"))
        .group_by(k.c.subject_id, k.c.characteristic_id, k.c.stream_id, k.c.sample)
        .subquery()
    )
    keys = ("subject_id", "characteristic_id", "stream_id", "sample")
    asked = (
        select(
            s, m.c.code.label("material"), r.c.characteristic_id, r.c.condition_id, r.c.value,
            k.c.kind.label("corrected"), k.c.new_value,
        )
        .join(m, m.c.id == s.c.material_id)
        .join(r, r.c.subject_id == s.c.id)
        .join(b, b.c.id == r.c.batch_id)
        .outerjoin(last, and_(*(last.c[name] == r.c[name] for name in keys)))
        .outerjoin(k, k.c.id == last.c.id)
        .where(b.c.state == "accepted")
        .order_by(s.c.tested_us.desc(), s.c.id.desc(), r.c.sample)
    )  # fmt: skip
    if characteristic_id is not None:
        asked = asked.where(r.c.characteristic_id == characteristic_id)
    rows = (
        list(conn.execute(asked))
        if material_ids is None
        else rows_for(conn, asked, s.c.material_id, material_ids)
    )
    held: dict[tuple[int, int], ParentSet] = {}
    for row in rows:
        key = (row.id, row.characteristic_id)
        value = row.value
        if row.corrected == "void":
            value = None
        elif row.corrected == "value":
            value = row.new_value
        before = held.get(key)
        values = (*(before.values if before else ()), *(() if value is None else (float(value),)))
        held[key] = ParentSet(
            row.id, row.label, row.material, row.material_id, row.tested_us, row.remark, row.characteristic_id,
            row.condition_id, values,
        )  # fmt: skip
    return tuple(held.values())


def rest_of_pulls(conn: Connection, characteristic_id: int, least_hours: float) -> Rest:
    """How many pulls of a characteristic had rested since welding, of those with a failure mode."""
    p = table("pull")
    hours = p.c.hours_since_weld
    asked = select(
        func.count(),
        func.count(hours),
        func.coalesce(func.sum(case((hours < least_hours, 1), else_=0)), 0),
    ).where(p.c.characteristic_id == characteristic_id)
    every, known, early = conn.execute(asked).one()
    return Rest(int(early), int(known) - int(early), int(every) - int(known))
