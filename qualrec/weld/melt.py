"""Melt budget: how much joint energy can melt, how far heat spreads, how hot a surface gets. Estimates only."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from types import MappingProxyType
from typing import TYPE_CHECKING

from qualrec.errors import UsageError
from qualrec.weld.polymers import find_grade
from qualrec.weld.tables import load_table, number_or_none

if TYPE_CHECKING:
    from collections.abc import Mapping

    from qualrec.weld.energy import ArealEnergy

ROOM_C = 23.0

GLASS_CP_J_KGK = 800.0
"""Specific heat of glass fibre (from memory)."""

GLASS_DENSITY_KG_M3 = 2550.0
"""Density of E-glass (from memory; 2540 to 2600)."""


@dataclass(frozen=True, slots=True)
class MeltData:
    """Thermal data of one polymer for melt estimates.

    `target_c` is the melting temperature, or a flow temperature where `melt_enthalpy_kj_kg` is 0.
    The decomposition onset is a guide for fast heating in nitrogen; None where the table has no upper end.
    """

    polymer: str
    density_kg_m3: float
    cp_mean_j_kgk: float
    target_c: float
    melt_enthalpy_kj_kg: float
    conductivity_w_mk: float
    decomposition_low_c: float
    decomposition_high_c: float | None
    source: str
    how_obtained: str

    @property
    def diffusivity_mm2_s(self) -> float:
        """k / (rho cp) in mm²/s."""
        return 1e6 * self.conductivity_w_mk / (self.density_kg_m3 * self.cp_mean_j_kgk)

    @property
    def effusivity(self) -> float:
        """sqrt(k rho cp) in W s^0.5/(m² K)."""
        return math.sqrt(self.conductivity_w_mk * self.density_kg_m3 * self.cp_mean_j_kgk)

    def melt_energy(self, start_c: float = ROOM_C) -> float:
        """Energy to heat and melt a unit volume in J/mm³: rho (cp (T_target - T0) + dH)."""
        return melt_energy(
            self.density_kg_m3, self.cp_mean_j_kgk, self.target_c, self.melt_enthalpy_kj_kg, start_c
        )


def melt_energy(
    density_kg_m3: float, cp_j_kgk: float, target_c: float, enthalpy_kj_kg: float, start_c: float = ROOM_C
) -> float:
    """e = rho (cp (T_target - T0) + dH) in J/mm³.

    Raises UsageError for a density or specific heat not above 0, a negative enthalpy, or a start that is
    not below the target.
    """
    if not (density_kg_m3 > 0.0 and cp_j_kgk > 0.0 and enthalpy_kj_kg >= 0.0):
        raise UsageError(
            "Density and specific heat must be above 0, enthalpy at least 0.", "Check the material data."
        )
    if not start_c < target_c:
        raise UsageError(
            f"Start temperature {start_c:g} °C is not below the target {target_c:g} °C.",
            "Check both temperatures.",
        )
    return density_kg_m3 * (cp_j_kgk * (target_c - start_c) + 1000.0 * enthalpy_kj_kg) * 1e-9


@cache
def melt_table() -> Mapping[str, MeltData]:
    """The packaged data of unfilled polymers by abbreviation."""
    return MappingProxyType({row["polymer"]: _melt_data(row) for row in load_table("melt_budget")})


def _melt_data(row: Mapping[str, str]) -> MeltData:
    return MeltData(
        polymer=row["polymer"],
        density_kg_m3=float(row["density_kg_m3"]),
        cp_mean_j_kgk=float(row["cp_mean_j_kgk"]),
        target_c=float(row["target_c"]),
        melt_enthalpy_kj_kg=float(row["melt_enthalpy_kj_kg"]),
        conductivity_w_mk=float(row["conductivity_w_mk"]),
        decomposition_low_c=float(row["decomposition_low_c"]),
        decomposition_high_c=number_or_none(row["decomposition_high_c"]),
        source=row["source"],
        how_obtained=row["how_obtained"],
    )


def melt_data(grade: str) -> MeltData:
    """Data of a grade such as 'PA6' or 'PA6-GF30'.

    Glass-filled: enthalpy by the resin mass share, cp by mass, density by volume additivity
    1/rho = w/rho_glass + (1 - w)/rho_resin. The conductivity stays that of the resin, which is low for a filled part.
    Raises UsageError where the polymer has no melt data.
    """
    wanted = find_grade(grade)
    found = melt_table().get(wanted.polymer.abbreviation)
    if found is None:
        raise UsageError(
            f"No melt data for {wanted.polymer.abbreviation}.",
            f"Polymers with melt data: {', '.join(melt_table())}.",
        )
    if not wanted.glass_pct:
        return found
    glass = wanted.glass_pct / 100.0
    resin = 1.0 - glass
    return MeltData(
        polymer=wanted.name,
        density_kg_m3=1.0 / (glass / GLASS_DENSITY_KG_M3 + resin / found.density_kg_m3),
        cp_mean_j_kgk=glass * GLASS_CP_J_KGK + resin * found.cp_mean_j_kgk,
        target_c=found.target_c,
        melt_enthalpy_kj_kg=resin * found.melt_enthalpy_kj_kg,
        conductivity_w_mk=found.conductivity_w_mk,
        decomposition_low_c=found.decomposition_low_c,
        decomposition_high_c=found.decomposition_high_c,
        source=f"{found.source}; glass mixed in by mass, glass values from memory",
        how_obtained=found.how_obtained,
    )


def diffusion_length_mm(diffusivity_mm2_s: float, time_s: float) -> float:
    """sqrt(4 alpha t) in mm. Raises UsageError for a diffusivity not above 0 or a negative time."""
    if not (diffusivity_mm2_s > 0.0 and time_s >= 0.0):
        raise UsageError("Diffusivity must be above 0 and time at least 0.", "Check both values.")
    return math.sqrt(4.0 * diffusivity_mm2_s * time_s)


def surface_temperature_rise(
    flux_w_mm2: float, time_s: float, effusivity_upper: float, effusivity_lower: float
) -> float:
    """Rise in K of a joint heated by a constant flux that both parts share: 2 q sqrt(t/pi)/(e1 + e2).

    Flux in W/mm², effusivities in W s^0.5/(m² K), both parts thick against the diffusion length
    (Carslaw and Jaeger, Conduction of Heat in Solids). The flux is taken up in the surface itself;
    a lower part that absorbs over a depth stays cooler.
    """
    if not (flux_w_mm2 >= 0.0 and time_s >= 0.0 and effusivity_upper > 0.0 and effusivity_lower > 0.0):
        raise UsageError("Flux and time must be at least 0, effusivities above 0.", "Check the values.")
    return 2e6 * flux_w_mm2 * math.sqrt(time_s / math.pi) / (effusivity_upper + effusivity_lower)


@dataclass(frozen=True, slots=True)
class MeltEstimate:
    """What the joint energy can melt. An estimate: `remarks` states how far it may be trusted."""

    melt_energy_j_mm3: float
    s_max_mm: float
    """Largest melted thickness, both parts and squeezed-out melt together."""
    diffusion_length_mm: float | None
    remarks: tuple[str, ...]
    source: str
    how_obtained: str


def melt_estimate(
    areal_joint: ArealEnergy,
    upper: str,
    lower: str,
    *,
    heating_time_s: float | None = None,
    start_c: float = ROOM_C,
) -> MeltEstimate:
    """s_max = E / e, with the joint energy E and the smaller melt energy e of the two grades.

    `heating_time_s` is the dwell time of the spot for contour welding, else the laser time; it decides how
    fair the estimate without heat loss is.
    """
    data = [melt_data(upper), melt_data(lower)]
    lowest = min(data, key=lambda item: item.melt_energy(start_c))
    energy = lowest.melt_energy(start_c)
    s_max = areal_joint.value / energy
    remarks = ["Estimate: no heat loss, all joint energy melts. The real melt layer is thinner."]
    length = None
    if heating_time_s is not None:
        length = diffusion_length_mm(max(item.diffusivity_mm2_s for item in data), heating_time_s)
        if length > s_max:
            remarks.append(
                f"Heat spreads {length:.2f} mm in {heating_time_s:g} s, further than s_max {s_max:.2f} mm: "
                "take s_max as an index of energy only."
            )
        else:
            remarks.append(
                f"Heat spreads {length:.2f} mm in {heating_time_s:g} s, less than s_max {s_max:.2f} mm: "
                "s_max is fair as an upper bound."
            )
    if upper != lower:
        remarks.append(f"Two materials: the one that melts more easily counts ({lowest.polymer}).")
    if min(item.decomposition_low_c for item in data) < max(item.target_c for item in data) + 80.0:
        remarks.append(
            "Narrow window: decomposition may start less than 80 K above the melt or flow temperature."
        )
    return MeltEstimate(energy, s_max, length, tuple(remarks), lowest.source, lowest.how_obtained)
