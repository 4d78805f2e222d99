"""A plant's own polymers and pair ratings, and changes of its materials. Every change is in the trail."""

from __future__ import annotations

import json
from collections.abc import Mapping

from sqlalchemy import select

from qualrec.errors import UsageError
from qualrec.records.ledger import Writer
from qualrec.records.models import metadata
from qualrec.records.registry import checks
from qualrec.weld.books import RATINGS
from qualrec.weld.polymers import polymers

CRYSTALLINITY = ("semicrystalline", "amorphous")
FIGURES = (
    "melting_c",
    "glass_c",
    "density_kg_m3",
    "cp_23c_j_kgk",
    "melt_enthalpy_kj_kg",
    "surface_energy_mn_m",
    "process_low_c",
    "process_high_c",
)
"""Figures that a polymer may have; those left out come from the polymer that it is like."""
MATERIAL_TEXTS = ("supplier", "polymer", "filler", "colour", "infrared_role", "drying")
MATERIAL_FIGURES = ("filler_pct", "absorber_pct", "melt_low_c", "melt_high_c", "surface_energy_mn_m")


def set_polymer(
    writer: Writer,
    code: str,
    *,
    source: str,
    name: str = "",
    crystallinity: str | None = None,
    like: str = "",
    figures: Mapping[str, float] | None = None,
) -> int:
    """Add an own polymer or edit one; a packaged name is laid over. Figures left out keep what they are.

    `like`: the packaged polymer that it is a kind of. Without it, crystallinity and both ends of the melt range are
    needed. Raises UsageError.
    """
    given = checks.name(code, "Polymer")
    why = checks.prose(source, "The source", filled=True)
    t = metadata.tables["polymer"]
    there = writer.conn.execute(
        select(t).where(t.c.plant_id == writer.plant_id, t.c.code == given)
    ).one_or_none()
    data = dict(json.loads(there.data)) if there is not None else {}
    for key, value in (figures or {}).items():
        least = None if key.endswith("_c") else 0.0
        data[checks.one_of(key, FIGURES, "Figure")] = checks.number(value, key, least=least)
    kind = (
        str(data.get("like", ""))
        if not like
        else checks.one_of(like, tuple(polymers()), "Polymer it is like")
    )
    if not kind and given in polymers():
        kind = given
    if kind and kind != given:
        data["like"] = kind
    low, high = (data.get(f"process_{end}_c") for end in ("low", "high"))
    base = polymers().get(kind)
    low = low if low is not None or base is None else base.process_low_c
    high = high if high is not None or base is None else base.process_high_c
    if low is None or high is None:
        raise UsageError(
            f"Polymer {given!r} has no melt range.",
            "Give the lower and the upper process temperature, or the polymer that it is like.",
        )
    checks.not_crossed(low, high, "Melt range")
    chosen = crystallinity or (there.crystallinity if there is not None else "")
    if not chosen and base is not None:
        chosen = CRYSTALLINITY[0] if base.semicrystalline else CRYSTALLINITY[1]
    row = {
        "code": given,
        "name": checks.line(name, "Name") or (there.name if there is not None else given),
        "crystallinity": checks.one_of(chosen, CRYSTALLINITY, "Crystallinity"),
        "data": json.dumps(data, sort_keys=True),
        "source": why,
    }
    if there is None:
        return writer.insert("polymer", row, act="polymer added")
    writer.update(
        "polymer", there.id, {k: v for k, v in row.items() if k != "code"}, act="polymer edited", why=why
    )
    return int(there.id)


def rate_pair(writer: Writer, upper: str, lower: str, rating: str, *, source: str) -> int:
    """Set the own rating of a pair of polymers: 'good', 'limited' or 'none' (no evidence); it holds both ways round.

    Raises UsageError for a polymer that neither the packaged table nor the plant has.
    """
    t = metadata.tables["polymer"]
    own = set(writer.conn.execute(select(t.c.code).where(t.c.plant_id == writer.plant_id)).scalars())
    names = tuple(dict.fromkeys([*polymers(), *sorted(own)]))
    pair = sorted(
        (checks.one_of(upper, names, "Upper polymer"), checks.one_of(lower, names, "Lower polymer"))
    )
    row = {
        "upper": pair[0],
        "lower": pair[1],
        "rating": checks.one_of(rating, RATINGS, "Rating"),
        "source": checks.prose(source, "The source", filled=True),
    }
    r = metadata.tables["pair_rating"]
    same = (r.c.plant_id == writer.plant_id, r.c.upper == pair[0], r.c.lower == pair[1])
    there = writer.conn.execute(select(r).where(*same)).one_or_none()
    if there is None:
        return writer.insert("pair_rating", row, act="pair rated")
    changes = {"rating": row["rating"], "source": row["source"]}
    writer.update("pair_rating", there.id, changes, act="pair rating edited", why=str(row["source"]))
    return int(there.id)


def change_material(writer: Writer, material_id: int, changes: Mapping[str, object], *, why: str) -> None:
    """Change fields of a material; code and trail stay. Raises UsageError, UnknownRecord."""
    reason = checks.prose(why, "The reason", filled=True)
    before = checks.row(writer, "material", material_id, "material")
    fitted: dict[str, object] = {}
    for key, value in changes.items():
        checks.one_of(key, (*MATERIAL_TEXTS, *MATERIAL_FIGURES), "Field")
        if key in MATERIAL_FIGURES:
            fitted[key] = checks.number_or_none(value, key.replace("_", " "))
        elif key == "infrared_role":
            fitted[key] = checks.one_of(value, ("transmissive", "absorbing"), "Infrared role")
        else:
            fitted[key] = checks.line(value, key)
    low = fitted.get("melt_low_c", before.melt_low_c)
    high = fitted.get("melt_high_c", before.melt_high_c)
    checks.not_crossed(low, high, "Melt range", equal=True)  # type: ignore[arg-type]
    if not fitted:
        raise UsageError("Nothing to change.", "Give at least one field.")
    writer.update("material", material_id, fitted, act="material changed", why=reason)
