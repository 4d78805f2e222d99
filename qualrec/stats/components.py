"""Variance components of nested levels: lot, then cavity, station ..., then within.

Model: value = mean + lot + cavity in lot + ... + within, each a random normal part. Two ways:

* "anova": mean squares of each level set equal to their expectations (Henderson's method 1 for unequal
counts).
  Intervals by the modified large-sample method, which takes the mean squares as independent chi-squares.
  A negative estimate is set to 0 and said so.
* "reml": restricted maximum likelihood; intervals by profile likelihood. The likelihood of a nested model is
put
  together level by level from group means, so counts, means and standard deviations of the lots are enough.

Source: Searle, Casella & McCulloch, Variance Components (1992); Burdick & Graybill, Confidence Intervals on
Variance Components (1992); Ting et al., J. Statistical Computation and Simulation 35 (1990) 135.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import chdtri, fdtrc, fdtri

from qualrec.errors import ComputeError
from qualrec.stats import nested_likelihood as nl
from qualrec.stats.inputs import check_level, codes, spread
from qualrec.stats.results import FloatArray, Interval


@dataclass(frozen=True, slots=True)
class AnovaTable:
    """One-way analysis of variance. `f` is inf and `p` 0 where nothing varies within groups."""

    df_between: int
    df_within: int
    ss_between: float
    ss_within: float
    ms_between: float
    ms_within: float
    f: float
    p: float
    r_squared: float
    residual_sd: float


@dataclass(frozen=True, slots=True)
class Component:
    """Variance of one level; `share` of the total; `unbounded` is the estimate before a negative one is
    set to 0."""

    name: str
    variance: float
    sd: float
    share: float
    interval: Interval
    unbounded: float
    groups: int


@dataclass(frozen=True, slots=True)
class Components:
    """Components from the outermost level to 'within'; `total` is the sum of the variances."""

    parts: tuple[Component, ...]
    total: float
    mean: float
    n: int
    method: str
    mean_squares: tuple[float, ...]
    df: tuple[int, ...]
    notes: tuple[str, ...]

    def part(self, name: str) -> Component:
        """The component of that name; KeyError where there is none."""
        for item in self.parts:
            if item.name == name:
                return item
        raise KeyError(name)


def anova_oneway(values: ArrayLike, groups: ArrayLike) -> AnovaTable:
    """One-way analysis of variance of `values` by `groups` (two 1-D arrays of one length).

    The sums are taken about the first value, in two passes, so that data far from zero keep their digits.
    Raises ComputeError for fewer than two groups, no second value in any group, nan or inf, or no spread.
    """
    x = spread(values)
    tree = nl.tree_of(x, [codes(groups, x.size)[0]])
    _check_tree(tree, "group")
    (ss_b, ss_w), (df_b, df_w) = nl.sums_of_squares(tree)
    ms_b, ms_w = ss_b / df_b, ss_w / df_w
    f = float(ms_b / ms_w) if ms_w > 0 else float("inf")
    p = float(fdtrc(df_b, df_w, f)) if ms_w > 0 else 0.0
    total = float(ss_b + ss_w)
    return AnovaTable(
        int(df_b), int(df_w), float(ss_b), float(ss_w), float(ms_b), float(ms_w), f, p,
        float(ss_b) / total, float(np.sqrt(ms_w)),
    )  # fmt: skip


def lot_components(
    n: ArrayLike, mean: ArrayLike, sd: ArrayLike, method: str = "anova", level: float = 0.95
) -> Components:
    """Lot and within components from lot counts, means and standard deviations (sd is not read where n < 2).

    The ANOVA interval of the lot component uses unweighted lot means and the harmonic mean of the counts.
    Raises ComputeError for fewer than two lots, no lot of two values, figures that are not finite, no spread.
    """
    tree = nl.tree_of_summaries(n, mean, sd)
    return _components(tree, ("lot",), method, level)


def nested_components(
    values: ArrayLike, levels: Mapping[str, ArrayLike], method: str = "anova", level: float = 0.95
) -> Components:
    """Components of values in nested levels, given from the outermost on, e.g. {"lot": ..., "cavity": ...}.

    A name is read inside its parent: cavity 1 of lot A and cavity 1 of lot B are two groups. Counts may be
    unequal. Raises ComputeError as `lot_components`, and where a level splits nothing further.
    """
    x = spread(values)
    if not levels:
        raise ComputeError("No level is given.", "Give at least the lot of each value.")
    labels = [codes(ids, x.size, name)[0] for name, ids in levels.items()]
    return _components(nl.tree_of(x, labels), tuple(levels), method, level)


def _check_tree(tree: nl.Tree, name: str) -> None:
    if tree.sizes[0] < 2:
        raise ComputeError(f"One {name} only.", "At least two are needed to see how they differ.")
    if tree.n.sum() == tree.n.size:
        raise ComputeError(
            f"No {name} holds a second value, so the spread inside cannot be told.",
            "Take several readings in one group, or leave the innermost level out.",
        )


def _components(tree: nl.Tree, names: tuple[str, ...], method: str, level: float) -> Components:
    check_level(level, 0.0)
    _check_tree(tree, names[-1] if len(names) > 1 and tree.sizes[0] > 1 else names[0])
    for outer, inner, a, b in zip(names, names[1:], tree.sizes, tree.sizes[1:], strict=False):
        if a == b:
            raise ComputeError(
                f"Each {outer} holds one {inner} only; their parts cannot be told apart.",
                f"Leave the {inner} out, or take readings from several in one {outer}.",
            )
    ss, df = nl.sums_of_squares(tree)
    if not ss.sum() > 0:
        raise ComputeError("All values are the same; there is no variance to split.", "Check the gauge.")
    matrix = nl.expected_mean_squares(tree)
    weights = np.linalg.inv(matrix)
    ms = ss / df
    if method == "anova":
        raw = weights @ ms
        bounds = [_mls(w, ms, df, level) for w in weights]
        if len(names) == 1:
            bounds[0] = _lot_interval(tree, ms, df, level)
    elif method == "reml":
        if not ss[-1] > 0:
            raise ComputeError("Nothing varies within the groups.", "Use the analysis of variance instead.")
        raw, bounds = nl.reml(tree, np.maximum(weights @ ms, 0.0), level)
    else:
        raise ComputeError(f"Unknown method {method!r}.", "Use 'anova' or 'reml'.")
    return _result(tree, names, method, level, raw, bounds, ms, df)


def _result(
    tree: nl.Tree,
    names: tuple[str, ...],
    method: str,
    level: float,
    raw: FloatArray,
    bounds: list[tuple[float, float]],
    ms: FloatArray,
    df: FloatArray,
) -> Components:
    variance = np.maximum(raw, 0.0)
    total = float(variance.sum())
    how = "modified large-sample" if method == "anova" else "profile likelihood"
    all_names = (*names, "within")
    groups = (*tree.sizes, int(tree.n.sum()))
    parts = tuple(
        Component(
            name,
            float(v),
            float(np.sqrt(v)),
            float(v / total),
            Interval(*limits, level, "chi-square" if name == "within" and method == "anova" else how),
            float(r),
            size,
        )
        for name, v, r, limits, size in zip(all_names, variance, raw, bounds, groups, strict=True)
    )
    negative = tuple(p.name for p in parts if p.unbounded < 0)
    notes = tuple(f"The {name} component came out negative and is set to 0." for name in negative)
    return Components(
        parts, total, nl.grand_mean(tree), int(tree.n.sum()), method,
        tuple(float(x) for x in ms), tuple(int(x) for x in df), notes,
    )  # fmt: skip


def _lot_interval(tree: nl.Tree, ms: FloatArray, df: FloatArray, level: float) -> tuple[float, float]:
    """Interval of the lot component from unweighted lot means (Thomas & Hultquist 1978)."""
    harmonic = 1.0 / np.mean(1.0 / tree.n)
    unweighted = harmonic * np.var(tree.mean, ddof=1)
    return _mls(np.array([1.0, -1.0]) / harmonic, np.array([unweighted, ms[1]]), df, level)


def _mls(weights: FloatArray, ms: FloatArray, df: FloatArray, level: float) -> tuple[float, float]:
    """Modified large-sample interval of sum(weights * expected mean squares), cut at 0.

    Ting et al. 1990: a mean square with a positive weight enters the lower limit with G = 1 - df/chi2(upper
    tail), one with a negative weight with H = df/chi2(lower tail) - 1, and cross terms that make the limit
    exact when one of the two dominates.
    """
    a = (1.0 - level) / 2.0
    low_g, high_h = 1.0 - df / chdtri(df, a), df / chdtri(df, 1.0 - a) - 1.0
    used = np.abs(weights) > 1e-12 * np.abs(weights).max()
    plus, minus = used & (weights > 0), used & (weights < 0)
    part = np.abs(weights) * ms
    down = ((low_g * part)[plus] ** 2).sum() + ((high_h * part)[minus] ** 2).sum()
    up = ((high_h * part)[plus] ** 2).sum() + ((low_g * part)[minus] ** 2).sum()
    for q in np.flatnonzero(plus):
        for r in np.flatnonzero(minus):
            f_up, f_low = float(fdtri(df[q], df[r], 1.0 - a)), float(fdtri(df[q], df[r], a))
            g = ((f_up - 1.0) ** 2 - (low_g[q] * f_up) ** 2 - high_h[r] ** 2) / f_up
            h = ((1.0 - f_low) ** 2 - (high_h[q] * f_low) ** 2 - low_g[r] ** 2) / f_low
            down += g * part[q] * part[r]
            up += h * part[q] * part[r]
    estimate = float((weights * ms)[used].sum())
    low = estimate - float(np.sqrt(max(down, 0.0)))
    return max(low, 0.0), max(estimate + float(np.sqrt(max(up, 0.0))), 0.0)
