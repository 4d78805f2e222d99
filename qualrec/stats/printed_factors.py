"""Limits by rounded factors, as printed tables have them, in place of the full-precision ones.

Many published examples print limits from factors of 3 decimals (d2 1.128, A2 0.577); with these they can be redone to the
last digit. The product itself takes full precision everywhere.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from qualrec.errors import ComputeError
from qualrec.stats.constants import factors as exact_factors
from qualrec.stats.results import Chart, Track

PRINTED_DECIMALS = 3
NAMES = ("d2", "c4", "A2", "A3", "B3", "B4", "D3", "D4", "E2")
_SPREAD = {"individuals": ("d2", "D3", "D4"), "xbar_r": ("d2", "D3", "D4"), "xbar_s": ("c4", "B3", "B4")}
_LEVEL = {"individuals": "", "xbar_r": "A2", "xbar_s": "A3"}


def rounded_factors(n: int) -> dict[str, float]:
    """Factors of subgroups of n at 3 decimals; E2 is left to d2. Raises ComputeError for n < 2."""
    exact = exact_factors(n)
    return {name: round(float(getattr(exact, name)), PRINTED_DECIMALS) for name in NAMES if name != "E2"}


def with_factors(chart: Chart, n: int, factors: Mapping[str, float]) -> Chart:
    """The chart with its limits from other factors for subgroups of n (2 for moving ranges).

    Individuals: centre -+ 3 MRbar/d2 (or E2 MRbar where E2 is given), ranges D3 MRbar to D4 MRbar. Subgroups:
    centre -+ A2 Rbar or A3 sbar, spreads D3 Rbar to D4 Rbar or B3 sbar to B4 sbar. Limits at 3 sigma only.
    Factors not given are taken at full precision. Raises ComputeError for another kind of chart or another width.
    """
    frozen = chart.frozen
    if chart.kind not in _SPREAD or frozen is None:
        raise ComputeError(
            "Printed factors belong to charts of individuals, X-bar/R and X-bar/S.", "Take full precision."
        )
    if frozen.width != 3:
        raise ComputeError("Printed factors are for limits at 3 sigma.", "Take full precision, or 3 sigma.")
    exact = exact_factors(n)
    use = {name: factors.get(name, float(getattr(exact, name))) for name in NAMES}
    scale_name, low, high = _SPREAD[chart.kind]
    average = frozen.sigma * float(getattr(exact, scale_name))
    sigma = average / use[scale_name]
    if chart.kind == "individuals":
        half = use["E2"] * average if "E2" in factors else 3.0 * sigma
    elif _LEVEL[chart.kind] in factors or scale_name not in factors:
        half = use[_LEVEL[chart.kind]] * average
    else:
        half = 3.0 * sigma / n**0.5
    level, spread, *rest = chart.tracks
    root = 1.0 if chart.kind == "individuals" else n**0.5
    tracks = (
        _moved(level, frozen.centre, frozen.centre - half, frozen.centre + half, sigma / root),
        _moved(spread, average, use[low] * average, use[high] * average, float(spread.sigma[0])),
        *rest,
    )
    return replace(chart, tracks=tracks, frozen=replace(frozen, sigma=sigma))


def _moved(track: Track, centre: float, lower: float, upper: float, sigma: float) -> Track:
    shape = track.values.shape
    return replace(
        track,
        centre=np.full(shape, centre),
        lower=np.full(shape, lower),
        upper=np.full(shape, upper),
        sigma=np.full(shape, sigma),
    )
