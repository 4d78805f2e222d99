"""Whether a lot stayed inside the ranges that its recipe revision was qualified for."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from qualrec.errors import UsageError
from qualrec.judge import kinds
from qualrec.judge.facts import LotFacts
from qualrec.judge.kinds import make_finding
from qualrec.values import Finding, ReadingRow, RecipeRevision, Segment, Window
from qualrec.weld.energy import EnergyBudget, energy_budget
from qualrec.weld.settings import SETTINGS, find_process
from qualrec.weld.units import convert, same_quantity

AREAL, LINE = "J/mm²", "J/mm"
_SLACK = 1e-9
"""Relative slack, so that rounding of a computed energy does not put it beyond a limit it lies on."""


@dataclass(frozen=True, slots=True)
class JointEnergy:
    """Energy of one segment: the budget from recipe settings and the measured mean transmission of the upper
    moulding lot. `note` says why there is none."""

    segment: int
    moulding_lot: str
    transmission_pct: float | None
    transmission_n: int
    budget: EnergyBudget | None
    note: str


@dataclass(frozen=True, slots=True)
class _Measured:
    value: float
    unit: str
    how: str


def joint_energies(facts: LotFacts) -> tuple[JointEnergy, ...]:
    """Joint energy of each segment with a recipe."""
    found = []
    for segment in facts.lot.segments:
        if segment.recipe is None:
            continue
        number = "" if segment.upper is None else segment.upper.number
        mean, n = _transmission(facts, segment)
        if math.isnan(mean):
            note = (
                f"No transmission reading of moulding lot {number}." if number else "No upper moulding lot."
            )
            found.append(JointEnergy(segment.position, number, None, 0, None, note))
            continue
        try:
            budget = energy_budget(segment.recipe.process, settings_of(segment.recipe), mean)
        except UsageError as error:
            found.append(JointEnergy(segment.position, number, mean, n, None, error.message))
        else:
            found.append(JointEnergy(segment.position, number, mean, n, budget, ""))
    return tuple(found)


def settings_of(recipe: RecipeRevision) -> Mapping[str, float]:
    """The settings by name in the units that the energy formulas need; an unknown one keeps its value."""
    known = {s.name: s.unit for s in SETTINGS[find_process(recipe.process)]}
    return {
        s.name: convert(s.value, s.unit, known[s.name])
        if s.unit and s.unit != known.get(s.name, s.unit)
        else s.value
        for s in recipe.settings
    }


def window_findings(facts: LotFacts) -> tuple[Finding, ...]:
    """Findings for each segment and qualified range that the segment lies outside of."""
    energies = {e.segment: e for e in joint_energies(facts)}
    found = []
    for segment in facts.lot.segments:
        for window in segment.recipe.windows if segment.recipe is not None else ():
            measured = _measured(facts, segment, window, energies.get(segment.position))
            side = 0 if measured is None else outside(measured.value, window.low, window.high)
            if measured is None or side == 0:
                continue
            found.append(_finding(facts, segment, window, measured, side))
    return tuple(found)


def _finding(facts: LotFacts, segment: Segment, window: Window, measured: _Measured, side: int) -> Finding:
    assert segment.recipe is not None
    limit, word = (window.low, "below") if side < 0 else (window.high, "above")
    named = f"{segment.recipe.code} revision {segment.recipe.revision}"
    moulding = "" if segment.upper is None else segment.upper.number
    return make_finding(
        kinds.OUTSIDE_WINDOW,
        f"segment {segment.position}, {window.quantity} {word}, {moulding}",
        f"Segment {segment.position}: {window.quantity} {measured.value:.4g} {measured.unit} is {word} "
        f"{limit:g} {window.unit}, the end of the range that {named} was qualified for ({measured.how}).",
        {
            "quantity": window.quantity,
            "value": measured.value,
            "unit": window.unit,
            "low": window.low,
            "high": window.high,
            "recipe": named,
            "moulding lot": moulding,
            "working": measured.how,
        },
        lot_id=facts.lot.id,
        moulding_lot_id=None if segment.upper is None else segment.upper.id,
        at_us=segment.from_us,
    )


def outside(value: float, low: float | None, high: float | None) -> int:
    """-1 below `low`, +1 above `high`, 0 between them or on one; None and nan are no limit."""
    if low is not None and value < low - _SLACK * abs(low):
        return -1
    if high is not None and value > high + _SLACK * abs(high):
        return 1
    return 0


def uncertainty_of_mean(sd: float, n: int, expanded: float | None) -> float:
    """Standard uncertainty of a mean of n readings: sqrt(s²/n + (U/2)²), U the expanded uncertainty (k = 2) of the gauge.

    In the unit of the readings; nan for n < 2, where no spread is known. The gauge's part does not shrink with n.
    """
    return math.sqrt(sd**2 / n + (0.0 if expanded is None else expanded / 2.0) ** 2) if n > 1 else math.nan


def _measured(
    facts: LotFacts, segment: Segment, window: Window, energy: JointEnergy | None
) -> _Measured | None:
    if window.quantity == "joint energy":
        return _joint_energy(window, energy)
    if window.quantity == "transmission":
        mean, n = _transmission(facts, segment)
        return None if math.isnan(mean) else _Measured(mean, "%", f"mean of {n} readings")
    if window.quantity == "collapse":
        rows = [r for r in facts.readings if r.key.subject_id == segment.id and _is(facts, r, "collapse")]
        mean, n = _mean(rows)
        held = next(
            (
                facts.summaries[r.key.characteristic_id]
                for r in rows
                if r.key.characteristic_id in facts.summaries
            ),
            None,
        )
        if held is not None:
            mean, n = held.mean, held.n
        return None if math.isnan(mean) else _Measured(mean, window.unit, f"mean of {n} readings")
    if window.quantity == "clamp force" and segment.recipe is not None:
        force = settings_of(segment.recipe).get("clamp_force")
        if force is not None:
            return _Measured(convert(force, "N", window.unit or "N"), window.unit or "N", "recipe setting")
    return None


def _joint_energy(window: Window, energy: JointEnergy | None) -> _Measured | None:
    if energy is None or energy.budget is None:
        return None
    name, unit = ("line_joint", LINE) if same_quantity(window.unit, LINE) else ("areal_joint", AREAL)
    figure = energy.budget.get(name)
    if figure is None or not same_quantity(window.unit, unit):
        return None
    how = (
        f"{figure.working}; transmission {energy.transmission_pct:.4g} % of {energy.transmission_n} readings"
    )
    return _Measured(convert(figure.value, unit, window.unit), window.unit, how)


def _transmission(facts: LotFacts, segment: Segment) -> tuple[float, int]:
    """Mean transmission in % and its n over all cavities of the upper moulding lot of a segment."""
    if segment.upper is None:
        return math.nan, 0
    rows = [
        r
        for m in facts.moulding
        if m.lot.id == segment.upper.id
        for r in m.readings
        if _is(facts, r, "transmission")
    ]
    return _mean(rows)


def _is(facts: LotFacts, reading: ReadingRow, quantity: str) -> bool:
    characteristic = facts.spec(reading)
    return characteristic is not None and characteristic.quantity == quantity


def _mean(rows: list[ReadingRow]) -> tuple[float, int]:
    values = [r.value for r in rows if r.value is not None and not r.void]
    return (math.fsum(values) / len(values), len(values)) if values else (math.nan, 0)
