"""What is known of the light and the materials at a joint: measured transmission, grades, thickness, wavelength."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from qualrec.assess.loading import Conn
from qualrec.errors import UsageError
from qualrec.records import lookups
from qualrec.records.lookups.own_tables import material_book
from qualrec.values import Component, Part, RecipeRevision
from qualrec.weld.books import MaterialBook
from qualrec.weld.optics import predict_transmission
from qualrec.weld.polymers import Grade, TypicalTransmission, find_polymer, typical_transmissions
from qualrec.weld.recipe_rules import JointParts


@dataclass(frozen=True, slots=True)
class LastTransmission:
    """Measured transmission of the newest upper moulding lot. `sd` None where it has one reading.

    Meter, wavelength and thickness are those of the readings; None or empty where they were not stated.
    """

    moulding_lot: str
    at_us: int
    n: int
    mean_pct: float
    sd: float | None
    gauge: str = ""
    wavelength_nm: float | None = None
    thickness_mm: float | None = None


@dataclass(frozen=True, slots=True)
class Light:
    """Transmission of the upper part of a joint as far as it is known, in %, with the words how."""

    transmission_pct: float | None
    known_from: str
    measured: LastTransmission | None
    estimate: bool


def last_transmission(conn: Conn, part_number: str) -> LastTransmission | None:
    """The newest upper moulding lot of a part with measured transmission, by its most used group of conditions."""
    found: LastTransmission | None = None
    codes = {
        c.id
        for c in lookups.characteristics(conn, part_number)
        if c.quantity == "transmission" and c.hangs_on == "moulding lot"
    }
    for groups in lookups.lot_series_many(conn, codes).values():
        if not groups:
            continue
        series = groups[0]
        for at in reversed(range(len(series))):
            if lookups.moulding_lot_by_id(conn, int(series.lot_ids[at])).component.side != "upper":
                continue
            if found is None or series.at_us[at] > found.at_us:
                sd = float(series.sd[at])
                held = lookups.condition(conn, series.condition_id)
                found = LastTransmission(
                    series.numbers[at],
                    int(series.at_us[at]),
                    int(series.n[at]),
                    float(series.mean[at]),
                    None if math.isnan(sd) else sd,
                    held.gauge,
                    held.wavelength_nm,
                    held.thickness_mm,
                )
            break
    return found


def grade_of(conn: Conn, component: Component, book: MaterialBook) -> Grade:
    """The grade of a component's material: its polymer, with melt range and surface energy of the material where stated.

    Raises UsageError where the polymer is in no table.
    """
    material = lookups.material(conn, component.material)
    polymer = find_polymer(material.polymer, book.polymers)
    own = {
        name: value
        for name, value in (
            ("process_low_c", material.melt_low_c),
            ("process_high_c", material.melt_high_c),
            ("surface_energy_mn_m", material.surface_energy_mn_m),
        )
        if value is not None
    }
    if own:
        polymer = replace(polymer, **own, source=f"material {material.code}; {polymer.source}")  # type: ignore[arg-type]
    glass = material.filler_pct if "glass" in material.filler.casefold() else None
    return Grade(polymer, glass or 0.0)


def light_of(conn: Conn, part: Part, upper: Grade) -> Light:
    """Measured transmission of a part's upper component, at its own thickness; else the typical span of its grade."""
    measured = last_transmission(conn, part.number)
    wall = part.upper.thickness_mm
    if measured is None:
        return _typical(upper, wall)
    words = f"(measured: moulding lot {measured.moulding_lot}, {measured.n} readings"
    if measured.wavelength_nm is not None:
        words += f", {measured.wavelength_nm:g} nm"
    at = measured.thickness_mm
    if at is None or wall is None or abs(at - wall) < 1e-9:
        return Light(measured.mean_pct, f"{words})", measured, estimate=False)
    try:
        scaled = predict_transmission(measured.mean_pct, at, wall)
    except UsageError:
        return Light(measured.mean_pct, f"{words}, at {at:g} mm)", measured, estimate=True)
    caution = "" if scaled.trusted else ", beyond 50 % of that thickness: scattering can make it wrong"
    told = f"{words}, {measured.mean_pct:.3g} % at {at:g} mm, worked out for {wall:g} mm{caution})"
    return Light(scaled.transmission_pct, told, measured, estimate=True)


def _typical(upper: Grade, wall: float | None) -> Light:
    rows = [
        row
        for row in typical_transmissions()
        if row.polymer == upper.polymer.family and row.glass_pct == upper.glass_pct
    ]
    if not rows or wall is None:
        return Light(None, "", None, estimate=False)
    near: TypicalTransmission = min(rows, key=lambda row: (abs(row.thickness_mm - wall), row.thickness_mm))
    words = (
        f"(not measured; typical {near.low_pct:g} to {near.high_pct:g} % at {near.thickness_mm:g} mm, "
        "from memory, never an acceptance limit)"
    )
    return Light(0.5 * (near.low_pct + near.high_pct), words, None, estimate=True)


def wavelength_of(recipe: RecipeRevision | None, light: Light) -> float | None:
    """Wavelength of the recipe in nm, else that of the transmission meter."""
    if recipe is not None:
        named = next((s.value for s in recipe.settings if s.name == "wavelength"), None)
        if named is not None:
            return named
    return None if light.measured is None else light.measured.wavelength_nm


def joint_parts(conn: Conn, part: Part) -> JointParts:
    """What rules of thumb need to know of a part; what is not on record is None."""
    try:
        upper: Grade | None = grade_of(conn, part.upper, material_book(conn))
    except UsageError:
        upper = None
    measured = last_transmission(conn, part.number)
    return JointParts(
        upper=upper,
        thickness_mm=part.upper.thickness_mm,
        transmission_pct=None if measured is None else measured.mean_pct,
        absorber_pct=part.lower.absorber_pct,
    )
