"""Straight line, polynomial and quadratic response surface by least squares, with bands.

    y = X b + e, e independent normal with one standard deviation b by QR of the centred and scaled columns;
    se(b) = s sqrt(diag((X'X)^-1)); s^2 = residual sum of squares / (n - p) confidence band of the mean at x:
    yhat -+ t s sqrt(x'(X'X)^-1 x); prediction band of one value: ... sqrt(1 + ...) Working-Hotelling band
    for a whole curve: sqrt(p F(p, n - p)) in place of t

The window is where a prediction limit meets a requirement. Outside the values tried a prediction is
extrapolation and is marked so. Source: Draper & Smith, Applied Regression Analysis (1998); NIST/SEMATECH
e-Handbook 4.4 and 5.3.3.6.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import fdtrc, fdtri, stdtr, stdtrit

from qualrec.errors import ComputeError
from qualrec.stats.describe import check_size
from qualrec.stats.inputs import check_level, check_spread, finite
from qualrec.stats.results import FloatArray


@dataclass(frozen=True, slots=True)
class Coefficient:
    """One coefficient with its t test against 0."""

    name: str
    value: float
    standard_error: float
    t: float
    p: float


@dataclass(frozen=True, slots=True, eq=False)
class Bands:
    """Prediction at points: mean, limits, and True where the point lies outside the values tried."""

    mean: FloatArray
    low: FloatArray
    high: FloatArray
    outside: NDArray[np.bool_]
    kind: str
    level: float


@dataclass(frozen=True, slots=True, eq=False)
class LinearFit:
    """Least-squares fit. `terms` are exponents of the factors per coefficient, e.g. (1, 1) is their
    product."""

    coefficients: tuple[Coefficient, ...]
    residual_sd: float
    r_squared: float
    f: float
    p: float
    df: int
    n: int
    fitted: FloatArray
    residuals: FloatArray
    terms: tuple[tuple[int, ...], ...]
    factors: tuple[str, ...]
    centre: FloatArray
    unit: FloatArray
    solution: FloatArray
    root: FloatArray
    low: FloatArray
    high: FloatArray

    def predict(self, points: ArrayLike, level: float = 0.95, kind: str = "prediction") -> Bands:
        """Mean and band at points of shape (m, factors), or (m,) with one factor.

        `kind`: 'prediction' (one value), 'confidence' (the mean at each point), 'curve' (the means at all
        points at once). Raises ComputeError for another kind or points of the wrong width.
        """
        check_level(level, 0.0)
        x = settings(points, len(self.factors))
        if kind not in ("prediction", "confidence", "curve"):
            raise ComputeError(f"Unknown band {kind!r}.", "Use 'prediction', 'confidence' or 'curve'.")
        design = _design((x - self.centre) / self.unit, self.terms)
        mean = design @ self.solution
        lever = np.square(np.linalg.solve(self.root.T, design.T)).sum(axis=0)
        p = len(self.terms)
        one, all_ = float(stdtrit(self.df, 0.5 + level / 2.0)), math.sqrt(p * float(fdtri(p, self.df, level)))
        q = all_ if kind == "curve" else one
        half = q * self.residual_sd * np.sqrt(lever + (1.0 if kind == "prediction" else 0.0))
        return Bands(mean, mean - half, mean + half, beyond(x, self.low, self.high), kind, level)

    def window(
        self, points: ArrayLike, least: float | None = None, most: float | None = None, level: float = 0.95
    ) -> NDArray[np.bool_]:
        """True at points inside the values tried whose one-sided prediction limits at `level` meet the
        requirement."""
        if least is None and most is None:
            raise ComputeError("No requirement is given.", "Give the least or the largest value allowed.")
        check_level(level)
        bands = self.predict(points, 2.0 * level - 1.0)
        good = ~bands.outside
        if least is not None:
            good &= bands.low >= least
        if most is not None:
            good &= bands.high <= most
        return good


def line(x: ArrayLike, y: ArrayLike) -> LinearFit:
    """Straight line y = b0 + b1 x. Raises ComputeError as `fit_terms`."""
    return fit_terms(x, y, ((0,), (1,)), ("x",))


def polynomial(x: ArrayLike, y: ArrayLike, degree: int) -> LinearFit:
    """Polynomial in one factor. Raises ComputeError as `fit_terms`, and for a degree below 1."""
    if degree < 1:
        raise ComputeError(f"A polynomial of degree {degree}.", "Give a degree of 1 or more.")
    return fit_terms(x, y, tuple((d,) for d in range(degree + 1)), ("x",))


def response_surface(x: ArrayLike, y: ArrayLike, factors: Sequence[str]) -> LinearFit:
    """Full quadratic surface of the factors: constant, linear, squares, products. `x` has shape (n,
    factors)."""
    k = len(factors)
    unit = np.eye(k, dtype=int)
    terms = [tuple(np.zeros(k, dtype=int))] + [tuple(u) for u in unit]
    terms += [tuple(2 * u) for u in unit] + [
        tuple(unit[i] + unit[j]) for i in range(k) for j in range(i + 1, k)
    ]
    whole = tuple(tuple(int(e) for e in t) for t in terms)
    return fit_terms(x, y, whole, tuple(factors))


def stationary_point(fit: LinearFit) -> tuple[FloatArray, str]:
    """Point of a quadratic surface where all slopes are 0, and 'maximum', 'minimum' or 'saddle'.

    Raises ComputeError where the surface has no such point.
    """
    k = len(fit.factors)
    slope, bend = np.zeros(k), np.zeros((k, k))
    for term, c in zip(fit.terms, (c.value for c in fit.coefficients), strict=True):
        where = np.flatnonzero(term)
        if sum(term) > 2:
            raise ComputeError("The fit is not quadratic.", "Use response_surface.")
        if sum(term) == 1:
            slope[where[0]] = c
        elif sum(term) == 2:
            i, j = int(where[0]), int(where[-1])
            bend[i, j] += c
            bend[j, i] += c
    scaled = bend * np.outer(fit.unit, fit.unit)
    values = np.linalg.eigvalsh(scaled)
    if np.abs(values).min() <= 1e-10 * max(np.abs(values).max(), 1e-300):
        raise ComputeError("The surface has no stationary point.", "Look at the slopes; a ridge or a plane.")
    point = np.asarray(np.linalg.solve(bend, -slope), dtype=np.float64)
    kind = "maximum" if (values < 0).all() else "minimum" if (values > 0).all() else "saddle"
    return point, kind


def fit_terms(
    x: ArrayLike, y: ArrayLike, terms: tuple[tuple[int, ...], ...], factors: tuple[str, ...]
) -> LinearFit:
    """Least squares with the given products of powers; the first term must be the constant.

    Raises ComputeError for unequal lengths, nan or inf, no more values than terms, a factor without spread,
    or terms that the settings tried cannot tell apart. Results that are all alike show nothing: slopes 0 with p = 1.
    """
    table, z = settings(x, len(factors)), finite(y)
    _check(table, z, terms, factors)
    centre = 0.5 * (table.min(axis=0) + table.max(axis=0))
    unit = 0.5 * np.ptp(table, axis=0)
    design = _design((table - centre) / unit, terms)
    q, root = np.linalg.qr(design)
    size = np.abs(np.diag(root))
    if size.min() <= 1e-10 * size.max():
        raise ComputeError(
            "The settings tried cannot tell the terms apart.", "Try more settings or drop a term."
        )
    away = z - z[0]
    solution = np.linalg.solve(root, q.T @ away)
    solution = solution + np.linalg.solve(root, q.T @ (away - design @ solution))
    residuals = away - design @ solution
    solution[0] += z[0]
    fitted = z - residuals
    df = z.size - len(terms)
    rss, tss = float(residuals @ residuals), float(np.square(away - away.mean()).sum())
    s = math.sqrt(rss / df)
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        change = _back_transform(terms, centre, unit)
        values = change @ solution
        errors = s * np.sqrt(np.square(np.linalg.solve(root.T, change.T)).sum(axis=0))
    if not (np.isfinite(values).all() and np.isfinite(errors).all()):
        raise ComputeError(
            "A coefficient is too large or too small for a number.",
            "Give settings or results in another unit.",
        )
    extra = len(terms) - 1
    f = (tss - rss) / extra / (rss / df) if rss > 0 and extra else 0.0 if tss == 0 else math.inf
    return LinearFit(
        tuple(_coefficient(_name(t, factors), v, e, df) for t, v, e in zip(terms, values, errors, strict=True)),
        s, 1.0 - rss / tss if tss > 0 else math.nan, f, float(fdtrc(extra, df, f)) if math.isfinite(f) else 0.0,
        df, int(z.size), fitted, residuals, terms, factors, centre, unit, solution, root,
        table.min(axis=0), table.max(axis=0),
    )  # fmt: skip


def _coefficient(name: str, value: float, error: float, df: int) -> Coefficient:
    t = float(value / error) if error > 0 else math.copysign(math.inf, value) if value else 0.0
    return Coefficient(name, float(value), float(error), t, 2.0 * float(stdtr(df, -abs(t))))


def _check(
    table: FloatArray, z: FloatArray, terms: tuple[tuple[int, ...], ...], factors: tuple[str, ...]
) -> None:
    if table.shape[0] != z.size:
        raise ComputeError(f"{table.shape[0]} settings but {z.size} results.", "Give one result per setting.")
    if z.size <= len(terms):
        raise ComputeError(
            f"{z.size} results for {len(terms)} coefficients.", f"At least {len(terms) + 1} are needed."
        )
    if any(terms[0]):
        raise ComputeError("The first term is not the constant.", "Put the constant first.")
    for name, low, high in zip(factors, table.min(axis=0), table.max(axis=0), strict=True):
        if low == high:
            raise ComputeError(f"{name} was never changed.", "Leave it out, or try other settings.")


def beyond(x: FloatArray, low: FloatArray, high: FloatArray) -> NDArray[np.bool_]:
    """True for rows of `x` with a column outside low to high."""
    return np.asarray(((x < low) | (x > high)).any(axis=1), dtype=np.bool_)


def settings(x: ArrayLike, factors: int) -> FloatArray:
    """Settings as a table of shape (runs, factors). Raises ComputeError for another shape, nan or
    inf, and values too large or too close to square."""
    table = np.asarray(x, float)
    table = table[:, None] if table.ndim == 1 and factors == 1 else np.atleast_2d(table)
    if table.ndim != 2 or table.shape[1] != factors:
        raise ComputeError(f"The settings have shape {table.shape}.", f"One row per run, {factors} columns.")
    if not np.isfinite(table).all():
        raise ComputeError(
            "A setting is missing or infinite.", "Take the run out knowingly, or find the setting."
        )
    check_size(table)
    for column in table.T:
        check_spread(column, "settings")
    return table


def _design(scaled: FloatArray, terms: tuple[tuple[int, ...], ...]) -> FloatArray:
    return np.stack([np.prod(scaled ** np.array(t), axis=1) for t in terms], axis=1)


def _back_transform(terms: tuple[tuple[int, ...], ...], centre: FloatArray, unit: FloatArray) -> FloatArray:
    """Matrix that turns coefficients of scaled terms into those of plain terms.

    prod ((x - c)/u)^e expands by the binomial theorem; every lower term that it makes must be among the
    terms.
    """
    place = {t: i for i, t in enumerate(terms)}
    change = np.zeros((len(terms), len(terms)))
    for column, term in enumerate(terms):
        for lower in np.ndindex(*(e + 1 for e in term)):
            factor = 1.0
            for e, d, c, u in zip(term, lower, centre, unit, strict=True):
                factor *= math.comb(e, d) * (-c) ** (e - d) / u**e
            if lower not in place:
                raise ComputeError(
                    "A lower term is missing.", "With a square or product give its lower terms too."
                )
            change[place[lower], column] += factor
    return change


def _name(term: tuple[int, ...], factors: tuple[str, ...]) -> str:
    parts = [f"{f}^{e}" if e > 1 else f for f, e in zip(factors, term, strict=True) if e]
    return " ".join(parts) or "constant"
