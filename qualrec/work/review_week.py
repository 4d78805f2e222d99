"""The weekly quality review: what happened in a week, and what stands now."""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Callable, Sequence
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

import numpy as np

from qualrec import __version__
from qualrec.assess import capability_report
from qualrec.assess.loading import Conn
from qualrec.errors import ComputeError, UsageError
from qualrec.export.document import Document
from qualrec.export.messages import LANGUAGES
from qualrec.export.problem import discipline
from qualrec.export.review import (
    Drift,
    GaugeDue,
    HeldLot,
    OpenProblem,
    Review,
    Standing,
    WeekModes,
)
from qualrec.export.review_document import review_document
from qualrec.judge import kinds
from qualrec.records import lookups, trail
from qualrec.records.lookups import ProblemReport
from qualrec.records.trail import Head
from qualrec.values import Characteristic, Flag, Gauge, Limits, LotSeries, Part
from qualrec.weld.failure_modes import FailureMode
from qualrec.work import outfile
from qualrec.work.days import EPOCH
from qualrec.work.label import state_turn
from qualrec.work.outfile import Made
from qualrec.work.safekeeping import anchor_text
from qualrec.work.session import Session

Say = Callable[[str], None]
DAY_US = 86_400_000_000
GAUGE_DAYS, CONCESSION_DAYS = 14, 30
"""How far ahead gauges and concessions are looked at; common practice, no source."""
LEFT_SHARE = 0.1
"""A concession of which less than this share is left is used up soon."""
TREND_POINTS, FEWEST_FOR_TREND = 12, 8
HELD_STATES = ("on hold", "suspect, shipped")
CHART_KINDS = (
    kinds.LOT_MEAN,
    kinds.LOT_SPREAD,
    kinds.LOT_COUNT,
    kinds.EWMA,
    kinds.RUN_RULE,
    kinds.CHANGE_POINT,
)
_WEEK = re.compile(r"(\d{4})-?[Ww](\d{1,2})")


def week_of(session: Session, text: str | None = None) -> tuple[str, date]:
    """A week as '2026-W14' with its Monday (ISO 8601); None: the week that runs now. Raises UsageError."""
    if text is None:
        now = datetime.fromtimestamp(session.store.clock() / 1e6, UTC).astimezone(session.zone)
        year, week, _ = now.isocalendar()
    else:
        found = _WEEK.fullmatch(text.strip())
        if found is None:
            raise UsageError(f"{text!r} is no week.", "Write year and week as 2026-W14 (ISO 8601).")
        year, week = int(found.group(1)), int(found.group(2))
    try:
        monday = date.fromisocalendar(year, week, 1)
    except ValueError as error:
        raise UsageError(f"The year {year} has no week {week}.", "Give a week from 1 to 52 or 53.") from error
    return f"{year}-W{week:02d}", monday


def gather(
    session: Session,
    week: str | None = None,
    *,
    language: str = "en",
    capability: bool = True,
    say: Say | None = None,
) -> Review:
    """The review of a week; `capability` of special characteristics takes longest and may be left out.

    `say` is told what is being looked at. Raises UsageError for a week that is none.
    """
    if language not in LANGUAGES:
        raise UsageError(f"{language!r} is no language of exports.", f"Use one of: {', '.join(LANGUAGES)}.")
    name, monday = week_of(session, week)
    from_us, until_us = (_midnight(session, monday + timedelta(days=n)) for n in (0, 7))
    now_us = session.store.clock()
    head = trail.head(session.store, session.plant.id)
    with session.store.read() as conn:
        looking = _Looking(session, conn, from_us, until_us, now_us, say)
        return looking.review(name, monday, language, head, capability=capability)


def document(review: Review) -> Document:
    """The review as a document."""
    return review_document(review)


def write(review: Review, to: Path, *, replace: bool = False) -> Made:
    """Write the review as a workbook or a PDF file."""
    digest = outfile.put_document(document(review), to, replace=replace)
    said = (
        f"{to} written: review of week {review.week}.",
        f"SHA-256 {digest}",
        f"Head of the record chain: {review.anchor}",
    )
    return Made(to, digest, review.trail_seq, review.trail_digest, said)


def _midnight(session: Session, day: date) -> int:
    local = datetime.combine(day, time(), tzinfo=session.zone)
    return (local.astimezone(UTC) - EPOCH) // timedelta(microseconds=1)


def _problem(report: ProblemReport, now_us: int, language: str) -> OpenProblem:
    step = report.next_step
    coming = "" if step is None else f"{step.code} {discipline(step.code, language).name}"
    return OpenProblem(
        report.number, report.title, report.opened_us, report.due_us, coming, report.overdue(now_us)
    )


class _Looking:
    """The reads of one review."""

    def __init__(
        self, session: Session, conn: Conn, from_us: int, until_us: int, now_us: int, say: Say | None
    ) -> None:
        self.session, self.conn = session, conn
        self.from_us, self.until_us, self.now_us = from_us, until_us, now_us
        self.say = say

    def review(self, week: str, monday: date, language: str, head: Head, *, capability: bool) -> Review:
        """The review, with `capability` of special characteristics or without."""
        conn = self.conn
        opened = lookups.flags_opened(conn, self.from_us, self.until_us)
        standing = lookups.standing_flags(conn)
        welded = lookups.lots_welded(conn, self.from_us, self.until_us)
        parts = lookups.parts(conn)
        return Review(
            plant=self.session.plant,
            language=language,
            week=week,
            first_day=monday.isoformat(),
            last_day=(monday + timedelta(days=6)).isoformat(),
            from_us=self.from_us,
            until_us=self.until_us,
            made_us=self.now_us,
            welded=len(welded),
            readings=sum(row.readings for row in lookups.load_lot_rows(conn, welded).values()),
            decided=lookups.decided_between(conn, self.from_us, self.until_us),
            opened=opened,
            closed=lookups.flags_closed(conn, self.from_us, self.until_us),
            standing=(standing.levels.get("H", 0), standing.levels.get("R", 0), standing.levels.get("I", 0)),
            oldest_holding_us=standing.oldest_holding_us,
            held=self.held(),
            drift=tuple(d for p in parts for d in self.drift(p, opened)),
            modes=tuple(m for p in parts for m in self.modes(p, welded)),
            capability=tuple(s for p in parts for s in self.capability(p)) if capability else None,
            gauges=self.gauges(),
            containments=self.containments(),
            owed=lookups.due_tests(conn),
            integrity=lookups.integrity_rows(conn, self.from_us, self.until_us - 1),
            concessions=self.concessions(),
            changes=lookups.temporary_changes(conn, state="open"),
            revisions=lookups.recipe_turns(conn, self.from_us, self.until_us),
            problems=tuple(_problem(p, self.now_us, language) for p in lookups.problems(conn, state="open")),
            gauge_days=GAUGE_DAYS,
            concession_days=CONCESSION_DAYS,
            program_version=__version__,
            anchor=anchor_text(head),
            trail_seq=head.seq,
            trail_digest=head.digest,
        )

    def held(self) -> tuple[HeldLot, ...]:
        """Lots on hold or suspect, longest first."""
        ids = lookups.lots_in_state(self.conn, *HELD_STATES)
        rows, flags = lookups.load_lot_rows(self.conn, ids), lookups.flags_of_lots(self.conn, ids)
        found = []
        for one in ids:
            turn = state_turn(lookups.trail_of(self.conn, "lot", one))
            since = rows[one].started_us if turn is None else turn.at_us
            because = dict.fromkeys(
                f"{f.kind}{f' ({f.code})' if f.code else ''}"
                for f in flags.get(one, ())
                if f.level == "H" and f.scope != "process" and f.state != "closed"
            )
            found.append(HeldLot(rows[one], since, (self.now_us - since) / DAY_US, tuple(because)))
        return tuple(sorted(found, key=lambda h: (h.since_us, h.lot.id)))

    def drift(self, part: Part, opened: Sequence[Flag]) -> list[Drift]:
        """Characteristics of a part that have points in the week."""
        known = {c.id: c for c in lookups.characteristics(self.conn, part.number) if c.kind == "measured"}
        if not known:
            return []
        limits = lookups.all_limits_in_force(self.conn, self.until_us, characteristic_ids=list(known))
        many = lookups.lot_series_many(self.conn, list(known), until_us=self.until_us - 1)
        signals = Counter(f.characteristic_id for f in opened if f.kind in CHART_KINDS)
        found = []
        for one, c in known.items():
            for series in many.get(one, ())[:1]:
                in_force = limits.get((one, 0, series.condition_id))
                drift = self._drift(part, c, series, in_force, signals[one])
                found += [drift] if drift is not None else []
        return found

    def _drift(
        self, part: Part, c: Characteristic, series: LotSeries, in_force: Limits | None, signals: int
    ) -> Drift | None:
        inside = (series.at_us >= self.from_us) & (series.at_us < self.until_us) & (series.n > 0)
        k = int(inside.sum())
        if not k:
            return None
        mean = float(series.mean[inside].mean())
        shift = None
        if in_force is not None and in_force.sigma > 0:
            shift = (mean - in_force.centre) / (in_force.sigma / math.sqrt(k))
        last = series.mean[: int(np.flatnonzero(inside)[-1]) + 1][-TREND_POINTS:]
        slope, p = _trend(last)
        return Drift(
            part=part.number, code=c.code, name=c.name, unit=c.unit, decimals=c.decimals, lots=k,
            n=int(series.n[inside].sum()), mean=mean, centre=None if in_force is None else in_force.centre, shift=shift,
            slope=slope, p=p, points=int(last.size), signals=signals,
        )  # fmt: skip

    def modes(self, part: Part, welded: Sequence[int]) -> list[WeekModes]:
        """Failure modes of the week's lots of a part."""
        found = []
        for c in lookups.characteristics(self.conn, part.number):
            if not c.strength or not welded:
                continue
            counts: Counter[str] = Counter()
            for one in lookups.mode_counts(self.conn, c.id, welded):
                if one.mode != FailureMode.TEST_FAULT:
                    counts[one.mode] += one.n
            if counts:
                ordered = tuple(sorted(counts.items()))
                interfacial = counts[FailureMode.INTERFACIAL]
                found.append(WeekModes(part.number, c.code, counts.total(), interfacial, ordered))
        return found

    def capability(self, part: Part) -> list[Standing]:
        """Standing of the special characteristics of a part, over all its lots."""
        found = []
        for c in lookups.characteristics(self.conn, part.number):
            if c.special_class not in kinds.SPECIAL_CLASSES:
                continue
            if self.say is not None:
                self.say(f"looking at {part.number} {c.code}")
            report = capability_report(self.conn, part.number, c.code)
            found.append(
                Standing(
                    part=part.number, code=c.code, name=c.name, special_class=c.special_class, index=report.index.name,
                    value=_finite(report.index.value), bound=_finite(report.index.bound),
                    requirement=report.evidence.requirement, n=report.readings, lots=report.lots, answer=report.answer,
                    remark=report.remark, sentence=report.chain.sentence,
                )
            )  # fmt: skip
        return found

    def gauges(self) -> tuple[GaugeDue, ...]:
        """Gauges in use or found bad that need something now or soon."""
        found = []
        for gauge in lookups.gauges(self.conn):
            standing = self._gauge(gauge)
            if standing:
                good = [c.due_us for c in gauge.calibrations if c.verdict == "good"]
                found.append(GaugeDue(gauge.code, gauge.name, gauge.state, max(good, default=None), standing))
        return tuple(found)

    def _gauge(self, gauge: Gauge) -> str:
        if gauge.state == "found bad":
            return "found bad"
        if gauge.state != "in use":
            return ""
        if gauge.overdue_at(self.now_us):
            return "overdue"
        return "due soon" if gauge.overdue_at(self.now_us + GAUGE_DAYS * DAY_US) else ""

    def containments(self) -> tuple[lookups.Containment, ...]:
        """Places that are open, and those begun in the week."""
        held = lookups.containments(self.conn)
        return tuple(c for c in held if c.state == "open" or self.from_us <= c.at_us < self.until_us)

    def concessions(self) -> tuple[lookups.Concession, ...]:
        """Concessions that end within `CONCESSION_DAYS`, or of which little is left."""
        found = []
        for c in lookups.concessions(self.conn):
            ends = (
                c.until_us is not None and self.now_us <= c.until_us <= self.now_us + CONCESSION_DAYS * DAY_US
            )
            left = None if c.quantity is None else c.quantity - c.used
            small = c.quantity is not None and left is not None and 0 < left <= LEFT_SHARE * c.quantity
            if ends or small:
                found.append(c)
        return tuple(found)


def _trend(means: np.ndarray[tuple[int], np.dtype[np.float64]]) -> tuple[float | None, float | None]:
    """Slope per lot and p of the last lot means; None for too few."""
    if means.size < FEWEST_FOR_TREND:
        return None, None
    from qualrec.stats.drift import trend

    try:
        found = trend(means)
    except ComputeError:
        return None, None
    return found.slope, found.p


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None
