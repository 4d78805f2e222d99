"""One lot as a whole: its page, its flags, what is decided about it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from qualrec.assess import LotJudgement, judge_lot
from qualrec.errors import Refused, UsageError
from qualrec.judge.gate import BLOCKS, NEEDS_NOTE
from qualrec.records import findings, lookups, registry
from qualrec.records.models.lots import DISPOSITIONS
from qualrec.values import Correction, Event, Flag, Gauge, Lot, ReadingRow
from qualrec.work.lot_life import check_quantity, find_leave, open_child, state_after
from qualrec.work.rights import require
from qualrec.work.session import Session
from qualrec.work.signed import Standing, concession_content, decision_content, signatures_of
from qualrec.work.signing import ready_to_sign, sign

RELEASABLE = ("under review", "on hold", "awaiting tests", "open")
"""States in which a lot may be released where the gate is open."""


@dataclass(frozen=True, slots=True)
class LotPage:
    """Everything on one lot. `gauges`: those of its readings, by code."""

    lot: Lot
    judgement: LotJudgement
    readings: tuple[ReadingRow, ...]
    moulding_readings: tuple[ReadingRow, ...]
    flags: tuple[Flag, ...]
    corrections: tuple[Correction, ...]
    events: tuple[Event, ...]
    gauges: Mapping[str, Gauge]
    signatures: tuple[Standing, ...]
    """Signatures under it, oldest first, and whether they still cover it."""

    @property
    def blocking(self) -> tuple[str, ...]:
        """What blocks the release, in words."""
        return tuple(r.sentence for r in self.judgement.gate.of(BLOCKS))


def lot_page(session: Session, number: str) -> LotPage:
    """Load a lot with its readings, flags, corrections, events and the gate as it stands now."""
    with session.store.read() as conn:
        judgement = judge_lot(conn, number, now_us=session.store.clock())
        lot = judgement.lot
        stations = {s.station_id for s in lot.segments if s.station_id is not None}
        until = lot.ended_us or max(
            (r.at_us for r in lookups.readings_of_lot(conn, lot.id)), default=lot.started_us
        )
        events: list[Event] = list(lookups.events(conn, lot_id=lot.id))
        for station in sorted(stations):
            events += lookups.events(conn, station_id=station, from_us=lot.started_us, until_us=until)
        upper = {s.upper.id for s in lot.segments if s.upper is not None}
        readings = lookups.readings_of_lot(conn, lot.id)
        moulded = lookups.readings_of_subjects(conn, sorted(upper)) if upper else ()
        used = {r.gauge for r in (*readings, *moulded) if r.gauge}
        return LotPage(
            lot=lot,
            judgement=judgement,
            readings=readings,
            moulding_readings=moulded,
            flags=lookups.flags(conn, lot=lot.number),
            corrections=lookups.corrections(conn, lot=lot.number),
            events=tuple(sorted({e.id: e for e in events}.values(), key=lambda e: (e.at_us, e.id))),
            gauges={g.code: g for g in lookups.gauges(conn) if g.code in used},
            signatures=signatures_of(conn, "lot", lot.id),
        )


def gauge_then(page: LotPage, row: ReadingRow) -> str:
    """What the calibrations say of the gauge at the moment of a reading; empty where it was in order or none is named."""
    gauge = page.gauges.get(row.gauge)
    if gauge is None:
        return ""
    before = [c for c in gauge.calibrations if c.at_us <= row.at_us]
    after = [c for c in gauge.calibrations if c.at_us > row.at_us]
    if (before and before[-1].verdict == "bad") or (after and after[0].verdict == "bad"):
        return "gauge found bad"
    return "gauge overdue" if gauge.overdue_at(row.at_us) else ""


def acknowledge_flag(session: Session, flag_id: int, text: str) -> str:
    """Take note of a flag."""
    require(session.actor, "acknowledge flags")
    with session.store.write(session.actor, session.plant.id) as writer:
        findings.acknowledge(writer, flag_id, text)
        return f"Flag {session.short_id(flag_id)} acknowledged."


def note_action(session: Session, flag_id: int, text: str) -> str:
    """Record what was done about a flag; the flag stays as it is."""
    require(session.actor, "acknowledge flags")
    with session.store.write(session.actor, session.plant.id) as writer:
        findings.add_action(writer, flag_id, text)
        return f"Flag {session.short_id(flag_id)}: {text}"


def tick_step(session: Session, flag_id: int, position: int, remark: str = "") -> str:
    """Tick a step of a flag's reaction plan as done now. Raises UsageError for a step that the plan does not have."""
    require(session.actor, "acknowledge flags")
    with session.store.write(session.actor, session.plant.id) as writer:
        flag = lookups.flag(writer.conn, flag_id)
        if not 1 <= position <= len(flag.reaction_plan):
            raise UsageError(
                f"The reaction plan has no step {position}.", f"It has {len(flag.reaction_plan)} steps."
            )
        step = flag.reaction_plan[position - 1]
        registry.add_step(
            writer,
            "reaction plan",
            step,
            position=position,
            flag_id=flag_id,
            lot_id=flag.lot_id,
            station_id=session.actor.station_id,
            remark=remark.strip(),
        )
        words = f"Step {position} done: {step} {remark.strip()}".rstrip()
        findings.add_action(writer, flag_id, words)
    return f"Flag {session.short_id(flag_id)}: {words}"


def close_flag(session: Session, flag_id: int, action: str) -> str:
    """Close a flag with what was found and done."""
    require(session.actor, "close flags")
    with session.store.write(session.actor, session.plant.id) as writer:
        findings.close_flag(writer, flag_id, action)
        flag = lookups.flag(writer.conn, flag_id)
        where = f" of lot {flag.lot_number}" if flag.lot_number else ""
        return f"Closed: {flag.kind}{where}."


def dispose(
    session: Session,
    number: str,
    kind: str,
    *,
    reason: str,
    concession: str | None = None,
    quantity: int | None = None,
    expected_version: int | None = None,
    password: str | None = None,
) -> str:
    """Decide about a lot, signed by the acting person with the password.

    A release is refused while the gate is not open; the refusal lists what stands against it. `expected_version` guards
    against a lot that another station changed since it was read.
    """
    require(session.actor, "decide about lots")
    if kind not in DISPOSITIONS:
        raise UsageError(f"{kind!r} is no disposition.", f"Choose one of: {', '.join(DISPOSITIONS)}.")
    if not reason.strip():
        raise UsageError("The reason is missing.", "Say why, in words.")
    ready_to_sign(session, password)
    with session.store.write(session.actor, session.plant.id) as writer:
        judgement = judge_lot(writer.conn, number, now_us=writer.now_us)
        lot = judgement.lot
        check_quantity(lot, kind, quantity)
        leave = None
        if kind == "use as is":
            leave = find_leave(writer, lot, concession, quantity, writer.now_us).id
        if kind == "release":
            _check_release(judgement, lookups.flags(writer.conn, lot=number))
        meaning = {"release": "released", "use as is": "concession"}.get(kind, "reviewed")
        content = decision_content(writer.conn, lot, kind, quantity, reason)
        signature = sign(writer, meaning, "lot", lot.id, content, reason)
        state = state_after(lot, kind, quantity)
        registry.add_disposition(
            writer,
            lot.id,
            kind,
            reason=reason,
            quantity=quantity,
            signature_id=signature,
            concession_id=leave,
        )
        version = lot.version if expected_version is None else expected_version
        registry.set_lot_state(writer, lot.id, state, expected_version=version, why=reason)
        child = open_child(session, writer, lot, quantity, reason) if kind == "rework" else ""
    part = "" if quantity in (None, lot.quantity) else f" for {quantity} of {lot.quantity} parts"
    done = f"Lot {lot.number}: {kind}{part}, signed by {session.actor.name}. It is now {state}."
    return f"{done} {child}".rstrip()


def _check_release(judgement: LotJudgement, flags: Sequence[Flag]) -> None:
    lot = judgement.lot
    if lot.state == "suspect, shipped":
        against = [f for f in flags if f.level in "HR" and f.scope != "process" and f.state != "closed"]
        if against:
            raise Refused(
                f"Lot {lot.number} left the house and is suspect: {', '.join(f.kind for f in against)}.",
                "Close the flags with what was found, at the customer too, then decide again.",
            )
    elif lot.state in RELEASABLE:
        _check_gate(judgement)
    else:
        raise Refused(f"Lot {lot.number} is {lot.state}.", "There is nothing to release.")


def _check_gate(judgement: LotJudgement) -> None:
    gate = judgement.gate
    if gate.may_release:
        return
    against = [r.sentence for r in (*gate.of(BLOCKS), *gate.of(NEEDS_NOTE))]
    shown = "\n".join(f"  - {sentence}" for sentence in against)
    raise Refused(
        f"{gate.sentence}\n{shown}",
        "Enter what is missing, close the flags with their action, or use a signed concession ('use as is').",
    )


def give_concession(
    session: Session,
    number: str,
    reference: str,
    *,
    reason: str,
    quantity: int | None = None,
    until_us: int | None = None,
    password: str | None = None,
) -> str:
    """Record a customer's concession for a lot, counted by quantity or date, signed by the acting person with the password."""
    require(session.actor, "decide about lots")
    ready_to_sign(session, password)
    with session.store.write(session.actor, session.plant.id) as writer:
        lot = lookups.lot(writer.conn, number)
        content = concession_content(lot.id, reference, quantity, until_us, reason)
        signature = sign(writer, "concession", "lot", lot.id, content, reason)
        registry.add_concession(
            writer,
            lot.part.id,
            reference,
            reason=reason,
            lot_id=lot.id,
            quantity=quantity,
            until_us=until_us,
            signature_id=signature,
        )
    return f"Concession {reference} recorded for lot {number}."
