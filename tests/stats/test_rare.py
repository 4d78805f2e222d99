"""g and t charts: limits against the geometric and exponential distributions of scipy.stats."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from qualrec.errors import ComputeError
from qualrec.stats.charts import apply_frozen
from qualrec.stats.rare import g_chart, gaps_between, rare_limits, t_chart
from qualrec.stats.rules import evaluate_chart

TAIL = stats.norm.sf(3)
GAPS = np.random.default_rng(3).geometric(0.002, 40) - 1.0
TIMES = np.random.default_rng(4).exponential(30.0, 40)


def test_gaps_from_marks() -> None:
    np.testing.assert_array_equal(gaps_between([0, 1, 0, 0, 1, 1, 0]), [2, 0])
    assert gaps_between([0, 0]).size == 0


def test_probability_limits_hold_their_tails_and_no_tighter_ones_do() -> None:
    """scipy.stats.geom counts trials, one more than the good parts."""
    chart = g_chart(GAPS)
    lower, median, upper = rare_limits(chart.frozen)
    good = stats.geom(1 / (GAPS.mean() + 1), loc=-1)
    assert good.cdf(lower - 1) <= TAIL < good.cdf(lower)
    assert good.sf(upper) <= TAIL < good.sf(upper - 1)
    assert median == good.median()


def test_three_sigma_limits_of_g() -> None:
    frozen = g_chart(GAPS, method="three sigma").frozen
    mean = GAPS.mean()
    assert rare_limits(frozen)[2] == pytest.approx(mean + 3 * math.sqrt(mean * (mean + 1)))
    assert rare_limits(frozen)[0] == 0.0


def test_exponential_limits_of_t() -> None:
    lower, median, upper = rare_limits(t_chart(TIMES).frozen)
    life = stats.expon(scale=TIMES.mean())
    assert lower == pytest.approx(life.ppf(TAIL))
    assert median == pytest.approx(life.median())
    assert upper == pytest.approx(life.isf(TAIL))


def test_power_form_of_t_is_an_individuals_chart_of_the_root() -> None:
    chart = t_chart(TIMES, method="power")
    root = TIMES ** (1 / 3.6)
    sigma = np.abs(np.diff(root)).mean() / (2 / math.sqrt(math.pi))
    assert rare_limits(chart.frozen)[2] == pytest.approx((root.mean() + 3 * sigma) ** 3.6)


def test_time_unit_does_not_matter() -> None:
    for method in ("exponential", "power"):
        days, hours = (
            rare_limits(t_chart(TIMES, method=method).frozen),
            rare_limits(t_chart(TIMES * 24, method=method).frozen),
        )
        np.testing.assert_allclose(np.array(days) * 24, hours, rtol=1e-9)


def test_a_failure_that_comes_too_soon_signals() -> None:
    frozen = g_chart([2000, 1500, 3000, 900, 2500]).frozen
    later = apply_frozen(frozen, [1, 20_000, 1500])
    assert [(s.points, s.side) for s in evaluate_chart(later)] == [((0,), -1), ((1,), 1)]
    soon = apply_frozen(t_chart(TIMES).frozen, [0.001])
    assert evaluate_chart(soon)[0].side == -1


def test_frequent_failures_bring_the_remark_that_the_lower_limit_is_blind() -> None:
    assert any("lower limit is 0" in note for note in g_chart([5, 9, 3, 12, 7]).notes)


@pytest.mark.parametrize(
    "call",
    [
        lambda: g_chart([5]),
        lambda: g_chart([5, -1]),
        lambda: g_chart([5, 1.5]),
        lambda: g_chart([0, 0, 0]),
        lambda: g_chart([5, 6], method="guess"),
        lambda: t_chart([1.0, 0.0]),
        lambda: t_chart([2.0, 2.0], method="power"),
        lambda: t_chart([2.0, 3.0], method="three sigma"),
    ],
)
def test_refused_in_words(call) -> None:
    with pytest.raises(ComputeError) as refused:
        call()
    assert refused.value.remedy
