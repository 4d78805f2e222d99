"""Estimates of sigma against their definitions, simulation and each other."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from qualrec.errors import ComputeError
from qualrec.stats.constants import c4, d2, d3
from qualrec.stats.spread import (
    MEDIAN_RANGE_FACTOR,
    from_ranges,
    from_sds,
    median_moving_range,
    moving_range,
    overall,
    overall_of_lots,
    pooled,
)

RNG = np.random.default_rng(20)
GROUPS = RNG.normal(50.0, 2.0, (12, 5))


def test_equal_sizes_are_the_plain_formulas() -> None:
    ranges, sds = np.ptp(GROUPS, axis=1), GROUPS.std(axis=1, ddof=1)
    assert from_ranges(ranges, 5).value == pytest.approx(ranges.mean() / d2(5), rel=1e-14)
    assert from_sds(sds, 5).value == pytest.approx(sds.mean() / c4(5), rel=1e-14)
    assert pooled(sds, 5).value == pytest.approx(math.sqrt(np.mean(sds**2)) / c4(49), rel=1e-14)
    assert pooled(sds, 5).df == 48


def test_moving_ranges_by_hand() -> None:
    """1, 3, 2, 6: ranges 2, 1, 4; mean 7/3, median 2."""
    assert moving_range([1, 3, 2, 6]).value == pytest.approx(7 / 3 / (2 / math.sqrt(math.pi)), rel=1e-13)
    assert median_moving_range([1, 3, 2, 6]).value == pytest.approx(2 / MEDIAN_RANGE_FACTOR, rel=1e-14)


def test_median_factor_is_the_median_of_the_range_of_two() -> None:
    """scipy.stats: the difference of two standard normals is normal with variance 2."""
    assert stats.halfnorm(scale=math.sqrt(2)).median() == pytest.approx(MEDIAN_RANGE_FACTOR, abs=1e-14)


@pytest.mark.parametrize(
    "estimate, shape",
    [
        (lambda x: moving_range(x), (30,)),
        (lambda x: from_ranges(np.ptp(x, axis=1), 4), (10, 4)),
        (lambda x: from_sds(x.std(axis=1, ddof=1), 4), (10, 4)),
        (lambda x: pooled(x.std(axis=1, ddof=1), 4), (10, 4)),
        (lambda x: median_moving_range(x), (200,)),
    ],
    ids=["moving range", "ranges", "sds", "pooled", "median moving range"],
)
def test_unbiased_and_as_uncertain_as_the_degrees_of_freedom_say(estimate, shape) -> None:
    samples = np.random.default_rng(3).standard_normal((3000, *shape))
    values = np.array([estimate(sample).value for sample in samples])
    factor = c4(estimate(samples[0]).df + 1)
    claimed = math.sqrt(1 - factor**2) / factor
    assert values.mean() == pytest.approx(1.0, abs=0.01)
    assert values.std() / values.mean() == pytest.approx(claimed, rel=0.05)


def test_unequal_sizes_are_unbiased_and_better_than_equal_weights() -> None:
    sizes = np.array([2, 3, 10, 25, 2, 4])
    rng = np.random.default_rng(4)
    sds = np.array([[rng.standard_normal(n).std(ddof=1) for n in sizes] for _ in range(3000)])
    weighted = np.array([from_sds(row, sizes).value for row in sds])
    plain = (sds / np.array([c4(n) for n in sizes])).mean(axis=1)
    assert weighted.mean() == pytest.approx(1.0, abs=0.01)
    assert weighted.std() < 0.75 * plain.std()
    ranges = np.array([[np.ptp(rng.standard_normal(n)) for n in sizes] for _ in range(3000)])
    assert np.mean([from_ranges(row, sizes).value for row in ranges]) == pytest.approx(1.0, abs=0.01)


def test_overall_of_lots_is_the_overall_of_their_values() -> None:
    lots = [RNG.normal(1e6, 1.0, n) for n in (3, 1, 7, 2)]
    means, sds = [lot.mean() for lot in lots], [lot.std(ddof=1) if lot.size > 1 else np.nan for lot in lots]
    found = overall_of_lots([3, 1, 7, 2, 0], [*means, np.nan], [*sds, np.nan])
    assert found.value == pytest.approx(overall(np.concatenate(lots)).value, rel=1e-9)
    assert (found.n, found.k, found.df) == (13, 4, 12.0)


@given(
    st.lists(st.floats(-1e3, 1e3, allow_nan=False), min_size=4, max_size=30),
    st.floats(-1e3, 1e3),
    st.floats(0.1, 10.0),
)
def test_moving_range_ignores_shift_mirror_and_direction(x: list[float], shift: float, scale: float) -> None:
    base = moving_range(x).value
    slack = 1e-9 * (1 + base * scale)
    assert moving_range([scale * v + shift for v in x]).value == pytest.approx(scale * base, abs=slack)
    assert moving_range([-v for v in x]).value == pytest.approx(base, abs=slack)
    assert moving_range(x[::-1]).value == pytest.approx(base, abs=slack)


def test_range_of_two_scatter_matches_its_constants() -> None:
    """One moving range has the scatter d3/d2 of a range of two, hence the degrees of freedom 1."""
    assert moving_range([0.0, 1.0]).df == pytest.approx(1.0, abs=1e-9)
    assert d3(2) / d2(2) == pytest.approx(math.sqrt(1 - c4(2) ** 2) / c4(2), rel=1e-12)


@pytest.mark.parametrize(
    "call",
    [
        lambda: from_sds([], []),
        lambda: from_sds([1.0, 2.0], [5, 1]),
        lambda: from_sds([1.0, -2.0], 5),
        lambda: from_ranges([1.0, math.nan], 5),
        lambda: pooled([math.nan], [1]),
        lambda: moving_range([1.0]),
        lambda: median_moving_range([]),
        lambda: overall([1.0]),
        lambda: overall_of_lots([1], [3.0], [math.nan]),
        lambda: moving_range([1.0, math.nan, 2.0]),
    ],
)
def test_what_cannot_be_estimated_is_refused_in_words(call) -> None:
    with pytest.raises(ComputeError) as refused:
        call()
    assert refused.value.remedy
