"""Weld factor of a strength: mean of the welds over the mean of unwelded specimens of the same test, with its interval.

Specimens are taken at least 8 h after welding, at least 6 welded and 6 unwelded (DVS 2203-2:2010, title page). A pull that
ended in parent material understates the weld, so the factor is at least that.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from qualrec.assess.loading import Choice, Conn
from qualrec.assess.strength import outcomes
from qualrec.errors import ComputeError
from qualrec.records import lookups
from qualrec.records.lookups.specimens import ParentSet, parent_sets, rest_of_pulls
from qualrec.values import Characteristic, Part, Values
from qualrec.weld.trade_rules import find_rule

if TYPE_CHECKING:
    from qualrec.stats.strength import WeldFactor

LEAST_SPECIMENS = 6
"""On each side: DVS 2203-2:2010, public copy of the title page."""


@dataclass(frozen=True, slots=True)
class WeldFactorReport:
    """The factor against one set of parent specimens. `factor` None: `sentence` says why. `remarks`: what does not hold."""

    label: str
    material: str
    tested_us: int
    factor: WeldFactor | None
    sentence: str
    remarks: tuple[str, ...]

    @property
    def sentences(self) -> tuple[str, ...]:
        return (self.sentence, *self.remarks)


def weld_factors(
    conn: Conn, part_number: str, c: Characteristic, choice: Choice, values: Values
) -> tuple[WeldFactorReport, ...]:
    """The factor against each set of parent specimens of the part's two materials, newest first; none without a set."""
    if not c.strength:
        return ()
    part = lookups.part(conn, part_number)
    sets = parent_sets(
        conn, characteristic_id=c.id, material_ids={part.upper.material_id, part.lower.material_id}
    )
    if not sets:
        return ()
    least = find_rule("rest_before_test").low or 8.0
    rest = rest_of_pulls(conn, c.id, least)
    shared = []
    if rest.early:
        shared.append(f"{rest.early} welds were pulled less than {least:g} h after welding.")
    if rest.unknown:
        shared.append(
            f"Of {rest.unknown} welds the hours since welding are not on record; {least:g} are asked."
        )
    return tuple(_report(part, c, choice, values, one, shared) for one in sets)


def _report(
    part: Part, c: Characteristic, choice: Choice, values: Values, parent: ParentSet, shared: Sequence[str]
) -> WeldFactorReport:
    from qualrec.stats.strength import weld_factor

    outcome = outcomes(values)
    known = outcome >= 0
    welds, failed = values.value[known], outcome[known] == 1
    remarks = list(shared)
    for side, n in (("welds", int(known.sum())), ("parent specimens", len(parent.values))):
        if n < LEAST_SPECIMENS:
            remarks.append(f"{n} {side}; at least {LEAST_SPECIMENS} on each side are asked.")
    if choice.condition_ids is not None and parent.condition_id not in choice.condition_ids:
        remarks.append(
            "The parent specimens were tested under other conditions than these welds: compare with care."
        )
    remarks += _expected(part, parent)
    head = f"Weld factor against {parent.label} ({parent.material})"
    try:
        found = weld_factor(welds, parent.values, failed)
    except ComputeError as error:
        return WeldFactorReport(
            parent.label, parent.material, parent.tested_us, None,
            f"{head}: none. {error.message} {error.remedy}".strip(), tuple(remarks),
        )  # fmt: skip
    low, high = found.interval.low, found.interval.high
    sentence = (
        f"{head}: {found.value:.2f}, 95 % {low:.2f} to {high:.2f} ({found.interval.method}); "
        f"{found.n_weld} welds {found.weld_mean:.{c.decimals}f} {c.unit}, {found.n_parent} unwelded "
        f"{found.parent_mean:.{c.decimals}f} {c.unit}."
    )
    return WeldFactorReport(
        parent.label, parent.material, parent.tested_us, found, sentence, (*found.notes, *remarks)
    )


def _expected(part: Part, parent: ParentSet) -> list[str]:
    """What to expect by the rule of the trade, for the component whose material the parent is."""
    side = part.upper if part.upper.material_id == parent.material_id else part.lower
    glass = side.filler_pct if "glass" in side.filler.casefold() else None
    rule = find_rule("weld_factor_gf30" if glass else "weld_factor_unfilled")
    return [f"Usual {rule.low:g} to {rule.high:g}: {rule.text} Source: {rule.source} ({rule.how_obtained})."]
