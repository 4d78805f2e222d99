"""Logistic regression: chance of a failure mode against settings, e.g. interfacial failure against line
energy.

    ln(p / (1 - p)) = b0 + b1 x1 + ...; maximum likelihood by Newton's method
    bands on the logit scale, turned back; intervals of coefficients by Wald

Where the settings separate failures from the rest completely the likelihood has no maximum; that is refused
in words. Source: Hosmer & Lemeshow, Applied Logistic Regression (2000); Albert & Anderson, Biometrika 71
(1984) 1 for separation.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import chdtrc, expit, log_expit, ndtr, ndtri

from qualrec.errors import ComputeError
from qualrec.stats.inputs import check_level, finite
from qualrec.stats.regression import Bands, beyond, settings
from qualrec.stats.results import FloatArray, Interval


@dataclass(frozen=True, slots=True)
class LogitCoefficient:
    """One coefficient; `interval` by Wald; exp(value) is the odds ratio of one unit."""

    name: str
    value: float
    standard_error: float
    z: float
    p: float
    interval: Interval


@dataclass(frozen=True, slots=True, eq=False)
class LogisticFit:
    """Maximum-likelihood fit; `p` is the likelihood-ratio test against a constant share."""

    coefficients: tuple[LogitCoefficient, ...]
    log_likelihood: float
    log_likelihood_constant: float
    p: float
    n: int
    failures: int
    covariance: FloatArray
    low: FloatArray
    high: FloatArray

    def predict(self, points: ArrayLike, level: float = 0.95) -> Bands:
        """Chance and its pointwise band at points of shape (m, factors) or (m,)."""
        check_level(level, 0.0)
        x = settings(points, self.low.size)
        design = np.column_stack([np.ones(len(x)), x])
        logit = design @ np.array([c.value for c in self.coefficients])
        error = np.sqrt(np.einsum("ij,jk,ik->i", design, self.covariance, design))
        half = float(ndtri(0.5 + level / 2.0)) * error
        outside = beyond(x, self.low, self.high)
        return Bands(expit(logit), expit(logit - half), expit(logit + half), outside, "confidence", level)


def logistic(x: ArrayLike, failed: ArrayLike, factors: Sequence[str], level: float = 0.95) -> LogisticFit:
    """Fit the chance of `failed` (True or 1) to settings `x` of shape (n, factors) or (n,).

    Raises ComputeError for unequal lengths, nan or inf, outcomes that are not 0 or 1, one outcome only, a
    factor never changed, no more values than coefficients, settings that cannot be told apart, or complete
    separation.
    """
    check_level(level, 0.0)
    table, y = settings(x, len(factors)), finite(np.asarray(failed, float), "outcomes")
    _check(table, y, factors)
    centre, unit = table.mean(axis=0), table.std(axis=0)
    design = np.column_stack([np.ones(y.size), (table - centre) / unit])
    if np.linalg.matrix_rank(design) < design.shape[1]:
        raise ComputeError("The settings tried cannot tell the factors apart.", "Drop a factor.")
    b, value, information = _newton(design, y)
    change = np.eye(b.size)
    change[1:, 1:] = np.diag(1.0 / unit)
    change[0, 1:] = -centre / unit
    covariance = change @ np.linalg.inv(information) @ change.T
    plain, errors = change @ b, np.sqrt(np.diag(covariance))
    q = float(ndtri(0.5 + level / 2.0))
    coefficients = tuple(
        LogitCoefficient(
            name, float(v), float(e), float(v / e), 2.0 * float(ndtr(-abs(v / e))),
            Interval(float(v - q * e), float(v + q * e), level, "Wald"),
        )
        for name, v, e in zip(("constant", *factors), plain, errors, strict=True)
    )  # fmt: skip
    share = float(y.mean())
    constant = y.size * (share * math.log(share) + (1.0 - share) * math.log1p(-share))
    p = float(chdtrc(len(factors), max(2.0 * (value - constant), 0.0)))
    return LogisticFit(coefficients, value, constant, p, int(y.size), int(y.sum()), covariance,
                       table.min(axis=0), table.max(axis=0))  # fmt: skip


def _newton(design: FloatArray, y: FloatArray) -> tuple[FloatArray, float, FloatArray]:
    """Coefficients, log-likelihood and information matrix."""
    sign = 2.0 * y - 1.0
    b = np.zeros(design.shape[1])
    value = float(log_expit(sign * (design @ b)).sum())
    for _ in range(60):
        p = expit(design @ b)
        information = (design * (p * (1.0 - p))[:, None]).T @ design
        gradient = design.T @ (y - p)
        if value > -1e-6 * y.size or np.linalg.cond(information) > 1e13:
            break
        step = np.linalg.solve(information, gradient)
        size = 1.0
        while size > 1e-8:
            new = float(log_expit(sign * (design @ (b + size * step))).sum())
            if new >= value:
                break
            size /= 2.0
        b = b + size * step
        if new - value < 1e-12 * max(abs(value), 1.0) and float(np.abs(step).max()) < 1e-8:
            return b, new, information
        value = new
    raise ComputeError(
        "The settings separate the failures from the rest, so the fit has no end.",
        "Run settings in the range where both outcomes occur.",
    )


def _check(table: FloatArray, y: FloatArray, factors: Sequence[str]) -> None:
    if table.shape[0] != y.size:
        raise ComputeError(
            f"{table.shape[0]} settings but {y.size} outcomes.", "Give one outcome per setting."
        )
    if not np.isin(y, (0.0, 1.0)).all():
        raise ComputeError("An outcome is neither 0 nor 1.", "Give True or 1 for a failure, else False or 0.")
    if y.min() == y.max():
        raise ComputeError(
            "All outcomes are the same.", "Run settings in the range where both outcomes occur."
        )
    if y.size <= len(factors) + 1:
        raise ComputeError(f"{y.size} outcomes for {len(factors) + 1} coefficients.", "Run more settings.")
    for name, low, high in zip(factors, table.min(axis=0), table.max(axis=0), strict=True):
        if low == high:
            raise ComputeError(f"{name} was never changed.", "Leave it out, or try other settings.")
