"""Yeo-Johnson fits of values far from zero with little spread, where strong exponents leave no digits."""

from __future__ import annotations

import math

import pytest

from qualrec.reference import read_columns
from qualrec.stats.distributions import choose_shape, fit_shape
from qualrec.stats.shapes import SHAPES


@pytest.mark.parametrize("factor", [1.0, 100.0])
def test_the_fit_is_at_least_as_likely_as_the_normal_shape(factor: float) -> None:
    """Exponent 1 is the normal shape itself. Values: heat flow data, NIST e-Handbook 1.4.2.8."""
    x = [factor * v for v in read_columns("data/nist_zarr13.csv")["y"]]
    found, normal = fit_shape(x, "yeo-johnson normal"), fit_shape(x, "normal")
    assert found.parameters["sd"] > 0
    assert math.isfinite(found.aicc)
    assert found.log_likelihood >= normal.log_likelihood - 1e-6
    assert found.quantile(0.5) == pytest.approx(sorted(x)[97], rel=1e-3)


def test_all_shapes_together() -> None:
    found = choose_shape(read_columns("data/nist_zarr13.csv")["y"], tuple(SHAPES))
    assert all(math.isfinite(f.aicc) for f in found.fits)
