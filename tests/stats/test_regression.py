"""Regression: certified digits, statsmodels, bands by simulation, windows, logistic fits, refusals."""

from __future__ import annotations

import math

import numpy as np
import pytest
import statsmodels.api as sm
from hypothesis import given
from hypothesis import strategies as st

from qualrec.errors import ComputeError
from qualrec.reference import case, load_cases, read_columns
from qualrec.stats.gauge_use import stability
from qualrec.stats.logistic import logistic
from qualrec.stats.regression import line, polynomial, response_surface, stationary_point

PONTIUS_Y = (
    ".11019 .21956 .32949 .43899 .54803 .65694 .76562 .87487 .98292 1.09146 1.20001 1.30822 1.41599 1.52399 1.63194 "
    "1.73947 1.84646 1.95392 2.06128 2.16844 .11052 .22018 .32939 .43886 .54798 .65739 .76596 .87474 .98300 1.09150 "
    "1.20004 1.30818 1.41613 1.52408 1.63159 1.73965 1.84696 1.95445 2.06177 2.16829"
)


@pytest.mark.parametrize("case_id", [c.id for c in load_cases() if c.kind == "regression"])
def test_published_case(case_id: str) -> None:
    c = case(case_id)
    assert c.inputs["model"] == "y=b0+b1*x"
    d = read_columns(c.inputs["file"])
    fit = line(d["x"], d["y"])
    found = {
        "b": [b.value for b in fit.coefficients],
        "se_b": [b.standard_error for b in fit.coefficients],
        "residual_sd": fit.residual_sd,
        "r_squared": fit.r_squared,
    }
    for name, expected in c.expected.items():
        assert expected.accepts(found[name]), (name, found[name], expected.value)


def test_pontius() -> None:
    """NIST StRD Pontius (quadratic, ill-conditioned): data and certified values from memory; 9 digits or
    more."""
    x = np.tile(np.arange(1, 21) * 150000.0, 2)
    fit = polynomial(x, [float(v) for v in PONTIUS_Y.split()], 2)
    certified = [0.673565789473684e-03, 0.732059160401003e-06, -0.316081871345029e-14]
    errors = [0.107938612033077e-03, 0.157817399981659e-09, 0.486652849992036e-16]
    np.testing.assert_allclose([c.value for c in fit.coefficients], certified, rtol=1e-9)
    np.testing.assert_allclose([c.standard_error for c in fit.coefficients], errors, rtol=1e-9)
    assert fit.residual_sd == pytest.approx(0.205177424076185e-03, rel=1e-9)
    assert fit.r_squared == pytest.approx(0.999999900178537, rel=1e-12)


def _surface(seed: int, n: int = 30) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    x = np.column_stack([rng.uniform(50, 150, n), rng.uniform(10, 40, n)])
    y = 40 - 0.004 * (x[:, 0] - 110) ** 2 - 0.02 * (x[:, 1] - 28) ** 2 + rng.normal(0, 1, n)
    return x, y


def test_surface_against_statsmodels() -> None:
    x, y = _surface(1)
    fit = response_surface(x, y, ("energy", "speed"))
    a, b = x.T
    outside = sm.OLS(y, np.column_stack([np.ones(30), a, b, a * a, b * b, a * b])).fit()
    np.testing.assert_allclose([c.value for c in fit.coefficients], outside.params, rtol=1e-7)
    np.testing.assert_allclose([c.standard_error for c in fit.coefficients], outside.bse, rtol=1e-7)
    np.testing.assert_allclose([c.p for c in fit.coefficients], outside.pvalues, rtol=1e-5, atol=1e-12)
    assert (fit.f, fit.p) == (pytest.approx(outside.fvalue), pytest.approx(outside.f_pvalue))
    assert [c.name for c in fit.coefficients] == [
        "constant", "energy", "speed", "energy^2", "speed^2", "energy speed"
    ]  # fmt: skip
    points = np.array([[100.0, 25.0], [60.0, 12.0]])
    new = np.column_stack([np.ones(2), points, points**2, points.prod(axis=1)])
    frame = outside.get_prediction(new).summary_frame(alpha=0.1)
    mean, obs = fit.predict(points, 0.9, "confidence"), fit.predict(points, 0.9)
    np.testing.assert_allclose(mean.mean, frame["mean"], rtol=1e-9)
    np.testing.assert_allclose(
        [mean.low, mean.high], [frame["mean_ci_lower"], frame["mean_ci_upper"]], rtol=1e-7
    )
    np.testing.assert_allclose([obs.low, obs.high], [frame["obs_ci_lower"], frame["obs_ci_upper"]], rtol=1e-7)


def test_stationary_point() -> None:
    x, y = _surface(2, 400)
    point, kind = stationary_point(response_surface(x, y, ("energy", "speed")))
    assert kind == "maximum"
    np.testing.assert_allclose(point, [110, 28], rtol=0.05)
    exact = response_surface(x, x[:, 0] ** 2 - x[:, 1] ** 2 + 3 * x[:, 0], ("a", "b"))
    point, kind = stationary_point(exact)
    assert kind == "saddle"
    np.testing.assert_allclose(point, [-1.5, 0], atol=1e-6)
    grid = np.linspace(0, 10, 20)
    valley = polynomial(grid, (grid - 4) ** 2 + 1, 2)
    assert stationary_point(valley)[1] == "minimum"
    with pytest.raises(ComputeError, match="no stationary"):
        stationary_point(line(grid, 2 * grid + np.sin(grid)))
    with pytest.raises(ComputeError, match="not quadratic"):
        stationary_point(polynomial(grid, grid**3, 3))


def test_bands_cover() -> None:
    """20 settings, 2,000 repeats: prediction, mean and whole-curve bands at 90 % hold in 88 to 92 %."""
    rng = np.random.default_rng(3)
    x = np.linspace(0, 10, 20)
    at = np.array([1.0, 5.0, 9.5])
    grid = np.linspace(0, 10, 50)
    hits = np.zeros(3)
    for _ in range(2000):
        fit = line(x, 2 + 3 * x + rng.normal(0, 1, 20))
        one, mean, curve = (
            fit.predict(at, 0.9),
            fit.predict(at, 0.9, "confidence"),
            fit.predict(grid, 0.9, "curve"),
        )
        new = 2 + 3 * at[1] + rng.normal()
        hits += [
            one.low[1] <= new <= one.high[1],
            mean.low[0] <= 5 <= mean.high[0],
            bool(((curve.low <= 2 + 3 * grid) & (2 + 3 * grid <= curve.high)).all()),
        ]
    assert ((hits / 2000 >= 0.88) & (hits / 2000 <= 0.935)).all()


def test_window_is_where_the_one_sided_prediction_limit_meets_the_requirement() -> None:
    x, y = _surface(4, 60)
    fit = response_surface(x, y, ("energy", "speed"))
    points = np.array([[110.0, 28.0], [55.0, 12.0], [400.0, 28.0]])
    inside = fit.window(points, least=35.0)
    low = fit.predict(points, 0.9).low
    assert inside.tolist() == [True, False, False]
    assert low[0] >= 35 > low[1]
    assert fit.predict(points).outside.tolist() == [False, False, True]
    assert not fit.window(points, most=30.0)[0]


@given(st.integers(0, 300), st.floats(-1e3, 1e3), st.floats(0.01, 1e3))
def test_shift_and_scale_of_the_factor(seed: int, shift: float, scale: float) -> None:
    rng = np.random.default_rng(seed)
    x = rng.uniform(0, 10, 12)
    y = 1 + x - 0.2 * x**2 + rng.normal(0, 0.3, 12)
    a, b = polynomial(x, y, 2), polynomial(x * scale + shift, y, 2)
    np.testing.assert_allclose(a.fitted, b.fitted, rtol=1e-7, atol=1e-7)
    assert b.residual_sd == pytest.approx(a.residual_sd, rel=1e-6)
    assert b.coefficients[2].value * scale**2 == pytest.approx(a.coefficients[2].value, rel=1e-6, abs=1e-9)


def _outcomes(seed: int, n: int = 200) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    x = np.column_stack([rng.uniform(50, 150, n), rng.uniform(10, 40, n)])
    p = 1 / (1 + np.exp(-(6 - 0.07 * x[:, 0] + 0.02 * x[:, 1])))
    return x, rng.random(n) < p


def test_logistic_against_statsmodels() -> None:
    x, failed = _outcomes(5)
    fit = logistic(x, failed, ("energy", "speed"))
    outside = sm.Logit(failed.astype(float), sm.add_constant(x)).fit(disp=0, tol=1e-12)
    np.testing.assert_allclose([c.value for c in fit.coefficients], outside.params, rtol=1e-6)
    np.testing.assert_allclose([c.standard_error for c in fit.coefficients], outside.bse, rtol=1e-5)
    assert fit.log_likelihood == pytest.approx(outside.llf, rel=1e-10)
    assert fit.log_likelihood_constant == pytest.approx(outside.llnull, rel=1e-10)
    assert fit.p == pytest.approx(outside.llr_pvalue, rel=1e-6)
    low, high = outside.conf_int()[1]
    assert (fit.coefficients[1].interval.low, fit.coefficients[1].interval.high) == pytest.approx(
        (low, high), rel=1e-5
    )
    band = fit.predict([[100.0, 25.0], [500.0, 25.0]])
    assert band.mean[0] == pytest.approx(outside.predict([[1.0, 100.0, 25.0]])[0], rel=1e-6)
    assert band.low[0] < band.mean[0] < band.high[0]
    assert band.outside.tolist() == [False, True]


def test_logistic_interval_covers() -> None:
    """Wald interval of the slope, 200 outcomes: 92 to 98 % of 500 samples."""
    held = 0
    for seed in range(500):
        x, failed = _outcomes(seed)
        interval = logistic(x, failed, ("energy", "speed")).coefficients[1].interval
        held += interval.low <= -0.07 <= interval.high
    assert 0.92 <= held / 500 <= 0.98


@pytest.mark.parametrize(
    ("call", "word"),
    [
        (lambda: line([1.0, 2.0], [1.0, 2.0]), "2 results for 2 coefficients"),
        (lambda: line([1.0, 2.0, 3.0], [1.0, 2.0]), "3 settings but 2"),
        (lambda: line([2.0, 2.0, 2.0], [1.0, 2.0, 3.0]), "never changed"),
        (lambda: line([1.0, 2.0, math.nan], [1.0, 2.0, 3.0]), "setting is missing"),
        (lambda: line([1.0, 2.0, 3.0], [1.0, 2.0, math.nan]), "missing"),
        (lambda: polynomial([1.0, 2.0, 1.0, 2.0], [1.0, 2.0, 3.0, 4.0], 2), "cannot tell"),
        (lambda: polynomial([1.0, 2.0, 3.0], [1.0, 2.0, 3.0], 0), "degree"),
        (lambda: response_surface(np.ones((9, 3)), np.ones(9), ("a", "b")), "shape"),
        (lambda: line([1.0, 2.0, 3.0], [1.0, 2.0, 4.0]).predict([1.0], kind="other"), "Unknown band"),
        (lambda: line([1.0, 2.0, 3.0], [1.0, 2.0, 4.0]).window([1.0]), "No requirement"),
        (lambda: logistic([1.0, 2.0, 3.0, 4.0], [0, 0, 1, 1], ("x",)), "separate"),
        (lambda: logistic([1.0, 2.0, 3.0, 4.0], [0, 0, 0, 0], ("x",)), "outcomes are the same"),
        (lambda: logistic([1.0, 2.0, 3.0, 4.0], [0, 0, 2, 1], ("x",)), "neither 0 nor 1"),
        (lambda: logistic([1.0, 1.0, 1.0, 1.0], [0, 1, 0, 1], ("x",)), "never changed"),
        (lambda: logistic([1.0, 2.0], [0, 1], ("x",)), "Run more|2 outcomes"),
        (lambda: logistic([1.0, 2.0, 3.0], [0, 1], ("x",)), "3 settings but 2"),
        (
            lambda: logistic([[1.0, 2.0], [2.0, 4.0], [3.0, 6.0], [4.0, 8.0]], [0, 1, 0, 1], ("a", "b")),
            "factors apart",
        ),
    ],
)
def test_refusals(call: object, word: str) -> None:
    with pytest.raises(ComputeError, match=word) as caught:
        call()
    assert caught.value.remedy


def test_exact_line() -> None:
    fit = line([0.0, 1.0, 2.0, 4.0], [1.0, 3.0, 5.0, 9.0])
    assert [c.value for c in fit.coefficients] == pytest.approx([1.0, 2.0])
    assert fit.residual_sd == pytest.approx(0.0, abs=1e-12)
    flat = line([0.0, 1.0, 2.0], [5.0, 5.0, 5.0])
    assert math.isnan(flat.r_squared)


@pytest.mark.parametrize("level", [5.0, 0.1 + 0.2, 1e7 + 1e-3])
def test_results_that_are_all_alike_show_no_slope(level: float) -> None:
    """A master whose readings never change does not drift."""
    fit = line(np.arange(40.0), np.full(40, level))
    constant, slope = fit.coefficients
    assert (constant.value, slope.value, slope.p, fit.f, fit.p) == (level, 0.0, 1.0, 0.0, 1.0)
    found = stability(np.arange(40.0), np.full(40, level))
    assert (found.slope, found.p, found.shown) == (0.0, 1.0, False)
