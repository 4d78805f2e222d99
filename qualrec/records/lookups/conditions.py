"""Which readings of a characteristic may stand on one chart: groups of conditions equal in the fields that separate."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from typing import Any

from sqlalchemy import Connection, func, select

from qualrec.errors import UnknownRecord, UsageError
from qualrec.records.lookups.base import table, words
from qualrec.records.lookups.gauges import condition_of_row, condition_statement
from qualrec.values import NO_CONDITION, Condition

SEPARATING_FIELDS = tuple(f.name for f in fields(Condition) if f.name not in ("id", "gauge_id"))
"""Words that `separating` of a characteristic may hold: gauge, geometry, wavelength_nm, ..."""
_IN_WORDS = {
    "wavelength_nm": ("wavelength", "nm"),
    "thickness_mm": ("thickness", "mm"),
    "speed_mm_min": ("speed", "mm/min"),
    "temperature_c": ("temperature", "°C"),
    "humidity_pct": ("humidity", "%"),
    "stop_mode": ("stop mode", ""),
}
"""Name and unit of the fields whose name in the records is no plain word."""


@dataclass(frozen=True, slots=True)
class ConditionGroup:
    """Conditions of one characteristic that a chart may mix.

    `id` stands for the group in series and limits: 0 where the characteristic separates nothing, else the lowest id of a
    stored condition that belongs to it. `condition` holds the separating fields only. `ids` are the conditions with readings.
    """

    id: int
    condition: Condition
    label: str
    ids: tuple[int, ...]
    readings: int


def group_key(condition: Condition, separating: Sequence[str]) -> tuple[Any, ...]:
    """What two conditions must have alike to stand on one chart."""
    return tuple(getattr(condition, "gauge_id" if name == "gauge" else name) for name in separating)


def group_label(condition: Condition, separating: Sequence[str]) -> str:
    """The separating fields in words, as 'geometry diffuse, wavelength 980 nm'."""
    said = []
    for field in separating:
        value = getattr(condition, field)
        name, unit = _IN_WORDS.get(field, (field, ""))
        shown = f"{value:g} {unit}".rstrip() if isinstance(value, (int, float)) else value or "not stated"
        said.append(f"{name} {shown}")
    return ", ".join(said)


def separating_of(conn: Connection, characteristic_ids: Sequence[int]) -> dict[int, tuple[str, ...]]:
    """The separating fields of characteristics by their last revision; one query."""
    r = table("characteristic_revision")
    asked = (
        select(r.c.characteristic_id, r.c.separating)
        .where(r.c.characteristic_id.in_(characteristic_ids))
        .order_by(r.c.characteristic_id, r.c.valid_from_us, r.c.revision)
    )
    return {row.characteristic_id: words(row.separating) for row in conn.execute(asked)}


def _only(condition: Condition, separating: Sequence[str], group_id: int) -> Condition:
    kept = {name: getattr(condition, name) for name in separating}
    if "gauge" in separating:
        kept["gauge_id"] = condition.gauge_id
    return Condition(id=group_id, **kept)


def conditions_of(conn: Connection, characteristic_id: int) -> tuple[ConditionGroup, ...]:
    """The groups of conditions under which a characteristic has readings, the largest first.

    One group where the characteristic separates nothing; none where it has no readings.
    """
    u = table("rollup")
    asked = (
        select(
            u.c.condition_id,
            func.sum(u.c.n).label("n"),
        )
        .where(u.c.characteristic_id == characteristic_id, u.c.subgroup == 0)
        .group_by(u.c.condition_id)
        .order_by(u.c.condition_id)
    )
    used = list(conn.execute(asked))
    separating = separating_of(conn, [characteristic_id]).get(characteristic_id, ())
    known = stored_conditions(conn)
    lowest = group_ids(known, separating)
    held: dict[tuple[Any, ...], list[Any]] = {}
    for row in used:
        held.setdefault(group_key(known[row.condition_id], separating), []).append(row)
    groups = [
        ConditionGroup(
            id=lowest[key],
            condition=_only(known[rows[0].condition_id], separating, lowest[key]),
            label=group_label(known[rows[0].condition_id], separating),
            ids=tuple(row.condition_id for row in rows),
            readings=sum(int(row.n) for row in rows),
        )
        for key, rows in held.items()
    ]
    return tuple(sorted(groups, key=lambda g: (-g.readings, g.id)))


def stored_conditions(conn: Connection) -> dict[int, Condition]:
    """All conditions by rising id; one query."""
    return {row.id: condition_of_row(row) for row in conn.execute(condition_statement())}


def group_ids(stored: Mapping[int, Condition], separating: Sequence[str]) -> dict[tuple[Any, ...], int]:
    """The id that stands for each group of stored conditions, by `group_key`."""
    if not separating:
        return {(): NO_CONDITION}
    lowest: dict[tuple[Any, ...], int] = {}
    for condition_id, one in stored.items():
        lowest.setdefault(group_key(one, separating), condition_id)
    return lowest


def members(
    conn: Connection, separating: Sequence[str], condition_id: int
) -> tuple[int, frozenset[int] | None]:
    """The id of the group that a condition belongs to and the ids of all stored conditions in it; None: all.

    Where nothing separates, condition 0 stands for all and any other condition for itself alone. Raises UnknownRecord.
    """
    if not separating:
        if condition_id == NO_CONDITION:
            return NO_CONDITION, None
        return condition_id, frozenset({condition_id})
    stored = stored_conditions(conn)
    if condition_id not in stored:
        raise UnknownRecord(f"There is no condition with id {condition_id}.", "See the readings of the lot.")
    wanted = group_key(stored[condition_id], separating)
    ids = frozenset(key for key, one in stored.items() if group_key(one, separating) == wanted)
    return min(ids), ids


def several_groups(code: str, separating: Sequence[str], labels: Sequence[str]) -> UsageError:
    """The error for a series that would mix what must be kept apart."""
    return UsageError(
        f"{code} has readings under {len(labels)} conditions that are kept apart ({', '.join(separating)}): "
        f"{'; '.join(labels)}.",
        "Choose one of them.",
    )
