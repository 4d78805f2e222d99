"""Shares of parts that fail: intervals, lots that differ, and how many parts show a claimed share.

Clopper-Pearson (exact, conservative): limits from the beta distribution. Wilson: the score interval.
Clustered by lot: p = sum x / sum n; design effect = variance of p between lots over p (1 - p) / n; the
interval is Clopper-Pearson on n / design effect, with the count cut further by (t with n - 1 over t with k -
1 degrees of freedom)^2 (Korn & Graubard 1998). Success run: n = ln(1 - C) / ln(R) for no failure; with c
failures the smallest n with P(at most c of n | 1 - R) <= 1 - C.

Source: NIST/SEMATECH e-Handbook 7.2.4; Korn & Graubard, Survey Methodology 24 (1998) 193;
Wilson, J. American Statistical Association 22 (1927) 209.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import bdtr, betaincinv, ndtri, stdtrit

from qualrec.errors import ComputeError
from qualrec.stats.inputs import check_counts, check_level, check_share
from qualrec.stats.results import Bound, FloatArray, IntArray, Interval


@dataclass(frozen=True, slots=True)
class Proportion:
    """Found share of failures with an interval; `n_effective` = n / design_effect."""

    failures: int
    n: int
    lots: int
    share: float
    interval: Interval
    upper: Bound
    design_effect: float
    n_effective: float
    notes: tuple[str, ...]


def clopper_pearson_limits(
    found: ArrayLike, n: ArrayLike, level: float = 0.95
) -> tuple[FloatArray, FloatArray]:
    """Exact limits, shapes broadcast; counts need not be whole (effective counts). 0 found: lower 0; all:
    upper 1."""
    x, m = np.broadcast_arrays(np.asarray(found, float), np.asarray(n, float))
    a = (1.0 - level) / 2.0
    low = np.where(x > 0, betaincinv(np.maximum(x, 1e-300), m - x + 1.0, a), 0.0)
    high = np.where(x < m, betaincinv(x + 1.0, np.maximum(m - x, 1e-300), 1.0 - a), 1.0)
    return low, high


def clopper_pearson(found: int, n: int, level: float = 0.95) -> Interval:
    """Exact interval of a share. Raises ComputeError for counts that cannot be."""
    check_counts(found, n)
    check_level(level, 0.0)
    low, high = clopper_pearson_limits(found, n, level)
    return Interval(float(low), float(high), level, "Clopper-Pearson, exact")


def wilson(found: int, n: int, level: float = 0.95) -> Interval:
    """Score interval (p + z^2/2n -+ z sqrt(p(1-p)/n + z^2/4n^2)) / (1 + z^2/n); cut to 0 and 1."""
    check_counts(found, n)
    check_level(level, 0.0)
    z2 = float(ndtri(0.5 + level / 2.0)) ** 2
    p = found / n
    centre, half = p + z2 / (2 * n), math.sqrt(z2 * (p * (1 - p) / n + z2 / (4 * n * n)))
    low, high = (centre - half) / (1 + z2 / n), (centre + half) / (1 + z2 / n)
    return Interval(0.0 if found == 0 else low, 1.0 if found == n else high, level, "Wilson score")


def upper_share(found: int, n: int, level: float = 0.95) -> Bound:
    """One-sided exact upper bound of a share: with confidence `level` fewer than this share fail."""
    check_counts(found, n)
    check_level(level)
    value = 1.0 if found == n else float(betaincinv(found + 1.0, n - found, level))
    return Bound(value, level, "upper", "Clopper-Pearson, exact, independent parts")


def proportion(found: int, n: int, level: float = 0.95) -> Proportion:
    """Share, exact interval and upper bound of parts taken as independent."""
    interval = clopper_pearson(found, n, level)
    note = "Parts are taken as independent; where lots differ the interval is too short."
    return Proportion(found, n, 1, found / n, interval, upper_share(found, n, level), 1.0, float(n), (note,))


def proportion_by_lot(found: ArrayLike, n: ArrayLike, level: float = 0.95) -> Proportion:
    """Share over lots with the design effect shown; `found` and `n` hold one count per lot (n >= 1).

    Approximate: the upper bound holds in 93 to 98 % of simulated cases with 25 lots, in 89 % at worst with
    10 very unlike ones (beta-binomial lots, correlation up to 0.3). The design effect is not taken below 1.
    With no failure, or nothing but failures, lots cannot show that they differ; the design effect is then 1
    and a note says so. Raises ComputeError for fewer than 2 lots or wrong counts.
    """
    x, m = _whole(found), _whole(n)
    if x.shape != m.shape or x.ndim != 1 or x.size < 2:
        raise ComputeError(
            f"{x.size} counts of failures and {m.size} counts of parts.",
            "Give one of each per lot, for two lots or more.",
        )
    for one, of in zip(x.tolist(), m.tolist(), strict=True):
        check_counts(one, of)
    check_level(level)
    k, failures, total = int(x.size), int(x.sum()), int(m.sum())
    p = failures / total
    differ = 0 < failures < total
    if differ:
        residual = x - p * m
        variance = k / (k - 1.0) * float((residual * residual).sum()) / total**2
        effect = max(variance / (p * (1.0 - p) / total), 1.0)
        note = (
            f"Design effect {effect:.2f}: {total} parts say as much as {total / effect:.0f} independent ones."
        )
    else:
        effect = 1.0
        note = (
            "All parts came out alike, so lots cannot show that they differ; parts are taken as independent."
        )
    effective = total / effect
    a = (1.0 - level) / 2.0

    def cut(tail: float) -> float:
        if not differ:
            return effective
        return effective * float(stdtrit(total - 1, 1.0 - tail) / stdtrit(k - 1, 1.0 - tail)) ** 2

    low, high = clopper_pearson_limits(p * cut(a), cut(a), level)
    one = cut(2.0 * a)
    top = 1.0 if failures == total else float(betaincinv(p * one + 1.0, one - p * one, level))
    way = "Clopper-Pearson on the effective count of the lots"
    return Proportion(failures, total, k, p, Interval(float(low), float(high), level, way),
                      Bound(top, level, "upper", way), effect, effective, (note,))  # fmt: skip


def _whole(counts: ArrayLike) -> IntArray:
    """Counts as whole numbers. Raises ComputeError where one is not."""
    given = np.asarray(counts, dtype=np.float64)
    if given.size and not (
        np.isfinite(given).all() and np.abs(given).max() < 2**53 and (given == np.rint(given)).all()
    ):
        raise ComputeError("A count is not a whole number.", "Give counts of parts, one per lot.")
    return np.asarray(given, dtype=np.int64)


def success_run_n(confidence: float, reliability: float, failures: int = 0) -> int:
    """Smallest n of parts with at most `failures` failing that shows `reliability` with `confidence`.

    Raises ComputeError unless both lie between 0 and 1 and failures >= 0, or where over 100 million parts
    are needed.
    """
    check_share(confidence, "confidence")
    check_share(reliability, "reliability")
    if failures < 0:
        raise ComputeError(f"{failures} failures were allowed.", "Allow 0 or more.")

    def short(n: int) -> bool:
        return float(bdtr(failures, n, 1.0 - reliability)) > (1.0 - confidence) * (1.0 + 1e-12)

    return _smallest(short, failures + 1, "Claim a lower reliability.")


def _smallest(short: Callable[[int], bool], start: int, remedy: str) -> int:
    """Smallest count from `start` on that is not `short`; `short` turns from True to False once."""
    low = high = start
    while short(high):
        low, high = high + 1, high * 2
        if low > 100_000_000:
            raise ComputeError("Over 100 million parts would be needed.", remedy)
    while low < high:
        middle = (low + high) // 2
        low, high = (middle + 1, high) if short(middle) else (low, middle)
    return low


def reliability_shown(n: int, failures: int = 0, confidence: float = 0.95) -> Bound:
    """Share of good parts shown by n parts with so many failures: one-sided exact lower bound.

    With no failure it is (1 - confidence)^(1/n).
    """
    bound = upper_share(failures, n, confidence)
    return Bound(1.0 - bound.value, confidence, "lower", bound.method)


def more_needed(result: Proportion, claim: float) -> int:
    """How many more parts, none of them failing, bring the upper bound of the share to the claim; 0 where it is shown.

    The bound of n/design effect parts with failures/design effect among them, as `upper_share`; exact for a design effect
    of 1, else approximate: it takes more lots to be like those seen. Raises ComputeError for a claim outside 0 to 1, or
    where over 100 million parts would be needed.
    """
    check_share(claim, "claimed share")
    effect, level = result.design_effect, result.upper.level
    if result.upper.value <= claim:
        return 0
    x = result.failures / effect

    def short(more: int) -> bool:
        return float(betaincinv(x + 1.0, (result.n + more) / effect - x, level)) > claim

    return _smallest(short, 1, "Claim a larger share.")


def joint_line_statement(result: Proportion) -> str:
    """The sentence about failures at the joint line, with its counts, e.g. for a record or a submission."""
    return (
        f"{result.failures} of {result.n} parts in {result.lots} lot{'s' if result.lots > 1 else ''} came apart at "
        f"the joint line. With {result.upper.level * 100:g} % confidence fewer than "
        f"{result.upper.value * 100:.3g} % fail at the joint line."
    )
