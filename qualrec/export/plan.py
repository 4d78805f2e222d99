"""Where things will stand: titles, rows and names are settled before the first row is written.

Formulas on one sheet point to rows of another, and rows stream out in order, so the places are worked out beforehand.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from qualrec.export.book import Book
from qualrec.export.pack import CharacteristicSheet, Pack

RAW_HEAD_ROWS = 3
"""Rows above the first reading: title, note, heads."""
SPECIFICATION_HEAD_ROWS = 3
RAW_INDEX_COLUMN = "I"
AFTER_LOTS = ("concessions", "raw", "recipes", "changes", "limits", "control plan", "studies", "gauges")
"""Sheets of one family each that follow those of the lots, in their order."""
LOT_SHEETS = ("lots", "decisions", "flags")
"""The sheets of the family of lots."""
SPECIFICATION_LSL, SPECIFICATION_USL = "D", "E"


@dataclass(frozen=True, slots=True)
class Places:
    """Of one characteristic: its sheet, its rows in the raw data, and names for its values and limits ('' without).

    `spans`: first and last raw row of each point by number.
    """

    title: str
    first: int
    last: int
    values: str
    lsl: str
    usl: str
    spans: Mapping[str, tuple[int, int]]


@dataclass(frozen=True, slots=True)
class Plan:
    """Titles of the sheets by key, and the places of each characteristic by code."""

    titles: Mapping[str, str]
    places: Mapping[str, Places]


def make_plan(book: Book, pack: Pack) -> Plan:
    """Titles in the order of the sheets; the specification and raw rows one characteristic after the other."""
    taken: set[str] = set()

    def title(wanted: str) -> str:
        found = book.free_title(wanted, taken)
        taken.add(found.casefold())
        return found

    words = book.words
    titles = {key: title(words(f"sheet.{key}")) for key in sheet_keys(pack)}
    places: dict[str, Places] = {}
    row = RAW_HEAD_ROWS
    for at, sheet in enumerate(pack.characteristics):
        c = sheet.characteristic
        first, last = row + 1, row + len(sheet.readings)
        row = last
        live = pack.shows("raw") and last >= first
        places[c.code] = Places(
            title=title(c.code) if pack.shows("characteristics") else "",
            first=first,
            last=last,
            values=book.name("values", c.code) if live else "",
            lsl=book.name("lower_limit", c.code) if c.lsl is not None else "",
            usl=book.name("upper_limit", c.code) if c.usl is not None else "",
            spans=_spans(sheet, first) if live else {},
        )
        _define(book, titles, places[c.code], at)
    return Plan(titles, places)


def sheet_keys(pack: Pack) -> tuple[str, ...]:
    """Keys of the fixed sheets of this pack."""
    keys = ["cover", "elements"]
    if pack.declaration is not None:
        keys.append("declaration")
    keys += [key for key in ("specification", "capability") if pack.shows(key)]
    if pack.shows("lots"):
        keys += LOT_SHEETS
    keys += [key for key in AFTER_LOTS if pack.shows(key)]
    return (*keys, "methods", "signatures", "manifest", "copy")


def _spans(sheet: CharacteristicSheet, first: int) -> dict[str, tuple[int, int]]:
    found: dict[str, tuple[int, int]] = {}
    for row, reading in enumerate(sheet.readings, first):
        start = found.get(reading.lot_number, (row, row))[0]
        found[reading.lot_number] = (start, row)
    return found


def _define(book: Book, titles: Mapping[str, str], places: Places, at: int) -> None:
    if places.values:
        area = f"${RAW_INDEX_COLUMN}${places.first}:${RAW_INDEX_COLUMN}${places.last}"
        book.define(places.values, titles["raw"], area)
    if "specification" in titles:
        row = SPECIFICATION_HEAD_ROWS + at + 1
        for name, column in ((places.lsl, SPECIFICATION_LSL), (places.usl, SPECIFICATION_USL)):
            if name:
                book.define(name, titles["specification"], f"${column}${row}")
