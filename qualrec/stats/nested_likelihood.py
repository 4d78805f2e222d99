"""Nested groups, their sums of squares and the restricted likelihood of their variance components.

A group of items with means m_j and variances v_j about a common value is as good as one item with the
weighted mean and variance 1 / sum(1/v_j), times a factor free of that value. So the likelihood of a nested
model is summed from the innermost level outwards, in time proportional to the number of groups; the
outermost mean is integrated out with a flat prior, which is the restricted likelihood.

Source: Searle, Casella & McCulloch, Variance Components (1992), chapter 6, for the restricted likelihood.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import chdtri

from qualrec.errors import ComputeError
from qualrec.stats.describe import check_size
from qualrec.stats.results import FloatArray, IntArray


@dataclass(frozen=True, slots=True, eq=False)
class Tree:
    """Innermost groups: counts, means about `shift`, sums of squares about their own mean, and their parents.

    `parents[0]` maps each innermost group to the group one level further out, and so on; the outermost level
    has no parent. `sizes` holds the number of groups of each level, outermost first.
    """

    n: IntArray
    mean: FloatArray
    ss: FloatArray
    shift: float
    parents: tuple[IntArray, ...]
    sizes: tuple[int, ...]


def tree_of(values: FloatArray, labels: list[IntArray]) -> Tree:
    """Groups of `values` by nested labels, outermost first."""
    away = values - values[0]
    group = np.zeros(values.size, dtype=np.int64)
    chain: list[IntArray] = []
    for label in labels:
        pairs = group * (int(label.max()) + 1) + label
        group = np.unique(pairs, return_inverse=True)[1].astype(np.int64)
        chain.append(group)
    n = np.bincount(group)
    mean = np.bincount(group, weights=away) / n
    ss = np.bincount(group, weights=np.square(away - mean[group])).astype(np.float64)
    parents = []
    for outer, inner in pairwise(chain):
        first = np.unique(inner, return_index=True)[1]
        parents.append(outer[first])
    sizes = tuple(int(c.max()) + 1 for c in chain)
    return Tree(n.astype(np.int64), mean, ss, float(values[0]), tuple(reversed(parents)), sizes)


def tree_of_summaries(n: ArrayLike, mean: ArrayLike, sd: ArrayLike) -> Tree:
    """One level of groups from counts, means and standard deviations; groups with n = 0 are left out."""
    counts, means, sds = np.asarray(n, dtype=np.int64), np.asarray(mean, float), np.asarray(sd, float)
    if not counts.shape == means.shape == sds.shape or counts.ndim != 1:
        raise ComputeError("Counts, means and standard deviations differ in length.", "Give one of each.")
    here = counts > 0
    counts, means, sds = counts[here], means[here], np.where(counts > 1, sds, 0.0)[here]
    if not (np.isfinite(means).all() and np.isfinite(sds).all() and (sds >= 0).all()):
        raise ComputeError("A lot mean or standard deviation is missing or infinite.", "Rebuild the figures.")
    check_size(means)
    check_size(sds)
    shift = float(means[0]) if means.size else 0.0
    return Tree(counts, means - shift, (counts - 1.0) * sds**2, shift, (), (int(counts.size),))


def grand_mean(tree: Tree) -> float:
    """Mean of all values."""
    return float((tree.n * tree.mean).sum() / tree.n.sum()) + tree.shift


def _levels(tree: Tree) -> tuple[list[FloatArray], list[FloatArray]]:
    """Counts and means of the groups of every level, outermost first."""
    counts, means = [tree.n.astype(float)], [tree.mean]
    for parent in tree.parents:
        n = np.bincount(parent, weights=counts[0])
        means.insert(0, np.bincount(parent, weights=counts[0] * means[0]) / n)
        counts.insert(0, n)
    return counts, means


def sums_of_squares(tree: Tree) -> tuple[FloatArray, FloatArray]:
    """Sequential sums of squares and degrees of freedom: each level within the one outside it, last
    'within'."""
    counts, means = _levels(tree)
    grand = (counts[0] * means[0]).sum() / counts[0].sum()
    ss = [float((counts[0] * np.square(means[0] - grand)).sum())]
    for i, parent in enumerate(reversed(tree.parents)):
        ss.append(float((counts[i + 1] * np.square(means[i + 1] - means[i][parent])).sum()))
    sizes = np.array([1, *tree.sizes, int(tree.n.sum())], dtype=float)
    return np.array([*ss, float(tree.ss.sum())]), np.diff(sizes)


def expected_mean_squares(tree: Tree) -> FloatArray:
    """Matrix E with E(mean squares) = E @ variances, rows and columns from the outermost level to
    'within'."""
    counts, _ = _levels(tree)
    depth, total = len(counts), counts[0].sum()
    chain = list(reversed(tree.parents))
    uncorrected = np.zeros((depth + 1, depth + 1))
    uncorrected[0] = [*((c * c).sum() / total for c in counts), 1.0]
    for row in range(depth):
        group = np.arange(counts[row].size)
        for column in range(row, depth):
            if column > row:
                group = group[chain[column - 1]]
            squares = np.bincount(group, weights=counts[column] ** 2, minlength=counts[row].size)
            uncorrected[row + 1, column] = (squares / counts[row]).sum()
        uncorrected[row + 1, :row] = total
        uncorrected[row + 1, depth] = counts[row].size
    full = np.array([*([total] * depth), total])
    steps = np.diff(np.vstack([uncorrected, full]), axis=0)
    _, df = sums_of_squares(tree)
    return np.asarray(steps / df[:, None])


def log_likelihood(tree: Tree, variance: FloatArray) -> float:
    """Restricted log-likelihood (without the 2 pi terms) at the variances, outermost level first, 'within'
    last."""
    within = float(variance[-1])
    spare = tree.n - 1.0
    value = float((spare * np.log(within) + np.log(tree.n) + tree.ss / within).sum())
    mean, var = tree.mean, within / tree.n
    for i, part in enumerate(reversed(variance[:-1])):
        var = var + part
        last = i == len(tree.parents)
        group = np.zeros(mean.size, dtype=np.int64) if last else tree.parents[i]
        weight = 1.0 / var
        total = np.bincount(group, weights=weight)
        centre = np.bincount(group, weights=weight * mean) / total
        value += float(np.log(var).sum() + np.log(total).sum())
        value += float((weight * np.square(mean - centre[group])).sum())
        mean, var = centre, 1.0 / total
    return -0.5 * value


def reml(tree: Tree, start: FloatArray, level: float) -> tuple[FloatArray, list[tuple[float, float]]]:
    """Estimates and profile-likelihood intervals of the variances; an estimate may be 0 but never
    negative."""
    scale = float(start.sum())
    first = np.maximum(start / scale, 0.02)
    best, top = _maximise(lambda v: log_likelihood(tree, v * scale), first, None)
    drop = float(chdtri(1.0, 1.0 - level)) / 2.0
    limits = [
        _profile(lambda v: log_likelihood(tree, v * scale), best, top - drop, i) for i in range(best.size)
    ]
    return best * scale, [(low * scale, high * scale) for low, high in limits]


def _maximise(
    target: Callable[[FloatArray], float], start: FloatArray, fixed: tuple[int, float] | None
) -> tuple[FloatArray, float]:
    """Maximum over variances >= 0 ('within' > 0), one of them held at a value where `fixed` says so."""
    from scipy.optimize import minimize

    bounds: list[tuple[float, float | None]] = [(0.0, None) for _ in start]
    bounds[-1] = (1e-9, None)
    first = start.copy()
    if fixed is not None:
        bounds[fixed[0]] = (fixed[1], fixed[1])
        first[fixed[0]] = fixed[1]
    found = minimize(
        lambda v: -target(v), first, method="L-BFGS-B", bounds=bounds, options={"ftol": 1e-12, "gtol": 1e-7}
    )
    return np.asarray(found.x), -float(found.fun)


def _profile(
    target: Callable[[FloatArray], float], best: FloatArray, cut: float, index: int
) -> tuple[float, float]:
    """Where the profile likelihood of one variance falls to `cut`; the lower end is 0 where it does not."""
    from scipy.optimize import brentq

    floor = 1e-9 if index == best.size - 1 else 0.0
    near = best

    def gap(value: float) -> float:
        nonlocal near
        near, top = _maximise(target, np.maximum(near, 1e-4), (index, value))
        return top - cut

    here = float(best[index])
    low = 0.0 if gap(floor) >= 0 else float(brentq(gap, floor, here, xtol=1e-9, rtol=1e-6))
    step = max(here, 0.1)
    while gap(here + step) > 0:
        step *= 2.0
        if step > 1e6:
            return low, float("inf")
    return low, float(brentq(gap, here, here + step, xtol=1e-9, rtol=1e-6))
