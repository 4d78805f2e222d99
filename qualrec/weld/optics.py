"""Transmission of the upper part: T = (1 - R)^2 exp(-A d).

T transmission, R reflection of one face (fraction), A apparent extinction in 1/mm (absorption and
back-scatter), d thickness in mm. Transmissions go in and come out in %, named `transmission_pct`; R stays a
fraction. Beer-Lambert with two faces; wrong for strongly scattering parts far from the measured thickness,
so a prediction beyond +/-50 % of it is marked. Everything here is an estimate.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from qualrec.errors import ComputeError, UsageError
from qualrec.stats.results import Interval

if TYPE_CHECKING:
    from collections.abc import Sequence

    from qualrec.stats.results import FloatArray

DEFAULT_REFLECTION = 0.04
"""One face of a plastic with refractive index 1.5."""

EXTRAPOLATION_SHARE = 0.5
"""A prediction is trusted within this share of the measured thickness (judgement)."""


def _positive(name: str, value: float, unit: str) -> float:
    if not (math.isfinite(value) and value > 0.0):
        raise UsageError(f"{name} is {value!r} {unit}.", f"Give a {name} above 0 {unit}.")
    return value


def _not_negative(name: str, value: float, unit: str) -> float:
    if not (math.isfinite(value) and value >= 0.0):
        raise UsageError(f"{name} is {value!r} {unit}.", f"Give a {name} of at least 0 {unit}.")
    return value


def _reflection(value: float) -> float:
    if not 0.0 <= value < 1.0:
        raise UsageError(f"Reflection of one face is {value!r}.", "Give a fraction, 0.04 for 4 %.")
    return value


def _fraction(transmission_pct: float) -> float:
    if not 0.0 < transmission_pct <= 100.0:
        raise UsageError(
            f"Transmission is {transmission_pct!r} %.",
            "Give a transmission above 0 and up to 100 %, 13 for 13 %.",
        )
    return transmission_pct / 100.0


def fresnel_reflection(index: float, outside: float = 1.0) -> float:
    """Reflection of one face at normal incidence, R = ((n - n0)/(n + n0))^2, as a fraction."""
    _positive("refractive index", index, "")
    _positive("refractive index outside", outside, "")
    return ((index - outside) / (index + outside)) ** 2


def transmission_pct(
    extinction: float, thickness_mm: float, reflection: float = DEFAULT_REFLECTION, *, multiple: bool = False
) -> float:
    """Transmission in %: 100 (1 - R)^2 x / (1 - R^2 x^2 if `multiple` else 1), x = exp(-A d).

    `multiple` adds the light reflected to and fro inside the part; the gain is below 0.3 % of T for R = 5 %.
    """
    _not_negative("extinction", extinction, "1/mm")
    _not_negative("thickness", thickness_mm, "mm")
    _reflection(reflection)
    inner = math.exp(-extinction * thickness_mm)
    single = (1.0 - reflection) ** 2 * inner
    return 100.0 * (single / (1.0 - (reflection * inner) ** 2) if multiple else single)


def extinction(
    transmission_pct: float,
    thickness_mm: float,
    reflection: float = DEFAULT_REFLECTION,
    *,
    multiple: bool = False,
) -> float:
    """Apparent extinction A in 1/mm from one reading: A = -ln(T/(1 - R)^2)/d, the inverse of `transmission_pct`.

    Raises UsageError where T exceeds what the two faces let through (A would be negative).
    """
    share = _fraction(transmission_pct)
    _positive("thickness", thickness_mm, "mm")
    _reflection(reflection)
    faces = (1.0 - reflection) ** 2
    inner = share / faces
    if multiple:
        inner = 2.0 * share / (faces + math.sqrt(faces**2 + (2.0 * reflection * share) ** 2))
    if inner > 1.0 + 1e-12:
        most = 100.0 * (faces / (1.0 - reflection**2) if multiple else faces)
        raise UsageError(
            f"Transmission {transmission_pct:g} % is above {most:.1f} %, all that two faces with "
            f"R = {100 * reflection:g} % let through.",
            "Check the reading, the air reference of the meter and the reflection.",
        )
    return max(0.0, -math.log(min(inner, 1.0)) / thickness_mm)


@dataclass(frozen=True, slots=True)
class ThicknessPrediction:
    """Transmission estimated at another thickness."""

    transmission_pct: float
    at_mm: float
    extinction: float
    trusted: bool
    """Whether `at_mm` lies within +/-50 % of the measured thickness."""
    interval_pct: Interval | None
    """Prediction interval of one further reading in %, where a fit gives one."""
    method: str
    caution: str


def _caution(at_mm: float, low_mm: float, high_mm: float) -> tuple[bool, str]:
    low, high = low_mm * (1.0 - EXTRAPOLATION_SHARE), high_mm * (1.0 + EXTRAPOLATION_SHARE)
    if low * (1.0 - 1e-12) <= at_mm <= high * (1.0 + 1e-12):
        return True, "Estimate. Measure at the new thickness before using it."
    return False, (
        f"Estimate outside {low:g} to {high:g} mm, +/-50 % of the measured thickness: "
        "scattering can make it wrong. Measure at the new thickness."
    )


def predict_transmission(
    transmission_pct_measured: float,
    thickness_mm: float,
    at_mm: float,
    reflection: float = DEFAULT_REFLECTION,
    *,
    multiple: bool = False,
) -> ThicknessPrediction:
    """Transmission at thickness `at_mm` from one reading at `thickness_mm`."""
    _positive("new thickness", at_mm, "mm")
    found = extinction(transmission_pct_measured, thickness_mm, reflection, multiple=multiple)
    trusted, caution = _caution(at_mm, thickness_mm, thickness_mm)
    value = transmission_pct(found, at_mm, reflection, multiple=multiple)
    method = f"T = (1 - R)^2 exp(-A d), R = {100 * reflection:g} %, A from one reading"
    return ThicknessPrediction(value, at_mm, found, trusted, None, method, caution)


@dataclass(frozen=True, slots=True, eq=False)
class ExtinctionFit:
    """Straight line ln T = ln K - A d through readings at several thicknesses.

    `surface_share` is K as a fraction; it holds both face losses and diffuse back-reflection.
    `residual_sd` is the standard deviation of ln T about the line, with n - 2 degrees of freedom.
    """

    extinction: float
    extinction_interval: Interval
    surface_share: float
    surface_interval: Interval
    residual_sd: float
    n: int
    thicknesses: int
    low_mm: float
    high_mm: float
    mean_mm: float
    sum_squares_mm2: float
    notes: tuple[str, ...]

    def predict(self, at_mm: float, level: float = 0.95) -> ThicknessPrediction:
        """Transmission at `at_mm` with the prediction interval of one further reading, capped at 100 %."""
        _positive("new thickness", at_mm, "mm")
        log_value = math.log(self.surface_share) - self.extinction * at_mm
        spread = 1.0 + 1.0 / self.n + (at_mm - self.mean_mm) ** 2 / self.sum_squares_mm2
        half = _t_quantile(self.n - 2, level) * self.residual_sd * math.sqrt(spread)
        low, high = math.exp(log_value - half), math.exp(min(log_value + half, 0.0))
        trusted, caution = _caution(at_mm, self.low_mm, self.high_mm)
        method = f"T = K exp(-A d), least squares on ln T, {self.n} readings"
        interval = Interval(100.0 * low, 100.0 * high, level, f"{method}, t with {self.n - 2} df")
        value = 100.0 * min(math.exp(log_value), 1.0)
        return ThicknessPrediction(value, at_mm, self.extinction, trusted, interval, method, caution)


def _t_quantile(df: int, level: float) -> float:
    from scipy.special import stdtrit

    if not 0.0 < level < 1.0:
        raise UsageError(f"Confidence level is {level!r}.", "Give a level between 0 and 1, 0.95 for 95 %.")
    return float(stdtrit(df, 0.5 + level / 2.0))


def _readings(
    thickness_mm: Sequence[float] | FloatArray, transmission_pct_measured: Sequence[float] | FloatArray
) -> tuple[FloatArray, FloatArray]:
    depth = np.asarray(thickness_mm, dtype=np.float64)
    percent = np.asarray(transmission_pct_measured, dtype=np.float64)
    if depth.ndim != 1 or depth.shape != percent.shape:
        raise UsageError("Thicknesses and transmissions differ in number.", "Give one thickness per reading.")
    if not (np.isfinite(depth).all() and (depth > 0).all()):
        raise UsageError("A thickness is not above 0 mm.", "Give every thickness in mm.")
    if not (np.isfinite(percent).all() and (percent > 0).all() and (percent <= 100).all()):
        raise UsageError("A transmission lies outside 0 to 100 %.", "Give every transmission in %.")
    distinct = int(np.unique(depth).size)
    if depth.size < 3 or distinct < 2:
        raise ComputeError(
            f"{depth.size} readings at {distinct} thicknesses are too few for a fit.",
            "Give at least 3 readings at 2 or more thicknesses; 3 thicknesses are better.",
        )
    return depth, percent


def fit_extinction(
    thickness_mm: Sequence[float] | FloatArray,
    transmission_pct_measured: Sequence[float] | FloatArray,
    level: float = 0.95,
) -> ExtinctionFit:
    """Fit T = K exp(-A d) by least squares on ln T, with t intervals at `level`.

    Needs at least three readings at two or more thicknesses; fewer than three thicknesses, a negative
    extinction and K above 1 are remarked in `notes`. Raises ComputeError or UsageError.
    """
    depth, percent = _readings(thickness_mm, transmission_pct_measured)
    distinct = int(np.unique(depth).size)
    n, mean = int(depth.size), float(depth.mean())
    log_t = np.log(percent / 100.0)
    sxx = float(((depth - mean) ** 2).sum())
    slope = float(((depth - mean) * (log_t - log_t.mean())).sum()) / sxx
    intercept = float(log_t.mean()) - slope * mean
    residual_sd = float(np.sqrt(((log_t - intercept - slope * depth) ** 2).sum() / (n - 2)))
    t = _t_quantile(n - 2, level)
    half_slope = t * residual_sd / math.sqrt(sxx)
    half_intercept = t * residual_sd * math.sqrt(1.0 / n + mean**2 / sxx)
    method = f"least squares on ln T, t with {n - 2} df"
    notes = []
    if distinct < 3:
        notes.append("Fewer than three thicknesses: the exponential shape is assumed, not checked.")
    if slope > 0.0:
        notes.append("Transmission rises with thickness: check the readings.")
    if intercept > 0.0:
        notes.append("The surface share K is above 1: scattering or a wrong air reference.")
    return ExtinctionFit(
        extinction=-slope,
        extinction_interval=Interval(-slope - half_slope, -slope + half_slope, level, method),
        surface_share=math.exp(intercept),
        surface_interval=Interval(
            math.exp(intercept - half_intercept), math.exp(intercept + half_intercept), level, method
        ),
        residual_sd=residual_sd,
        n=n,
        thicknesses=distinct,
        low_mm=float(depth.min()),
        high_mm=float(depth.max()),
        mean_mm=mean,
        sum_squares_mm2=sxx,
        notes=tuple(notes),
    )


@dataclass(frozen=True, slots=True)
class TransmissionTolerance:
    """What a thickness tolerance does to transmission."""

    nominal_pct: float
    low_pct: float
    """At the thickest wall."""
    high_pct: float
    """At the thinnest wall."""
    relative_per_mm: float
    """Relative change of T per mm of wall, equal to -A."""
    extinction: float


def transmission_tolerance(
    transmission_pct_measured: float,
    thickness_mm: float,
    tolerance_mm: float,
    reflection: float = DEFAULT_REFLECTION,
) -> TransmissionTolerance:
    """Transmission at d + tolerance and d - tolerance; dT/T = -A dd for small changes.

    Raises UsageError where the tolerance is not below the thickness.
    """
    _not_negative("tolerance", tolerance_mm, "mm")
    if tolerance_mm >= thickness_mm:
        raise UsageError(
            f"Tolerance {tolerance_mm:g} mm is not below the thickness {thickness_mm:g} mm.",
            "Check both values.",
        )
    found = extinction(transmission_pct_measured, thickness_mm, reflection)
    return TransmissionTolerance(
        nominal_pct=transmission_pct_measured,
        low_pct=transmission_pct(found, thickness_mm + tolerance_mm, reflection),
        high_pct=transmission_pct(found, thickness_mm - tolerance_mm, reflection),
        relative_per_mm=-found,
        extinction=found,
    )


@dataclass(frozen=True, slots=True)
class PowerAdvice:
    """Laser power that would keep the joint energy. Advice only: nothing here sets a laser."""

    power_w: float
    wanted_power_w: float
    clipped: bool
    joint_energy_share: float
    """Joint energy at `power_w` as a share of the reference; 1 unless clipped."""
    text: str


def power_for_joint_energy(
    reference_power_w: float,
    reference_transmission_pct: float,
    transmission_pct_now: float,
    *,
    max_power_w: float,
    min_power_w: float = 0.0,
) -> PowerAdvice:
    """Power with P T unchanged: P = P_ref T_ref / T, clipped to the limits of the recipe."""
    _positive("reference power", reference_power_w, "W")
    _positive("highest power", max_power_w, "W")
    _not_negative("lowest power", min_power_w, "W")
    if min_power_w > max_power_w:
        raise UsageError(
            f"Lowest power {min_power_w:g} W is above the highest, {max_power_w:g} W.", "Check both limits."
        )
    ratio = _fraction(reference_transmission_pct) / _fraction(transmission_pct_now)
    wanted = reference_power_w * ratio
    power = min(max(wanted, min_power_w), max_power_w)
    share = power / wanted
    text = f"Advice only: {power:.4g} W keeps the joint energy. Change power only through a recipe revision."
    if power != wanted:
        text = (
            f"Advice only: {wanted:.4g} W would be needed, the limit is {power:.4g} W; "
            f"the joint gets {100 * share:.1f} % of the reference energy."
        )
    return PowerAdvice(power, wanted, power != wanted, share, text)
