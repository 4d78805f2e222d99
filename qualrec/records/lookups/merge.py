"""Merging of running sums into one point per lot. Pure: arrays in, arrays out.

A rollup row holds, in the order of its samples, n, shift c, s1 = sum(x - c), s2 = sum((x - c)^2), first, last and
sp = sum (x[i] - c)(x[i+1] - c). Its mean is m = c + s1 / n and its sum of squares about the mean S = s2 - s1^2 / n. Rows merge
without loss: n = sum n_j, mean = sum n_j m_j / n, S = sum S_j + sum n_j (m_j - mean)^2 (Chan, Golub & LeVeque 1983, "Algorithms
for computing the sample variance", The American Statistician 37).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from qualrec.records.rollup import starts
from qualrec.values import FloatArray, IntArray


@dataclass(frozen=True, slots=True, eq=False)
class RollupRows:
    """Columns of rollup rows, parallel arrays sorted by point, run, then segment.

    Rows of one `run` (a stream under a condition within a point) follow each other in time, so that the last reading of one
    row and the first of the next are neighbours.
    """

    point: IntArray
    run: IntArray
    n: IntArray
    shift: FloatArray
    s1: FloatArray
    s2: FloatArray
    low: FloatArray
    high: FloatArray
    first: FloatArray
    last: FloatArray
    sp: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Points:
    """One entry per point; `start` is the first row of each."""

    start: IntArray
    n: IntArray
    mean: FloatArray
    sd: FloatArray
    low: FloatArray
    high: FloatArray
    r1: FloatArray


def _pool(
    start: IntArray, n: IntArray, shift: FloatArray, offset: FloatArray, squares: FloatArray
) -> tuple[IntArray, FloatArray, FloatArray, FloatArray]:
    """(n, origin, mean - origin, sum of squares) of groups beginning at `start`.

    `offset` is mean - shift of each row. The origin is the shift of the first row, so that digits are kept far from 0.
    """
    counts = np.diff(np.append(start, len(n)))
    total = np.add.reduceat(n, start)
    origin = shift[start]
    about = (shift - np.repeat(origin, counts)) + offset
    mean = np.add.reduceat(n * about, start) / total
    between = n * (about - np.repeat(mean, counts)) ** 2
    return total, origin, mean, np.add.reduceat(squares, start) + np.add.reduceat(between, start)


def merge_rows(rows: RollupRows) -> Points:
    """One point for each value of `point`. `sd` is nan where n < 2, exactly 0 where all values are equal.

    r1 = sum over runs of sum (x[i] - m)(x[i+1] - m), over the sum over runs of sum (x - m)^2, m the mean of the run: with one
    run the lag-1 autocorrelation of all its readings in order. nan where no run has 3 readings or all are equal.
    """
    if not len(rows.n):
        none = np.empty(0)
        return Points(np.empty(0, np.int64), np.empty(0, np.int64), none, none, none, none, none)
    offset = rows.s1 / rows.n
    squares = np.where(rows.low == rows.high, 0.0, np.maximum(0.0, rows.s2 - rows.s1 * offset))
    start = starts(rows.point)
    n, origin, mean, total = _pool(start, rows.n, rows.shift, offset, squares)
    low, high = np.minimum.reduceat(rows.low, start), np.maximum.reduceat(rows.high, start)
    total = np.where(low == high, 0.0, total)
    sd = np.where(n > 1, np.sqrt(total / np.maximum(1, n - 1)), np.nan)
    return Points(start, n, origin + mean, sd, low, high, _lag_one(rows, offset, squares, start))


def _lag_one(rows: RollupRows, offset: FloatArray, squares: FloatArray, start: IntArray) -> FloatArray:
    run = starts(rows.point, rows.run)
    counts = np.diff(np.append(run, len(rows.n)))
    n, origin, mean, spread = _pool(run, rows.n, rows.shift, offset, squares)
    low, high = np.minimum.reduceat(rows.low, run), np.maximum.reduceat(rows.high, run)
    spread = np.where(low == high, 0.0, spread)
    move = (rows.shift - np.repeat(origin, counts)) - np.repeat(mean, counts)
    first = (rows.first - rows.shift) + move
    last = (rows.last - rows.shift) + move
    ends = (rows.first - rows.shift) + (rows.last - rows.shift)
    about = rows.sp + move * (2 * rows.s1 - ends) + (rows.n - 1) * move * move
    joint = np.zeros_like(about)
    joint[1:] = last[:-1] * first[1:]
    joint[run] = 0.0
    product = np.add.reduceat(about + joint, run)
    usable = (n >= 3) & (spread > 0)
    group = np.searchsorted(run, start)
    top = np.add.reduceat(np.where(usable, product, 0.0), group)
    under = np.add.reduceat(np.where(usable, spread, 0.0), group)
    r1: FloatArray = np.divide(top, under, out=np.full(len(start), np.nan), where=under > 0)
    return r1
