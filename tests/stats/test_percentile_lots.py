"""Bounds by percentiles of values in lots: number of lots, lowered where lots differ, never raised."""

from __future__ import annotations

import numpy as np
import pytest

from qualrec.stats.capability import capability_of_values
from qualrec.stats.distributions import PercentileCapability, percentile_capability
from qualrec.stats.percentile_lots import with_lots
from qualrec.stats.results import Index

LOTS = np.repeat(np.arange(25), 5)
NAMES = ("normal", "lognormal")


def ppk(found: PercentileCapability) -> Index:
    return next(i for i in found.indices if i.name == "Ppk")


def skewed(between: float) -> np.ndarray:
    """Lognormal values of 25 lots of five."""
    rng = np.random.default_rng(4)
    y = between * rng.standard_normal((25, 1)) + rng.standard_normal((25, 5))
    return np.exp(0.3 * y / np.hypot(1.0, between)).ravel()


@pytest.mark.parametrize("usl", [3.0, 5.0, 1.0])
def test_lots_that_differ_lower_the_bound_as_they_lower_the_normal_one(usl: float) -> None:
    x = skewed(1.5)
    lots = capability_of_values(x, None, usl, lot_ids=LOTS)
    plain = percentile_capability(x, None, usl, NAMES, samples=100)
    found = with_lots(plain, lots)
    own, free = lots.bound_lots.value, lots.bound_independent.value
    assert own < free
    assert [(i.k, i.n) for i in found.indices] == [(25, 125)] * len(found.indices)
    assert ppk(found).value == ppk(plain).value
    if min(own, ppk(plain).bound.value) > 0:
        assert ppk(found).bound.value / ppk(plain).bound.value == pytest.approx(own / free)
    else:
        assert ppk(plain).bound.value - ppk(found).bound.value == pytest.approx(free - own)
    assert "25 lots lower" in ppk(found).bound.method
    assert "independent" not in " ".join((*found.notes, ppk(found).bound.method))


def test_one_lot_changes_nothing() -> None:
    x = skewed(0.0)
    plain = percentile_capability(x, None, 3.0, NAMES, samples=100)
    assert with_lots(plain, capability_of_values(x, None, 3.0)).indices == plain.indices


def test_the_bound_is_never_raised() -> None:
    for seed in range(5):
        x = np.random.default_rng(seed).lognormal(0.0, 0.3, 125)
        plain = percentile_capability(x, None, 3.0, ("lognormal",), samples=100)
        found = with_lots(plain, capability_of_values(x, None, 3.0, lot_ids=LOTS))
        assert ppk(found).bound.value <= ppk(plain).bound.value
