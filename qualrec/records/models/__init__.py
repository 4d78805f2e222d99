"""All tables of the schema, one file per subject."""

from __future__ import annotations

from sqlmodel import SQLModel

from qualrec.records.models import (
    base,
    gauges,
    limits,
    lots,
    materials,
    parts,
    people,
    plants,
    readings,
    recipes,
    trail,
)

metadata = SQLModel.metadata

__all__ = [
    "base",
    "gauges",
    "limits",
    "lots",
    "materials",
    "metadata",
    "parts",
    "people",
    "plants",
    "readings",
    "recipes",
    "trail",
]
