"""The 18 elements of a part submission in our own words, and what each level asks.

Numbers and levels follow the part approval manual (4th edition, 2006) as a training deck quotes them: 'S' submit and keep
a copy, 'R' keep and make available, '*' keep and submit on request. The words are ours.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from types import MappingProxyType

from qualrec.errors import UsageError

FAMILIES = (
    "specification",
    "capability",
    "characteristics",
    "lots",
    "raw",
    "recipes",
    "limits",
    "gauges",
    "studies",
    "control plan",
    "changes",
    "concessions",
)
"""Families of sheets that a level may leave out; cover, elements, methods, signatures and manifest always stand."""
LEVELS = ("1", "2", "3", "4", "5")
AGREED = "agreed"


@dataclass(frozen=True, slots=True)
class ElementInfo:
    """`asked` has one letter per level 1 to 5. `families`: the sheets of the workbook that hold it."""

    number: int
    key: str
    english: str
    german: str
    asked: str
    families: tuple[str, ...] = ()

    def title(self, language: str) -> str:
        return self.german if language == "de" else self.english


_ROWS = (
    ElementInfo(1, "drawing", "Drawing and design data", "Zeichnung und Konstruktionsdaten", "RSS*R"),
    ElementInfo(2, "changes", "Changes with their papers", "Änderungen mit Unterlagen", "RSS*R", ("changes", "recipes")),
    ElementInfo(
        3, "customer approval", "Approval by the customer's engineers", "Zustimmung der Kundenentwicklung", "RRS*R",
        ("concessions",),
    ),
    ElementInfo(4, "design risk", "Risk analysis of the design", "Risikoanalyse der Konstruktion", "RRS*R"),
    ElementInfo(5, "process flow", "Flow of the process", "Ablauf des Prozesses", "RRS*R"),
    ElementInfo(6, "process risk", "Risk analysis of the process", "Risikoanalyse des Prozesses", "RRS*R"),
    ElementInfo(7, "control plan", "Control plan", "Produktionslenkungsplan", "RRS*R", ("control plan", "specification")),
    ElementInfo(
        8, "measurement studies", "Studies of the measuring systems", "Untersuchung der Messsysteme", "RRS*R",
        ("studies", "gauges"),
    ),
    ElementInfo(
        9, "dimensions", "Measured dimensions", "Gemessene Maße", "RSS*R", ("specification", "raw")
    ),
    ElementInfo(
        10, "tests", "Results of material and function tests", "Ergebnisse der Werkstoff- und Funktionsprüfungen",
        "RSS*R", ("specification", "lots", "raw"),
    ),
    ElementInfo(
        11, "process studies", "First studies of the process", "Erste Prozessuntersuchungen",
        "RRS*R", ("specification", "capability", "characteristics", "lots", "raw", "limits"),
    ),
    ElementInfo(12, "laboratory", "Proof of the laboratory's competence", "Nachweis der Laborkompetenz", "RSS*R", ("gauges",)),
    ElementInfo(13, "appearance", "Approval of appearance", "Freigabe des Aussehens", "SSS*R"),
    ElementInfo(14, "sample parts", "Parts from the production run", "Teile aus dem Serienlauf", "RSS*R"),
    ElementInfo(15, "master sample", "Reference sample", "Referenzmuster", "RRR*R"),
    ElementInfo(
        16, "checking aids", "Fixtures and aids for checking", "Prüfvorrichtungen und Hilfsmittel", "RRR*R", ("gauges",)
    ),
    ElementInfo(17, "customer rules", "Proof of the customer's own rules", "Nachweis der Kundenvorgaben", "RRS*R"),
    ElementInfo(18, "declaration", "Signed declaration", "Unterschriebene Erklärung", "SSSSR"),
)  # fmt: skip

ELEMENTS: Mapping[int, ElementInfo] = MappingProxyType({row.number: row for row in _ROWS})


def check_level(level: str) -> str:
    """The level as it is stored. Raises UsageError that lists the levels."""
    wanted = level.strip().lower()
    if wanted not in (*LEVELS, AGREED):
        raise UsageError(f"Level {level!r} is not known.", "Give 1, 2, 3, 4, 5 or 'agreed'.")
    return wanted


def requirement(number: int, level: str) -> str:
    """'S', 'R' or '*' of an element at a level; '' where the list is agreed with the customer."""
    return "" if level == AGREED else ELEMENTS[number].asked[int(level) - 1]


def families_of(level: str, asked: Collection[int] = ()) -> tuple[str, ...]:
    """The families of sheets that a level hands over.

    A family stands where one of its elements is submitted, or submitted on request. At level 5 the papers are looked at
    where they were made, so all stand. An agreed list has the families of its elements (`asked`); an empty one has all.
    """
    if level == "5" or (level == AGREED and not asked):
        return FAMILIES
    wanted = {
        family
        for number, row in ELEMENTS.items()
        if (number in asked if level == AGREED else requirement(number, level) in "S*")
        for family in row.families
    }
    return tuple(family for family in FAMILIES if family in wanted)
