"""A gauge against references and in use: bias, linearity, stability, uncertainty, guard bands.

Bias = mean of readings - reference, with Student's interval. Linearity: bias against reference by a straight
line; the gauge is linear and unbiased where the whole-curve band of the mean bias holds 0 over the range.
Stability: slope of repeated readings of one master over time with its interval. Uncertainty: u = sqrt(sum
u_i^2), U = k u. Guard bands: conformity is proved inside the limits drawn in by U, nonconformity beyond the
limits moved out by U; between, neither is proved.

Source: AIAG MSA 4 (from memory); ISO 14253-1 (zones); ISO/IEC Guide 98-3 (sum of variances).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import stdtr, stdtrit

from qualrec.errors import ComputeError
from qualrec.stats.compare import mean_test
from qualrec.stats.inputs import check_level, finite
from qualrec.stats.regression import LinearFit, line
from qualrec.stats.results import Interval


class Zone(StrEnum):
    """Where a reading lies once its uncertainty is counted."""

    CONFORMS = "conforms"
    NOT_PROVED = "not proved"
    DOES_NOT_CONFORM = "does not conform"


@dataclass(frozen=True, slots=True)
class Bias:
    """`shown` is True where the interval leaves 0 out; `percent` is of the tolerance or process width
    given."""

    value: float
    interval: Interval
    p: float
    n: int
    sd: float
    shown: bool
    percent: float


@dataclass(frozen=True, slots=True, eq=False)
class Linearity:
    """Line of bias against reference. `holds` is True where 0 lies in the band of the mean over the whole
    range."""

    fit: LinearFit
    slope_p: float
    intercept_p: float
    average_bias: float
    holds: bool


@dataclass(frozen=True, slots=True)
class Stability:
    """Drift per unit of time with its interval; `shown` where the interval leaves 0 out."""

    slope: float
    interval: Interval
    p: float
    n: int
    shown: bool


@dataclass(frozen=True, slots=True)
class Uncertainty:
    """Combined and expanded uncertainty; `shares` are the parts' shares of the variance."""

    standard: float
    expanded: float
    factor: float
    shares: dict[str, float]


def bias(values: ArrayLike, reference: float, width: float | None = None, level: float = 0.95) -> Bias:
    """Bias of repeated readings of one reference. `width`: tolerance or process spread for the percentage
    (else nan).

    Raises ComputeError for fewer than 2 values, no spread, a reference that is not a number, a width of 0 or
    less.
    """
    if not math.isfinite(reference) or (width is not None and not width > 0):
        raise ComputeError(f"Reference {reference}, width {width}.", "Give a number, and a width above 0.")
    x = finite(values, "readings", 2)
    test = mean_test(x - reference, 0.0, level)
    interval = test.interval or Interval(math.nan, math.nan, level, "")
    percent = 100.0 * abs(test.estimate) / width if width is not None else math.nan
    return Bias(test.estimate, interval, test.p, int(x.size), float(x.std(ddof=1)), test.shown, percent)


def linearity(references: ArrayLike, readings: ArrayLike, level: float = 0.95) -> Linearity:
    """Bias of readings over references (one reference value per reading, at least two different ones)."""
    check_level(level, 0.0)
    ref, x = finite(references, "references", 3), finite(readings, "readings", 3)
    if ref.size != x.size:
        raise ComputeError(f"{ref.size} references but {x.size} readings.", "Give one reference per reading.")
    fit = line(ref, x - ref)
    grid = np.linspace(float(ref.min()), float(ref.max()), 101)
    band = fit.predict(grid, level, "curve")
    holds = bool(((band.low <= 0) & (band.high >= 0)).all())
    intercept, slope = fit.coefficients
    return Linearity(fit, slope.p, intercept.p, float((x - ref).mean()), holds)


def stability(times: ArrayLike, readings: ArrayLike, level: float = 0.95) -> Stability:
    """Drift of readings of one master over `times` (numbers of any unit, e.g. days)."""
    check_level(level, 0.0)
    fit = line(finite(times, "times", 3), finite(readings, "readings", 3))
    slope = fit.coefficients[1]
    half = float(stdtrit(fit.df, 0.5 + level / 2.0)) * slope.standard_error
    interval = Interval(slope.value - half, slope.value + half, level, "Student t")
    p = 2.0 * float(stdtr(fit.df, -abs(slope.t)))
    return Stability(slope.value, interval, p, fit.n, p < 1.0 - level)


def uncertainty(parts: Mapping[str, float], factor: float = 2.0) -> Uncertainty:
    """Combine independent standard uncertainties by name. Raises ComputeError for none, negative ones or
    factor <= 0."""
    if not parts or any(not (math.isfinite(u) and u >= 0) for u in parts.values()):
        raise ComputeError("The uncertainties are not numbers of 0 or more.", "Give at least one.")
    if not (math.isfinite(factor) and factor > 0):
        raise ComputeError(f"The coverage factor is {factor}.", "Give a number above 0, usually 2.")
    total = math.fsum(u * u for u in parts.values())
    shares = {name: u * u / total if total > 0 else 0.0 for name, u in parts.items()}
    return Uncertainty(math.sqrt(total), factor * math.sqrt(total), factor, shares)


def acceptance_limits(lsl: float | None, usl: float | None, expanded: float) -> tuple[float, float]:
    """Limits drawn in by the expanded uncertainty: inside them conformity is proved; -inf or inf on an open
    side.

    Raises ComputeError where nothing is left between them, for no limit, or a negative uncertainty.
    """
    if not (math.isfinite(expanded) and expanded >= 0):
        raise ComputeError(f"The uncertainty is {expanded}.", "Give a number of 0 or more.")
    if lsl is None and usl is None:
        raise ComputeError("There is no specification limit.", "Give a lower limit, an upper limit, or both.")
    low = -math.inf if lsl is None else lsl + expanded
    high = math.inf if usl is None else usl - expanded
    if not low < high:
        raise ComputeError("The uncertainty leaves nothing between the limits.", "Use a better gauge.")
    return low, high


def zone(value: float, lsl: float | None, usl: float | None, expanded: float) -> Zone:
    """Zone of one reading. A value on a drawn-in limit conforms; one on a moved-out limit is not proved."""
    if not math.isfinite(value):
        raise ComputeError("The reading is missing or infinite.", "Find the reading.")
    low, high = acceptance_limits(lsl, usl, expanded)
    if low <= value <= high:
        return Zone.CONFORMS
    if (lsl is not None and value < lsl - expanded) or (usl is not None and value > usl + expanded):
        return Zone.DOES_NOT_CONFORM
    return Zone.NOT_PROVED
