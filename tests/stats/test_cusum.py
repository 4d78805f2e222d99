"""CUSUM: recursion by hand, mirror, missing points, where a shift began."""

from __future__ import annotations

import math

import numpy as np
import pytest

from qualrec.errors import ComputeError
from qualrec.stats.charts import apply_frozen
from qualrec.stats.cusum import cusum_chart, shift_of
from qualrec.stats.results import Frozen
from qualrec.stats.rules import evaluate_chart

FROZEN = Frozen("cusum", 10.0, 2.0, slack=0.5, decision=4.0)


def test_recursion_by_hand_with_a_missing_point() -> None:
    """K 1, H 8: 12 -> 1; 14 -> 4; missing; 9 -> 2 and down 0; 6 -> 0 and 3."""
    up, down = apply_frozen(FROZEN, [12.0, 14.0, math.nan, 9.0, 6.0]).tracks
    np.testing.assert_allclose(up.values, [1, 4, math.nan, 2, 0])
    np.testing.assert_allclose(down.values, [0, 0, math.nan, 0, -3])
    assert (up.upper[0], down.lower[0]) == (8.0, -8.0)
    assert np.isnan(up.lower).all()


def test_head_start_signals_sooner() -> None:
    x = [12.0] * 12
    plain = evaluate_chart(apply_frozen(FROZEN, x))
    quick = Frozen("cusum", 10.0, 2.0, slack=0.5, decision=4.0, head_start=0.5)
    assert evaluate_chart(apply_frozen(quick, x))[0].points[-1] == 4
    assert plain[0].points[-1] == 8


def test_mirrored_values_swap_the_sums() -> None:
    x = np.random.default_rng(1).normal(0.3, 1, 50)
    a, b = cusum_chart(x).tracks, cusum_chart(-x).tracks
    np.testing.assert_allclose(a[0].values, -b[1].values, atol=1e-12)
    np.testing.assert_allclose(a[1].values, -b[0].values, atol=1e-12)


def test_where_a_shift_began_and_how_far() -> None:
    """After the sum last left 0 at point 21 all values are 14: level 14 exactly."""
    x = [9.5, 10.5] * 10 + [14.0] * 6
    found = shift_of(apply_frozen(FROZEN, x))
    assert found is not None
    assert (found.side, found.first) == (1, 20)
    assert found.level == pytest.approx(14.0)
    fallen = shift_of(apply_frozen(FROZEN, [20.0 - v for v in x]))
    assert (fallen.side, fallen.first, fallen.level) == (-1, 20, pytest.approx(6.0))
    assert shift_of(apply_frozen(FROZEN, [10.0, 10.0])) is None


def test_target_takes_the_place_of_the_mean() -> None:
    x = np.random.default_rng(2).normal(5, 1, 40)
    assert cusum_chart(x, target=4.0).frozen.centre == 4.0
    assert cusum_chart(x).frozen.centre == pytest.approx(x.mean())


@pytest.mark.parametrize(
    "call",
    [
        lambda: cusum_chart([1.0, 1.0, 1.0]),
        lambda: cusum_chart([1.0]),
        lambda: cusum_chart([1.0, 2.0, 4.0], slack=-1.0),
        lambda: cusum_chart([1.0, 2.0, 4.0], decision=0.0),
        lambda: cusum_chart([1.0, 2.0, 4.0], head_start=1.0),
        lambda: shift_of(apply_frozen(Frozen("individuals", 0.0, 1.0), [1.0])),
    ],
)
def test_refused_in_words(call) -> None:
    with pytest.raises(ComputeError) as refused:
        call()
    assert refused.value.remedy
