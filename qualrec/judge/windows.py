"""Whether a lot stayed inside the ranges that its recipe revision was qualified for."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

from qualrec.errors import UsageError
from qualrec.judge import kinds
from qualrec.judge.facts import LotFacts
from qualrec.judge.kinds import make_finding
from qualrec.values import Finding, ReadingRow, RecipeRevision, Segment, Window
from qualrec.weld.energy import EnergyBudget, Figure, energy_budget
from qualrec.weld.optics import PowerAdvice, power_for_joint_energy
from qualrec.weld.settings import SETTINGS, find_process
from qualrec.weld.units import convert, same_quantity, unit_shown

AREAL, LINE = "J/mm²", "J/mm"
_SLACK = 1e-9
"""Relative slack, so that rounding of a computed energy does not put it beyond a limit it lies on."""


@dataclass(frozen=True, slots=True)
class JointEnergy:
    """Energy of one segment: the budget from recipe settings and the measured mean transmission of the upper
    moulding lot. `note` says why there is none.

    `transmission_u`: standard uncertainty of the mean transmission in percentage points, None where it is not known; the
    joint figures of the budget carry theirs as `sd`. `others`: readings of the lot under other conditions, left out.
    `advice`: power that would bring the joint back to the middle of its window; only for people, never sent anywhere.
    """

    segment: int
    moulding_lot: str
    transmission_pct: float | None
    transmission_n: int
    budget: EnergyBudget | None
    note: str
    transmission_u: float | None = None
    others: int = 0
    advice: PowerAdvice | None = None


@dataclass(frozen=True, slots=True)
class _Measured:
    value: float
    unit: str
    how: str
    u: float | None = None


@dataclass(frozen=True, slots=True)
class _Light:
    """Transmission of an upper moulding lot in % under one group of conditions."""

    mean: float = math.nan
    n: int = 0
    u: float | None = None
    others: int = 0


def joint_energies(facts: LotFacts) -> tuple[JointEnergy, ...]:
    """Joint energy of each segment with a recipe."""
    found = []
    for segment in facts.lot.segments:
        if segment.recipe is None:
            continue
        number = "" if segment.upper is None else segment.upper.number
        light = _transmission(facts, segment)
        if light.n == 0:
            note = (
                f"No transmission reading of moulding lot {number}." if number else "No upper moulding lot."
            )
            found.append(JointEnergy(segment.position, number, None, 0, None, note))
            continue
        known = (segment.position, number, light.mean, light.n)
        try:
            budget = energy_budget(segment.recipe.process, settings_of(segment.recipe), light.mean, light.u)
        except UsageError as error:
            found.append(JointEnergy(*known, None, error.message, light.u, light.others))
        else:
            advice = power_advice(segment.recipe, budget)
            found.append(JointEnergy(*known, budget, "", light.u, light.others, advice))
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


def power_advice(recipe: RecipeRevision, budget: EnergyBudget) -> PowerAdvice | None:
    """Power that would bring the energy at the joint to the middle of the qualified window, clipped to the recipe's range.

    None where the energy lies inside the window, the window or the power range lacks an end, or no power of that kind
    could do it. P = P_set E_middle / E, the other settings held. Advice only: nothing here sets a laser.
    """
    window = next((w for w in recipe.windows if w.quantity == "joint energy"), None)
    power = next((s for s in recipe.settings if s.name == "power"), None)
    if window is None or power is None or None in (window.low, window.high, power.low, power.high):
        return None
    assert window.low is not None
    assert window.high is not None
    value, light = measured_in(window, budget, settings_of(recipe)), budget.transmission_pct
    if value is None or light is None or not outside(value, window.low, window.high):
        return None
    middle = 0.5 * (window.low + window.high)
    aim = light * middle / value
    if not 0.0 < aim <= 100.0:
        return None
    unit = power.unit or "W"
    low, high = (convert(v, unit, "W") for v in (power.low or 0.0, power.high or 0.0))
    found = power_for_joint_energy(
        convert(power.value, unit, "W"), aim, light, max_power_w=high, min_power_w=low
    )
    reached = middle * found.joint_energy_share
    text = (
        f"Advice only, nothing is sent to a machine: {found.wanted_power_w:.4g} W would bring "
        f"{middle:.3g} {unit_shown(window.unit)} to the joint, the middle of the qualified window."
    )
    if found.clipped:
        text += (
            f" The recipe allows {low:g} to {high:g} W: at {found.power_w:.4g} W it would be "
            f"{reached:.3g} {unit_shown(window.unit)}."
        )
    return replace(found, text=f"{text} Change power only through a recipe revision.")


def measured_in(window: Window, budget: EnergyBudget, settings: Mapping[str, float]) -> float | None:
    """What a budget and settings say of the quantity of a qualified window, in the window's unit; None: nothing."""
    if window.quantity == "transmission":
        return budget.transmission_pct
    if window.quantity == "joint energy":
        figure = _joint_figure(window, budget)
        return None if figure is None else convert(figure.value, figure.unit, window.unit)
    if window.quantity == "clamp force" and "clamp_force" in settings:
        return convert(settings["clamp_force"], "N", window.unit or "N")
    return None


def _joint_figure(window: Window, budget: EnergyBudget) -> Figure | None:
    name, unit = ("line_joint", LINE) if same_quantity(window.unit, LINE) else ("areal_joint", AREAL)
    return budget.get(name) if same_quantity(window.unit, unit) else None


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
            found.append(_finding(facts, segment, window, measured, side, energies.get(segment.position)))
    return tuple(found)


def _finding(
    facts: LotFacts,
    segment: Segment,
    window: Window,
    measured: _Measured,
    side: int,
    energy: JointEnergy | None,
) -> Finding:
    assert segment.recipe is not None
    limit, word = (window.low, "below") if side < 0 else (window.high, "above")
    assert limit is not None
    named = f"{segment.recipe.code} revision {segment.recipe.revision}"
    moulding = "" if segment.upper is None else segment.upper.number
    wide = "" if measured.u is None else f" ± {2.0 * measured.u:.2g}"
    doubt = ""
    if measured.u is not None and abs(measured.value - limit) < 2.0 * measured.u:
        doubt = "; the distance is within the uncertainty (k = 2)"
    figures: dict[str, float | int | str | None] = {
        "quantity": window.quantity,
        "value": measured.value,
        "unit": window.unit,
        "low": window.low,
        "high": window.high,
        "recipe": named,
        "moulding lot": moulding,
        "working": measured.how,
    }
    if measured.u is not None:
        figures["expanded uncertainty, k = 2"] = 2.0 * measured.u
    if window.quantity == "joint energy" and energy is not None and energy.advice is not None:
        figures["power"] = energy.advice.text
    return make_finding(
        kinds.OUTSIDE_WINDOW,
        f"segment {segment.position}, {window.quantity} {word}, {moulding}",
        f"Segment {segment.position}: {window.quantity} {measured.value:.4g}{wide} {unit_shown(measured.unit)} is {word} "
        f"{limit:g} {unit_shown(window.unit)}, the end of the range that {named} was qualified for ({measured.how}{doubt}).",
        figures,
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
        light = _transmission(facts, segment)
        return _Measured(light.mean, "%", f"mean of {light.n} readings", light.u) if light.n else None
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
    figure = _joint_figure(window, energy.budget)
    if figure is None:
        return None
    how = (
        f"{figure.working}; transmission {energy.transmission_pct:.4g} % of {energy.transmission_n} readings"
    )
    u = None if figure.sd is None else convert(figure.sd, figure.unit, window.unit)
    return _Measured(convert(figure.value, figure.unit, window.unit), window.unit, how, u)


def _transmission(facts: LotFacts, segment: Segment) -> _Light:
    """Mean transmission over all cavities of the upper moulding lot of a segment, under its most used group of conditions.

    Readings of another meter, wavelength or whatever the characteristic keeps apart are counted and left out.
    """
    if segment.upper is None:
        return _Light()
    groups: dict[tuple[object, ...], list[ReadingRow]] = {}
    for moulding in facts.moulding:
        for r in moulding.readings if moulding.lot.id == segment.upper.id else ():
            if r.value is not None and not r.void and _is(facts, r, "transmission"):
                groups.setdefault(_group(facts, r), []).append(r)
    if not groups:
        return _Light()
    rows = max(groups.values(), key=len)
    mean, n = _mean(rows)
    sd = math.sqrt(math.fsum((r.value - mean) ** 2 for r in rows if r.value is not None) / max(1, n - 1))
    known = [facts.gauges[r.condition_id].uncertainty for r in rows if r.condition_id in facts.gauges]
    u = uncertainty_of_mean(sd, n, max((v for v in known if v is not None), default=None))
    others = sum(map(len, groups.values())) - n
    return _Light(mean, n, None if math.isnan(u) else u, others)


def _group(facts: LotFacts, reading: ReadingRow) -> tuple[object, ...]:
    """What must be alike for readings to be pooled."""
    characteristic, condition = facts.spec(reading), facts.conditions.get(reading.condition_id)
    apart = () if characteristic is None else characteristic.separating
    held = tuple(getattr(condition, "gauge_id" if name == "gauge" else name, None) for name in apart)
    return (reading.key.characteristic_id, *held)


def _is(facts: LotFacts, reading: ReadingRow, quantity: str) -> bool:
    characteristic = facts.spec(reading)
    return characteristic is not None and characteristic.quantity == quantity


def _mean(rows: list[ReadingRow]) -> tuple[float, int]:
    values = [r.value for r in rows if r.value is not None and not r.void]
    return (math.fsum(values) / len(values), len(values)) if values else (math.nan, 0)
