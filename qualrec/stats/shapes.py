"""Shapes of one characteristic: density, distribution function, quantiles, fit by maximum likelihood.

| name | parameters | values |
|---|---|---|
| normal | mean, sd | any |
| lognormal | log_mean, log_sd | above 0 |
| weibull | shape, scale | above 0 |
| weibull3 | shape, scale, origin | above the origin |
| gamma | shape, scale | above 0 |
| folded normal | mean, sd of the normal before folding | 0 or more |
| rayleigh | scale | 0 or more |
| johnson su | gamma, delta, xi, lambda | any |
| johnson sb | gamma, delta, xi, lambda | between xi and xi + lambda |
| smallest extreme value | location, scale | any |
| box-cox normal | mean, sd, exponent | above 0 |
| yeo-johnson normal | mean, sd, exponent | any; the one fit that depends on the unit |

All but gamma and folded normal are a standard shape (normal or smallest extreme value) of a rising function
of x. The likelihood of a shape with a free end (weibull3, johnson sb) has no maximum where the end meets the
outermost value; the end is held 1/(10 n) of the range away from it, and the shape of weibull3 at 1 or more.

Source: Johnson, Kotz & Balakrishnan, Continuous Univariate Distributions (1994); Box & Cox, J. Royal
Statistical Society B 26 (1964) 211; Yeo & Johnson, Biometrika 87 (2000) 954.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy.special import (
    boxcox,
    gammainc,
    gammaincc,
    gammaincinv,
    gammaln,
    inv_boxcox,
    log_ndtr,
    ndtr,
    ndtri,
    xlogy,
)

from qualrec.stats import shape_fits as sf
from qualrec.stats.results import FloatArray
from qualrec.stats.shape_fits import Theta

_LOG_ROOT = 0.5 * math.log(2.0 * math.pi)


@dataclass(frozen=True, slots=True)
class Shape:
    """`fit(x)` gives the parameters; the functions take them as a tuple in the order of `parameters`.

    `positive` shapes are fitted to values above 0 only. `log_tails` returns (ln F, ln(1 - F)).
    """

    name: str
    parameters: tuple[str, ...]
    positive: bool
    fit: Callable[[FloatArray], Theta]
    log_density: Callable[[FloatArray, Theta], FloatArray]
    log_tails: Callable[[FloatArray, Theta], tuple[FloatArray, FloatArray]]
    quantile: Callable[[FloatArray, Theta], FloatArray]


def _from_z(
    name: str,
    parameters: tuple[str, ...],
    positive: bool,
    fit: Callable[[FloatArray], Theta],
    z_of: Callable[[FloatArray, Theta], FloatArray],
    log_slope: Callable[[FloatArray, Theta], FloatArray],
    x_of: Callable[[FloatArray, Theta], FloatArray],
    extreme: bool = False,
) -> Shape:
    """A shape whose z is standard normal, or standard smallest extreme value where `extreme`."""

    def log_density(x: FloatArray, t: Theta) -> FloatArray:
        z = z_of(x, t)
        base = z - np.exp(np.minimum(z, 700.0)) if extreme else -0.5 * z * z - _LOG_ROOT
        return np.asarray(base + log_slope(x, t))

    def log_tails(x: FloatArray, t: Theta) -> tuple[FloatArray, FloatArray]:
        z = z_of(x, t)
        if not extreme:
            return np.asarray(log_ndtr(z)), np.asarray(log_ndtr(-z))
        rate = np.exp(np.minimum(z, 700.0))
        with np.errstate(divide="ignore"):
            return np.log(-np.expm1(-rate)), -rate

    def quantile(p: FloatArray, t: Theta) -> FloatArray:
        q = np.asarray(p, float)
        return x_of(np.log(-np.log1p(-q)) if extreme else np.asarray(ndtri(q)), t)

    return Shape(name, parameters, positive, fit, log_density, log_tails, quantile)


def _line(x: FloatArray, t: Theta) -> FloatArray:
    return (x - t[0]) / t[1]


def _flat(x: FloatArray, t: Theta) -> FloatArray:
    return np.full(x.shape, -math.log(t[1]))


def _weibull(name: str, parameters: tuple[str, ...], fit: Callable[[FloatArray], Theta]) -> Shape:
    """Weibull family; a missing origin is 0 and a missing shape (Rayleigh) is 2."""

    def full(t: Theta) -> tuple[float, float, float]:
        if len(t) == 1:
            return 2.0, t[0] * math.sqrt(2.0), 0.0
        return t[0], t[1], t[2] if len(t) == 3 else 0.0

    def z_of(x: FloatArray, t: Theta) -> FloatArray:
        shape, scale, origin = full(t)
        with np.errstate(divide="ignore"):
            return np.asarray(shape * np.log(np.maximum(x - origin, 0.0) / scale))

    def log_slope(x: FloatArray, t: Theta) -> FloatArray:
        shape, _, origin = full(t)
        return np.asarray(math.log(shape) - np.log(np.maximum(x - origin, 1e-300)))

    def x_of(z: FloatArray, t: Theta) -> FloatArray:
        shape, scale, origin = full(t)
        return np.asarray(origin + scale * np.exp(z / shape))

    return _from_z(name, parameters, name != "weibull3", fit, z_of, log_slope, x_of, extreme=True)


def _su_slope(x: FloatArray, t: Theta) -> FloatArray:
    u = (x - t[2]) / t[3]
    return np.asarray(math.log(t[1] / t[3]) - 0.5 * np.log1p(u * u))


def _sb_z(x: FloatArray, t: Theta) -> FloatArray:
    with np.errstate(divide="ignore"):
        low, high = np.maximum(x - t[2], 0.0), np.maximum(t[2] + t[3] - x, 0.0)
        return np.asarray(t[0] + t[1] * (np.log(low) - np.log(high)))


def _sb_slope(x: FloatArray, t: Theta) -> FloatArray:
    return np.asarray(math.log(t[1] * t[3]) - np.log(x - t[2]) - np.log(t[2] + t[3] - x))


def _sb_quantile(z: FloatArray, t: Theta) -> FloatArray:
    return np.asarray(t[2] + t[3] / (1.0 + np.exp(-(z - t[0]) / t[1])))


def _boxcox_back(z: FloatArray, t: Theta) -> FloatArray:
    """Inverse of Box-Cox; beyond the end of the transformation the value is that end (0 or inf)."""
    y = t[0] + t[1] * z
    if t[2] != 0.0:
        end = -1.0 / t[2]
        inside = y > end if t[2] > 0 else y < end
        y = np.where(inside, y, end)
    with np.errstate(divide="ignore"):
        return np.asarray(inv_boxcox(y, t[2]))


def _yeo_back(z: FloatArray, t: Theta) -> FloatArray:
    y, e = t[0] + t[1] * z, t[2]
    up, down = np.maximum(y, 0.0), np.maximum(-y, 0.0)
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        high = np.expm1(up) if e == 0 else np.power(np.maximum(1.0 + e * up, 0.0), 1.0 / e) - 1.0
        r = 2.0 - e
        low = -np.expm1(down) if r == 0 else 1.0 - np.power(np.maximum(1.0 + r * down, 0.0), 1.0 / r)
    return np.where(y >= 0, high, low)


def _gamma_density(x: FloatArray, t: Theta) -> FloatArray:
    return np.asarray(xlogy(t[0] - 1.0, x / t[1]) - x / t[1] - gammaln(t[0]) - math.log(t[1]))


def _gamma_tails(x: FloatArray, t: Theta) -> tuple[FloatArray, FloatArray]:
    with np.errstate(divide="ignore"):
        return np.log(gammainc(t[0], x / t[1])), np.log(gammaincc(t[0], x / t[1]))


def _folded_density(x: FloatArray, t: Theta) -> FloatArray:
    a, b = (x - t[0]) / t[1], (x + t[0]) / t[1]
    return np.asarray(np.logaddexp(-0.5 * a * a, -0.5 * b * b) - _LOG_ROOT - math.log(t[1]))


def _folded_tails(x: FloatArray, t: Theta) -> tuple[FloatArray, FloatArray]:
    a, b = (x - t[0]) / t[1], (-x - t[0]) / t[1]
    with np.errstate(divide="ignore"):
        above = np.logaddexp(log_ndtr(-a), log_ndtr(b))
        return np.log(np.maximum(ndtr(a) - ndtr(b), 0.0)), np.asarray(above)


def _folded_quantile(p: FloatArray, t: Theta) -> FloatArray:
    """By bisection: the distribution function has no closed inverse."""
    q = np.asarray(p, float)
    low, high = np.zeros(q.shape), np.full(q.shape, t[0] + 40.0 * t[1])
    for _ in range(80):
        middle = 0.5 * (low + high)
        short = ndtr((middle - t[0]) / t[1]) - ndtr((-middle - t[0]) / t[1]) < q
        low, high = np.where(short, middle, low), np.where(short, high, middle)
    return np.asarray(0.5 * (low + high))


def _log_slope_lognormal(x: FloatArray, t: Theta) -> FloatArray:
    return np.asarray(-np.log(x) - math.log(t[1]))


_PLACE = ("location", "scale")
_JOHNSON = ("gamma", "delta", "xi", "lambda")

SHAPES: dict[str, Shape] = {
    shape.name: shape
    for shape in (
        _from_z("normal", ("mean", "sd"), False, sf.normal, _line, _flat, lambda z, t: t[0] + t[1] * z),
        _from_z("lognormal", ("log_mean", "log_sd"), True, sf.lognormal,
                lambda x, t: _line(np.log(x), t), _log_slope_lognormal, lambda z, t: np.exp(t[0] + t[1] * z)),
        _weibull("weibull", ("shape", "scale"), sf.weibull),
        _weibull("weibull3", ("shape", "scale", "origin"), sf.weibull3),
        Shape("gamma", ("shape", "scale"), True, sf.gamma, _gamma_density, _gamma_tails,
              lambda p, t: np.asarray(gammaincinv(t[0], p) * t[1])),
        Shape("folded normal", ("mean", "sd"), True, sf.folded_normal, _folded_density, _folded_tails,
              _folded_quantile),
        _weibull("rayleigh", ("scale",), sf.rayleigh),
        _from_z("johnson su", _JOHNSON, False, sf.johnson_su,
                lambda x, t: t[0] + t[1] * np.arcsinh((x - t[2]) / t[3]), _su_slope,
                lambda z, t: t[2] + t[3] * np.sinh((z - t[0]) / t[1])),
        _from_z("johnson sb", _JOHNSON, False, sf.johnson_sb, _sb_z, _sb_slope, _sb_quantile),
        _from_z("smallest extreme value", _PLACE, False, sf.smallest_extreme, _line, _flat,
                lambda z, t: t[0] + t[1] * z, extreme=True),
        _from_z("box-cox normal", ("mean", "sd", "exponent"), True, sf.box_cox,
                lambda x, t: _line(boxcox(x, t[2]), t),
                lambda x, t: (t[2] - 1.0) * np.log(x) - math.log(t[1]), _boxcox_back),
        _from_z("yeo-johnson normal", ("mean", "sd", "exponent"), False, sf.yeo_johnson_fit,
                lambda x, t: _line(sf.yeo_johnson(x, t[2]), t),
                lambda x, t: (t[2] - 1.0) * np.sign(x) * np.log1p(np.abs(x)) - math.log(t[1]), _yeo_back),
    )
}  # fmt: skip
"""All shapes by name."""
