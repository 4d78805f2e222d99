"""Do the two materials of a part weld? The pair check from stored records, and the matrix of pairs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from qualrec.errors import UsageError
from qualrec.records import lookups
from qualrec.records.lookups.own_tables import material_book
from qualrec.values import Part
from qualrec.weld.books import MaterialBook, Rated
from qualrec.weld.pairs import (
    JointFacts,
    PairCheck,
    Rating,
    check_grades,
    find_moisture,
    melt_overlap,
    rating_of,
)
from qualrec.weld.polymers import Grade, Polymer, find_polymer
from qualrec.work.materials_light import Light, grade_of, light_of, wavelength_of
from qualrec.work.session import Session


@dataclass(frozen=True, slots=True)
class PartPair:
    """The pair check of one part, with what it was made from."""

    part: Part
    check: PairCheck
    light: Light
    wavelength_nm: float | None
    moisture: str


@dataclass(frozen=True, slots=True)
class MatrixCell:
    """One pair of polymers. `parts`: part numbers of the plant that weld it."""

    upper: str
    lower: str
    rating: Rating
    rated: Rated
    melt_overlap_k: float
    parts: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class PairMatrix:
    """Polymers across and down, rows are upper parts; `own` are the plant's own polymers."""

    polymers: tuple[Polymer, ...]
    cells: tuple[tuple[MatrixCell, ...], ...]
    own: frozenset[str]

    def cell(self, upper: str, lower: str) -> MatrixCell:
        """The cell of two abbreviations. Raises UsageError where the matrix lacks one."""
        names = [p.abbreviation for p in self.polymers]
        for name in (upper, lower):
            if name not in names:
                raise UsageError(f"{name!r} is not in the matrix.", f"It holds: {', '.join(names)}.")
        return self.cells[names.index(upper)][names.index(lower)]


def pair_of_part(session: Session, number: str, *, moisture: str = "unknown") -> PartPair:
    """Check the two materials of a part: rating, melt, optics with its measured transmission, moisture, standards.

    Raises UnknownRecord for an unknown part, UsageError for a polymer in no table or an unknown moisture state.
    """
    state = find_moisture(moisture)
    with session.store.read() as conn:
        part = lookups.part(conn, number)
        book = material_book(conn)
        upper, lower = grade_of(conn, part.upper, book), grade_of(conn, part.lower, book)
        light = light_of(conn, part, upper)
        revisions = [r for r in lookups.recipes(conn, number) if r.state == "approved"]
    wavelength = wavelength_of(revisions[0] if revisions else None, light)
    facts = JointFacts(
        transmission_pct=light.transmission_pct,
        transmission_from=light.known_from,
        lower_absorbs=part.lower.infrared_role == "absorbing",
        absorber_pct=part.lower.absorber_pct,
        thickness_mm=part.upper.thickness_mm,
        wavelength_nm=wavelength,
        moisture=state,
    )
    return PartPair(part, check_grades(upper, lower, facts, book), light, wavelength, state.value)


def pair_matrix(session: Session, names: Sequence[str] = ()) -> PairMatrix:
    """The matrix of the named polymers, else of those in use by the plant's materials and its own ones, else of all.

    Raises UsageError for an unknown polymer.
    """
    with session.store.read() as conn:
        book = material_book(conn)
        in_use = {m.polymer for m in lookups.materials(conn)}
        parts = lookups.parts(conn)
    welded: dict[tuple[str, str], list[str]] = {}
    for part in parts:
        welded.setdefault((part.upper.polymer, part.lower.polymer), []).append(part.number)
    if names:
        chosen = [find_polymer(name, book.polymers) for name in names]
    else:
        wanted = in_use | book.own
        chosen = [p for p in book.polymers.values() if p.abbreviation in wanted] or list(
            book.polymers.values()
        )
    chosen = list({p.abbreviation: p for p in chosen}.values())
    cells = tuple(tuple(_cell(book, a, b, welded) for b in chosen) for a in chosen)
    return PairMatrix(tuple(chosen), cells, book.own)


def all_polymers(session: Session) -> tuple[str, ...]:
    """Abbreviations of all polymers, packaged and own."""
    with session.store.read() as conn:
        return tuple(material_book(conn).polymers)


def _cell(
    book: MaterialBook, upper: Polymer, lower: Polymer, welded: dict[tuple[str, str], list[str]]
) -> MatrixCell:
    rated = book.rated(upper, lower)
    overlap = melt_overlap(Grade(upper, 0.0), Grade(lower, 0.0))
    names = (upper.abbreviation, lower.abbreviation)
    return MatrixCell(*names, rating_of(rated.rating), rated, overlap, tuple(sorted(welded.get(names, ()))))
