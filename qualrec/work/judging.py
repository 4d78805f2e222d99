"""Judging a lot right after its records changed: flags, verdicts and the state of the lot, in the same transaction."""

from __future__ import annotations

from dataclasses import dataclass

from qualrec.assess import LotJudgement, judge_lot
from qualrec.records import findings, lookups, registry
from qualrec.records.ledger import Writer
from qualrec.values import Flag, Lot

NOT_YET_JUDGED = ("open", "awaiting tests", "under review")
SETTLED = ("scrapped", "reworked")


@dataclass(frozen=True, slots=True)
class Judged:
    """What judging a lot found and changed. `new_flags`: opened or extended now."""

    judgement: LotJudgement
    state: str
    state_changed: bool
    new_flags: tuple[Flag, ...]


def judge_and_store(writer: Writer, lot_number: str) -> Judged:
    """Judge a lot as it stands, store flags and verdicts, and set the state that follows from them.

    A finding of level H holds the lot at once; a released lot too; a shipped lot becomes 'suspect, shipped'. A lot
    with all its samples goes under review. Nothing is ever released by itself.
    """
    judgement = judge_lot(writer.conn, lot_number, now_us=writer.now_us)
    lot = judgement.lot
    touched = findings.store_findings(writer, lot.part.id, judgement.findings)
    for verdict in judgement.verdicts:
        if verdict.n or verdict.answer != "unknown":
            findings.store_judgement(
                writer,
                lot.id,
                verdict.answer,
                figures={"n": verdict.n, "mean": verdict.mean, "sd": verdict.sd, "fails": verdict.fails},
                characteristic_id=verdict.characteristic_id,
                characteristic_revision_id=verdict.revision_id,
            )
    new_flags = tuple(lookups.flag(writer.conn, flag) for flag in touched)
    state = _state_after(lot, judgement, holding=any(f.level == "H" for f in new_flags))
    if state != lot.state:
        why = next((f.kind for f in new_flags if f.level == "H"), "samples complete")
        registry.set_lot_state(writer, lot.id, state, expected_version=lot.version, why=why)
    return Judged(judgement, state, state != lot.state, new_flags)


def _state_after(lot: Lot, judgement: LotJudgement, *, holding: bool) -> str:
    if lot.state in SETTLED:
        return lot.state
    if holding:
        return "suspect, shipped" if lot.shipments else "on hold"
    if lot.state in NOT_YET_JUDGED:
        if not any(o.mandatory and o.missing for o in lot.owed):
            return "under review"
        if lot.ended_us is not None:
            return "awaiting tests"
    return lot.state
