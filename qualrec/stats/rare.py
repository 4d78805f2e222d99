"""Charts of rare failures: g (good parts between failures) and t (time between failures).

    g   good parts between two failures, geometric with p = 1/(gbar + 1): P(g >= j) = (1 - p)^j
        probability limits: lower = the largest L with P(g < L) <= tail, upper = the smallest U with P(g > U) <= tail
        three-sigma limits: gbar -+ L sqrt(gbar (gbar + 1)), lower not below 0
    t   time between two failures, exponential with mean tbar: quantiles -tbar ln(1 - tail), -tbar ln(tail)
        power form: t^(1/3.6) is nearly normal, so an individuals chart of it, drawn in the unit of time

`tail` is the normal tail beyond the width: 0.00135 for 3 sigma. A point below the lower limit is a failure that came
too soon; above the upper one the failures have become rarer. The centre is the median. With a few good parts between
failures the lower limit of g is 0 and cannot signal; a remark says so.
Source: Benneyan, Health Care Management Science 4, 2001 (g); Nelson, Journal of Quality Technology 26(3), 1994 (t)
(both from memory).
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from qualrec.errors import ComputeError
from qualrec.stats.results import Chart, FloatArray, Frozen, Track
from qualrec.stats.spread import moving_range
from qualrec.stats.usable import ENOUGH_POINTS, marks, plotted, usable

POWER = 1.0 / 3.6


def gaps_between(failed: ArrayLike) -> FloatArray:
    """Good parts between successive failures, from one mark (True = failed) for each part in order."""
    places = np.flatnonzero(np.asarray(failed, dtype=np.bool_))
    return np.diff(places).astype(np.float64) - 1.0


def g_chart(
    gaps: ArrayLike, *, used: ArrayLike | None = None, width: float = 3.0, method: str = "probability"
) -> Chart:
    """First-phase g chart of whole numbers of good parts between failures; `method` 'probability' or 'three sigma'.

    Raises ComputeError for fewer than 2 gaps, for a gap that is not a whole number of 0 or more, and where every
    part failed.
    """
    x, mask = usable(gaps, used)
    if np.any(x < 0) or np.any((x != np.floor(x)) & ~np.isnan(x)):
        raise ComputeError(
            "A gap is not a whole number of parts.", "Count the good parts between two failures."
        )
    if x[mask].sum() == 0:
        raise ComputeError(
            "There is no good part between the failures.", "A share (p chart) fits this better."
        )
    return _first_phase("g", x, mask, float(np.mean(x[mask])), width, method, ("probability", "three sigma"))


def t_chart(
    times: ArrayLike, *, used: ArrayLike | None = None, width: float = 3.0, method: str = "exponential"
) -> Chart:
    """First-phase t chart of times between failures (any unit, > 0); `method` 'exponential' or 'power'.

    Raises ComputeError for fewer than 2 times, for a time of 0 or less, and in the power form for no spread.
    """
    x, mask = usable(times, used)
    if np.any(x <= 0):
        raise ComputeError("A time between failures is 0 or less.", "Give the times in a finer unit.")
    return _first_phase("t", x, mask, float(np.mean(x[mask])), width, method, ("exponential", "power"))


def apply_rare(frozen: Frozen, values: ArrayLike, *, used: ArrayLike | None = None) -> Chart:
    """Second-phase g or t chart of new gaps or times under frozen limits."""
    x = plotted(values)
    mask = marks(used, x.shape)
    lower, centre, upper = rare_limits(frozen)
    name = "good parts between failures" if frozen.kind == "g" else "time between failures"
    middle, low, high, none = (np.full(x.shape, figure) for figure in (centre, lower, upper, np.nan))
    track = Track(name, x, middle, low, high, none, run_rules=False)
    return Chart(
        frozen.kind, (track,), mask, f"{name}, {frozen.estimator}, width {frozen.width:g} sigma", (), frozen
    )


def rare_limits(frozen: Frozen) -> tuple[float, float, float]:
    """Lower limit, centre (median) and upper limit of a frozen g or t chart."""
    tail = 0.5 * math.erfc(frozen.width / math.sqrt(2.0))
    mean = frozen.centre
    if frozen.estimator == "exponential":
        return -mean * math.log1p(-tail), mean * math.log(2.0), -mean * math.log(tail)
    if frozen.estimator == "power":
        edges = (mean - frozen.width * frozen.sigma, mean, mean + frozen.width * frozen.sigma)
        low, middle, high = (max(0.0, edge) ** (1.0 / POWER) for edge in edges)
        return low, middle, high
    log_good = math.log1p(-1.0 / (mean + 1.0))
    median = max(0.0, math.ceil(math.log(0.5) / log_good) - 1.0)
    if frozen.estimator == "three sigma":
        half = frozen.width * math.sqrt(mean * (mean + 1.0))
        return max(0.0, mean - half), median, mean + half
    return math.floor(math.log1p(-tail) / log_good), median, math.ceil(math.log(tail) / log_good) - 1.0


def _first_phase(
    kind: str,
    x: FloatArray,
    mask: NDArray[np.bool_],
    mean: float,
    width: float,
    method: str,
    known: tuple[str, str],
) -> Chart:
    if method not in known:
        raise ComputeError(f"The limits {method!r} are not known.", f"Choose {known[0]!r} or {known[1]!r}.")
    k, sigma = int(mask.sum()), math.nan
    if method == "power":
        estimate = moving_range(x[mask] ** POWER)
        mean, sigma = float(np.mean(x[mask] ** POWER)), estimate.value
        if not sigma > 0:
            raise ComputeError(
                "The times have no spread, so limits cannot be set.", "Give them in a finer unit."
            )
    frozen = Frozen(kind, mean, sigma, method, n=k, k=k, width=width)
    chart = apply_rare(frozen, x, used=mask)
    notes = []
    if k < ENOUGH_POINTS:
        notes.append(f"Limits rest on {k} gaps: trial limits, work them out again at {ENOUGH_POINTS}.")
    if rare_limits(frozen)[0] <= 0:
        notes.append(
            "The lower limit is 0: a single failure that comes soon cannot signal; look for runs of them."
        )
    return Chart(chart.kind, chart.tracks, mask, chart.method, tuple(notes), frozen)
