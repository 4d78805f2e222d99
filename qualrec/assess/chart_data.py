"""From running figures and the history of limits to one drawn chart. Loads nothing.

Every version of frozen limits judges the points that began under it; the first one also takes the points before it,
which it came from. Without frozen limits trial limits are worked out from all points and said to be so.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from qualrec.errors import ComputeError
from qualrec.judge.charting import chosen_rules
from qualrec.judge.restarts import Restart
from qualrec.stats import attributes, charts
from qualrec.stats.results import Chart, FloatArray, Frozen, Signal, Track
from qualrec.stats.rules import evaluate_chart
from qualrec.values import BoolArray, Characteristic, LeftOut, Limits, LotSeries

FROZEN, TRIAL, FIXED, NO_LIMITS = "frozen", "trial, not frozen", "fixed", "no limits"
COUNT_WIDTH = 3.0
CHART_KINDS: Mapping[str, str] = {"lot means": "lot_means", "p": "p", "u": "u", "zero count": "zero"}


@dataclass(frozen=True, slots=True)
class LimitsSpan:
    """Points `first` to `last` (both included) are judged by `limits`; None for trial or fixed limits."""

    first: int
    last: int
    version: int
    state: str
    limits: Limits | None
    frozen: Frozen


@dataclass(frozen=True, slots=True, eq=False)
class BuiltChart:
    """A chart over all points, its signals, which limits judged which points, and what to caution."""

    chart: Chart
    signals: tuple[Signal, ...]
    spans: tuple[LimitsSpan, ...]
    state: str
    left_out: tuple[LeftOut, ...]
    notes: tuple[str, ...]
    restarts: tuple[Restart, ...] = ()
    """Where the EWMA begins anew."""

    def span_of(self, index: int) -> LimitsSpan | None:
        """The limits that judge a point."""
        return next((s for s in self.spans if s.first <= index <= s.last), None)


def counts_of(series: LotSeries) -> FloatArray:
    """Counts of a counted characteristic: the sum of the values of each point, whole."""
    return np.rint(series.n * series.mean)


def frozen_of(limits: Limits, characteristic: Characteristic) -> Frozen:
    """Stored limits in the form that charts take."""
    kind = CHART_KINDS[limits.chart]
    if kind != "lot_means":
        return Frozen(
            kind, limits.centre, estimator=limits.estimator, k=len(limits.used_lots), width=COUNT_WIDTH
        )
    width = characteristic.mean_width
    if limits.upper is not None and limits.sigma > 0:
        width = (limits.upper - limits.centre) / limits.sigma
    return Frozen(
        kind,
        limits.centre,
        limits.sigma,
        limits.estimator,
        k=len(limits.used_lots),
        width=width,
        within=math.nan if limits.spread_sigma is None else limits.spread_sigma,
        within_width=charts.WITHIN_WIDTH,
        weight=characteristic.ewma_lambda if limits.ewma_lambda is None else limits.ewma_lambda,
        ewma_width=characteristic.ewma_width if limits.ewma_width is None else limits.ewma_width,
    )


def build_chart(
    characteristic: Characteristic,
    series: LotSeries,
    history: Sequence[Limits] = (),
    restarts: Sequence[Restart] = (),
) -> BuiltChart:
    """The chart of a characteristic. `history`: its limits, any order; limits that were never frozen are
    not drawn. `restarts`: where the EWMA under frozen limits begins anew."""
    put = sorted((h for h in history if h.frozen_us is not None), key=lambda h: (h.from_us, h.version))
    if len(series) == 0:
        return _bare(series, "There are no readings.")
    if characteristic.chart == "none":
        return _bare(series, "No chart is asked for this characteristic.")
    if characteristic.chart == "zero count":
        frozen = Frozen("zero", 0.0, 0.0, "none accepted")
        span = LimitsSpan(0, len(series) - 1, 0, FIXED, None, frozen)
        chart = apply_limits(series, frozen, np.ones(len(series), bool), np.zeros(len(series), bool))
        return _built(characteristic, [(span, chart)], FIXED, (), ())
    if put:
        return _under_frozen(characteristic, series, put, restarts)
    try:
        chart = first_phase(characteristic, series, np.ones(len(series), bool))
    except ComputeError as error:
        return _bare(series, f"{error.message} {error.remedy}".strip())
    assert chart.frozen is not None
    span = LimitsSpan(0, len(series) - 1, 0, TRIAL, None, chart.frozen)
    return _built(characteristic, [(span, chart)], TRIAL, (), chart.notes)


def first_phase(characteristic: Characteristic, series: LotSeries, used: BoolArray) -> Chart:
    """Limits worked out from the used points. Raises ComputeError where they cannot give any."""
    if characteristic.chart == "p":
        return attributes.p_chart(counts_of(series), series.n, used=used, width=COUNT_WIDTH)
    if characteristic.chart == "u":
        return attributes.u_chart(counts_of(series), series.n, used=used, width=COUNT_WIDTH)
    return charts.lot_means(
        series.n,
        series.mean,
        series.sd,
        used=used,
        width=characteristic.mean_width,
        weight=characteristic.ewma_lambda,
        ewma_width=characteristic.ewma_width,
    )


def apply_limits(
    series: LotSeries,
    frozen: Frozen,
    used: BoolArray,
    left_out: BoolArray,
    restarts: Sequence[int] = (),
) -> Chart:
    """Points judged by limits; `restarts`: places at which the EWMA begins anew."""
    if frozen.kind in attributes.KINDS:
        return charts.apply_frozen(frozen, counts_of(series), sizes=series.n, used=used)
    chart = charts.apply_frozen(
        frozen,
        series.mean,
        sizes=series.n,
        spreads=series.sd,
        used=used,
        left_out=left_out,
        restarts=restarts,
    )
    if not restarts:
        return chart
    numbers = ", ".join(series.numbers[place] for place in restarts)
    return replace(chart, method=f"{chart.method}; EWMA begun anew at {numbers}")


def part_of(series: LotSeries, chosen: slice | BoolArray) -> LotSeries:
    """Some points of a series."""
    arrays = ("lot_ids", "at_us", "n", "mean", "sd", "low", "high", "corrected", "r1")
    numbers = tuple(np.array(series.numbers, dtype=object)[chosen].tolist())
    return replace(series, numbers=numbers, **{name: getattr(series, name)[chosen] for name in arrays})


def _under_frozen(
    c: Characteristic, series: LotSeries, put: Sequence[Limits], restarts: Sequence[Restart]
) -> BuiltChart:
    starts = np.searchsorted([h.from_us for h in put], series.at_us, side="right") - 1
    version_of = np.maximum(starts, 0)
    pieces, left_out, shown = [], [], []
    for place, limits in enumerate(put):
        points = np.flatnonzero(version_of == place)
        if points.size == 0:
            continue
        first, last = int(points[0]), int(points[-1])
        piece = part_of(series, slice(first, last + 1))
        gone = {out.lot_id for out in limits.left_out}
        used = np.isin(piece.lot_ids, limits.used_lots)
        out = np.isin(piece.lot_ids, sorted(gone)) if gone else np.zeros(len(piece), bool)
        frozen = frozen_of(limits, c)
        span = LimitsSpan(first, last, limits.version, limits.state, limits, frozen)
        own = [r for r in restarts if first < r.index <= last and r.flag.limits_id == limits.id]
        shown += own if frozen.kind == "lot_means" else []
        anew = [r.index - first for r in own]
        pieces.append((span, apply_limits(piece, frozen, used, out, anew)))
        left_out += [item for item in limits.left_out if item not in left_out]
    return replace(_built(c, pieces, FROZEN, tuple(left_out), ()), restarts=tuple(shown))


def _built(
    c: Characteristic,
    pieces: Sequence[tuple[LimitsSpan, Chart]],
    state: str,
    left_out: tuple[LeftOut, ...],
    notes: tuple[str, ...],
) -> BuiltChart:
    signals: list[Signal] = []
    rules = chosen_rules(c)
    for span, chart in pieces:
        for signal in evaluate_chart(chart, rules):
            signals.append(replace(signal, points=tuple(p + span.first for p in signal.points)))
    signals.sort(key=lambda s: s.points[-1])
    joined = pieces[0][1] if len(pieces) == 1 else _joined([chart for _, chart in pieces])
    return BuiltChart(joined, tuple(signals), tuple(span for span, _ in pieces), state, left_out, notes)


def _joined(parts: Sequence[Chart]) -> Chart:
    """One chart out of charts that follow each other; a track that a part lacks is nan there."""
    names: list[str] = []
    for part in parts:
        names += [t.name for t in part.tracks if t.name not in names]
    tracks = []
    for name in names:
        rows = [
            next((t for t in part.tracks if t.name == name), _empty(name, part.used.size)) for part in parts
        ]
        known = next(t for part in parts for t in part.tracks if t.name == name)
        joined = {
            field: np.concatenate([getattr(t, field) for t in rows])
            for field in ("values", "centre", "lower", "upper", "sigma")
        }
        tracks.append(Track(name, **joined, run_rules=known.run_rules))
    last = parts[-1]
    used = np.concatenate([part.used for part in parts])
    return Chart(last.kind, tuple(tracks), used, last.method, (), last.frozen)


def _empty(name: str, size: int) -> Track:
    gone = np.full(size, np.nan)
    return Track(name, gone, gone, gone, gone, gone)


def _bare(series: LotSeries, note: str) -> BuiltChart:
    """The points without limits."""
    gone = np.full(len(series), np.nan)
    track = Track("lot mean", series.mean, gone, gone, gone, gone, run_rules=False)
    chart = Chart("no limits", (track,), np.zeros(len(series), bool), "no limits", (note,))
    return BuiltChart(chart, (), (), NO_LIMITS, (), (note,))
