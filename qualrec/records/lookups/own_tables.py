"""The plant's own polymers and pair ratings, laid over the packaged tables."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from sqlalchemy import Connection, select

from qualrec.records.lookups.base import mapping, table
from qualrec.weld.books import MaterialBook, Rated, book_with
from qualrec.weld.polymers import Polymer, polymers

OWN = "own record"


def material_book(conn: Connection) -> MaterialBook:
    """Packaged polymers and ratings with the plant's own over them."""
    t, r = table("polymer"), table("pair_rating")
    own = [_polymer(row) for row in conn.execute(select(t).order_by(t.c.id))]
    ratings = {
        (row.upper, row.lower): Rated(row.rating, row.source, OWN, own=True)
        for row in conn.execute(select(r).order_by(r.c.id))
    }
    return book_with(own, ratings)


def _polymer(row: Any) -> Polymer:
    data = mapping(row.data)
    like = str(data.pop("like", ""))
    base = polymers().get(like) or polymers().get(row.code)
    named = {
        "abbreviation": row.code,
        "name": row.name,
        "semicrystalline": row.crystallinity == "semicrystalline",
        "source": row.source,
        "how_obtained": OWN,
        "like": like,
    }
    if base is not None:
        return replace(base, **named, **data)
    empty = dict.fromkeys(
        ("melting_c", "glass_c", "density_kg_m3", "cp_23c_j_kgk", "melt_enthalpy_kj_kg", "surface_energy_mn_m",
         "tensile_natural_mpa", "tensile_gf30_mpa")
    )  # fmt: skip
    return Polymer(**{**empty, **data, **named})
