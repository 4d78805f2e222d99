"""Charts p' and u': shares and rates whose scatter is larger (or smaller) than sampling alone gives.

    z_i = (p_i - pbar)/sigma_pi,  sigma_z = mean moving range of z / d2(2),  limits pbar -+ L sigma_pi sigma_z

With sigma_z = 1 these are the plain p and u charts. Large samples make plain limits too narrow whenever the rate
itself varies from lot to lot. Source: Laney, Quality Engineering 14(4), 2002 (from memory).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from qualrec.errors import ComputeError
from qualrec.stats.attributes import checked_counts, mean_rate, rate_sigma
from qualrec.stats.results import Chart, FloatArray, Frozen, Track
from qualrec.stats.spread import moving_range
from qualrec.stats.usable import marks

KINDS = {"p_prime": "p", "u_prime": "u"}


def p_prime_chart(
    defectives: ArrayLike, sizes: ArrayLike, *, used: ArrayLike | None = None, width: float = 3.0
) -> Chart:
    """First-phase p' chart of the share defective.

    Raises ComputeError for fewer than 2 used samples, a rate of 0 or 1, and standardised shares without spread.
    """
    return _first_phase("p_prime", defectives, sizes, used, width)


def u_prime_chart(
    defects: ArrayLike, exposures: ArrayLike, *, used: ArrayLike | None = None, width: float = 3.0
) -> Chart:
    """First-phase u' chart of defects per exposure. Raises as `p_prime_chart`."""
    return _first_phase("u_prime", defects, exposures, used, width)


def apply_prime(
    frozen: Frozen, counts: ArrayLike, sizes: ArrayLike, *, used: ArrayLike | None = None
) -> Chart:
    """Second-phase p' or u' chart; `frozen.sigma` is sigma_z."""
    kind = KINDS[frozen.kind]
    d, e = checked_counts(counts, sizes, of_size=kind == "p")
    mask = marks(used, d.shape)
    method = f"{frozen.kind[0]} chart with sampling limits times sigma_z = {frozen.sigma:.4g}, {frozen.width:g} sigma"
    return Chart(frozen.kind, (_track(frozen, d, e),), mask, method, (), frozen)


def _first_phase(
    kind: str, counts: ArrayLike, sizes: ArrayLike, used: ArrayLike | None, width: float
) -> Chart:
    rate, d, e, mask = mean_rate(counts, sizes, used, of_size=KINDS[kind] == "p")
    if rate == 0 or (kind == "p_prime" and rate == 1):
        raise ComputeError(
            f"The rate is {rate:g} in all used samples, so its scatter cannot be estimated.",
            "Use a chart of rare failures, or wait for more samples.",
        )
    z = (d / e - rate) / rate_sigma(KINDS[kind], rate, e)
    scatter = moving_range(z[mask])
    if not scatter.value > 0:
        raise ComputeError("The standardised rates have no spread.", "Check the counts.")
    frozen = Frozen(
        kind, rate, scatter.value, scatter.estimator, int(e[mask].sum()), scatter.k, scatter.df, width
    )
    chart = apply_prime(frozen, d, e, used=mask)
    notes: tuple[str, ...] = ()
    if scatter.value < 1:
        notes = (
            f"The rates scatter less than sampling gives (sigma_z = {scatter.value:.3g}): the limits are narrower.",
        )
    return Chart(chart.kind, chart.tracks, mask, chart.method, notes, frozen)


def _track(frozen: Frozen, d: FloatArray, e: FloatArray) -> Track:
    kind = KINDS[frozen.kind]
    sigma = rate_sigma(kind, frozen.centre, e) * frozen.sigma
    centre = np.where(np.isnan(e), np.nan, frozen.centre)
    top = 1.0 if kind == "p" else np.inf
    name = "share defective" if kind == "p" else "defects per unit"
    lower, upper = (
        np.maximum(centre - frozen.width * sigma, 0.0),
        np.minimum(centre + frozen.width * sigma, top),
    )
    return Track(name, d / e, centre, lower, upper, sigma)
