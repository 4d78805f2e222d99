"""Hotelling's T2: several characteristics on one chart, first and second phase, single rows or subgroups.

    single rows   T2 = (x - mean)' S^-1 (x - mean), S from m rows
                  first phase   UCL = (m - 1)^2/m * beta(1 - alpha; p/2, (m - p - 1)/2)
                  second phase  UCL = p (m + 1)(m - 1)/(m (m - p)) * F(1 - alpha; p, m - p)
    subgroups     T2 = n (xbar - mean)' S^-1 (xbar - mean), S the mean covariance within m subgroups of n
                  first phase   UCL = p (m - 1)(n - 1)/(mn - m - p + 1) * F(1 - alpha; p, mn - m - p + 1)
                  second phase  UCL = p (m + 1)(n - 1)/(mn - m - p + 1) * F(1 - alpha; p, mn - m - p + 1)

The centre line is the median of the same distribution. The first-phase limit of single rows is exact; that of
subgroups and both second-phase limits are exact for normal data with the parameters from that many rows.
Source: Tracy, Young & Mason, Journal of Quality Technology 24(2), 1992; Alt 1985; NIST e-Handbook 6.5.4.3
(all from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from qualrec.errors import ComputeError
from qualrec.stats.describe import check_size
from qualrec.stats.results import Chart, FloatArray, Track
from qualrec.stats.usable import marks

ALPHA = 0.0027


@dataclass(frozen=True, slots=True, eq=False)
class FrozenT2:
    """Mean vector (p) and covariance (p, p) from m rows (n = 1) or m subgroups of n; `alpha` of one point."""

    mean: FloatArray
    covariance: FloatArray
    m: int
    n: int
    alpha: float = ALPHA

    @property
    def p(self) -> int:
        return int(self.mean.size)


def freeze_t2(values: ArrayLike, *, used: ArrayLike | None = None, alpha: float = ALPHA) -> FrozenT2:
    """Mean and covariance of (m, p) single rows or (m, n, p) subgroups of equal size.

    `used` (m) marks the rows or subgroups to use; those with a missing value are not used.
    Raises ComputeError for too few rows (m > p + 1 is needed, m (n - 1) > p - 1 with subgroups) and for a
    characteristic that is a sum of others or does not vary.
    """
    x = _table(values)
    x = x[_usable(x, used)]
    if not 0.0 < alpha < 1.0:
        raise ComputeError(f"The false-alarm rate must lie between 0 and 1, got {alpha}.", "Usual is 0.0027.")
    m, p = x.shape[0], x.shape[-1]
    n = x.shape[1] if x.ndim == 3 else 1
    if (n == 1 and m <= p + 1) or (n > 1 and (m * (n - 1) < p or m < 2)):
        raise ComputeError(
            f"{m} usable {'rows' if n == 1 else 'subgroups'} are too few for {p} characteristics.",
            f"Give more than {p + 1} rows, or fewer characteristics.",
        )
    mean = x.reshape(-1, p).mean(axis=0)
    residuals = (x - (x.mean(axis=1, keepdims=True) if n > 1 else mean)).reshape(-1, p)
    covariance = residuals.T @ residuals / (m * (n - 1) if n > 1 else m - 1)
    _check_covariance(covariance)
    return FrozenT2(mean, covariance, m, n, alpha)


def t2_chart(values: ArrayLike, *, used: ArrayLike | None = None, alpha: float = ALPHA) -> Chart:
    """First-phase T2 chart of (m, p) single rows or (m, n, p) subgroups. Raises as `freeze_t2`."""
    x = _table(values)
    frozen = freeze_t2(x, used=used, alpha=alpha)
    mask = _usable(x, used)
    upper, median = t2_limit(frozen, alpha, first_phase=True), t2_limit(frozen, 0.5, first_phase=True)
    return Chart("t2", (_track(frozen, x, upper, median),), mask, _method(frozen, "first phase"))


def apply_t2(frozen: FrozenT2, values: ArrayLike) -> Chart:
    """Second-phase T2 chart of new rows (k, p) or subgroups (k, n, p) under frozen mean and covariance."""
    x = _table(values)
    n = x.shape[1] if x.ndim == 3 else 1
    if x.shape[-1] != frozen.p or n != frozen.n:
        raise ComputeError(
            f"The limits are for subgroups of {frozen.n} with {frozen.p} characteristics, got {n} with {x.shape[-1]}.",
            "Give the same characteristics and subgroup size, or freeze new limits.",
        )
    upper, median = (
        t2_limit(frozen, frozen.alpha, first_phase=False),
        t2_limit(frozen, 0.5, first_phase=False),
    )
    used = np.zeros(x.shape[0], dtype=np.bool_)
    return Chart("t2", (_track(frozen, x, upper, median),), used, _method(frozen, "second phase"))


def t2_values(frozen: FrozenT2, values: ArrayLike) -> FloatArray:
    """T2 of every row or subgroup; nan where a value is missing."""
    x = _table(values)
    level = x.mean(axis=1) if x.ndim == 3 else x
    return frozen.n * _distance(level - frozen.mean, frozen.covariance)


def contributions(frozen: FrozenT2, values: ArrayLike) -> FloatArray:
    """What each characteristic adds to T2: T2 of all less T2 of all but this one, shape (k, p).

    Source: Runger, Alt & Montgomery, Communications in Statistics 25, 1996 (from memory).
    """
    x = _table(values)
    off = (x.mean(axis=1) if x.ndim == 3 else x) - frozen.mean
    whole = _distance(off, frozen.covariance)
    parts = []
    for j in range(frozen.p):
        rest = [i for i in range(frozen.p) if i != j]
        without = _distance(off[:, rest], frozen.covariance[np.ix_(rest, rest)]) if rest else 0.0
        parts.append(frozen.n * (whole - without))
    return np.stack(parts, axis=1)


def t2_limit(frozen: FrozenT2, alpha: float, *, first_phase: bool) -> float:
    """The value that T2 of a point exceeds with probability alpha (formulas in the module text)."""
    from scipy import special

    p, m, n = frozen.p, frozen.m, frozen.n
    if n == 1:
        if first_phase:
            share = float(special.betaincinv(p / 2.0, (m - p - 1) / 2.0, 1.0 - alpha))
            return (m - 1) ** 2 / m * share
        return p * (m + 1) * (m - 1) / (m * (m - p)) * float(special.fdtri(p, m - p, 1.0 - alpha))
    df = m * n - m - p + 1
    sign = -1 if first_phase else 1
    return p * (m + sign) * (n - 1) / df * float(special.fdtri(p, df, 1.0 - alpha))


def _table(values: ArrayLike) -> FloatArray:
    x = np.asarray(values, dtype=np.float64)
    if x.ndim not in (2, 3) or 0 in x.shape:
        raise ComputeError(
            f"T2 needs rows of characteristics, got an array of shape {x.shape}.",
            "Give (rows, characteristics) or (subgroups, values, characteristics).",
        )
    if np.any(np.isinf(x)):
        raise ComputeError("A value is infinite.", "Correct it, or leave it empty.")
    check_size(x)
    return x[:, 0, :] if x.ndim == 3 and x.shape[1] == 1 else x


def _usable(x: FloatArray, used: ArrayLike | None) -> NDArray[np.bool_]:
    whole = np.asarray(np.isfinite(x).all(axis=tuple(range(1, x.ndim))))
    return whole if used is None else whole & marks(used, whole.shape)


def _distance(off: FloatArray, covariance: FloatArray) -> FloatArray:
    out = np.full(off.shape[0], np.nan)
    here = np.isfinite(off).all(axis=1)
    solved = np.linalg.solve(covariance, off[here].T)
    out[here] = np.sum(off[here].T * solved, axis=0)
    return out


def _check_covariance(covariance: FloatArray) -> None:
    spread = np.sqrt(np.diag(covariance))
    if np.any(spread == 0):
        still = int(np.flatnonzero(spread == 0)[0]) + 1
        raise ComputeError(f"Characteristic {still} does not vary.", "Leave it out.")
    if np.linalg.cond(covariance / np.outer(spread, spread)) > 1e12:
        raise ComputeError("One characteristic follows from the others.", "Leave one of them out.")


def _track(frozen: FrozenT2, x: FloatArray, upper: float, median: float) -> Track:
    t2 = t2_values(frozen, x)
    none = np.full(t2.shape, np.nan)
    return Track("T2", t2, np.full(t2.shape, median), none, np.full(t2.shape, upper), none, run_rules=False)


def _method(frozen: FrozenT2, phase: str) -> str:
    rows = f"{frozen.m} rows" if frozen.n == 1 else f"{frozen.m} subgroups of {frozen.n}"
    return f"Hotelling T2, {phase}, {frozen.p} characteristics, {rows}, false-alarm rate {frozen.alpha:g} a point"
