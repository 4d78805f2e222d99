"""Materials, own polymers and own pair ratings: listed, added, edited. Every figure with its source."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from qualrec.errors import UnknownRecord, UsageError
from qualrec.intake.numbers import parse_number
from qualrec.records import lookups, registry
from qualrec.records.lookups import Material
from qualrec.records.lookups.own_tables import material_book
from qualrec.records.registry import own_tables
from qualrec.weld.books import MaterialBook
from qualrec.work.rights import require
from qualrec.work.session import Session

FIGURE_UNITS: Mapping[str, tuple[str, str]] = {
    "melting": ("melting_c", "°C"),
    "glass": ("glass_c", "°C"),
    "density": ("density_kg_m3", "kg/m³"),
    "heat": ("cp_23c_j_kgk", "J/(kg K)"),
    "enthalpy": ("melt_enthalpy_kj_kg", "kJ/kg"),
    "surface": ("surface_energy_mn_m", "mN/m"),
    "melt-low": ("process_low_c", "°C"),
    "melt-high": ("process_high_c", "°C"),
}
"""Name of a figure of a polymer as people write it -> stored name and unit."""
MATERIAL_FIELDS: Mapping[str, str] = {
    "supplier": "supplier",
    "polymer": "polymer",
    "filler": "filler",
    "filler-share": "filler_pct",
    "colour": "colour",
    "role": "infrared_role",
    "absorber": "absorber_pct",
    "melt-low": "melt_low_c",
    "melt-high": "melt_high_c",
    "surface": "surface_energy_mn_m",
    "drying": "drying",
}
"""Name of a field of a material as people write it -> stored name."""


@dataclass(frozen=True, slots=True)
class MaterialsPage:
    """All materials of the plant, and the tables with its own polymers and ratings over the packaged ones."""

    materials: tuple[Material, ...]
    book: MaterialBook
    used_by: Mapping[str, tuple[str, ...]]
    """Components by material code."""


def materials_page(session: Session) -> MaterialsPage:
    with session.store.read() as conn:
        used: dict[str, tuple[str, ...]] = {}
        for component in lookups.components(conn):
            used[component.material] = (*used.get(component.material, ()), component.number)
        return MaterialsPage(lookups.materials(conn), material_book(conn), used)


def set_polymer(
    session: Session,
    code: str,
    figures: Mapping[str, str],
    *,
    source: str,
    name: str = "",
    crystallinity: str | None = None,
    like: str = "",
) -> str:
    """Add or edit an own polymer; `figures` as typed, by the names of `FIGURE_UNITS`. Raises UsageError, Refused."""
    require(session.actor, "define master data")
    read = {}
    for key, text in figures.items():
        if key not in FIGURE_UNITS:
            raise UsageError(f"A polymer has no figure {key!r}.", f"Figures: {', '.join(FIGURE_UNITS)}.")
        read[FIGURE_UNITS[key][0]] = _number(text)
    with session.store.write(session.actor, session.plant.id) as writer:
        own_tables.set_polymer(
            writer, code, source=source, name=name, crystallinity=crystallinity, like=like, figures=read
        )
        polymer = material_book(writer.conn).polymers[code.strip()]
    kind = "semicrystalline" if polymer.semicrystalline else "amorphous"
    return (
        f"Polymer {polymer.abbreviation}: {kind}, melt range {polymer.process_low_c:g} to "
        f"{polymer.process_high_c:g} °C. Source: {source.strip()}"
    )


def rate_pair(session: Session, upper: str, lower: str, rating: str, *, source: str) -> str:
    """Set the plant's own rating of a pair of polymers, both ways round. Raises UsageError, Refused."""
    require(session.actor, "define master data")
    with session.store.write(session.actor, session.plant.id) as writer:
        own_tables.rate_pair(writer, upper, lower, rating, source=source)
    word = "no evidence, trial required" if rating == "none" else rating
    return f"{upper} and {lower}: {word}. Source: {source.strip()}"


def set_material(session: Session, code: str, fields: Mapping[str, str], *, why: str = "") -> str:
    """Add a material, or change one that is there (with a reason). `fields` as typed, by the names of `MATERIAL_FIELDS`.

    The polymer of a material must be in a table. Raises UsageError, Refused.
    """
    require(session.actor, "define master data")
    given: dict[str, object] = {}
    for key, text in fields.items():
        if key not in MATERIAL_FIELDS:
            raise UsageError(f"A material has no field {key!r}.", f"Fields: {', '.join(MATERIAL_FIELDS)}.")
        name = MATERIAL_FIELDS[key]
        given[name] = _number(text) if name in own_tables.MATERIAL_FIGURES else text
    with session.store.write(session.actor, session.plant.id) as writer:
        book = material_book(writer.conn)
        if "polymer" in given and given["polymer"] not in book.polymers:
            raise UsageError(
                f"Polymer {given['polymer']!r} is in no table.",
                f"Add it first, or use one of: {', '.join(book.polymers)}.",
            )
        try:
            there = lookups.material(writer.conn, code)
        except UnknownRecord:
            missing = [
                k
                for k, v in MATERIAL_FIELDS.items()
                if v in ("supplier", "polymer", "infrared_role") and v not in given
            ]
            if missing:
                raise UsageError(
                    f"Material {code!r} is new and lacks: {', '.join(missing)}.", "Give them too."
                ) from None
            registry.add_material(writer, code, **given)  # type: ignore[arg-type]
            return f"Material {code} added."
        own_tables.change_material(writer, there.id, given, why=why)
    return f"Material {code} changed: {', '.join(fields)}."


def _number(text: str) -> float:
    return parse_number(text).value
