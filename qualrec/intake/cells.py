"""Cells of a clean stretch of a delimited file, converted in arrays straight from its bytes.

A stretch is clean where every row has the same number of cells and the expression of `fast` fits it, so that no cell is
quoted, empty or of another form than its column has. All functions here rely on that.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from qualrec.values import BoolArray, FloatArray, IntArray

LINE_FEED, RETURN, POINT, MINUS, ZERO = 10, 13, 46, 45, 48
EXACT_DIGITS = 15
"""Up to so many digits, whole number / power of ten is rounded once and is the nearest double (Clinger 1990, "How to read
floating point numbers accurately", section 3: both are exact, and the division rounds correctly)."""
RUN_WIDTH = 64
_DAY_US = 86_400_000_000
_DAYS_BEFORE = np.array([0, 0, 31, 59, 90, 120, 151, 181, 212, 243, 273, 304, 334])
_MONTH = np.array([0, 31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """Where the cells of one column begin and how wide they are, in bytes of `data` (shape (bytes,))."""

    data: NDArray[np.uint8]
    begin: IntArray
    width: IntArray

    def __len__(self) -> int:
        return len(self.begin)

    def at(self, place: int) -> NDArray[np.uint8]:
        """The byte at a place of each cell; of a shorter cell, something else."""
        found: NDArray[np.uint8] = self.data[np.minimum(self.begin + place, len(self.data) - 1)]
        return found

    def texts(self) -> list[str]:
        """As strings; equal neighbours are made once."""
        change = self._changes()
        first = np.flatnonzero(change)
        content = self.data.tobytes().decode("latin-1")
        bounds = zip(self.begin[first].tolist(), (self.begin + self.width)[first].tolist(), strict=True)
        made = np.empty(len(first), dtype=object)
        made[:] = [content[low:high] for low, high in bounds]
        found: list[str] = np.repeat(made, np.diff(np.append(first, len(self)))).tolist()
        return found

    def _changes(self) -> BoolArray:
        """Cells that differ from the one before."""
        change = np.ones(len(self), dtype=bool)
        if len(self) < 2 or int(self.width.max()) > RUN_WIDTH:
            return change
        change[1:] = self.width[1:] != self.width[:-1]
        for place in range(int(self.width.max())):
            byte = self.at(place)
            change[1:] |= (byte[1:] != byte[:-1]) & (place < self.width[1:])
        return change


def columns_of(stretch: bytes, delimiter: str, count: int) -> list[Cells]:
    """The cells of each of `count` columns."""
    data = np.frombuffer(stretch, dtype=np.uint8)
    ends = np.flatnonzero((data == ord(delimiter)) | (data == LINE_FEED)).reshape(-1, count)
    begins = np.empty_like(ends)
    begins.ravel()[1:] = ends.ravel()[:-1] + 1
    begins[0, 0] = 0
    last = ends[:, -1] - (data[ends[:, -1] - 1] == RETURN)
    found = [Cells(data, begins[:, i], ends[:, i] - begins[:, i]) for i in range(count - 1)]
    return [*found, Cells(data, begins[:, -1], last - begins[:, -1])]


def whole_numbers(cells: Cells) -> IntArray:
    """Digits only, at most 18 of them."""
    value = np.zeros(len(cells), dtype=np.int64)
    for place in range(int(cells.width.max(initial=0))):
        inside = place < cells.width
        value = np.where(inside, value * 10 + (cells.at(place).astype(np.int64) - ZERO), value)
    return value


def numbers(cells: Cells, sign: str) -> FloatArray:
    """Decimal numbers without exponent; `sign` is the decimal sign. Each is the double nearest to its digits."""
    mantissa = np.zeros(len(cells), dtype=np.int64)
    digits, decimals = np.zeros(len(cells), dtype=np.int64), np.zeros(len(cells), dtype=np.int64)
    behind = np.zeros(len(cells), dtype=bool)
    for place in range(min(int(cells.width.max(initial=0)), EXACT_DIGITS + 2)):
        byte, inside = cells.at(place), place < cells.width
        is_digit = inside & (byte >= ZERO) & (byte <= ZERO + 9)
        mantissa = np.where(is_digit, mantissa * 10 + (byte.astype(np.int64) - ZERO), mantissa)
        digits += is_digit
        decimals += is_digit & behind
        behind |= inside & (byte == ord(sign))
    value = mantissa / 10.0**decimals
    value = np.where(cells.at(0) == MINUS, -value, value)
    long = (cells.width > EXACT_DIGITS + 2) | (digits > EXACT_DIGITS)
    for row in np.flatnonzero(long).tolist():
        low = int(cells.begin[row])
        text = cells.data[low : low + int(cells.width[row])].tobytes().decode("ascii")
        value[row] = float(text.replace(sign, "."))
    return value


def moments(cells: Cells) -> tuple[IntArray, str] | None:
    """Local microseconds since 1970 of ISO times, and the form of what stands behind: '', 'Z' or '+' (an offset).

    None where the cells are not all of one form, or a day is not in the calendar.
    """
    width = int(cells.width[0])
    if (cells.width != width).any():
        return None
    kind = _one_of(cells, 19) if width > 19 else ""
    fraction = 0
    if kind == ".":
        while 20 + fraction < width and _one_of(cells, 20 + fraction) == "0":
            fraction += 1
        kind = _one_of(cells, 20 + fraction) if 20 + fraction < width else ""
    behind = width - (20 + fraction if fraction else 19)
    if kind is None or behind != {"": 0, "Z": 1, "+": 6}.get(kind):
        return None
    seconds = _field(cells, 11, 2) * 3600 + _field(cells, 14, 2) * 60 + _field(cells, 17, 2)
    days = _days(_field(cells, 0, 4), _field(cells, 5, 2), _field(cells, 8, 2))
    if days is None:
        return None
    micros = _field(cells, 20, fraction) * 10 ** (6 - fraction) if fraction else 0
    return days * _DAY_US + seconds * 1_000_000 + micros, kind


def _one_of(cells: Cells, place: int) -> str | None:
    """The sign that all cells have at a place; a digit for digits, '+' also for '-'; None where they differ."""
    byte = cells.at(place)
    if ((byte >= ZERO) & (byte <= ZERO + 9)).all():
        return "0"
    if ((byte == ord("+")) | (byte == MINUS)).all():
        return "+"
    return chr(int(byte[0])) if (byte == byte[0]).all() else None


def _field(cells: Cells, place: int, count: int) -> IntArray:
    value = np.zeros(len(cells), dtype=np.int64)
    for i in range(count):
        value = value * 10 + (cells.at(place + i).astype(np.int64) - ZERO)
    return value


def _days(year: IntArray, month: IntArray, day: IntArray) -> IntArray | None:
    """Days since 1970-01-01 in the Gregorian calendar."""
    leap = ((year % 4 == 0) & (year % 100 != 0)) | (year % 400 == 0)
    if (day > _MONTH[month] + (leap & (month == 2))).any():
        return None
    before = year - 1
    days = 365 * before + before // 4 - before // 100 + before // 400 + _DAYS_BEFORE[month]
    found: IntArray = days + (leap & (month > 2)) + day - 719_163
    return found
