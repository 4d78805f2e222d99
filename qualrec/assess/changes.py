"""Changes of level on lot means: the one the last point is first to show, and the one shown by all points of a chart."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from qualrec.assess.causes import cause_words
from qualrec.assess.loading import moment_text
from qualrec.errors import ComputeError
from qualrec.judge.causes import Cause, nearest
from qualrec.judge.charting import Change
from qualrec.stats.drift import ChangePoint, change_point
from qualrec.values import FloatArray, LotSeries

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


def newest_change(values: FloatArray) -> ChangePoint | None:
    """The change of level that the last point shows and the points before it did not; nan is a left-out point."""
    now = shown_change(values)
    return None if now is None or shown_change(values[:-1]) is not None else now


def shown_change(values: FloatArray) -> ChangePoint | None:
    """The largest step where it is beyond chance; nan is a left-out point."""
    x = values[np.isfinite(values)]
    if x.size < LEAST_POINTS or _largest_f(x) < LEAST_F:
        return None
    try:
        found = change_point(values)
    except ComputeError:
        return None
    return found if found.p <= ALPHA else None


def described(found: ChangePoint, series: LotSeries, causes: Sequence[Cause], zone: str) -> Change:
    """The change with names and dates of its points and the causes nearest to it; the series holds the searched points.

    Causes count from the start of the last point before the interval to the start of its last point.
    """
    at = series.at_us
    near = nearest(
        causes,
        int(at[found.first - 1]),
        int(at[found.first]),
        int(at[found.low - 1]),
        int(at[found.high]),
    )
    return Change(
        first=found.first,
        first_number=series.numbers[found.first],
        before=found.before,
        after=found.after,
        p=found.p,
        method=METHOD,
        low_number=series.numbers[found.low],
        high_number=series.numbers[found.high],
        level=found.level,
        when=moment_text(int(at[found.first]), zone),
        near=tuple(cause_words(cause, zone) for cause in near),
        searched=True,
    )


def _largest_f(x: FloatArray) -> float:
    """Largest ratio of the variance between two parts to that within them, over all places of the step."""
    centred = x - x.mean()
    total = float(centred @ centred)
    if not total > 0:
        return 0.0
    tau = np.arange(1, x.size)
    gain = float(np.max(np.cumsum(centred)[:-1] ** 2 / (tau * (x.size - tau) / x.size)) / total)
    return gain * (x.size - 2) / max(1.0 - gain, 1e-12)
