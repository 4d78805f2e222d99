"""Is the level drifting, how fast, and since when? For lot means or single values in their order in time.

change point   one step in the level. Point of least squares within both parts; whether there is a step is judged by
               the largest scaled difference of the two parts against random orders of the same values, and the
               interval is the posterior of the step's place, uniform prior (Smith, Biometrika 62(2), 1975):
               P(tau) ~ (tau (k - tau))^(-1/2) SSE(tau)^(-(k - 2)/2)
Mann-Kendall   S = number of rising less falling pairs; exact for up to 10 values without ties, else normal with the
               correction for ties and continuity
Theil-Sen      median slope of all pairs, interval from the distribution of S (Sen, JASA 63, 1968)
runs test      runs above and below the median (NIST e-Handbook 1.3.5.13); values on the median count as above, or
               are dropped

All sources from memory. A missing value (nan) is left out with its time.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from qualrec.errors import ComputeError
from qualrec.stats.describe import check_size
from qualrec.stats.inputs import check_most, check_spread
from qualrec.stats.results import FloatArray, Interval
from qualrec.stats.usable import present

ORDERS = 1999
MOST_PAIRS = 6000
MOST_ORDERED = 20_000
_SEED = 20240


@dataclass(frozen=True, slots=True)
class ChangePoint:
    """A step in the level. `first` is the index of the first point after it, `low` and `high` bound it."""

    first: int
    low: int
    high: int
    level: float
    """Confidence level of `low` .. `high`, given that there is one step."""
    before: float
    after: float
    sigma: float
    """Standard deviation within both parts."""
    p: float
    """Chance of so large a difference in random order."""
    n: int


@dataclass(frozen=True, slots=True)
class Since:
    """How long ago the step was, at the last point: number of points and time, each with its bounds."""

    points: int
    fewest: int
    most: int
    time: float
    shortest: float
    longest: float


@dataclass(frozen=True, slots=True)
class Trend:
    """Mann-Kendall test and Theil-Sen line; `slope` per unit of time, `start` the line at time 0."""

    s: int
    z: float
    p: float
    slope: float
    slope_interval: Interval
    start: float
    method: str
    n: int


@dataclass(frozen=True, slots=True)
class Runs:
    """Runs above and below `median`: their number, the number expected, Z and two-sided p."""

    runs: int
    expected: float
    z: float
    p: float
    above: int
    below: int
    median: float


def change_point(values: ArrayLike, *, level: float = 0.95) -> ChangePoint:
    """The most likely single step. Both parts hold at least one value.

    Raises ComputeError for fewer than 5 values, more than 20,000, values without spread, and a level outside 0..1.
    """
    _check_level(level)
    x, where = _row(values, 5, "A change point")
    check_most(x.size, MOST_ORDERED, "random orders", "Take lot means, or a stretch of the values.")
    k = x.size
    check_spread(x)
    centred = x - x.mean()
    total = float(np.dot(centred, centred))
    if not total > 0:
        raise ComputeError(
            "The values do not vary, so there is no step.", "Check the resolution of the gauge."
        )
    tau = np.arange(1, k)
    share = tau * (k - tau) / k
    gain = np.cumsum(centred)[:-1] ** 2 / (share * total)
    best = int(np.argmax(gain))
    residual = np.maximum(1.0 - gain, 1e-14)
    log_posterior = -0.5 * np.log(tau * (k - tau)) - 0.5 * (k - 2) * np.log(residual)
    low, high = _likely(log_posterior, level, best)
    cut = int(tau[best])
    return ChangePoint(
        first=int(where[cut]),
        low=int(where[tau[low]]),
        high=int(where[tau[high]]),
        level=level,
        before=float(x[:cut].mean()),
        after=float(x[cut:].mean()),
        sigma=math.sqrt(max(0.0, total * (1.0 - float(gain[best]))) / (k - 2)),
        p=_chance_of_gain(centred, share * total, float(gain[best])),
        n=k,
    )


def time_since(change: ChangePoint, times: ArrayLike) -> Since:
    """How long before the last point the step came; `times` (any unit, ascending) for all points, nan allowed.

    The step lies between the last point before it and the first after it; times are counted from the first after.
    """
    t = np.asarray(times, dtype=np.float64)
    if t.ndim != 1 or t.size <= change.high:
        raise ComputeError(
            f"{t.size} times do not reach the change at point {change.high + 1}.", "Give all times."
        )
    last = t.size - 1
    ago = [float(t[last] - t[at]) for at in (change.first, change.high, change.low)]
    return Since(last - change.first + 1, last - change.high + 1, last - change.low + 1, *ago)


def trend(values: ArrayLike, times: ArrayLike | None = None, *, level: float = 0.95) -> Trend:
    """Mann-Kendall test and Theil-Sen slope of values against times (0, 1, 2 .. where None).

    Raises ComputeError for fewer than 4 values, more than 6,000, equal values throughout, fewer than 2
    times, and a level outside 0..1.
    """
    from scipy import special

    _check_level(level)
    x, where = _row(values, 4, "A trend")
    if x.size > MOST_PAIRS:
        raise ComputeError(
            f"{x.size} values make too many pairs.", "Take lot means, or a stretch of the values."
        )
    t = where.astype(np.float64) if times is None else present(times, "times", np.shape(values))[where]
    rows, columns = np.triu_indices(x.size, 1)
    run, rise = t[columns] - t[rows], x[columns] - x[rows]
    rise, run = np.where(run < 0, -rise, rise)[run != 0], np.abs(run)[run != 0]
    if run.size == 0 or np.isnan(run).any() or np.ptp(x) == 0:
        raise ComputeError(
            "A trend needs different times and values.", "Check the times; a constant has no trend."
        )
    s = int(np.sum(np.sign(rise)))
    variance = _kendall_variance(x, t)
    z = (s - math.copysign(1, s)) / math.sqrt(variance) if s else 0.0
    exact = x.size <= 10 and np.unique(x).size == x.size and np.unique(t).size == x.size
    p = _exact_kendall(x.size, abs(s)) if exact else float(2.0 * special.ndtr(-abs(z)))
    slopes = np.sort(rise / run)
    half = float(special.ndtri(0.5 + level / 2.0)) * math.sqrt(variance)
    low = max(0, round((slopes.size - half) / 2.0) - 1)
    high = min(slopes.size - 1, round((slopes.size + half) / 2.0))
    slope = float(np.median(slopes))
    method = "exact" if exact else "normal, corrected for ties and continuity"
    interval = Interval(float(slopes[low]), float(slopes[high]), level, "Sen 1968")
    return Trend(s, z, p, slope, interval, float(np.median(x) - slope * np.median(t)), method, x.size)


def runs_test(values: ArrayLike, *, on_median: str = "above") -> Runs:
    """Runs test about the median; `on_median` 'above' counts values equal to it as above, 'dropped' leaves them out.

    Raises ComputeError for fewer than 4 values and where all lie on one side.
    """
    from scipy import special

    if on_median not in ("above", "dropped"):
        raise ComputeError(f"Values on the median cannot be {on_median!r}.", "Choose 'above' or 'dropped'.")
    x, _ = _row(values, 4, "A runs test")
    median = float(np.median(x))
    kept = x if on_median == "above" else x[x != median]
    over = kept >= median
    above, below = int(over.sum()), int((~over).sum())
    if above == 0 or below == 0:
        raise ComputeError(
            "All values lie on one side of the median.", "A runs test needs values on both sides."
        )
    runs = 1 + int(np.count_nonzero(over[1:] != over[:-1]))
    n, double = above + below, 2.0 * above * below
    expected = double / n + 1.0
    z = (runs - expected) / math.sqrt(double * (double - n) / (n * n * (n - 1.0)))
    return Runs(runs, expected, z, float(2.0 * special.ndtr(-abs(z))), above, below, median)


def _row(values: ArrayLike, least: int, what: str) -> tuple[FloatArray, NDArray[np.intp]]:
    """The present values and their places."""
    x = np.asarray(values, dtype=np.float64)
    if x.ndim != 1 or np.any(np.isinf(x)):
        raise ComputeError(
            f"{what} needs one row of finite values.", "Give one column, without infinite values."
        )
    check_size(x)
    where = np.flatnonzero(~np.isnan(x))
    if where.size < least:
        raise ComputeError(f"{what} needs at least {least} values, got {where.size}.", "Add values.")
    return x[where], where


def _check_level(level: float) -> None:
    if not 0.0 < level < 1.0:
        raise ComputeError(f"The confidence level must lie between 0 and 1, got {level}.", "Usual is 0.95.")


def _likely(log_posterior: FloatArray, level: float, best: int) -> tuple[int, int]:
    """Bounds of the most probable places that together hold `level`, the best one always among them."""
    weight = np.exp(log_posterior - log_posterior.max())
    order = np.argsort(-weight, kind="stable")
    held = np.cumsum(weight[order]) / weight.sum()
    chosen = order[: int(np.searchsorted(held, level)) + 1]
    return min(int(chosen.min()), best), max(int(chosen.max()), best)


def _chance_of_gain(centred: FloatArray, scale: FloatArray, gain: float) -> float:
    """Share of random orders whose best step explains at least as much; fixed seed, in blocks of bounded size."""
    rng = np.random.default_rng(_SEED)
    block = max(1, min(ORDERS, 2_000_000 // centred.size))
    reached, left = 0, ORDERS
    while left > 0:
        rows = rng.permuted(np.broadcast_to(centred, (min(block, left), centred.size)), axis=1)
        found = np.max(np.cumsum(rows, axis=1)[:, :-1] ** 2 / scale, axis=1)
        reached += int(np.count_nonzero(found >= gain * (1.0 - 1e-12)))
        left -= rows.shape[0]
    return (reached + 1) / (ORDERS + 1)


def _kendall_variance(x: FloatArray, t: FloatArray) -> float:
    """Variance of S under random order, with ties in values and in times (Kendall 1975)."""
    n = float(x.size)
    sums = []
    for row in (x, t):
        ties = np.unique(row, return_counts=True)[1].astype(np.float64)
        sums.append(
            (
                float(np.sum(ties * (ties - 1) * (2 * ties + 5))),
                float(np.sum(ties * (ties - 1) * (ties - 2))),
                float(np.sum(ties * (ties - 1))),
            )
        )
    (a, b, c), (u, v, w) = sums
    whole = (n * (n - 1) * (2 * n + 5) - a - u) / 18.0
    return whole + b * v / (9.0 * n * (n - 1) * (n - 2)) + c * w / (2.0 * n * (n - 1))


def _exact_kendall(n: int, s: int) -> float:
    """Two-sided chance of |S| >= s in random order, by counting orders with each number of inversions."""
    counts = np.ones(1)
    for size in range(2, n + 1):
        counts = np.convolve(counts, np.ones(size))
    pairs = n * (n - 1) // 2
    least = (pairs + s) // 2
    tail = float(counts[least:].sum() / counts.sum())
    return min(1.0, 2.0 * tail)
