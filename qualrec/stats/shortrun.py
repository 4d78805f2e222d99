"""Short runs: several part numbers on one chart.

    deviation     y = x - target of the part; an individuals chart of y, for parts whose scatter is alike
    standardised  z = (x - target) sqrt(n)/sigma of the part, limits -+ L; for parts whose scatter differs, with the
                  sigma of each part known from its own history

Source: ISO 7870-8:2017 for the two kinds (scope read, formulas from memory).
"""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from qualrec.errors import ComputeError
from qualrec.stats.charts import apply_frozen, individuals
from qualrec.stats.results import Chart, FloatArray, Frozen
from qualrec.stats.usable import present

ALIKE = 0.01
"""Below this p-value of Bartlett's test the parts are said to scatter differently."""


def deviation_chart(
    values: ArrayLike,
    targets: ArrayLike,
    *,
    parts: Sequence[Hashable] | None = None,
    used: ArrayLike | None = None,
    width: float = 3.0,
    estimator: str = "moving range",
) -> Chart:
    """First-phase individuals chart of the deviations from target (one target for all points, or one each).

    With `parts` (one name a point) the scatter of the parts is compared and a remark says where it differs.
    Raises ComputeError as `charts.individuals`, and for a missing target of a point.
    """
    y = _deviations(values, targets)
    chart = individuals(y, used=used, width=width, estimator=estimator)
    notes = (
        chart.notes if parts is None else (*chart.notes, *_unlike(y[chart.used], _chosen(parts, chart.used)))
    )
    return replace(chart, method=f"deviations from target: {chart.method}", notes=notes)


def apply_deviation(frozen: Frozen, values: ArrayLike, targets: ArrayLike) -> Chart:
    """Second-phase chart of deviations from target under the frozen limits of a deviation chart."""
    chart = apply_frozen(frozen, _deviations(values, targets))
    return replace(chart, method=f"deviations from target: {chart.method}")


def standardised_chart(
    values: ArrayLike, targets: ArrayLike, sigmas: ArrayLike, *, sizes: ArrayLike = 1.0, width: float = 3.0
) -> Chart:
    """Chart of standardised values (or means of `sizes` values) under known target and sigma of each point's part.

    Raises ComputeError for a missing target and for a sigma or a size that is not above 0.
    """
    y = _deviations(values, targets)
    sigma, size = present(sigmas, "sigmas", y.shape), present(sizes, "sizes", y.shape)
    bad = ~(sigma > 0) | ~(size > 0)
    if np.any(bad & ~np.isnan(y)):
        first = int(np.flatnonzero(bad & ~np.isnan(y))[0]) + 1
        raise ComputeError(
            f"Point {first} has no sigma or size above 0.", "Give the sigma of its part number."
        )
    frozen = Frozen("individuals", 0.0, 1.0, "the sigma of each part", width=width)
    chart = apply_frozen(frozen, y * np.sqrt(size) / sigma)
    return replace(chart, method=f"standardised: {chart.method}")


def _deviations(values: ArrayLike, targets: ArrayLike) -> FloatArray:
    x = np.asarray(values, dtype=np.float64)
    target = present(targets, "targets", x.shape)
    if np.any(np.isnan(target) & ~np.isnan(x)):
        first = int(np.flatnonzero(np.isnan(target) & ~np.isnan(x))[0]) + 1
        raise ComputeError(f"Point {first} has no target.", "Give the target of its part number.")
    return x - target


def _chosen(parts: Sequence[Hashable], used: NDArray[np.bool_]) -> list[Hashable]:
    if len(parts) != used.size:
        raise ComputeError(
            f"{len(parts)} part names for {used.size} points.", "Give one part name for every point."
        )
    return [part for part, mark in zip(parts, used.tolist(), strict=True) if mark]


def _unlike(y: FloatArray, parts: list[Hashable]) -> tuple[str, ...]:
    """Bartlett's test over the parts with at least 2 values (NIST e-Handbook 1.3.5.7)."""
    from scipy import special

    groups = [y[[i for i, name in enumerate(parts) if name == part]] for part in dict.fromkeys(parts)]
    groups = [group for group in groups if group.size > 1]
    variances = [float(group.var(ddof=1)) for group in groups]
    if len(groups) < 2 or 0.0 in variances:
        return ()
    df = np.array([group.size - 1.0 for group in groups])
    total, k = float(df.sum()), len(groups)
    common = float(np.dot(df, variances)) / total
    spread = total * math.log(common) - float(np.dot(df, np.log(variances)))
    spread /= 1.0 + (float(np.sum(1.0 / df)) - 1.0 / total) / (3.0 * (k - 1))
    chance = float(special.chdtrc(k - 1, spread))
    if chance >= ALIKE:
        return ()
    return (
        f"The parts scatter differently (Bartlett p = {chance:.2g}): standardise by the sigma of each part.",
    )
