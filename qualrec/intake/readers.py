"""Files as tables: delimited text, workbooks (.xlsx) and JSON lines, with the row numbers of the file.

A reader knows cells, not readings. It refuses what it cannot read for certain, and names file, row and column.
Memory does not grow with the file.
"""

from __future__ import annotations

import hashlib
import io
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from qualrec.errors import UsageError
from qualrec.intake.numbers import quote
from qualrec.intake.tables import FileFormat, Layout, Limits, Table, framed, refuse
from qualrec.intake.textfiles import delimited_table, json_table, look_through, text_lines


def file_digest(path: Path) -> str:
    """SHA-256 of the file's bytes as hexadecimal text, read in pieces."""
    with opened(path) as handle:
        return hashlib.file_digest(handle, "sha256").hexdigest()


@contextmanager
def opened(path: Path) -> Iterator[io.BufferedReader]:
    """The file's bytes. Raises UsageError where it is not there or cannot be read."""
    try:
        if not path.is_file():
            what = "is not a file" if path.exists() else "does not exist"
            raise UsageError(f"{path} {what}.", "Check the path.")
        handle = path.open("rb")
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise UsageError(
            f"{quote(str(path), 200)} cannot be opened: {reason}.", "Check the path and your rights."
        ) from error
    with handle:
        yield handle


@contextmanager
def open_table(path: Path, layout: Layout, limits: Limits | None = None) -> Iterator[Table]:
    """Opens a file as the layout says. Errors: UsageError (no such file), FileRefused (no table as described)."""
    limits = limits or Limits()
    with opened(path) as handle:
        size = path.stat().st_size
        if size == 0:
            refuse(path.name, "The file is empty.", "Export it again.")
        if size > limits.file_bytes:
            refuse(
                path.name, f"The file has {size:,} bytes; {limits.file_bytes:,} are taken.", "Split the file."
            )
        start = handle.read(8)
        handle.seek(0)
        _check_kind(path.name, start, layout.file_format)
        if layout.file_format == "workbook":
            from qualrec.intake.workbooks import workbook_records

            with workbook_records(path.name, handle, layout.sheet, limits) as records:
                yield framed(path.name, records, layout, limits)
            return
        facts = look_through(path.name, handle, layout.encoding)
        handle.seek(0)
        text = io.TextIOWrapper(handle, encoding=facts.encoding, newline="")
        try:
            lines = text_lines(path.name, text, limits)
            if layout.file_format == "json lines":
                table = json_table(path.name, lines, layout)
            else:
                table = delimited_table(path.name, lines, layout, limits)
            table.facts = facts
            yield table
        finally:
            text.detach()


def _check_kind(name: str, start: bytes, file_format: FileFormat) -> None:
    zipped, old = start.startswith(b"PK\x03\x04"), start.startswith(b"\xd0\xcf\x11\xe0")
    if old:
        refuse(name, "This is an old or a locked workbook.", "Save it as .xlsx without a password.")
    if zipped and file_format != "workbook":
        refuse(name, "This is a workbook or an archive, not text.", "Choose a profile for workbooks.")
    if not zipped and file_format == "workbook":
        refuse(
            name, "This is not a workbook (.xlsx).", "Choose a profile for text files, or save it as .xlsx."
        )
