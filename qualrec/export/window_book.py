"""A window study as a workbook: result, runs, and a coloured map of each pair of factors.

Takes plain rows, so that it knows nothing of how they are made. Texts stay texts, whatever they begin with.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from openpyxl import Workbook
from openpyxl.styles import Alignment, Border, Font, PatternFill, Side
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.worksheet import Worksheet

from qualrec.export import text

Value = str | float | int | None
BLUE, ORANGE, GREY = "FF9CC3E6", "FFF6C28B", "FFE3E3E3"
_BOLD = Font(bold=True)
_WRAP = Alignment(vertical="top", wrap_text=True)
_MARK = Border(*(Side(style="thick"),) * 4)
PAPER_A4 = 9


@dataclass(frozen=True, slots=True)
class MapSheet:
    """One map. `cells` by row from the top: lower bound of strength, and a sign: '' meets the rule, else why not.

    `set_point`: its row and column, None where it has none.
    """

    title: str
    x_name: str
    y_name: str
    x_values: Sequence[float]
    y_values: Sequence[float]
    cells: Sequence[Sequence[tuple[float, str]]]
    set_point: tuple[int, int] | None


def write_window_book(
    to: Path,
    title: str,
    facts: Sequence[tuple[str, Value]],
    sentences: Sequence[str],
    run_heads: Sequence[str],
    runs: Sequence[Sequence[Value]],
    maps: Sequence[MapSheet],
    legend: Sequence[str],
    cautions: Sequence[str],
) -> None:
    """Write the workbook to `to`. Raises OSError where the file cannot be written."""
    book = Workbook()
    front = book.active
    assert isinstance(front, Worksheet)
    front.title = "result"
    _front(front, title, facts, sentences, cautions)
    _runs(book.create_sheet("runs"), run_heads, runs)
    for number, one in enumerate(maps, 1):
        _map(book.create_sheet(f"map {number}" if len(maps) > 1 else "map"), one, legend)
    for sheet in book.worksheets:
        _page(sheet, title)
    book.save(to)


def _page(sheet: Worksheet, title: str) -> None:
    sheet.sheet_view.showGridLines = False
    sheet.page_setup.orientation, sheet.page_setup.paperSize = "landscape", PAPER_A4
    sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = 1, 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    sheet.oddHeader.left.text = text.header_text(title)
    sheet.oddFooter.right.text = "&P / &N"


def _front(
    sheet: Worksheet,
    title: str,
    facts: Sequence[tuple[str, Value]],
    sentences: Sequence[str],
    cautions: Sequence[str],
) -> None:
    _put(sheet, 1, (title,))
    sheet.cell(1, 1).font = Font(bold=True, size=14)
    sheet.cell(1, 1).alignment = Alignment(wrap_text=False)
    row = 3
    for label, value in facts:
        _put(sheet, row, (label, value))
        sheet.cell(row, 1).font = _BOLD
        row += 1
    for heading, lines in (("Result", sentences), ("Cautions", cautions)):
        row += 1
        _put(sheet, row, (heading,))
        sheet.cell(row, 1).font = _BOLD
        for line in lines:
            row += 1
            sheet.merge_cells(start_row=row, start_column=1, end_row=row, end_column=2)
            _put(sheet, row, (line,))
            sheet.row_dimensions[row].height = 14.0 * (1 + len(line) // 115)
        row += 1
    sheet.column_dimensions["A"].width, sheet.column_dimensions["B"].width = 30, 80


def _runs(sheet: Worksheet, heads: Sequence[str], runs: Sequence[Sequence[Value]]) -> None:
    _put(sheet, 1, heads)
    for column in range(1, len(heads) + 1):
        sheet.cell(1, column).font = _BOLD
        texts = [str(row[column - 1]) for row in runs if isinstance(row[column - 1], str)]
        longest = max(map(len, (heads[column - 1], *texts)))
        sheet.column_dimensions[get_column_letter(column)].width = min(40, max(9, longest + 2))
    for number, row in enumerate(runs, 2):
        _put(sheet, number, row)
    sheet.freeze_panes = "B2"
    sheet.print_title_rows = "1:1"


def _map(sheet: Worksheet, one: MapSheet, legend: Sequence[str]) -> None:
    _put(sheet, 1, (one.title,))
    sheet.cell(1, 1).font = _BOLD
    sheet.cell(1, 1).alignment = Alignment(wrap_text=False)
    fills = {"": PatternFill("solid", fgColor=BLUE), "i": PatternFill("solid", fgColor=ORANGE)}
    other = PatternFill("solid", fgColor=GREY)
    _put(sheet, 3, (one.y_name,))
    for at, (value, row) in enumerate(zip(one.y_values, one.cells, strict=True)):
        sheet.cell(4 + at, 1, value).number_format = "0.###"
        sheet.cell(4 + at, 1).font = _BOLD
        for column, (bound, sign) in enumerate(row, 2):
            cell = sheet.cell(4 + at, column, bound)
            cell.number_format, cell.fill = "0", fills.get(sign, other)
            cell.font = Font(size=8, bold=not sign)
            cell.alignment = Alignment(horizontal="center")
    foot = 4 + len(one.y_values)
    for column, value in enumerate(one.x_values, 2):
        sheet.cell(foot, column, value).number_format = "0.###"
        sheet.cell(foot, column).font = Font(bold=True, size=8)
        sheet.cell(foot, column).alignment = Alignment(horizontal="center", text_rotation=90)
        sheet.column_dimensions[get_column_letter(column)].width = 6
    sheet.row_dimensions[foot].height = 34
    _put(sheet, foot + 1, ("", one.x_name))
    sheet.cell(foot + 1, 2).alignment = Alignment(wrap_text=False)
    if one.set_point is not None:
        cell = sheet.cell(4 + one.set_point[0], 2 + one.set_point[1])
        cell.border = _MARK
    for at, line in enumerate(legend):
        _put(sheet, foot + 3 + at, (line,))
        sheet.cell(foot + 3 + at, 1).alignment = Alignment(wrap_text=False)
    sheet.column_dimensions["A"].width = 16


def _put(sheet: Worksheet, number: int, values: Sequence[Value]) -> None:
    """One row; texts stay texts, whatever they begin with."""
    for column, value in enumerate(values, 1):
        if value is None or value == "":
            continue
        cell = sheet.cell(number, column)
        if isinstance(value, str):
            cell.value = text.stored(value)
            cell.data_type = "s"
            cell.quotePrefix = text.quoted(value)
            cell.alignment = _WRAP
        else:
            cell.value = value
