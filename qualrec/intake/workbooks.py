"""Workbooks (.xlsx, ISO/IEC 29500), read row by row with openpyxl.

What a sheet marks as a number, a time, a percentage or a formula stays marked: a lot number kept as a number has lost
its leading zeros, a percentage is stored as a fraction, and a formula is not a measured value.
"""

from __future__ import annotations

import warnings
import zipfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from datetime import date, datetime, time
from decimal import Decimal
from typing import IO, Any, NoReturn

from openpyxl import load_workbook

from qualrec.errors import FileRefused
from qualrec.intake.tables import Cell, Limits, Typed, refuse

_TEXT_PART = "xl/sharedStrings.xml"
_SAVE_AGAIN = "Open it in a spreadsheet program, check it, and save it again as .xlsx."


@contextmanager
def workbook_records(
    name: str, handle: IO[bytes], sheet: str, limits: Limits
) -> Iterator[Iterator[tuple[int, Sequence[Cell]]]]:
    """Rows of one sheet with their numbers. Without a sheet name the workbook has to hold exactly one sheet.

    Raises FileRefused where the workbook is damaged, too large unpacked, or the sheet is not certain; also while rows
    are read.
    """
    _check_parts(name, handle, limits)
    handle.seek(0)
    try:
        with _quiet():
            book = load_workbook(handle, read_only=True, data_only=False, keep_links=False)
    except Exception as error:  # damaged parts surface as many kinds of error
        _damaged(name, error)
    try:
        yield _rows(name, _sheet(name, book, sheet))
    finally:
        book.close()


@contextmanager
def _quiet() -> Iterator[None]:
    """openpyxl warns of parts that it does not know; cells are not touched by them."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        yield


def _damaged(name: str, error: Exception) -> NoReturn:
    refuse(name, f"The workbook is damaged ({type(error).__name__}).", _SAVE_AGAIN)


def _check_parts(name: str, handle: IO[bytes], limits: Limits) -> None:
    try:
        with zipfile.ZipFile(handle) as archive:
            parts = archive.infolist()
            sizes = {part.filename: part.file_size for part in parts}
            for part in parts:
                if part.filename.endswith(".xml"):
                    with archive.open(part) as content:
                        if b"<!DOCTYPE" in content.read(1024):
                            refuse(name, "The workbook declares its own entities.", _SAVE_AGAIN)
    except FileRefused:
        raise
    except (
        Exception
    ) as error:  # zipfile: BadZipFile, NotImplementedError, RuntimeError, zlib.error, EOFError ...
        _damaged(name, error)
    if sum(sizes.values()) > limits.workbook_bytes or sizes.get(_TEXT_PART, 0) > limits.text_part_bytes:
        refuse(name, "The workbook is too large unpacked.", "Split it, or export delimited text.")


def _sheet(name: str, book: Any, sheet: str) -> Any:
    names = book.sheetnames
    if sheet and sheet not in names:
        refuse(name, f"There is no sheet {sheet!r}.", f"Sheets: {', '.join(names[:8])}.")
    if not sheet and len(names) != 1:
        refuse(name, f"The workbook has {len(names)} sheets.", "State the sheet in the profile.")
    found = book[sheet or names[0]]
    if not hasattr(found, "reset_dimensions"):
        refuse(name, "The sheet holds a chart, not cells.", "State another sheet in the profile.")
    found.reset_dimensions()  # the stated size of a sheet may be wrong; all of its rows are read
    return found


def _rows(name: str, sheet: Any) -> Iterator[tuple[int, Sequence[Cell]]]:
    rows = enumerate(sheet.iter_rows(), 1)
    while True:
        try:
            with _quiet():
                found = next(rows, None)
            if found is None:
                return
            number, cells = found[0], [_cell(c) for c in found[1]]
        except Exception as error:  # damaged sheets surface as many kinds of error
            _damaged(name, error)
        yield number, cells


def _cell(cell: Any) -> Cell:
    value = cell.value
    if value is None:
        return ""
    if cell.data_type == "e":
        return Typed("error", str(value))
    if isinstance(value, bool):
        return Typed("logic", str(value).lower())
    if isinstance(value, (int, float)):
        if "%" in (cell.number_format or ""):
            return Typed("percent", format((Decimal(repr(value)) * 100).normalize(), "f"))
        return Typed("number", repr(value))
    if isinstance(value, datetime):
        return Typed("time", value.isoformat(sep=" "))
    if isinstance(value, date):
        return Typed("time", f"{value.isoformat()} 00:00:00")
    if isinstance(value, time):
        return Typed("clock", value.isoformat())
    if cell.data_type == "f" or not isinstance(value, str):
        return Typed("formula", str(value))
    return value
