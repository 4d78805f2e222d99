"""Which points limits may come from, and what to caution about them."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from qualrec.errors import ComputeError
from qualrec.stats.describe import check_size, describe
from qualrec.stats.results import FloatArray

ENOUGH_POINTS = 25
FEW_DISTINCT = 5


def plotted(values: ArrayLike) -> FloatArray:
    """One row of plotted values, nan where one is missing. Raises ComputeError for an infinite or too large value."""
    x = np.asarray(values, dtype=np.float64)
    if x.ndim != 1:
        raise ComputeError(
            f"One row of points is needed, got an array of shape {x.shape}.", "Give one column."
        )
    if np.any(np.isinf(x)):
        first = int(np.flatnonzero(np.isinf(x))[0]) + 1
        raise ComputeError(f"Point {first} is infinite.", "Correct the value, or leave the point empty.")
    check_size(x)
    return x


def usable(values: ArrayLike, used: ArrayLike | None = None) -> tuple[FloatArray, NDArray[np.bool_]]:
    """One row of plotted values and the mask of those that limits come from: present (not nan) and not left out.

    Raises ComputeError for an infinite value, a mask of another length and fewer than 2 points to use.
    """
    x = plotted(values)
    mask = ~np.isnan(x)
    if used is not None:
        mask = mask & marks(used, x.shape)
    if int(mask.sum()) < 2:
        raise ComputeError(
            f"Limits need at least 2 points, {int(mask.sum())} are present and not left out.", "Add points."
        )
    return x, mask


def present(values: ArrayLike, what: str, shape: tuple[int, ...]) -> FloatArray:
    """A row that goes with the plotted values: one number for all, or one each. Raises ComputeError otherwise."""
    row = np.asarray(values, dtype=np.float64)
    if row.shape not in ((), shape):
        raise ComputeError(
            f"{row.size} {what} for {shape[0]} points.", f"Give one of the {what} for every point."
        )
    return np.array(np.broadcast_to(row, shape))


def marks(chosen: ArrayLike | None, shape: tuple[int, ...]) -> NDArray[np.bool_]:
    """One mark for every plotted point; none marked where `chosen` is None. Raises ComputeError for another length."""
    if len(shape) != 1:
        raise ComputeError(f"One row of points is needed, got an array of shape {shape}.", "Give one column.")
    if chosen is None:
        return np.zeros(shape, dtype=np.bool_)
    mask = np.asarray(chosen, dtype=np.bool_)
    if mask.shape != shape:
        raise ComputeError(f"{mask.size} marks for {shape[0]} points.", "Give one mark for every point.")
    return mask


def cautions(values: FloatArray) -> tuple[str, ...]:
    """Remarks on first-phase limits from these values, in their order. Common practice, no source."""
    notes = []
    found = describe(values)
    if found.n < ENOUGH_POINTS:
        notes.append(
            f"Limits rest on {found.n} points: trial limits, work them out again at {ENOUGH_POINTS}."
        )
    distinct = np.unique(values).size
    if distinct < FEW_DISTINCT:
        notes.append(
            f"Only {distinct} different values: the resolution is too coarse for limits from ranges."
        )
    if found.n >= 8 and found.r1 > 2.0 / math.sqrt(found.n):
        notes.append(
            f"Successive points are alike (lag-1 autocorrelation {found.r1:.2f}): "
            "limits from moving ranges are too narrow and false alarms more frequent."
        )
    return tuple(notes)
