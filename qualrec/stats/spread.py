"""Estimates of sigma: within subgroups (lots), from moving ranges, and overall.

Every estimate names its estimator, n, k and its degrees of freedom. Where an estimator is not a plain standard
deviation, `df` are the degrees of freedom of a standard deviation with the same relative scatter:
cv^2 = (1 - c4^2)/c4^2 solved for c4's degrees of freedom.

Unequal subgroup sizes are weighted for least variance (Burr 1969; ISO 7870-2 for equal sizes; from memory):

    sigma = sum f_i (R_i / d2_i) / sum f_i,  f = d2^2/d3^2        sigma = sum f_i (s_i / c4_i) / sum f_i,  f = c4^2/(1 - c4^2)

With equal sizes these are Rbar/d2 and sbar/c4.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from qualrec.errors import ComputeError
from qualrec.stats.constants import c4, c4_array, d2, d2_array, d3, d3_array
from qualrec.stats.describe import check_size, describe, finite_values
from qualrec.stats.results import FloatArray

MEDIAN_RANGE_FACTOR = 0.9538725524089488
"""Median of the range of two standard normal values: sqrt(2) times the upper quartile of the normal."""


@dataclass(frozen=True, slots=True)
class Sigma:
    """An estimate of sigma in the unit of the values, from n values in k subgroups, with df degrees of freedom."""

    value: float
    estimator: str
    df: float
    n: int
    k: int


def from_ranges(ranges: ArrayLike, sizes: ArrayLike) -> Sigma:
    """Rbar/d2 over subgroups with those ranges and sizes (one size for all, or one each, all >= 2).

    Raises ComputeError without subgroups, for sizes below 2 and for negative ranges.
    """
    spread, size = _subgroups(ranges, sizes, "range")
    weight = (d2_array(size) / d3_array(size)) ** 2
    value = float(np.sum(weight * spread / d2_array(size)) / weight.sum())
    return Sigma(value, "Rbar/d2", _df(1.0 / float(weight.sum())), int(size.sum()), size.size)


def from_sds(sds: ArrayLike, sizes: ArrayLike) -> Sigma:
    """sbar/c4 over subgroups with those standard deviations and sizes (one size for all, or one each, all >= 2).

    Raises ComputeError without subgroups, for sizes below 2 and for negative standard deviations.
    """
    spread, size = _subgroups(sds, sizes, "standard deviation")
    weight = sd_weights(size)
    value = float(np.sum(weight * spread / c4_array(size)) / weight.sum())
    return Sigma(value, "sbar/c4", _df(1.0 / float(weight.sum())), int(size.sum()), size.size)


def pooled(sds: ArrayLike, sizes: ArrayLike) -> Sigma:
    """Pooled standard deviation over c4 of the pooled degrees of freedom.

    sp = sqrt(sum (n_i - 1) s_i^2 / sum (n_i - 1)), sigma = sp/c4. Subgroups of one value add nothing and count in n.
    Raises ComputeError where no subgroup has two values.
    """
    spread, size = _subgroups(sds, sizes, "standard deviation", least=1)
    df = float(np.sum(size - 1))
    if df < 1:
        raise ComputeError("No subgroup has two values.", "Give at least one subgroup of 2 values.")
    square = float(np.sum(np.where(size > 1, (size - 1) * spread**2, 0.0)))
    return Sigma(math.sqrt(square / df) / c4(df + 1.0), "pooled s/c4", df, int(size.sum()), size.size)


def moving_range(values: ArrayLike) -> Sigma:
    """Mean moving range of successive values over d2(2). Raises ComputeError for fewer than 2 values."""
    x, ranges = _successive(values)
    m = ranges.size
    scatter = (m * d3(2) ** 2 + 2.0 * (m - 1) * _neighbour_covariance()) / (m * d2(2)) ** 2
    return Sigma(float(ranges.mean()) / d2(2), "mean moving range/d2", _df(scatter), x.size, x.size)


def median_moving_range(values: ArrayLike) -> Sigma:
    """Median moving range over the median range of two normal values (0.9539); single jumps bear on it little.

    `df` rests on the large-sample variance of the median, overlap of neighbouring ranges included.
    Raises ComputeError for fewer than 2 values.
    """
    x, ranges = _successive(values)
    scatter = _median_scatter() / ranges.size
    value = float(np.median(ranges)) / MEDIAN_RANGE_FACTOR
    return Sigma(value, "median moving range/0.9539", _df(scatter), x.size, x.size)


def overall(values: ArrayLike) -> Sigma:
    """The sample standard deviation of all values, not divided by c4. Raises ComputeError for fewer than 2."""
    x = finite_values(values)
    if x.size < 2:
        raise ComputeError("One value has no spread.", "Give at least 2 values.")
    return Sigma(describe(x).sd, "overall s", float(x.size - 1), int(x.size), 1)


def overall_of_lots(n: ArrayLike, mean: ArrayLike, sd: ArrayLike) -> Sigma:
    """The standard deviation of all values of all lots together, from each lot's n, mean and sd.

    Lots with n = 0 are left out; sd of a lot of one value is not used. Raises ComputeError for fewer than 2 values.
    """
    size = np.asarray(n, dtype=np.float64)
    keep = size > 0
    size, centre = size[keep], np.asarray(mean, dtype=np.float64)[keep]
    inside = np.where(size > 1, np.asarray(sd, dtype=np.float64)[keep], 0.0)
    total = float(size.sum())
    if total < 2:
        raise ComputeError(
            "Fewer than 2 values have no spread.", "Give lots with at least 2 values together."
        )
    start = float(centre[0])
    grand = start + float(np.sum(size * (centre - start))) / total
    square = float(np.sum((size - 1.0) * inside**2) + np.sum(size * (centre - grand) ** 2))
    return Sigma(math.sqrt(square / (total - 1.0)), "overall s", total - 1.0, int(total), size.size)


def sd_weights(sizes: ArrayLike) -> FloatArray:
    """Weight c4^2/(1 - c4^2) of s/c4 of a subgroup, elementwise; 0 where the size is below 2 or nan."""
    factor = c4_array(sizes) ** 2
    return np.where(np.isnan(factor), 0.0, factor / (1.0 - np.nan_to_num(factor)))


def _subgroups(
    spreads: ArrayLike, sizes: ArrayLike, what: str, least: int = 2
) -> tuple[FloatArray, FloatArray]:
    spread = np.atleast_1d(np.asarray(spreads, dtype=np.float64))
    size = np.broadcast_to(np.asarray(sizes, dtype=np.float64), spread.shape)
    if spread.size == 0:
        raise ComputeError(
            "There are no subgroups.", f"Give at least one subgroup of {least} or more values."
        )
    if not np.all(size >= least):
        raise ComputeError(
            f"Subgroup {int(np.flatnonzero(~(size >= least))[0]) + 1} has fewer than {least} values.",
            f"Leave it out or give {least} or more values.",
        )
    check_size(spread)
    known = np.isfinite(spread) | (size < 2)
    if not np.all(known & ~(spread < 0)):
        first = int(np.flatnonzero(~(known & ~(spread < 0)))[0]) + 1
        raise ComputeError(
            f"The {what} of subgroup {first} is not a number of 0 or more.", "Correct or leave out."
        )
    return spread, size


def _successive(values: ArrayLike) -> tuple[FloatArray, FloatArray]:
    x = finite_values(values)
    if x.size < 2:
        raise ComputeError("A moving range needs 2 values.", "Give at least 2 values in their order in time.")
    return x, np.abs(np.diff(x))


@lru_cache(maxsize=4096)
def _df(scatter: float) -> float:
    """Degrees of freedom whose (1 - c4^2)/c4^2 is `scatter`, the squared relative scatter of the estimate."""
    low, high = 1e-3, 1.0 / scatter + 2.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        factor = c4(middle + 1.0) ** 2
        low, high = (middle, high) if (1.0 - factor) / factor > scatter else (low, middle)
    return 0.5 * (low + high)


def _neighbour_covariance() -> float:
    """Covariance of |x1 - x2| and |x2 - x3| for standard normal values: E|u v| at correlation -1/2 less E|u|^2."""
    product = 4.0 / math.pi * (math.sqrt(0.75) + 0.5 * math.asin(0.5))
    return product - d2(2) ** 2


@lru_cache(maxsize=1)
def _median_scatter() -> float:
    """Large-sample squared relative scatter of the median moving range, times the number of ranges.

    Var(median) = (1/4 + 2 cov)/f^2 per range; f is the density of the range at its median and cov the covariance
    of two neighbouring ranges lying below it.
    """
    median = MEDIAN_RANGE_FACTOR
    step = 1.0 / 64.0
    at = np.arange(-9.0, 9.0, step)
    inside = [math.erf((t + median) / math.sqrt(2.0)) - math.erf((t - median) / math.sqrt(2.0)) for t in at]
    both = float(np.sum(step * np.exp(-0.5 * at * at) * (0.5 * np.asarray(inside)) ** 2)) / math.sqrt(
        2.0 * math.pi
    )
    density = math.exp(-0.25 * median * median) / math.sqrt(math.pi)
    return (0.25 + 2.0 * (both - 0.25)) / (density * median) ** 2
