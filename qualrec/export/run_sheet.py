"""The run sheet of a study: text to print, CSV or a workbook that is filled in and comes back.

The table has one row a run with an empty cell for what is found. Known values of the masters and known classes are not on it.
"""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from pathlib import Path

from openpyxl import Workbook
from openpyxl.styles import Alignment, Border, Font, Side
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.datavalidation import DataValidation
from openpyxl.worksheet.worksheet import Worksheet

from qualrec.errors import Refused, UsageError
from qualrec.export import text

ENDINGS = (".txt", ".csv", ".xlsx")
A4 = 9
_BOLD, _THIN = Font(bold=True), Side(style="thin")
_BOX = Border(left=_THIN, right=_THIN, top=_THIN, bottom=_THIN)


@dataclass(frozen=True, slots=True)
class RunSheet:
    """`head`: lines above the table. `columns` end with the one to fill in, '' in a row that is open.

    `choices`: what that column may hold, () for figures. `semicolon`: between the cells of a CSV file.
    """

    title: str
    head: tuple[tuple[str, str], ...]
    columns: tuple[str, ...]
    rows: tuple[tuple[str | int, ...], ...]
    choices: tuple[str, ...] = ()
    semicolon: bool = False


def write_run_sheet(sheet: RunSheet, to: Path, *, replace: bool = False) -> None:
    """Write a sheet in the form that the ending of the file names. Raises UsageError for another ending, Refused for a file
    that is there already."""
    ending = to.suffix.casefold()
    if ending not in ENDINGS:
        raise UsageError(f"{to.name} has no known ending.", f"Name a file that ends in {', '.join(ENDINGS)}.")
    if to.exists() and not replace:
        raise Refused(f"{to.name} is there already.", "Choose another name, or give --replace.")
    try:
        if ending == ".xlsx":
            _workbook(sheet, to)
        else:
            words = sheet_csv(sheet) if ending == ".csv" else sheet_text(sheet)
            to.write_text(words, encoding="utf-8-sig" if ending == ".csv" else "utf-8", newline="")
    except OSError as error:
        raise Refused(f"{to} cannot be written: {error.strerror}.", "Check the folder.") from error


def sheet_text(sheet: RunSheet) -> str:
    """The sheet as text with a line to write on, for a printer."""
    blank = "_" * max(12, *(len(c) for c in sheet.choices)) if sheet.choices else "_" * 14
    cells = [[str(c) for c in row[:-1]] + [str(row[-1]) or blank] for row in sheet.rows]
    widths = [max(len(h), *(len(r[i]) for r in cells)) for i, h in enumerate(sheet.columns)]
    lines = [sheet.title, *(f"{name}: {value}" for name, value in sheet.head), ""]
    if sheet.choices:
        lines += [f"Classes: {', '.join(sheet.choices)}", ""]
    lines.append("  ".join(h.ljust(w) for h, w in zip(sheet.columns, widths, strict=True)).rstrip())
    lines.append("  ".join("-" * w for w in widths))
    lines += ["  ".join(c.ljust(w) for c, w in zip(row, widths, strict=True)).rstrip() for row in cells]
    lines += ["", "Measured by ______________   on ______________"]
    return "".join(f"{text.shown(line)}\n" for line in lines)


def sheet_csv(sheet: RunSheet) -> str:
    """The table alone; a semicolon where the plant writes a decimal comma."""
    out = io.StringIO()
    writer = csv.writer(out, delimiter=";" if sheet.semicolon else ",", lineterminator="\r\n")
    writer.writerow(sheet.columns)
    writer.writerows(sheet.rows)
    return out.getvalue()


def _workbook(sheet: RunSheet, to: Path) -> None:
    book = Workbook()
    page = book.active
    assert isinstance(page, Worksheet)
    page.title = "runs"
    _put(page, 1, 1, sheet.title)
    page.cell(1, 1).font = Font(bold=True, size=13)
    for number, (name, value) in enumerate(sheet.head, 2):
        _put(page, number, 1, name)
        _put(page, number, 2, value)
        page.cell(number, 1).font = _BOLD
    top = len(sheet.head) + 3
    for column, name in enumerate(sheet.columns, 1):
        _put(page, top, column, name)
        page.cell(top, column).font = _BOLD
        page.cell(top, column).border = _BOX
    for number, row in enumerate(sheet.rows, top + 1):
        for column, found in enumerate(row, 1):
            _put(page, number, column, found)
            page.cell(number, column).border = _BOX
    last = top + len(sheet.rows)
    letter = get_column_letter(len(sheet.columns))
    if sheet.choices:
        allowed = DataValidation(type="list", formula1=f'"{",".join(sheet.choices)}"', allow_blank=True)
        if len(allowed.formula1) <= 255 and not any("," in c or '"' in c for c in sheet.choices):
            page.add_data_validation(allowed)
            allowed.add(f"{letter}{top + 1}:{letter}{last}")
    for column, name in enumerate(sheet.columns, 1):
        widest = max((len(str(row[column - 1])) for row in sheet.rows), default=0)
        page.column_dimensions[get_column_letter(column)].width = max(len(name), widest, 8) + 3
    labels = max((len(name) for name, _ in sheet.head), default=0)
    first = page.column_dimensions["A"]
    first.width = max(first.width, labels + 4)
    page.column_dimensions[letter].width = 22
    _print(page, sheet, top, f"A1:{letter}{last}")
    book.save(to)


def _print(page: Worksheet, sheet: RunSheet, top: int, area: str) -> None:
    page.freeze_panes = f"A{top + 1}"
    page.print_title_rows = f"{top}:{top}"
    page.print_area = area
    page.page_setup.paperSize = A4
    page.page_setup.fitToWidth, page.page_setup.fitToHeight = 1, 0
    page.sheet_properties.pageSetUpPr.fitToPage = True
    page.oddHeader.left.text = text.header_text(sheet.title)
    page.oddFooter.right.text = "&P / &N"


def _put(page: Worksheet, row: int, column: int, value: str | int) -> None:
    """One cell; texts stay texts, whatever they begin with."""
    cell = page.cell(row, column)
    if isinstance(value, str):
        cell.value = text.stored(value)
        cell.data_type = "s"
        cell.quotePrefix = text.quoted(value)
        cell.alignment = Alignment(vertical="top")
    else:
        cell.value = value
        cell.alignment = Alignment(horizontal="left")
