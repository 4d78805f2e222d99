"""Parent specimens for the weld factor: entered as a set of readings of a strength, and listed."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from qualrec.errors import UsageError
from qualrec.intake.numbers import understand
from qualrec.records import lookups
from qualrec.records.lookups.specimens import ParentSet, parent_sets
from qualrec.records.registry.specimens import add_parent_specimens
from qualrec.values import NO_CONDITION, Characteristic, NewReading
from qualrec.work.days import moment_of
from qualrec.work.rights import require
from qualrec.work.session import Session
from qualrec.work.window_plan import strength_of


@dataclass(frozen=True, slots=True)
class ListedSet:
    """A set of parent specimens with the part and strength it was pulled for."""

    part_number: str
    characteristic: Characteristic
    parent: ParentSet


def enter_parents(
    session: Session,
    part: str,
    label: str,
    material: str,
    texts: Sequence[str],
    *,
    characteristic: str | None = None,
    tested: str = "",
    remark: str = "",
) -> str:
    """Enter a set of unwelded specimens of one of a part's materials, pulled like its welds.

    `texts`: the forces as typed. They stand under the conditions of most of the welds' readings. Raises UsageError,
    AmbiguousNumber, UnknownRecord, Refused.
    """
    require(session.actor, "log readings")
    if not texts:
        raise UsageError("No value is given.", "Give the force of each specimen.")
    with session.store.write(session.actor, session.plant.id) as writer:
        conn = writer.conn
        welded = lookups.part(conn, part)
        c = strength_of(lookups.characteristics(conn, part), characteristic)
        of = lookups.material(conn, material)
        known = {welded.upper.material, welded.lower.material}
        if material not in known:
            raise UsageError(
                f"{material} is no material of {part}.", f"Its materials: {', '.join(sorted(known))}."
            )
        low = -math.inf if c.plausible_low is None else c.plausible_low
        high = math.inf if c.plausible_high is None else c.plausible_high
        read = [understand(text, c.unit, None, (low, high)) for text in texts]
        at_us = moment_of(session, tested) if tested else writer.now_us
        if at_us > writer.now_us:
            raise UsageError("The test lies in the future.", "Check the day.")
        groups = lookups.conditions_of(conn, c.id)
        condition = groups[0].ids[0] if groups else NO_CONDITION
        subject = add_parent_specimens(writer, of.id, label, tested_us=at_us, count=len(read), remark=remark)
        writer.add_readings(
            [
                NewReading(
                    subject, c.id, one.value, at_us, condition_id=condition, entered_text=text,
                    offset_minutes=session.offset_minutes(at_us),
                )
                for one, text in zip(read, texts, strict=True)
            ]
        )  # fmt: skip
    mean = sum(one.value for one in read) / len(read)
    return f"{len(read)} parent specimens {label} of {material}: mean {mean:.{c.decimals}f} {c.unit} for {part} {c.code}."


def listed_parents(session: Session, part: str | None = None) -> tuple[ListedSet, ...]:
    """All sets of parent specimens, newest first; of one part or of all."""
    with session.store.read() as conn:
        found = []
        for one in parent_sets(conn):
            c = lookups.characteristic_by_id(conn, one.characteristic_id)
            number = lookups.part_by_id(conn, c.part_id).number
            if part is None or part == number:
                found.append(ListedSet(number, c, one))
        if part is not None:
            lookups.part(conn, part)
        return tuple(found)
