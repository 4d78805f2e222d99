"""Factors of control charts for variables, from their integral definitions, for any subgroup size n >= 2.

With X1..Xn independent standard normal, W their range and s their standard deviation (divisor n - 1):

    d2 = E(W)   d3 = sd(W)   c4 = E(s) = sqrt(2 / (n - 1)) gamma(n / 2) / gamma((n - 1) / 2)
    A = 3/sqrt(n)            A2 = 3/(d2 sqrt(n))        A3 = 3/(c4 sqrt(n))
    B3, B4 = 1 -+ 3 sqrt(1 - c4^2)/c4   B5, B6 = c4 -+ 3 sqrt(1 - c4^2)
    D1, D2 = d2 -+ 3 d3      D3, D4 = 1 -+ 3 d3/d2      E2 = 3/d2     E3 = 3/c4

Lower factors below 0 are 0. Source: ISO 7870-2 and ASTM E2587 for the definitions (from memory); the figures
are computed here, not taken from a table.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from qualrec.errors import ComputeError
from qualrec.stats.results import FloatArray

_STEP = 1.0 / 12.0
"""Step of the trapezoid rule: it converges exponentially for analytic integrands that vanish on both sides."""

_HALF_GAMMA = (
    1.0,
    -1.0 / 8.0,
    1.0 / 128.0,
    5.0 / 1024.0,
    -21.0 / 32768.0,
    -399.0 / 262144.0,
    869.0 / 4194304.0,
    39325.0 / 33554432.0,
)
"""gamma(x + 1/2) / gamma(x) = sqrt(x) * sum of these times x^-i, for large x (asymptotic series)."""

_SERIES_FROM = 32
_TABLE_SIZE = 1024


@dataclass(frozen=True, slots=True)
class Factors:
    """All factors of subgroups of size `n`, at full precision, for limits at 3 sigma."""

    n: int
    d2: float
    d3: float
    c4: float
    A: float
    A2: float
    A3: float
    B3: float
    B4: float
    B5: float
    B6: float
    D1: float
    D2: float
    D3: float
    D4: float
    E2: float
    E3: float


def c4(n: float) -> float:
    """c4 of a standard deviation with n - 1 degrees of freedom; n > 1 need not be whole. Error below 1e-14.

    gamma(x + 1/2)/gamma(x) with x = (n - 1)/2 is lifted by its recurrence until the asymptotic series is exact.
    Raises ComputeError for n <= 1.
    """
    if not n > 1:
        raise ComputeError(f"c4 needs n > 1, got {n}.", "Give subgroups of at least 2 values.")
    x, lift = (n - 1.0) / 2.0, 1.0
    at = x
    while at < _SERIES_FROM:
        lift *= at / (at + 0.5)
        at += 1.0
    series = 0.0
    for coefficient in reversed(_HALF_GAMMA):
        series = series / at + coefficient
    return math.sqrt(at / x) * lift * series


def c4_array(n: ArrayLike) -> FloatArray:
    """c4 elementwise over an array of sizes of any shape; nan where n <= 1 or n is nan."""
    size = np.asarray(n, dtype=np.float64)
    if size.size > _TABLE_SIZE:
        whole = np.where((size >= 0) & (size < _TABLE_SIZE), size, 0.0).astype(np.int64)
        if np.all((whole == size) | ~(size > 1)):
            return _c4_table()[whole]
    return _c4_exact(size)


def d2_array(n: ArrayLike) -> FloatArray:
    """d2 elementwise over an array of whole sizes; nan where n < 2."""
    return _lookup(n, d2)


def d3_array(n: ArrayLike) -> FloatArray:
    """d3 elementwise over an array of whole sizes; nan where n < 2."""
    return _lookup(n, d3)


@lru_cache(maxsize=4096)
def d2(n: int) -> float:
    """E(W) = integral over x of 1 - F(x)^n - (1 - F(x))^n, F the normal distribution. Error below 1e-12.

    Raises ComputeError for n < 2.
    """
    _check(n)
    x = np.arange(0.0, 13.0, _STEP)
    upper = _upper_tail(x)
    inner = -np.expm1(n * np.log1p(-upper)) - upper**n
    return float(2.0 * _STEP * (inner.sum() - 0.5 * inner[0]))


@lru_cache(maxsize=4096)
def d3(n: int) -> float:
    """sd(W), from E(W^2) = 2 * integral over w of w P(W > w). Error below 1e-12.

    P(W > w) = n * integral over x of f(x) (Q(x)^(n - 1) - (Q(x) - Q(x + w))^(n - 1)), f the normal density and
    Q its upper tail.
    Raises ComputeError for n < 2.
    """
    _check(n)
    top = 2.0 * math.sqrt(2.0 * math.log(n * 1e17))
    nodes, weights = np.polynomial.legendre.leggauss(160)
    w = (nodes + 1.0) * top / 2.0
    x = np.arange(-9.5, 9.5, _STEP)
    density = n * _STEP * np.exp(-0.5 * x * x) / math.sqrt(2.0 * math.pi)
    above = _upper_tail(x)
    share = _upper_tail(x + w[:, None]) / above
    with np.errstate(divide="ignore"):
        weight = density * np.exp((n - 1) * np.log1p(-_upper_tail(-x)))
        beyond = -np.expm1((n - 1) * np.log1p(-share)) @ weight
    square = 2.0 * float(np.sum(weights * w * beyond)) * top / 2.0
    return math.sqrt(square - d2(n) ** 2)


def d2_star(n: int, subgroups: int) -> float:
    """Factor of Rbar of few subgroups: the root mean square of Rbar/sigma, sqrt(d2^2 + d3^2/subgroups).

    Source: Duncan; AIAG MSA 4, appendix C (from memory). Raises ComputeError for n < 2 or no subgroup.
    """
    if subgroups < 1:
        raise ComputeError(
            f"d2* needs at least one subgroup, got {subgroups}.", "Give the number of subgroups."
        )
    return math.sqrt(d2(n) ** 2 + d3(n) ** 2 / subgroups)


@lru_cache(maxsize=1024)
def factors(n: int) -> Factors:
    """All factors of subgroups of n values. Raises ComputeError for n < 2."""
    _check(n)
    c, mean, spread, root = c4(n), d2(n), d3(n), math.sqrt(n)
    noise = math.sqrt(1.0 - c * c)
    return Factors(
        n=n,
        d2=mean,
        d3=spread,
        c4=c,
        A=3.0 / root,
        A2=3.0 / (mean * root),
        A3=3.0 / (c * root),
        B3=max(0.0, 1.0 - 3.0 * noise / c),
        B4=1.0 + 3.0 * noise / c,
        B5=max(0.0, c - 3.0 * noise),
        B6=c + 3.0 * noise,
        D1=max(0.0, mean - 3.0 * spread),
        D2=mean + 3.0 * spread,
        D3=max(0.0, 1.0 - 3.0 * spread / mean),
        D4=1.0 + 3.0 * spread / mean,
        E2=3.0 / mean,
        E3=3.0 / c,
    )


def _c4_exact(size: FloatArray) -> FloatArray:
    distinct, where = np.unique(size, return_inverse=True)
    values = [c4(item) if item > 1 else math.nan for item in distinct.tolist()]
    return np.asarray(values, dtype=np.float64)[where].reshape(size.shape)


@lru_cache(maxsize=1)
def _c4_table() -> FloatArray:
    """c4 of the sizes 0, 1, 2 .. below `_TABLE_SIZE`: large arrays hold few different sizes."""
    return _c4_exact(np.arange(_TABLE_SIZE, dtype=np.float64))


def _lookup(n: ArrayLike, factor: Callable[[int], float]) -> FloatArray:
    size = np.asarray(n)
    distinct, where = np.unique(size, return_inverse=True)
    values = [factor(int(item)) if item >= 2 else math.nan for item in distinct]
    return np.asarray(values, dtype=np.float64)[where].reshape(size.shape)


def _upper_tail(x: FloatArray) -> FloatArray:
    flat = [math.erfc(item) for item in (x / math.sqrt(2.0)).ravel().tolist()]
    return 0.5 * np.asarray(flat, dtype=np.float64).reshape(x.shape)


def _check(n: int) -> None:
    if n < 2 or n != int(n):
        raise ComputeError(
            f"Chart factors need a whole subgroup size of 2 or more, got {n}.",
            "Give subgroups of at least 2.",
        )
