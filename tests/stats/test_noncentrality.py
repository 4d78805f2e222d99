"""The inverse of the non-central t in its non-centrality, against mpmath: no library of the product has a say in it."""

from __future__ import annotations

import mpmath as mp
import numpy as np
import pytest

from qualrec.stats.capability_bounds import noncentrality


def share_below(t: float, df: float, d: float) -> float:
    """P(T <= t) as the integral of Phi(t s - d) over the density of s = sqrt(chi2/df)."""
    with mp.workdps(25):
        f = mp.mpf(df)
        factor = 2 * (f / 2) ** (f / 2) / mp.gamma(f / 2)
        width = 8 / mp.sqrt(2 * f)
        edges = [max(mp.mpf(0), 1 - width), mp.mpf(1), 1 + width, 1 + 3 * width]
        return float(
            mp.quad(lambda s: mp.ncdf(t * s - d) * factor * s ** (f - 1) * mp.exp(-f * s * s / 2), edges)
        )


@pytest.mark.parametrize(
    ("df", "t", "tolerance"),
    [
        (4, 10.0, 1e-13),
        (24, 20.0, 1e-13),
        (124, 45.0, 1e-13),
        (30, -5.0, 1e-13),
        (999, 120.0, 1e-13),
        (1.5, 8.0, 1e-7),
    ],
)
def test_the_share_at_the_noncentrality_found_is_the_one_asked(df: float, t: float, tolerance: float) -> None:
    assert share_below(t, df, float(noncentrality(df, 0.95, t))) == pytest.approx(0.95, abs=tolerance)


def test_rows_are_found_as_one_by_one_and_missing_ones_stay_missing() -> None:
    df, t = np.array([4.0, 24.0, 0.5, np.nan, 1e6]), np.array([10.0, 20.0, 3.0, 3.0, 4000.0])
    together = noncentrality(df, 0.95, t)
    alone = [float(noncentrality(f, 0.95, x)) for f, x in zip(df, t, strict=True)]
    np.testing.assert_allclose(together, alone, rtol=1e-12)
    assert np.isnan(together).tolist() == [False, False, False, True, False]
