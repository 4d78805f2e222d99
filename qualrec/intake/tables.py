"""What a reader gives out: a table with its header, its units and its rows, numbered as in the file."""

from __future__ import annotations

import itertools
import unicodedata
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Literal, NoReturn, TypeAlias

from qualrec.errors import FileRefused, Problem

FileFormat = Literal["delimited", "workbook", "json lines"]
DELIMITERS = {"semicolon": ";", "comma": ",", "tab": "\t", "bar": "|"}
ENCODINGS = {"utf-8": "utf-8", "utf-16": "utf-16", "cp1252": "cp1252"}
HEAD_ROWS = 60
"""A header is looked for in this many rows."""


@dataclass(frozen=True, slots=True)
class Limits:
    """What a file may hold at most."""

    file_bytes: int = 4_000_000_000
    line_chars: int = 65_536
    columns: int = 512
    workbook_bytes: int = 1_000_000_000
    """Of all parts of a workbook, unpacked."""
    text_part_bytes: int = 100_000_000
    """Of the table of texts of a workbook, which is held in memory."""


@dataclass(frozen=True, slots=True)
class Typed:
    """A cell that the file itself marks as more than text.

    kind: number, percent, time, date, clock, formula, error, logic, nested. `text` of a number is in style 'point';
    of a percent cell it is the figure shown (27 for 27 %); of times it is ISO 8601.
    """

    kind: str
    text: str


Cell: TypeAlias = str | Typed


@dataclass(frozen=True, slots=True)
class Row:
    """One row of data. `number` counts the lines of the file (rows of the sheet) from 1."""

    number: int
    cells: Sequence[Cell]
    after_end: bool = False
    """Stands below the row that ended the data."""


@dataclass(frozen=True, slots=True)
class Layout:
    """Where the table lies in the file. `wanted` are the column names that must be there (letters without a header)."""

    wanted: tuple[str, ...]
    file_format: FileFormat = "delimited"
    delimiter: str = "auto"
    encoding: str = "auto"
    header_row: int | None = None
    """None: the first row that holds all wanted names; 0: there is no header."""
    lead_rows: int = 0
    """Rows above the data where there is no header."""
    unit_row: bool = False
    sheet: str = ""
    stop_words: tuple[str, ...] = ()
    """The data end at a row whose first filled cell is one of these."""
    stop_blank: bool = False


@dataclass(frozen=True, slots=True)
class TextFacts:
    """What looking through a text file found. `guessed`: no mark and not UTF-8, so taken as cp1252."""

    encoding: str
    guessed: bool
    quotes: bool
    lone_returns: bool


@dataclass(slots=True)
class Ends:
    """Tells where the data end. `reached` is set by the row that ended them."""

    words: tuple[str, ...]
    blank: bool
    reached: int = 0

    def at(self, number: int, cells: Sequence[Cell]) -> bool:
        first = next((t for t in map(cell_text, cells) if t), "")
        if (not first and self.blank) or (first and plain_name(first) in map(plain_name, self.words)):
            self.reached = self.reached or number
            return True
        return False


@dataclass(slots=True)
class Table:
    """An open table. `rows` gives rows and located problems, in file order, once."""

    name: str
    header: tuple[str, ...]
    header_row: int
    units: tuple[str, ...]
    rows: Iterator[Row | Problem]
    first_row: int
    """Row number of the first data row."""
    ends: Ends
    delimiter: str = ""
    facts: TextFacts | None = None

    def column(self, name: str) -> int:
        """Position of a column by its name, any case and spacing; -1 where it is missing."""
        return next((i for i, h in enumerate(self.header) if plain_name(h) == plain_name(name)), -1)


def cell_text(cell: Cell) -> str:
    """The text of a cell without blanks at its ends."""
    return (cell if isinstance(cell, str) else cell.text).strip()


def plain_name(name: str) -> str:
    """A column name as compared: composed, one blank between words, any case."""
    return " ".join(unicodedata.normalize("NFC", name).split()).casefold()


def letter(index: int) -> str:
    """Column letter of a position from 0: A, B, .. Z, AA."""
    text = ""
    index += 1
    while index:
        index, rest = divmod(index - 1, 26)
        text = chr(65 + rest) + text
    return text


def refuse(name: str, message: str, remedy: str, row: int | None = None, column: str = "") -> NoReturn:
    """Raises FileRefused with one located problem."""
    problem = Problem(message, name, row, column)
    raise FileRefused(str(problem), (problem,), remedy)


def find_header(records: Sequence[tuple[int, Sequence[Cell]]], layout: Layout) -> int | None:
    wanted = {plain_name(w) for w in layout.wanted}
    for index, (number, cells) in enumerate(records):
        if layout.header_row is not None and number != layout.header_row:
            continue
        if wanted <= {plain_name(cell_text(c)) for c in cells}:
            return index
    return None


def framed(name: str, records: Iterator[tuple[int, Sequence[Cell]]], layout: Layout, limits: Limits) -> Table:
    """Header, unit row and data rows out of numbered records."""
    if layout.header_row == 0:
        after = (r for r in records if r[0] > layout.lead_rows)
        peeked = list(itertools.islice(after, 1))
        width = max((len(cells) for _, cells in peeked), default=0)
        header, header_row = tuple(letter(i) for i in range(width)), layout.lead_rows
        rest = itertools.chain(peeked, after)
    else:
        needed = max(HEAD_ROWS, layout.header_row or 0)
        peeked = list(itertools.islice(records, needed))
        found = find_header(peeked, layout)
        if found is None:
            _no_header(name, peeked, layout)
        header_row = peeked[found][0]
        header = tuple(cell_text(c) for c in peeked[found][1])
        rest = itertools.chain(peeked[found + 1 :], records)
    header = _checked_header(name, header, header_row, layout, limits)
    units: tuple[str, ...] = ()
    if layout.unit_row:
        _, cells = next(rest, (0, ()))
        units = tuple(cell_text(c) for c in cells)
    first = next(rest, None)
    if first is None:
        refuse(name, "The file has no data below its header.", "Export it again.", header_row or None)
    ends = Ends(layout.stop_words, layout.stop_blank)
    padded = layout.file_format == "workbook"
    rows = data_rows(name, itertools.chain([first], rest), len(header), ends, padded)
    return Table(name, header, header_row, units, rows, first[0], ends)


def _no_header(name: str, records: Sequence[tuple[int, Sequence[Cell]]], layout: Layout) -> NoReturn:
    wanted = list(layout.wanted)
    seen = [{plain_name(cell_text(c)) for c in cells} for _, cells in records]
    missing = min(([w for w in wanted if plain_name(w) not in s] for s in seen), key=len, default=wanted)
    where = f"row {layout.header_row}" if layout.header_row else f"the first {HEAD_ROWS} rows"
    refuse(
        name,
        f"No header with all columns of the profile in {where}; missing: {', '.join(missing[:8])}.",
        "Choose another profile, or correct its column names.",
        layout.header_row,
    )


def _checked_header(
    name: str, header: tuple[str, ...], row: int, layout: Layout, limits: Limits
) -> tuple[str, ...]:
    while header and not header[-1]:
        header = header[:-1]
    if len(header) > limits.columns:
        refuse(
            name, f"{len(header)} columns; {limits.columns} are taken.", "Export fewer columns.", row or None
        )
    names = [plain_name(h) for h in header]
    for wanted in layout.wanted:
        if names.count(plain_name(wanted)) > 1:
            refuse(name, "This column name stands twice in the header.", "Rename one of them.", row, wanted)
        if plain_name(wanted) not in names:
            refuse(name, "There is no such column.", "Correct the profile.", None, wanted)
    return header


def data_rows(
    name: str, records: Iterable[tuple[int, Sequence[Cell]]], width: int, ends: Ends, padded: bool = False
) -> Iterator[Row | Problem]:
    """Data rows of exactly `width` cells; blank rows are left out; a row of another width is a problem.

    `padded`: a short row only lacks blank cells at its end (workbooks).
    """
    for number, cells in records:
        if ends.at(number, cells):
            continue
        if padded and len(cells) < width:
            cells = [*cells, *[""] * (width - len(cells))]
        filled = len(cells)
        while filled > width and not cell_text(cells[filled - 1]):
            filled -= 1
        if filled == width:
            if any(map(cell_text, cells)):
                yield Row(number, cells[:width], bool(ends.reached))
        elif not ends.reached and any(map(cell_text, cells)):
            yield Problem(f"The row has {filled} cells, the header {width}.", name, number)
