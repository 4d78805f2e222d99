"""Limits and signals of the lots of many characteristics at once, from rollup arrays.

All arrays are (characteristics, lots): n values in a lot, their mean and standard deviation. A lot without values has
n = 0 or mean nan. The figures are those of `charts.lot_means`, row by row: centre = mean of lot means, sigma = mean
moving range/d2, within = weighted sbar/c4. A row that cannot give limits, or that holds an infinite value
or one too large to square, has nan limits and no signals.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from qualrec.errors import ComputeError
from qualrec.stats import ewma
from qualrec.stats.charts import LOT_MEAN_WIDTH, WITHIN_WIDTH
from qualrec.stats.constants import c4_array, d2
from qualrec.stats.describe import LARGEST
from qualrec.stats.results import FloatArray, Frozen, IntArray
from qualrec.stats.rules import DEFAULT_RULES, Rule, matches
from qualrec.stats.spread import sd_weights


@dataclass(frozen=True, slots=True, eq=False)
class LotLimits:
    """Limits of each characteristic; arrays of one figure a characteristic, nan where there are none."""

    centre: FloatArray
    sigma: FloatArray
    within: FloatArray
    k: IntArray
    n: IntArray
    width: float = LOT_MEAN_WIDTH
    within_width: float = WITHIN_WIDTH
    weight: float = ewma.WEIGHT
    ewma_width: float = ewma.WIDTH


@dataclass(frozen=True, slots=True, eq=False)
class LotSignals:
    """Marks of (characteristics, lots): lot mean beyond a limit, its EWMA, within-lot spread; `rules` (rules, ...)."""

    mean: NDArray[np.bool_]
    ewma: NDArray[np.bool_]
    within: NDArray[np.bool_]
    rules: NDArray[np.bool_]


def lot_limits(n: ArrayLike, mean: ArrayLike, sd: ArrayLike, used: ArrayLike | None = None) -> LotLimits:
    """First-phase limits of every row from its used lots (`used` of the same shape; all where None).

    Rows with fewer than 2 used lots, or lot means without spread, get nan. Raises ComputeError for shapes that differ.
    """
    size, x, spread = _rows(n, mean, sd)
    mask = ~np.isnan(x) if used is None else ~np.isnan(x) & np.asarray(used, dtype=np.bool_)
    x = np.where(mask, x, np.nan)
    k = mask.sum(axis=-1)
    enough = np.where(k > 0, k, np.nan)
    closed = _closed_up(x)
    start = closed[:, 0] if closed.shape[1] else np.full(closed.shape[0], np.nan)
    centre = start + np.nansum(x - start[:, None], axis=-1) / enough
    ranges = np.abs(np.diff(closed, axis=-1))
    sigma = np.nansum(ranges, axis=-1) / np.where(k > 1, k - 1, np.nan) / d2(2)
    sigma = np.where(sigma > 0, sigma, np.nan)
    inner = mask & (size >= 2) & ~np.isnan(spread)
    weights = sd_weights(np.where(inner, size, np.nan))
    total = weights.sum(axis=-1)
    scaled = np.where(inner, spread / c4_array(size), 0.0)
    within = np.sum(weights * scaled, axis=-1) / np.where(total > 0, total, np.nan)
    within = np.where(within > 0, within, np.nan)
    values = np.where(mask, size, 0.0).sum(axis=-1)
    return LotLimits(
        np.where(np.isnan(sigma), np.nan, centre), sigma, within, k.astype(np.int64), values.astype(np.int64)
    )


def from_frozen(limits: Sequence[Frozen | None]) -> LotLimits:
    """Frozen lot limits of many characteristics side by side; None where a characteristic has none.

    Raises ComputeError for limits of another kind and for widths or weights that differ.
    """
    known = [item for item in limits if item is not None]
    if any(item.kind != "lot_means" for item in known):
        raise ComputeError(
            "Only limits of lot means can be applied together.", "Apply the other charts one by one."
        )
    widths = {(item.width, item.within_width, item.weight, item.ewma_width) for item in known}
    if len(widths) > 1:
        raise ComputeError(
            "The limits have different widths.", "Apply characteristics of each width by themselves."
        )
    chosen = widths.pop() if widths else (LOT_MEAN_WIDTH, WITHIN_WIDTH, ewma.WEIGHT, ewma.WIDTH)
    figures = np.asarray(
        [(item.centre, item.sigma, item.within) if item else (np.nan,) * 3 for item in limits],
        dtype=np.float64,
    ).reshape(-1, 3)
    counts = np.asarray([(item.k, item.n) if item else (0, 0) for item in limits], dtype=np.int64).reshape(
        -1, 2
    )
    return LotLimits(figures[:, 0], figures[:, 1], figures[:, 2], counts[:, 0], counts[:, 1], *chosen)


def lot_signals(
    n: ArrayLike,
    mean: ArrayLike,
    sd: ArrayLike,
    limits: LotLimits,
    *,
    rules: Sequence[Rule] = DEFAULT_RULES,
    left_out: ArrayLike | None = None,
) -> LotSignals:
    """Signals of every lot of every row under those limits.

    `left_out` marks lots with an assigned cause: they are judged, but do not enter the EWMA.
    """
    size, x, spread = _rows(n, mean, sd)
    centre, sigma = limits.centre[:, None], limits.sigma[:, None]
    half = limits.width * sigma
    into = x if left_out is None else np.where(np.asarray(left_out, dtype=np.bool_), np.nan, x)
    z, steps = ewma.ewma_values(into, limits.centre, limits.weight)
    reach = limits.ewma_width * sigma * ewma.ewma_spread(steps, limits.weight)
    factor = c4_array(size)
    noise = limits.within_width * np.sqrt(1.0 - factor**2)
    within = limits.within[:, None]
    wide, narrow = spread > (factor + noise) * within, spread < np.maximum(factor - noise, 0.0) * within
    return LotSignals(
        mean=np.abs(x - centre) > half,
        ewma=np.abs(z - centre) > reach,
        within=wide | narrow,
        rules=matches(x, centre, sigma, centre - half, centre + half, rules),
    )


def _rows(n: ArrayLike, mean: ArrayLike, sd: ArrayLike) -> tuple[FloatArray, FloatArray, FloatArray]:
    size, x, spread = (np.asarray(item, dtype=np.float64) for item in (n, mean, sd))
    if size.ndim != 2 or size.shape != x.shape or size.shape != spread.shape:
        raise ComputeError(
            f"n, mean and sd have the shapes {size.shape}, {x.shape} and {spread.shape}.",
            "Give all three as (characteristics, lots).",
        )
    wrong = np.any(~(np.isnan(x) | (np.abs(x) < LARGEST)), axis=-1, keepdims=True)
    return size, np.where((size > 0) & ~wrong, x, np.nan), spread


def _closed_up(x: FloatArray) -> FloatArray:
    """Rows with their missing points moved to the end, the others in order."""
    gone = np.isnan(x)
    if not gone.any():
        return x
    return np.take_along_axis(x, np.argsort(gone, axis=-1, kind="stable"), axis=-1)
