"""What the points of a chart say beyond their limits, in sentences: change of level, spread, streams that differ."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from qualrec.assess.causes import restart_words
from qualrec.assess.changes import described, shown_change
from qualrec.assess.chart_data import BuiltChart, part_of
from qualrec.assess.loading import Choice, Conn
from qualrec.errors import ComputeError
from qualrec.judge.causes import Cause
from qualrec.judge.charting import change_words
from qualrec.records import lookups
from qualrec.stats.drift import time_since
from qualrec.values import Characteristic, FloatArray, LotSeries

DAY_US = 86_400_000_000
STREAM_ALPHA = 0.05


def change_notes(
    c: Characteristic, series: LotSeries, built: BuiltChart, causes: Sequence[Cause], zone: str
) -> tuple[str, ...]:
    """The largest change of level under the last limits, if it is beyond chance, with its place, date and nearest causes."""
    if c.chart != "lot means" or len(series) == 0 or not built.spans:
        return ()
    under = part_of(series, slice(built.spans[-1].first, None))
    gone = np.isin(under.lot_ids, [out.lot_id for out in built.left_out])
    found = shown_change(np.where(gone, np.nan, under.mean))
    if found is None:
        return ()
    since = time_since(found, under.at_us / DAY_US)
    return (
        f"Change of level: {change_words(c, described(found, under, causes, zone))} "
        f"Since then {since.points} lots ({since.fewest} to {since.most}) and {since.time:.0f} days.",
    )


def restart_notes(series: LotSeries, built: BuiltChart, zone: str) -> tuple[str, ...]:
    """Where and why the EWMA begins anew."""
    return tuple(restart_words(found, series, zone) for found in built.restarts)


def spread_notes(c: Characteristic, series: LotSeries) -> tuple[str, ...]:
    """Spread between and within lots with 95 % intervals, over all lots shown."""
    if c.kind != "measured" or len(series) < 2:
        return ()
    from qualrec.stats.components import lot_components

    try:
        found = lot_components(series.n, series.mean, series.sd)
    except ComputeError:
        return ()
    between, within = found.part("lot"), found.part("within")
    words = [
        f"{name} lots s = {part.sd:.{c.decimals + 1}f} {c.unit}".rstrip()
        + f" (95 % {math.sqrt(part.interval.low):.{c.decimals + 1}f} to {math.sqrt(part.interval.high):.{c.decimals + 1}f})"
        for name, part in (("between", between), ("within", within))
    ]
    return (
        f"Spread over {len(series)} lots: {', '.join(words)}; {between.share * 100:.0f} % of the variance lies between "
        f"lots (analysis of variance). {' '.join(found.notes)}".rstrip(),
    )


def stream_notes(
    conn: Conn, c: Characteristic, choice: Choice, until_us: int | None = None
) -> tuple[str, ...]:
    """Whether the streams of a pooled chart differ: Welch's analysis of variance of their lot means, with the figures."""
    if c.kind != "measured" or choice.stream_id or len(choice.streams) < 2:
        return ()
    condition = choice.condition_id if c.separating and choice.condition_id else None
    means: dict[str, FloatArray] = {}
    for stream in lookups.streams_of(conn, c.id):
        if stream.label in choice.streams:
            series = lookups.lot_series(
                conn, c.id, stream_id=stream.id, condition_id=condition, until_us=until_us
            )
            if len(series) >= 2 and np.ptp(series.mean) > 0:
                means[stream.label] = series.mean
    return (_differ(c, means),) if len(means) >= 2 else ()


def _differ(c: Characteristic, means: dict[str, FloatArray]) -> str:
    from qualrec.stats.compare import pairs, welch_anova

    test = welch_anova(list(means.values()))
    listed = ", ".join(f"{name} {_mean(float(x.mean()), c)} ({x.size} lots)" for name, x in means.items())
    figures = (
        f"Welch's analysis of variance of lot means, F({test.df[0]:.0f}, {test.df[1]:.1f}) = {test.statistic:.2f}, "
        f"p = {test.p:.2g}"
    )
    if not test.p < STREAM_ALPHA:
        return f"The streams do not differ beyond chance ({figures}): {listed}."
    wide = min(pairs(means), key=lambda pair: (pair.p_adjusted, -abs(pair.test.estimate)))
    low, high = (
        (wide.test.interval.low, wide.test.interval.high) if wide.test.interval else (math.nan, math.nan)
    )
    return (
        f"The streams differ ({figures}): {listed}. Clearest: {wide.first} less {wide.second} = "
        f"{_mean(wide.test.estimate, c)} (95 % {low:.{c.decimals + 1}f} to {high:.{c.decimals + 1}f}). "
        "This chart mixes them: look at each stream alone."
    )


def _mean(value: float, c: Characteristic) -> str:
    return f"{value:.{c.decimals + 1}f} {c.unit}".rstrip()
