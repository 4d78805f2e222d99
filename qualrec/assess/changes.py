"""Whether a lot is the first to show a change of level since the limits were set."""

from __future__ import annotations

import numpy as np

from qualrec.errors import ComputeError
from qualrec.judge.charting import Change
from qualrec.stats.drift import ChangePoint, change_point
from qualrec.values import FloatArray

LEAST_POINTS = 10
ALPHA = 0.002
"""A new change is then found falsely at about 1 lot in 1,350 (simulated, normal lot means, 10 to 100 lots)."""
LEAST_F = 12.0
"""Below this ratio of variances the chance of a step is far above ALPHA and the test of random orders is not made
(simulated: at 10 to 100 points and ALPHA the ratio is 17 to 39)."""
METHOD = (
    f"one step against random orders of the same lot means, p at most {ALPHA:g}, at least {LEAST_POINTS} lots; "
    "found falsely at about 1 lot in 1,350 (simulated)"
)


def newest_change(values: FloatArray, numbers: tuple[str, ...]) -> Change | None:
    """The change of level that the last point shows and the points before it did not; nan is a left-out point."""
    now = _shown(values)
    if now is None or _shown(values[:-1]) is not None:
        return None
    return Change(now.first, numbers[now.first], now.before, now.after, now.p, METHOD)


def _shown(values: FloatArray) -> ChangePoint | None:
    x = values[np.isfinite(values)]
    if x.size < LEAST_POINTS or _largest_f(x) < LEAST_F:
        return None
    try:
        found = change_point(values)
    except ComputeError:
        return None
    return found if found.p <= ALPHA else None


def _largest_f(x: FloatArray) -> float:
    """Largest ratio of the variance between two parts to that within them, over all places of the step."""
    centred = x - x.mean()
    total = float(centred @ centred)
    if not total > 0:
        return 0.0
    tau = np.arange(1, x.size)
    gain = float(np.max(np.cumsum(centred)[:-1] ** 2 / (tau * (x.size - tau) / x.size)) / total)
    return gain * (x.size - 2) / max(1.0 - gain, 1e-12)
