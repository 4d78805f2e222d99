"""Notices of the trade, each with the places it belongs to and whom it defers to.

They stand in `data/cautions.csv`, in own words. None of them replaces local rules, the laser safety
officer or licensed practice.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from types import MappingProxyType
from typing import TYPE_CHECKING

from qualrec.errors import UsageError
from qualrec.weld.tables import load_table

if TYPE_CHECKING:
    from collections.abc import Mapping

PLACES = (
    "Bench",
    "Lots",
    "Charts",
    "Capability",
    "Recipes",
    "Gauges",
    "Submission",
    "Trail",
    "calc",
    "pairs",
    "export",
)
"""The screens, then the calculations, the pair check and the exports."""


@dataclass(frozen=True, slots=True)
class Caution:
    """One notice. `kind` is 'safety', 'record' or 'estimate'; `defers_to` names who or what decides."""

    caution: str
    kind: str
    where: tuple[str, ...]
    text: str
    defers_to: str
    source: str
    how_obtained: str


@cache
def all_cautions() -> Mapping[str, Caution]:
    """All notices by id."""
    return MappingProxyType(
        {
            row["caution"]: Caution(
                caution=row["caution"],
                kind=row["kind"],
                where=tuple(part.strip() for part in row["where"].split(";")),
                text=row["text"],
                defers_to=row["defers_to"],
                source=row["source"],
                how_obtained=row["how_obtained"],
            )
            for row in load_table("cautions")
        }
    )


def find_caution(caution: str) -> Caution:
    """The notice of that id. Raises UsageError that lists the ids."""
    try:
        return all_cautions()[caution]
    except KeyError:
        raise UsageError(f"No notice {caution!r}.", f"Known notices: {', '.join(all_cautions())}.") from None


def cautions_for(place: str, kind: str | None = None) -> tuple[Caution, ...]:
    """Notices of one place of `PLACES`, of one kind or of all. Raises UsageError for another place."""
    if place not in PLACES:
        raise UsageError(f"No place {place!r}.", f"Known places: {', '.join(PLACES)}.")
    return tuple(
        caution
        for caution in all_cautions().values()
        if place in caution.where and (kind is None or caution.kind == kind)
    )
