"""Findings of a lot on its charts: limits, moving average, chosen run rules, change of level."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from qualrec.errors import UsageError
from qualrec.judge import kinds
from qualrec.judge.kinds import make_finding, on_good_side, shown
from qualrec.stats.results import Chart, Signal, Track
from qualrec.stats.rules import Rule, rule
from qualrec.values import NO_STREAM, Characteristic, Finding

BEYOND_LIMIT = rule("beyond_limit")
_TRACK_KINDS = {"EWMA": kinds.EWMA, "standard deviation": kinds.LOT_SPREAD, "lot mean": kinds.LOT_MEAN}


@dataclass(frozen=True, slots=True)
class ChartPoint:
    """The point of a chart that is judged, with what its findings hang on."""

    index: int
    number: str
    at_us: int
    lot_id: int | None = None
    moulding_lot_id: int | None = None
    limits_id: int | None = None
    limits_version: int = 0
    stream_id: int = NO_STREAM


@dataclass(frozen=True, slots=True)
class Change:
    """A change of level found on lot means: `first` is the index of the first point of the new level.

    It lies between `low_number` and `high_number` at `level`. `when`: start of the first point, in words. `near`: what is on
    record nearest to it, in words; `searched` is False where nobody looked.
    """

    first: int
    first_number: str
    before: float
    after: float
    p: float
    method: str
    low_number: str = ""
    high_number: str = ""
    level: float = 0.95
    when: str = ""
    near: tuple[str, ...] = ()
    searched: bool = False


def chosen_rules(characteristic: Characteristic) -> tuple[Rule, ...]:
    """The limit rule and the run rules that the characteristic names, as 'one_side' or 'one_side:9'.

    Raises UsageError for a rule that does not exist.
    """
    found = [BEYOND_LIMIT]
    for text in characteristic.rules:
        kind, _, k = text.partition(":")
        if k and not k.strip().isdigit():
            raise UsageError(f"Run rule {text!r} cannot be read.", "Write it as 'one_side' or 'one_side:9'.")
        item = rule(kind.strip(), int(k) if k else None)
        if item not in found:
            found.append(item)
    return tuple(found)


def chart_findings(
    characteristic: Characteristic, chart: Chart, signals: Sequence[Signal], point: ChartPoint
) -> tuple[Finding, ...]:
    """Findings of the signals that end at the point. Only frozen limits are given here; trial limits raise nothing."""
    tracks = {track.name: track for track in chart.tracks}
    return tuple(
        _finding(characteristic, tracks[signal.track], signal, point)
        for signal in signals
        if signal.points[-1] == point.index
    )


def _finding(c: Characteristic, track: Track, signal: Signal, point: ChartPoint) -> Finding:
    value = float(track.values[point.index])
    lower, upper = float(track.lower[point.index]), float(track.upper[point.index])
    beyond = signal.rule == BEYOND_LIMIT.name
    kind = _TRACK_KINDS.get(track.name, kinds.LOT_COUNT) if beyond else kinds.RUN_RULE
    item = BEYOND_LIMIT if beyond else next((r for r in chosen_rules(c) if r.name == signal.rule), None)
    side = signal.side if kind != kinds.LOT_SPREAD else 0
    good = (
        " The far side of a one-sided limit: good news or a wrong fixture." if on_good_side(c, side) else ""
    )
    if beyond:
        limit, word = (upper, "above the upper") if signal.side > 0 else (lower, "below the lower")
        text = f"{track.name} {_shown(value, c, kind)} is {word} control limit {_shown(limit, c, kind)}"
    else:
        text = signal.text
    return make_finding(
        kind,
        f"{point.number}: {signal.rule}{_side_word(signal.side)}, limits {point.limits_version}",
        f"{c.name}, {point.number}: {text} (limits version {point.limits_version}).{good}",
        {
            "value": value,
            "lower limit": lower if math.isfinite(lower) else None,
            "upper limit": upper if math.isfinite(upper) else None,
            "centre": float(track.centre[point.index]),
            "track": track.name,
            "points in the run": len(signal.points),
        },
        c,
        side=side,
        rule=_rule_text(kind, item),
        source="" if beyond or item is None else item.source,
        stream_id=point.stream_id,
        lot_id=point.lot_id,
        moulding_lot_id=point.moulding_lot_id,
        limits_id=point.limits_id,
        at_us=point.at_us,
    )


def _rule_text(kind: str, item: Rule | None) -> str:
    return "" if kind != kinds.RUN_RULE or item is None else f"{item.name}: {item.text}."


def _side_word(side: int) -> str:
    return {1: " above", -1: " below"}.get(side, "")


def _shown(value: float, c: Characteristic, kind: str) -> str:
    """One more decimal than single values, as for a mean; counts without the unit."""
    if kind == kinds.LOT_COUNT:
        return f"{value:.4g}"
    return f"{value:.{c.decimals + 1}f} {c.unit}".rstrip()


def change_words(c: Characteristic, change: Change) -> str:
    """The change in words: levels, place with its interval, date, and what is on record nearest to it."""
    word = "up" if change.after > change.before else "down"
    begun = f"begun {change.when}, " if change.when else ""
    text = (
        f"the lot means went {word} from {shown(change.before, c)} to {shown(change.after, c)} "
        f"with {change.first_number} ({begun}p = {change.p:.2g})."
    )
    if change.low_number:
        low, high = change.low_number, change.high_number
        where = f"at {low}" if low == high else f"between {low} and {high}"
        text += f" It lies {where} with {change.level * 100:g} % probability."
    if change.near:
        text += f" On record nearest to it: {'; '.join(change.near)}."
    elif change.searched:
        text += " Neither events nor changes of recipe or material are on record in that stretch."
    return text


def change_finding(c: Characteristic, change: Change, point: ChartPoint) -> Finding:
    """The finding of a change of level that is seen for the first time with the point."""
    return make_finding(
        kinds.CHANGE_POINT,
        f"since {change.first_number}, seen at {point.number}",
        f"{c.name}: {change_words(c, change)}",
        {
            "first": change.first_number,
            "earliest first": change.low_number or None,
            "latest first": change.high_number or None,
            "before": change.before,
            "after": change.after,
            "p": change.p,
            "nearest": "; ".join(change.near) or None,
        },
        c,
        side=1 if change.after > change.before else -1,
        source=change.method,
        stream_id=point.stream_id,
        lot_id=point.lot_id,
        moulding_lot_id=point.moulding_lot_id,
        limits_id=point.limits_id,
        at_us=point.at_us,
    )
