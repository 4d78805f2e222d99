"""Charts of counts: definitions, unequal sizes, empty samples, refusals."""

from __future__ import annotations

import math

import numpy as np
import pytest

from qualrec.errors import ComputeError
from qualrec.stats.attributes import apply, c_chart, np_chart, p_chart, u_chart, zero_tolerance
from qualrec.stats.charts import apply_frozen
from qualrec.stats.rules import evaluate_chart

FOUND = np.array([3, 5, 2, 0, 7, 4])
SIZES = np.array([50, 60, 40, 50, 80, 50])


def test_np_is_p_times_size() -> None:
    share, number = p_chart(FOUND, SIZES).tracks[0], np_chart(FOUND, SIZES).tracks[0]
    for a, b in ((share.values, number.values), (share.centre, number.centre), (share.upper, number.upper)):
        np.testing.assert_allclose(a * SIZES, b)
    assert share.centre[0] == pytest.approx(FOUND.sum() / SIZES.sum())


def test_u_with_exposure_one_is_c() -> None:
    c, u = c_chart(FOUND).tracks[0], u_chart(FOUND, 1.0).tracks[0]
    np.testing.assert_allclose(c.upper, u.upper)
    np.testing.assert_allclose(c.lower, u.lower)
    assert c.upper[0] == pytest.approx(3.5 + 3 * math.sqrt(3.5))
    assert c.lower[0] == 0.0


def test_exposure_unit_does_not_matter() -> None:
    metres, feet = u_chart(FOUND, SIZES), u_chart(FOUND, SIZES / 0.3048)
    assert [s.points for s in evaluate_chart(metres)] == [s.points for s in evaluate_chart(feet)]
    np.testing.assert_allclose(metres.tracks[0].upper, feet.tracks[0].upper / 0.3048)


def test_limits_of_a_share_stay_within_zero_and_one() -> None:
    track = p_chart([4, 5, 5, 5], 5).tracks[0]
    assert track.upper.max() == 1.0
    assert p_chart([0, 1, 0, 0], 5).tracks[0].lower.min() == 0.0


def test_left_out_points_and_empty_samples() -> None:
    used = np.array([True, True, True, True, False, True])
    chart = p_chart(FOUND, SIZES, used=used)
    assert chart.frozen.centre == pytest.approx(14 / 250)
    empty = p_chart([*FOUND, 0], [*SIZES, 0])
    assert math.isnan(empty.tracks[0].values[-1])
    assert not empty.used[-1]
    assert empty.frozen == p_chart(FOUND, SIZES).frozen


def test_zero_tolerance_signals_every_find() -> None:
    chart = zero_tolerance([0, 0, 1, 0, 2, math.nan])
    assert [s.points for s in evaluate_chart(chart)] == [(2,), (4,)]


def test_nothing_found_gives_zero_limits_and_a_remark() -> None:
    chart = c_chart([0, 0, 0])
    assert chart.notes
    later = apply_frozen(chart.frozen, [0, 1])
    assert [s.points for s in evaluate_chart(later)] == [(1,)]


def test_frozen_limits_follow_the_new_sizes() -> None:
    frozen = p_chart(FOUND, SIZES).frozen
    new = apply_frozen(frozen, [1, 1], sizes=[10, 1000]).tracks[0]
    assert new.upper[0] > new.upper[1] > frozen.centre


@pytest.mark.parametrize(
    "call",
    [
        lambda: p_chart([6, 1], 5),
        lambda: p_chart([-1, 1], 5),
        lambda: c_chart([1, math.inf]),
        lambda: c_chart([1]),
        lambda: u_chart([1, 2], [1, 2, 3]),
        lambda: p_chart([1, 2], [0, 10]),
        lambda: c_chart([[1, 2]]),
        lambda: apply(c_chart([1, 2]).frozen, [-3]),
    ],
)
def test_refused_in_words(call) -> None:
    with pytest.raises(ComputeError) as refused:
        call()
    assert refused.value.remedy
