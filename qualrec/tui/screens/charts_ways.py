"""Ways to look at the points of a chart: another kind of chart, groups told apart, several characteristics as strips.

From what `assess` gives to what is drawn and said. Pure: no widget, no records.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import isfinite
from typing import TYPE_CHECKING

from qualrec.tui.labels import DecimalStyle, count, number
from qualrec.tui.screens.charts_text import Look, Sheet, decimals_of, flagged, limit_spans
from qualrec.tui.widgets.plot_canvas import Mark, glyphs
from qualrec.tui.widgets.plot_sequence import EventMark, Layer, LimitSpan, SequencePlot, Words
from qualrec.tui.widgets.strips import StripPlot

if TYPE_CHECKING:
    from qualrec.assess import ChartView
    from qualrec.assess.chart_kinds import KindView
    from qualrec.assess.chart_strata import Strata
    from qualrec.assess.chart_strips import Strip, Strips
    from qualrec.stats.results import Track
    from qualrec.values import Event

RECORD = "record"
REST_SIGNS = {"others": 7, "several in one lot": 8, "not on record": 9}
"""Places of the signs of groups that are no group of their own."""


@dataclass(frozen=True, slots=True)
class Way:
    """What the place shows: `kind` of chart, points told apart `by` groups, as `strips` the characteristics in `codes`."""

    kind: str = RECORD
    by: str = ""
    strips: bool = False
    codes: tuple[str, ...] = ()


# Another kind of chart.


def kind_sheet(view: ChartView, found: KindView, look: Look) -> Sheet:
    """The points as another kind of chart, its own limits drawn, marked as a view."""
    c = view.characteristic
    marks = [
        Mark.LEFT_OUT if p.left_out else Mark.CORRECTED if p.corrected else Mark.PLAIN for p in view.points
    ]
    main = found.track(found.main)
    assert main is not None
    own = main.name in ("lot mean",)

    def plot(track: Track, marks: Sequence[Mark], words: Words) -> SequencePlot:
        return SequencePlot(
            track.values.tolist(),
            flagged(marks, [s for s in found.signals if s.track == track.name]),
            view.series.numbers,
            limit_spans(track, [(0, len(view.series), "view")]),
            spec_lower=c.lsl if own and c.kind == "measured" else None,
            spec_upper=c.usl if own and c.kind == "measured" else None,
            number=lambda value: number(value, decimals_of(c), look.style),
            words=words,
        )

    below = found.track(found.below)
    spread = None
    if below is not None and look.spread:
        words = Words(
            upper=("upper limit", "upper"), centre=("centre", "centre"), lower=("lower limit", "lower")
        )
        spread = plot(below, [Mark.PLAIN] * len(view.series), words)
    shown = f"{main.name}, {c.unit}" if c.unit else main.name
    if below is not None:
        shown += f"; below: {below.name}"
    return Sheet(plot(main, marks, Words()), spread, f"VIEW: {found.kind.name}   {shown}", main.name)


def kind_words(found: KindView, key: str) -> str:
    """What the view is and is not, in one sentence; `key` leads back."""
    beyond = len({s.points[-1] for s in found.signals})
    return (
        f"A view, not the chart of record: {count(beyond, 'point', 'points')} beyond its limits, no flag is raised. "
        f"{found.basis}. {key}: another kind."
    )


def kind_point(found: KindView, index: int, c_decimals: int | None, style: DecimalStyle) -> list[str]:
    """The point in the view's own figures."""
    lines = []
    for track in found.chart.tracks:
        value = float(track.values[index])
        ends = [float(track.lower[index]), float(track.upper[index])]
        limits = " to ".join(number(end, c_decimals, style) for end in ends if isfinite(end))
        lines.append(
            f"In this view: {track.name} {number(value, c_decimals, style)}"
            + (f", limits {limits}" if limits else "")
        )
    return lines


# Groups told apart.


def layers_of(strata: Strata) -> list[Layer]:
    """The groups as layers, each with a sign of its own."""
    found, own = [], 0
    for group in strata.groups:
        sign = REST_SIGNS.get(group.name)
        if sign is None:
            sign, own = own, own + 1
        found.append(Layer(group.name, sign, group.values.tolist()))
    return found


def with_groups(sheet: Sheet, strata: Strata) -> Sheet:
    """The sheet with its points told apart."""
    return replace(sheet, main=replace(sheet.main, layers=layers_of(strata)))


def groups_legend(strata: Strata, ascii_only: bool, decimals: int | None, style: DecimalStyle) -> str:
    """Sign, name, mean of the readings and number of points of each group."""
    signs = glyphs(ascii_only).groups
    parts = [
        f"{signs[layer.sign]} {group.name} {number(group.mean, decimals, style)} ({group.lots})"
        for group, layer in zip(strata.groups, layers_of(strata), strict=True)
    ]
    return f"By {strata.division.single}, mean (points): " + "  ".join(parts)


# Several characteristics over one axis.


def strip_rows(found: Strips, style: DecimalStyle) -> list[StripPlot]:
    """The strips as they are drawn: points with the limits of record, signals and left-out lots by shape."""
    first = found.strips[0].code if found.strips else ""
    return [_strip_row(strip, first, found.numbers, style) for strip in found.strips]


def _strip_row(strip: Strip, first: str, numbers: Sequence[str], style: DecimalStyle) -> StripPlot:
    marks = [
        Mark.HIGH if side > 0 else Mark.LOW if side < 0 else Mark.LEFT_OUT if out else Mark.PLAIN
        for side, out in zip(strip.sides.tolist(), strip.left_out.tolist(), strict=True)
    ]
    limits = LimitSpan(0, len(numbers), strip.lower.tolist(), strip.centre.tolist(), strip.upper.tolist())

    def figure(value: float) -> str:
        return number(value, strip.decimals, style)

    def told(index: int) -> str:
        value = float(strip.values[index])
        return f"{figure(value)} {strip.unit}".rstrip() if isfinite(value) else "no value"

    related = f"r {number(strip.r, 2, style)} to {first}" if isfinite(strip.r) else ""
    words = Words(upper=("upper", "up"), centre=("centre", "mid"), lower=("lower", "low"))
    plot = SequencePlot(strip.values.tolist(), marks, numbers, [limits], number=figure, words=words)
    return StripPlot(f"{strip.code}  {strip.name}", related, plot, told)


def strip_events(found: Strips) -> list[EventMark]:
    """Every event before the lot it came before."""
    return [EventMark(at, *event_sign(event)) for at, held in enumerate(found.before) for event in held]


def event_sign(event: Event) -> tuple[str, str]:
    """Letter and word of an event."""
    from qualrec.weld.trade_rules import event_kinds

    kind = event_kinds().get(event.kind)
    return ("*", event.kind) if kind is None else (kind.marker, kind.word)


def strip_point(found: Strips, index: int, moment: str, style: DecimalStyle) -> list[str]:
    """Everything about a lot on the axis: its values, its signals, what happened since the lot before."""
    lines = [f"{found.numbers[index]}, {moment}"]
    for strip in found.strips:
        value = float(strip.values[index])
        text = number(value, strip.decimals, style)
        line = f"{strip.code} {text} {strip.unit}".rstrip() if isfinite(value) else f"{strip.code} no value"
        ends = [float(strip.lower[index]), float(strip.upper[index])]
        if isfinite(value) and any(isfinite(end) for end in ends):
            line += f", limits {' to '.join(number(end, strip.decimals, style) for end in ends)}"
        side = int(strip.sides[index])
        line += "  ! signal on its chart" if side else ""
        line += "  left out" if strip.left_out[index] else ""
        lines.append(line)
    lines += [f"Event before it: {event_sign(event)[1]}{_remark(event)}" for event in found.before[index]]
    return lines


def _remark(event: Event) -> str:
    return f" ({event.remark})" if event.remark else ""


def strips_state(found: Strips) -> str:
    """How many lots and which events stand over the strips."""
    letters = dict.fromkeys((mark.letter, mark.text) for mark in strip_events(found))
    shown = "  ".join(f"{letter} {text}" for letter, text in letters)
    return f"{count(len(found), 'lot', 'lots')} on one axis." + (f"   Events: {shown}" if shown else "")
