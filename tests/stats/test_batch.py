"""Many characteristics at once say what one chart after another says."""

from __future__ import annotations

import math
import subprocess
import sys

import numpy as np
import pytest

from qualrec.errors import ComputeError
from qualrec.stats.batch import from_frozen, lot_limits, lot_signals
from qualrec.stats.charts import apply_frozen, individuals, lot_means
from qualrec.stats.rules import ALL_RULES, evaluate

RNG = np.random.default_rng(12)
N = RNG.integers(1, 7, (40, 30)).astype(float)
MEAN = RNG.normal(1e4, 2.0, (40, 30))
SD = np.where(N > 1, np.abs(RNG.normal(1.0, 0.5, (40, 30))), np.nan)
MEAN[3:8, 5:9] = np.nan
N[10, :4] = 0
MEAN[:, 20] += 12
USED = RNG.random((40, 30)) < 0.9


def test_limits_agree_with_single_charts() -> None:
    many = lot_limits(N, MEAN, SD, USED)
    for row in range(40):
        one = lot_means(N[row], MEAN[row], SD[row], used=USED[row]).frozen
        assert many.centre[row] == pytest.approx(one.centre, rel=1e-14)
        assert many.sigma[row] == pytest.approx(one.sigma, rel=1e-12)
        assert many.within[row] == pytest.approx(one.within, rel=1e-12)
        assert (many.k[row], many.n[row]) == (one.k, one.n)


def test_signals_agree_with_single_charts() -> None:
    frozen = [lot_means(N[row], MEAN[row], SD[row], used=USED[row]).frozen for row in range(40)]
    limits = from_frozen(frozen)
    found = lot_signals(N, MEAN, SD, limits, rules=ALL_RULES, left_out=~USED)
    assert found.mean.any()
    assert found.ewma.any()
    assert found.within.any()
    for row in range(40):
        chart = apply_frozen(frozen[row], MEAN[row], sizes=N[row], spreads=SD[row], left_out=~USED[row])
        level, average, spread = chart.tracks
        for track, marks in ((level, found.mean), (average, found.ewma), (spread, found.within)):
            assert {s.points[-1] for s in evaluate(track)} == set(np.flatnonzero(marks[row]).tolist())
        for index, item in enumerate(ALL_RULES):
            assert {s.points[-1] for s in evaluate(level, [item])} == set(
                np.flatnonzero(found.rules[index, row])
            )


def test_rows_that_cannot_give_limits_are_nan_and_silent() -> None:
    n = np.array([[5, 5, 5], [0, 0, 0], [5, 0, 0], [5, 5, 5], [1, 1, 1]])
    mean = np.array([[1.0, 2, 4], [np.nan] * 3, [1.0, np.nan, np.nan], [2.0, 2, 2], [1.0, 2, 4]])
    sd = np.array([[0.5] * 3, [np.nan] * 3, [0.1, np.nan, np.nan], [0.1] * 3, [np.nan] * 3])
    limits = lot_limits(n, mean, sd)
    np.testing.assert_array_equal(np.isnan(limits.sigma), [False, True, True, True, False])
    np.testing.assert_array_equal(np.isnan(limits.within), [False, True, False, False, True])
    found = lot_signals(n, mean, sd, limits, rules=ALL_RULES)
    assert not found.mean[1:4].any()
    assert not found.ewma[1:4].any()
    assert not found.rules[:, 1:4].any()


@pytest.mark.parametrize("shape", [(0, 5), (3, 0), (3, 1)])
def test_no_lots_at_all_give_no_limits(shape: tuple[int, int]) -> None:
    limits = lot_limits(np.full(shape, 5), np.full(shape, 1.0), np.full(shape, 0.1))
    assert np.isnan(limits.sigma).all()
    found = lot_signals(np.full(shape, 5), np.full(shape, 1.0), np.full(shape, 0.1), limits, rules=ALL_RULES)
    assert found.rules.shape == (8, *shape)
    assert not found.mean.any()


def test_missing_limits_stand_beside_frozen_ones() -> None:
    frozen = lot_means(N[0], MEAN[0], SD[0]).frozen
    limits = from_frozen([None, frozen])
    assert math.isnan(limits.centre[0])
    assert limits.sigma[1] == frozen.sigma
    assert from_frozen([]).centre.shape == (0,)


def test_refused_in_words() -> None:
    with pytest.raises(ComputeError, match="shapes"):
        lot_limits(N, MEAN[:5], SD)
    with pytest.raises(ComputeError, match="lot means"):
        from_frozen([individuals([1.0, 2.0, 4.0]).frozen])
    with pytest.raises(ComputeError, match="widths"):
        from_frozen(
            [lot_means(N[0], MEAN[0], SD[0]).frozen, lot_means(N[0], MEAN[0], SD[0], width=3.0).frozen]
        )


def test_charts_and_batch_load_no_scipy() -> None:
    """First paint and every chart of lots must not wait for scipy (0.24 to 0.7 s)."""
    code = (
        "import sys, qualrec.stats.batch, qualrec.stats.charts, qualrec.stats.rules;"
        "sys.exit(any(name == 'scipy' or name.startswith('scipy.') for name in sys.modules))"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0
