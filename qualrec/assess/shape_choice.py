"""The shape of the single values and, where it is not normal, the index by percentiles with its bound."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from qualrec.errors import ComputeError
from qualrec.judge.evidence import SHAPE_ALPHA, IndexStanding, ShapeStanding
from qualrec.values import Characteristic, Values

if TYPE_CHECKING:
    from qualrec.stats.capability import Capability
    from qualrec.stats.distributions import PercentileCapability
    from qualrec.stats.normality import Normality

LEAST_FOR_SHAPE = 25
"""Fewest values for a word on shape (common practice, no source)."""
SHAPES_TRIED = ("normal", "lognormal", "weibull", "gamma", "smallest extreme value")


@dataclass(frozen=True, slots=True)
class ShapeReport:
    """`normality` of the values; `percentiles`, with bounds that respect the lots, where they are not normal; `index` the
    one to judge then, else None."""

    standing: ShapeStanding
    normality: Normality | None
    percentiles: PercentileCapability | None
    index: IndexStanding | None


def shape_report(c: Characteristic, values: Values, found: Capability, samples: int) -> ShapeReport:
    """Normal where Anderson-Darling does not contradict it, else the best of five shapes.

    Beyond 1,000 values the distance from the shape stands in place of p.
    """
    from qualrec.stats.distributions import percentile_capability
    from qualrec.stats.normality import normality
    from qualrec.stats.percentile_lots import with_lots

    x = values.value
    if x.size < LEAST_FOR_SHAPE:
        note = f"{x.size} values; {LEAST_FOR_SHAPE} are needed for a word on shape."
        return ShapeReport(ShapeStanding(note=note), None, None, None)
    try:
        normal = normality(x)
    except ComputeError as error:
        return ShapeReport(ShapeStanding(note=error.message), None, None, None)
    if normal.p_anderson is not None and normal.p_anderson >= SHAPE_ALPHA:
        standing = ShapeStanding("normal", normal.n, normal.p_anderson, normal.p_anderson)
        return ShapeReport(standing, normal, None, None)
    try:
        better = with_lots(percentile_capability(x, c.lsl, c.usl, names=SHAPES_TRIED, samples=samples), found)
    except ComputeError as error:
        standing = ShapeStanding(
            "normal", normal.n, _p(normal.p_anderson), _p(normal.p_anderson), error.message
        )
        return ShapeReport(standing, normal, None, None)
    note = "The normal shape is contradicted." if normal.p_anderson is not None else ""
    p = math.nan if better.p_anderson is None else max(better.p_anderson, 1.0 / better.samples)
    standing = ShapeStanding(better.fit.name, normal.n, p, _p(normal.p_anderson), note, better.fit.distance)
    index = None if better.fit.name == "normal" else _index(better)
    return ShapeReport(standing, normal, better, index)


def _p(value: float | None) -> float:
    return math.nan if value is None else value


def _index(better: PercentileCapability) -> IndexStanding:
    ppk = next(i for i in better.indices if i.name == "Ppk")
    return IndexStanding(
        "Ppk", ppk.value, ppk.bound.value, f"{better.fit.name} shape by percentiles; {ppk.bound.method}"
    )
