"""Short runs: deviations and standardised values agree with the charts of single parts."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from qualrec.errors import ComputeError
from qualrec.stats import shortrun
from qualrec.stats.charts import individuals
from qualrec.stats.shortrun import apply_deviation, deviation_chart, standardised_chart

RNG = np.random.default_rng(15)
PARTS = ["A", "A", "B", "A", "B", "B", "C", "C", "A", "C"] * 4
TARGETS = np.array([{"A": 10.0, "B": 50.0, "C": 200.0}[part] for part in PARTS])
NOISE = RNG.normal(0, 1, 40)


def test_deviations_forget_the_part() -> None:
    chart, plain = deviation_chart(TARGETS + NOISE, TARGETS, parts=PARTS), individuals(NOISE)
    for a, b in zip(chart.tracks, plain.tracks, strict=True):
        np.testing.assert_allclose(a.values, b.values, atol=1e-12)
        np.testing.assert_allclose(a.upper, b.upper)
    assert chart.notes == plain.notes
    again = apply_deviation(chart.frozen, TARGETS + NOISE, TARGETS)
    np.testing.assert_array_equal(again.tracks[0].upper, chart.tracks[0].upper)


def test_parts_of_different_scatter_are_remarked(monkeypatch: pytest.MonkeyPatch) -> None:
    scale = np.array([{"A": 1.0, "B": 1.0, "C": 8.0}[part] for part in PARTS])
    notes = deviation_chart(TARGETS + NOISE * scale, TARGETS, parts=PARTS).notes
    assert any("standardise" in note for note in notes)
    groups = [(NOISE * scale)[[i for i, p in enumerate(PARTS) if p == part]] for part in "ABC"]
    chance = stats.bartlett(*groups).pvalue
    monkeypatch.setattr(shortrun, "ALIKE", 1.1)
    shown = deviation_chart(TARGETS + NOISE * scale, TARGETS, parts=PARTS).notes[-1]
    assert f"p = {chance:.2g}" in shown


def test_standardised_values_have_fixed_limits() -> None:
    sigmas = np.array([{"A": 1.0, "B": 5.0, "C": 20.0}[part] for part in PARTS])
    level = standardised_chart(TARGETS + NOISE * sigmas, TARGETS, sigmas).tracks[0]
    np.testing.assert_allclose(level.values, NOISE, atol=1e-12)
    assert (level.lower[0], level.centre[0], level.upper[0]) == (-3.0, 0.0, 3.0)
    means = standardised_chart(TARGETS + NOISE * sigmas / 2, TARGETS, sigmas, sizes=4).tracks[0]
    np.testing.assert_allclose(means.values, NOISE, atol=1e-12)


def test_missing_points_need_no_target() -> None:
    assert math.isnan(
        standardised_chart([1.0, math.nan], [0.0, math.nan], [1.0, math.nan]).tracks[0].values[1]
    )


@pytest.mark.parametrize(
    "call",
    [
        lambda: deviation_chart([1.0, 2.0, 4.0], [1.0, math.nan, 1.0]),
        lambda: deviation_chart([1.0, 2.0, 4.0], [1.0, 2.0]),
        lambda: deviation_chart([1.0, 2.0], [1.0, 2.0]),
        lambda: deviation_chart([1.0, 2.0, 4.0], 1.0, parts=["A"]),
        lambda: standardised_chart([1.0, 2.0], 1.0, [1.0, 0.0]),
        lambda: standardised_chart([1.0, 2.0], 1.0, 1.0, sizes=0),
    ],
)
def test_refused_in_words(call) -> None:
    with pytest.raises(ComputeError) as refused:
        call()
    assert refused.value.remedy
