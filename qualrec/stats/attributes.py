"""Charts of counts: p, np, c, u, and the zero-tolerance count.

    p   defectives/size    centre pbar = sum d/sum n    sigma_i = sqrt(pbar (1 - pbar)/n_i)    limits within 0..1
    np  defectives         centre n_i pbar              sigma_i = sqrt(n_i pbar (1 - pbar))
    c   defects            centre cbar                  sigma   = sqrt(cbar)
    u   defects/exposure   centre ubar = sum c/sum e    sigma_i = sqrt(ubar/e_i)
    zero tolerance         centre 0, upper limit 0: any count above 0 is beyond

A lower limit below 0 is 0, and a point on a limit is not beyond it. Source: ISO 7870-2 and NIST e-Handbook 6.3.3
(from memory).
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from qualrec.errors import ComputeError
from qualrec.stats.results import Chart, FloatArray, Frozen, Track
from qualrec.stats.usable import marks, present, usable

KINDS = ("p", "np", "c", "u", "zero")


def p_chart(
    defectives: ArrayLike, sizes: ArrayLike, *, used: ArrayLike | None = None, width: float = 3.0
) -> Chart:
    """First-phase chart of the share defective of samples of those sizes (one for all or one each)."""
    return _first_phase("p", defectives, sizes, used, width)


def np_chart(
    defectives: ArrayLike, sizes: ArrayLike, *, used: ArrayLike | None = None, width: float = 3.0
) -> Chart:
    """First-phase chart of the number defective; with unequal sizes the centre follows the size."""
    return _first_phase("np", defectives, sizes, used, width)


def c_chart(defects: ArrayLike, *, used: ArrayLike | None = None, width: float = 3.0) -> Chart:
    """First-phase chart of defects in units of equal exposure."""
    return _first_phase("c", defects, 1.0, used, width)


def u_chart(
    defects: ArrayLike, exposures: ArrayLike, *, used: ArrayLike | None = None, width: float = 3.0
) -> Chart:
    """First-phase chart of defects per exposure (length, area, number of units)."""
    return _first_phase("u", defects, exposures, used, width)


def zero_tolerance(counts: ArrayLike) -> Chart:
    """Chart of a count of which none is accepted. It needs no limits from data."""
    return apply(Frozen("zero", 0.0, 0.0, "none accepted"), counts)


def apply(
    frozen: Frozen, counts: ArrayLike, sizes: ArrayLike = 1.0, *, used: ArrayLike | None = None
) -> Chart:
    """Second-phase chart of new counts under frozen limits of kind p, np, c, u or zero."""
    d, e = checked_counts(counts, sizes, of_size=frozen.kind in ("p", "np"))
    mask = marks(used, d.shape)
    track = _TRACKS[frozen.kind](frozen, d, e)
    method = _METHODS[frozen.kind]
    if frozen.kind != "zero":
        method = f"{method}, limits {frozen.width:g} sigma"
    return Chart(frozen.kind, (track,), mask, method, (), frozen)


def checked_counts(counts: ArrayLike, sizes: ArrayLike, *, of_size: bool) -> tuple[FloatArray, FloatArray]:
    """Counts and their sizes as rows; a missing count or a size of 0 makes both nan.

    Raises ComputeError for negative or infinite counts and sizes, and where `of_size` a count is above its size.
    """
    d = np.array(counts, dtype=np.float64)
    if d.ndim != 1:
        raise ComputeError(
            f"One row of counts is needed, got an array of shape {d.shape}.", "Give one column."
        )
    e = present(sizes, "sizes", d.shape)
    bad = np.isinf(d) | np.isinf(e) | (d < 0) | (e < 0)
    if np.any(bad):
        raise ComputeError(
            f"Point {int(np.flatnonzero(bad)[0]) + 1}: a count or a size is below 0 or infinite.",
            "Correct it.",
        )
    if of_size and np.any(d > e):
        raise ComputeError(
            f"Point {int(np.flatnonzero(d > e)[0]) + 1}: more defectives than the sample has parts.",
            "Correct the count or the sample size.",
        )
    gone = np.isnan(d) | np.isnan(e) | (e == 0)
    d[gone] = np.nan
    e[gone] = np.nan
    return d, e


def mean_rate(
    counts: ArrayLike, sizes: ArrayLike, used: ArrayLike | None, *, of_size: bool
) -> tuple[float, FloatArray, FloatArray, NDArray[np.bool_]]:
    """Sum of counts over sum of sizes of the used points, with the checked rows and the mask of use."""
    d, e = checked_counts(counts, sizes, of_size=of_size)
    _, mask = usable(d, used)
    return float(d[mask].sum() / e[mask].sum()), d, e, mask


def rate_sigma(kind: str, rate: float, sizes: FloatArray) -> FloatArray:
    """Sampling standard deviation of a share (kind p) or a rate (kind u) at each size."""
    variance = rate * (1.0 - rate) if kind == "p" else rate
    return np.asarray(np.sqrt(variance / sizes))


def _first_phase(
    kind: str, counts: ArrayLike, sizes: ArrayLike, used: ArrayLike | None, width: float
) -> Chart:
    rate, d, e, mask = mean_rate(counts, sizes, used, of_size=kind in ("p", "np"))
    frozen = Frozen(
        kind,
        rate,
        estimator="binomial" if kind in ("p", "np") else "Poisson",
        n=int(e[mask].sum()),
        k=int(mask.sum()),
        width=width,
    )
    chart = apply(frozen, d, e, used=mask)
    notes = (
        ("Nothing was found in the used points: every later find lies beyond the limit.",)
        if rate == 0
        else ()
    )
    return Chart(chart.kind, chart.tracks, mask, chart.method, notes, frozen)


def _share(frozen: Frozen, d: FloatArray, e: FloatArray) -> Track:
    sigma = rate_sigma(frozen.kind, frozen.centre, e)
    top = 1.0 if frozen.kind == "p" else np.inf
    name = "share defective" if frozen.kind == "p" else "defects per unit"
    return _track(name, d / e, np.where(np.isnan(e), np.nan, frozen.centre), sigma, frozen.width, top)


def _number(frozen: Frozen, d: FloatArray, e: FloatArray) -> Track:
    share = frozen.centre
    return _track("defectives", d, e * share, np.sqrt(e * share * (1.0 - share)), frozen.width, e)


def _defects(frozen: Frozen, d: FloatArray, e: FloatArray) -> Track:
    centre = np.full(d.shape, frozen.centre)
    return _track("defects", d, centre, np.sqrt(centre), frozen.width, np.inf)


def _zero(frozen: Frozen, d: FloatArray, e: FloatArray) -> Track:
    zero = np.zeros(d.shape)
    return Track("count", d, zero, np.full(d.shape, np.nan), zero, zero, run_rules=False)


def _track(
    name: str,
    values: FloatArray,
    centre: FloatArray,
    sigma: FloatArray,
    width: float,
    top: float | FloatArray,
) -> Track:
    lower = np.maximum(centre - width * sigma, 0.0)
    return Track(name, values, centre, lower, np.minimum(centre + width * sigma, top), sigma)


_TRACKS: dict[str, Callable[[Frozen, FloatArray, FloatArray], Track]] = {
    "p": _share,
    "np": _number,
    "c": _defects,
    "u": _share,
    "zero": _zero,
}
_METHODS = {
    "p": "share defective, binomial",
    "np": "number defective, binomial",
    "c": "defects, Poisson",
    "u": "defects per exposure, Poisson",
    "zero": "count of which none is accepted",
}
