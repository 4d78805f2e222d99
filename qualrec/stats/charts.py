"""Charts of variables: individuals, X-bar with R or S, and lot means as individuals with within-lot S.

    individuals       centre mean(x)                  sigma = mean moving range/d2      limits centre -+ L sigma
    moving range      centre d2(2) sigma              limits (d2 -+ L d3) sigma
    X-bar             centre sum n x/sum n            limits centre -+ L sigma/sqrt(n_i), sigma = Rbar/d2 or sbar/c4
    R                 centre d2(n_i) sigma            limits (d2 -+ L d3) sigma
    S                 centre c4(n_i) sigma            limits (c4 -+ L sqrt(1 - c4^2)) sigma
    lot means         as individuals, so that real spread between lots is inside the limits; with them an EWMA of
                      the lot means and the within-lot S

Lower limits of R and S below 0 are 0, and a point on a limit is not beyond it. The first phase takes its limits from
the used points (present and not left out); moving ranges close up over left-out ones. The second phase judges new
points by frozen limits. Source: ISO 7870-2; Montgomery (from memory). Widths of the lot charts: 3.5 sigma together
with EWMA weight 0.2, width 2.90; joint in-control run length 360 lots (Markov chain, known parameters).
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from qualrec.errors import ComputeError
from qualrec.stats import attributes, cusum, ewma, laney, rare
from qualrec.stats.constants import c4_array, d2, d2_array, d3, d3_array
from qualrec.stats.describe import describe
from qualrec.stats.results import Chart, FloatArray, Frozen, Track
from qualrec.stats.spread import (
    Sigma,
    from_ranges,
    from_sds,
    median_moving_range,
    moving_range,
    overall,
    pooled,
)
from qualrec.stats.usable import cautions, marks, plotted, present, usable

LOT_MEAN_WIDTH = 3.5
WITHIN_WIDTH = 3.0

INDIVIDUAL_ESTIMATORS: dict[str, Callable[..., Sigma]] = {
    "moving range": moving_range,
    "median moving range": median_moving_range,
    "overall s": overall,
}
WITHIN_ESTIMATORS: dict[str, Callable[..., Sigma]] = {"sbar/c4": from_sds, "pooled s/c4": pooled}


@dataclass(frozen=True, slots=True, eq=False)
class Subgroups:
    """Size, mean, standard deviation and range of each subgroup; nan where a figure does not exist."""

    sizes: FloatArray
    means: FloatArray
    sds: FloatArray
    ranges: FloatArray


def subgroups(rows: Iterable[ArrayLike]) -> Subgroups:
    """Figures of subgroups given by their values; missing values (nan) lower the size of their subgroup."""
    figures = []
    for row in rows:
        x = np.asarray(row, dtype=np.float64)
        x = x[~np.isnan(x)]
        if x.size == 0:
            figures.append((0.0, np.nan, np.nan, np.nan))
        else:
            found = describe(x)
            figures.append(
                (float(found.n), found.mean, found.sd, found.max - found.min if found.n > 1 else np.nan)
            )
    table = np.asarray(figures, dtype=np.float64).reshape(-1, 4)
    return Subgroups(table[:, 0], table[:, 1], table[:, 2], table[:, 3])


def individuals(
    values: ArrayLike,
    *,
    used: ArrayLike | None = None,
    width: float = 3.0,
    estimator: str = "moving range",
) -> Chart:
    """First-phase charts of single values in their order in time, and of their moving ranges.

    `estimator`: 'moving range', 'median moving range' or 'overall s'. nan is a missing point.
    Raises ComputeError for fewer than 2 used values and for no spread.
    """
    x, mask = usable(values, used)
    sigma = _estimate(INDIVIDUAL_ESTIMATORS, estimator)(x[mask])
    frozen = _frozen("individuals", float(np.mean(x[mask])), sigma, width)
    return replace(apply_frozen(frozen, x, used=mask), notes=cautions(x[mask]))


def xbar_r(
    means: ArrayLike,
    ranges: ArrayLike,
    sizes: ArrayLike,
    *,
    used: ArrayLike | None = None,
    width: float = 3.0,
) -> Chart:
    """First-phase charts of subgroup means and ranges, sigma by Rbar/d2; sizes may differ.

    Raises ComputeError for fewer than 2 used subgroups, a used subgroup of one value, and no spread.
    """
    return _first_subgroups("xbar_r", means, ranges, sizes, used, width)


def xbar_s(
    means: ArrayLike, sds: ArrayLike, sizes: ArrayLike, *, used: ArrayLike | None = None, width: float = 3.0
) -> Chart:
    """First-phase charts of subgroup means and standard deviations, sigma by sbar/c4; sizes may differ.

    Raises ComputeError for fewer than 2 used subgroups, a used subgroup of one value, and no spread.
    """
    return _first_subgroups("xbar_s", means, sds, sizes, used, width)


def lot_means(
    n: ArrayLike,
    mean: ArrayLike,
    sd: ArrayLike,
    *,
    used: ArrayLike | None = None,
    estimator: str = "moving range",
    within_estimator: str = "sbar/c4",
    width: float = LOT_MEAN_WIDTH,
    within_width: float = WITHIN_WIDTH,
    weight: float = ewma.WEIGHT,
    ewma_width: float = ewma.WIDTH,
) -> Chart:
    """First-phase charts of lots from each lot's n, mean and sd: lot means, their EWMA, and within-lot S.

    The centre is the plain mean of the lot means and sigma that of lot means, by moving range, whatever their n.
    Without a used lot of 2 values there is no S track. Lots with n = 0 or mean nan are missing points.
    Raises ComputeError for fewer than 2 used lots and for lot means without spread.
    """
    means = np.asarray(mean, dtype=np.float64)
    size = present(n, "sizes", means.shape)
    x, mask = usable(np.where(size > 0, means, np.nan), used)
    sigma = _estimate(INDIVIDUAL_ESTIMATORS, estimator)(x[mask])
    spread = present(sd, "standard deviations", x.shape)
    inner = mask & (size >= 2) & ~np.isnan(spread)
    within = (
        _estimate(WITHIN_ESTIMATORS, within_estimator)(spread[inner], size[inner]) if inner.any() else None
    )
    frozen = replace(
        _frozen("lot_means", float(np.mean(x[mask])), sigma, width),
        n=int(size[mask].sum()),
        within=within.value if within is not None and within.value > 0 else np.nan,
        within_width=within_width,
        weight=weight,
        ewma_width=ewma_width,
    )
    chart = apply_frozen(frozen, x, sizes=size, spreads=spread, used=mask, left_out=~mask)
    return replace(chart, notes=(*cautions(x[mask]), *_lot_cautions(size[mask], within)))


def apply_frozen(
    frozen: Frozen,
    values: ArrayLike,
    *,
    sizes: ArrayLike | None = None,
    spreads: ArrayLike | None = None,
    used: ArrayLike | None = None,
    left_out: ArrayLike | None = None,
    restarts: Sequence[int] = (),
) -> Chart:
    """Second-phase chart: new points judged by frozen limits.

    values   plotted values: single values, subgroup or lot means, or counts; nan is a missing point
    sizes    subgroup or lot sizes, sample sizes, exposures (kinds with sizes)
    spreads  ranges (xbar_r) or standard deviations (xbar_s, lot_means)
    used     marks of the points the limits came from, where they are on the chart too
    left_out marks of points with an assigned cause; they are drawn but do not enter EWMA or CUSUM
    restarts places at which the EWMA beside lot means begins anew (kind lot_means)

    Raises ComputeError for an unknown kind and for sizes or spreads that are needed and not given.
    """
    size: ArrayLike = 1.0 if sizes is None else sizes
    if frozen.kind in attributes.KINDS:
        return attributes.apply(frozen, values, size, used=used)
    if frozen.kind in laney.KINDS:
        return laney.apply_prime(frozen, values, size, used=used)
    if frozen.kind in ("g", "t"):
        return rare.apply_rare(frozen, values, used=used)
    x = plotted(values)
    out = marks(left_out, x.shape)
    if frozen.kind == "ewma":
        return ewma.apply(frozen, np.where(out, np.nan, x), used=used)
    if frozen.kind == "cusum":
        return cusum.apply(frozen, np.where(out, np.nan, x), used=used)
    mask = marks(used, x.shape)
    if frozen.kind == "individuals":
        tracks: tuple[Track, ...] = (_level_track("value", frozen, x), _moving_range_track(frozen, x))
    elif frozen.kind in ("xbar_r", "xbar_s", "lot_means"):
        if sizes is None or spreads is None:
            raise ComputeError(
                f"Limits of kind {frozen.kind} need sizes and spreads.", "Give both with the means."
            )
        each, spread = present(sizes, "sizes", x.shape), present(spreads, "spreads", x.shape)
        tracks = _subgroup_tracks(frozen, np.where(each > 0, x, np.nan), each, spread, out, restarts)
    else:
        raise ComputeError(
            f"Limits of kind {frozen.kind!r} are not known here.", "Freeze them again from a chart."
        )
    return Chart(frozen.kind, tracks, mask, _method(frozen), (), frozen)


def _first_subgroups(
    kind: str, means: ArrayLike, spreads: ArrayLike, sizes: ArrayLike, used: ArrayLike | None, width: float
) -> Chart:
    x, mask = usable(means, used)
    size, spread = present(sizes, "sizes", x.shape), present(spreads, "spreads", x.shape)
    sigma = (from_ranges if kind == "xbar_r" else from_sds)(spread[mask], size[mask])
    start = float(x[mask][0])
    centre = start + float(np.sum(size[mask] * (x[mask] - start)) / size[mask].sum())
    frozen = _frozen(kind, centre, sigma, width)
    return replace(apply_frozen(frozen, x, sizes=size, spreads=spread, used=mask), notes=cautions(x[mask]))


def _subgroup_tracks(
    frozen: Frozen,
    x: FloatArray,
    size: FloatArray,
    spread: FloatArray,
    out: NDArray[np.bool_],
    restarts: Sequence[int] = (),
) -> tuple[Track, ...]:
    if frozen.kind == "lot_means":
        averages = ewma.ewma_track(frozen, np.where(out, np.nan, x), restarts)
        tracks = (_level_track("lot mean", frozen, x), averages)
        if np.isnan(frozen.within):
            return tracks
        return (*tracks, sd_track(size, spread, frozen.within, frozen.within_width))
    sigma = frozen.sigma / np.sqrt(np.where(size > 0, size, np.nan))
    centre = np.full(x.shape, frozen.centre)
    half = frozen.width * sigma
    level = Track("mean", x, centre, centre - half, centre + half, sigma)
    if frozen.kind == "xbar_s":
        return (level, sd_track(size, spread, frozen.sigma, frozen.width))
    factor, noise = d2_array(np.where(size > 1, size, 0)), d3_array(np.where(size > 1, size, 0))
    return (level, _spread_track("range", spread, factor, noise, frozen.sigma, frozen.width))


def sd_track(sizes: FloatArray, sds: FloatArray, sigma: float, width: float) -> Track:
    """Standard deviations of subgroups with limits (c4 -+ L sqrt(1 - c4^2)) sigma; nan for sizes below 2."""
    factor = c4_array(sizes)
    return _spread_track("standard deviation", sds, factor, np.sqrt(1.0 - factor**2), sigma, width)


def _spread_track(
    name: str, values: FloatArray, factor: FloatArray, noise: FloatArray, sigma: float, width: float
) -> Track:
    lower = np.maximum((factor - width * noise) * sigma, 0.0)
    shown = np.where(np.isnan(factor), np.nan, values)
    upper = (factor + width * noise) * sigma
    return Track(name, shown, factor * sigma, lower, upper, noise * sigma, run_rules=False)


def _level_track(name: str, frozen: Frozen, x: FloatArray) -> Track:
    centre, sigma = np.full(x.shape, frozen.centre), np.full(x.shape, frozen.sigma)
    half = frozen.width * sigma
    return Track(name, x, centre, centre - half, centre + half, sigma)


def _moving_range_track(frozen: Frozen, x: FloatArray) -> Track:
    here = np.flatnonzero(~np.isnan(x))
    ranges = np.full(x.shape, np.nan)
    ranges[here[1:]] = np.abs(np.diff(x[here]))
    factor, noise = np.full(x.shape, d2(2)), np.full(x.shape, d3(2))
    return _spread_track("moving range", ranges, factor, noise, frozen.sigma, frozen.width)


def _frozen(kind: str, centre: float, sigma: Sigma, width: float) -> Frozen:
    if not sigma.value > 0:
        raise ComputeError(
            "The points have no spread, so limits cannot be set.", "Check the resolution of the gauge."
        )
    return Frozen(kind, centre, sigma.value, sigma.estimator, sigma.n, sigma.k, sigma.df, width)


def _estimate(known: dict[str, Callable[..., Sigma]], name: str) -> Callable[..., Sigma]:
    if name not in known:
        raise ComputeError(
            f"The sigma estimator {name!r} is not known.", f"Choose one of: {', '.join(known)}."
        )
    return known[name]


def _method(frozen: Frozen) -> str:
    text = {
        "individuals": "single values and moving ranges",
        "xbar_r": "subgroup means and ranges",
        "xbar_s": "subgroup means and standard deviations",
        "lot_means": "lot means as individuals",
    }[frozen.kind]
    text += f", limits {frozen.width:g} sigma, sigma by {frozen.estimator}"
    if frozen.kind == "lot_means":
        text += (
            f"; EWMA weight {frozen.weight:g}, limits {frozen.ewma_width:g} sigma"
            f"; within-lot S, limits {frozen.within_width:g} sigma"
        )
    return text


def _lot_cautions(sizes: FloatArray, within: Sigma | None) -> tuple[str, ...]:
    notes = []
    if within is None or not within.value > 0:
        notes.append("No lot has 2 different values: there is no chart of the spread within lots.")
    if sizes.max() > 2.0 * sizes.min():
        notes.append(
            f"Lots hold {sizes.min():.0f} to {sizes.max():.0f} values; limits of the lot means are the same for all."
        )
    return tuple(notes)
