"""Rules that find non-random patterns of points, for one track and for many at once.

Sources (all from memory): Western Electric, Statistical Quality Control Handbook, 1956 (beyond a limit, two of three,
four of five, 8 on one side); Nelson, Journal of Quality Technology 16(4), 1984 (all eight, with 9 on one side and a
rise or fall of 6); ISO 7870-2:2013 (beyond a limit, 7 on one side, a rise or fall of 7).

Conventions: a point on a limit, on a zone edge or on the centre is not beyond it. Equal neighbours end a rise, a fall
or an alternation. A missing point (nan) is skipped and does not end a run. "Two of three" and "four of five" signal at
a point that itself lies out, and count the points there are at the start of a track.
Run rules presume independent points: on tracks of EWMA, ranges and standard deviations only the limits count.
Every rule added raises the rate of false alarms: see `runlength` for the price of a set.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from qualrec.errors import ComputeError
from qualrec.stats.results import Chart, FloatArray, Signal, Track

BoolArray = NDArray[np.bool_]

_WESTERN = "Western Electric, Statistical Quality Control Handbook, 1956"
_NELSON = "Nelson, Journal of Quality Technology 16(4), 1984"
_ISO = "ISO 7870-2:2013"


@dataclass(frozen=True, slots=True)
class _Pattern:
    name: str
    words: str
    default: int
    allowed: range
    sources: dict[int, str]
    source: str


_PATTERNS = {
    "beyond_limit": _Pattern(
        "beyond limit", "a point beyond a control limit", 1, range(1, 2), {}, f"{_WESTERN}; {_NELSON}; {_ISO}"
    ),
    "one_side": _Pattern(
        "run on one side",
        "{k} points in a row on one side of the centre",
        8,
        range(7, 10),
        {7: _ISO, 8: _WESTERN, 9: _NELSON},
        "",
    ),
    "rise_or_fall": _Pattern(
        "steady rise or fall",
        "{k} points in a row, each higher than the one before, or each lower",
        7,
        range(6, 10),
        {6: _NELSON, 7: _ISO},
        "common practice, no source",
    ),
    "two_of_three": _Pattern(
        "two of three far out",
        "2 of 3 points in a row more than 2 sigma from the centre on the same side",
        3,
        range(3, 4),
        {},
        f"{_WESTERN}; {_NELSON}",
    ),
    "four_of_five": _Pattern(
        "four of five off centre",
        "4 of 5 points in a row more than 1 sigma from the centre on the same side",
        5,
        range(5, 6),
        {},
        f"{_WESTERN}; {_NELSON}",
    ),
    "alternation": _Pattern(
        "alternation",
        "{k} points in a row going up and down in turn",
        14,
        range(10, 21),
        {14: _NELSON},
        "common practice, no source",
    ),
    "near_centre": _Pattern(
        "close to the centre",
        "{k} points in a row within 1 sigma of the centre, on either side",
        15,
        range(12, 21),
        {15: _NELSON},
        "common practice, no source",
    ),
    "far_from_centre": _Pattern(
        "away from the centre",
        "{k} points in a row more than 1 sigma from the centre, on either side",
        8,
        range(6, 13),
        {8: _NELSON},
        "common practice, no source",
    ),
}

RULE_KINDS = tuple(_PATTERNS)


@dataclass(frozen=True, slots=True)
class Rule:
    """A rule of kind `kind` over `k` points; make one with `rule`."""

    kind: str
    k: int

    @property
    def name(self) -> str:
        return _PATTERNS[self.kind].name

    @property
    def text(self) -> str:
        """The rule in words, with its figures."""
        return _PATTERNS[self.kind].words.format(k=self.k)

    @property
    def source(self) -> str:
        pattern = _PATTERNS[self.kind]
        return pattern.sources.get(self.k, pattern.source)


def rule(kind: str, k: int | None = None) -> Rule:
    """The rule of that kind over k points (its usual number where k is None).

    Raises ComputeError for an unknown kind and for a k that the rule does not allow.
    """
    if kind not in _PATTERNS:
        raise ComputeError(f"The rule {kind!r} is not known.", f"Choose from: {', '.join(RULE_KINDS)}.")
    pattern = _PATTERNS[kind]
    chosen = pattern.default if k is None else k
    if chosen not in pattern.allowed:
        raise ComputeError(
            f"The rule {pattern.name!r} takes {pattern.allowed[0]} to {pattern.allowed[-1]} points, got {chosen}.",
            f"Leave the number out for {pattern.default}.",
        )
    return Rule(kind, chosen)


DEFAULT_RULES = (rule("beyond_limit"),)
ALL_RULES = tuple(rule(kind) for kind in RULE_KINDS)


def evaluate(track: Track, rules: Sequence[Rule] = DEFAULT_RULES) -> tuple[Signal, ...]:
    """Signals of the rules on a track, by point, then in the order of `rules`.

    One signal for every point at which a rule is fulfilled: a run of 10 under "8 on one side" signals at its 8th,
    9th and 10th point. On a track without run rules only "beyond limit" is looked at.
    """
    chosen = [item for item in rules if track.run_rules or item.kind == "beyond_limit"]
    here = np.flatnonzero(~np.isnan(track.values))
    rows = _Rows(*(row[here] for row in (track.values, track.centre, track.sigma, track.lower, track.upper)))
    found: list[tuple[int, int, Signal]] = []
    for order, item in enumerate(chosen):
        for side, mask, marked in _matches(rows, item):
            for at in np.flatnonzero(mask).tolist():
                window = np.arange(max(0, at - item.k + 1), at + 1)
                points = here[window[marked[window]]]
                text = _finding(item, track, points, side)
                signal = Signal(item.name, track.name, tuple(int(p) for p in points), side, text)
                found.append((int(here[at]), order, signal))
    found.sort(key=lambda entry: entry[:2])
    return tuple(signal for _, _, signal in found)


def evaluate_chart(chart: Chart, rules: Sequence[Rule] = DEFAULT_RULES) -> tuple[Signal, ...]:
    """Signals of all tracks of a chart, track by track."""
    return tuple(signal for track in chart.tracks for signal in evaluate(track, rules))


def matches(
    values: ArrayLike,
    centre: ArrayLike,
    sigma: ArrayLike,
    lower: ArrayLike,
    upper: ArrayLike,
    rules: Sequence[Rule] = DEFAULT_RULES,
) -> BoolArray:
    """Where the rules are fulfilled, for many rows of points at once: array of shape (rules, ..., k).

    `values` (..., k), nan for a missing point; the others broadcast against it, nan limits are no limits.
    """
    x = np.asarray(values, dtype=np.float64)
    others = [np.asarray(item, dtype=np.float64) for item in (centre, sigma, lower, upper)]
    gone = np.isnan(x)
    order = None
    if gone.any():
        order = np.argsort(gone, axis=-1, kind="stable")
        x = np.take_along_axis(x, order, axis=-1)
        others = [_ordered(item, order) for item in others]
    rows = _Rows(x, *others)
    out = np.zeros((len(rules), *x.shape), dtype=np.bool_)
    for index, item in enumerate(rules):
        for _, mask, _ in _matches(rows, item):
            out[index] |= mask
    if order is not None:
        packed = out
        out = np.zeros_like(packed)
        np.put_along_axis(out, np.broadcast_to(order, out.shape), packed, axis=-1)
    return out


@dataclass(frozen=True, slots=True, eq=False)
class _Rows:
    """Points without gaps (nan only at the end of a row) and the figures that rules look at."""

    values: FloatArray
    centre: FloatArray
    sigma: FloatArray
    lower: FloatArray
    upper: FloatArray

    def out(self, side: int, sigmas: float) -> BoolArray:
        """Points more than `sigmas` sigma from the centre on that side; never where sigma is nan and is needed."""
        edge = self.centre if sigmas == 0 else self.centre + side * sigmas * self.sigma
        return np.asarray(self.values > edge if side > 0 else self.values < edge)

    def moved(self, side: int) -> BoolArray:
        """Points higher (lower) than the one before."""
        out = np.zeros(self.values.shape, dtype=np.bool_)
        before, after = self.values[..., :-1], self.values[..., 1:]
        np.greater(after, before, out=out[..., 1:]) if side > 0 else np.less(after, before, out=out[..., 1:])
        return out


def _matches(rows: _Rows, item: Rule) -> list[tuple[int, BoolArray, BoolArray]]:
    """(side, points at which the rule is fulfilled, points that may belong to its run) for each side."""
    every = np.ones(rows.values.shape, dtype=np.bool_)
    k = item.k
    if item.kind == "beyond_limit":
        return [(1, rows.values > rows.upper, every), (-1, rows.values < rows.lower, every)]
    if item.kind == "one_side":
        return [(side, _run(rows.out(side, 0.0), k), every) for side in (1, -1)]
    if item.kind == "rise_or_fall":
        return [(side, _run(rows.moved(side), k - 1), every) for side in (1, -1)]
    if item.kind in ("two_of_three", "four_of_five"):
        out = [(side, rows.out(side, 2.0 if k == 3 else 1.0)) for side in (1, -1)]
        return [(side, _most_of(mask, k), mask) for side, mask in out]
    if item.kind == "alternation":
        up, down = rows.moved(1), rows.moved(-1)
        turned = np.zeros_like(up)
        turned[..., 1:] = (up[..., 1:] & down[..., :-1]) | (down[..., 1:] & up[..., :-1])
        return [(0, _run(turned, k - 2), every)]
    if item.kind == "near_centre":
        inside = (rows.values < rows.centre + rows.sigma) & (rows.values > rows.centre - rows.sigma)
        return [(0, _run(inside, k), every)]
    return [(0, _run(rows.out(1, 1.0) | rows.out(-1, 1.0), k), every)]


def _run(mask: BoolArray, k: int) -> BoolArray:
    """Points at which the last k points are all marked; windows are doubled, so k costs log2(k) passes."""
    out, have = mask, 1
    while have < k:
        step = min(have, k - have)
        longer = np.zeros_like(out)
        if step < out.shape[-1]:
            np.logical_and(out[..., step:], out[..., :-step], out=longer[..., step:])
        out, have = longer, have + step
    return out


def _most_of(mask: BoolArray, k: int) -> BoolArray:
    """Marked points with at least k - 1 marked among the last k."""
    count = mask.astype(np.int8)
    for back in range(1, min(k, mask.shape[-1])):
        count[..., back:] += mask[..., :-back]
    return np.asarray((count >= k - 1) & mask)


def _ordered(item: FloatArray, order: NDArray[np.intp]) -> FloatArray:
    """`item` in the order of the closed-up points, where it differs from point to point."""
    if item.ndim == 0 or item.shape[-1] == 1:
        return item
    return np.take_along_axis(np.broadcast_to(item, order.shape), order, axis=-1)


def _finding(item: Rule, track: Track, points: NDArray[np.intp], side: int) -> str:
    last = int(points[-1])
    if item.kind != "beyond_limit":
        where = {1: " (above)", -1: " (below)", 0: ""}[side]
        if item.kind == "rise_or_fall":
            where = " (rising)" if side > 0 else " (falling)"
        return f"{track.name}: {item.text}{where}"
    limit, word = (
        (track.upper[last], "above the upper") if side > 0 else (track.lower[last], "below the lower")
    )
    return f"{track.name} {track.values[last]:.6g} is {word} limit {limit:.6g}"
