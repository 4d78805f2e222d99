"""A document as a workbook: one sheet for each page."""

from __future__ import annotations

import math
import re
from datetime import UTC, datetime
from pathlib import Path
from textwrap import shorten

from openpyxl.utils import get_column_letter

from qualrec.export.book import FILL, Book, Look, Sheet, Span, Value, lines_of
from qualrec.export.document import (
    Cell,
    Column,
    Day,
    Document,
    Facts,
    Figure,
    Grid,
    Notes,
    Page,
    Signs,
    When,
    is_empty,
)
from qualrec.export.styles import DATE, DATE_TIME, decimals
from qualrec.export.text import shown as safe

_LINE = re.compile(r"[^\n]*\n|[^\n]+")
MOST_LINES = 32
"""Lines of text in one row: a row may be 409 points high, and has to fit a printed page. Longer texts go on in the next row."""
EDGE = 50
"""Most characters of a text in the head or foot of a printed page."""
GAP = "_)"
"""Leaves the width of a bracket free behind a number, so that it does not touch the next column."""
LABEL_SHARE = 0.28
"""How much of the width of a page the label of a fact takes at least."""


def write_book(document: Document, to: Path) -> None:
    """Write the workbook, replacing what is there. Raises OSError where it cannot be written."""
    mark = " - ".join(document.marks)
    book = Book(
        document.words,
        document.plant.zone,
        header=(shorten(document.plant.name, EDGE, placeholder="…"), mark),
        footer=f"{shorten(document.subject, EDGE, placeholder='…')}, {document.foot()}",
    )
    _properties(book, document)
    taken: set[str] = set()
    try:
        for number, page in enumerate(document.pages):
            title = book.free_title(page.title, taken)
            taken.add(title.casefold())
            _write_page(book.sheet(title, page.widths), document, page, first=number == 0)
        book.save(to)
    except BaseException:
        book.discard()
        raise


def _properties(book: Book, document: Document) -> None:
    found = book.workbook.properties
    found.creator = found.lastModifiedBy = safe(document.plant.name)
    found.title = safe(f"{document.title}: {document.subject}")
    found.subject = safe(document.subject)
    found.description = safe(" ".join(document.marks))
    found.language = document.language
    made = datetime.fromtimestamp(document.made_us // 1_000_000, UTC)
    found.created = found.modified = made.replace(tzinfo=None)
    found.identifier = document.head_digest


def _write_page(sheet: Sheet, document: Document, page: Page, *, first: bool) -> None:
    lone = _lone_grid(page)
    if lone is not None and not first:
        # The heads stand under title and column row; a table needs rows of its own.
        sheet.freeze(0, 2 if page.heading else 1)
    if page.one_page:
        sheet.one_page()
    elif first:
        sheet.ws.page_setup.orientation = "portrait"
    if first:
        sheet.title_row(document.title)
        if document.subject:
            sheet.note(document.subject, "strong")
        for mark in document.marks:
            sheet.row([mark, *[None] * (sheet.width - 1)], "mark", 24)
        for note in document.notes:
            sheet.note(note)
    if page.heading:
        sheet.title_row(page.heading)
    for block in page.blocks:
        _write_block(sheet, document, block, lone=block is lone and not first, name=page.title)


def _lone_grid(page: Page) -> Grid | None:
    """The only block of a page where it is a grid of plain columns: it becomes a table."""
    if len(page.blocks) == 1 and isinstance(block := page.blocks[0], Grid):
        plain = all(c.span == 1 for c in block.columns) and len({c.head for c in block.columns}) == len(
            block.columns
        )
        return block if plain and block.rows else None
    return None


def _write_block(
    sheet: Sheet, document: Document, block: Facts | Grid | Notes | Signs, *, lone: bool, name: str
) -> None:
    if block.heading:
        sheet.section(block.heading)
    if isinstance(block, Facts):
        for label, cell in block.rows:
            if not is_empty(cell):
                _write_fact(sheet, label, cell)
    elif isinstance(block, Grid):
        _write_grid(sheet, block, lone=lone, name=name)
    elif isinstance(block, Notes):
        for sentence in block.sentences:
            sheet.note(sentence, "text")
    else:
        for label in block.labels:
            at = sheet.row([label, *[None] * (sheet.width - 1)], "sign", 30)
            sheet.ws.merged_cells.add(f"A{at}:{get_column_letter(sheet.width)}{at}")


def _write_fact(sheet: Sheet, label: str, cell: Cell) -> None:
    asked, last, width = LABEL_SHARE * sum(sheet.widths), 0, 0.0
    while width < asked and last < sheet.width - 1:
        width += sheet.widths[last]
        last += 1
    value, look = _cell(sheet, cell, Column(""))
    if isinstance(look, tuple) and look[0] == "number":
        look = ("date", look[1])
    _write_row(sheet, [(label, 1, last), (value, last + 1, sheet.width)], ["label", look])


def _write_grid(sheet: Sheet, grid: Grid, *, lone: bool, name: str) -> None:
    if not grid.rows and grid.empty:
        sheet.note(grid.empty, "text")
        return
    heads = [column.head for column in grid.columns]
    if all(column.span == 1 for column in grid.columns):
        first = sheet.heads(heads, [place for place, c in enumerate(grid.columns) if c.number])
    else:
        looks: list[Look] = ["head number" if c.number else "head" for c in grid.columns]
        first = sheet.merged(_spans(grid, list(heads)), looks)
    for row in grid.rows:
        cells = [_cell(sheet, cell, column) for cell, column in zip(row, grid.columns, strict=True)]
        _write_row(sheet, _spans(grid, [value for value, _ in cells]), [look for _, look in cells])
    if lone:
        sheet.table(name, first, sheet.rows, heads)
        sheet.repeat(first, first)


def _write_row(sheet: Sheet, spans: list[Span], looks: list[Look]) -> None:
    """A row, and rows below it for texts that are too long for one."""
    pieces = [
        cut(value, sum(sheet.widths[first - 1 : last])) if isinstance(value, str) else [value]
        for value, first, last in spans
    ]
    for number in range(max(len(held) for held in pieces)):
        values = [held[number] if number < len(held) else None for held in pieces]
        places = zip(values, spans, strict=True)
        sheet.merged([(value, first, last) for value, (_, first, last) in places], looks)


def cut(value: str, width: float) -> list[Value]:
    """A text in pieces of at most `MOST_LINES` lines in a column of that width, cut at line feeds and spaces."""
    room = max(1, int(width * FILL))
    if len(value) < room or lines_of(value, width) <= MOST_LINES:
        return [value]
    found: list[Value] = []
    held, count = "", 0
    for line in _LINE.findall(value):
        for piece in _words(line, room * MOST_LINES // 2):
            lines = lines_of(piece.removesuffix("\n"), width)
            if count + lines > MOST_LINES:
                found.append(held)
                held, count = "", 0
            held, count = held + piece, count + lines
    return [*found, held]


def _words(line: str, most: int) -> list[str]:
    """A line in pieces of at most so many signs, cut behind a space where there is one."""
    found = []
    while len(line) > most:
        end = line.rfind(" ", most // 2, most) + 1 or most
        found.append(line[:end])
        line = line[end:]
    return [*found, line]


def _spans(grid: Grid, values: list[Value]) -> list[Span]:
    found: list[Span] = []
    at = 1
    for column, value in zip(grid.columns, values, strict=True):
        found.append((value, at, at + column.span - 1))
        at += column.span
    return found


def _cell(sheet: Sheet, cell: Cell, column: Column) -> tuple[Value, Look]:
    """Value and look of a cell: numbers as numbers, moments as dates, everything else as text."""
    if isinstance(cell, When):
        return sheet.book.when(cell.at_us), ("date", DATE_TIME)
    if isinstance(cell, Day):
        second = None if cell.at_us is None else cell.at_us // 1_000_000 * 1_000_000
        at = sheet.book.when(second)
        return None if at is None else math.floor(at), ("date", DATE)
    look = "strong number" if column.strong else "number"
    if isinstance(cell, Figure):
        return cell.value, (look, decimals(cell.places) + GAP if cell.places is not None else "General")
    if isinstance(cell, int):
        return cell, (look, f"0{GAP}")
    if column.number:
        return cell, look
    return cell, "strong" if column.strong else "text"
