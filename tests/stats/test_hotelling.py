"""Hotelling's T2: limits against scipy.stats, false-alarm rate by simulation, invariance, contributions."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from qualrec.errors import ComputeError
from qualrec.stats.hotelling import apply_t2, contributions, freeze_t2, t2_chart, t2_limit, t2_values
from qualrec.stats.rules import evaluate_chart

RNG = np.random.default_rng(4)
MIX = np.array([[2.0, 0.0, 0.0], [1.0, 1.0, 0.0], [0.5, -0.3, 0.7]])
ROWS = RNG.standard_normal((40, 3)) @ MIX.T + [10.0, 20.0, 30.0]


def test_limits_are_the_quantiles_of_scipy() -> None:
    single = freeze_t2(ROWS)
    m, p = 40, 3
    first = (m - 1) ** 2 / m * stats.beta(p / 2, (m - p - 1) / 2).ppf(0.99)
    second = p * (m + 1) * (m - 1) / (m * (m - p)) * stats.f(p, m - p).ppf(0.99)
    assert t2_limit(single, 0.01, first_phase=True) == pytest.approx(first, rel=1e-10)
    assert t2_limit(single, 0.01, first_phase=False) == pytest.approx(second, rel=1e-10)
    grouped = freeze_t2(ROWS.reshape(10, 4, 3))
    df = 40 - 10 - 3 + 1
    assert t2_limit(grouped, 0.01, first_phase=True) == pytest.approx(
        3 * 9 * 3 / df * stats.f(3, df).ppf(0.99), rel=1e-10
    )
    assert t2_limit(grouped, 0.01, first_phase=False) == pytest.approx(
        3 * 11 * 3 / df * stats.f(3, df).ppf(0.99), rel=1e-10
    )


@pytest.mark.parametrize("shape", [(20, 2), (12, 4, 2)], ids=["single rows", "subgroups"])
def test_false_alarm_rate_of_both_phases_by_simulation(shape: tuple[int, ...]) -> None:
    """5 % of points beyond, both with parameters from the same points and from earlier ones (3,000 sets)."""
    rng, first, second = np.random.default_rng(6), 0, 0
    for _ in range(3000):
        old, new = rng.standard_normal(shape), rng.standard_normal((1, *shape[1:]))
        frozen = freeze_t2(old, alpha=0.05)
        first += int(t2_values(frozen, old)[0] > t2_limit(frozen, 0.05, first_phase=True))
        second += int(t2_values(frozen, new)[0] > t2_limit(frozen, 0.05, first_phase=False))
    for count in (first, second):
        assert count / 3000 == pytest.approx(0.05, abs=4 * math.sqrt(0.05 * 0.95 / 3000))


def test_any_linear_change_of_units_leaves_t2_alone() -> None:
    turned = ROWS @ np.array([[3.0, 1.0, 0.0], [0.0, -2.0, 0.4], [1.0, 0.0, 5.0]]) + [1.0, -7.0, 2.0]
    np.testing.assert_allclose(
        t2_values(freeze_t2(ROWS), ROWS), t2_values(freeze_t2(turned), turned), rtol=1e-8
    )


def test_one_characteristic_is_a_squared_distance() -> None:
    x = ROWS[:, :1]
    np.testing.assert_allclose(t2_values(freeze_t2(x), x), ((x[:, 0] - x.mean()) / x.std(ddof=1)) ** 2)
    np.testing.assert_allclose(contributions(freeze_t2(x), x)[:, 0], t2_values(freeze_t2(x), x))


def test_the_characteristic_that_moved_adds_most() -> None:
    frozen = freeze_t2(ROWS)
    moved = frozen.mean + np.array([[0.0, 0.0, 6.0]])
    assert int(np.argmax(contributions(frozen, moved)[0])) == 2
    assert len(evaluate_chart(apply_t2(frozen, moved))) == 1


def test_broken_correlation_is_seen_where_single_charts_are_silent() -> None:
    rows = RNG.standard_normal((60, 1)) + 0.1 * RNG.standard_normal((60, 2))
    frozen = freeze_t2(rows)
    odd = frozen.mean + np.array([[1.0, -1.0]]) * rows.std(axis=0)
    assert len(evaluate_chart(apply_t2(frozen, odd))) == 1


def test_missing_and_left_out_rows() -> None:
    gaps = ROWS.copy()
    gaps[5, 1] = np.nan
    used = np.ones(40, dtype=bool)
    used[7] = False
    chart = t2_chart(gaps, used=used)
    assert math.isnan(chart.tracks[0].values[5])
    assert chart.used.sum() == 38
    keep = np.setdiff1d(np.arange(40), [5, 7])
    np.testing.assert_allclose(freeze_t2(gaps, used=used).mean, ROWS[keep].mean(axis=0))


@pytest.mark.parametrize(
    "call",
    [
        lambda: freeze_t2(ROWS[:4]),
        lambda: freeze_t2(np.column_stack([ROWS, ROWS.sum(axis=1)])),
        lambda: freeze_t2(np.column_stack([ROWS, np.ones(40)])),
        lambda: freeze_t2(ROWS, alpha=0.0),
        lambda: freeze_t2(ROWS[:, 0]),
        lambda: freeze_t2(ROWS.reshape(1, 40, 3)),
        lambda: apply_t2(freeze_t2(ROWS), ROWS[:, :2]),
    ],
)
def test_refused_in_words(call) -> None:
    with pytest.raises(ComputeError) as refused:
        call()
    assert refused.value.remedy
