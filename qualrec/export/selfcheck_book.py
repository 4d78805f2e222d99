"""The validation record as a workbook: one sheet on the run, one with a row for every checked figure.

Takes plain rows, so that it knows nothing of how the record is made.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from openpyxl import Workbook
from openpyxl.styles import Alignment, Font, PatternFill
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.worksheet import Worksheet

from qualrec.export import text

HEADS = ("id", "title", "quantity", "expected", "computed", "tolerance", "verdict", "source", "how obtained")
WIDTHS = (26, 44, 22, 30, 30, 22, 12, 60, 60)
_BOLD = Font(bold=True)
_FAILED = PatternFill("solid", fgColor="FFF4C7C3")


def write_record(
    to: Path, heading: Sequence[tuple[str, str]], rows: Sequence[Sequence[str | float]], remark: str
) -> None:
    """Write the record to `to`. `rows` in the order of `HEADS`. Raises OSError where the file cannot be written."""
    book = Workbook()
    front = book.active
    assert isinstance(front, Worksheet)
    front.title = "record"
    _put(front, 1, ("Validation record of the statistics", ""))
    front.cell(1, 1).font = Font(bold=True, size=14)
    for number, pair in enumerate(heading, 3):
        _put(front, number, pair)
        front.cell(number, 1).font = _BOLD
    _put(front, len(heading) + 4, (remark, ""))
    front.column_dimensions["A"].width, front.column_dimensions["B"].width = 18, 80
    _cases(book.create_sheet("cases"), rows)
    book.save(to)


def _cases(sheet: Worksheet, rows: Sequence[Sequence[str | float]]) -> None:
    _put(sheet, 1, HEADS)
    for column, width in enumerate(WIDTHS, 1):
        sheet.column_dimensions[get_column_letter(column)].width = width
        sheet.cell(1, column).font = _BOLD
    for number, row in enumerate(rows, 2):
        _put(sheet, number, row)
        if row[HEADS.index("verdict")] != "passed":
            for column in range(1, len(HEADS) + 1):
                sheet.cell(number, column).fill = _FAILED
    sheet.freeze_panes = "B2"
    sheet.auto_filter.ref = f"A1:{get_column_letter(len(HEADS))}{len(rows) + 1}"


def _put(sheet: Worksheet, number: int, values: Sequence[str | float]) -> None:
    """One row; texts stay texts, whatever they begin with."""
    for column, value in enumerate(values, 1):
        cell = sheet.cell(number, column)
        if isinstance(value, str):
            cell.value = text.stored(value)
            cell.data_type = "s"
            cell.quotePrefix = text.quoted(value)
            cell.alignment = Alignment(vertical="top", wrap_text=True)
        else:
            cell.value = value
