"""Gauges: what is due, checks and calibrations as they are recorded, and the lots in doubt where one was found bad."""

from __future__ import annotations

from dataclasses import dataclass

from qualrec.assess.loading import Conn
from qualrec.errors import UsageError
from qualrec.intake.numbers import understand
from qualrec.judge.kinds import GAUGE_BAD
from qualrec.records import lookups, registry
from qualrec.records.ledger import Writer
from qualrec.records.lookups import GaugeCheck, Study
from qualrec.values import Calibration, Flag, Gauge, LotRow
from qualrec.work.days import end_of_day
from qualrec.work.judging import judge_and_store
from qualrec.work.rights import require
from qualrec.work.session import Session
from qualrec.work.trace import bad_spans

DAY_US = 86_400_000_000
MOST_LOTS = 500
ADJUSTED = "adjusted"
VERDICTS = ("good", "bad", ADJUSTED)
"""What a calibration found; 'adjusted': bad as found, good as left."""
SETTLED = ("scrapped", "reworked")


@dataclass(frozen=True, slots=True)
class GaugePage:
    """A gauge with its checks, studies, and the lots measured with it since its last good calibration.

    `since` None: no good calibration is on record, `lots` are then all lots measured with it. At most 500 lots. `doubts`: the
    stretches in which it was found bad, with the lots measured in them.
    """

    gauge: Gauge
    checks: tuple[GaugeCheck, ...]
    studies: tuple[Study, ...]
    since: Calibration | None
    lots: tuple[LotRow, ...]
    doubts: tuple[Doubt, ...]


@dataclass(frozen=True, slots=True)
class DueGauge:
    """A gauge in the list of what is due. `due_us` None: it was never found good. `checked`: its last check, None without one.

    `checked_today`: a check was recorded since midnight of the plant.
    """

    gauge: Gauge
    due_us: int | None
    overdue: bool
    checked: GaugeCheck | None
    checked_today: bool


@dataclass(frozen=True, slots=True)
class DoubtfulLot:
    """A lot or moulding lot measured while the gauge was in doubt.

    `codes`: what was measured with the gauge then. `shipped`: parts that left the house. `settled`: it is scrapped or reworked,
    or its flag of the gauge is closed; `standing` says so in words.
    """

    kind: str
    number: str
    part: str
    state: str
    at_us: int
    codes: tuple[str, ...]
    shipped: int
    customers: tuple[str, ...]
    standing: str
    settled: bool


@dataclass(frozen=True, slots=True)
class Doubt:
    """A stretch in which a gauge is in doubt: from the last good calibration or check before a bad one to the next good
    calibration. None: without an end on that side."""

    gauge: str
    from_us: int | None
    until_us: int | None
    why: str
    lots: tuple[DoubtfulLot, ...]

    @property
    def open_lots(self) -> tuple[DoubtfulLot, ...]:
        return tuple(lot for lot in self.lots if not lot.settled)


def gauge_page(session: Session, gauge_id: int) -> GaugePage:
    """Everything on one gauge. Raises UnknownRecord."""
    with session.store.read() as conn:
        gauge = lookups.gauge_by_id(conn, gauge_id)
        good = [c for c in gauge.calibrations if c.verdict == "good"]
        since = good[-1] if good else None
        from_us = None if since is None else since.at_us
        lots = lookups.lots_touched(conn, gauge_id=gauge_id, from_us=from_us, limit=MOST_LOTS)
        studies = tuple(s for s in lookups.studies(conn) if s.gauge_id == gauge_id)
        checks = lookups.gauge_checks(conn, gauge_id)
        return GaugePage(gauge, checks, studies, since, lots, _doubts(session, conn, gauge))


def due_list(session: Session, within_days: int | None = None) -> tuple[DueGauge, ...]:
    """Gauges in use or found bad by due day, overdue ones first; `within_days`: only those due so soon (overdue ones too)."""
    now = session.store.clock()
    midnight = end_of_day(session, session.moment(now)[:10]) - DAY_US
    found = []
    with session.store.read() as conn:
        for gauge in lookups.gauges(conn):
            if gauge.state == "withdrawn":
                continue
            due = max((c.due_us for c in gauge.calibrations if c.verdict == "good"), default=None)
            if within_days is not None and due is not None and due > now + within_days * DAY_US:
                continue
            checks = lookups.gauge_checks(conn, gauge.id)
            last = checks[-1] if checks else None
            today = last is not None and last.at_us > midnight
            found.append(DueGauge(gauge, due, gauge.overdue_at(now), last, today))
    return tuple(sorted(found, key=lambda d: (not d.overdue, d.due_us or 0, d.gauge.code)))


def in_doubt(session: Session, code: str | None = None) -> tuple[Doubt, ...]:
    """Lots measured while a gauge (or any) was in doubt, stretch by stretch, each with where it stands now."""
    with session.store.read() as conn:
        gauges = lookups.gauges(conn) if code is None else (lookups.gauge(conn, code),)
        return tuple(doubt for gauge in gauges for doubt in _doubts(session, conn, gauge))


def _doubts(session: Session, conn: Conn, gauge: Gauge) -> tuple[Doubt, ...]:
    checks = lookups.gauge_checks(conn, gauge.id)
    found = []
    for from_us, until_us in bad_spans(gauge.calibrations, checks, gauge.state):
        lots = (
            *_lots(session, conn, gauge, from_us, until_us),
            *_moulding_lots(conn, gauge, from_us, until_us),
        )
        found.append(
            Doubt(gauge.code, from_us, until_us, _why(session, gauge, checks, from_us, until_us), lots)
        )
    return tuple(found)


def _why(
    session: Session,
    gauge: Gauge,
    checks: tuple[GaugeCheck, ...],
    from_us: int | None,
    until_us: int | None,
) -> str:
    """The first bad calibration or check of the stretch, in words."""

    def inside(at_us: int) -> bool:
        return (from_us is None or at_us > from_us) and (until_us is None or at_us <= until_us)

    told = [
        (c.at_us, f"calibration of {session.moment(c.at_us)[:10]} bad" + _as_found(c.as_found, gauge.unit))
        for c in gauge.calibrations
        if c.verdict == "bad" and inside(c.at_us)
    ]
    told += [
        (
            c.at_us,
            f"check of {session.moment(c.at_us)[:10]} bad: {c.found:g} for {c.reference:g} {gauge.unit}".rstrip(),
        )
        for c in checks
        if c.verdict == "bad" and inside(c.at_us)
    ]
    return min(told)[1] if told else "marked as found bad"


def _as_found(value: float | None, unit: str) -> str:
    return "" if value is None else f", as found {value:g} {unit}".rstrip()


def _lots(
    session: Session, conn: Conn, gauge: Gauge, from_us: int | None, until_us: int | None
) -> tuple[DoubtfulLot, ...]:
    rows = lookups.lots_touched(conn, gauge_id=gauge.id, from_us=from_us, until_us=until_us, limit=MOST_LOTS)
    ids = [row.id for row in rows]
    sent = lookups.load_shipments(conn, ids)
    flags = lookups.flags_of_lots(conn, ids)
    found = []
    for row in rows:
        gone = sent.get(row.id, ())
        own = [f for f in flags.get(row.id, ()) if f.kind == GAUGE_BAD]
        standing, settled = _standing(session, row.state, own)
        found.append(
            DoubtfulLot(
                kind="lot",
                number=row.number,
                part=row.part_number,
                state=row.state,
                at_us=row.started_us,
                codes=tuple(dict.fromkeys(f.code for f in own if f.code)),
                shipped=sum(s.quantity for s in gone),
                customers=tuple(dict.fromkeys(s.customer for s in gone if s.customer)),
                standing=standing,
                settled=settled,
            )
        )
    return tuple(found)


def _standing(session: Session, state: str, flags: list[Flag]) -> tuple[str, bool]:
    """Where a lot in doubt stands, and whether it is settled."""
    if state in SETTLED:
        return state, True
    if not flags:
        return "not judged since", False
    open_ones = [f for f in flags if f.state != "closed"]
    if open_ones:
        return f"flag {session.short_id(open_ones[0].id)} {open_ones[0].state}", False
    closed = max((f.closed_us or 0 for f in flags), default=0)
    return f"settled {session.moment(closed)[:10]}", True


def _moulding_lots(
    conn: Conn, gauge: Gauge, from_us: int | None, until_us: int | None
) -> tuple[DoubtfulLot, ...]:
    """Moulding lots measured with the gauge; what was welded from them stands among the lots."""
    ids = lookups.moulding_lots_measured(conn, gauge.id, from_us, until_us)
    lots = lookups.load_moulding_lots(conn, ids)
    return tuple(
        DoubtfulLot(
            kind="moulding lot",
            number=lots[i].number,
            part=lots[i].component.number,
            state=lots[i].state,
            at_us=lots[i].moulded_us,
            codes=(),
            shipped=0,
            customers=(),
            standing="blocked" if lots[i].state in ("on hold", "refused") else "see its lots",
            settled=True,
        )
        for i in ids
    )


def record_check(
    session: Session, code: str, *, reference: str, found: str, tolerance: str, remark: str = ""
) -> str:
    """Record a check of a gauge against a reference, figures as typed. A bad one marks the gauge, and the lots measured with
    it since it was last found good are judged again. Raises UsageError."""
    require(session.actor, "log readings")
    with session.store.write(session.actor, session.plant.id) as writer:
        gauge = lookups.gauge(writer.conn, code)
        values = [understand(text, gauge.unit).value for text in (reference, found, tolerance)]
        check = registry.add_gauge_check(
            writer,
            gauge.id,
            writer.now_us,
            reference=values[0],
            found=values[1],
            tolerance=values[2],
            remark=remark,
        )
        done = next(c for c in lookups.gauge_checks(writer.conn, gauge.id) if c.id == check)
        doubtful = _judge_doubtful(session, writer, code) if done.verdict == "bad" else ""
    off = f"{code}: {found.strip()} found for {reference.strip()}, tolerance {tolerance.strip()} {gauge.unit}"
    if done.verdict == "good":
        return f"{off}: good."
    return f"{off}: BAD. The gauge is marked as found bad; do not measure with it.{doubtful}"


def record_calibration(
    session: Session,
    code: str,
    *,
    day: str,
    verdict: str = "",
    certificate: str = "",
    as_found: str = "",
    as_left: str = "",
    standard: str = "",
    limit: str = "",
) -> str:
    """Record a calibration of a day (2026-11-30); due again after the gauge's interval.

    `verdict` 'good', 'bad', or 'adjusted': bad as found, good as left, which puts the lots measured since the last good one in
    doubt and takes the gauge back into use. Without a verdict it follows from the largest permissible error `limit`. Raises
    UsageError.
    """
    require(session.actor, "record calibrations")
    at_us = min(end_of_day(session, day), session.store.clock())
    with session.store.write(session.actor, session.plant.id) as writer:
        gauge = lookups.gauge(writer.conn, code)

        def read(text: str) -> float | None:
            return understand(text, gauge.unit).value if text.strip() else None

        found, left, most = read(as_found), read(as_left), read(limit)
        chosen = _verdict(verdict, found, left, most)
        steps = {"good": ("good",), "bad": ("bad",), ADJUSTED: ("bad", "good")}[chosen]
        for step, one in enumerate(steps):
            registry.add_calibration(
                writer,
                gauge.id,
                at_us - len(steps) + 1 + step,
                verdict=one,
                as_found=found if step == 0 else None,
                as_left=left if step == len(steps) - 1 else None,
                certificate=certificate,
                standard=standard,
            )
        doubtful = _judge_doubtful(session, writer, code) if chosen != "good" else ""
        now = lookups.gauge(writer.conn, code)
    due = session.moment(max(c.due_us for c in now.calibrations))[:10]
    done = f"Calibration of {code} recorded: {chosen}. The gauge is {now.state}"
    return f"{done}, due again {due}.{doubtful}" if chosen != "bad" else f"{done}.{doubtful}"


def _verdict(given: str, found: float | None, left: float | None, most: float | None) -> str:
    """The verdict as given, else as the errors found and left say against the largest permissible one."""
    if given:
        if given not in VERDICTS:
            raise UsageError(f"Verdict {given!r} is not known.", f"Use one of: {', '.join(VERDICTS)}.")
        return given
    if most is None or (found is None and left is None):
        raise UsageError(
            "The verdict is missing.", "Give it, or give the errors with the largest permissible error."
        )
    good = [abs(value) <= abs(most) * (1 + 1e-9) for value in (found, left) if value is not None]
    if not good[-1]:
        return "bad"
    return "good" if good[0] else ADJUSTED


def _judge_doubtful(session: Session, writer: Writer, code: str) -> str:
    """Judge the lots in doubt again, so that each carries its flag; says how many there are."""
    gauge = lookups.gauge(writer.conn, code)
    numbers = {
        lot.number: lot.shipped
        for doubt in _doubts(session, writer.conn, gauge)
        for lot in doubt.lots
        if lot.kind == "lot" and not lot.settled
    }
    for number in numbers:
        judge_and_store(writer, number)
    if not numbers:
        return " No lot was measured with it since it was last found good."
    gone = sum(1 for shipped in numbers.values() if shipped)
    return (
        f" {len(numbers)} {'lot' if len(numbers) == 1 else 'lots'} measured with it since it was last found good "
        f"{'is' if len(numbers) == 1 else 'are'} in doubt, {gone} of them left the house."
    )
