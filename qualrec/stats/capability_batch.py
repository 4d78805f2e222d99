"""Capability indices and their lower bounds for many characteristics at once, from rollup arrays.

    Cp  = (usl - lsl) / (6 s_within)       Pp  = (usl - lsl) / (6 s_overall)
    Cpl = (mean - lsl) / (3 s_within)      Ppl = (mean - lsl) / (3 s_overall)
    Cpu = (usl - mean) / (3 s_within)      Ppu = (usl - mean) / (3 s_overall)
    Cpk = min(Cpl, Cpu)                    Ppk = min(Ppl, Ppu)
    Cpm = (usl - lsl) / (6 sqrt(s_overall^2 + (mean - target)^2))

s_within is the pooled standard deviation within lots over c4 of its n - k degrees of freedom; where every
lot holds one value it is the mean moving range of successive lots over d2(2). Any other estimate of
`qualrec.stats.spread` can be given instead. s_overall is that of all values about the grand mean, not
divided by c4. `qualrec.stats.capability` is the same computation for one characteristic, with its words.

Source: ISO 22514-2, ISO 22514-4; NIST/SEMATECH e-Handbook 6.1.6; Cpm and its bound: Boyles, J. Quality
Technology 23 (1991) 17; variance of the mean moving range: Cryer & Ryan, J. Quality Technology 22 (1990)
187.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from qualrec.errors import ComputeError
from qualrec.stats import capability_bounds as cb
from qualrec.stats.constants import c4_array
from qualrec.stats.describe import LARGEST
from qualrec.stats.inputs import SMALLEST, check_level
from qualrec.stats.results import FloatArray, IntArray

WITHIN = ("Cp", "Cpk", "Cpl", "Cpu")
OVERALL = ("Pp", "Ppk", "Ppl", "Ppu")

NO_LIMIT = "no limit"
CROSSED = "limits crossed"
NOT_FINITE = "not finite"
TOO_FEW = "fewer than 2 values"
NO_SPREAD = "no spread"


@dataclass(frozen=True, slots=True, eq=False)
class CapabilityBatch:
    """One entry per characteristic in every array.

    `values` and `bounds` hold one array for each of Cp Cpk Cpl Cpu Pp Ppk Ppl Ppu Cpm; nan where the index
    does not exist (one-sided specification, no target, no spread within lots). The bounds are one-sided
    lower bounds at `level`; those of Pp, Ppk, Ppl, Ppu, Cpm are taken from the lots where there are two or
    more. `independent` is the bound of Ppk as if all values were independent. `problem` is "" or one of the
    words of this module; then all values are nan.
    """

    moments: cb.LotMoments
    sd_within: FloatArray
    df_within: FloatArray
    moving_range: NDArray[np.bool_]
    """True where s_within is the mean moving range over d2."""
    sd_overall: FloatArray
    values: dict[str, FloatArray]
    bounds: dict[str, FloatArray]
    independent: FloatArray
    problem: tuple[str, ...]
    level: float


def index_values(
    mean: ArrayLike, sigma: ArrayLike, lsl: ArrayLike, usl: ArrayLike
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """(Cp, Cpk, Cpl, Cpu) for any sigma, shapes broadcast; nan limit = none, then Cp is nan and Cpk the
    other side.

    nan where sigma is 0 or nan. The same formulas give Pp, Ppk, Ppl, Ppu with the overall standard deviation.
    """
    m, s, low, high = (np.asarray(x, float) for x in (mean, sigma, lsl, usl))
    s = np.where(s > 0, s, np.nan)
    lower, upper = (m - low) / (3.0 * s), (high - m) / (3.0 * s)
    return np.asarray((high - low) / (6.0 * s)), np.fmin(lower, upper), np.asarray(lower), np.asarray(upper)


def capability_batch(
    n: ArrayLike,
    mean: ArrayLike,
    sd: ArrayLike,
    lsl: ArrayLike,
    usl: ArrayLike,
    target: ArrayLike = np.nan,
    level: float = 0.95,
    within: tuple[ArrayLike, ArrayLike] | None = None,
) -> CapabilityBatch:
    """Indices of C characteristics from arrays of shape (C, lots); n = 0 marks a lot that is not there.

    `lsl`, `usl`, `target`: shape (C,) or scalar, nan = none. `sd` is read only where n >= 2. Raises
    ComputeError for arrays of unequal shape or a level outside (0.5, 1). Rows that cannot be computed get a
    word in `problem` and nan, so that one bad characteristic does not stop the others.
    """
    counts = np.atleast_2d(np.asarray(n, dtype=np.int64))
    means, sds = np.atleast_2d(np.asarray(mean, float)), np.atleast_2d(np.asarray(sd, float))
    if not counts.shape == means.shape == sds.shape or counts.ndim != 2 or counts.shape[1] == 0:
        raise ComputeError(
            f"Counts, means and standard deviations have shapes {counts.shape}, {means.shape}, {sds.shape}.",
            "Give three arrays of one shape, one row per characteristic and one column per lot.",
        )
    check_level(level)
    rows = counts.shape[0]
    low, high, goal = (np.broadcast_to(np.asarray(x, float), (rows,)) for x in (lsl, usl, target))
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        moments = cb.lot_moments(counts, means, sds, level)
        problem = _problems(counts, means, sds, low, high, moments)
        return _indices(counts, means, low, high, goal, moments, problem, level, within)


def _indices(
    counts: IntArray,
    means: FloatArray,
    low: FloatArray,
    high: FloatArray,
    goal: FloatArray,
    moments: cb.LotMoments,
    problem: tuple[str, ...],
    level: float,
    within: tuple[ArrayLike, ArrayLike] | None,
) -> CapabilityBatch:
    rows = counts.shape[0]
    if within is None:
        sd_within, df_within, moving = _sigma_within(counts, means, moments)
    else:
        sd_within, df_within = (np.broadcast_to(np.asarray(x, float), (rows,)) for x in within)
        moving = np.zeros(rows, dtype=bool)
    sd_overall = np.sqrt(moments.var_overall)
    values = dict(zip(WITHIN, index_values(moments.mean, sd_within, low, high), strict=True))
    values |= dict(zip(OVERALL, index_values(moments.mean, sd_overall, low, high), strict=True))
    values["Cpm"] = (high - low) / (6.0 * np.hypot(sd_overall, moments.mean - goal))
    bounds = _within_bounds(values, moments, sd_within, df_within, level)
    bounds |= _overall_bounds(values, moments, goal, level)
    independent = _independent_bound(values, moments, level)
    good = np.array([word == "" for word in problem])
    for table in (values, bounds):
        table.update({name: np.where(good, figures, np.nan) for name, figures in table.items()})
    independent = np.where(good, independent, np.nan)
    return CapabilityBatch(
        moments, sd_within, df_within, moving, sd_overall, values, bounds, independent, problem, level
    )


def _problems(
    n: IntArray, mean: FloatArray, sd: FloatArray, low: FloatArray, high: FloatArray, moments: cb.LotMoments
) -> tuple[str, ...]:
    """The first thing that stops each row, in words; "" where nothing does."""
    bad_mean = ((n > 0) & ~np.isfinite(mean)) | ((n > 1) & ~(np.isfinite(sd) & (sd >= 0))) | (n < 0)
    words = np.full(n.shape[0], "", dtype=object)
    words[~(moments.var_overall > SMALLEST**2)] = NO_SPREAD
    words[moments.n < 2] = TOO_FEW
    words[low >= high] = CROSSED
    words[np.isnan(low) & np.isnan(high)] = NO_LIMIT
    large = (np.abs(mean) >= LARGEST) & (n > 0)
    words[(bad_mean | large).any(axis=-1) | np.isinf(low) | np.isinf(high)] = NOT_FINITE
    return tuple(str(word) for word in words)


def _sigma_within(
    n: IntArray, mean: FloatArray, moments: cb.LotMoments
) -> tuple[FloatArray, FloatArray, NDArray[np.bool_]]:
    """Sigma within lots, its degrees of freedom, and where it is a moving range of lots of one value.

    Moving range of k lots: sigma = mean |x_i - x_(i-1)| sqrt(pi)/2; cv^2 = (0.8264 k - 1.0820) / (k - 1)^2
    with the exact factors below, and df = 1/(2 cv^2) + 1/4.
    """
    moving = (moments.df_within == 0) & (moments.k > 1)
    df = moments.df_within.copy()
    sigma = np.sqrt(moments.var_within) / c4_array(df + 1.0)
    if moving.any():
        order = np.argsort(n[moving] == 0, axis=-1, kind="stable")
        line = np.take_along_axis(mean[moving], order, axis=-1)
        k = moments.k[moving].astype(float)
        steps = np.abs(np.diff(line, axis=-1))
        used = np.arange(1, line.shape[-1]) < k[:, None]
        sigma[moving] = np.where(used, steps, 0.0).sum(axis=-1) / (k - 1.0) * np.sqrt(np.pi) / 2.0
        one = np.pi / 2.0 - 1.0
        two = np.sqrt(3.0) / 2.0 + np.pi / 12.0 - 1.0
        df[moving] = 0.25 + (k - 1.0) ** 2 / (2.0 * ((k - 1.0) * one + 2.0 * (k - 2.0) * two))
    return np.where(sigma > 0, sigma, np.nan), df, moving


def _within_bounds(
    values: dict[str, FloatArray], moments: cb.LotMoments, sigma: FloatArray, df: FloatArray, level: float
) -> dict[str, FloatArray]:
    """Bounds of Cp, Cpk, Cpl, Cpu; the mean is taken with the spread between lots in it."""
    factor = c4_array(df + 1.0)
    weight = np.square(sigma * factor) / moments.var_mean
    raw = {name: values[name] / factor for name in WITHIN}
    lower = cb.bound_one_sided(raw["Cpl"], weight, df, level)
    upper = cb.bound_one_sided(raw["Cpu"], weight, df, level)
    one_lot = (moments.k == 1) & np.isfinite(raw["Cp"])
    both = np.where(one_lot, cb.bound_two_sided(raw["Cpk"], weight, df, level), np.fmin(lower, upper))
    return {"Cp": cb.bound_spread(raw["Cp"], df, level), "Cpk": both, "Cpl": lower, "Cpu": upper}


def _overall_bounds(
    values: dict[str, FloatArray], moments: cb.LotMoments, goal: FloatArray, level: float
) -> dict[str, FloatArray]:
    """Bounds of Pp, Ppk, Ppl, Ppu, Cpm from the total variance of the lots; never above the index itself.

    Cpm: value * sqrt(chi2(1 - level; v) / v), v = f (1 + x^2)^2 / (1 + 2 x^2), x = (mean - target) / s.
    """
    scale = np.sqrt(moments.var_overall / moments.var_total)
    weight, df = moments.n_effective, moments.df_total
    lower = cb.bound_one_sided(values["Ppl"] * scale, weight, df, level)
    upper = cb.bound_one_sided(values["Ppu"] * scale, weight, df, level)
    one_lot = (moments.k == 1) & np.isfinite(values["Pp"])
    both = np.where(one_lot, cb.bound_two_sided(values["Ppk"], weight, df, level), np.fmin(lower, upper))
    off = np.square(moments.mean - goal) / moments.var_total
    away = moments.var_total * (1.0 + off)
    near = moments.var_overall + np.square(moments.mean - goal)
    cpm_df = df * (1.0 + off) ** 2 / (1.0 + 2.0 * off)
    bounds = {
        "Pp": cb.bound_spread(values["Pp"] * scale, df, level),
        "Ppk": both,
        "Ppl": lower,
        "Ppu": upper,
        "Cpm": cb.bound_spread(values["Cpm"] * np.sqrt(near / away), cpm_df, level),
    }
    return {name: np.minimum(bound, values[name]) for name, bound in bounds.items()}


def _independent_bound(values: dict[str, FloatArray], moments: cb.LotMoments, level: float) -> FloatArray:
    """Bound of Ppk as if every value were independent: Bissell with two limits, non-central t with one."""
    n, df = moments.n.astype(float), moments.n - 1.0
    two = cb.bound_two_sided(values["Ppk"], n, df, level)
    one = np.where(np.isfinite(values["Pp"]), np.nan, values["Ppk"])
    return np.where(np.isfinite(values["Pp"]), two, cb.bound_one_sided(one, n, df, level))
