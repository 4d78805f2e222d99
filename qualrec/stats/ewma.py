"""Exponentially weighted moving average with time-varying limits.

    z_t = w x_t + (1 - w) z_(t-1),  z_0 = centre
    limits = centre -+ L sigma sqrt(w/(2 - w) (1 - (1 - w)^(2t)))        steady state: without the last bracket

A missing point is skipped: the average and t wait for the next value. At a restart the average begins at the centre and
t at 0 again, as on a new chart: for use once the cause of a shift has been removed.
Source: Lucas & Saccucci, Technometrics 32(1), 1990; NIST e-Handbook 6.3.2.4 (both from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from qualrec.errors import ComputeError
from qualrec.stats.results import Chart, FloatArray, Frozen, Track
from qualrec.stats.spread import Sigma, moving_range
from qualrec.stats.usable import cautions, marks, plotted, usable

WEIGHT = 0.2
WIDTH = 2.90


def ewma_chart(
    values: ArrayLike,
    *,
    used: ArrayLike | None = None,
    weight: float = WEIGHT,
    width: float = WIDTH,
    steady: bool = False,
) -> Chart:
    """First-phase EWMA of values in their order in time; centre = mean, sigma = mean moving range/d2 of the used ones.

    Left-out points (`used` False) and missing ones (nan) do not enter the average.
    Raises ComputeError for fewer than 2 used values, for no spread, and for a weight outside 0 < w <= 1.
    """
    x, mask = usable(values, used)
    sigma = moving_range(x[mask])
    frozen = frozen_ewma(float(np.mean(x[mask])), sigma, weight=weight, width=width, steady=steady)
    return apply(frozen, np.where(mask, x, np.nan), used=mask, notes=cautions(x[mask]))


def frozen_ewma(
    centre: float, sigma: Sigma, *, weight: float = WEIGHT, width: float = WIDTH, steady: bool = False
) -> Frozen:
    """EWMA limits from a centre and a sigma of the single plotted value. Raises ComputeError for no spread."""
    _check_weight(weight)
    if not sigma.value > 0:
        raise ComputeError(
            "The values have no spread, so limits cannot be set.", "Check the resolution of the gauge."
        )
    return Frozen(
        kind="ewma",
        centre=centre,
        sigma=sigma.value,
        estimator=sigma.estimator,
        n=sigma.n,
        k=sigma.k,
        df=sigma.df,
        weight=weight,
        ewma_width=width,
        steady=steady,
    )


def apply(
    frozen: Frozen, values: ArrayLike, *, used: ArrayLike | None = None, notes: tuple[str, ...] = ()
) -> Chart:
    """Second-phase EWMA chart of new values under frozen limits; the average starts at the frozen centre."""
    x = plotted(values)
    mask = marks(used, x.shape)
    method = f"EWMA weight {frozen.weight:g}, limits {frozen.ewma_width:g} sigma, sigma by {frozen.estimator}"
    return Chart("ewma", (ewma_track(frozen, x),), mask, method, notes, frozen)


def ewma_track(frozen: Frozen, values: FloatArray, restarts: Sequence[int] = ()) -> Track:
    """The EWMA of one row of values with its limits, from the centre, sigma, weight and width of `frozen`.

    `restarts`: indices of points at which it begins anew.
    """
    _check_weight(frozen.weight)
    cuts = sorted(place for place in set(restarts) if 0 < place < values.size)
    parts = [ewma_values(part, np.asarray(frozen.centre), frozen.weight) for part in np.split(values, cuts)]
    z, steps = (np.concatenate(rows) for rows in zip(*parts, strict=True))
    sigma = frozen.sigma * ewma_spread(steps, frozen.weight, steady=frozen.steady)
    half = frozen.ewma_width * sigma
    centre = np.full(values.shape, frozen.centre)
    return Track("EWMA", z, centre, centre - half, centre + half, sigma, run_rules=False)


def ewma_values(values: FloatArray, start: FloatArray, weight: float) -> tuple[FloatArray, FloatArray]:
    """EWMA along the last axis of (..., k) values from `start` (...); nan where a value is missing.

    Also the number of values taken in up to each point, of the same shape.
    """
    steps = np.cumsum(np.isfinite(values), axis=-1).astype(np.float64)
    if values.ndim == 1:
        return np.asarray(_one_row(values.tolist(), float(start), weight)), steps
    z = np.full(values.shape, np.nan)
    last = np.array(np.broadcast_to(start, values.shape[:-1]), dtype=np.float64)
    for point in range(values.shape[-1]):
        x = values[..., point]
        here = np.isfinite(x)
        last = np.where(here, weight * x + (1.0 - weight) * last, last)
        z[..., point] = np.where(here, last, np.nan)
    return z, steps


def ewma_spread(steps: FloatArray, weight: float, *, steady: bool = False) -> FloatArray:
    """Standard deviation of z after `steps` values, in units of the sigma of a value."""
    settled = math.sqrt(weight / (2.0 - weight))
    if steady:
        return np.full(steps.shape, settled)
    return np.asarray(settled * np.sqrt(1.0 - (1.0 - weight) ** (2.0 * steps)))


def _one_row(values: list[float], start: float, weight: float) -> list[float]:
    last, row = start, []
    for x in values:
        if math.isfinite(x):
            last = weight * x + (1.0 - weight) * last
            row.append(last)
        else:
            row.append(math.nan)
    return row


def _check_weight(weight: float) -> None:
    if not 0.0 < weight <= 1.0:
        raise ComputeError(
            f"The EWMA weight must lie above 0 and not above 1, got {weight}.", "Usual is 0.1 to 0.3."
        )
