"""Gauges with their calibrations and checks, and the conditions that readings carry."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Row, Select, select

from qualrec.errors import UnknownRecord
from qualrec.records.lookups.base import by_id, find, rows_for, table
from qualrec.values import Calibration, Condition, Gauge


@dataclass(frozen=True, slots=True)
class GaugeCheck:
    """A check of a gauge between calibrations."""

    id: int
    gauge_id: int
    at_us: int
    reference: float
    found: float
    tolerance: float
    verdict: str
    person: str
    remark: str


def _load(conn: Connection, rows: list[Row[Any]]) -> tuple[Gauge, ...]:
    c = table("calibration")
    done: dict[int, list[Calibration]] = defaultdict(list)
    asked = select(c).order_by(c.c.at_us, c.c.id)
    for row in rows_for(conn, asked, c.c.gauge_id, [row.id for row in rows]):
        done[row.gauge_id].append(
            Calibration(
                at_us=row.at_us,
                due_us=row.due_us,
                verdict=row.verdict,
                as_found=row.as_found,
                as_left=row.as_left,
                certificate=row.certificate,
                standard=row.standard,
            )
        )
    plain = [name for name in Gauge.__dataclass_fields__ if name != "calibrations"]
    return tuple(
        Gauge(**{name: getattr(row, name) for name in plain}, calibrations=tuple(done[row.id]))
        for row in rows
    )


def gauges(conn: Connection, *, family: str | None = None, state: str | None = None) -> tuple[Gauge, ...]:
    """Gauges by code with their calibrations, oldest first; two queries."""
    t = table("gauge")
    asked = select(t).order_by(t.c.id)
    if family is not None:
        asked = asked.where(t.c.family == family)
    if state is not None:
        asked = asked.where(t.c.state == state)
    found = _load(conn, list(conn.execute(asked)))
    return tuple(sorted(found, key=lambda g: (g.code, g.id)))


def gauge(conn: Connection, code: str, *, plant_id: int | None = None) -> Gauge:
    remedy = "Give the code of a gauge; 'qualrec gauges' lists them."
    return _load(conn, [find(conn, "gauge", "code", code, what="gauge", remedy=remedy, plant_id=plant_id)])[0]


def gauge_by_id(conn: Connection, gauge_id: int) -> Gauge:
    return _load(conn, [by_id(conn, "gauge", gauge_id, what="gauge", remedy="See the list of gauges.")])[0]


def gauge_checks(
    conn: Connection, gauge_id: int, from_us: int | None = None, until_us: int | None = None
) -> tuple[GaugeCheck, ...]:
    """Checks of a gauge in time order."""
    c, p = table("gauge_check"), table("person")
    asked = (
        select(c, p.c.name.label("person"))
        .outerjoin(p, p.c.id == c.c.person_id)
        .where(c.c.gauge_id == gauge_id)
        .order_by(c.c.at_us, c.c.id)
    )
    if from_us is not None:
        asked = asked.where(c.c.at_us >= from_us)
    if until_us is not None:
        asked = asked.where(c.c.at_us <= until_us)
    return tuple(
        GaugeCheck(
            id=row.id,
            gauge_id=row.gauge_id,
            at_us=row.at_us,
            reference=row.reference,
            found=row.found,
            tolerance=row.tolerance,
            verdict=row.verdict,
            person=row.person or "",
            remark=row.remark,
        )
        for row in conn.execute(asked)
    )


def condition_statement() -> Select[Any]:
    k, g = table("condition"), table("gauge")
    return select(k, g.c.code.label("gauge")).outerjoin(g, g.c.id == k.c.gauge_id).order_by(k.c.id)


def condition_of_row(row: Row[Any]) -> Condition:
    given = {name: getattr(row, name) for name in Condition.__dataclass_fields__}
    return Condition(**{**given, "gauge": row.gauge or ""})


def load_conditions(conn: Connection, ids: Iterable[int]) -> dict[int, Condition]:
    """Conditions by id; one query."""
    found = rows_for(conn, condition_statement(), table("condition").c.id, ids)
    return {row.id: condition_of_row(row) for row in found}


def condition(conn: Connection, condition_id: int) -> Condition:
    """A condition by id; 0: nothing stated. Raises UnknownRecord."""
    found = load_conditions(conn, [condition_id])
    if condition_id not in found:
        raise UnknownRecord(f"There is no condition with id {condition_id}.", "See the readings of the lot.")
    return found[condition_id]
