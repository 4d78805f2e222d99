"""Studies: gauge, agreement, window, comparison and the like, with their plan and their stored analysis."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, select

from qualrec.records.lookups.base import find, mapping, table


@dataclass(frozen=True, slots=True)
class Study:
    """`plan` and `analysis` are JSON objects; a gauge study keeps 'grr_pct' (% of study variation) and
    'ndc' (number of distinct categories)."""

    id: int
    number: str
    kind: str
    title: str
    state: str
    part_id: int | None
    characteristic_id: int | None
    gauge_id: int | None
    plan: Mapping[str, Any]
    analysis: Mapping[str, Any]
    method: str
    program_version: str
    verdict: str
    done_us: int | None
    person: str


def studies(
    conn: Connection, *, kind: str | None = None, state: str | None = None, part_id: int | None = None
) -> tuple[Study, ...]:
    """Studies, newest first."""
    t, p = table("study"), table("person")
    asked = select(t, p.c.name.label("person")).outerjoin(p, p.c.id == t.c.person_id).order_by(t.c.id.desc())
    for column, wanted in ((t.c.kind, kind), (t.c.state, state), (t.c.part_id, part_id)):
        if wanted is not None:
            asked = asked.where(column == wanted)
    return tuple(_study(row) for row in conn.execute(asked))


def study(conn: Connection, number: str, *, plant_id: int | None = None) -> Study:
    """A study by number. Raises UnknownRecord with near numbers."""
    remedy = "Give the number of a study that is on record."
    row = find(conn, "study", "number", number, what="study", remedy=remedy, plant_id=plant_id)
    return next(one for one in studies(conn) if one.id == row.id)


def _study(row: Any) -> Study:
    given = {name: getattr(row, name) for name in Study.__dataclass_fields__}
    given |= {"plan": mapping(row.plan), "analysis": mapping(row.analysis), "person": row.person or ""}
    return Study(**given)
