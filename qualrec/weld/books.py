"""The tables that a pair check looks into: the packaged ones, with a plant's own polymers and ratings laid over them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from types import MappingProxyType
from typing import TYPE_CHECKING

from qualrec.weld.polymers import Polymer, polymers
from qualrec.weld.tables import load_table

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

RATINGS = ("good", "limited", "none")
"""Words of the tables; 'none' means that no report is known, not that a pair cannot be welded."""

LIKE_TO_LIKE = "like-to-like rule: identical thermoplastics weld (general rule in trade guides)"


@dataclass(frozen=True, slots=True)
class Rated:
    """A rating of a pair with its source; `own` where the plant set it."""

    rating: str
    source: str
    how_obtained: str
    own: bool = False


@dataclass(frozen=True, slots=True)
class MaterialBook:
    """Polymers by abbreviation and ratings by (upper, lower). `own`: abbreviations that the plant added or changed."""

    polymers: Mapping[str, Polymer]
    ratings: Mapping[tuple[str, str], Rated]
    own: frozenset[str] = frozenset()

    def rated(self, upper: Polymer, lower: Polymer) -> Rated:
        """The rating of a pair: own before packaged, either way round (it is symmetric), of the polymer before its family.

        A pair of which nothing is on record is 'none'; a polymer with itself is 'good'.
        """
        names = ((upper.abbreviation, lower.abbreviation), (upper.family, lower.family))
        found = [self.ratings[key] for a, b in names for key in ((a, b), (b, a)) if key in self.ratings]
        if found:
            return next((one for one in found if one.own), found[0])
        if upper.abbreviation == lower.abbreviation:
            return Rated("good", LIKE_TO_LIKE, "found")
        return Rated("none", "nothing on record about this pair", "judgement")


@cache
def packaged_book() -> MaterialBook:
    """The packaged tables alone."""
    rated = {
        (row["upper"], row["lower"]): Rated(row["rating"], row["source"], row["how_obtained"])
        for row in load_table("compatibility")
    }
    return MaterialBook(polymers(), MappingProxyType(rated))


def book_with(own_polymers: Iterable[Polymer], own_ratings: Mapping[tuple[str, str], Rated]) -> MaterialBook:
    """The packaged tables with own polymers and ratings over them. An own polymer of a packaged name takes its place."""
    packaged, own = packaged_book(), {p.abbreviation: p for p in own_polymers}
    if not own and not own_ratings:
        return packaged
    return MaterialBook(
        MappingProxyType({**packaged.polymers, **own}),
        MappingProxyType({**packaged.ratings, **own_ratings}),
        frozenset(own),
    )
