"""Polymers: typical properties and typical transmission, for orientation and plausibility only."""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass
from functools import cache
from types import MappingProxyType
from typing import TYPE_CHECKING

from qualrec.errors import UsageError
from qualrec.weld.tables import load_table, number_or_none

if TYPE_CHECKING:
    from collections.abc import Mapping


@dataclass(frozen=True, slots=True)
class Polymer:
    """Typical values of one polymer; None where the table has none or the quantity does not exist."""

    abbreviation: str
    name: str
    semicrystalline: bool
    melting_c: float | None
    glass_c: float | None
    density_kg_m3: float | None
    cp_23c_j_kgk: float | None
    """Handbook value at 23 °C; melt budgets need the mean up to the melt instead."""
    melt_enthalpy_kj_kg: float | None
    surface_energy_mn_m: float | None
    tensile_natural_mpa: float | None
    tensile_gf30_mpa: float | None
    process_low_c: float
    process_high_c: float
    source: str
    how_obtained: str
    like: str = ""
    """Of an own polymer: the packaged polymer that it is a kind of."""

    @property
    def family(self) -> str:
        """Abbreviation by which ratings and rules know it: that of the polymer it is a kind of, else its own."""
        return self.like or self.abbreviation

    @property
    def takes_up_moisture(self) -> bool:
        """Polyamides: strength and glass transition depend on the water taken up."""
        return self.family.startswith("PA") or self.family == "PPA"

    @property
    def hydrolyses(self) -> bool:
        """Polyesters and polycarbonate degrade where moulded wet."""
        return self.family in {"PBT", "PET", "PC", "PC/PBT", "PC/ABS", "TPC", "TPU"}


@dataclass(frozen=True, slots=True)
class Grade:
    """A polymer with its glass content in % by mass, as read from a name such as PA6-GF30."""

    polymer: Polymer
    glass_pct: float

    @property
    def name(self) -> str:
        return (
            f"{self.polymer.abbreviation}-GF{self.glass_pct:g}"
            if self.glass_pct
            else self.polymer.abbreviation
        )


@dataclass(frozen=True, slots=True)
class TypicalTransmission:
    """Span of transmission in % of one grade at one thickness."""

    grade: str
    polymer: str
    glass_pct: float
    thickness_mm: float
    low_pct: float
    high_pct: float
    note: str
    source: str
    how_obtained: str


@cache
def polymers() -> Mapping[str, Polymer]:
    """All polymers by abbreviation."""
    return MappingProxyType({row["abbreviation"]: _polymer(row) for row in load_table("polymers")})


def _polymer(row: Mapping[str, str]) -> Polymer:
    return Polymer(
        abbreviation=row["abbreviation"],
        name=row["polymer"],
        semicrystalline=row["semicrystalline/amorphous"] == "semicrystalline",
        melting_c=number_or_none(row["Tm_C"]),
        glass_c=number_or_none(row["Tg_C"]),
        density_kg_m3=float(row["density_kg_m3"]),
        cp_23c_j_kgk=float(row["cp_J_kgK"]),
        melt_enthalpy_kj_kg=float(row["melt_enthalpy_kJ_kg"]),
        surface_energy_mn_m=float(row["surface_energy_mN_m"]),
        tensile_natural_mpa=number_or_none(row["tensile_natural_MPa"]),
        tensile_gf30_mpa=number_or_none(row["tensile_GF30_MPa"]),
        process_low_c=float(row["process_melt_low_C"]),
        process_high_c=float(row["process_melt_high_C"]),
        source=row["source"],
        how_obtained=row["how_obtained"],
    )


_OTHER_NAMES: Mapping[str, str] = MappingProxyType(
    {
        "POM": "POM-C",
        "ACETAL": "POM-C",
        "HDPE": "PE-HD",
        "PE": "PE-HD",
        "PVC": "PVC-U",
        "PPO": "PPE/PS",
        "PPE": "PPE/PS",
        "PESU": "PES",
        "PA6.6": "PA66",
        "PA6/6": "PA66",
        "ACRYLIC": "PMMA",
        "NYLON 6": "PA6",
        "NYLON 66": "PA66",
    }
)
"""Other names in use (common practice, no source)."""

_GLASS = re.compile(r"[\s\-]*GF\s*(\d{1,2}(?:\.\d+)?)$", re.IGNORECASE)


def find_polymer(name: str, known: Mapping[str, Polymer] | None = None) -> Polymer:
    """The polymer of an abbreviation, in any case. `known`: polymers by abbreviation, the packaged ones if left out.

    Raises UsageError that lists the known ones.
    """
    table = polymers() if known is None else known
    wanted = " ".join(name.split()).upper()
    by_upper = {key.upper(): polymer for key, polymer in table.items()}
    found = by_upper.get(wanted) or by_upper.get(_OTHER_NAMES.get(wanted, wanted))
    if found is not None:
        return found
    near = difflib.get_close_matches(wanted, list(table), n=2, cutoff=0.6)
    hint = f"Did you mean {' or '.join(near)}? " if near else ""
    raise UsageError(f"Polymer {name!r} is not in the table.", f"{hint}Known: {', '.join(table)}.")


def find_grade(name: str, known: Mapping[str, Polymer] | None = None) -> Grade:
    """Polymer and glass content of a name such as 'PA6-GF30', 'PBT GF 20' or 'PC'."""
    glass = _GLASS.search(name)
    if glass is None:
        return Grade(find_polymer(name, known), 0.0)
    return Grade(find_polymer(name[: glass.start()], known), float(glass[1]))


@cache
def typical_transmissions() -> tuple[TypicalTransmission, ...]:
    """All rows of the table of typical transmission."""
    return tuple(
        TypicalTransmission(
            grade=row["grade"],
            polymer=row["polymer"],
            glass_pct=float(row["glass_pct"]),
            thickness_mm=float(row["thickness_mm"]),
            low_pct=float(row["low_pct"]),
            high_pct=float(row["high_pct"]),
            note=row["note"],
            source=row["source"],
            how_obtained=row["how_obtained"],
        )
        for row in load_table("transmission")
    )


def typical_transmission(grade: str) -> tuple[TypicalTransmission, ...]:
    """Rows of the same polymer and glass content, thin to thick; empty where the table has none."""
    wanted = find_grade(grade)
    rows = [
        row
        for row in typical_transmissions()
        if row.polymer == wanted.polymer.abbreviation and row.glass_pct == wanted.glass_pct
    ]
    return tuple(sorted(rows, key=lambda row: row.thickness_mm))
