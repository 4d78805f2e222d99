"""Gauges in lines: state as of now, due day, calibrations, checks, studies, lots measured."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from qualrec.tui.labels import DecimalStyle, Label, Tone, count, number
from qualrec.tui.widgets.pick_list import PickLine, Text
from qualrec.tui.widgets.record_table import Cell

if TYPE_CHECKING:
    from qualrec.values import Gauge
    from qualrec.work.gauges import Doubt, GaugePage
    from qualrec.work.session import Session

DAY_US = 86_400_000_000
SOON_DAYS = 30
"""From this many days before its end a calibration is due soon (common practice, no source)."""
MOST_LOTS = 60

OVERDUE = Label("!", "!", "OVERDUE", Tone.BAD)
FOUND_BAD = Label("!", "!", "FOUND BAD", Tone.BAD)
SOON = Label("»", ">", "due soon", Tone.LOOK)
IN_DATE = Label("✓", "+", "in date", Tone.GOOD)
WITHDRAWN = Label("×", "x", "withdrawn", Tone.QUIET)
ORDER = (FOUND_BAD, OVERDUE, SOON, IN_DATE, WITHDRAWN)


@dataclass(frozen=True, slots=True)
class Seen:
    """What was read: the register, and the moment of reading."""

    session: Session
    gauges: tuple[Gauge, ...]
    now_us: int

    def gauge(self, key: str) -> Gauge | None:
        """The gauge of a line's key."""
        return next((g for g in self.gauges if key == f"gauge:{g.id}"), None)


def standing(gauge: Gauge, now_us: int) -> Label:
    """What a gauge is worth at a moment."""
    if gauge.state == "withdrawn":
        return WITHDRAWN
    if gauge.state == "found bad":
        return FOUND_BAD
    if gauge.overdue_at(now_us):
        return OVERDUE
    due = due_us(gauge)
    return SOON if due is not None and due - now_us < SOON_DAYS * DAY_US else IN_DATE


def due_us(gauge: Gauge) -> int | None:
    """End of the last good calibration; None without one."""
    return max((c.due_us for c in gauge.calibrations if c.verdict == "good"), default=None)


def due_words(gauge: Gauge, now_us: int) -> str:
    """'in 12 days', '3 days ago', 'never calibrated'."""
    due = due_us(gauge)
    if due is None:
        return "never calibrated"
    days = (due - now_us) // DAY_US
    return f"in {count(days, 'day', 'days')}" if days >= 0 else f"{count(-days, 'day', 'days')} ago"


def list_lines(seen: Seen) -> list[PickLine]:
    """The register, what needs attention first, then by due day."""
    ordered = sorted(
        seen.gauges,
        key=lambda g: (ORDER.index(standing(g, seen.now_us)), due_us(g) or 0, g.code),
    )
    lines = []
    for g in ordered:
        label, due = standing(g, seen.now_us), due_us(g)
        day = seen.session.moment(due)[:10] if due is not None else "-"
        parts = (
            f"{g.code:<9} ",
            Cell(label.text().ljust(12), label.tone),
            f" due {day:<10} {due_words(g, seen.now_us):<16} {g.name}",
        )
        lines.append(PickLine(f"gauge:{g.id}", parts))
    return lines


def gauge_detail(seen: Seen, g: Gauge, page: GaugePage | None, style: DecimalStyle) -> list[Text]:
    """Everything about a gauge; what has to be looked up is there once `page` is."""
    label, moment = standing(g, seen.now_us), seen.session.moment
    place = f", {g.place}" if g.place else ""
    lines: list[Text] = [
        Cell(f"{label.text()}  {g.code} {g.name}", label.tone),
        f"{g.family}{place}, {g.state}; calibrated every {g.interval_days} days, due {due_words(g, seen.now_us)}",
    ]
    facts = [
        f"{name} {number(v, None, style)} {g.unit}"
        for name, v in (("resolution", g.resolution), ("expanded uncertainty", g.uncertainty))
        if v is not None
    ]
    if g.verified_low is not None or g.verified_high is not None:
        ends = f"{number(g.verified_low, None, style)} to {number(g.verified_high, None, style)}"
        facts.append(f"verified {ends} {g.unit}")
    if facts:
        lines.append(", ".join(facts))
    if label in (OVERDUE, FOUND_BAD):
        lines.append(Cell("Results taken with it are marked; they are not used in silence.", Tone.BAD))
    lines += ["", "Calibrations, newest first:", *_calibrations(seen, g, style)]
    if page is None:
        return lines
    if page.checks:
        lines += ["", "Checks between calibrations, newest first:"]
        for check in reversed(page.checks[-20:]):
            tone = Tone.BAD if check.verdict == "bad" else None
            text = (
                f"  {moment(check.at_us)}  {number(check.found, None, style)} for "
                f"{number(check.reference, None, style)} +- {number(check.tolerance, None, style)} {g.unit}: "
                f"{check.verdict}, {check.person}  {check.remark}"
            )
            lines.append(Cell(text.rstrip(), tone))
    for study in page.studies:
        done = moment(study.done_us)[:10] or study.state
        lines.append(f"Study {study.number}, {study.kind}: {study.verdict or 'no verdict yet'} ({done})")
    if not page.studies:
        lines += ["", Cell("No study of this gauge is on record: its own scatter is not known.", Tone.LOOK)]
    for text in doubt_lines(seen.session, page.doubts):
        lines.append(Cell(text, Tone.BAD) if "in doubt" in text else text)
    return [*lines, "", *_lots(seen, page)]


def doubt_lines(session: Session, doubts: Iterable[Doubt]) -> list[str]:
    """Stretches in which gauges were in doubt, and for each lot where it stands."""
    lines: list[str] = []
    for doubt in doubts:
        since = session.moment(doubt.from_us)[:10] or "the beginning"
        until = session.moment(doubt.until_us)[:10] or "now"
        open_lots = len(doubt.open_lots)
        lines += ["", f"{doubt.gauge} in doubt from {since} to {until}: {doubt.why}"]
        lines.append(f"  {count(len(doubt.lots), 'lot', 'lots')}, {open_lots} not settled")
        for lot in doubt.lots:
            gone = f", {count(lot.shipped, 'part', 'parts')} shipped" if lot.shipped else ""
            made = session.moment(lot.at_us)[:10]
            lines.append(f"  {lot.number}  {lot.part}  {made}  {lot.state}{gone}: {lot.standing}")
    return lines


def _calibrations(seen: Seen, g: Gauge, style: DecimalStyle) -> list[Text]:
    lines: list[Text] = []
    for c in reversed(g.calibrations):
        figures = [
            f"{name} {number(v, None, style)}"
            for name, v in (("as found", c.as_found), ("as left", c.as_left))
            if v is not None
        ]
        about = ", ".join(x for x in (c.certificate, c.standard, *figures) if x)
        tone = Tone.BAD if c.verdict == "bad" else None
        days = f"{seen.session.moment(c.at_us)[:10]} to {seen.session.moment(c.due_us)[:10]}"
        lines.append(Cell(f"  {days}  {c.verdict}  {about}".rstrip(), tone))
    return lines or ["  none"]


def _lots(seen: Seen, page: GaugePage) -> list[Text]:
    since = (
        "all lots measured with it (no good calibration)"
        if page.since is None
        else f"measured since the last good calibration, {seen.session.moment(page.since.at_us)[:10]}"
    )
    lines: list[Text] = [f"{count(len(page.lots), 'lot', 'lots')} {since}:"]
    for row in reversed(page.lots[-MOST_LOTS:]):
        lines.append(
            f"  {row.number}  {row.part_number}  {row.state}  {seen.session.moment(row.started_us)[:10]}"
        )
    if len(page.lots) > MOST_LOTS:
        lines.append(f"  and {len(page.lots) - MOST_LOTS} earlier ones")
    return lines
