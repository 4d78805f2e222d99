"""What a bench must know of a lot beside its readings: gauges to choose from, streams, moisture, first-offs after a set-up."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import pairwise

from qualrec.assess import reading_context
from qualrec.assess.loading import Conn
from qualrec.errors import UsageError
from qualrec.judge.plausible import History
from qualrec.records import lookups, registry
from qualrec.records.ledger import Writer
from qualrec.values import Characteristic, Event, Gauge, Lot, ReadingRow, Segment
from qualrec.weld.polymers import find_grade
from qualrec.weld.trade_rules import event_kinds
from qualrec.work.days import moment_of
from qualrec.work.rights import require
from qualrec.work.session import Session

HOUR_US = 3_600_000_000
FIRST_OFF = "first-off"
SET_UP_EVENTS = ("glass_changed", "fixture", "recipe_change", "restart")
"""Events after which a first part is pulled before the lot goes on (common practice, no source)."""
REST_HOURS = 8.0
"""DVS 2203-2 (2010): tensile specimens are not taken earlier than 8 h after welding; a public copy of its title page."""
RUNNING = ("open", "awaiting tests", "under review", "on hold")


@dataclass(frozen=True, slots=True)
class Gate:
    """A set-up after which no first-off is on record yet: what happened, when, and which tests count as one."""

    what: str
    at_us: int
    codes: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Facts:
    """`gauges`: those in use that can measure a characteristic, by its code; `usual`: the one of them that alone was used
    lately on the lot's station.

    `moisture`: a material takes up water, so a pull says how moist the part was and how long after welding.
    """

    gauges: Mapping[str, tuple[Gauge, ...]] = field(default_factory=dict)
    usual: Mapping[str, str] = field(default_factory=dict)
    streams: tuple[str, ...] = ()
    moisture: bool = False
    gate: Gate | None = None

    def gauge(self, code: str, name: str) -> Gauge | None:
        return next((g for g in self.gauges.get(code, ()) if g.code == name), None)

    def only(self, code: str) -> str:
        """The gauge that needs no choice: the only one of its family, or the usual one; empty where it must be said."""
        able = self.gauges.get(code, ())
        return able[0].code if len(able) == 1 else self.usual.get(code, "")


def facts_of(
    conn: Conn,
    lot: Lot,
    characteristics: Sequence[Characteristic],
    readings: Sequence[ReadingRow],
) -> Facts:
    """The facts of a lot as the records stand."""
    known = lookups.gauges(conn, state="in use")
    able = {
        c.code: tuple(g for g in known if g.family == c.gauge_family)
        for c in characteristics
        if c.gauge_family
    }
    used = lookups.gauges_used(conn, lot.part.id, lot.segment.station_id)
    codes = {g.id: g.code for g in known}
    held = {c.code: [codes[g] for g in used.get(c.id, ()) if g in codes] for c in characteristics}
    usual = {code: held[code][0] for code in able if len(held[code]) == 1}
    streams = tuple(s.label for s in lookups.streams(conn, lot.part.id))
    return Facts(able, usual, streams, takes_up_moisture(lot), gate_of(conn, lot, characteristics, readings))


def takes_up_moisture(lot: Lot) -> bool:
    """Whether a material of the part is one whose strength depends on the water taken up (polyamides)."""
    for component in (lot.part.upper, lot.part.lower):
        try:
            if find_grade(component.polymer).polymer.takes_up_moisture:
                return True
        except UsageError:
            continue  # a polymer that the tables do not know
    return False


def first_off_codes(characteristics: Sequence[Characteristic]) -> tuple[str, ...]:
    """The tests that prove a set-up: those of the control plan with a first-off."""
    return tuple(c.code for c in characteristics if FIRST_OFF in c.sample_positions)


def gate_of(
    conn: Conn, lot: Lot, characteristics: Sequence[Characteristic], readings: Sequence[ReadingRow]
) -> Gate | None:
    """The last set-up of a running lot that no first-off followed; None where one did or none is asked.

    A set-up is the begin of the lot, a segment with another recipe, station or clamp tool, or an event of `SET_UP_EVENTS` at
    its station. A first-off is a value of such a test that is neither void nor a test fault.
    """
    codes = first_off_codes(characteristics)
    if not codes or lot.state not in RUNNING or lot.ended_us is not None:
        return None
    done = [r.at_us for r in readings if r.code in codes and not r.void and r.value is not None]
    station = lot.segment.station_id
    events: tuple[Event, ...] = lookups.events(conn, lot_id=lot.id)
    if station is not None:
        events += lookups.events(conn, station_id=station, from_us=lot.started_us)
    happened = [
        (e.at_us, event_kinds()[e.kind].word)
        for e in events
        if e.kind in SET_UP_EVENTS and e.at_us >= lot.started_us
    ]
    happened += [(lot.started_us, "set-up of the lot"), *_set_ups(lot.segments)]
    at_us, what = max(happened)
    return None if any(moment >= at_us for moment in done) else Gate(what, at_us, codes)


def _set_ups(segments: Sequence[Segment]) -> list[tuple[int, str]]:
    found = []
    for before, segment in pairwise(segments):
        was, now = (
            (None if s.recipe is None else s.recipe.id, s.station_id, s.clamp_tool_id)
            for s in (before, segment)
        )
        if was != now:
            found.append((segment.from_us, f"set-up of segment {segment.position}"))
    return found


def owe_first_off(writer: Writer, kind: str, station_id: int | None) -> str:
    """After an event of `SET_UP_EVENTS`: have the lot that runs at the station owe one more first-off of each such test.

    Returns what is owed, in words; empty where nothing is.
    """
    if kind not in SET_UP_EVENTS or station_id is None:
        return ""
    lot_id = lookups.lot_running_at(writer.conn, station_id)
    if lot_id is None:
        return ""
    lot = lookups.lot_by_id(writer.conn, lot_id)
    if lot.state not in RUNNING:
        return ""
    plan = lookups.characteristics(writer.conn, lot.part.number, lot.segment.from_us)
    codes = [c for c in plan if FIRST_OFF in c.sample_positions and c.hangs_on == "lot"]
    position = f"{FIRST_OFF} after {kind.replace('_', ' ')}"
    for c in codes:
        registry.owe_test(
            writer, lot.id, c.id, position=position, mandatory=c.mandatory, why=f"{kind.replace('_', ' ')}"
        )
    names = ", ".join(c.code for c in codes)
    return f"Lot {lot.number} owes a first-off: {names}." if codes else ""


def positions_of(conn: Conn, c: Characteristic, gauge: str) -> tuple[str, ...]:
    """Positions on the part at which a characteristic was measured with a gauge, where positions are kept apart."""
    if "position" not in c.separating:
        return ()
    ids = [i for group in lookups.conditions_of(conn, c.id) for i in group.ids]
    known = lookups.load_conditions(conn, ids)
    found = [known[i].position for i in sorted(known) if known[i].gauge == gauge and known[i].position]
    return tuple(dict.fromkeys(found))


def owe(session: Session, lot: str, code: str, count: int, position: str, due: str) -> str:
    """Have a lot owe more samples, due at a moment written as '14:30' (the next such time) or with its day.

    Raises UnknownRecord, UsageError, Refused.
    """
    require(session.actor, "open lots")
    with session.store.write(session.actor, session.plant.id) as writer:
        found = lookups.lot(writer.conn, lot)
        c = lookups.characteristic(writer.conn, found.part.number, code, found.segment.from_us)
        due_us = next_moment(session, due, writer.now_us) if due.strip() else None
        registry.owe_test(writer, found.id, c.id, count=count, position=position.strip(), due_us=due_us)
    by = "" if due_us is None else f", due {session.moment(due_us)}"
    return f"Lot {lot} owes {count} more {code}{by}."


def next_moment(session: Session, text: str, now_us: int) -> int:
    """The moment written: a time of day is the next one after now. Raises UsageError."""
    if ":" not in text or "-" in text:
        return moment_of(session, text)
    today = session.moment(now_us)[:10]
    found = moment_of(session, f"{today} {text.strip().zfill(5)}")
    return found if found >= now_us else found + 24 * HOUR_US


def history_of(conn: Conn, lot: Lot, c: Characteristic) -> History:
    """What was usual of a characteristic until this lot; nothing where it hangs on a moulding lot that is not named."""
    owner = lot if c.hangs_on == "lot" else lot.segment.upper
    return History() if owner is None else reading_context(conn, owner, c).history


@dataclass(frozen=True, slots=True)
class WaitingLot:
    """A lot that owes tests. `owed`: how many of each code; `due_us`: the first moment that was set for one; None: none."""

    number: str
    part: str
    station: str
    started_us: int
    ended_us: int | None
    owed: Mapping[str, int]
    due_us: int | None


def waiting_lots(conn: Conn, most: int = 200) -> tuple[WaitingLot, ...]:
    """Lots that owe tests: those with a moment set first, by that moment, then the oldest."""
    tests = lookups.due_tests(conn, most)
    standing = lookups.where_lots_stand(conn, {t.lot_id for t in tests})
    found: dict[int, WaitingLot] = {}
    for test in tests:
        station, ended_us = standing[test.lot_id]
        held = found.get(test.lot_id)
        owed = dict(held.owed) if held else {}
        owed[test.owed.code] = owed.get(test.owed.code, 0) + test.owed.missing
        due = [x for x in (held.due_us if held else None, test.owed.due_us) if x is not None]
        found[test.lot_id] = WaitingLot(
            test.lot_number,
            test.part_number,
            station,
            test.started_us,
            ended_us,
            owed,
            min(due, default=None),
        )
    return tuple(found.values())
