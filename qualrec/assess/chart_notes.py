"""What the points of a chart say beyond their limits, in sentences: change of level, spread, streams that differ."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

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
MOST_LISTED = 8
MOST_PAIRS = 12
"""Groups up to which each is compared with each."""
ALL_PARTS = 50
"""Values in a lot from which it counts as measured part by part."""


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


def autocorrelation_notes(c: Characteristic, series: LotSeries) -> tuple[str, ...]:
    """Lag-1 autocorrelation within lots where all parts are measured, and how subgroups are taken from them.

        r = sum n_i r_i / sum n_i over lots with n_i >= 3;  by chance within 2 / sqrt(sum n_i)

    r_i is biased by about -1/n_i, so a short lot says little; lots of fewer than ALL_PARTS values are not looked at unless
    the characteristic takes subgroups. Source: Bartlett's band, NIST e-Handbook 1.3.5.12 and 6.4.4 (from memory).
    """
    if c.kind != "measured" or len(series) == 0:
        return ()
    said = []
    if c.subgroup_size:
        every = c.subgroup_every or c.subgroup_size
        said.append(
            f"Subgroups: {c.subgroup_size} consecutive values of every {every} in the order of measuring; "
            "the lot means here are of all values."
        )
    whole = np.isfinite(series.r1) & (series.n >= (3 if c.subgroup_size else ALL_PARTS))
    if not whole.any():
        return tuple(said)
    n = series.n[whole].astype(float)
    r = float((n * series.r1[whole]).sum() / n.sum())
    band = 2.0 / float(np.sqrt(n.sum()))
    alike = (
        "successive values are alike, so limits from their moving ranges or small subgroups are too narrow: take every "
        "k-th value, or the overall spread"
        if r > band
        else "successive values alternate"
        if r < -band
        else "within chance"
    )
    said.append(
        f"Autocorrelation of successive values within lots r1 = {r:.2f} over {int(whole.sum())} lots and {int(n.sum())} "
        f"values (chance: within {band:.2f}); {alike}."
    )
    return tuple(said)


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
    return (differ_words(c, means, "streams"),) if len(means) >= 2 else ()


def differ_words(c: Characteristic, means: Mapping[str, FloatArray], noun: str) -> str:
    """Whether groups of lot means differ: Welch's analysis of variance and the clearest pair. Each has 2 or more values."""
    from qualrec.stats.compare import pairs, welch_anova

    test = welch_anova(list(means.values()))
    shown = list(means)
    if len(shown) > MOST_LISTED:
        ranked = sorted(shown, key=lambda name: float(means[name].mean()))
        shown = [*ranked[: MOST_LISTED // 2], *ranked[-(MOST_LISTED // 2) :]]
    listed = ", ".join(
        f"{name} {_mean(float(means[name].mean()), c)} ({means[name].size} lots)" for name in shown
    )
    if len(shown) < len(means):
        listed = f"of {len(means)} the lowest and highest are {listed}"
    figures = (
        f"Welch's analysis of variance of lot means, F({test.df[0]:.0f}, {test.df[1]:.1f}) = {test.statistic:.2f}, "
        f"p = {test.p:.2g}"
    )
    if not test.p < STREAM_ALPHA:
        return f"The {noun} do not differ beyond chance ({figures}): {listed}."
    if len(means) > MOST_PAIRS:
        return f"The {noun} differ ({figures}): {listed}. This chart mixes them."
    wide = min(pairs(means), key=lambda pair: (pair.p_adjusted, -abs(pair.test.estimate)))
    low, high = (
        (wide.test.interval.low, wide.test.interval.high) if wide.test.interval else (math.nan, math.nan)
    )
    return (
        f"The {noun} differ ({figures}): {listed}. Clearest: {wide.first} less {wide.second} = "
        f"{_mean(wide.test.estimate, c)} (95 % {low:.{c.decimals + 1}f} to {high:.{c.decimals + 1}f}). "
        f"This chart mixes them: look at the {noun} one by one."
    )


def _mean(value: float, c: Characteristic) -> str:
    return f"{value:.{c.decimals + 1}f} {c.unit}".rstrip()
