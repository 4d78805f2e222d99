"""Tolerance factors: with confidence C at least the share P of all parts lies within mean -+ k s, or beyond
a limit.

One-sided k: non-central t, k = t(C; n - 1, z_P sqrt(n)) / sqrt(n). Two-sided k, exact: E over the mean m ~
N(0, 1/n) of P(s^2 > (r(m)/k)^2) = C, where F(m + r) - F(m - r) = P. Distribution-free: the i-th and j-th
ordered values hold share P with confidence P(Beta(j - i, n - j + i + 1) > P).

Factors hold for normal independent values. Source: ISO 16269-6; NIST/SEMATECH e-Handbook 7.2.6.3; Wilks,
Annals of Mathematical Statistics 12 (1941) 91.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import bdtr, chdtrc, chdtri, ndtr, ndtri

from qualrec.errors import ComputeError
from qualrec.stats.capability_bounds import noncentral_t, noncentrality
from qualrec.stats.inputs import check_share, finite, spread
from qualrec.stats.results import Bound, FloatArray

_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(96)


@dataclass(frozen=True, slots=True)
class Tolerance:
    """`low` or `high` is -inf or inf on an open side; `k` is nan for a distribution-free interval."""

    low: float
    high: float
    coverage: float
    confidence: float
    k: float
    n: int
    mean: float
    sd: float
    method: str


@lru_cache(maxsize=256)
def k_one_sided(n: int, coverage: float, confidence: float) -> float:
    """Exact one-sided factor. Raises ComputeError for n < 2 or shares outside 0 to 1."""
    from scipy.optimize import brentq

    _check(n, coverage, confidence)
    delta = float(ndtri(coverage)) * np.sqrt(n)

    def gap(t: float) -> float:
        return float(noncentral_t(n - 1, delta, t)) - confidence

    low, high = delta - 40.0, delta + 10.0
    while gap(high) < 0:
        high = 2.0 * high + 10.0
    while gap(low) > 0:
        low = 2.0 * low - 10.0
    return float(brentq(gap, low, high, xtol=1e-10, rtol=1e-13)) / float(np.sqrt(n))


@lru_cache(maxsize=256)
def k_two_sided(n: int, coverage: float, confidence: float) -> float:
    """Exact two-sided factor (not Howe's approximation). Raises ComputeError for n < 2 or shares outside 0
    to 1."""
    from scipy.optimize import brentq

    _check(n, coverage, confidence)
    span = 8.5 / float(np.sqrt(n))
    m = 0.5 * span * (_NODES + 1.0)
    density = 2.0 * np.sqrt(n / (2.0 * np.pi)) * np.exp(-n * m * m / 2.0) * _WEIGHTS * span / 2.0
    r = _half_width(m, coverage)

    def gap(k: float) -> float:
        return float((density * chdtrc(n - 1.0, (n - 1.0) * np.square(r / k))).sum()) - confidence

    low = high = float(ndtri(0.5 + coverage / 2.0))
    while gap(low) > 0:
        low /= 2.0
    while gap(high) < 0:
        high *= 2.0
    return float(brentq(gap, low, high, xtol=1e-11, rtol=1e-13))


def k_howe(n: int, coverage: float, confidence: float) -> float:
    """Two-sided factor by Howe's approximation, as NIST 7.2.6.3 prints it:
    k = z((1 + P)/2) sqrt((n - 1)(1 + 1/n) / chi2(1 - C; n - 1))."""
    _check(n, coverage, confidence)
    chi2 = float(chdtri(n - 1.0, confidence))
    return float(ndtri(0.5 + coverage / 2.0)) * float(np.sqrt((n - 1.0) * (1.0 + 1.0 / n) / chi2))


def k_natrella(n: int, coverage: float, confidence: float) -> float:
    """One-sided factor by Natrella's approximation: a = 1 - z_C^2/(2(n - 1)), b = z_P^2 - z_C^2/n,
    k = (z_P + sqrt(z_P^2 - a b)) / a. Raises ComputeError where n is too small for it (a <= 0)."""
    _check(n, coverage, confidence)
    z_c, z_p = float(ndtri(confidence)), float(ndtri(coverage))
    a, b = 1.0 - z_c**2 / (2.0 * (n - 1.0)), z_p**2 - z_c**2 / n
    if a <= 0:
        raise ComputeError(f"{n} values are too few for this approximation.", "Use the exact factor.")
    return (z_p + float(np.sqrt(z_p**2 - a * b))) / a


def _half_width(m: FloatArray, coverage: float) -> FloatArray:
    """r with F(m + r) - F(m - r) = coverage, by Newton steps from above, m >= 0."""
    r = m + float(ndtri(0.5 + coverage / 2.0))
    for _ in range(60):
        slope = np.exp(-0.5 * (m + r) ** 2) + np.exp(-0.5 * (m - r) ** 2)
        gap = ndtr(m + r) - ndtr(m - r) - coverage
        step = gap * np.sqrt(2.0 * np.pi) / slope
        r = r - step
        if float(np.abs(step).max()) < 1e-14:
            break
    return np.asarray(r, dtype=np.float64)


def tolerance_interval(
    values: ArrayLike, coverage: float = 0.9973, confidence: float = 0.95, side: str = "two"
) -> Tolerance:
    """Normal tolerance interval; `side` 'two', 'lower' (all but 1 - coverage lie above `low`) or 'upper'.

    Raises ComputeError for fewer than 2 values, nan or inf, no spread, an unknown side.
    """
    x = spread(values)
    mean, sd, n = float(x.mean()), float(x.std(ddof=1)), int(x.size)
    _check_side(side)
    k = k_two_sided(n, coverage, confidence) if side == "two" else k_one_sided(n, coverage, confidence)
    low = mean - k * sd if side != "upper" else float("-inf")
    high = mean + k * sd if side != "lower" else float("inf")
    kind = "two-sided, exact" if side == "two" else "one-sided, non-central t"
    return Tolerance(low, high, coverage, confidence, k, n, mean, sd, f"normal, {kind}")


def distribution_free(
    values: ArrayLike, coverage: float = 0.95, confidence: float = 0.95, side: str = "two"
) -> Tolerance:
    """Interval between ordered values as far in as the confidence allows; `confidence` in the result is
    reached.

    Raises ComputeError where even the extreme values do not reach it, with the n that would.
    """
    x = np.sort(finite(values))
    _check_side(side)
    need = distribution_free_n(coverage, confidence, side)
    n = int(x.size)
    if n < need:
        raise ComputeError(f"{n} values do not reach it without a shape.", f"At least {need} are needed.")
    left_out = 1 if side != "two" else 2
    while left_out < n and _free_confidence(n, left_out + 1, coverage) >= confidence:
        left_out += 1
    reached = _free_confidence(n, left_out, coverage)
    below = 0 if side == "upper" else (left_out if side == "lower" else left_out // 2)
    above = left_out - below
    low = float(x[below - 1]) if below else float("-inf")
    high = float(x[n - above]) if above else float("inf")
    sd = float(x.std(ddof=1)) if n > 1 else float("nan")
    method = "distribution-free, ordered values"
    return Tolerance(low, high, coverage, reached, float("nan"), n, float(x.mean()), sd, method)


def distribution_free_n(coverage: float, confidence: float, side: str = "two") -> int:
    """Smallest n whose extreme value (one side) or extreme values (two) reach the confidence."""
    check_share(coverage, "coverage")
    check_share(confidence, "confidence")
    _check_side(side)
    left_out = 2 if side == "two" else 1
    low = high = left_out
    while _free_confidence(high, left_out, coverage) < confidence:
        low, high = high + 1, high * 2
    while low < high:
        middle = (low + high) // 2
        low, high = (
            (middle + 1, high) if _free_confidence(middle, left_out, coverage) < confidence else (low, middle)
        )
    return low


def share_beyond(values: ArrayLike, limit: float, side: str = "lower", confidence: float = 0.95) -> Bound:
    """With this confidence at least the returned share lies above (`side` 'lower') or below ('upper') the
    limit.

    Normal shape; exact by the non-central t. Raises ComputeError as `tolerance_interval`.
    """
    x = spread(values)
    check_share(confidence, "confidence")
    if side not in ("lower", "upper") or not np.isfinite(limit):
        raise ComputeError(
            f"Side {side!r}, limit {limit}.", "Give 'lower' or 'upper' and a limit that is a number."
        )
    sign = 1.0 if side == "lower" else -1.0
    k = sign * (float(x.mean()) - limit) / float(x.std(ddof=1))
    root = float(np.sqrt(x.size))
    z = float(noncentrality(x.size - 1.0, confidence, k * root)) / root
    return Bound(float(ndtr(z)), confidence, "lower", "normal shape, non-central t, independent values")


def free_share_beyond(
    values: ArrayLike, limit: float, side: str = "lower", confidence: float = 0.95
) -> Bound:
    """As `share_beyond` without a shape: counts the values beyond the limit (Clopper-Pearson)."""
    from qualrec.stats.proportions import upper_share

    x = finite(values)
    check_share(confidence, "confidence")
    bad = int((x < limit).sum()) if side == "lower" else int((x > limit).sum())
    bound = upper_share(bad, int(x.size), confidence)
    return Bound(1.0 - bound.value, confidence, "lower", "distribution-free count, independent values")


def _free_confidence(n: int, left_out: int, coverage: float) -> float:
    """P(share between ordered values > coverage) with `left_out` blocks left out: P(Bin(n, P) <= n -
    left_out)."""
    return float(bdtr(n - left_out, n, coverage)) if left_out <= n else 0.0


def _check(n: int, coverage: float, confidence: float) -> None:
    check_share(coverage, "coverage")
    check_share(confidence, "confidence")
    if n < 2:
        raise ComputeError(f"{n} values given, at least 2 needed.", "Wait for more readings.")


def _check_side(side: str) -> None:
    if side not in ("two", "lower", "upper"):
        raise ComputeError(f"Unknown side {side!r}.", "Use 'two', 'lower' or 'upper'.")
