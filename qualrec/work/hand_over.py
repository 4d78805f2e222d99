"""The hand-over of a shift: what was done, what is open, what waits, and the note to the next shift; signed off by both."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from qualrec.assess.loading import Conn
from qualrec.errors import UsageError
from qualrec.records import lookups, registry
from qualrec.records.lookups import DoneStep, Entered, TakenIn
from qualrec.records.lookups.people import CalendarRevision
from qualrec.values import Event, Flag, LotRow
from qualrec.weld.trade_rules import event_kinds
from qualrec.work.bench_facts import WaitingLot, waiting_lots
from qualrec.work.queue import Kept
from qualrec.work.rights import require
from qualrec.work.session import Session

NOTE, TAKEN = 1, 2
"""Positions of the two steps of a hand-over."""
WITHOUT_CALENDAR_HOURS = 8
MOST = 30
"""Most lines of one section; the rest is counted."""
HOUR_US = 3_600_000_000


@dataclass(frozen=True, slots=True)
class ShiftSpan:
    """The shift that runs: its name ('' where the plant has no calendar) and when it began."""

    name: str
    from_us: int


@dataclass(frozen=True, slots=True)
class HandOver:
    """The page of one shift. `notes` holds notes and take-overs, newest first; `waiting` and `refused` are this machine's."""

    plant: str
    person: str
    shift: ShiftSpan
    now_us: int
    entered: tuple[Entered, ...]
    taken_in: tuple[TakenIn, ...]
    welded: tuple[LotRow, ...]
    held: tuple[LotRow, ...]
    flags: tuple[Flag, ...]
    owed: tuple[WaitingLot, ...]
    events: tuple[Event, ...]
    waiting: tuple[Kept, ...]
    refused: tuple[Kept, ...]
    notes: tuple[DoneStep, ...]


def shift_at(calendar: Sequence[CalendarRevision], at_us: int, zone: str) -> ShiftSpan:
    """The shift that runs at a moment, by the calendar in force then; without one the last eight hours."""
    in_force = [c for c in calendar if c.valid_from_us <= at_us]
    shifts = sorted(in_force[-1].shifts, key=lambda s: s.from_minute) if in_force else []
    if not shifts:
        return ShiftSpan("", at_us - WITHOUT_CALENDAR_HOURS * HOUR_US)
    from zoneinfo import ZoneInfo

    place = ZoneInfo(in_force[-1].zone or zone)
    now = datetime.fromtimestamp(at_us / 1e6, UTC).astimezone(place)
    for back in (0, 1):
        midnight = (now - timedelta(days=back)).replace(hour=0, minute=0, second=0, microsecond=0)
        for shift in reversed(shifts):
            began = midnight + timedelta(minutes=shift.from_minute)  # by the clock on the wall
            if began <= now:
                return ShiftSpan(shift.name, int(began.astimezone(UTC).timestamp() * 1e6))
    raise AssertionError("a day has a shift")


def page(session: Session, *, waiting: Sequence[Kept] = (), refused: Sequence[Kept] = ()) -> HandOver:
    """The page of the shift that runs now."""
    now, plant = session.store.clock(), session.plant
    with session.store.read() as conn:
        span = shift_at(lookups.calendar(conn, plant.id), now, plant.zone)
        held = [row for state in ("on hold", "suspect, shipped") for row in lookups.lots_page(conn, state)]
        return HandOver(
            plant.name,
            session.actor.name,
            span,
            now,
            lookups.entered_since(conn, plant.id, span.from_us),
            lookups.taken_in_since(conn, plant.id, span.from_us),
            _rows(conn, lookups.lots_welded(conn, span.from_us, now + 1)),
            tuple(held),
            lookups.flags_opened(conn, span.from_us, now + 1),
            waiting_lots(conn),
            lookups.events(conn, from_us=span.from_us),
            tuple(waiting),
            tuple(refused),
            lookups.hand_overs(conn, plant.id),
        )


def _rows(conn: Conn, ids: Sequence[int]) -> tuple[LotRow, ...]:
    rows = lookups.load_lot_rows(conn, ids)
    return tuple(rows[one] for one in ids)


def leave_note(session: Session, text: str) -> str:
    """Leave a note to the next shift. Raises UsageError for an empty one."""
    require(session.actor, "log events")
    if not text.strip():
        raise UsageError("The note is empty.", "Write what the next shift must know.")
    with session.store.write(session.actor, session.plant.id) as writer:
        registry.add_step(
            writer, "hand-over", text.strip(), position=NOTE, station_id=session.actor.station_id
        )
    return f"Note to the next shift left by {session.actor.name}."


def take_over(session: Session) -> str:
    """Record that the acting person has read the page and takes over."""
    require(session.actor, "log events")
    with session.store.write(session.actor, session.plant.id) as writer:
        registry.add_step(
            writer, "hand-over", "taken over", position=TAKEN, station_id=session.actor.station_id
        )
    return f"Taken over by {session.actor.name}, {session.moment(session.store.clock())}."


# As text, for the screen and for paper.


def text(session: Session, found: HandOver) -> str:
    """The page as lines of at most about 78 signs, ready to be printed."""
    name = f", {found.shift.name} shift" if found.shift.name else ""
    lines = [
        f"HAND-OVER  {found.plant}{name}",
        f"from {session.moment(found.shift.from_us)} to {session.moment(found.now_us)}, by {found.person}",
    ]
    for title, rows in _sections(session, found):
        lines += ["", f"{title}: {len(rows)}" if rows else f"{title}: none"]
        lines += [f"  {row}" for row in rows[:MOST]]
        if len(rows) > MOST:
            lines.append(f"  and {len(rows) - MOST} more")
    return "\n".join([*lines, "", "Handed over: ____________________   Taken over: ____________________"])


def _sections(session: Session, found: HandOver) -> list[tuple[str, list[str]]]:
    moment = session.moment
    return [
        ("Notes", [_note(session, n) for n in found.notes if n.done_us and n.done_us >= found.shift.from_us]),
        (
            "Notes before",
            [_note(session, n) for n in found.notes if n.done_us and n.done_us < found.shift.from_us][:4],
        ),
        (
            "Lots on hold",
            [
                f"{r.number}  {r.part_number}  {r.state}, flags that hold: {r.open_holding}"
                for r in found.held
            ],
        ),
        (
            "Flags of this shift",
            [
                f"{f.lot_number or f.part_number}  {f.level}  {' '.join((f.kind, f.code)).strip()}, {f.state}"
                for f in found.flags
            ],
        ),
        ("Tests owed", [_owed(found, w) for w in found.owed]),
        (
            "Entries that wait on this machine",
            [f"{moment(k.at_us)}  {k.words}" for k in found.waiting],
        ),
        ("Entries refused", [f"{moment(k.at_us)}  {k.words}: {k.refusal}" for k in found.refused]),
        ("Entered", [f"{e.number}  {e.n} {e.code}, {e.person}" for e in found.entered]),
        ("Files taken in", [f"{t.file_name}  {t.rows} rows, {t.person}" for t in found.taken_in]),
        (
            "Lots begun",
            [f"{r.number}  {r.part_number}  {r.station}, {r.state}" for r in found.welded],
        ),
        ("Events", [_event(session, e) for e in found.events]),
    ]


def _note(session: Session, note: DoneStep) -> str:
    place = f" at {note.station}" if note.station else ""
    what = note.step if note.position == NOTE else "taken over"
    return f"{session.moment(note.done_us)}  {note.person}{place}: {what}"


def _owed(found: HandOver, lot: WaitingLot) -> str:
    owed = ", ".join(f"{n} {code}" for code, n in lot.owed.items())
    late = ""
    if lot.due_us is not None:
        minutes = (lot.due_us - found.now_us) // 60_000_000
        late = f", {'due in' if minutes >= 0 else 'OVERDUE'} {abs(minutes)} min"
    return f"{lot.number}  {lot.part}  {lot.station}  {owed}{late}"


def _event(session: Session, event: Event) -> str:
    known = event_kinds().get(event.kind)
    word = event.kind if known is None else known.word
    remark = f" ({event.remark})" if event.remark else ""
    return (
        f"{session.moment(event.at_us)}  {event.station or event.lot_number}  {word}{remark}, {event.person}"
    )
