"""A workbook written row by row: sheets with looks, notes, tables, names, page set-up and a digest each.

Rows stream to disk (openpyxl, write-only), so memory follows the charts, not the readings. Numbers are written with all
their digits. Moments become dates in the plant's zone; the zone stands in the heads.
"""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Iterator, Sequence
from contextlib import suppress
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

from openpyxl import Workbook
from openpyxl.cell import Cell
from openpyxl.chart._chart import ChartBase
from openpyxl.utils import get_column_letter
from openpyxl.workbook.defined_name import DefinedName
from openpyxl.worksheet._write_only import WriteOnlyWorksheet
from openpyxl.worksheet.pagebreak import Break
from openpyxl.worksheet.table import Table, TableStyleInfo

from qualrec.export import text
from qualrec.export.messages import Words
from qualrec.export.seal import Seal, Sealed, row_mark
from qualrec.export.styles import Looks

Look = str | tuple[str, str]
"""Style name, or style name with number format."""
Value = str | float | int | None
Span = tuple[Value, int, int]
"""A value and the first and last column it stretches over (1 = A)."""

ZERO_DAY = datetime(1899, 12, 30)
LINE_POINTS, ROW_POINTS = 12.0, 14.0
FILL = 1.2
"""Characters of the body font that a unit of column width takes."""
A4 = 9
_TABLE_NAME = re.compile(r"[^A-Za-z0-9_]")


class Formula(str):
    """A formula of ours, beginning with '='. Never made from user text."""

    __slots__ = ()


class _Cell(Cell):  # type: ignore[misc]
    """A cell that knows the number of its look; one object serves a column, row after row."""

    __slots__ = ("look",)
    has_style = True

    @property
    def style_id(self) -> int:
        return int(self.look)


class _StreamSheet(WriteOnlyWorksheet):  # type: ignore[misc]
    """Takes rows of ready cells as they are."""

    def _values_to_row(self, values: Sequence[_Cell | None], row_idx: int) -> Iterator[_Cell]:
        for column, cell in enumerate(values, 1):
            if cell is not None:
                cell.row, cell.column = row_idx, column
                yield cell


class Sheet:
    """One sheet. `rows` is the number of the last row written, `width` the number of columns."""

    def __init__(self, book: Book, title: str, widths: Sequence[float]) -> None:
        self.book, self.title, self.widths = book, title, widths
        self.rows = 0
        self._grid = False
        self._hidden = False
        self.ws = _StreamSheet(book.workbook, title)
        book.workbook._add_sheet(self.ws)
        self._cells: list[_Cell] = []
        self.seal = Seal()
        for column, width in enumerate(widths, 1):
            self.ws.column_dimensions[get_column_letter(column)].width = width
        self._page()

    @property
    def width(self) -> int:
        return len(self.widths)

    def one_page(self) -> None:
        """Print upright, on one page. Before the first row is written."""
        self.ws.page_setup.orientation, self.ws.page_setup.fitToHeight = "portrait", 1

    def _page(self) -> None:
        book, ws = self.book, self.ws
        ws.sheet_view.showGridLines = False
        ws.page_setup.orientation = "landscape"
        ws.page_setup.paperSize = A4
        ws.page_setup.fitToWidth, ws.page_setup.fitToHeight = 1, 0
        ws.sheet_properties.pageSetUpPr.fitToPage = True
        ws.sheet_format.defaultRowHeight, ws.sheet_format.customHeight = ROW_POINTS, True
        ws.page_margins.left = ws.page_margins.right = 0.5
        ws.page_margins.top = ws.page_margins.bottom = 0.75
        head, foot = ws.oddHeader, ws.oddFooter
        head.left.text = text.header_text(book.header[0])
        head.center.text = text.header_text(book.header[1])
        head.right.text = text.header_text(self.title)
        foot.left.text = text.header_text(book.footer)
        foot.right.text = f"{book.words('page')} &P {book.words('of')} &N"
        for part in (head.left, head.center, head.right, foot.left, foot.right):
            part.size = 8

    def grid(self) -> None:
        """Grid lines on screen, and no cell where there is nothing: for long lists.

        Before the first row is written.
        """
        self._grid = True
        self.ws.sheet_view.showGridLines = True

    def hide(self) -> None:
        """Neither seen nor printed: without a print area of its own a sheet of this book does not print."""
        self._hidden = True
        self.ws.sheet_state = "hidden"

    def freeze(self, columns: int, rows: int) -> None:
        """Keep the first columns and rows in sight. Before the first row is written."""
        self.ws.freeze_panes = f"{get_column_letter(columns + 1)}{rows + 1}"

    def row(
        self, values: Sequence[Value], looks: Sequence[Look] | str = "text", height: float | None = None
    ) -> int:
        """Write a row as high as its texts need; returns its number. None leaves an empty cell with its look."""
        lines = 1 if height is not None else self._lines(values)
        if height is not None or lines > 1:
            self.ws.row_dimensions[self.rows + 1].height = height or LINE_POINTS * lines + 2
        same = looks if isinstance(looks, str) else None
        while len(self._cells) < len(values):
            self._cells.append(_Cell(self.ws))
        marks = [f"{self.rows + 1}"]
        used: list[_Cell | None] = [*self._cells[: len(values)]]
        for place, value in enumerate(values):
            mark = self._fill(self._cells[place], value, same or looks[place])
            if mark:
                marks.append(f"{place + 1}{mark}")
            elif self._grid:
                used[place] = None
        self.ws.append(used)
        self.seal.take(row_mark(marks))
        self.rows += 1
        return self.rows

    def _lines(self, values: Sequence[Value]) -> int:
        """Most lines of text that a cell of the row needs."""
        most = 1
        for width, value in zip(self.widths, values, strict=False):
            if type(value) is str and (len(value) > width * FILL or "\n" in value):
                most = max(most, lines_of(value, width))
        return most

    def _fill(self, cell: _Cell, value: Value, look: Look) -> str:
        name, number_format = (look, "") if isinstance(look, str) else look
        looks = self.book.looks
        if isinstance(value, str):
            if isinstance(value, Formula):
                cell.data_type, cell._value = "f", str(value)
                cell.look = looks.get(name, number_format)[1]
                return f"f{value[1:]}"
            cell.data_type, cell._value = "s", text.stored(value) or None
            cell.look = looks.get(name, "", text.quoted(value))[1]
            return f"s{cell._value}" if cell._value else ""
        cell.data_type = "n"
        cell.look = looks.get(name, number_format)[1]
        if value is None or not math.isfinite(value):
            cell._value = None
            return ""
        cell._value = repr(value) if type(value) in (float, int) else repr(float(value))
        return f"n{float(value)!r}"

    def blank(self, count: int = 1) -> None:
        for _ in range(count):
            self.ws.append([])
            self.rows += 1

    def title_row(self, words: str) -> None:
        self.row([words], "title", 26)

    def section(self, words: str) -> None:
        """A heading over the whole width, one empty row above it."""
        self.blank()
        self.row([words, *[None] * (self.width - 1)], "section", 18)

    def note(self, words: str, look: str = "note") -> None:
        """A sentence across all columns, as high as it needs."""
        self.merged([(words, 1, self.width)], [look])

    def merged(self, spans: Sequence[Span], looks: Sequence[Look]) -> int:
        """Write a row of values that stretch over columns `first` to `last` (1 = A), as high as the texts need."""
        values: list[Value] = [None] * self.width
        dress: list[Look] = ["text"] * self.width
        lines = 1
        for (value, first, last), look in zip(spans, looks, strict=True):
            values[first - 1] = value
            dress[first - 1 : last] = [look] * (last - first + 1)
            if type(value) is str:
                lines = max(lines, lines_of(value, sum(self.widths[first - 1 : last])))
        end = max(last for _, _, last in spans)
        at = self.row(values[:end], dress[:end], LINE_POINTS * lines + 2)
        for _, first, last in spans:
            if last > first:
                self.ws.merged_cells.add(f"{get_column_letter(first)}{at}:{get_column_letter(last)}{at}")
        return at

    def page_break(self) -> None:
        """Begin a new printed page after the last row."""
        self.ws.row_breaks.append(Break(id=self.rows))

    def heads(self, words: Sequence[str], numbers: Sequence[int] = (), height: float | None = None) -> int:
        """A row of column heads; columns in `numbers` (0 = first) are set to the right."""
        looks = ["head number" if place in numbers else "head" for place in range(len(words))]
        lines = max(lines_of(word, 0.85 * width) for word, width in zip(words, self.widths, strict=False))
        return self.row(words, looks, height or LINE_POINTS * lines + 5)

    def table(self, name: str, first_row: int, last_row: int, heads: Sequence[str]) -> None:
        """Declare rows `first_row` (the heads) to `last_row` a table. Heads must differ from each other."""
        if last_row <= first_row:
            return
        area = f"A{first_row}:{get_column_letter(len(heads))}{last_row}"
        made = Table(displayName=self.book.table_name(name), ref=area)
        made.tableStyleInfo = TableStyleInfo(name=None, showRowStripes=False)
        made._initialise_columns()
        for column, head in zip(made.tableColumns, heads, strict=True):
            column.name = text.stored(head)
        self.ws._tables.add(made)

    def repeat(self, first: int, last: int) -> None:
        """Rows to repeat on each printed page."""
        self.ws.print_title_rows = f"{first}:{last}"

    def chart(self, chart: ChartBase, rows: int) -> None:
        """Place a chart below the last row and leave so many rows free for it."""
        anchor = f"A{self.rows + 1}"
        self.blank(rows)
        self.ws.add_chart(chart, anchor)

    def sealed_to_here(self) -> None:
        """What is written from now on is not covered by the digest of the sheet."""
        self.seal.close(self.rows)

    def sealed(self) -> Sealed:
        """Title, digest and covered rows of what is written so far; see `qualrec.export.seal`."""
        return Sealed(self.title, self.seal.digest(), self.seal.rows)

    def protect(self) -> None:
        """Keep cells from being changed by mistake; sorting, filters and widths stay free. A password would prove nothing."""
        guard = self.ws.protection
        guard.sheet = True
        guard.sort = guard.autoFilter = guard.formatColumns = guard.formatRows = False

    def close(self) -> None:
        """Set the print area over all rows; a hidden sheet has none."""
        if self._hidden:
            return
        self.ws.print_area = f"A1:{get_column_letter(self.width)}{max(1, self.rows)}"

    def discard(self) -> None:
        """Close and remove what was streamed to disk so far."""
        writer = self.ws._writer
        if writer is None:
            return
        if not self.ws.closed:
            with suppress(OSError, ValueError):
                self.ws.close()
        with suppress(OSError, ValueError):
            writer.cleanup()


class Book:
    """The workbook with its words, zone, looks and names."""

    def __init__(self, words: Words, zone: str, header: tuple[str, str], footer: str) -> None:
        self.words, self.zone_name = words, zone
        self.header, self.footer = header, footer
        self._zone = ZoneInfo(zone)
        self.workbook = Workbook(write_only=True)
        self.workbook.calculation.fullCalcOnLoad = True
        self.looks = Looks(self.workbook, WriteOnlyWorksheet(self.workbook, "looks"))
        self.sheets: list[Sheet] = []
        self._names: set[str] = set()
        self._tables: set[str] = set()

    def sheet(self, title: str, widths: Sequence[float]) -> Sheet:
        """A new sheet; `title` as `free_title` gives it."""
        made = Sheet(self, title, widths)
        self.sheets.append(made)
        return made

    def free_title(self, wanted: str, taken: Collection[str]) -> str:
        """A valid title that is not in `taken` (casefolded)."""
        return text.sheet_title(wanted, taken)

    def when(self, at_us: int | None) -> float | None:
        """A moment as a spreadsheet date in the plant's zone (days since 1899-12-30), to the millisecond."""
        if at_us is None:
            return None
        at_us = round(at_us / 1000) * 1000
        local = datetime.fromtimestamp(at_us // 1_000_000, UTC).astimezone(self._zone).replace(tzinfo=None)
        away = local - ZERO_DAY
        return away.days + (away.seconds + at_us % 1_000_000 / 1e6) / 86_400

    def moment(self, at_us: int) -> str:
        """A moment in the plant's zone as text, to the minute."""
        return f"{datetime.fromtimestamp(at_us // 1_000_000, UTC).astimezone(self._zone):%Y-%m-%d %H:%M}"

    def in_zone(self, key: str) -> str:
        """A heading with the plant's zone."""
        return f"{self.words(key)} ({self.zone_name})"

    def name(self, prefix: str, code: str) -> str:
        """A free name for a range."""
        found = text.defined_name(prefix, code, self._names)
        self._names.add(found.casefold())
        return found

    def define(self, name: str, sheet_title: str, area: str) -> None:
        """Give an area a name; `area` absolute, as '$A$1:$A$9'."""
        quoted = sheet_title.replace("'", "''")
        self.workbook.defined_names[name] = DefinedName(name, attr_text=f"'{quoted}'!{area}")

    def table_name(self, wanted: str) -> str:
        base = "t_" + _TABLE_NAME.sub("_", wanted)
        name, number = base, 2
        while name.casefold() in self._tables:
            name, number = f"{base}_{number}", number + 1
        self._tables.add(name.casefold())
        return name

    def save(self, to: Path) -> None:
        """Write the file, replacing what is there. Raises OSError."""
        for sheet in self.sheets:
            sheet.close()
        self.workbook.save(to)

    def discard(self) -> None:
        """Give up: no temporary file stays behind."""
        for sheet in self.sheets:
            sheet.discard()


def lines_of(value: str, width: float) -> int:
    """Lines that a text needs in columns of that width, broken at spaces and line feeds."""
    room = max(1.0, width * FILL)
    total = 0
    for line in value.split("\n"):
        lines, used = 1, 0.0
        for piece in line.split(" "):
            need = len(piece) + 1.0
            if used and used + need - 1.0 > room:
                lines, used = lines + 1, 0.0
            lines += max(0, int((need - 2.0) // room))
            used += need
        total += lines
    return total
