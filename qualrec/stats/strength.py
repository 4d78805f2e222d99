"""Strength of welds from pulls of which some break in the parent material.

A pull that ends in parent material says: the weld is at least this strong; a right-censored value. The fits
take weld and parent strength as independent; that is an assumption, and part of each result's notes.

Kaplan-Meier: S(x) = product over strengths t <= x of (1 - d/n at risk); variance by Greenwood, interval on
log(-log S). Competing modes: for each mode all other breaks are right-censored. Weld factor: mean strength
of welds over mean strength of the parent material, interval by Fieller with Welch's degrees of freedom.

Source: Meeker & Escobar, Statistical Methods for Reliability Data (1998); Nelson, Applied Life Data Analysis
(1982); Fieller, J. Royal Statistical Society B 16 (1954) 175.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri, stdtrit

from qualrec.errors import ComputeError
from qualrec.stats import censored
from qualrec.stats.inputs import SMALLEST, check_level, check_most, codes, finite
from qualrec.stats.results import FloatArray, Interval

MOST_PULLS = 50_000
INDEPENDENCE = (
    "Weld strength and parent strength are taken as independent; a break in parent material censors."
)


@dataclass(frozen=True, slots=True)
class Percentile:
    """Force that a share of all welds does not reach; B1 is the share 0.01, B0.1 the share 0.001."""

    share: float
    value: float
    interval: Interval


@dataclass(frozen=True, slots=True)
class StrengthFit:
    """Parameters with intervals, percentiles with intervals; `fit` computes any other quantile."""

    shape: str
    n: int
    failures: int
    censored_count: int
    parameters: dict[str, float]
    intervals: dict[str, Interval]
    percentiles: tuple[Percentile, ...]
    log_likelihood: float
    fit: censored.CensoredFit
    notes: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Survival:
    """Kaplan-Meier steps at the strengths of failures: share of welds stronger than `x`, with a pointwise
    interval."""

    x: FloatArray
    at_risk: FloatArray
    failures: FloatArray
    stronger: FloatArray
    low: FloatArray
    high: FloatArray
    level: float


@dataclass(frozen=True, slots=True, eq=False)
class StrengthPlot:
    """Points of a probability plot: `x` against `z` (standard quantile of the share failed), with the fitted
    line.

    `censored_x` are the censored strengths, drawn on the axis without a share.
    """

    x: FloatArray
    share: FloatArray
    z: FloatArray
    censored_x: FloatArray
    slope: float
    intercept: float
    log_axis: bool


@dataclass(frozen=True, slots=True)
class WeldFactor:
    """Ratio of two means; the interval is (-inf, inf) where the parent mean cannot be told from 0."""

    value: float
    interval: Interval
    weld_mean: float
    parent_mean: float
    n_weld: int
    n_parent: int
    notes: tuple[str, ...]


def fit_strength(
    values: ArrayLike,
    failed: ArrayLike | None = None,
    shape: str = "weibull",
    shares: tuple[float, ...] = (0.001, 0.01, 0.1, 0.5),
    level: float = 0.95,
) -> StrengthFit:
    """Censored maximum likelihood of a Weibull, lognormal or normal shape with profile-likelihood intervals.

    `values`: strengths; `failed`: False where the pull ended in parent material (None = all failed at the
    weld). Raises ComputeError for nan or inf, unequal lengths, fewer than 2 weld failures, no spread, values
    of 0 or less where the shape needs logarithms, more than 50,000 pulls.
    """
    check_level(level, 0.0)
    x, event = pulls(values, failed)
    check_most(x.size, MOST_PULLS, "likelihood intervals", "Take a systematic sample, every k-th pull.")
    found = censored.fit(shape, x, event)
    scale = found.scale_interval(level)
    if shape == "weibull":
        middle = found.quantile_interval(-math.expm1(-1.0), level)
        how = Interval(1.0 / scale.high, 1.0 / scale.low if scale.low > 0 else math.inf, level, scale.method)
        intervals = {"shape": how, "scale": middle}
    else:
        half = found.quantile_interval(0.5, level)
        if shape == "lognormal":
            low = math.log(half.low) if half.low > 0 else -math.inf
            half = Interval(low, math.log(half.high), level, half.method)
        intervals = dict(zip(found.parameters, (half, scale), strict=True))
    percentiles = tuple(Percentile(p, found.quantile(p), found.quantile_interval(p, level)) for p in shares)
    count = int(event.sum())
    notes = [INDEPENDENCE] if count < x.size else []
    if count < 5:
        notes.append(f"{count} weld failures only: the percentiles say little.")
    return StrengthFit(shape, int(x.size), count, int(x.size) - count, found.parameters, intervals, percentiles,
                       found.log_likelihood, found, tuple(notes))  # fmt: skip


def fit_modes(
    values: ArrayLike, modes: ArrayLike, shape: str = "weibull", level: float = 0.95
) -> Mapping[str, StrengthFit | str]:
    """One fit per mode, all other breaks taken as censored; a mode that cannot be fitted gives the reason as
    text.

    `modes`: one name per value. The modes are taken as independent.
    """
    x = finite(values)
    code, names = codes(modes, x.size, "mode")
    result: dict[str, StrengthFit | str] = {}
    for i, name in enumerate(names):
        try:
            result[name] = fit_strength(x, code == i, shape, level=level)
        except ComputeError as problem:
            result[name] = problem.message
    return result


def share_below_all_modes(fits: Mapping[str, StrengthFit | str], x: float) -> float:
    """Share of welds that break below x by any of the fitted modes: 1 - product of the shares that hold."""
    hold = 1.0
    for item in fits.values():
        if isinstance(item, StrengthFit):
            hold *= 1.0 - item.fit.share_below(x)
    return 1.0 - hold


def kaplan_meier(values: ArrayLike, failed: ArrayLike | None = None, level: float = 0.95) -> Survival:
    """Share of welds stronger than each failure strength. At equal strength failures come before censored
    values.

    Where the share is 1 or 0 the interval is that point. Raises ComputeError for no failure, nan or inf.
    """
    check_level(level, 0.0)
    x, event = pulls(values, failed)
    if not event.any():
        raise ComputeError(
            "No pull broke at the weld.", "The weakest pull is all that is known; see tolerance."
        )
    points, deaths = np.unique(x[event], return_counts=True)
    ordered = np.sort(x)
    at_risk = (x.size - np.searchsorted(ordered, points, side="left")).astype(float)
    d = deaths.astype(float)
    s = np.cumprod(1.0 - d / at_risk)
    z = float(ndtri(0.5 + level / 2.0))
    with np.errstate(divide="ignore", invalid="ignore"):
        greenwood = np.cumsum(d / (at_risk * (at_risk - d)))
        half = z * np.sqrt(greenwood) / np.abs(np.log(s))
        low, high = s ** np.exp(half), s ** np.exp(-half)
    edge = (s <= 0) | (s >= 1)
    return Survival(points, at_risk, d, s, np.where(edge, s, low), np.where(edge, s, high), level)


def strength_plot(fit: StrengthFit) -> StrengthPlot:
    """Plotting positions midway between Kaplan-Meier steps (Meeker & Escobar 6.4), line of the fit.

    For Weibull and lognormal the x-axis is logarithmic: z = intercept + slope ln x; else z = intercept +
    slope x.
    """
    x, event = fit.fit.x, fit.fit.failed
    km = kaplan_meier(x, event)
    below = 1.0 - km.stronger
    share = 0.5 * (below + np.concatenate([[0.0], below[:-1]]))
    z = np.log(-np.log1p(-share)) if fit.shape == "weibull" else ndtri(share)
    slope = 1.0 / fit.fit.scale
    return StrengthPlot(km.x, share, np.asarray(z), np.sort(x[~event]), slope, -fit.fit.location * slope,
                        fit.shape != "normal")  # fmt: skip


def weld_factor(
    welds: ArrayLike, parent: ArrayLike, failed: ArrayLike | None = None, level: float = 0.95
) -> WeldFactor:
    """Mean weld strength over mean parent strength, of the same test, speed and moisture state.

    Pulls that ended in parent material enter with their strength, so the factor is then a lower figure and
    says so. Raises ComputeError for fewer than 2 values on a side, nan or inf, a parent mean of 0 or less,
    no spread at all, welds that are all 0.
    """
    check_level(level, 0.0)
    a, event = pulls(welds, failed, least=2)
    b = finite(parent, "parent values", 2)
    mean_a, mean_b = float(a.mean()), float(b.mean())
    if not mean_b > SMALLEST:
        raise ComputeError("The mean parent strength is not above 0.", "Check the parent pulls.")
    va, vb = float(a.var(ddof=1)) / a.size, float(b.var(ddof=1)) / b.size
    ratio = mean_a / mean_b
    part = ratio * ratio * vb
    if not (va > 0 or part > 0):
        raise ComputeError(
            "Neither side has spread, or all welds are 0.", "Check the tester and the readings."
        )
    df = (va + part) ** 2 / (va * va / (a.size - 1) + part * part / (b.size - 1))
    t = float(stdtrit(df, 0.5 + level / 2.0))
    g = t * t * vb / mean_b**2
    if g < 1.0:
        half = t / mean_b * math.sqrt(va + part - g * va)
        interval = Interval((ratio - half) / (1 - g), (ratio + half) / (1 - g), level, "Fieller, Welch df")
    else:
        interval = Interval(-math.inf, math.inf, level, "Fieller, Welch df")
    held = int((~event).sum())
    notes = (
        (f"{held} of {a.size} pulls ended in parent material: the factor is at least this.",) if held else ()
    )
    return WeldFactor(ratio, interval, mean_a, mean_b, int(a.size), int(b.size), notes)


def pulls(
    values: ArrayLike, failed: ArrayLike | None, least: int = 1
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Strengths and whether each broke at the weld, checked."""
    x = finite(values, "strengths", least)
    event = np.ones(x.size, dtype=bool) if failed is None else np.asarray(failed, dtype=bool)
    if event.shape != x.shape:
        raise ComputeError(f"{x.size} strengths but {event.size} outcomes.", "Give one outcome per strength.")
    return x, event
