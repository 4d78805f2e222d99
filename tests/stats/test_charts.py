"""Charts of variables: figures by hand, invariance, left-out lots, frozen limits, degenerate inputs.

The published cases stand in test_published_charts.py.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from qualrec.errors import ComputeError
from qualrec.stats.charts import apply_frozen, individuals, lot_means, subgroups, xbar_r, xbar_s
from qualrec.stats.constants import c4, d2, d3, factors
from qualrec.stats.results import Chart, Frozen
from qualrec.stats.rules import evaluate_chart

RNG = np.random.default_rng(7)
SIZES = np.array([3, 5, 4, 5, 2, 5, 6, 5, 3, 4])
ROWS = [RNG.normal(100.0, 3.0, n) for n in SIZES]
GROUPS = subgroups(ROWS)


def limits_of(chart: Chart) -> list[np.ndarray]:
    return [row for track in chart.tracks for row in (track.values, track.centre, track.lower, track.upper)]


def test_subgroup_figures() -> None:
    found = subgroups([[1.0, 2.0, 4.0], [5.0, math.nan], [math.nan]])
    np.testing.assert_array_equal(found.sizes, [3, 1, 0])
    np.testing.assert_allclose(found.means, [7 / 3, 5.0, math.nan])
    np.testing.assert_allclose(found.ranges, [3.0, math.nan, math.nan])
    assert found.sds[0] == pytest.approx(np.std([1, 2, 4], ddof=1))


def test_individuals_by_hand() -> None:
    """1, 3, 2, 6: mean 3, mean moving range 7/3; limits 3 -+ 3 * (7/3)/1.128379."""
    chart = individuals([1.0, 3.0, 2.0, 6.0])
    sigma = 7 / 3 / d2(2)
    level, moving = chart.tracks
    assert level.centre[0] == 3.0
    assert level.upper[0] == pytest.approx(3 + 3 * sigma)
    assert math.isnan(moving.values[0])
    np.testing.assert_array_equal(moving.values[1:], [2, 1, 4])
    assert moving.upper[0] == pytest.approx(7 / 3 * factors(2).D4)
    assert moving.lower[0] == 0.0


def test_unequal_subgroups_have_their_own_limits() -> None:
    chart = xbar_s(GROUPS.means, GROUPS.sds, GROUPS.sizes)
    frozen = chart.frozen
    assert frozen.centre == pytest.approx(np.concatenate(ROWS).mean())
    for i, n in enumerate(SIZES.tolist()):
        level, spread = chart.tracks
        assert level.upper[i] == pytest.approx(frozen.centre + 3 * frozen.sigma / math.sqrt(n))
        assert spread.upper[i] == pytest.approx((c4(n) + 3 * math.sqrt(1 - c4(n) ** 2)) * frozen.sigma)
    ranged = xbar_r(GROUPS.means, GROUPS.ranges, GROUPS.sizes)
    for i, n in enumerate(SIZES.tolist()):
        assert ranged.tracks[1].centre[i] == pytest.approx(d2(n) * ranged.frozen.sigma)
        assert ranged.tracks[1].upper[i] == pytest.approx((d2(n) + 3 * d3(n)) * ranged.frozen.sigma)


def test_lot_means_hold_spread_between_lots() -> None:
    """Equal spread between and within lots of 5: X-bar limits from within spread flood, lot-mean limits do not.

    Normal theory: 22 % of means lie beyond 3 sigma/sqrt(n) limits at between/within variance ratio 1, n 5.
    """
    rng = np.random.default_rng(11)
    level = rng.normal(0, 1, 400)
    values = level[:, None] + rng.normal(0, 1, (400, 5))
    n, mean, sd = np.full(400, 5), values.mean(axis=1), values.std(axis=1, ddof=1)
    flooded = xbar_s(mean, sd, n).tracks[0]
    assert np.mean(np.abs(flooded.values - flooded.centre) > flooded.upper - flooded.centre) > 0.15
    calm = lot_means(n, mean, sd)
    assert np.mean(np.abs(calm.tracks[0].values - calm.tracks[0].centre) > 3.5 * calm.frozen.sigma) < 0.01
    assert calm.frozen.within == pytest.approx(1.0, abs=0.05)
    assert [track.name for track in calm.tracks] == ["lot mean", "EWMA", "standard deviation"]


def test_left_out_lots_are_drawn_but_give_no_limits() -> None:
    n, mean, sd = np.full(30, 4.0), RNG.normal(10, 1, 30), np.abs(RNG.normal(1, 0.1, 30))
    used = np.ones(30, dtype=bool)
    used[[4, 17]] = False
    spoiled = mean.copy()
    spoiled[[4, 17]] += 50
    chart, clean = lot_means(n, spoiled, sd, used=used), lot_means(n, mean, sd, used=used)
    assert chart.frozen == clean.frozen
    assert chart.tracks[0].values[4] == spoiled[4]
    assert not chart.used[4]
    assert chart.frozen.k == 28
    assert math.isnan(chart.tracks[1].values[4])
    np.testing.assert_array_equal(chart.tracks[1].values[5:], clean.tracks[1].values[5:])


def test_missing_points_equal_a_shorter_row() -> None:
    x = RNG.normal(0, 1, 20)
    with_gaps = np.insert(x, [3, 3, 11], np.nan)
    kept = ~np.isnan(with_gaps)
    short, gaps = individuals(x), individuals(with_gaps)
    assert short.frozen == gaps.frozen
    for a, b in zip(short.tracks, gaps.tracks, strict=True):
        np.testing.assert_array_equal(a.values, b.values[kept])
    lots = lot_means(np.where(kept, 5, 0), with_gaps, np.ones(23))
    np.testing.assert_array_equal(
        lots.tracks[1].values[kept], lot_means(np.full(20, 5), x, np.ones(20)).tracks[1].values
    )


def test_second_phase_draws_the_first_again() -> None:
    x = RNG.normal(5, 1, 25)
    chart = individuals(x)
    again = apply_frozen(chart.frozen, x, used=chart.used)
    for a, b in zip(limits_of(chart), limits_of(again), strict=True):
        np.testing.assert_array_equal(a, b)
    lots = lot_means(np.full(25, 4), x, np.full(25, 0.5))
    again = apply_frozen(lots.frozen, x, sizes=4, spreads=np.full(25, 0.5))
    for a, b in zip(limits_of(lots), limits_of(again), strict=True):
        np.testing.assert_array_equal(a, b)


def test_frozen_limits_do_not_move_with_new_points() -> None:
    frozen = individuals(RNG.normal(0, 1, 30)).frozen
    new = apply_frozen(frozen, [0.0, 100.0, -100.0])
    assert set(new.tracks[0].upper) == {frozen.centre + 3 * frozen.sigma}
    assert not new.used.any()
    assert [s.side for s in evaluate_chart(new) if s.track == "value"] == [1, -1]


def test_a_point_on_the_limit_is_not_beyond_it() -> None:
    frozen = Frozen("individuals", centre=0.0, sigma=1.0)
    on = apply_frozen(frozen, [3.0, -3.0, 3.0])
    assert [s for s in evaluate_chart(on) if s.track == "value"] == []
    over = apply_frozen(frozen, [math.nextafter(3.0, 4.0)])
    assert len(evaluate_chart(over)) == 1


@given(
    st.lists(st.floats(-100, 100, allow_nan=False), min_size=5, max_size=25, unique=True),
    st.floats(-1e3, 1e3),
    st.floats(0.1, 10),
)
def test_charts_follow_shift_scale_and_mirror(x: list[float], shift: float, scale: float) -> None:
    base = individuals(x)
    level, slack = base.tracks[0], 1e-9 * (1 + 100 * scale + abs(shift))
    moved = individuals([scale * v + shift for v in x]).tracks[0]
    np.testing.assert_allclose(moved.upper, scale * level.upper + shift, atol=slack)
    np.testing.assert_allclose(moved.lower, scale * level.lower + shift, atol=slack)
    mirrored = individuals([-v for v in x]).tracks[0]
    np.testing.assert_allclose(mirrored.upper, -level.lower, atol=1e-9)
    turned = individuals(x[::-1]).tracks[0]
    np.testing.assert_allclose(turned.upper, level.upper, atol=1e-9)


def test_lots_of_one_value_have_no_spread_chart_and_say_so() -> None:
    chart = lot_means(np.ones(30), RNG.normal(0, 1, 30), np.full(30, np.nan))
    assert [track.name for track in chart.tracks] == ["lot mean", "EWMA"]
    assert any("spread within lots" in note for note in chart.notes)


def test_remarks_on_few_coarse_and_alike_points() -> None:
    notes = " ".join(individuals([1, 1, 1, 1, 1, 2, 2, 2, 2, 2, 3, 3, 3, 3, 3]).notes)
    assert "15 points" in notes
    assert "3 different values" in notes
    assert "autocorrelation" in notes
    assert individuals(RNG.normal(0, 1, 40)).notes == ()
    uneven = lot_means([2] * 20 + [10] * 20, RNG.normal(0, 1, 40), np.ones(40))
    assert any("2 to 10 values" in note for note in uneven.notes)


@pytest.mark.parametrize(
    "call",
    [
        lambda: individuals([]),
        lambda: individuals([1.0]),
        lambda: individuals([1.0, math.nan]),
        lambda: individuals([2.0, 2.0, 2.0]),
        lambda: individuals([1.0, math.inf, 2.0]),
        lambda: individuals([1.0, 2.0, 3.0], used=[True, False]),
        lambda: individuals([1.0, 2.0, 3.0], used=[True, False, False]),
        lambda: individuals([1.0, 2.0], estimator="guess"),
        lambda: individuals([[1.0, 2.0]]),
        lambda: xbar_r([1.0, 2.0], [0.5, 0.5], [3, 1]),
        lambda: xbar_r([1.0, 2.0], [0.0, 0.0], 3),
        lambda: xbar_s([1.0, 2.0], [0.5], [3, 3]),
        lambda: lot_means([5, 0], [1.0, 2.0], [0.1, 0.1]),
        lambda: lot_means([5, 5], [1.0, 2.0], [0.1, 0.1], within_estimator="guess"),
        lambda: apply_frozen(Frozen("unheard of", 0.0), [1.0]),
        lambda: apply_frozen(Frozen("xbar_r", 0.0, 1.0), [1.0]),
        lambda: apply_frozen(Frozen("individuals", 0.0, 1.0), 5.0),
        lambda: apply_frozen(Frozen("individuals", 0.0, 1.0), [1.0, 2.0], used=[True]),
        lambda: apply_frozen(
            Frozen("ewma", 0.0, 1.0, weight=0.2, ewma_width=3.0), [1.0, 2.0], left_out=[True]
        ),
        lambda: apply_frozen(Frozen("c", 2.0), [1.0, 2.0], used=[True]),
        lambda: apply_frozen(Frozen("g", 20.0, estimator="probability"), [1.0, 2.0], used=[True]),
        lambda: lot_means([5, 5, 5], [1.0, 2.0], [0.1, 0.1]),
    ],
)
def test_what_cannot_be_charted_is_refused_in_words(call) -> None:
    with pytest.raises(ComputeError) as refused:
        call()
    assert refused.value.remedy
