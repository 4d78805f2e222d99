"""EWMA: recursion, variance of its points by simulation, missing points, many rows at once."""

from __future__ import annotations

import math

import numpy as np
import pytest

from qualrec.errors import ComputeError
from qualrec.stats.charts import apply_frozen
from qualrec.stats.ewma import ewma_chart, ewma_spread, ewma_track, ewma_values, frozen_ewma
from qualrec.stats.spread import Sigma


def test_recursion_by_hand() -> None:
    z, steps = ewma_values(np.array([1.0, 2.0, np.nan, 0.0]), np.asarray(0.0), 0.5)
    np.testing.assert_allclose(z, [0.5, 1.25, np.nan, 0.625])
    np.testing.assert_array_equal(steps, [1, 2, 2, 3])


def test_spread_of_the_average_by_simulation() -> None:
    rows = np.random.default_rng(2).standard_normal((40_000, 12))
    z, steps = ewma_values(rows, np.zeros(40_000), 0.2)
    np.testing.assert_allclose(z.std(axis=0), ewma_spread(steps[0], 0.2), rtol=0.02)
    assert ewma_spread(np.array([1e6]), 0.2)[0] == pytest.approx(math.sqrt(0.2 / 1.8))
    np.testing.assert_array_equal(ewma_spread(np.array([1.0]), 0.2, steady=True), math.sqrt(0.2 / 1.8))


def test_many_rows_agree_with_one() -> None:
    rows = np.random.default_rng(3).standard_normal((6, 30))
    rows[2, 4:9] = np.nan
    rows[3] = np.nan
    z, steps = ewma_values(rows, np.arange(6.0), 0.3)
    for i in range(6):
        one, count = ewma_values(rows[i], np.asarray(float(i)), 0.3)
        np.testing.assert_array_equal(z[i], one)
        np.testing.assert_array_equal(steps[i], count)


def test_weight_one_is_the_individuals_chart() -> None:
    x = np.random.default_rng(4).normal(10, 2, 30)
    track = ewma_chart(x, weight=1.0, width=3.0).tracks[0]
    np.testing.assert_allclose(track.values, x)
    assert np.ptp(track.upper) == pytest.approx(0.0, abs=1e-12)


def test_limits_widen_to_the_steady_state() -> None:
    x = np.random.default_rng(5).normal(0, 1, 60)
    varying, steady = ewma_chart(x).tracks[0], ewma_chart(x, steady=True).tracks[0]
    assert np.all(np.diff(varying.upper) >= 0)
    assert varying.upper[0] < steady.upper[0]
    assert varying.upper[-1] == pytest.approx(steady.upper[-1], rel=1e-6)


def test_mirrored_values_give_mirrored_limits() -> None:
    x = np.random.default_rng(6).normal(3, 1, 20)
    up, down = ewma_chart(x).tracks[0], ewma_chart(-x).tracks[0]
    np.testing.assert_allclose(up.upper, -down.lower)
    np.testing.assert_allclose(up.values, -down.values)


def test_second_phase_starts_at_the_frozen_centre() -> None:
    frozen = frozen_ewma(50.0, Sigma(2.0, "given", math.inf, 0, 0), weight=0.25, width=3.0)
    chart = apply_frozen(frozen, [54.0, np.nan, 50.0])
    np.testing.assert_allclose(chart.tracks[0].values, [51.0, np.nan, 50.75])
    left_out = apply_frozen(frozen, [54.0, 90.0, 50.0], left_out=[False, True, False])
    np.testing.assert_allclose(left_out.tracks[0].values, [51.0, np.nan, 50.75])


@pytest.mark.parametrize(
    "call",
    [
        lambda: ewma_chart([1.0, 2.0, 4.0], weight=0.0),
        lambda: ewma_chart([1.0, 2.0, 4.0], weight=1.5),
        lambda: ewma_chart([1.0, 1.0, 1.0]),
        lambda: ewma_chart([1.0]),
    ],
)
def test_refused_in_words(call) -> None:
    with pytest.raises(ComputeError) as refused:
        call()
    assert refused.value.remedy


def test_at_a_restart_it_is_a_new_chart() -> None:
    """The rows of both parts are those of two charts; time-varying limits begin narrow again."""
    frozen = frozen_ewma(50.0, Sigma(2.0, "given", math.inf, 0, 0))
    x = np.random.default_rng(8).normal(51.0, 2.0, 12)
    whole = ewma_track(frozen, x, restarts=[7])
    for rows in ("values", "lower", "upper", "sigma"):
        parts = [getattr(ewma_track(frozen, part), rows) for part in (x[:7], x[7:])]
        np.testing.assert_array_equal(getattr(whole, rows), np.concatenate(parts))
    assert whole.upper[7] == whole.upper[0] < whole.upper[6]
    np.testing.assert_array_equal(
        ewma_track(frozen, x, restarts=[0, 12, 99]).values, ewma_track(frozen, x).values
    )


def test_a_restart_takes_out_missing_points_too() -> None:
    frozen = frozen_ewma(50.0, Sigma(2.0, "given", math.inf, 0, 0), weight=0.5)
    track = ewma_track(frozen, np.array([58.0, np.nan, np.nan, 52.0, 52.0]), restarts=[2])
    np.testing.assert_allclose(track.values, [54.0, np.nan, np.nan, 51.0, 51.5])
