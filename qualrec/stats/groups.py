"""Do the lot means fall into two groups? Two populations under one name have no common index.

The means are sorted and cut where the sum of squares between the two sides is largest. p is the share of as many
independent normal means that can be cut as well, by simulation with a fixed seed. Source of the criterion: Engelman &
Hartigan, Journal of the American Statistical Association 64 (1969) 1647 (from memory; the critical values here are simulated).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import ArrayLike

from qualrec.errors import ComputeError
from qualrec.stats.describe import finite_values
from qualrec.stats.inputs import check_spread
from qualrec.stats.results import FloatArray

FEWEST = 6
LEAST_SHARE = 0.15
"""A group holds at least this share of the lots and two of them; fewer are outlying lots, not a population."""
_SETS = 4000
_SEED = 11
_MOST = 400
"""More means than this are compared with simulated sets of this size, which makes p larger, never smaller."""


@dataclass(frozen=True, slots=True)
class TwoGroups:
    """The best cut: means and numbers of lots of both sides, the share of the sum of squares that lies between them."""

    low_mean: float
    high_mean: float
    low_count: int
    high_count: int
    share: float
    p: float
    threshold: float
    """Values below it belong to the low group."""


def two_groups(means: ArrayLike) -> TwoGroups:
    """The best cut of lot means into two groups, and how surprising it is for one normal population.

    Raises ComputeError for fewer than 6 means, no spread, nan or inf.
    """
    x = np.sort(finite_values(means))
    if x.size < FEWEST:
        raise ComputeError(f"{x.size} lot means are too few to tell groups.", f"{FEWEST} are needed.")
    if x[0] == x[-1]:
        raise ComputeError("The lot means are all alike.", "There is one group.")
    check_spread(x, "lot means")
    shares = _shares(x[None, :])[0]
    cut = int(np.argmax(shares))
    low, high = x[: cut + 1], x[cut + 1 :]
    null = _null(min(x.size, _MOST))
    p = (1 + np.count_nonzero(null >= shares[cut])) / (1 + null.size)
    return TwoGroups(
        float(low.mean()),
        float(high.mean()),
        low.size,
        high.size,
        float(shares[cut]),
        float(p),
        float((low[-1] + high[0]) / 2),
    )


def _shares(x: FloatArray) -> FloatArray:
    """(sets, k - 1): share of the sum of squares between the sides of every cut of sorted rows; 0 where a side is too small."""
    k = x.shape[1]
    centred = x - x.mean(axis=1, keepdims=True)
    left = np.arange(1, k)
    sums = np.cumsum(centred, axis=1)[:, :-1]
    total = np.sum(centred**2, axis=1, keepdims=True)
    shares = sums**2 * k / (left * (k - left)) / total
    least = max(2, int(np.ceil(LEAST_SHARE * k)))
    return np.where((left >= least) & (k - left >= least), shares, 0.0)


@lru_cache(maxsize=64)
def _null(k: int) -> FloatArray:
    rng = np.random.default_rng(_SEED)
    found: FloatArray = _shares(np.sort(rng.standard_normal((_SETS, k)), axis=1)).max(axis=1)
    found.setflags(write=False)
    return found
