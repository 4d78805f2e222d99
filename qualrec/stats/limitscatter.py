"""How much the true rate of false alarms scatters when limits come from few lots.

Limits from k lots miss the true centre and sigma. For each of many simulated sets of k lots (independent, normal) the
centre is their mean and sigma their mean moving range/d2; the run length of a chart under exactly these limits is
computed, not simulated. Source of the approach: Quesenberry, Journal of Quality Technology 25(4), 1993; Jensen et al.,
Journal of Quality Technology 38(4), 2006 (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from qualrec.errors import ComputeError
from qualrec.stats.constants import d2
from qualrec.stats.results import FloatArray
from qualrec.stats.runlength import Ewma, ewma_arl, shewhart_arl

SETS = 4000
_SEED = 77


@dataclass(frozen=True, slots=True)
class RateScatter:
    """In-control run length under limits from k lots: `known` with known parameters, and quantiles over limit sets."""

    k: int
    known: float
    low: float
    """10 % of limit sets have a shorter run length."""
    median: float
    high: float
    """10 % of limit sets have a longer run length."""
    too_often: float
    """Share of limit sets with more than twice the false alarms of known parameters."""
    sets: int


def rate_scatter(
    k: int, *, width: float = 3.5, ewma: Ewma | None = None, sets: int = SETS, seed: int = _SEED
) -> RateScatter:
    """Scatter of the in-control run length of limits on points at -+ width sigma, with an EWMA where given.

    The EWMA counts with asymptotic limits. Raises ComputeError for fewer than 3 lots.
    """
    if k < 3:
        raise ComputeError(f"Limits from {k} lots are no limits.", "Give at least 3 lots.")
    rng = np.random.default_rng(seed)
    lots = rng.standard_normal((sets, k))
    missed = np.abs(lots.mean(axis=1))
    ratio = np.abs(np.diff(lots, axis=1)).mean(axis=1) / d2(2)
    if ewma is None:
        lengths = np.array(
            [shewhart_arl(width, m / r, 1.0 / r).value for m, r in zip(missed, ratio, strict=True)]
        )
        known = shewhart_arl(width).value
    else:
        scheme = Ewma(ewma.weight, ewma.width)
        lengths = _interpolated(scheme, width, missed / ratio, ratio)
        known = ewma_arl(scheme, point_width=width).value
    low, median, high = np.quantile(lengths, (0.1, 0.5, 0.9)).tolist()
    return RateScatter(k, known, low, median, high, float(np.mean(lengths < known / 2.0)), sets)


def _interpolated(scheme: Ewma, width: float, missed: FloatArray, ratio: FloatArray) -> FloatArray:
    """Run lengths at (centre error in the estimated sigma, sigma ratio), from a grid of chains; smooth in both."""
    from scipy.interpolate import RectBivariateSpline

    across = np.linspace(0.0, float(missed.max()), 7)
    along = np.linspace(float(np.log(ratio.min())), float(np.log(ratio.max())), 9)
    grid = [
        [
            np.log(ewma_arl(scheme, m, point_width=width, scale=float(np.exp(-r)), states=40).value)
            for r in along
        ]
        for m in across
    ]
    return np.asarray(np.exp(RectBivariateSpline(across, along, np.array(grid)).ev(missed, np.log(ratio))))
