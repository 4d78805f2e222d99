"""Maximum-likelihood fits of the shapes in `shapes`; each takes checked values and returns the parameters
in order."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from scipy.special import boxcox, digamma, polygamma

from qualrec.errors import ComputeError
from qualrec.stats import censored
from qualrec.stats.results import FloatArray

Theta = tuple[float, ...]


def normal(x: FloatArray) -> Theta:
    """Mean and standard deviation with divisor n."""
    return float(x.mean()), float(x.std())


def lognormal(x: FloatArray) -> Theta:
    """`normal` of the logarithms."""
    return normal(np.log(x))


def smallest_extreme(x: FloatArray) -> Theta:
    """Location and scale of the smallest extreme value shape."""
    mean, sd = normal(x)
    location, scale = censored.fit_smallest_extreme((x - mean) / sd, np.ones(x.size, dtype=bool))
    return mean + sd * location, sd * scale


def weibull(x: FloatArray) -> Theta:
    """Shape and scale: the smallest extreme value shape of the logarithms."""
    location, scale = smallest_extreme(np.log(x))
    return 1.0 / scale, math.exp(location)


def weibull3(x: FloatArray) -> Theta:
    """Shape, scale, origin: the origin is searched between 100 ranges and 1/(10 n) of the range below the
    least value."""
    low, span = float(x.min()), float(np.ptp(x))

    def at(log_gap: float) -> tuple[float, Theta]:
        gap = math.exp(log_gap)
        y = (x - low) + gap
        shape, scale = weibull(y)
        if shape < 1.0:
            shape, scale = 1.0, float(y.mean())
        z = y / scale
        value = float(np.log(shape / scale) * x.size + (shape - 1.0) * np.log(z).sum() - (z**shape).sum())
        return value, (shape, scale, low - gap)

    ends = math.log(span / (10.0 * x.size)), math.log(100.0 * span)
    grid = np.linspace(*ends, 15)
    values = [at(g)[0] for g in grid]
    best = int(np.argmax(values))
    around = float(grid[max(best - 1, 0)]), float(grid[min(best + 1, 14)])
    found = _bounded(lambda g: at(g)[0], *around)
    return max((at(found), at(float(grid[best]))), key=lambda pair: pair[0])[1]


def gamma(x: FloatArray) -> Theta:
    """Shape and scale: Newton on ln k - digamma(k) = ln mean - mean ln."""
    mean = float(x.mean())
    away = (x - mean) / mean
    s = math.log1p(float(away.mean())) - float(np.log1p(away).mean())
    if not s > 1e-12:
        raise ComputeError(
            "The values differ by too little for their size for a gamma shape.", "Choose the normal shape."
        )
    k = (3.0 - s + math.sqrt((s - 3.0) ** 2 + 24.0 * s)) / (12.0 * s)
    for _ in range(50):
        step = (math.log(k) - float(digamma(k)) - s) / (1.0 / k - float(polygamma(1, k)))
        new = k - step if step < k else k / 2.0
        if abs(new - k) <= 1e-14 * k:
            break
        k = new
    return k, mean / k


def folded_normal(x: FloatArray) -> Theta:
    """Mean and sd before folding; at the maximum mean^2 + sd^2 is the mean square, so one figure is
    searched."""
    square = float((x * x).mean())
    root = math.sqrt(square)

    def value(share: float) -> float:
        mean, var = share * root, square * (1.0 - share * share)
        fold = np.logaddexp(0.0, -2.0 * mean * x / var)
        return float(-0.5 * np.square(x - mean).sum() / var + fold.sum() - x.size * 0.5 * math.log(var))

    top = math.sqrt(max(1.0 - 1e-3 * float(x.var()) / square, 0.0))
    found = _bounded(value, 0.0, top)
    if value(0.0) >= value(found):
        found = 0.0
    return found * root, root * math.sqrt(1.0 - found * found)


def rayleigh(x: FloatArray) -> Theta:
    """Scale: root of half the mean square."""
    return (math.sqrt(float((x * x).mean()) / 2.0),)


def johnson_su(x: FloatArray) -> Theta:
    """gamma, delta, xi, lambda: gamma and delta follow from xi and lambda, which are searched."""
    centre, unit = float(np.median(x)), float(x.std())
    w = (x - centre) / unit

    def parts(v: FloatArray) -> tuple[float, FloatArray, FloatArray]:
        lam = math.exp(min(max(float(v[1]), -8.0), 8.0))
        u = (w - v[0]) / lam
        return lam, u, np.arcsinh(u)

    def loss(v: FloatArray) -> float:
        lam, u, z = parts(v)
        return w.size * math.log(float(z.std()) * lam) + 0.5 * float(np.log1p(u * u).sum())

    v = _simplex(loss, ((0.0, 0.0), (0.0, 1.5), (1.0, 0.5), (-1.0, 0.5)))
    lam, _, z = parts(v)
    delta = 1.0 / float(z.std())
    return -float(z.mean()) * delta, delta, centre + unit * float(v[0]), unit * lam


def johnson_sb(x: FloatArray) -> Theta:
    """gamma, delta, xi, lambda: the gaps between the ends and the outermost values are searched."""
    low, span = float(x.min()), float(np.ptp(x))
    w = (x - low) / span
    least, most = math.log(1.0 / (10.0 * x.size)), math.log(1000.0)

    def parts(v: FloatArray) -> tuple[float, float, FloatArray, FloatArray]:
        a, b = (math.exp(min(max(float(g), least), most)) for g in v)
        near, far = w + a, (1.0 - w) + b
        return a, b, near * far, np.log(near / far)

    def loss(v: FloatArray) -> float:
        a, b, product, z = parts(v)
        beyond = sum(max(least - float(g), float(g) - most, 0.0) for g in v)
        return w.size * math.log(float(z.std()) / (1.0 + a + b)) + float(np.log(product).sum()) + beyond

    v = _simplex(loss, ((-1.0, -1.0), (-2.5, 1.0), (1.0, -2.5), (2.0, 2.0)))
    a, b, _, z = parts(v)
    delta = 1.0 / float(z.std())
    return -float(z.mean()) * delta, delta, low - span * a, span * (1.0 + a + b)


def box_cox(x: FloatArray) -> Theta:
    """mean, sd, exponent of Box-Cox (x^l - 1)/l, exponent between -5 and 5."""
    logs = np.log(x)
    centre = float(logs.mean())
    scaled = np.exp(logs - centre)

    def value(e: float) -> float:
        return -0.5 * x.size * math.log(float(boxcox(scaled, e).var()))

    e = _bounded(value, -5.0, 5.0)
    return *normal(boxcox(x, e)), e


_DIGITS_LEFT = 1e-9
"""Spread over size of transformed values below which rounding decides."""
_NEVER = 1e12
"""Log-likelihood, turned round, of an exponent that leaves no digits."""


def yeo_johnson(x: FloatArray, e: float) -> FloatArray:
    """The Yeo-Johnson transformation with exponent e."""
    up, down = np.log1p(np.maximum(x, 0.0)), np.log1p(np.maximum(-x, 0.0))
    high = up if e == 0 else np.expm1(e * up) / e
    r = 2.0 - e
    low = -down if r == 0 else -np.expm1(r * down) / r
    return np.where(x >= 0, high, low)


def yeo_johnson_fit(x: FloatArray) -> Theta:
    """mean, sd, exponent, exponent searched so that the largest factor of x stays below e^200, at most -20
    to 20."""
    slope = float((np.sign(x) * np.log1p(np.abs(x))).sum())
    reach = min(20.0, 200.0 / max(float(np.log1p(np.abs(x)).max()), 1e-3))

    def value(e: float) -> float:
        y = yeo_johnson(x, e)
        spread = float(y.std())
        if not spread > _DIGITS_LEFT * float(np.abs(y).max()):
            return -_NEVER
        return -x.size * math.log(spread) + (e - 1.0) * slope

    grid = np.linspace(-reach, reach, 41)
    best = int(np.argmax([value(float(e)) for e in grid]))
    e = _bounded(value, float(grid[max(best - 1, 0)]), float(grid[min(best + 1, 40)]))
    return *normal(yeo_johnson(x, e)), e


def _bounded(target: Callable[[float], float], low: float, high: float) -> float:
    from scipy.optimize import minimize_scalar

    found = minimize_scalar(
        lambda v: -target(v), bounds=(low, high), method="bounded", options={"xatol": 1e-8}
    )
    return float(found.x)


def _simplex(loss: Callable[[FloatArray], float], starts: tuple[tuple[float, float], ...]) -> FloatArray:
    """Minimum of a loss of two figures from the best of several starts."""
    from scipy.optimize import minimize

    start = min((np.array(s) for s in starts), key=loss)
    options = {"xatol": 1e-5, "fatol": 1e-8, "maxfev": 600}
    return np.asarray(minimize(loss, start, method="Nelder-Mead", options=options).x)
