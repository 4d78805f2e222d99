"""Charts p' and u': definition, agreement with the plain charts, over-dispersed samples."""

from __future__ import annotations

import math

import numpy as np
import pytest

from qualrec.errors import ComputeError
from qualrec.stats.attributes import p_chart
from qualrec.stats.charts import apply_frozen
from qualrec.stats.laney import p_prime_chart, u_prime_chart
from qualrec.stats.rules import evaluate_chart

RNG = np.random.default_rng(9)


def test_definition_step_by_step() -> None:
    d, n = np.array([12, 20, 8, 15]), np.array([1000, 1200, 900, 1100])
    rate = d.sum() / n.sum()
    sampling = np.sqrt(rate * (1 - rate) / n)
    z = (d / n - rate) / sampling
    sigma_z = np.abs(np.diff(z)).mean() * math.sqrt(math.pi) / 2
    track = p_prime_chart(d, n).tracks[0]
    np.testing.assert_allclose(track.upper, rate + 3 * sampling * sigma_z)
    np.testing.assert_allclose(track.lower, np.maximum(rate - 3 * sampling * sigma_z, 0))


def test_pure_sampling_gives_the_plain_chart() -> None:
    """sigma_z of 20,000 samples scatters by 0.0064 (sqrt(0.826/20,000)); four times that is allowed."""
    n = RNG.integers(400, 600, 20_000)
    d = RNG.binomial(n, 0.05)
    assert p_prime_chart(d, n).frozen.sigma == pytest.approx(1.0, abs=0.026)
    c = RNG.poisson(0.02 * n)
    assert u_prime_chart(c, n).frozen.sigma == pytest.approx(1.0, abs=0.026)


def test_a_rate_that_varies_floods_the_plain_chart_only() -> None:
    n = np.full(300, 20_000)
    d = RNG.binomial(n, RNG.normal(0.05, 0.005, 300))
    assert len(evaluate_chart(p_chart(d, n))) > 60
    assert len(evaluate_chart(p_prime_chart(d, n))) < 6


def test_frozen_limits_and_left_out_samples() -> None:
    n, d = np.full(30, 500), RNG.binomial(500, 0.1, 30)
    used = np.ones(30, dtype=bool)
    used[3] = False
    spoiled = d.copy()
    spoiled[3] = 400
    assert p_prime_chart(spoiled, n, used=used).frozen == p_prime_chart(d, n, used=used).frozen
    frozen = p_prime_chart(d, n).frozen
    assert apply_frozen(frozen, [200], sizes=500).tracks[0].upper[0] == pytest.approx(
        p_prime_chart(d, n).tracks[0].upper[0]
    )


def test_scatter_below_sampling_is_remarked() -> None:
    assert p_prime_chart([50, 51, 50, 49, 50], 500).notes


@pytest.mark.parametrize(
    "call",
    [
        lambda: p_prime_chart([0, 0, 0], 50),
        lambda: p_prime_chart([50, 50], 50),
        lambda: u_prime_chart([5, 5, 5], 10),
        lambda: u_prime_chart([5], 10),
    ],
)
def test_refused_in_words(call) -> None:
    with pytest.raises(ComputeError) as refused:
        call()
    assert refused.value.remedy
