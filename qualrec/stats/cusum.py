"""Tabular cumulative sum with head start.

    C+_t = max(0, C+_(t-1) + x_t - centre - K)      K = k sigma, H = h sigma
    C-_t = max(0, C-_(t-1) + centre - x_t - K)      C+_0 = C-_0 = head start * H

C+ beyond H: the level has risen; C- beyond H: it has fallen. C- is drawn downwards, as -C-. A missing point is
skipped. The sums are not set back after a signal; start a new chart when the cause is removed.
Source: Lucas & Crosier, Technometrics 24(3), 1982 (head start); Montgomery (estimates of the new level); NIST
e-Handbook 6.3.2.3 (all from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from qualrec.errors import ComputeError
from qualrec.stats.results import Chart, FloatArray, Frozen, Track
from qualrec.stats.spread import moving_range
from qualrec.stats.usable import cautions, marks, plotted, usable

SLACK = 0.5
DECISION = 5.0


@dataclass(frozen=True, slots=True)
class Shift:
    """Where a CUSUM that is beyond its limit last left 0, and the level since then (centre + K + C/N, or below)."""

    side: int
    first: int
    """Index of the first point of the sum that signals."""
    level: float


def cusum_chart(
    values: ArrayLike,
    *,
    used: ArrayLike | None = None,
    target: float | None = None,
    slack: float = SLACK,
    decision: float = DECISION,
    head_start: float = 0.0,
) -> Chart:
    """First-phase CUSUM; centre = target or mean, sigma = mean moving range/d2 of the used points.

    Raises ComputeError for fewer than 2 used values, for no spread, for slack < 0, decision <= 0 and a head start
    outside 0 <= share < 1.
    """
    x, mask = usable(values, used)
    sigma = moving_range(x[mask])
    if not sigma.value > 0:
        raise ComputeError(
            "The values have no spread, so limits cannot be set.", "Check the resolution of the gauge."
        )
    frozen = Frozen(
        "cusum",
        float(np.mean(x[mask])) if target is None else target,
        sigma.value,
        sigma.estimator,
        sigma.n,
        sigma.k,
        sigma.df,
        slack=slack,
        decision=decision,
        head_start=head_start,
    )
    return apply(frozen, np.where(mask, x, np.nan), used=mask, notes=cautions(x[mask]))


def apply(
    frozen: Frozen, values: ArrayLike, *, used: ArrayLike | None = None, notes: tuple[str, ...] = ()
) -> Chart:
    """Second-phase CUSUM of new values under frozen centre, sigma, slack, decision interval and head start."""
    x = plotted(values)
    mask = marks(used, x.shape)
    rise, fall = cusum_values(frozen, x)
    zero, limit = np.zeros(x.shape), np.full(x.shape, frozen.decision * frozen.sigma)
    none, sigma = np.full(x.shape, np.nan), np.full(x.shape, frozen.sigma)
    tracks = (
        Track("CUSUM up", rise, zero, none, limit, sigma, run_rules=False),
        Track("CUSUM down", -fall, zero, -limit, none, sigma, run_rules=False),
    )
    method = f"CUSUM k {frozen.slack:g} sigma, h {frozen.decision:g} sigma, sigma by {frozen.estimator}"
    if frozen.head_start:
        method += f", head start {frozen.head_start:g} of h"
    return Chart("cusum", tracks, mask, method, notes, frozen)


def cusum_values(frozen: Frozen, values: FloatArray) -> tuple[FloatArray, FloatArray]:
    """C+ and C- of one row of values, in the unit of the values; nan where a value is missing."""
    if not (frozen.slack >= 0 and frozen.decision > 0 and 0 <= frozen.head_start < 1 and frozen.sigma > 0):
        raise ComputeError(
            f"A CUSUM needs sigma > 0, k >= 0, h > 0 and 0 <= head start < 1, got sigma {frozen.sigma}, "
            f"k {frozen.slack}, h {frozen.decision}, head start {frozen.head_start}.",
            "Usual are k 0.5, h 4 to 5 and head start 0 or 0.5.",
        )
    slack = frozen.slack * frozen.sigma
    rise = fall = frozen.head_start * frozen.decision * frozen.sigma
    rows = []
    for deviation in (values - frozen.centre).tolist():
        if deviation != deviation:
            rows.append((np.nan, np.nan))
            continue
        rise, fall = max(0.0, rise + deviation - slack), max(0.0, fall - deviation - slack)
        rows.append((rise, fall))
    table = np.asarray(rows, dtype=np.float64).reshape(-1, 2)
    return table[:, 0], table[:, 1]


def shift_of(chart: Chart) -> Shift | None:
    """The shift that the CUSUM shows at its last point; None where neither sum is beyond its limit there."""
    frozen = chart.frozen
    if frozen is None or chart.kind != "cusum":
        raise ComputeError("This is not a CUSUM chart.", "Draw one with cusum_chart.")
    for side, track in ((1, chart.tracks[0]), (-1, chart.tracks[1])):
        here = np.flatnonzero(~np.isnan(track.values))
        sums = np.abs(track.values[here])
        if sums.size == 0 or not sums[-1] > frozen.decision * frozen.sigma:
            continue
        zeros = np.flatnonzero(sums == 0)
        first = int(zeros[-1]) + 1 if zeros.size else 0
        gained = sums[-1] - (0.0 if zeros.size else frozen.head_start * frozen.decision * frozen.sigma)
        moved = frozen.slack * frozen.sigma + gained / (sums.size - first)
        return Shift(side, int(here[first]), float(frozen.centre + side * moved))
    return None
