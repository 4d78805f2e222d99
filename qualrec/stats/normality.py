"""How far values are from a normal shape.

Anderson-Darling with mean and standard deviation estimated:
    A2 = -n - (1/n) sum (2i - 1) (ln F(z_i) + ln(1 - F(z_(n+1-i)))),   A2* = A2 (1 + 0.75/n + 2.25/n^2)
with the p-value of A2* by the fitted exponentials of D'Agostino & Stephens, Goodness-of-Fit Techniques
(1986), table 4.9. Shapiro-Wilk by Royston's method (scipy). Beyond 1,000 values even a shape that serves
well gives a small p-value; there the distance from the shape stands in its place.

Source: NIST/SEMATECH e-Handbook 1.3.5.14 (Anderson-Darling), 1.3.3.21 (normal probability plot).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import log_ndtr, ndtr, ndtri

from qualrec.errors import ComputeError
from qualrec.stats.inputs import spread
from qualrec.stats.results import FloatArray

P_VALUE_UP_TO = 1000
"""Largest n for which a p-value is given."""


@dataclass(frozen=True, slots=True)
class Normality:
    """`p_anderson` and `p_shapiro` are None beyond 1,000 values; W is None beyond 5,000 or below 3.

    `distance` is the largest difference between the shares below any value found and under the fitted normal
    shape (0 to 1), reached at the value `at`.
    """

    n: int
    mean: float
    sd: float
    a2: float
    a2_adjusted: float
    p_anderson: float | None
    w: float | None
    p_shapiro: float | None
    skewness: float
    excess_kurtosis: float
    distance: float
    at: float
    note: str


@dataclass(frozen=True, slots=True, eq=False)
class ProbabilityPlot:
    """Sorted values against normal quantiles; the line is `intercept + slope * quantile`, r its
    correlation."""

    quantiles: FloatArray
    values: FloatArray
    positions: FloatArray
    slope: float
    intercept: float
    r: float


def anderson_darling(values: ArrayLike) -> tuple[float, float, float]:
    """(A2, A2 adjusted, p) of normality with mean and sd estimated, for n >= 8 (the range the p-value was
    fitted on).

    Raises ComputeError for fewer than 8 values, nan or inf, or no spread.
    """
    x = np.sort(spread(values, least=8))
    a2 = a2_statistic(*_log_tails((x - x.mean()) / x.std(ddof=1)))
    n = x.size
    adjusted = a2 * (1.0 + 0.75 / n + 2.25 / n**2)
    return a2, adjusted, _p_value(adjusted)


def a2_statistic(log_below: FloatArray, log_above: FloatArray) -> float:
    """A2 from ln F and ln(1 - F) at the sorted values."""
    n = log_below.size
    rank = 2.0 * np.arange(1, n + 1) - 1.0
    return float(-n - (rank * (log_below + log_above[::-1])).sum() / n)


def normality(values: ArrayLike) -> Normality:
    """Anderson-Darling, Shapiro-Wilk, moments and the distance from the normal shape.

    Raises ComputeError for fewer than 8 values, nan or inf, or no spread.
    """
    x = np.sort(spread(values, least=8))
    n, mean, sd = x.size, float(x.mean()), float(x.std(ddof=1))
    a2, adjusted, p = anderson_darling(x)
    z = (x - mean) / float(x.std())
    distance, place = distance_from(x, ndtr((x - mean) / sd))
    w, p_w = _shapiro(x)
    small = n <= P_VALUE_UP_TO
    note = (
        "p is the chance of values that lie this far from a normal shape although the shape is normal."
        if small
        else f"{n} values: any small departure would give a small p-value, so the distance is given instead."
    )
    return Normality(
        n=n,
        mean=mean,
        sd=sd,
        a2=a2,
        a2_adjusted=adjusted,
        p_anderson=p if small else None,
        w=w,
        p_shapiro=p_w if small else None,
        skewness=float((z**3).mean()),
        excess_kurtosis=float((z**4).mean() - 3.0),
        distance=distance,
        at=float(x[place]),
        note=note,
    )


def distance_from(ordered: FloatArray, share_below: FloatArray) -> tuple[float, int]:
    """Largest difference between the share found and the share of a shape at sorted values, and its place."""
    n = ordered.size
    above = np.arange(1, n + 1) / n - share_below
    below = share_below - np.arange(n) / n
    gap = np.maximum(above, below)
    place = int(gap.argmax())
    return float(gap[place]), place


def probability_plot(values: ArrayLike) -> ProbabilityPlot:
    """Points of a normal probability plot, at positions (i - 0.375) / (n + 0.25) (Blom 1958).

    Raises ComputeError for fewer than 2 values, nan or inf, or no spread.
    """
    x = np.sort(spread(values))
    positions = (np.arange(1.0, x.size + 1.0) - 0.375) / (x.size + 0.25)
    q = np.asarray(ndtri(positions), dtype=np.float64)
    away = x - x.mean()
    slope = float((q * away).sum() / (q * q).sum())
    r = float((q * away).sum() / np.sqrt((q * q).sum() * (away * away).sum()))
    return ProbabilityPlot(q, x, positions, slope, float(x.mean()), r)


def shapiro_wilk(values: ArrayLike) -> tuple[float, float]:
    """(W, p) for 3 to 5,000 values. Raises ComputeError for fewer or more, nan or inf, or no spread."""
    x = spread(values, least=3)
    w, p = _shapiro(x)
    if w is None or p is None:
        raise ComputeError(f"{x.size} values; the method is known up to 5,000.", "Use the distance instead.")
    return w, p


def _shapiro(x: FloatArray) -> tuple[float | None, float | None]:
    from scipy.stats import shapiro

    if not 3 <= x.size <= 5000:
        return None, None
    found = shapiro((x - x.mean()) / x.std())
    return float(found.statistic), float(found.pvalue)


def _log_tails(z: FloatArray) -> tuple[FloatArray, FloatArray]:
    return log_ndtr(z), log_ndtr(-z)


def _p_value(a: float) -> float:
    """p of the adjusted statistic; D'Agostino & Stephens 1986, table 4.9."""
    if a >= 0.6:
        power = 1.2937 - 5.709 * a + 0.0186 * a * a
    elif a >= 0.34:
        power = 0.9177 - 4.279 * a - 1.38 * a * a
    elif a >= 0.2:
        return float(-np.expm1(-8.318 + 42.796 * a - 59.938 * a * a))
    else:
        return float(-np.expm1(-13.436 + 101.14 * a - 223.73 * a * a))
    return float(min(np.exp(power), 1.0)) if a < 150 else 0.0
