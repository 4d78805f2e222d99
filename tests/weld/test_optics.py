"""Optics: worked cases, inverse functions, the fit against an outside regression."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from qualrec.errors import ComputeError, UsageError
from qualrec.weld.optics import (
    extinction,
    fit_extinction,
    fresnel_reflection,
    power_for_joint_energy,
    predict_transmission,
    transmission_pct,
    transmission_tolerance,
)


def test_thirteen_percent_case() -> None:
    """13 % at 2 mm, R 4 %: ln(0.9216/0.13)/2 = 0.979/mm, hence 21.2 % at 1.5 mm, 35 % at 1 mm, 5 % at 3 mm."""
    assert extinction(13.0, 2.0, 0.04) == pytest.approx(math.log(0.9216 / 0.13) / 2.0, rel=1e-14)
    assert extinction(13.0, 2.0, 0.04) == pytest.approx(0.979, abs=5e-4)
    assert predict_transmission(13.0, 2.0, 1.5).transmission_pct == pytest.approx(21.2, abs=0.05)
    assert predict_transmission(13.0, 2.0, 1.0).transmission_pct == pytest.approx(35, abs=0.5)
    assert predict_transmission(13.0, 2.0, 3.0).transmission_pct == pytest.approx(5, abs=0.5)
    assert extinction(50.0, 2.0) == pytest.approx(0.31, abs=5e-3)


@pytest.mark.parametrize("index, percent", [(1.49, 3.9), (1.53, 4.4), (1.585, 5.1), (1.5, 4.0)])
def test_fresnel(index: float, percent: float) -> None:
    """((n - 1)/(n + 1))²; 4.0 % for n = 1.5 stands in every optics textbook."""
    assert 100 * fresnel_reflection(index) == pytest.approx(percent, abs=0.05)
    assert fresnel_reflection(1.0, index) == pytest.approx(fresnel_reflection(index))


def test_clear_plate_with_multiple_reflections() -> None:
    """Without absorption both faces give T = 2n/(n² + 1) (Hecht, Optics; from memory)."""
    n = 1.585
    exact = 100 * 2 * n / (n**2 + 1)
    assert transmission_pct(0.0, 3.0, fresnel_reflection(n), multiple=True) == pytest.approx(exact, rel=1e-12)


def test_multiple_reflection_is_small() -> None:
    single, full = (transmission_pct(0.0, 1.0, 0.05, multiple=multiple) for multiple in (False, True))
    assert 0 < full / single - 1 < 0.003


@given(st.floats(0, 5), st.floats(0.2, 5), st.floats(0, 0.2), st.booleans())
def test_extinction_inverts_transmission(
    value: float, depth: float, reflection: float, multiple: bool
) -> None:
    percent = transmission_pct(value, depth, reflection, multiple=multiple)
    assert extinction(percent, depth, reflection, multiple=multiple) == pytest.approx(
        value, rel=1e-9, abs=1e-11
    )


@given(st.floats(0.01, 5), st.floats(0.2, 5), st.floats(0.2, 5))
def test_thicker_lets_less_through(value: float, first: float, second: float) -> None:
    thin, thick = sorted((first, second))
    assert transmission_pct(value, thin) >= transmission_pct(value, thick)


@given(st.floats(1, 90), st.floats(1, 4))
def test_prediction_at_the_measured_thickness_is_the_reading(percent: float, depth: float) -> None:
    found = predict_transmission(percent, depth, depth)
    assert found.transmission_pct == pytest.approx(percent)
    assert found.trusted


def test_extrapolation_bound() -> None:
    assert predict_transmission(13.0, 2.0, 3.0).trusted
    assert predict_transmission(13.0, 2.0, 1.0).trusted
    far = predict_transmission(13.0, 2.0, 3.2)
    assert not far.trusted
    assert "+/-50 %" in far.caution


def test_fit_against_linregress() -> None:
    """scipy.stats.linregress on ln T gives slope, intercept and their standard errors."""
    depth = np.array([1.0, 1.0, 1.5, 2.0, 2.0, 3.0])
    percent = np.array([34.0, 36.0, 21.5, 12.6, 13.3, 5.1])
    outside = stats.linregress(depth, np.log(percent / 100))
    fit = fit_extinction(depth, percent)
    t = stats.t.ppf(0.975, 4)
    assert fit.extinction == pytest.approx(-outside.slope, rel=1e-12)
    assert fit.surface_share == pytest.approx(math.exp(outside.intercept), rel=1e-12)
    assert fit.extinction_interval.low == pytest.approx(-outside.slope - t * outside.stderr, rel=1e-9)
    assert fit.extinction_interval.high == pytest.approx(-outside.slope + t * outside.stderr, rel=1e-9)
    assert math.log(fit.surface_interval.high) == pytest.approx(
        outside.intercept + t * outside.intercept_stderr, rel=1e-9
    )


def test_fit_prediction_interval_against_statsmodels() -> None:
    """statsmodels OLS get_prediction, interval of one further observation."""
    import statsmodels.api as sm

    depth = np.array([1.0, 1.0, 1.5, 2.0, 2.0, 3.0])
    percent = np.array([34.0, 36.0, 21.5, 12.6, 13.3, 5.1])
    outside = sm.OLS(np.log(percent / 100), sm.add_constant(depth)).fit()
    frame = outside.get_prediction(np.array([[1.0, 2.5]])).summary_frame(alpha=0.1)
    found = fit_extinction(depth, percent).predict(2.5, level=0.9)
    assert found.interval_pct is not None
    assert found.interval_pct.low == pytest.approx(100 * math.exp(frame["obs_ci_lower"][0]), rel=1e-9)
    assert found.interval_pct.high == pytest.approx(100 * math.exp(frame["obs_ci_upper"][0]), rel=1e-9)


@given(st.floats(0.05, 2), st.floats(0.5, 0.95))
def test_fit_recovers_an_exact_law(value: float, surface: float) -> None:
    depth = np.array([0.8, 1.6, 2.4, 3.2])
    fit = fit_extinction(depth, 100 * surface * np.exp(-value * depth))
    assert fit.extinction == pytest.approx(value, rel=1e-9)
    assert fit.surface_share == pytest.approx(surface, rel=1e-9)
    assert fit.notes == ()


def test_fit_coverage() -> None:
    """The 95 % interval of the extinction holds the true value in about 95 % of simulated fits."""
    rng = np.random.default_rng(20240611)
    depth = np.repeat([1.0, 2.0, 3.0], 2)
    held = 0
    for _ in range(1000):
        percent = 80 * np.exp(-0.6 * depth + rng.normal(0, 0.05, depth.size))
        interval = fit_extinction(depth, percent).extinction_interval
        held += interval.low <= 0.6 <= interval.high
    assert 930 <= held <= 970


def test_fit_remarks_and_refusals() -> None:
    assert any("Fewer than three" in note for note in fit_extinction([1, 1, 2], [50, 51, 30]).notes)
    assert any("rises" in note for note in fit_extinction([1, 2, 3], [30, 35, 40]).notes)
    assert any("above 1" in note for note in fit_extinction([1, 2, 3], [60, 20, 6]).notes)
    with pytest.raises(ComputeError):
        fit_extinction([2, 2, 2], [13, 13, 13.5])
    with pytest.raises(ComputeError):
        fit_extinction([1, 2], [13, 10])
    with pytest.raises(UsageError):
        fit_extinction([1, 2, 3], [13, 10])
    with pytest.raises(UsageError):
        fit_extinction([1, 2, 3], [0, 10, 13])
    with pytest.raises(UsageError):
        fit_extinction([0, 2, 3], [20, 10, 13])
    with pytest.raises(UsageError):
        fit_extinction([1, 2, 3], [30, 20, 13], level=95)


def test_thickness_tolerance() -> None:
    """0.1 mm of wall moves 13 % at 2 mm by about 10 % of itself, 50 % at 2 mm by 3 %."""
    strong, weak = transmission_tolerance(13, 2, 0.1), transmission_tolerance(50, 2, 0.1)
    assert strong.high_pct / 13 - 1 == pytest.approx(0.10, abs=0.01)
    assert 1 - strong.low_pct / 13 == pytest.approx(0.10, abs=0.01)
    assert weak.high_pct / 50 - 1 == pytest.approx(0.03, abs=0.005)
    assert strong.relative_per_mm == -strong.extinction
    with pytest.raises(UsageError):
        transmission_tolerance(13, 2, 2)


@pytest.mark.parametrize(
    "percent, depth, reflection",
    [
        (95.0, 2.0, 0.04),
        (0.0, 2.0, 0.04),
        (120.0, 2.0, 0.0),
        (13.0, 0.0, 0.04),
        (13.0, 2.0, 4.0),
        (math.nan, 2.0, 0.04),
    ],
)
def test_impossible_readings(percent: float, depth: float, reflection: float) -> None:
    with pytest.raises(UsageError) as caught:
        extinction(percent, depth, reflection)
    assert caught.value.remedy


@given(st.floats(1, 90), st.floats(1, 90), st.floats(1, 500))
def test_power_keeps_joint_energy(before: float, now: float, power: float) -> None:
    advice = power_for_joint_energy(power, before, now, max_power_w=1e6)
    assert not advice.clipped
    assert advice.power_w * now == pytest.approx(power * before)
    assert "Advice only" in advice.text


def test_power_is_clipped() -> None:
    """25 to 20 % needs 125 W in place of 100 W; with 110 W the joint gets 88 %."""
    advice = power_for_joint_energy(100, 25, 20, max_power_w=110)
    assert advice.wanted_power_w == pytest.approx(125)
    assert advice.power_w == 110
    assert advice.clipped
    assert advice.joint_energy_share == pytest.approx(0.88)
    low = power_for_joint_energy(100, 20, 40, max_power_w=200, min_power_w=80)
    assert low.joint_energy_share == pytest.approx(1.6)
    with pytest.raises(UsageError):
        power_for_joint_energy(100, 20, 40, max_power_w=50, min_power_w=80)
