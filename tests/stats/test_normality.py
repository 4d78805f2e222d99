"""Normality: published statistics, scipy and statsmodels as outside references, size of the tests."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from qualrec.errors import ComputeError
from qualrec.reference import case, load_cases, read_columns
from qualrec.stats.normality import anderson_darling, normality, probability_plot, shapiro_wilk


def _found(case_id: str) -> dict[str, float]:
    c = case(case_id)
    if case_id == "sw_1965_weights":
        return {"W": shapiro_wilk(c.inputs["x"])[0]}
    if case_id == "ad_nist_heatflow":
        return {"A2": anderson_darling(read_columns(c.inputs["file"])["y"])[0]}
    raise KeyError(case_id)


@pytest.mark.parametrize("case_id", [c.id for c in load_cases() if c.kind == "normality"])
def test_published_case(case_id: str) -> None:
    found = _found(case_id)
    for name, expected in case(case_id).expected.items():
        assert expected.accepts(found[name]), (name, found[name])


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("shape", ["normal", "lognormal", "uniform"])
def test_anderson_darling_against_statsmodels(seed: int, shape: str) -> None:
    """statsmodels.stats.diagnostic.normal_ad: A2, and p by the same published approximation."""
    from statsmodels.stats.diagnostic import normal_ad

    x = getattr(np.random.default_rng(seed), shape)(size=40)
    a2, _, p = anderson_darling(x)
    outside = normal_ad(x)
    assert a2 == pytest.approx(outside[0], rel=1e-9)
    assert p == pytest.approx(outside[1], rel=1e-6, abs=1e-12)


def test_p_value_is_near_uniform_for_normal_values() -> None:
    """3,000 samples of 30: shares below 5 % and 50 % within the scatter of counting."""
    rng = np.random.default_rng(5)
    p = np.array([anderson_darling(rng.normal(size=30))[2] for _ in range(3000)])
    assert 0.035 <= float((p < 0.05).mean()) <= 0.065
    assert 0.46 <= float((p < 0.5).mean()) <= 0.54


def test_figures_against_scipy() -> None:
    x = np.random.default_rng(6).gamma(3, size=50)
    result = normality(x)
    assert result.skewness == pytest.approx(stats.skew(x))
    assert result.excess_kurtosis == pytest.approx(stats.kurtosis(x))
    assert result.distance == pytest.approx(stats.kstest(x, "norm", (x.mean(), x.std(ddof=1))).statistic)
    w = stats.shapiro(x)
    assert (result.w, result.p_shapiro) == (pytest.approx(w.statistic), pytest.approx(w.pvalue))


def test_probability_plot_against_scipy_line() -> None:
    x = np.random.default_rng(7).normal(3, 2, 25)
    plot = probability_plot(x)
    line = stats.linregress(plot.quantiles, plot.values)
    assert (plot.slope, plot.intercept) == (pytest.approx(line.slope), pytest.approx(line.intercept))
    assert plot.r == pytest.approx(line.rvalue)
    assert (np.diff(plot.values) >= 0).all()


def test_beyond_a_thousand_values_a_distance_stands_for_p() -> None:
    """A shape a little off normal: p is not given, the distance is, and it does not fall with n."""
    rng = np.random.default_rng(8)
    few, many = normality(rng.gamma(50, size=1000)), normality(rng.gamma(50, size=6000))
    assert few.p_anderson is not None
    assert few.p_shapiro is not None
    assert many.p_anderson is None
    assert many.p_shapiro is None
    assert many.w is None
    assert "distance" in many.note
    assert 0.01 < many.distance < 0.04


@given(st.integers(0, 500), st.floats(-1e3, 1e3), st.floats(0.1, 10))
def test_shift_scale_order_and_mirror(seed: int, shift: float, scale: float) -> None:
    x = np.random.default_rng(seed).normal(size=20)
    a = normality(x)
    for other in (x * scale + shift, x[::-1], -x):
        b = normality(other)
        assert b.a2 == pytest.approx(a.a2, rel=1e-6, abs=1e-9)
        assert b.distance == pytest.approx(a.distance, abs=1e-9)
        assert b.w == pytest.approx(a.w, rel=1e-6)


@pytest.mark.parametrize(
    ("values", "word"),
    [
        ([], "no values"),
        ([1.0] * 9, "the same"),
        ([1.0, 2.0, 3.0], "at least 8"),
        ([1.0] * 8 + [math.nan], "missing"),
        ([1.0] * 8 + [math.inf], "infinite"),
    ],
)
def test_refusals(values: list[float], word: str) -> None:
    for method in (normality, anderson_darling):
        with pytest.raises(ComputeError, match=word):
            method(values)


def test_shapiro_limits() -> None:
    with pytest.raises(ComputeError, match="at least 3"):
        shapiro_wilk([1.0, 2.0])
    with pytest.raises(ComputeError, match="up to 5,000"):
        shapiro_wilk(np.arange(5001.0))


def test_far_tail_gives_p_zero_without_warning() -> None:
    x = np.concatenate([np.linspace(0, 1, 900), [1e6]])
    assert anderson_darling(x)[2] == 0.0
