"""Change point, trend and runs against scipy, brute force and simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from qualrec.errors import ComputeError
from qualrec.stats.drift import change_point, runs_test, time_since, trend

RNG = np.random.default_rng(30)
STEP = np.concatenate([RNG.normal(0, 1, 20), RNG.normal(2.5, 1, 12)])


def test_step_is_the_best_split_by_brute_force() -> None:
    found = change_point(STEP)
    splits = [
        ((STEP[:t] - STEP[:t].mean()) ** 2).sum() + ((STEP[t:] - STEP[t:].mean()) ** 2).sum()
        for t in range(1, 32)
    ]
    assert found.first == int(np.argmin(splits)) + 1
    assert found.before == pytest.approx(STEP[: found.first].mean())
    assert found.after == pytest.approx(STEP[found.first :].mean())
    assert found.sigma == pytest.approx(math.sqrt(min(splits) / 30))
    assert found.low <= found.first <= found.high
    assert found.p < 0.001


def test_interval_holds_the_true_step_about_as_often_as_it_says() -> None:
    rng, held, widths = np.random.default_rng(31), 0, []
    for _ in range(300):
        at = int(rng.integers(5, 35))
        x = rng.normal(0, 1, 40) + 1.5 * (np.arange(40) >= at)
        found = change_point(x)
        held += int(found.low <= at <= found.high)
        widths.append(found.high - found.low)
    assert held / 300 > 0.91
    assert np.mean(widths) < 15


def test_chance_is_even_without_a_step() -> None:
    """In random order p is uniform: 10 % of series fall below 0.1 (binomial, 200 series)."""
    rng = np.random.default_rng(32)
    low = np.mean([change_point(rng.normal(0, 1, 15)).p <= 0.1 for _ in range(200)])
    assert low == pytest.approx(0.1, abs=4 * math.sqrt(0.09 / 200))


@given(st.lists(st.integers(-50, 50), min_size=6, max_size=25, unique=True), st.integers(-1000, 1000))
def test_step_follows_shift_scale_mirror(x: list[int], shift: int) -> None:
    base, moved = change_point(x), change_point([2.0 * v + shift for v in x])
    assert base.sigma * 2 == pytest.approx(moved.sigma, abs=1e-6)
    mirrored = change_point([-v for v in x])
    assert mirrored.sigma == pytest.approx(base.sigma, abs=1e-9)


def test_a_perfect_step_has_a_certain_place() -> None:
    found = change_point([1.0] * 6 + [2.0] * 6)
    assert (found.first, found.low, found.high, found.sigma) == (6, 6, 6, pytest.approx(0.0, abs=1e-6))


def test_missing_points_keep_their_places() -> None:
    gaps = np.insert(STEP, [2, 25], np.nan)
    plain, found = change_point(STEP), change_point(gaps)
    places = np.flatnonzero(~np.isnan(gaps))
    assert found.first == places[plain.first]
    assert found.p == plain.p


def test_time_since_the_step() -> None:
    times = np.arange(32.0) * 8
    found = change_point(STEP)
    since = time_since(found, times)
    assert since.points == 32 - found.first
    assert since.time == times[-1] - times[found.first]
    assert since.fewest <= since.points <= since.most
    assert since.shortest <= since.time <= since.longest


@pytest.mark.parametrize("n", [5, 8, 10])
def test_exact_mann_kendall_is_that_of_scipy(n: int) -> None:
    for seed in range(8):
        x = np.random.default_rng(seed).permutation(n).astype(float)
        expected = stats.kendalltau(np.arange(n), x, method="exact")
        found = trend(x)
        assert found.p == pytest.approx(expected.pvalue, rel=1e-10)
        assert found.s == pytest.approx(expected.statistic * n * (n - 1) / 2)
        assert found.method == "exact"


def test_normal_mann_kendall_with_ties_is_that_of_scipy_before_the_continuity_step() -> None:
    x = np.round(RNG.normal(0, 1, 60) + np.arange(60) * 0.02, 1)
    times = np.repeat(np.arange(20.0), 3)
    found = trend(x, times)
    expected = stats.kendalltau(times, x, method="asymptotic")
    raw = abs(found.z) * abs(found.s) / (abs(found.s) - 1)
    assert 2 * stats.norm.sf(raw) == pytest.approx(expected.pvalue, rel=1e-8)


def test_theil_sen_is_that_of_scipy() -> None:
    times = np.sort(RNG.uniform(0, 100, 50))
    x = 3 + 0.2 * times + RNG.normal(0, 2, 50)
    found = trend(x, times)
    slope, start, low, high = stats.theilslopes(x, times, 0.95)
    assert found.slope == pytest.approx(slope, rel=1e-12)
    assert found.start == pytest.approx(start, rel=1e-12)
    assert found.slope_interval.low == pytest.approx(low, rel=1e-12)
    assert found.slope_interval.high == pytest.approx(high, rel=1e-12)


def test_trend_mirrors_and_scales() -> None:
    x = RNG.normal(0, 1, 30) + np.arange(30) * 0.1
    up, down = trend(x), trend(-x)
    assert (up.s, up.p, up.slope) == (-down.s, down.p, pytest.approx(-down.slope))
    assert trend(x, np.arange(30) * 7.0).slope == pytest.approx(up.slope / 7)
    assert trend(x[::-1]).s == -up.s


def test_runs_by_hand() -> None:
    """1 5 2 6 3 7 8 4, median 4.5: below above below above below above above below, 7 runs; expected 5."""
    found = runs_test([1, 5, 2, 6, 3, 7, 8, 4])
    assert (found.runs, found.expected, found.above, found.below) == (7, 5.0, 4, 4)
    assert found.z == pytest.approx(2 / math.sqrt(32 * 24 / (64 * 7)))
    assert found.p == pytest.approx(2 * stats.norm.sf(found.z))


@pytest.mark.parametrize(
    "call",
    [
        lambda: change_point([1, 2, 3, 4]),
        lambda: change_point([2.0] * 9),
        lambda: change_point([1, 2, 3, 4, math.inf]),
        lambda: time_since(change_point(STEP), [1.0, 2.0]),
        lambda: change_point(STEP, level=1.0),
        lambda: trend(STEP, level=0.0),
        lambda: trend([1, 2, 3, 4], [1, 2, math.nan, 4]),
        lambda: trend([1, 2, 3]),
        lambda: trend([2.0] * 9),
        lambda: trend([1, 2, 3, 4], [5, 5, 5, 5]),
        lambda: trend([1, 2, 3, 4], [1, 2]),
        lambda: trend(np.arange(7000.0)),
        lambda: runs_test([1, 2, 3]),
        lambda: runs_test([2.0] * 9),
        lambda: runs_test([1, 2, 3, 4], on_median="guess"),
    ],
)
def test_refused_in_words(call) -> None:
    with pytest.raises(ComputeError) as refused:
        call()
    assert refused.value.remedy
