"""Everything about one point of a chart, in words: what the cursor shows."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from qualrec.assess.causes import restart_words
from qualrec.assess.chart_data import BuiltChart
from qualrec.assess.loading import moment_text
from qualrec.judge.kinds import shown
from qualrec.values import Characteristic, Event, LotSeries, ModeCount, Segment
from qualrec.weld.trade_rules import event_kinds


@dataclass(frozen=True, slots=True)
class PointText:
    """One point: its lot, marks for the drawing, and sentences."""

    index: int
    number: str
    lot_id: int
    at_us: int
    used: bool
    left_out: str
    """Reason why the limits do not rest on it; '' where they may."""
    corrected: bool
    signals: tuple[str, ...]
    events: tuple[Event, ...]
    """Events since the point before, up to this one."""
    lines: tuple[str, ...]


def point_texts(
    c: Characteristic,
    series: LotSeries,
    built: BuiltChart,
    segments: Mapping[int, Sequence[Segment]],
    events: Sequence[Event],
    modes: Sequence[ModeCount],
    zone: str,
) -> tuple[PointText, ...]:
    """One text for each point, in order."""
    signals: dict[int, list[str]] = defaultdict(list)
    for signal in built.signals:
        signals[signal.points[-1]].append(signal.text)
    left_out = {out.lot_id: out.reason for out in built.left_out}
    anew = {r.index: restart_words(r, series, zone) for r in built.restarts}
    by_lot: dict[int, list[ModeCount]] = defaultdict(list)
    for mode in modes:
        by_lot[mode.lot_id].append(mode)
    found = []
    for index, number in enumerate(series.numbers):
        lot_id, at_us = int(series.lot_ids[index]), int(series.at_us[index])
        before_us = int(series.at_us[index - 1]) if index else at_us
        near = tuple(e for e in events if before_us < e.at_us <= at_us or (index == 0 and e.at_us == at_us))
        used = bool(built.chart.used[index])
        lines = [
            f"{number}, {moment_text(at_us, zone)}",
            *_figures(c, series, index),
            *_limits(c, built, index, used),
            *_modes(by_lot[lot_id]),
            *_segments(segments.get(lot_id, ())),
            *(["It holds a corrected reading."] if series.corrected[index] else []),
            *([f"Left out of the limits: {left_out[lot_id]}"] if lot_id in left_out else []),
            *(f"Signal: {text}." for text in signals[index]),
            *([anew[index]] if index in anew else []),
            *(_event(e, zone) for e in near),
        ]
        found.append(
            PointText(
                index=index,
                number=number,
                lot_id=lot_id,
                at_us=at_us,
                used=used,
                left_out=left_out.get(lot_id, ""),
                corrected=bool(series.corrected[index]),
                signals=tuple(signals[index]),
                events=near,
                lines=tuple(lines),
            )
        )
    return tuple(found)


def _figures(c: Characteristic, series: LotSeries, i: int) -> list[str]:
    n, mean = int(series.n[i]), float(series.mean[i])
    if c.kind == "counted":
        return [f"{n * mean:.0f} found in {n} ({mean:.4g} each)"]
    text = f"n {n}, mean {mean:.{c.decimals + 1}f} {c.unit}".rstrip()
    if n > 1:
        text += f", s {float(series.sd[i]):.{c.decimals + 1}f}"
    return [text, f"lowest {shown(float(series.low[i]), c)}, highest {shown(float(series.high[i]), c)}"]


def _limits(c: Characteristic, built: BuiltChart, i: int, used: bool) -> list[str]:
    lines = []
    digits = c.decimals + 1
    for track in built.chart.tracks:
        lower, upper = float(track.lower[i]), float(track.upper[i])
        if not math.isfinite(lower) and not math.isfinite(upper):
            continue
        lines.append(
            f"{track.name} {_number(float(track.values[i]), digits)}: centre {_number(float(track.centre[i]), digits)}, "
            f"limits {_number(lower, digits)} to {_number(upper, digits)}"
        )
    span = built.span_of(i)
    if span is not None and span.limits is not None:
        lines.append(
            f"Limits version {span.version}, {span.state}" + (", this lot among their lots" if used else "")
        )
    elif built.state == "trial, not frozen":
        lines.append("Trial limits, not frozen")
    return lines


def _number(value: float, digits: int) -> str:
    if not math.isfinite(value):
        return "none"
    return f"{value:.{max(digits, 4) if 0.0 < abs(value) < 1.0 else digits}f}"


def _modes(counts: Sequence[ModeCount]) -> list[str]:
    if not counts:
        return []
    return ["Failure modes: " + ", ".join(f"{m.n} {m.mode}" for m in counts)]


def _segments(segments: Sequence[Segment]) -> list[str]:
    lines = []
    for s in segments:
        recipe = "no recipe" if s.recipe is None else f"{s.recipe.code} revision {s.recipe.revision}"
        parts = [recipe, s.station]
        for side, moulding in (("upper", s.upper), ("lower", s.lower)):
            if moulding is not None:
                parts.append(f"{side} {moulding.number}")
        name = f"Segment {s.position}: " if len(segments) > 1 else ""
        lines.append(name + ", ".join(p for p in parts if p))
    return lines


def _event(event: Event, zone: str) -> str:
    kind = event_kinds().get(event.kind)
    word = event.kind if kind is None else kind.word
    remark = f" ({event.remark})" if event.remark else ""
    return f"Event before it: {word}, {moment_text(event.at_us, zone)}{remark}"
