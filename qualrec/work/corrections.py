"""Corrections: a new value, a new failure mode or a void; the old entry stays readable."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from qualrec.errors import Refused, UnknownRecord, UsageError
from qualrec.judge.verdict import judge_reading
from qualrec.records import lookups
from qualrec.values import Flag, ReadingRow
from qualrec.weld.failure_modes import find_mode
from qualrec.work import accounts
from qualrec.work.bench import understand_typed
from qualrec.work.judging import judge_and_store
from qualrec.work.rights import BENCH, require
from qualrec.work.session import Session
from qualrec.work.target import Target, find_target, lots_of

NOT_DIVIDED = "-"
"""Names, in place of a cavity or nest, the reading that belongs to none."""


@dataclass(frozen=True, slots=True)
class Corrected:
    """What a correction did."""

    sentence: str
    state: str
    new_flags: tuple[Flag, ...]


def correct_text(
    session: Session,
    lot: str,
    code: str,
    sample: int,
    *,
    reason: str,
    value: str | None = None,
    mode: str | None = None,
    stream: str | None = None,
    second_badge: str | None = None,
    second_secret: str | None = None,
) -> Corrected:
    """Correct a value or a mode, or void the reading (neither given), and judge the lot anew.

    Where the verdict on the reading changes, a second person must stand behind it, who in a plant with accounts proves it by
    PIN or password (`second_secret`). Raises Refused without one, UsageError where value and mode are both given.
    """
    require(session.actor, "correct readings")
    if value is not None and mode is not None:
        raise UsageError(
            "Value and mode are corrected one after the other.", "Leave one out, then correct the other."
        )
    target = find_target(session, lot, code)
    with session.store.read() as conn:
        rows = (
            lookups.readings_of_moulding_lot(conn, target.subject_id, code)
            if target.lot is None or target.characteristic.hangs_on == "moulding lot"
            else lookups.readings_of_lot(conn, target.lot.id, code)
        )
        second = None if second_badge is None else lookups.person_by_badge(conn, second_badge)
    if second is not None and not second.roles & BENCH:
        raise Refused(
            f"{second.name} holds no role that may stand behind a correction.",
            f"Ask somebody who is {' or '.join(sorted(BENCH))}.",
        )
    if second is not None and second_badge is not None:
        accounts.prove_second(session, second_badge, second_secret)
    row = reading_named(rows, sample, stream, target)
    c = target.characteristic
    understood = None if value is None else understand_typed(c, value)
    new_mode = None if mode is None else str(find_mode(mode))
    before = judge_reading(c, row.value, row.pull)
    pull = row.pull if new_mode is None or row.pull is None else replace(row.pull, mode=new_mode)
    after = judge_reading(c, row.value if understood is None else understood.value, pull)
    voided = understood is None and new_mode is None
    changes = before.answer == "fail" if voided else before.answer != after.answer
    if changes and second is None and not session.plant.single_user:
        raise Refused(
            f"The verdict on sample {sample} would change from {before.answer} to {'void' if voided else after.answer}.",
            "A second person has to stand behind it: give that person's badge.",
        )
    with session.store.write(session.actor, session.plant.id) as writer:
        done = writer.correct(
            row.key,
            kind="void" if voided else "value" if understood is not None else "mode",
            new_value=None if understood is None else understood.value,
            new_mode=new_mode,
            reason=reason,
            second_person_id=None if second is None else second.id,
            entered_text="" if understood is None else understood.text,
        )
        numbers = (
            lots_of(writer, target)
            if c.hangs_on == "moulding lot"
            else [target.lot.number if target.lot is not None else ""]
        )
        judged = [judge_and_store(writer, number) for number in numbers]
    was = row.value if done.kind != "mode" else done.old_mode
    now = {"value": done.new_value, "mode": done.new_mode}.get(done.kind, "void")
    return Corrected(
        f"{target.name} {c.code} sample {sample}: {was} {c.unit if done.kind != 'mode' else ''} is now {now}. "
        "The old entry stays readable.".replace("  ", " "),
        judged[0].state if judged else "",
        tuple(flag for j in judged for flag in j.new_flags),
    )


def reading_named(rows: Sequence[ReadingRow], sample: int, stream: str | None, target: Target) -> ReadingRow:
    wanted = "" if stream == NOT_DIVIDED else stream
    found = [r for r in rows if r.key.sample == sample and (wanted is None or r.stream == wanted)]
    if not found:
        known = ", ".join(str(r.key.sample) for r in rows) or "none"
        raise UnknownRecord(
            f"{target.name} has no sample {sample} of {target.characteristic.code}.",
            f"Samples there: {known}.",
        )
    if len(found) > 1:
        streams = ", ".join(r.stream or NOT_DIVIDED for r in found)
        raise UsageError(
            f"Sample {sample} is there for these cavities or nests: {streams}.",
            f"Say which is meant; {NOT_DIVIDED} is the reading of none of them.",
        )
    return found[0]
