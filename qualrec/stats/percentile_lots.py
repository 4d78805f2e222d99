"""Indices by percentiles whose values come in lots: the bootstrap bound lowered by what the lots cost.

The bootstrap of `distributions` takes values as independent. For the normal shape both bounds of Ppk are known: from
the lots and as if independent. A bound by percentiles is lowered in their ratio, or by their difference where one of
them or the bound is not positive; it is never raised. Exact for the normal shape, a judgement for others;
tests/benchmarks/coverage_shapes.py prints what it covers for skewed values in lots.
"""

from __future__ import annotations

from dataclasses import replace

from qualrec.stats.capability import Capability
from qualrec.stats.distributions import PercentileCapability
from qualrec.stats.results import Bound, Index


def with_lots(found: PercentileCapability, lots: Capability) -> PercentileCapability:
    """The same indices with the number of lots and bounds that respect them; unchanged but for k with one lot.

    `lots`: capability by the normal shape of the same values, or of all values where `found` is of a sample.
    """
    return replace(
        found,
        indices=tuple(_lowered(index, lots) for index in found.indices),
        notes=tuple(
            note.replace("; values taken as independent", "; bounds respect the lots") for note in found.notes
        )
        if lots.bound_lots is not None
        else found.notes,
    )


def _lowered(index: Index, lots: Capability) -> Index:
    own, free = lots.bound_lots, lots.bound_independent.value
    bound = index.bound
    if own is None:
        return replace(index, k=lots.k)
    value, method = bound.value, bound.method.replace(", independent values", "")
    if own.value >= free:
        method += f"; the {lots.k} lots do not lower it"
    elif min(own.value, free, value) > 0:
        value *= own.value / free
        method += f"; times {own.value / free:.3f}, as the {lots.k} lots lower the normal bound"
    else:
        value -= free - own.value
        method += f"; less {free - own.value:.3f}, as the {lots.k} lots lower the normal bound"
    return replace(index, k=lots.k, bound=Bound(value, bound.level, bound.side, method))
