"""One sheet of plain cells as a workbook, the same bytes for the same rows."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Sequence

from openpyxl import Workbook

_FIXED = (2026, 1, 1, 0, 0, 0)
_MOMENT = re.compile(rb"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ")


def workbook_bytes(title: str, rows: Sequence[Sequence[object]]) -> bytes:
    """An .xlsx file with one sheet; texts stay texts, also those that look like numbers or formulas.

    The moments that a workbook states of itself are fixed, and its parts are stored without compression.
    """
    book = Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.title = title
    for number, row in enumerate(rows, 1):
        for column, value in enumerate(row, 1):
            if value is None or value == "":
                continue
            cell = sheet.cell(number, column, value)
            if isinstance(value, str):
                cell.data_type = "s"
    raw, fixed = io.BytesIO(), io.BytesIO()
    book.save(raw)
    with zipfile.ZipFile(raw) as source, zipfile.ZipFile(fixed, "w", zipfile.ZIP_STORED) as target:
        for name in source.namelist():
            content = source.read(name)
            if name == "docProps/core.xml":
                content = _MOMENT.sub(b"2026-01-01T00:00:00Z", content)
            target.writestr(zipfile.ZipInfo(name, _FIXED), content)
    return fixed.getvalue()
