"""Fits of a window study on coded levels: strength by a response surface, interfacial failure by a logistic curve.

The logistic fit carries Firth's penalty (Biometrika 80 (1993) 27; Heinze and Schemper, Statistics in Medicine
21 (2002) 2409): in a window study the modes are often parted completely, where plain maximum likelihood has no
finite answer.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from qualrec.errors import ComputeError, UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from qualrec.stats.regression import LinearFit
    from qualrec.stats.results import FloatArray

ORDERS = ("linear", "interaction", "quadratic")


def model_terms(names: Sequence[str], order: str) -> tuple[str, ...]:
    """Names of the columns of `model_matrix`."""
    count = len(names)
    terms = ["1", *names]
    if order in ("interaction", "quadratic"):
        terms += [f"{names[a]} x {names[b]}" for a, b in itertools.combinations(range(count), 2)]
    if order == "quadratic":
        terms += [f"{name}²" for name in names]
    return tuple(terms)


def model_powers(count: int, order: str) -> tuple[tuple[int, ...], ...]:
    """Exponents of the factors in each column of `model_matrix`: 1, x, 'interaction' x_i x_j, 'quadratic' also x_i²."""
    if order not in ORDERS:
        raise UsageError(f"Model {order!r} is not known.", f"Choose one of: {', '.join(ORDERS)}.")
    unit = np.eye(count, dtype=int)
    rows = [np.zeros(count, dtype=int), *unit]
    if order in ("interaction", "quadratic"):
        rows += [unit[a] + unit[b] for a, b in itertools.combinations(range(count), 2)]
    if order == "quadratic":
        rows += [2 * row for row in unit]
    return tuple(tuple(row.tolist()) for row in rows)


def model_matrix(coded: FloatArray, order: str) -> FloatArray:
    """The columns of `model_powers`; coded (n, k) in, (n, terms) out."""
    powers = model_powers(coded.shape[1], order)
    return np.column_stack([np.prod(coded ** np.array(row), axis=1) for row in powers])


@dataclass(frozen=True, slots=True, eq=False)
class StrengthFit:
    """Least-squares surface of strength on coded levels: `surface` of `stats.regression`, coefficients in coded units.

    `lack_of_fit_p` compares the misfit of the surface with the spread of repeated runs; None without repeats.
    """

    order: str
    terms: tuple[str, ...]
    surface: LinearFit
    lack_of_fit_p: float | None

    @property
    def coefficients(self) -> FloatArray:
        return np.array([c.value for c in self.surface.coefficients])

    @property
    def standard_errors(self) -> FloatArray:
        return np.array([c.standard_error for c in self.surface.coefficients])

    @property
    def sigma(self) -> float:
        return self.surface.residual_sd

    @property
    def df(self) -> int:
        return self.surface.df

    @property
    def r_squared(self) -> float:
        """Share of the variation that the surface follows; 0 where there is none."""
        return self.surface.r_squared if math.isfinite(self.surface.r_squared) else 0.0

    def mean(self, coded: FloatArray) -> FloatArray:
        """Fitted mean at coded points (m, k)."""
        return self.surface.predict(coded).mean

    def lower(self, coded: FloatArray, level: float = 0.95, *, single_pull: bool = True) -> FloatArray:
        """One-sided lower bound at coded points: of a single further pull, else of the mean."""
        kind = "prediction" if single_pull else "confidence"
        return self.surface.predict(coded, 2.0 * level - 1.0, kind).low


@dataclass(frozen=True, slots=True, eq=False)
class InterfacialFit:
    """Penalised logistic fit of the chance of interfacial failure on coded levels."""

    order: str
    terms: tuple[str, ...]
    coefficients: FloatArray
    standard_errors: FloatArray
    covariance: FloatArray
    failures: int
    n: int

    def chance(self, coded: FloatArray) -> FloatArray:
        """Fitted chance at coded points (m, k)."""
        from scipy.special import expit

        return np.asarray(expit(model_matrix(coded, self.order) @ self.coefficients))

    def upper(self, coded: FloatArray, level: float = 0.95) -> FloatArray:
        """One-sided upper bound of the chance (normal approximation on the logit scale)."""
        from scipy.special import expit, ndtri

        matrix = model_matrix(coded, self.order)
        spread = np.sqrt(np.einsum("ij,jk,ik->i", matrix, self.covariance, matrix))
        return np.asarray(expit(matrix @ self.coefficients + float(ndtri(level)) * spread))


def fit_strength(
    coded: FloatArray, strength: FloatArray, names: Sequence[str], order: str = "quadratic"
) -> StrengthFit:
    """Ordinary least squares of strength. Raises ComputeError where the runs cannot carry the model."""
    from qualrec.stats.regression import fit_terms

    matrix = _checked(coded, strength, names, order)
    n, terms = matrix.shape
    if n <= terms or np.linalg.matrix_rank(matrix) < terms:
        raise ComputeError(
            f"{n} runs cannot carry the {terms} terms of a {order} surface.",
            "Make more runs, use a face-centred or Box-Behnken plan, or fit a simpler surface.",
        )
    surface = fit_terms(coded, strength, model_powers(len(names), order), tuple(names))
    sse = float(surface.residuals @ surface.residuals)
    return StrengthFit(
        order, model_terms(names, order), surface, _lack_of_fit(coded, strength, sse, surface.df)
    )


def _lack_of_fit(coded: FloatArray, strength: FloatArray, sse: float, df: int) -> float | None:
    from scipy.special import fdtrc

    points, groups = np.unique(np.round(coded, 9), axis=0, return_inverse=True)
    groups = groups.ravel()
    sums = np.bincount(groups, strength)
    means = sums / np.bincount(groups)
    pure = float(((strength - means[groups]) ** 2).sum())
    pure_df = strength.size - points.shape[0]
    misfit_df = df - pure_df
    if pure_df < 1 or misfit_df < 1 or pure <= 0.0:
        return None
    ratio = max(0.0, sse - pure) / misfit_df / (pure / pure_df)
    return float(fdtrc(misfit_df, pure_df, ratio))


def fit_interfacial(
    coded: FloatArray, interfacial: NDArray[np.bool_], names: Sequence[str], order: str = "linear"
) -> InterfacialFit:
    """Logistic fit with Firth's penalty; finite also where all, none, or a clean side of the runs failed.

    Raises ComputeError where the runs cannot carry the model.
    """
    failed = np.asarray(interfacial, dtype=np.float64)
    matrix = _checked(coded, failed, names, order)
    n, terms = matrix.shape
    if np.linalg.matrix_rank(matrix) < terms:
        raise ComputeError(f"{n} runs cannot carry the {terms} terms of a {order} curve.", "Make more runs.")
    coefficients = np.zeros(terms)
    best = _penalised_likelihood(matrix, failed, coefficients)
    for _ in range(200):
        chance, covariance = _curve(matrix, coefficients)
        weight = chance * (1.0 - chance)
        leverage = weight * np.einsum("ij,jk,ik->i", matrix, covariance, matrix)
        score = matrix.T @ (failed - chance + leverage * (0.5 - chance))
        step = covariance @ score
        step *= min(1.0, 5.0 / float(np.abs(step).max() or 1.0))
        for _ in range(40):
            likelihood = _penalised_likelihood(matrix, failed, coefficients + step)
            if likelihood >= best - 1e-12 * abs(best):
                break
            step *= 0.5
        coefficients = coefficients + step
        best = max(best, likelihood)
        if float(np.abs(step).max()) < 1e-10:
            break
    else:
        raise ComputeError("The fit of interfacial failure did not settle.", "Fit a simpler curve.")
    covariance = _curve(matrix, coefficients)[1]
    return InterfacialFit(
        order=order,
        terms=model_terms(names, order),
        coefficients=coefficients,
        standard_errors=np.sqrt(np.diag(covariance)),
        covariance=covariance,
        failures=int(failed.sum()),
        n=n,
    )


def _curve(matrix: FloatArray, coefficients: FloatArray) -> tuple[FloatArray, FloatArray]:
    from scipy.special import expit

    chance = expit(matrix @ coefficients)
    information = (matrix * (chance * (1.0 - chance))[:, np.newaxis]).T @ matrix
    return chance, np.linalg.inv(information)


def _penalised_likelihood(matrix: FloatArray, failed: FloatArray, coefficients: FloatArray) -> float:
    """log likelihood + half the log determinant of the information; -inf where that is singular."""
    linear = matrix @ coefficients
    likelihood = float((failed * linear - np.logaddexp(0.0, linear)).sum())
    weight = np.exp(-np.logaddexp(0.0, linear) - np.logaddexp(0.0, -linear))
    sign, log_det = np.linalg.slogdet((matrix * weight[:, np.newaxis]).T @ matrix)
    return likelihood + 0.5 * float(log_det) if sign > 0 else -math.inf


def _checked(coded: FloatArray, response: FloatArray, names: Sequence[str], order: str) -> FloatArray:
    if coded.ndim != 2 or coded.shape[1] != len(names) or coded.shape[0] != response.shape[0]:
        raise UsageError(
            f"{coded.shape} levels do not fit {len(names)} factors and {response.shape[0]} results.",
            "Give one row of levels per run and one level per factor.",
        )
    if not (np.isfinite(coded).all() and np.isfinite(response).all()):
        raise UsageError(
            "A level or a result is missing.", "Give every level and result, or leave the run out."
        )
    return model_matrix(coded, order)
