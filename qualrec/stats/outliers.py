"""Tests for values that do not belong. They report; nothing is ever left out by them.

Grubbs: G = max |x - mean| / s; critical value (n - 1)/sqrt(n) sqrt(t^2/(n - 2 + t^2)), t the upper
alpha/(2n) point (two-sided; alpha/n one-sided) of Student's t with n - 2 degrees of freedom. Generalised ESD
(Rosner 1983): up to `most` values one after another, R_i against lambda_i; the number of outliers is the
largest i with R_i > lambda_i. Tietjen-Moore: E_k = sum of squares without the k suspects / sum of squares of
all; small values speak for outliers; the critical value is simulated with a fixed seed.

All suppose a normal shape of the rest. Source: NIST/SEMATECH e-Handbook 1.3.5.17.1 to .3.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import stdtrit

from qualrec.errors import ComputeError
from qualrec.stats.inputs import check_most, check_share, spread
from qualrec.stats.results import FloatArray, IntArray

_SIDES = ("two", "upper", "lower")


@dataclass(frozen=True, slots=True)
class OutlierTest:
    """`suspects` are the places (from 0) of the values looked at, `outliers` those the test names."""

    test: str
    statistics: tuple[float, ...]
    critical: tuple[float, ...]
    suspects: tuple[int, ...]
    outliers: tuple[int, ...]
    n: int
    alpha: float
    note: str


MOST_SIMULATED = 5_000


def grubbs(values: ArrayLike, alpha: float = 0.05, side: str = "two") -> OutlierTest:
    """Grubbs test of the one most distant value; `side` 'two', 'upper' (largest) or 'lower' (smallest).

    Raises ComputeError for fewer than 3 values, nan or inf, no spread, alpha outside 0 to 1, an unknown side.
    """
    x = _checked(values, alpha, side, 3)
    n = x.size
    away = _signed(x - x.mean(), side)
    place = int(away.argmax())
    g = float(away[place] / x.std(ddof=1))
    critical = _grubbs_critical(n, alpha / (2.0 if side == "two" else 1.0))
    found = (place,) if g > critical else ()
    return OutlierTest(f"Grubbs, {side}-sided" if side == "two" else f"Grubbs, {side} tail",
                       (g,), (critical,), (place,), found, n, alpha, _NOTE)  # fmt: skip


def esd(values: ArrayLike, most: int, alpha: float = 0.05) -> OutlierTest:
    """Generalised extreme studentised deviate test (two-sided) for up to `most` outliers.

    The critical values hold well for n >= 25 and fairly for n >= 15 (Rosner 1983). Raises ComputeError for
    fewer than most + 2 values, most < 1, nan or inf, no spread. Stops early where the values left have no
    spread.
    """
    if most < 1:
        raise ComputeError(f"Up to {most} outliers were asked for.", "Ask for at least 1.")
    x = _checked(values, alpha, "two", max(3, most + 2))
    n = x.size
    left = np.arange(n)
    statistics, critical, suspects = [], [], []
    for i in range(most):
        rest = x[left]
        s = rest.std(ddof=1)
        if rest.min() == rest.max():
            break
        away = np.abs(rest - rest.mean())
        worst = int(away.argmax())
        statistics.append(float(away[worst] / s))
        critical.append(_grubbs_critical(n - i, alpha / 2.0))
        suspects.append(int(left[worst]))
        left = np.delete(left, worst)
    count = max(
        (i + 1 for i, (r, c) in enumerate(zip(statistics, critical, strict=True)) if r > c), default=0
    )
    return OutlierTest("generalised ESD", tuple(statistics), tuple(critical), tuple(suspects),
                       tuple(suspects[:count]), n, alpha, _NOTE)  # fmt: skip


def tietjen_moore(
    values: ArrayLike, k: int, alpha: float = 0.05, side: str = "two", seed: int = 1, samples: int = 10_000
) -> OutlierTest:
    """Tietjen-Moore test of exactly k outliers; the critical value is the alpha point of `samples` normal
    samples.

    `side` 'two': the k most distant values; 'upper', 'lower': the k largest, smallest.
    Raises ComputeError for k < 1 or k > n - 2, nan or inf, no spread, more than 5,000 values.
    """
    if k < 1:
        raise ComputeError(f"{k} outliers were asked for.", "Ask for at least 1.")
    x = _checked(values, alpha, side, k + 2)
    check_most(x.size, MOST_SIMULATED, "simulated critical values", "Use the generalised ESD test.")
    order, statistic = _tietjen(x[None, :], k, side)
    rng, block = np.random.default_rng(seed), max(1, 2_000_000 // x.size)
    parts = [min(block, samples - start) for start in range(0, samples, block)]
    drawn = [_tietjen(rng.standard_normal((rows, x.size)), k, side)[1] for rows in parts]
    critical = float(np.quantile(np.concatenate(drawn), alpha))
    value = float(statistic[0])
    suspects = tuple(int(i) for i in order[0, x.size - k :])
    note = f"{_NOTE} Critical value from {samples} simulated samples, seed {seed}."
    return OutlierTest(f"Tietjen-Moore, k = {k}", (value,), (critical,), suspects,
                       suspects if value < critical else (), x.size, alpha, note)  # fmt: skip


_NOTE = "Reported, not removed: a value is left out only by a named person with a reason."


def _tietjen(x: FloatArray, k: int, side: str) -> tuple[IntArray, FloatArray]:
    """Order of each row from least to most suspect, and E_k."""
    away = x - x.mean(axis=1, keepdims=True)
    order = np.argsort(_signed(away, side), axis=1, kind="stable")
    kept = np.take_along_axis(x, order[:, : x.shape[1] - k], axis=1)
    rest = np.square(kept - kept.mean(axis=1, keepdims=True)).sum(axis=1)
    return order.astype(np.int64), rest / np.square(away).sum(axis=1)


def _signed(away: FloatArray, side: str) -> FloatArray:
    if side == "two":
        return np.abs(away)
    return away if side == "upper" else -away


def _checked(values: ArrayLike, alpha: float, side: str, least: int) -> FloatArray:
    check_share(alpha, "significance level")
    if side not in _SIDES:
        raise ComputeError(f"Unknown side {side!r}.", "Use 'two', 'upper' or 'lower'.")
    return spread(values, least=least)


def _grubbs_critical(n: int, alpha: float) -> float:
    t = float(stdtrit(n - 2, 1.0 - alpha / n))
    return (n - 1.0) / float(np.sqrt(n)) * float(np.sqrt(t * t / (n - 2.0 + t * t)))
