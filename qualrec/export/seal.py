"""What a sheet holds, as a digest and as a packed copy: whoever has the file can tell that a cell changed, and which.

The digest of a sheet (SHA-256) is over its rows in order. A row that holds nothing adds nothing; another adds its number, then
for each cell that holds something its column number, a letter (n number, s text, f formula) and its content: numbers as the
shortest text that gives the same double, formulas without '='. These are joined by the sign 1F (hexadecimal) and ended by
1E. The copy is the same text packed (zlib), as base64 on a hidden sheet, so that it survives where another program saves
the file anew.

The digest of the content is over one line per sheet: title, rows covered ('' for all), digest of the sheet, parted by tabs.
"""

from __future__ import annotations

import base64
import zlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from hashlib import sha256

CELL_SIGNS = 32_000
"""Signs of the packed copy in one cell; a cell takes 32,767."""
UNPACKED_LIMIT = 1 << 30
"""Most bytes that a copy is unpacked to."""
JOIN, END = "\x1f", "\x1e"


def row_mark(marks: Sequence[str]) -> bytes:
    """What one row adds to the digest and the copy of its sheet; nothing for an empty row.

    `marks`: the row number, then for each cell that holds something its column number, letter and content.
    """
    return (JOIN.join(marks) + END).encode("utf-8") if len(marks) > 1 else b""


@dataclass(frozen=True, slots=True)
class Sealed:
    """A sheet under the seal. `rows`: how many rows from the top it covers; None for all."""

    title: str
    digest: str
    rows: int | None = None


def content_digest(sheets: Iterable[Sealed]) -> str:
    """Digest of the whole content; see the head of this module."""
    lines = (f"{s.title}\t{'' if s.rows is None else s.rows}\t{s.digest}\n" for s in sheets)
    return sha256("".join(lines).encode("utf-8")).hexdigest()


class Seal:
    """Takes in the rows of one sheet as they are written."""

    def __init__(self) -> None:
        self._digest = sha256()
        self._packer = zlib.compressobj(1)
        self._packed: list[bytes] = []
        self.rows: int | None = None
        """Rows covered, once the seal was closed before the end of the sheet."""

    def take(self, mark: bytes) -> None:
        """Take in one row; nothing after `close`."""
        if mark and self.rows is None:
            self._digest.update(mark)
            found = self._packer.compress(mark)
            if found:
                self._packed.append(found)

    def close(self, rows: int) -> None:
        """What is written below row `rows` is not covered."""
        self.rows = rows

    def digest(self) -> str:
        return self._digest.hexdigest()

    def copy(self) -> Iterator[str]:
        """The packed copy, cut to what a cell takes. Once only, after the last row."""
        self._packed.append(self._packer.flush())
        text = base64.b64encode(b"".join(self._packed)).decode("ascii")
        self._packed.clear()
        for start in range(0, len(text), CELL_SIGNS):
            yield text[start : start + CELL_SIGNS]


def unpacked(parts: Iterable[str]) -> bytes | None:
    """The rows of a packed copy; None where it is damaged."""
    try:
        packed = base64.b64decode("".join(parts), validate=True)
        worker = zlib.decompressobj()
        found = worker.decompress(packed, UNPACKED_LIMIT)
        return found if worker.eof else None
    except (ValueError, zlib.error):
        return None


def rows_of(copy: bytes) -> Iterator[tuple[int, dict[int, str]]]:
    """(row number, {column: letter and content}) of an unpacked copy."""
    for line in copy.decode("utf-8", "replace").split(END):
        if line:
            number, *marks = line.split(JOIN)
            yield int(number), dict(split_mark(mark) for mark in marks)


def split_mark(mark: str) -> tuple[int, str]:
    """Column number and the rest of a cell's mark."""
    digits = 0
    while digits < len(mark) and mark[digits].isdigit():
        digits += 1
    return int(mark[:digits]), mark[digits:]
