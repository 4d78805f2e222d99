"""The bench: open a lot, understand what is typed, log readings, correct them, log events.

Nothing is computed here: intake understands, the ledger stores, assess and judge decide.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import ceil, log10

from qualrec.assess import LotJudgement, judge_lot, reading_context
from qualrec.assess.loading import Conn
from qualrec.errors import ImplausibleValue, Refused, UsageError
from qualrec.intake.numbers import Understood
from qualrec.intake.numbers import understand as understand_number
from qualrec.judge.plausible import History, Plausibility, check_value
from qualrec.judge.verdict import ReadingVerdict, judge_reading
from qualrec.records import lookups, registry
from qualrec.records.ledger import Writer
from qualrec.values import (
    NO_STREAM,
    Characteristic,
    Condition,
    Flag,
    Lot,
    NewReading,
    Owed,
    PullResult,
    ReadingRow,
)
from qualrec.weld.failure_modes import FailureMode, Shares, check_shares, find_mode
from qualrec.weld.trade_rules import event_kinds
from qualrec.work.authorisations import check_authorised
from qualrec.work.bench_facts import Facts, facts_of, owe_first_off
from qualrec.work.judging import SETTLED, judge_and_store
from qualrec.work.rights import require
from qualrec.work.session import Session
from qualrec.work.target import Target, condition_of, find_target, lots_of, scanned, stream_of

LATE_US = 3_600_000_000 * 12
"""An entry made more than twelve hours after the event is marked late (common practice, no source)."""


REPEAT = "repeat after a test fault"


@dataclass(frozen=True, slots=True)
class BenchLot:
    """What a technician sees after scanning a lot."""

    lot: Lot
    characteristics: tuple[Characteristic, ...]
    owed: tuple[Owed, ...]
    judgement: LotJudgement
    readings: tuple[ReadingRow, ...]
    last_change: str
    """Who changed the lot last, and when, in words."""
    facts: Facts
    now_us: int
    """The clock of the records when it was read."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One value as typed. `again` is the same value typed a second time, blind, where it was asked."""

    text: str
    mode: str = ""
    shares: Shares | None = None
    serial: str = ""
    again: str | None = None
    displacement_mm: float | None = None
    moisture: str = ""
    hours_since_weld: float | None = None
    repeat_of: int | None = None
    reason: str = ""
    at_us: int | None = None
    """Moment of the test; None: now."""
    stream: str = ""
    """Cavity or nest; empty: the one given for all."""
    position: str = ""
    """Where on the part; empty: as the condition says."""


@dataclass(frozen=True, slots=True)
class Logged:
    """What an entry did: rows as stored, their verdicts, flags opened or extended, state of the lot."""

    lot: str
    state: str
    state_changed: bool
    rows: tuple[ReadingRow, ...]
    verdicts: tuple[ReadingVerdict, ...]
    echoes: tuple[str, ...]
    new_flags: tuple[Flag, ...]
    owed: tuple[Owed, ...]
    reaction_plan: tuple[str, ...]
    repeated: bool

    @property
    def held(self) -> bool:
        return self.state in ("on hold", "suspect, shipped")


def open_lot(session: Session, text: str) -> BenchLot:
    """The lot whose number was typed or scanned. Raises UnknownRecord naming near ones."""
    number = scanned(text)
    with session.store.read() as conn:
        now = session.store.clock()
        judgement = judge_lot(conn, number, now_us=now)
        lot = judgement.lot
        upper = lot.segment.upper
        moulded = () if upper is None else lookups.readings_of_subjects(conn, [upper.id])
        readings = (*lookups.readings_of_lot(conn, lot.id), *moulded)
        return BenchLot(
            lot,
            judgement.characteristics,
            lot.owed,
            judgement,
            readings,
            _last_change(session, conn, lot),
            facts_of(conn, lot, judgement.characteristics, readings),
            now,
        )


def _last_change(session: Session, conn: Conn, lot: Lot) -> str:
    last = lookups.trail_of(conn, "lot", lot.id)[-1]
    return f"{last.person or 'the program'} at {session.moment(last.at_us)}"


def owed_repeat(rows: Sequence[ReadingRow], code: str) -> int | None:
    """Sample number of the first test fault of a characteristic that no later pull repeats; None where none is open."""
    pulls = [r for r in rows if r.code == code and r.pull is not None and not r.void]
    repeated = {r.pull.repeat_of for r in pulls if r.pull is not None}
    faults = (r.key.sample for r in pulls if r.pull is not None and r.pull.mode == FailureMode.TEST_FAULT)
    return next((sample for sample in faults if sample not in repeated), None)


def understand_typed(characteristic: Characteristic, text: str) -> Understood:
    """What a typed value means, in the characteristic's unit.

    Raises AmbiguousNumber where it reads in two ways that are both plausible, UsageError for a wrong unit, for text that is
    no number and for a value that cannot be (outside the hard range of the characteristic).
    """
    c = characteristic
    low = float("-inf") if c.plausible_low is None else c.plausible_low
    high = float("inf") if c.plausible_high is None else c.plausible_high
    bounded = c.plausible_low is not None or c.plausible_high is not None
    found = understand_number(text, c.unit, None, (low, high) if bounded else None)
    if not low <= found.value <= high:
        raise UsageError(
            f"{c.name}: {found.echo} is outside what can be ({low:g} to {high:g} {c.unit}).",
            "Check the value, its decimal sign and its unit, and type it again.",
        )
    return found


def decimals_of(resolution: float) -> int:
    """Decimals that show a value to its resolution, both in one unit: 0.1 needs 1, 10 needs none."""
    return max(0, ceil(-log10(resolution) - 1e-9))


def usual(session: Session, target: Target) -> History:
    """What was usual of the characteristic until now."""
    owner = target.lot if target.characteristic.hangs_on == "lot" else target.moulding
    assert owner is not None
    with session.store.read() as conn:
        return reading_context(conn, owner, target.characteristic).history


def check(target: Target, understood: Understood, history: History) -> Plausibility:
    """Whether a value is near what was usual; not ok asks for it a second time, blind."""
    return check_value(target.characteristic, understood.value, history, understood.text)


def log(
    session: Session,
    target: Target,
    entries: Sequence[Entry],
    *,
    stream: str | None = None,
    gauge: str | None = None,
    entry_key: str | None = None,
    condition: Condition | None = None,
) -> Logged:
    """Store readings and judge the lot, in one transaction.

    A value far from what was usual is taken only with a second, blind entry (`Entry.again`): where both agree, or where the
    second is usual; both texts are kept. Otherwise ImplausibleValue is raised and the entry is kept as not taken.
    Raises Refused for a lot that is settled or closed by another station, UsageError for a mode that is missing.
    """
    require(session.actor, "log readings")
    history = usual(session, target)
    understood = [_settle(session, target, entry, history) for entry in entries]
    with session.store.write(session.actor, session.plant.id) as writer:
        now = writer.now_us
        check_authorised(writer.conn, session, target.characteristic, now)
        lot = None if target.lot is None else lookups.lot(writer.conn, target.lot.number)
        if lot is not None and lot.state in SETTLED:
            by = _last_change(session, writer.conn, lot)
            raise Refused(
                f"Lot {lot.number} is {lot.state} since it was changed by {by}; nothing was stored.",
                "It takes no more readings: look at the lot again.",
            )
        places = _places(writer, target, entries, condition_of(writer, target, gauge, condition), stream)
        readings = [
            NewReading(
                subject_id=target.subject_id,
                characteristic_id=target.characteristic.id,
                value=None if _mode(entry, target) == FailureMode.TEST_FAULT else value.value,
                at_us=_moment(entry, now),
                stream_id=stream_id,
                condition_id=condition_id,
                serial=entry.serial,
                entered_text=value.text,
                decimals=decimals_of(value.resolution),
                first_text=first,
                offset_minutes=session.offset_minutes(_moment(entry, now)),
                late=now - _moment(entry, now) > LATE_US,
                pull=_pull(entry, target),
            )
            for entry, (value, first), (stream_id, condition_id) in zip(
                entries, understood, places, strict=True
            )
        ]
        receipt = writer.add_readings(readings, entry_key=entry_key)
        numbers = [lot.number] if lot is not None else []
        if target.characteristic.hangs_on == "moulding lot":
            numbers = lots_of(writer, target)
        judged = [judge_and_store(writer, number) for number in numbers]
        rows = tuple(lookups.reading(writer.conn, key) for key in receipt.keys)
        own = next((j for j in judged if lot is None or j.judgement.lot.number == lot.number), None)
        fresh = () if lot is None else lookups.owed(writer.conn, lot.id)
    flags = tuple(flag for j in judged for flag in j.new_flags)
    c = target.characteristic
    return Logged(
        lot=target.name,
        state=own.state if own is not None else "",
        state_changed=own.state_changed if own is not None else False,
        rows=rows,
        verdicts=tuple(judge_reading(c, row.value, row.pull) for row in rows),
        echoes=tuple(value.echo for value, _ in understood),
        new_flags=flags,
        owed=fresh,
        reaction_plan=c.reaction_plan if any(f.level == "H" for f in flags) else (),
        repeated=receipt.repeated,
    )


def _moment(entry: Entry, now: int) -> int:
    return now if entry.at_us is None else entry.at_us


def _places(
    writer: Writer, target: Target, entries: Sequence[Entry], condition_id: int, stream: str | None
) -> list[tuple[int, int]]:
    """Ids of stream and condition of each entry."""
    streams: dict[str, int] = {"": NO_STREAM}
    conditions: dict[str, int] = {"": condition_id}
    found = []
    for entry in entries:
        label = entry.stream or stream or ""
        if label not in streams:
            streams[label] = stream_of(writer, target, label)
        if entry.position not in conditions:
            stated = replace(lookups.condition(writer.conn, condition_id), position=entry.position)
            conditions[entry.position] = registry.get_or_add_condition(writer, stated)
        found.append((streams[label], conditions[entry.position]))
    return found


def _settle(
    session: Session, target: Target, entry: Entry, history: History
) -> tuple[Understood, str | None]:
    """The value to store and the text of the first entry where it was asked twice."""
    first = understand_typed(target.characteristic, entry.text)
    if _mode(entry, target) == FailureMode.TEST_FAULT:
        return first, None
    found = check(target, first, history)
    if found.ok:
        return first, None
    if entry.again is not None:
        second = understand_typed(target.characteristic, entry.again)
        if second.value == first.value or check(target, second, history).ok:
            return second, entry.text
    not_taken(session, target, entry.text, first.value, found.sentence)
    if entry.again is not None:
        not_taken(
            session, target, entry.again, None, "second entry, differs from the first and is unusual too"
        )
    raise ImplausibleValue(
        found.sentence,
        first.value,
        found.expected,
        "Look at the tester and type the value a second time (on the command line: --again VALUE).",
    )


def not_taken(session: Session, target: Target, text: str, value: float | None, why: str) -> None:
    """Keep an entry that was refused or given up."""
    require(session.actor, "log readings")
    with session.store.write(session.actor, session.plant.id) as writer:
        writer.note_attempt(
            target.subject_id, target.characteristic.id, entered_text=text, value=value, why=why
        )


def _mode(entry: Entry, target: Target) -> str:
    if not target.characteristic.strength:
        if entry.mode:
            raise UsageError(f"{target.characteristic.name} has no failure mode.", "Leave the mode out.")
        return ""
    if not entry.mode:
        modes = ", ".join(FailureMode)
        raise UsageError(
            f"{entry.text}: the failure mode is missing.", f"Look at the fracture and give one of: {modes}."
        )
    return str(find_mode(entry.mode))


def _pull(entry: Entry, target: Target) -> PullResult | None:
    mode = _mode(entry, target)
    if not mode:
        return None
    shares = check_shares(mode, entry.shares)
    return PullResult(
        mode=mode,
        interfacial_pct=None if shares is None else shares.interfacial,
        cohesive_pct=None if shares is None else shares.cohesive,
        tear_pct=None if shares is None else shares.near_surface_tear,
        parent_pct=None if shares is None else shares.parent_material,
        displacement_mm=entry.displacement_mm,
        moisture=entry.moisture,
        hours_since_weld=entry.hours_since_weld,
        attempt=1 if entry.repeat_of is None else 2,
        repeat_of=entry.repeat_of,
        reason=entry.reason,
    )


def log_texts(
    session: Session,
    lot: str,
    code: str,
    values: Sequence[str],
    *,
    modes: Sequence[str],
    shares: str | None,
    stream: str | None,
    gauge: str | None,
    serials: Sequence[str],
    again: Sequence[str],
    repeat_of: int | None = None,
) -> Logged:
    """`log` for figures given as texts in a row: one mode for all or one for each, second entries in the order asked.

    `repeat_of`: sample number of the test fault that the first value repeats.
    """
    target = find_target(session, lot, code)
    if len(modes) not in (0, 1, len(values)):
        raise UsageError(
            f"{len(modes)} modes for {len(values)} values.", "Give one --mode, or one for each value."
        )
    if serials and len(serials) != len(values):
        raise UsageError(
            f"{len(serials)} serials for {len(values)} values.", "Give one --serial for each value."
        )
    spread = list(modes) * len(values) if len(modes) == 1 else list(modes) or [""] * len(values)
    split = None if shares is None else read_shares(shares)
    waiting, history = list(again), usual(session, target)
    entries = []
    for position, text in enumerate(values):
        entry = Entry(text, spread[position], split, serials[position] if serials else "")
        if repeat_of is not None and not position:
            entry = replace(entry, repeat_of=repeat_of, reason=REPEAT)
        mixed = bool(entry.mode) and find_mode(entry.mode) == FailureMode.MIXED
        entry = replace(entry, shares=split if mixed else None)
        if waiting and not check(target, understand_typed(target.characteristic, text), history).ok:
            entry = replace(entry, again=waiting.pop(0))
        entries.append(entry)
    return log(session, target, entries, stream=stream, gauge=gauge)


def read_shares(text: str) -> Shares:
    """Shares of the joint area as 'interfacial/cohesive/tear/parent' in %, as 0/60/10/30."""
    parts = text.replace(",", ".").split("/")
    try:
        interfacial, cohesive, tear, parent = (float(p) for p in parts)
    except ValueError as error:
        raise UsageError(
            f"{text!r} is not four shares.", "Write interfacial/cohesive/tear/parent in %, as 0/60/10/30."
        ) from error
    return Shares(interfacial, cohesive, tear, parent)


def log_event(
    session: Session,
    kind: str,
    *,
    station: str | None = None,
    lot: str | None = None,
    remark: str = "",
    at_us: int | None = None,
) -> str:
    """Log an event, of now or of the moment `at_us`; the same event of the same moment is logged once.

    After a set-up the lot that runs at the station owes a first-off. Raises UsageError for a kind that is not known or an
    event of nothing.
    """
    require(session.actor, "log events")
    with session.store.write(session.actor, session.plant.id) as writer:
        conn = writer.conn
        at_station = lookups.station(conn, station).id if station else session.actor.station_id
        of_lot = lookups.lot(conn, lot).id if lot else None
        if at_station is None and of_lot is None:
            raise UsageError("The event has no place.", "Name a station (--at) or a lot (--lot).")
        moment = writer.now_us if at_us is None else at_us
        known = event_kinds()
        owed = ""
        there = at_us is not None and lookups.events(
            conn, at_station, of_lot, from_us=moment, until_us=moment, kind=kind
        )
        if not there:
            registry.add_event(writer, kind, moment, station_id=at_station, lot_id=of_lot, remark=remark)
            owed = owe_first_off(writer, kind, at_station)
    word = known[kind].word if kind in known else kind
    return f"Logged: {word}, {session.moment(moment)}. {owed}".rstrip()
