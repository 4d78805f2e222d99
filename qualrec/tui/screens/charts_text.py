"""From a chart of `assess` to what the Charts place draws and says. Pure: no widget, no records."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import isfinite
from typing import TYPE_CHECKING

from qualrec.tui.labels import DecimalStyle, count, number
from qualrec.tui.widgets.plot_canvas import Mark
from qualrec.tui.widgets.plot_sequence import EventMark, LimitSpan, SequencePlot, Words

if TYPE_CHECKING:
    from qualrec.assess import ChartView, TrialLimits
    from qualrec.stats.results import Chart, Signal, Track
    from qualrec.values import Characteristic, Limits, LotSeries

Moment = Callable[[int | None], str]

EWMA, SPREAD = "EWMA", "standard deviation"
FIRST_STEPS = (
    "Log readings of this characteristic at the Bench; each lot becomes one point.",
    "With two lots or more, trial limits are worked out from all points shown.",
    "After about 25 lots, leave out lots with a known cause and freeze the limits.",
)


@dataclass(frozen=True, slots=True)
class Sheet:
    """What is drawn: the main chart with its heading, the spread chart below it or None, the name of the main track.

    `between` is the EWMA beside the lot means, drawn where there is room for three.
    """

    main: SequencePlot
    spread: SequencePlot | None
    heading: str
    track: str
    between: SequencePlot | None = None


@dataclass(frozen=True, slots=True)
class Look:
    """How the user wants to see the points."""

    ewma: bool = False
    spread: bool = True
    style: DecimalStyle = "point"


@dataclass(frozen=True, slots=True)
class StreamRow:
    """One stream beside the others."""

    label: str
    lots: int
    n: int
    mean: float
    within: float
    low: float
    high: float


def decimals_of(c: Characteristic) -> int | None:
    """Decimals of a mean; None where counts are drawn."""
    return c.decimals + 1 if c.kind == "measured" else None


def track_of(chart: Chart, name: str) -> Track | None:
    return next((track for track in chart.tracks if track.name == name), None)


def view_sheet(view: ChartView, look: Look) -> Sheet:
    """The chart under the limits on record."""
    spans = [
        (span.first, span.last + 1, f"v{span.version}" if span.limits is not None else span.state)
        for span in view.spans
    ]
    marks = [
        Mark.LEFT_OUT if point.left_out else Mark.CORRECTED if point.corrected else Mark.PLAIN
        for point in view.points
    ]
    found = _sheet(view.characteristic, view.chart, view.series, spans, view.signals, marks, look)
    events = events_of(view)
    main = replace(found.main, events=events)
    return replace(found, main=main, heading=f"{found.heading}   {limits_words(view)}")


def trial_sheet(
    trial: TrialLimits, signals: Sequence[Signal], corrected: Sequence[bool], look: Look
) -> Sheet:
    """The same points under limits that were worked out on request and are not stored."""
    out = {item.lot_number for item in trial.left_out}
    marks = [
        Mark.LEFT_OUT if name in out else Mark.CORRECTED if changed else Mark.PLAIN
        for name, changed in zip(trial.series.numbers, corrected, strict=True)
    ]
    spans = [(0, len(trial.series), "trial")]
    shown = [s for s in signals if trial.series.numbers[s.points[-1]] not in out]
    found = _sheet(trial.characteristic, trial.chart, trial.series, spans, shown, marks, look)
    used = count(len(trial.used_lots), "lot", "lots")
    return replace(found, heading=f"{found.heading}   TRIAL limits from {used}, nothing stored")


def _sheet(
    c: Characteristic,
    chart: Chart,
    series: LotSeries,
    spans: Sequence[tuple[int, int, str]],
    signals: Sequence[Signal],
    marks: Sequence[Mark],
    look: Look,
) -> Sheet:
    ewma, spread = track_of(chart, EWMA), track_of(chart, SPREAD)
    main = ewma if look.ewma and ewma is not None else chart.tracks[0]
    below = spread if look.spread else None
    on_main = [s for s in signals if below is None or s.track != SPREAD]
    decimals = decimals_of(c)

    def figure(value: float) -> str:
        return number(value, decimals, look.style)

    plot = SequencePlot(
        main.values.tolist(),
        flagged(marks, on_main),
        series.numbers,
        limit_spans(main, spans),
        spec_lower=c.lsl if c.kind == "measured" else None,
        spec_upper=c.usl if c.kind == "measured" else None,
        number=figure,
    )
    between = None
    if ewma is not None and main is not ewma:
        between = SequencePlot(
            ewma.values.tolist(),
            flagged([Mark.PLAIN] * len(series), [s for s in signals if s.track == EWMA]),
            series.numbers,
            limit_spans(ewma, spans),
            number=figure,
            words=Words(
                upper=("EWMA upper", "E up"), centre=("EWMA centre", "EWMA"), lower=("EWMA lower", "E low")
            ),
        )
    spread_plot = None
    if below is not None:
        spread_plot = SequencePlot(
            below.values.tolist(),
            flagged([Mark.PLAIN] * len(series), [s for s in signals if s.track == SPREAD]),
            series.numbers,
            limit_spans(below, spans),
            number=figure,
            words=Words(upper=("s upper", "s up"), centre=("s centre", "s"), lower=("s lower", "s low")),
        )
    return Sheet(plot, spread_plot, f"{main.name}, {c.unit}" if c.unit else main.name, main.name, between)


def flagged(marks: Sequence[Mark], signals: Sequence[Signal]) -> list[Mark]:
    """The marks with every point at which a signal ends as high or low; a flag is never hidden by another mark."""
    found = list(marks)
    for signal in signals:
        at = signal.points[-1]
        found[at] = max(found[at], Mark.LOW if signal.side < 0 else Mark.HIGH)
    return found


def limit_spans(track: Track, spans: Sequence[tuple[int, int, str]]) -> list[LimitSpan]:
    """The limits of a track as drawn: figures per point, for they may follow the size of a lot."""
    found = []
    for start, stop, version in spans:
        part = slice(start, stop)
        found.append(
            LimitSpan(
                start,
                stop,
                track.lower[part].tolist(),
                track.centre[part].tolist(),
                track.upper[part].tolist(),
                version,
            )
        )
    return found


def events_of(view: ChartView) -> list[EventMark]:
    """Every event before the point it came before, by the letter of its kind."""
    from qualrec.weld.trade_rules import event_kinds

    kinds = event_kinds()
    return [
        EventMark(
            point.index,
            kinds[event.kind].marker if event.kind in kinds else "*",
            kinds[event.kind].word if event.kind in kinds else event.kind,
        )
        for point in view.points
        for event in point.events
    ]


def event_legend(view: ChartView) -> str:
    """The letters over the chart with their words."""
    return "  ".join(
        f"{letter} {text}" for letter, text in dict.fromkeys((e.letter, e.text) for e in events_of(view))
    )


def limits_words(view: ChartView) -> str:
    """Which limits are drawn, in a few words."""
    if view.state == "frozen":
        last = view.spans[-1]
        lots = len(last.limits.used_lots) if last.limits is not None else 0
        return f"limits v{last.version}, frozen, from {count(lots, 'lot', 'lots')}"
    return f"limits: {view.state}"


def signals_words(view: ChartView, most: int = 6) -> str:
    """The lots at which a signal ends, newest last."""
    numbers = list(dict.fromkeys(view.series.numbers[s.points[-1]] for s in view.signals))
    if not numbers:
        return "no signal"
    shown = numbers[-most:]
    dots = "... " if len(numbers) > most else ""
    return f"{count(len(numbers), 'point', 'points')} with a signal: {dots}{', '.join(shown)}"


def point_lines(view: ChartView, index: int) -> list[str]:
    """Everything known about a point, signals and causes first after its figures."""
    return list(view.points[index].lines)


def point_summary(view: ChartView, index: int, room: int, more: str) -> str:
    """The point in at most about `room` characters: its name, what is wrong, the rest; `more`: key for all."""
    lines = point_lines(view, index)
    wrong = [line for line in lines if line.startswith(("Signal", "Left out", "It holds"))]
    rest = [line for line in lines[1:] if line not in wrong]
    return shortened([lines[0], *(line.rstrip(".") for line in wrong), *rest], room, more)


def shortened(lines: Sequence[str], room: int, more: str) -> str:
    """The lines one behind the other in at most about `room` characters; `more`: key for all."""
    text = "; ".join(lines)
    end = f" ... {more}: all"
    return text if len(text) <= room else text[: room - len(end) - 20].rsplit(" ", 1)[0] + end


def history_lines(
    history: Sequence[Limits], moment: Moment, c: Characteristic, style: DecimalStyle
) -> list[str]:
    """All limits ever worked out and stored for the chart, newest first, in words."""
    if not history:
        return ["No limits are on record. Trial limits are worked out on request and frozen with a reason."]
    decimals = decimals_of(c)
    lines: list[str] = []
    for item in sorted(history, key=lambda h: -h.version):
        ends = f"{number(item.lower, decimals, style)} to {number(item.upper, decimals, style)}"
        lines += [
            f"Version {item.version}   {item.state}   for points from {moment(item.from_us)}",
            f"  centre {number(item.centre, decimals, style)}, limits {ends} {c.unit}".rstrip(),
            f"  sigma {number(item.sigma, decimals, style)} by {item.estimator}, from "
            f"{count(len(item.used_lots), 'lot', 'lots')}",
        ]
        if item.spread_sigma is not None and isfinite(item.spread_sigma):
            lines.append(f"  sigma within lots {number(item.spread_sigma, decimals, style)}")
        lines += [f"  left out: {out.lot_number}: {out.reason}" for out in item.left_out]
        frozen = f"frozen {moment(item.frozen_us)}" if item.frozen_us is not None else "not frozen"
        lines += [f"  {frozen} by {item.person}: {item.reason}", ""]
    return lines


def notes_lines(view: ChartView, price: Sequence[str] | None) -> list[str]:
    """How the chart was made, what it looks for, what that costs in false alarms."""
    lines = [f"Chart: {view.chart.method}.", ""]
    lines += [f"Looks for: {rule}" for rule in view.rules] or ["No rule is looked for."]
    cost = ["computing the run lengths of the chosen rules ..."] if price is None else list(price)
    lines += ["", *(f"Price: {line}" for line in cost)]
    lines += ["", *view.notes]
    legend = event_legend(view)
    if legend:
        lines += ["", f"Events over the chart: {legend}"]
    lines += ["", "Limits are never worked out again by themselves, and new limits clear no flag."]
    return lines


def trial_lines(trial: TrialLimits) -> list[str]:
    """The trial limits in words."""
    return [*trial.sentences, *trial.notes]


def compare_words(trial: TrialLimits, view: ChartView, style: DecimalStyle) -> str:
    """The trial limits beside those in force."""
    c = trial.characteristic
    decimals = decimals_of(c)
    new = trial.fields
    in_force = view.spans[-1].limits if view.spans else None
    pairs = [
        (name, None if in_force is None else getattr(in_force, name), new[name])
        for name in ("lower", "centre", "upper")
    ]
    words = []
    for name, old, value in pairs:
        if value is None and old is None:
            continue
        figure = number(None if value is None else float(value), decimals, style)
        words.append(
            f"{name} {figure}" if old is None else f"{name} {number(old, decimals, style)} → {figure}"
        )
    return ", ".join(words)


def stream_lines(rows: Sequence[StreamRow], c: Characteristic, width: int, style: DecimalStyle) -> list[str]:
    """Streams below each other: figures, and a strip with the mean between lowest and highest on one scale."""
    decimals = decimals_of(c)
    low = min(row.low for row in rows)
    high = max(row.high for row in rows)
    room = max(12, width - 50)
    lines = [f"{'stream':<10}{'lots':>5}{'n':>7}{'mean':>10}{'s in lots':>11}  lowest .. mean .. highest"]
    for row in rows:
        strip = _strip(row, low, high, room)
        mean, within = number(row.mean, decimals, style), number(row.within, decimals, style)
        lines.append(f"{row.label[:9]:<10}{row.lots:>5}{row.n:>7}{mean:>10}{within:>11}  {strip}")
    ends = f"{number(low, decimals, style)} .. {number(high, decimals, style)} {c.unit}".rstrip()
    return [*lines, "", f"One scale for all strips: {ends}."]


def _strip(row: StreamRow, low: float, high: float, room: int) -> str:
    def at(value: float) -> int:
        return 0 if high <= low else min(room - 1, int((value - low) / (high - low) * room))

    cells = [" "] * room
    for place in range(at(row.low), at(row.high) + 1):
        cells[place] = "─"
    cells[at(row.mean)] = "•"
    return "".join(cells).rstrip()


def stream_rows(series: Mapping[str, LotSeries]) -> list[StreamRow]:
    """Figures of each stream from its running figures; `within` pools the standard deviations of the lots."""
    rows = []
    for label, one in series.items():
        n = one.n.astype(float)
        many = one.n > 1
        df = float((n[many] - 1).sum())
        within = float((((n[many] - 1) * one.sd[many] ** 2).sum() / df) ** 0.5) if df else float("nan")
        total = float(n.sum())
        rows.append(
            StreamRow(
                label,
                len(one),
                int(total),
                float((n * one.mean).sum() / total),
                within,
                float(one.low.min()),
                float(one.high.max()),
            )
        )
    return rows
