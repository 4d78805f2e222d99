"""A control plan as a workbook of one sheet: head above, a row for each characteristic, set to print on A3 across."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from openpyxl import Workbook
from openpyxl.styles import Alignment, Border, Font, Side
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.worksheet import Worksheet

from qualrec.export import text

A3 = 8
WIDTHS = (9, 18, 16, 14, 24, 11, 8, 24, 26, 9, 24, 28, 40, 16)
"""Widths of the columns in the order of the plan."""
LINE_POINTS = 14.0
WIDER = 1.15
"""A line holds fewer signs than its width says, because words are not divided."""
_THIN = Side(style="thin")
_BOX = Border(left=_THIN, right=_THIN, top=_THIN, bottom=_THIN)


def write_control_plan(
    to: Path,
    title: str,
    head: Sequence[tuple[str, str]],
    heads: Sequence[str],
    rows: Sequence[Sequence[str]],
) -> None:
    """Write the workbook to `to`. Raises OSError where the file cannot be written."""
    book = Workbook()
    page = book.active
    assert isinstance(page, Worksheet)
    page.title = "control plan"
    _put(page, 1, 1, title, wrap=False)
    page.cell(1, 1).font = Font(bold=True, size=14)
    for number, (name, value) in enumerate(head, 2):
        _put(page, number, 1, name, bold=True, wrap=False)
        _put(page, number, 3, value, wrap=False)
    top = len(head) + 3
    for column, words in enumerate(heads, 1):
        _put(page, top, column, words, bold=True).border = _BOX
        page.column_dimensions[get_column_letter(column)].width = WIDTHS[column - 1]
    page.row_dimensions[top].height = _height(heads)
    for number, row in enumerate(rows, top + 1):
        for column, value in enumerate(row, 1):
            _put(page, number, column, value).border = _BOX
        page.row_dimensions[number].height = _height(row)
    last = f"{get_column_letter(len(heads))}{top + len(rows)}"
    page.freeze_panes = f"F{top + 1}"
    page.auto_filter.ref = f"A{top}:{last}"
    page.print_title_rows = f"{top}:{top}"
    page.print_area = f"A1:{last}"
    page.page_setup.orientation, page.page_setup.paperSize = "landscape", A3
    page.page_setup.fitToWidth, page.page_setup.fitToHeight = 1, 0
    page.sheet_properties.pageSetUpPr.fitToPage = True
    page.oddHeader.left.text = text.header_text(title)
    page.oddFooter.right.text = "&P / &N"
    book.properties.title = text.shown(title)
    book.save(to)


def _height(row: Sequence[str]) -> float:
    """Points that the longest cell of a row needs: words are set in its width, at most so many to a line."""
    lines = 1
    for value, width in zip(row, WIDTHS, strict=True):
        lines = max(
            lines, sum(max(1, math.ceil(len(line) * WIDER / width)) for line in value.splitlines() or [""])
        )
    return LINE_POINTS * lines + 2


def _put(page: Worksheet, row: int, column: int, value: str, *, bold: bool = False, wrap: bool = True) -> Any:
    """One cell of text; texts stay texts, whatever they begin with."""
    cell = page.cell(row, column)
    cell.value = text.stored(value)
    cell.data_type = "s"
    cell.quotePrefix = text.quoted(value)
    cell.alignment = Alignment(vertical="top", wrap_text=wrap)
    if bold:
        cell.font = Font(bold=True)
    return cell
