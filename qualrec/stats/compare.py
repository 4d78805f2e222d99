"""Comparing stations, cavities, lots or recipe revisions, and tests of one mean or one standard deviation.

Every test returns its statistic, degrees of freedom, p-value, critical values at the level asked and, where
there is one, the difference with its interval. A small p-value says that a difference is shown, not that it
matters; a large one does not show that things are equal: that needs `equivalence`.

Source: NIST/SEMATECH e-Handbook 1.3.5.2, 1.3.5.3, 1.3.5.7 to 1.3.5.10 and 7.3; Welch, Biometrika 38 (1951)
330; Brown & Forsythe, J. American Statistical Association 69 (1974) 364; Schuirmann, J. Pharmacokinetics 15
(1987) 657; Hodges & Lehmann, Annals of Mathematical Statistics 34 (1963) 598.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import chdtr, chdtrc, chdtri, fdtr, fdtrc, fdtri, ndtri, stdtr, stdtrit

from qualrec.errors import ComputeError
from qualrec.stats.inputs import check_level, finite, spread
from qualrec.stats.results import FloatArray, Interval

MOST_PAIRS = 20_000_000


@dataclass(frozen=True, slots=True)
class TestResult:
    """`df` holds one or two degrees of freedom; `critical` the lower and upper critical value, nan on an
    open side."""

    name: str
    statistic: float
    df: tuple[float, ...]
    p: float
    critical: tuple[float, float]
    level: float
    estimate: float
    interval: Interval | None
    note: str

    @property
    def shown(self) -> bool:
        """True where the difference is shown at the level asked."""
        return self.p < 1.0 - self.level


@dataclass(frozen=True, slots=True)
class Equivalence:
    """Two one-sided tests; `equivalent` where the (1 - 2 alpha) interval of the difference lies inside the
    margins."""

    difference: float
    interval: Interval
    margins: tuple[float, float]
    p: float
    equivalent: bool
    note: str


@dataclass(frozen=True, slots=True)
class Pair:
    """Difference of two groups (first - second) with its own interval and the p-value adjusted for all
    pairs (Holm)."""

    first: str
    second: str
    test: TestResult
    p_adjusted: float


def mean_test(values: ArrayLike, reference: float | None = None, level: float = 0.95) -> TestResult:
    """Mean with Student's interval; with `reference` the t test that the mean equals it (nan p without).

    Raises ComputeError for fewer than 2 values, nan or inf, no spread.
    """
    check_level(level, 0.0)
    x = spread(values)
    n, mean = x.size, float(x.mean())
    se = float(x.std(ddof=1)) / math.sqrt(n)
    t = (mean - reference) / se if reference is not None else math.nan
    return _t_test(
        "mean against a reference" if reference is not None else "mean", mean, se, t, n - 1.0, level, ""
    )


def welch_t(first: ArrayLike, second: ArrayLike, level: float = 0.95, pooled: bool = False) -> TestResult:
    """Difference of two means, first - second; `pooled` takes one common standard deviation (Student).

    Welch's degrees of freedom (va + vb)^2 / (va^2/(na - 1) + vb^2/(nb - 1)), v = s^2/n.
    Raises ComputeError for fewer than 2 values in a group, nan or inf, or no spread in either.
    """
    check_level(level, 0.0)
    a, b = finite(first, "first values", 2), finite(second, "second values", 2)
    difference = float(a.mean() - b.mean())
    if pooled:
        df = a.size + b.size - 2.0
        var = (a.var(ddof=1) * (a.size - 1) + b.var(ddof=1) * (b.size - 1)) / df
        se2 = float(var) * (1.0 / a.size + 1.0 / b.size)
    else:
        va, vb = float(a.var(ddof=1)) / a.size, float(b.var(ddof=1)) / b.size
        se2 = va + vb
        df = se2**2 / (va**2 / (a.size - 1) + vb**2 / (b.size - 1)) if se2 > 0 else math.nan
    if not se2 > 0:
        raise ComputeError("Neither group has spread.", "Check the resolution of the gauge.")
    se = math.sqrt(se2)
    name = "Student t, one common standard deviation" if pooled else "Welch t"
    return _t_test(name, difference, se, difference / se, df, level, "first minus second")


def _t_test(
    name: str, estimate: float, se: float, t: float, df: float, level: float, note: str
) -> TestResult:
    q = float(stdtrit(df, 0.5 + level / 2.0))
    p = 2.0 * float(stdtr(df, -abs(t)))
    interval = Interval(estimate - q * se, estimate + q * se, level, "Student t")
    return TestResult(name, t, (df,), p, (-q, q), level, estimate, interval, note)


def welch_anova(groups: Sequence[ArrayLike], level: float = 0.95) -> TestResult:
    """Equal means of two or more groups whose standard deviations may differ (Welch 1951).

    Raises ComputeError for fewer than 2 groups, fewer than 2 values or no spread in a group.
    """
    check_level(level, 0.0)
    data = _groups(groups, spread_needed=True)
    k = len(data)
    n = np.array([g.size for g in data], float)
    mean = np.array([g.mean() for g in data])
    w = n / np.array([g.var(ddof=1) for g in data])
    total = w.sum()
    grand = (w * mean).sum() / total
    lam = (np.square(1.0 - w / total) / (n - 1.0)).sum() / (k * k - 1.0)
    f = float((w * np.square(mean - grand)).sum() / (k - 1.0) / (1.0 + 2.0 * (k - 2.0) * lam))
    df = 1.0 / (3.0 * float(lam))
    critical = float(fdtri(k - 1.0, df, level))
    return TestResult("Welch analysis of variance", f, (k - 1.0, df), float(fdtrc(k - 1.0, df, f)),
                (math.nan, critical), level, math.nan, None, "")  # fmt: skip


def levene(groups: Sequence[ArrayLike], centre: str = "median", level: float = 0.95) -> TestResult:
    """Equal spread: analysis of variance of the distances from each group's median (Brown-Forsythe) or mean.

    Raises ComputeError for fewer than 2 groups, fewer than 2 values in a group, or no spread of the
    distances.
    """
    check_level(level, 0.0)
    if centre not in ("median", "mean"):
        raise ComputeError(f"Unknown centre {centre!r}.", "Use 'median' or 'mean'.")
    data = _groups(groups)
    away = [np.abs(g - (np.median(g) if centre == "median" else g.mean())) for g in data]
    n, k = sum(g.size for g in away), len(away)
    grand = sum(float(g.sum()) for g in away) / n
    between = sum(g.size * (float(g.mean()) - grand) ** 2 for g in away) / (k - 1.0)
    within = sum(float(np.square(g - g.mean()).sum()) for g in away) / (n - k)
    if not within > 0:
        raise ComputeError(
            "The distances from the centre have no spread.", "More values per group are needed."
        )
    w = between / within
    return TestResult(f"Levene about the {centre}", w, (k - 1.0, float(n - k)), float(fdtrc(k - 1.0, n - k, w)),
                (math.nan, float(fdtri(k - 1.0, n - k, level))), level, math.nan, None, "")  # fmt: skip


def bartlett(groups: Sequence[ArrayLike], level: float = 0.95) -> TestResult:
    """Equal standard deviations of normal groups; sensitive to other shapes, where Levene is safer."""
    check_level(level, 0.0)
    data = _groups(groups, spread_needed=True)
    df = np.array([g.size - 1.0 for g in data])
    var = np.array([g.var(ddof=1) for g in data])
    total = df.sum()
    pooled = (df * var).sum() / total
    c = 1.0 + ((1.0 / df).sum() - 1.0 / total) / (3.0 * (len(data) - 1.0))
    t = float((total * np.log(pooled) - (df * np.log(var)).sum()) / c)
    k = len(data) - 1.0
    return TestResult("Bartlett", t, (k,), float(chdtrc(k, t)), (math.nan, float(chdtri(k, 1.0 - level))), level,
                math.nan, None, "supposes a normal shape")  # fmt: skip


def f_test(first: ArrayLike, second: ArrayLike, level: float = 0.95) -> TestResult:
    """Ratio of two variances of normal values, first over second, two-sided, with the interval of the
    ratio."""
    check_level(level, 0.0)
    a, b = spread(first, "first values"), spread(second, "second values")
    n, m = a.size - 1.0, b.size - 1.0
    f = float(a.var(ddof=1) / b.var(ddof=1))
    p = min(2.0 * min(float(fdtr(n, m, f)), float(fdtrc(n, m, f))), 1.0)
    low, high = float(fdtri(n, m, 0.5 - level / 2.0)), float(fdtri(n, m, 0.5 + level / 2.0))
    return TestResult("F, two variances", f, (n, m), p, (low, high), level, f,
                Interval(f / high, f / low, level, "F distribution"), "supposes a normal shape")  # fmt: skip


def sd_test(values: ArrayLike, reference: float | None = None, level: float = 0.95) -> TestResult:
    """Standard deviation with its chi-square interval; with `reference` the two-sided test that it equals it.

    T = (n - 1) s^2 / reference^2. Raises ComputeError for a reference of 0 or less, fewer than 2 values, no
    spread.
    """
    check_level(level, 0.0)
    x = spread(values)
    if reference is not None and not (reference > 0 and math.isfinite(reference)):
        raise ComputeError(f"The reference standard deviation is {reference}.", "Give a number above 0.")
    df, s = x.size - 1.0, float(x.std(ddof=1))
    low, high = float(chdtri(df, 0.5 + level / 2.0)), float(chdtri(df, 0.5 - level / 2.0))
    t = df * (s / reference) ** 2 if reference is not None else math.nan
    p = min(2.0 * min(float(chdtr(df, t)), float(chdtrc(df, t))), 1.0) if reference is not None else math.nan
    interval = Interval(s * math.sqrt(df / high), s * math.sqrt(df / low), level, "chi-square")
    return TestResult("chi-square of a standard deviation", t, (df,), p, (low, high), level, s, interval,
                "supposes a normal shape")  # fmt: skip


def mann_whitney(first: ArrayLike, second: ArrayLike, level: float = 0.95) -> TestResult:
    """Rank test of two groups; the estimate is the median of all differences first - second (Hodges-Lehmann).

    p exact for small groups without ties, else normal with ties and continuity corrected (scipy); the
    interval takes ordered differences at the normal rank limits. Raises ComputeError for an empty group, all
    values alike, and more than 20 million pairs.
    """
    from scipy.stats import mannwhitneyu

    check_level(level, 0.0)
    a, b = finite(first, "first values"), finite(second, "second values")
    joint = np.concatenate([a, b])
    if joint.min() == joint.max():
        raise ComputeError("All values are the same.", "Check the resolution of the gauge.")
    if a.size * b.size > MOST_PAIRS:
        raise ComputeError(
            f"{a.size} times {b.size} values make too many pairs.", "Take lot means, or compare by Welch's t."
        )
    found = mannwhitneyu(a, b, alternative="two-sided")
    gaps = np.sort((a[:, None] - b[None, :]).ravel())
    n, m = a.size, b.size
    z = float(ndtri(0.5 + level / 2.0))
    rank = n * m / 2.0 - z * math.sqrt(n * m * (n + m + 1.0) / 12.0)
    cut = max(math.floor(rank), 0)
    wide = cut == 0 and rank < 0
    low, high = (-math.inf, math.inf) if wide else (float(gaps[cut]), float(gaps[gaps.size - 1 - cut]))
    return TestResult("Mann-Whitney", float(found.statistic), (), float(found.pvalue), (math.nan, math.nan), level,
                float(np.median(gaps)), Interval(low, high, level, "ordered differences"), "first minus second")  # fmt: skip


def equivalence(
    first: ArrayLike, second: ArrayLike, low: float, high: float, level: float = 0.95
) -> Equivalence:
    """Are two means equal within the margins low < first - second < high? Two one-sided Welch t tests.

    For requalification: the margins are set before the data are seen. Raises ComputeError as `welch_t`, and
    unless low < high.
    """
    check_level(level)
    if not (math.isfinite(low) and math.isfinite(high) and low < high):
        raise ComputeError(f"The margins are {low} and {high}.", "Give a lower margin below the upper one.")
    both = welch_t(first, second, 2.0 * level - 1.0)
    ends = both.interval or Interval(-math.inf, math.inf, level, "")
    se = (ends.high - ends.low) / (2.0 * both.critical[1])
    gap = min(both.estimate - low, high - both.estimate)
    p = float(stdtr(both.df[0], -gap / se))
    note = f"Each of the two tests at {(1 - level) * 100:g} %."
    return Equivalence(both.estimate, ends, (low, high), p, p < 1.0 - level, note)


def pairs(groups: Mapping[str, ArrayLike], level: float = 0.95) -> tuple[Pair, ...]:
    """Welch t of every pair of named groups, p-values adjusted by Holm's steps."""
    tests = [(a, b, welch_t(groups[a], groups[b], level)) for a, b in combinations(groups, 2)]
    if not tests:
        raise ComputeError("One group only.", "At least two are needed to compare.")
    order = sorted(range(len(tests)), key=lambda i: tests[i][2].p)
    adjusted, worst = [0.0] * len(tests), 0.0
    for place, i in enumerate(order):
        worst = max(worst, min(tests[i][2].p * (len(tests) - place), 1.0))
        adjusted[i] = worst
    return tuple(Pair(a, b, test, p) for (a, b, test), p in zip(tests, adjusted, strict=True))


def _groups(groups: Sequence[ArrayLike], spread_needed: bool = False) -> list[FloatArray]:
    if len(groups) < 2:
        raise ComputeError(f"{len(groups)} group given.", "At least two are needed to compare.")
    check = spread if spread_needed else finite
    return [check(g, f"values of group {i}", 2) for i, g in enumerate(groups, 1)]
