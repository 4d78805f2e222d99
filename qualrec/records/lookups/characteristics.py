"""Characteristics by the revision in force at a moment, with the sampling and reaction plan of the control plan in force then.

`load_revisions` and `revisions_of` give the revisions as they were written, without a control plan.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import UTC, datetime
from typing import Any

from sqlalchemy import Connection, Row, Select, select

from qualrec.errors import UnknownRecord
from qualrec.judge.control_plan import with_plan
from qualrec.records.lookups.base import rows_for, table, unknown, words
from qualrec.records.lookups.control_plan import plan_rules, rules_at
from qualrec.records.lookups.parts import part_id_of
from qualrec.values import Characteristic

IDENTITY_FIELDS = ("id", "part_id", "code", "name", "hangs_on", "kind", "quantity")
LIST_FIELDS = ("sample_positions", "rules", "accepted_modes", "separating", "reaction_plan")
PLAIN_FIELDS = tuple(
    name
    for name in Characteristic.__slots__
    if name not in IDENTITY_FIELDS and name not in LIST_FIELDS and name != "revision_id"
)


def _statement() -> Select[Any]:
    c, r = table("characteristic"), table("characteristic_revision")
    return (
        select(
            *(c.c[name].label(f"c_{name}") for name in IDENTITY_FIELDS),
            r.c.id.label("revision_id"),
            *(r.c[name] for name in (*PLAIN_FIELDS, *LIST_FIELDS)),
        )
        .join(r, r.c.characteristic_id == c.c.id)
        .order_by(c.c.id, r.c.valid_from_us, r.c.revision)
    )


def _characteristic(row: Row[Any]) -> Characteristic:
    given: dict[str, Any] = {name: getattr(row, f"c_{name}") for name in IDENTITY_FIELDS}
    given.update({name: getattr(row, name) for name in PLAIN_FIELDS})
    given.update({name: words(getattr(row, name)) for name in LIST_FIELDS})
    return Characteristic(revision_id=row.revision_id, **given)


def in_force(revisions: Sequence[Characteristic], at_us: int | None) -> Characteristic | None:
    """The revision in force at a moment out of revisions in order of `valid_from_us`; None where none was.

    `at_us` None: the last revision.
    """
    held = [r for r in revisions if at_us is None or r.valid_from_us <= at_us]
    return held[-1] if held else None


def load_revisions(conn: Connection, ids: Iterable[int]) -> dict[int, tuple[Characteristic, ...]]:
    """All revisions of characteristics, oldest first, by characteristic id; one query."""
    found: dict[int, list[Characteristic]] = {}
    for row in rows_for(conn, _statement(), table("characteristic").c.id, ids):
        found.setdefault(row.c_id, []).append(_characteristic(row))
    return {key: tuple(revisions) for key, revisions in found.items()}


def revisions_of(conn: Connection, characteristic_id: int) -> tuple[Characteristic, ...]:
    """All revisions of one characteristic, oldest first. Raises UnknownRecord."""
    found = load_revisions(conn, [characteristic_id]).get(characteristic_id)
    if not found:
        raise UnknownRecord(
            f"There is no characteristic with id {characteristic_id}.", "See the characteristics of the part."
        )
    return found


def characteristics(
    conn: Connection,
    part_number: str,
    at_us: int | None = None,
    code: str | None = None,
    *,
    plant_id: int | None = None,
) -> tuple[Characteristic, ...]:
    """The characteristics of a part in the order of entry, each by the revision in force at `at_us` (None: the last).

    A characteristic that had no revision yet at that moment is not among them. Raises UnknownRecord for the part, and
    for `code` where it is given and unknown.
    """
    part_id = part_id_of(conn, part_number, plant_id)
    found = part_characteristics(conn, part_id, at_us)
    if code is None:
        return found
    chosen = tuple(c for c in found if c.code == code)
    if not chosen:
        every = part_characteristics(conn, part_id)
        if any(c.code == code for c in every):
            when = datetime.fromtimestamp((at_us or 0) / 1e6, UTC).strftime("%Y-%m-%d %H:%M UTC")
            raise UnknownRecord(
                f"Characteristic {code!r} of {part_number} had no revision in force at {when}.",
                "Its first revision is valid from a later moment.",
            )
        listed = f"{part_number} has: {', '.join(c.code for c in every) or 'no characteristic yet'}."
        raise unknown(f"characteristic of {part_number}", code, [c.code for c in every], listed)
    return chosen


def part_characteristics(
    conn: Connection, part_id: int, at_us: int | None = None
) -> tuple[Characteristic, ...]:
    """`characteristics` by the id of the part; two queries."""
    groups: dict[int, list[Characteristic]] = {}
    for row in conn.execute(_statement().where(table("characteristic").c.part_id == part_id)):
        groups.setdefault(row.c_id, []).append(_characteristic(row))
    rules = rules_at(plan_rules(conn, part_id), at_us)
    held = (in_force(revisions, at_us) for revisions in groups.values())
    return tuple(with_plan(c, rules) for c in held if c is not None)


def characteristic(
    conn: Connection, part_number: str, code: str, at_us: int | None = None, *, plant_id: int | None = None
) -> Characteristic:
    """One characteristic of a part by code. Raises UnknownRecord with near codes."""
    return characteristics(conn, part_number, at_us, code, plant_id=plant_id)[0]


def characteristic_by_id(
    conn: Connection, characteristic_id: int, at_us: int | None = None
) -> Characteristic:
    """One characteristic by id and the revision in force at `at_us` (None: the last). Raises UnknownRecord."""
    held = in_force(revisions_of(conn, characteristic_id), at_us)
    if held is None:
        raise UnknownRecord(
            f"Characteristic {characteristic_id} had no revision in force at that moment.",
            "Its first revision is valid from a later moment.",
        )
    return with_plan(held, rules_at(plan_rules(conn, held.part_id), at_us))


def names_of_all(conn: Connection) -> tuple[tuple[str, str, str], ...]:
    """(part number, code, name) of every characteristic, parts by number, each part's in the order of entry; one query."""
    c, p = table("characteristic"), table("part")
    asked = select(p.c.number, c.c.code, c.c.name).join(p, p.c.id == c.c.part_id).order_by(p.c.number, c.c.id)
    return tuple((row.number, row.code, row.name) for row in conn.execute(asked))
