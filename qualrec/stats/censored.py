"""Maximum likelihood of a location and a scale with right-censored values.

y = location + scale * z with z standard normal or smallest extreme value; y is the value or its logarithm:
    Weibull: y = ln x, z smallest extreme value; location = ln(scale of Weibull), scale = 1 / shape
    lognormal: y = ln x, z normal           normal: y = x, z normal

    ln L = sum over failures (ln f(z) - ln scale) + sum over censored ln S(z)

A quantile x_p is profiled by holding location + z_p * scale and maximising over the scale.

Source: Nelson, Applied Life Data Analysis (1982); Meeker & Escobar, Statistical Methods for Reliability Data
(1998), chapter 8; NIST/SEMATECH e-Handbook 8.4.1.2.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtri, log_ndtr, ndtr, ndtri

from qualrec.errors import ComputeError
from qualrec.stats.inputs import check_spread
from qualrec.stats.results import FloatArray, Interval

SHAPES = ("weibull", "lognormal", "normal")
_LOG_ROOT = 0.5 * math.log(2.0 * math.pi)


@dataclass(frozen=True, slots=True, eq=False)
class CensoredFit:
    """A fitted shape; `x` are the values, `failed` is False where the value is only a lower limit of the
    strength."""

    shape: str
    location: float
    scale: float
    log_likelihood: float
    x: FloatArray
    failed: NDArray[np.bool_]

    @property
    def parameters(self) -> dict[str, float]:
        """The customary parameters: Weibull shape and scale; mean and sd of the values or of their
        logarithms."""
        if self.shape == "weibull":
            return {"shape": 1.0 / self.scale, "scale": math.exp(self.location)}
        name = ("log_mean", "log_sd") if self.shape == "lognormal" else ("mean", "sd")
        return dict(zip(name, (self.location, self.scale), strict=True))

    def quantile(self, p: float) -> float:
        """The strength that a share p of all welds does not reach."""
        y = self.location + standard_quantile(self.shape, p) * self.scale
        return y if self.shape == "normal" else math.exp(y)

    def share_below(self, x: float) -> float:
        """Share of all welds below x."""
        if self.shape != "normal" and x <= 0:
            return 0.0
        z = ((x if self.shape == "normal" else math.log(x)) - self.location) / self.scale
        return -math.expm1(-math.exp(min(z, 700.0))) if self.shape == "weibull" else float(ndtr(z))

    def quantile_interval(self, p: float, level: float = 0.95) -> Interval:
        """Profile-likelihood interval of a quantile; an end is 0 (or -inf) or inf where the likelihood
        never falls."""
        z_p = standard_quantile(self.shape, p)
        y = _response(self.shape, self.x)
        at = self.location + z_p * self.scale
        low, high = _profile(lambda q: _best_given_quantile(self.shape, y, self.failed, z_p, q, self.scale), at,
                             self.scale * max(1.0, abs(z_p)), self.log_likelihood_y, level)  # fmt: skip
        if self.shape != "normal":
            low, high = math.exp(low) if low > -700 else 0.0, math.exp(high) if high < 700 else math.inf
        return Interval(low, high, level, "profile likelihood")

    def scale_interval(self, level: float = 0.95) -> Interval:
        """Profile-likelihood interval of the scale (sd, log sd, or 1 / Weibull shape)."""
        y = _response(self.shape, self.x)

        def best(log_scale: float) -> float:
            return _best_given_scale(self.shape, y, self.failed, math.exp(log_scale), self.location)

        low, high = _profile(best, math.log(self.scale), 0.5, self.log_likelihood_y, level)
        return Interval(math.exp(low) if low > -700 else 0.0, math.exp(high) if high < 700 else math.inf,
                        level, "profile likelihood")  # fmt: skip

    @property
    def log_likelihood_y(self) -> float:
        """Log-likelihood on the scale of y, without the Jacobian of the logarithm."""
        return log_likelihood(
            self.shape, _response(self.shape, self.x), self.failed, self.location, self.scale
        )


def standard_quantile(shape: str, p: float) -> float:
    """z_p of the standard smallest extreme value (Weibull) or normal distribution."""
    if not 0.0 < p < 1.0:
        raise ComputeError(f"The share is {p}.", "Give a share between 0 and 1, both left out.")
    return math.log(-math.log1p(-p)) if shape == "weibull" else float(ndtri(p))


def log_likelihood(
    shape: str, y: FloatArray, failed: NDArray[np.bool_], location: float, scale: float
) -> float:
    """ln L of y at a location and scale."""
    z = (y - location) / scale
    with np.errstate(over="ignore"):
        if shape == "weibull":
            return float(z[failed].sum() - np.exp(z).sum() - failed.sum() * math.log(scale))
        f = z[failed]
        exact = -0.5 * float((f * f).sum()) - f.size * (_LOG_ROOT + math.log(scale))
        return exact + float(log_ndtr(-z[~failed]).sum())


def fit(shape: str, x: FloatArray, failed: NDArray[np.bool_]) -> CensoredFit:
    """Maximum likelihood. Raises ComputeError for fewer than 2 failures, failures all alike with nothing
    above them, or values of 0 or less where the shape needs logarithms."""
    if shape not in SHAPES:
        raise ComputeError(f"Unknown shape {shape!r}.", f"Use one of {', '.join(SHAPES)}.")
    count = int(failed.sum())
    if count < 2:
        raise ComputeError(f"{count} of {x.size} pulls broke at the weld; 2 are needed.", "Pull more welds.")
    if x[failed].min() == x[failed].max() and not (x[~failed] > x[failed].max()).any():
        raise ComputeError("All weld failures have the same strength.", "Check the tester and the readings.")
    if shape != "normal" and x.min() <= 0:
        raise ComputeError("A strength is 0 or less.", "Use the normal shape, or check the reading.")
    y = _response(shape, x)
    if shape == "normal":
        check_spread(x, "strengths")
    if not np.ptp(y) > 1e-12 * np.abs(y).max():
        raise ComputeError(
            "The strengths differ by too little for their size.",
            "Take a constant off all of them, or check the tester.",
        )
    shift, unit = float(y.mean()), float(y.std()) or 1.0
    w = (y - shift) / unit
    location, scale = fit_smallest_extreme(w, failed) if shape == "weibull" else fit_normal(w, failed)
    location, scale = shift + unit * location, unit * scale
    value = log_likelihood(shape, y, failed, location, scale)
    if shape != "normal":
        value -= float(y[failed].sum())
    return CensoredFit(shape, location, scale, value, x, failed)


def _response(shape: str, x: FloatArray) -> FloatArray:
    return x if shape == "normal" else np.log(x)


def fit_smallest_extreme(y: FloatArray, failed: NDArray[np.bool_]) -> tuple[float, float]:
    """Newton in the shape b = 1/scale on g(b) = sum w y / sum w - 1/b - mean of failures, w = exp(b y); g
    rises in b."""
    count = int(failed.sum())
    mean = float(y[failed].sum()) / count
    top = float(y.max())
    away = y - top
    b, low, high = 1.28 / max(float(y.std()), 1e-300), 0.0, math.inf
    for _ in range(100):
        w = np.exp(b * away)
        s0 = float(w.sum())
        m1 = float(w @ away) / s0
        m2 = float(w @ (away * away)) / s0
        g = m1 + top - 1.0 / b - mean
        low, high = (b, high) if g < 0 else (low, b)
        new = b - g / (m2 - m1 * m1 + 1.0 / (b * b))
        if not low < new < high:
            new = 0.5 * (low + high) if high < math.inf else 2.0 * b
        if abs(new - b) <= 1e-14 * b:
            b = new
            break
        b = new
    return top + math.log(float(np.exp(b * away).sum()) / count) / b, 1.0 / b


def fit_normal(y: FloatArray, failed: NDArray[np.bool_]) -> tuple[float, float]:
    """Newton in (location/scale, 1/scale), where the log-likelihood of a normal shape is concave, with
    halved steps."""
    f, c = y[failed], y[~failed]
    if c.size == 0:
        return float(f.mean()), float(f.std())
    scale = float(y.std())
    a, t = float(y.mean()) / scale, 1.0 / scale

    def value(a: float, t: float) -> float:
        z = t * f - a
        return f.size * math.log(t) - 0.5 * float(z @ z) + float(log_ndtr(a - t * c).sum())

    here = value(a, t)
    for _ in range(200):
        z, u = t * f - a, t * c - a
        hazard = np.exp(-0.5 * u * u - _LOG_ROOT - log_ndtr(-u))
        bend = hazard * (hazard - u)
        g = np.array([float(z.sum() + hazard.sum()), f.size / t - float(z @ f) - float(hazard @ c)])
        h = np.array(
            [
                [f.size + float(bend.sum()), -float(f.sum()) - float(bend @ c)],
                [0.0, f.size / (t * t) + float(f @ f) + float(bend @ (c * c))],
            ]
        )
        h[1, 0] = h[0, 1]
        step = np.linalg.solve(h, g)
        size = 1.0
        while size > 1e-10:
            new_a, new_t = a + size * float(step[0]), t + size * float(step[1])
            if new_t > 0 and value(new_a, new_t) >= here - 1e-12 * abs(here):
                break
            size /= 2.0
        else:
            break
        a, t, here = new_a, new_t, value(new_a, new_t)
        if size == 1.0 and float(np.abs(step).max()) <= 1e-12 * (abs(a) + t):
            break
    return a / t, 1.0 / t


def _best_given_quantile(
    shape: str, y: FloatArray, failed: NDArray[np.bool_], z_p: float, q: float, start: float
) -> float:
    """Largest ln L with location + z_p scale held at q."""
    return _largest(
        lambda log_s: log_likelihood(shape, y, failed, q - z_p * math.exp(log_s), math.exp(log_s)),
        math.log(start),
    )


def _best_given_scale(
    shape: str, y: FloatArray, failed: NDArray[np.bool_], scale: float, start: float
) -> float:
    """Largest ln L with the scale held; closed form for the smallest extreme value."""
    if shape == "weibull":
        top = float(y.max())
        total = float(np.exp((y - top) / scale).sum())
        return log_likelihood(shape, y, failed, top + scale * math.log(total / failed.sum()), scale)
    return _largest(lambda m: log_likelihood(shape, y, failed, start + scale * m, scale), 0.0)


def _largest(target: Callable[[float], float], start: float) -> float:
    from scipy.optimize import minimize_scalar

    found = minimize_scalar(lambda v: -target(v), bracket=(start - 0.5, start + 0.5), options={"xtol": 1e-6})
    return -float(found.fun)


def _profile(
    best: Callable[[float], float], at: float, width: float, top: float, level: float
) -> tuple[float, float]:
    """Where `best` falls by chi2(level; 1)/2 below the maximum, on both sides of `at`."""
    from scipy.optimize import brentq

    cut = top - float(chdtri(1.0, 1.0 - level)) / 2.0
    ends = []
    for side in (-1.0, 1.0):
        step = width
        while best(at + side * step) > cut:
            step *= 2.0
            if step > 1e4 * width:
                break
        if step > 1e4 * width:
            ends.append(side * math.inf)
        else:
            ends.append(float(brentq(lambda v: best(v) - cut, at, at + side * step, xtol=1e-9, rtol=1e-9)))
    return ends[0], ends[1]
