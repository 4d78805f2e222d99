"""Summary figures of a sample, and mean and standard deviation from the running sums of rollups.

    mean = sum x / n      sd = sqrt(sum (x - mean)^2 / (n - 1))
    r1 = sum (x[i] - mean)(x[i-1] - mean) / sum (x - mean)^2      (NIST StRD, lag-1 autocorrelation)

The mean is corrected by the mean of the residuals and the sum of squares by their sum, so that at least 13 digits
hold on data whose spread is small against their size, as far as parsing to double keeps them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from qualrec.errors import ComputeError
from qualrec.stats.results import FloatArray


@dataclass(frozen=True, slots=True)
class Description:
    """Units are those of the values. `sd` is nan for n = 1; `r1` is nan for n = 1 or without spread."""

    n: int
    mean: float
    sd: float
    min: float
    max: float
    median: float
    r1: float


def describe(x: ArrayLike) -> Description:
    """Summary of the values of a one-dimensional array, in their order.

    Raises ComputeError for no values, for a missing (nan) or infinite value, and for values too large to square.
    """
    values = finite_values(x)
    mean, residuals = _centred(values)
    total = float(np.sum(residuals * residuals)) - float(np.sum(residuals)) ** 2 / values.size
    total = max(0.0, total)
    lagged = float(np.dot(residuals[1:], residuals[:-1]))
    return Description(
        n=int(values.size),
        mean=mean,
        sd=math.sqrt(total / (values.size - 1)) if values.size > 1 else math.nan,
        min=float(values.min()),
        max=float(values.max()),
        median=float(np.median(values)),
        r1=lagged / total if total > 0 else math.nan,
    )


def from_sums(n: ArrayLike, shift: ArrayLike, s1: ArrayLike, s2: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Mean and standard deviation from n, s1 = sum (x - shift) and s2 = sum (x - shift)^2, elementwise.

    mean = shift + s1/n, sd = sqrt((s2 - s1^2/n)/(n - 1)). Arrays of any shapes that fit together.
    The mean is nan for n = 0, the standard deviation for n < 2. A difference that rounding leaves below 0 is 0.
    """
    count = np.asarray(n, dtype=np.float64)
    first = np.asarray(s1, dtype=np.float64)
    some = np.where(count > 0, count, np.nan)
    mean = np.asarray(shift, dtype=np.float64) + first / some
    spread = np.maximum(np.asarray(s2, dtype=np.float64) - first * first / some, 0.0)
    return mean, np.sqrt(spread / np.where(count > 1, count - 1.0, np.nan))


LARGEST = 1e150
"""Values and their differences are squared and summed; beyond this the sum of squares is no double."""


def finite_values(x: ArrayLike) -> FloatArray:
    """The values as a one-dimensional array of doubles.

    Raises ComputeError for none, missing or infinite ones, and for values of 1e150 and more in size.
    """
    values = np.asarray(x, dtype=np.float64)
    if values.ndim != 1:
        raise ComputeError(
            f"One row of values is needed, got an array of shape {values.shape}.", "Give one column."
        )
    if values.size == 0:
        raise ComputeError("There are no values.", "Give at least one value.")
    missing, infinite = int(np.isnan(values).sum()), int(np.isinf(values).sum())
    if missing or infinite:
        first = int(np.flatnonzero(~np.isfinite(values))[0]) + 1
        raise ComputeError(
            f"{missing} missing and {infinite} infinite of {values.size} values; the first is number {first}.",
            "Leave them out on purpose, with a reason, or enter the values.",
        )
    check_size(values)
    return values


def check_size(values: FloatArray) -> None:
    """Raise ComputeError for values too large to square; nan is no value."""
    if values.size and not np.nanmax(np.abs(values), initial=0.0) < LARGEST:
        raise ComputeError("The values are too large to square.", "Give them in a larger unit.")


def _centred(values: FloatArray) -> tuple[float, FloatArray]:
    """The mean, and the residuals from it."""
    mean = values[0] + np.mean(values - values[0])
    mean = mean + np.mean(values - mean)
    return float(mean), values - mean
