"""Reads a workbook of ours back and tells whether its sealed content is as it was written, and which cells are not.

Nothing but the file is needed: the manifest lists a digest of each sheet, a hidden sheet holds a packed copy of the content.
Another program that saves the file anew may round numbers to 15 digits and spell formulas otherwise; neither is a change.
"""

from __future__ import annotations

import math
import re
import warnings
import zipfile
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path
from typing import Any

from openpyxl import load_workbook
from openpyxl.utils import get_column_letter

from qualrec.errors import FileRefused, UsageError
from qualrec.export.seal import Sealed, content_digest, row_mark, rows_of, unpacked

NAMES = ("qualrec_sheets", "qualrec_content", "qualrec_copy", "qualrec_stamp")
"""Defined names of the list of sheets, the digest of the content, the packed copies, and the place of the signature."""
STAMP_ROWS = ("submission", "signed_by", "function", "signed_at", "signature", "content")
"""What the place of the signature holds, row by row."""
SAME = 1e-14
"""Relative difference up to which two numbers are the same: other programs keep 15 digits."""
MOST_NAMED = 200
MOST_BYTES = 2_000_000_000
_SPELLING = re.compile(r"'([A-Za-z_][A-Za-z0-9_]*)'!|\s+")
_ESCAPE = re.compile("_x([0-9A-Fa-f]{4})_")


@dataclass(frozen=True, slots=True)
class Change:
    """A cell that is not as it was sealed; `was` and `now` are what it held and holds, '' for nothing."""

    sheet: str
    cell: str
    was: str
    now: str


@dataclass(frozen=True, slots=True)
class SheetCheck:
    """A sealed sheet. `rounded`: cells that another program spelled otherwise. `note` where more is to be said."""

    title: str
    recorded: str
    found: str
    sound: bool
    changes: int = 0
    rounded: int = 0
    note: str = ""


@dataclass(frozen=True, slots=True)
class FileCheck:
    """What was found in a file.

    `content`: the digest of its content that the file itself states; `listed`: the one that follows from its list of sheets.
    They differ where the list was changed. `stamp`: what the place of the signature says.
    """

    path: Path
    digest: str
    content: str
    listed: str
    sheets: tuple[SheetCheck, ...]
    changes: tuple[Change, ...]
    added: tuple[str, ...]
    stamp: Mapping[str, str]
    stamp_sheet: int
    stamp_row: int
    """Number of the sheet (1 = first) and first row of the place of the signature; its texts stand in column B."""

    @property
    def sound(self) -> bool:
        """Every sealed cell is as it was, by the file's own list."""
        return self.content == self.listed and all(s.sound for s in self.sheets) and not self.added


def check_file(path: Path) -> FileCheck:
    """Recompute the digests of a workbook's content from the file. Raises UsageError, FileRefused where it is none of ours."""
    if not path.is_file():
        raise UsageError(f"{path}: there is no such file.", "Give the workbook that is to be verified.")
    book = _opened(path)
    try:
        areas = _areas(path, book)
        listed = tuple(_listed(book, areas["qualrec_sheets"]))
        content = _texts(book, areas["qualrec_content"])[0]
        copies = _copies(book, areas["qualrec_copy"])
        changes: list[Change] = []
        sheets = tuple(_checked(book, one, copies.get(one.title, ()), changes) for one in listed)
        known = {s.title for s in listed} | {areas["qualrec_copy"][0]}
        stamp = dict(zip(STAMP_ROWS, _texts(book, areas["qualrec_stamp"]), strict=False))
        return FileCheck(
            path=path,
            digest=_file_digest(path),
            content=content,
            listed=content_digest(listed),
            sheets=sheets,
            changes=tuple(changes[:MOST_NAMED]),
            added=tuple(title for title in book.sheetnames if title not in known),
            stamp={key: text for key, text in stamp.items() if text},
            stamp_sheet=book.sheetnames.index(areas["qualrec_stamp"][0]) + 1,
            stamp_row=int(areas["qualrec_stamp"][1].split(":")[0][1:]),
        )
    except (KeyError, ValueError, IndexError, zipfile.BadZipFile) as error:
        raise _not_ours(path) from error
    finally:
        book.close()


def _file_digest(path: Path) -> str:
    digest = sha256()
    with path.open("rb") as file:
        while piece := file.read(1 << 20):
            digest.update(piece)
    return digest.hexdigest()


def _not_ours(path: Path) -> FileRefused:
    return FileRefused(
        f"{path} holds no sealed content of this program.",
        (),
        "Give a workbook that 'qualrec submission' wrote.",
    )


def _opened(path: Path) -> Any:
    try:
        with zipfile.ZipFile(path) as archive:
            if sum(part.file_size for part in archive.infolist()) > MOST_BYTES:
                raise FileRefused(f"{path} is too large unpacked.", (), "Give a workbook of this program.")
            for part in archive.infolist():
                with archive.open(part) as content:
                    if b"<!DOCTYPE" in content.read(1024):
                        raise FileRefused(
                            f"{path} declares its own entities.", (), "Ask for the file as it was sent."
                        )
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            book = load_workbook(path, read_only=True, data_only=False, keep_links=False)
    except FileRefused:
        raise
    except Exception as error:  # damaged parts surface as many kinds of error
        raise FileRefused(
            f"{path} cannot be read as a workbook ({type(error).__name__}).",
            (),
            "Ask for the file as it was sent.",
        ) from error
    book._date_formats, book._timedelta_formats = set(), set()
    return book


def _areas(path: Path, book: Any) -> dict[str, tuple[str, str]]:
    """Sheet and cells of our names."""
    found = {}
    for name in NAMES:
        if name not in book.defined_names:
            raise _not_ours(path)
        title, _, cells = book.defined_names[name].attr_text.rpartition("!")
        found[name] = (title.strip("'").replace("''", "'"), cells.replace("$", ""))
    return found


def _cells(book: Any, area: tuple[str, str]) -> list[list[Any]]:
    title, cells = area
    first, _, last = cells.partition(":")
    found = book[title][f"{first}:{last or first}"]
    return [[getattr(cell, "value", None) for cell in row] for row in found]


def _texts(book: Any, area: tuple[str, str]) -> list[str]:
    return ["" if row[0] is None else str(row[0]) for row in _cells(book, area)]


def _listed(book: Any, area: tuple[str, str]) -> Iterator[Sealed]:
    for title, digest, rows in _cells(book, area):
        yield Sealed(str(title), str(digest), None if rows is None else int(rows))


def _copies(book: Any, area: tuple[str, str]) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for title, part in _cells(book, area):
        if title is not None and part is not None:
            found.setdefault(str(title), []).append(str(part))
    return found


def sheet_rows(sheet: Any) -> Iterator[tuple[int, dict[int, str]]]:
    """(row number, {column: letter and content}) of the rows of a sheet that hold something."""
    for row in sheet.iter_rows():
        marks = {}
        number = 0
        for cell in row:
            value = getattr(cell, "value", None)
            if value is not None and value != "":
                number = cell.row
                marks[cell.column] = _mark(cell.data_type, value)
        if marks:
            yield number, marks


def _mark(kind: str, value: Any) -> str:
    if kind == "f":
        text = getattr(value, "text", value)
        return f"f{str(text).removeprefix('=')}"
    if isinstance(value, bool) or not isinstance(value, int | float):
        return f"s{value}"
    return f"n{float(value)!r}"


def _checked(book: Any, one: Sealed, copy: list[str] | tuple[str, ...], changes: list[Change]) -> SheetCheck:
    """Digest and, where it differs, the cells of one sheet."""
    if one.title not in book.sheetnames:
        changes.append(Change(one.title, "", "the sheet", ""))
        return SheetCheck(one.title, one.digest, "", False, 1, 0, "the sheet is gone")
    sheet = book[one.title]
    digest = sha256()
    for number, marks in sheet_rows(sheet):
        if one.rows is None or number <= one.rows:
            digest.update(row_mark([str(number), *(f"{c}{m}" for c, m in marks.items())]))
    found = digest.hexdigest()
    if found == one.digest:
        return SheetCheck(one.title, one.digest, found, True)
    held = unpacked(copy)
    if held is None or sha256(held).hexdigest() != one.digest:
        note = "changed; which cells is not known, for the sealed copy of the sheet is missing or changed too"
        return SheetCheck(one.title, one.digest, found, False, 0, 0, note)
    before = len(changes)
    rounded = 0
    for change in _differences(one, held, sheet):
        if change is None:
            rounded += 1
        else:
            changes.append(change)
    named = len(changes) - before
    return SheetCheck(one.title, one.digest, found, named == 0, named, rounded)


def _differences(one: Sealed, held: bytes, sheet: Any) -> Iterator[Change | None]:
    """Cells that differ; None for each that is only spelled otherwise."""
    now = {}
    for number, marks in sheet_rows(sheet):
        if one.rows is None or number <= one.rows:
            now[number] = marks
    nothing: dict[int, str] = {}
    for number, was in rows_of(held):
        yield from _row(one.title, number, was, now.pop(number, nothing))
    for number in sorted(now):
        yield from _row(one.title, number, nothing, now[number])


def _row(title: str, number: int, was: dict[int, str], now: dict[int, str]) -> Iterator[Change | None]:
    if was == now:
        return
    for column in sorted({*was, *now}):
        before, after = was.get(column, ""), now.get(column, "")
        if before == after:
            continue
        if _same(before, after):
            yield None
        else:
            yield Change(title, f"{get_column_letter(column)}{number}", _shown(before), _shown(after))


def _same(before: str, after: str) -> bool:
    """Whether two marks mean the same."""
    if before[:1] != after[:1]:
        return False
    if before.startswith("n"):
        return math.isclose(float(before[1:]), float(after[1:]), rel_tol=SAME)
    if before.startswith("f"):
        return _formula(before) == _formula(after)
    return _plain(before) == _plain(after)


def _formula(mark: str) -> str:
    return _SPELLING.sub(lambda m: f"{m[1]}!" if m[1] else "", mark)


def _plain(mark: str) -> str:
    return _ESCAPE.sub(lambda m: chr(int(m[1], 16)), mark).replace("\r\n", "\n")


def _shown(mark: str) -> str:
    """A cell's content for people."""
    if not mark:
        return ""
    if mark.startswith("f"):
        return f"={mark[1:]}"
    return f"{float(mark[1:]):.15g}" if mark.startswith("n") else _plain(mark[1:])
