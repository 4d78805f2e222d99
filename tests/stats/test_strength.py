"""Strength with censored pulls: published fits, scipy's censored fits, lifelines of hand, cover, refusals,
speed."""

from __future__ import annotations

import math
import time

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from statsmodels.duration.survfunc import SurvfuncRight

from qualrec.errors import ComputeError
from qualrec.reference import case, load_cases
from qualrec.stats import censored
from qualrec.stats.distributions import fit_shape
from qualrec.stats.normality import probability_plot
from qualrec.stats.strength import (
    StrengthFit,
    fit_modes,
    fit_strength,
    kaplan_meier,
    share_below_all_modes,
    strength_plot,
    weld_factor,
)

TAIL = stats.norm.cdf(-3)


def _found(case_id: str) -> dict[str, float]:
    i = case(case_id).inputs
    if case_id == "weibull_nist_censored":
        x = np.r_[i["failures"], np.full(i["n_censored"], i["censored_at"])]
        return fit_strength(x, np.arange(x.size) < len(i["failures"])).parameters
    result = fit_strength(i["x"], shares=(TAIL, 0.5, 1 - TAIL))
    points = dict(zip(("x_0135", "x_50", "x_99865"), (p.value for p in result.percentiles), strict=True))
    other = fit_shape(i["x"], "weibull").parameters
    assert other["shape"] == pytest.approx(result.parameters["shape"], rel=1e-9)
    return result.parameters | points


@pytest.mark.parametrize("case_id", [c.id for c in load_cases() if c.kind == "distribution_fit"])
def test_published_case(case_id: str) -> None:
    found = _found(case_id)
    for name, expected in case(case_id).expected.items():
        assert expected.accepts(found[name]), (name, found[name], expected.value)


SCIPY = {
    "weibull": (stats.weibull_min, {"floc": 0}),
    "lognormal": (stats.lognorm, {"floc": 0}),
    "normal": (stats.norm, {}),
}


def _log_likelihood(shape: str, parameters: tuple[float, ...], x: np.ndarray, event: np.ndarray) -> float:
    d = SCIPY[shape][0](*parameters)
    return float(d.logpdf(x[event]).sum() + d.logsf(x[~event]).sum())


@pytest.mark.parametrize("shape", ["weibull", "lognormal", "normal"])
@pytest.mark.parametrize("seed", range(6))
def test_fit_is_never_worse_than_scipy_censored(shape: str, seed: int) -> None:
    """scipy.stats.CensoredData: same parameters to its accuracy, log-likelihood never lower."""
    rng = np.random.default_rng(seed)
    t, limit = 50 * rng.weibull(8, 60), rng.uniform(40, 60, 60)
    x, event = np.minimum(t, limit), t <= limit
    found = censored.fit(shape, x, event)
    family, extra = SCIPY[shape]
    outside = family.fit(stats.CensoredData.right_censored(x, ~event), **extra)
    best = _log_likelihood(shape, outside, x, event)
    assert found.log_likelihood >= best - 1e-9
    assert found.log_likelihood == pytest.approx(best, abs=1e-4)
    own = found.parameters
    mine = {
        "weibull": lambda: (own["shape"], 0.0, own["scale"]),
        "lognormal": lambda: (own["log_sd"], 0.0, math.exp(own["log_mean"])),
        "normal": lambda: (own["mean"], own["sd"]),
    }[shape]()
    assert _log_likelihood(shape, mine, x, event) == pytest.approx(found.log_likelihood, abs=1e-8)


@pytest.mark.parametrize("true_shape", [0.4, 1.0, 3.0, 30.0, 400.0])
def test_weibull_likelihood_against_scipy_for_any_shape(true_shape: float) -> None:
    x = 7.0 * np.random.default_rng(1).weibull(true_shape, 300)
    c, _, scale = stats.weibull_min.fit(x, floc=0)
    found = censored.fit("weibull", x, np.ones(300, dtype=bool))
    assert found.log_likelihood >= stats.weibull_min.logpdf(x, c, 0, scale).sum() - 1e-9


def test_weibull_is_at_least_five_times_faster_than_scipy() -> None:
    """1,000 values, uncensored, best of several runs each; the measured ratio is about 30."""
    x = 50 * np.random.default_rng(2).weibull(8, 1000)
    event = np.ones(1000, dtype=bool)

    def best(call: object, runs: int) -> float:
        times = []
        for _ in range(runs):
            start = time.perf_counter()
            call()
            times.append(time.perf_counter() - start)
        return min(times)

    own = best(lambda: censored.fit("weibull", x, event), 20)
    outside = best(lambda: stats.weibull_min.fit(x, floc=0), 5)
    assert outside / own >= 5


def test_profile_interval_against_a_direct_profile() -> None:
    """B10 interval of the NIST data: the likelihood-ratio at both ends is the chi-square quantile, by a
    grid in scipy."""
    i = case("weibull_nist_censored").inputs
    x = np.r_[i["failures"], np.full(i["n_censored"], i["censored_at"])].astype(float)
    event = np.arange(x.size) < len(i["failures"])
    found = censored.fit("weibull", x, event)
    interval = found.quantile_interval(0.1)
    z = math.log(-math.log(0.9))
    for end in (interval.low, interval.high):
        shapes = np.linspace(0.3, 6, 20001)
        scales = np.exp(math.log(end) - z / shapes)
        ll = [
            _log_likelihood("weibull", (b, 0, s), x, event)
            for b, s in zip(shapes[::40], scales[::40], strict=True)
        ]
        assert 2 * (found.log_likelihood - max(ll)) == pytest.approx(stats.chi2.ppf(0.95, 1), abs=2e-3)


@pytest.mark.parametrize("shape", ["weibull", "lognormal", "normal"])
def test_percentile_intervals_cover(shape: str) -> None:
    """B10 with 40 pulls of which about a third censor: 95 % intervals hold in 90 % or more of 120 samples."""
    rng = np.random.default_rng(3)
    truth = {"weibull": stats.weibull_min(6, scale=50), "lognormal": stats.lognorm(0.2, scale=50),
             "normal": stats.norm(50, 8)}[shape]  # fmt: skip
    held = 0
    for _ in range(120):
        t, limit = truth.rvs(40, random_state=rng), rng.normal(54, 6, 40)
        interval = censored.fit(shape, np.minimum(t, limit), t <= limit).quantile_interval(0.1)
        held += interval.low <= truth.ppf(0.1) <= interval.high
    assert held / 120 >= 0.90


def test_censoring_ignored_gives_a_weaker_weld() -> None:
    """Taking parent breaks as weld failures must lower the percentiles: the reason for censoring."""
    rng = np.random.default_rng(4)
    t, limit = 50 * rng.weibull(6, 100), rng.uniform(35, 55, 100)
    x = np.minimum(t, limit)
    assert fit_strength(x).percentiles[3].value < fit_strength(x, t <= limit).percentiles[3].value


@given(st.integers(0, 300), st.floats(0.01, 100))
def test_scale_order_and_equal_percentiles(seed: int, factor: float) -> None:
    rng = np.random.default_rng(seed)
    x, event = 50 * rng.weibull(5, 25), rng.random(25) < 0.7
    event[:3] = True
    a, b = censored.fit("weibull", x, event), censored.fit("weibull", (x * factor)[::-1], event[::-1])
    assert b.parameters["shape"] == pytest.approx(a.parameters["shape"], rel=1e-8)
    assert b.parameters["scale"] == pytest.approx(a.parameters["scale"] * factor, rel=1e-8)
    for p in (0.001, 0.5, 0.999):
        assert a.share_below(a.quantile(p)) == pytest.approx(p, rel=1e-9)
    n = censored.fit("normal", x, event)
    m = censored.fit("normal", x * factor + 3, event)
    assert m.location == pytest.approx(n.location * factor + 3, rel=1e-6)
    assert m.scale == pytest.approx(n.scale * factor, rel=1e-6)


def test_kaplan_meier_against_statsmodels() -> None:
    rng = np.random.default_rng(5)
    t, limit = np.round(50 * rng.weibull(6, 80)), np.round(rng.uniform(40, 60, 80))
    x, event = np.minimum(t, limit), t <= limit
    km, outside = kaplan_meier(x, event), SurvfuncRight(x, event.astype(int))
    np.testing.assert_allclose(km.x, outside.surv_times)
    np.testing.assert_allclose(km.stronger, outside.surv_prob, rtol=1e-12)
    np.testing.assert_allclose(km.at_risk, outside.n_risk)
    z = stats.norm.ppf(0.975)
    for i in range(1, len(km.x) - 1):
        if 0 < km.stronger[i] < 1:
            theta = z * outside.surv_prob_se[i] / (km.stronger[i] * abs(math.log(km.stronger[i])))
            assert km.low[i] == pytest.approx(km.stronger[i] ** math.exp(theta), rel=1e-9)


def test_kaplan_meier_by_hand() -> None:
    """Breaks at 2 and 4, censored 3 and 5: S(2) = 3/4, S(4) = 3/4 * 1/2."""
    km = kaplan_meier([2.0, 3.0, 4.0, 5.0], [True, False, True, False])
    assert km.stronger.tolist() == [0.75, 0.375]
    every = kaplan_meier([1.0, 2.0])
    assert every.stronger.tolist() == [0.5, 0.0]
    assert every.low[-1] == every.high[-1] == 0.0


def test_competing_modes() -> None:
    """Two independent modes: each fit finds its own Weibull, and together they give the share of all
    breaks."""
    rng = np.random.default_rng(6)
    a, b = 50 * rng.weibull(5, 3000), 60 * rng.weibull(10, 3000)
    modes = np.where(a < b, "interfacial", "parent material")
    fits = fit_modes(np.minimum(a, b), modes)
    first, second = fits["interfacial"], fits["parent material"]
    assert isinstance(first, StrengthFit)
    assert isinstance(second, StrengthFit)
    assert first.parameters["scale"] == pytest.approx(50, rel=0.03)
    assert second.parameters["scale"] == pytest.approx(60, rel=0.03)
    assert first.failures + second.failures == 3000
    true = 1 - math.exp(-((40 / 50) ** 5) - (40 / 60) ** 10)
    assert share_below_all_modes(fits, 40.0) == pytest.approx(true, abs=0.02)


def test_a_mode_that_cannot_be_fitted_says_why() -> None:
    fits = fit_modes([10.0, 11.0, 12.0, 13.0], ["a", "a", "a", "b"])
    assert isinstance(fits["a"], StrengthFit)
    assert "1 of 4 pulls" in str(fits["b"])


def test_plot_without_censoring_lies_on_the_line() -> None:
    """Exact Weibull quantiles at the plotting positions fall on the fitted line; the plot keeps censored
    values apart."""
    p = (np.arange(1, 41) - 0.5) / 40
    x = 50 * (-np.log1p(-p)) ** (1 / 6)
    fit = fit_strength(x)
    plot = strength_plot(fit)
    np.testing.assert_allclose(plot.share, p, atol=1e-12)
    np.testing.assert_allclose(plot.z, plot.intercept + plot.slope * np.log(plot.x), atol=0.25)
    mixed = strength_plot(fit_strength(x, np.arange(40) % 3 > 0, "normal"))
    assert mixed.censored_x.size == 14
    assert not mixed.log_axis
    assert probability_plot(x).r > 0.98


def test_weld_factor_by_hand_and_cover() -> None:
    """Fieller interval of the ratio 0.8 with unequal spread: 93 to 97 % of 2,000 samples."""
    found = weld_factor([40.0, 42.0, 38.0], [50.0, 52.0, 48.0])
    assert found.value == pytest.approx(0.8)
    rng = np.random.default_rng(7)
    held = 0
    for _ in range(2000):
        interval = weld_factor(rng.normal(40, 4, 10), rng.normal(50, 2, 6)).interval
        held += interval.low <= 0.8 <= interval.high
    assert 0.93 <= held / 2000 <= 0.97


def test_weld_factor_says_what_parent_breaks_mean() -> None:
    found = weld_factor([40.0, 42.0, 38.0], [50.0, 52.0, 48.0], [True, False, True])
    assert "at least" in found.notes[0]
    assert weld_factor([40.0, 42.0], [1.0, 100.0]).interval.high == math.inf


@pytest.mark.parametrize(
    ("call", "word"),
    [
        (lambda: fit_strength([]), "no values"),
        (lambda: fit_strength([1.0]), "1 of 1 pulls"),
        (lambda: fit_strength([1.0, 2.0], [False, False]), "0 of 2 pulls"),
        (lambda: fit_strength([2.0, 2.0, 2.0]), "same strength"),
        (lambda: fit_strength([2.0, 2.0, 1.0], [True, True, False]), "same strength"),
        (lambda: fit_strength([-1.0, 2.0, 3.0]), "0 or less"),
        (lambda: fit_strength([1.0, math.nan]), "missing"),
        (lambda: fit_strength([1.0, math.inf]), "infinite"),
        (lambda: fit_strength([1.0, 2.0], [True]), "outcomes"),
        (lambda: fit_strength([1.0, 2.0], shape="other"), "Unknown shape"),
        (lambda: fit_strength([1.0, 2.0], shares=(0.0,)), "share"),
        (lambda: kaplan_meier([1.0, 2.0], [False, False]), "No pull broke"),
        (lambda: fit_modes([1.0, 2.0], ["a"]), "mode names"),
        (lambda: weld_factor([1.0], [1.0, 2.0]), "at least 2"),
        (lambda: weld_factor([1.0, 2.0], [1.0]), "at least 2"),
        (lambda: weld_factor([1.0, 2.0], [-1.0, -2.0]), "not above 0"),
        (lambda: weld_factor([2.0, 2.0], [4.0, 4.0]), "Neither side"),
    ],
)
def test_refusals(call: object, word: str) -> None:
    with pytest.raises(ComputeError, match=word) as caught:
        call()
    assert caught.value.remedy


def test_equal_failures_with_a_stronger_censored_pull_can_be_fitted() -> None:
    result = fit_strength([2.0, 2.0, 3.0], [True, True, False])
    assert math.isfinite(result.parameters["shape"])
    assert "say little" in result.notes[-1]
