"""A grid of characters with a role in every cell: the ground that all pictures are drawn on. Pure.

A role says what a cell is (a limit, a flagged point, a name); whoever shows the grid gives each role a colour.
Two sets of glyphs: one with braille dots (2 x 4 dots in a cell) and one of plain ASCII (1 x 1).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from enum import IntEnum
from itertools import groupby
from sys import float_info


class Mark(IntEnum):
    """What a point is; the higher value wins where two meet in one cell."""

    PLAIN = 0
    CORRECTED = 1
    LEFT_OUT = 2
    LOW = 3
    HIGH = 4
    HOLD = 5


class Role(IntEnum):
    """What a cell shows."""

    BLANK = 0
    AXIS = 1
    NAME = 2
    LINE = 3
    LIMIT = 4
    CENTRE = 5
    SPEC = 6
    EVENT = 7
    VERSION = 8
    POINT = 9
    CORRECTED = 10
    LEFT_OUT = 11
    LOW = 12
    HIGH = 13
    HOLD = 14
    SEVERAL = 15
    BAR = 16
    OUTSIDE = 17
    CURVE = 18
    REQUIREMENT = 19
    GROUP_1 = 20
    GROUP_2 = 21
    GROUP_3 = 22
    GROUP_4 = 23
    GROUP_5 = 24
    GROUP_6 = 25
    GROUP_7 = 26
    GROUP_REST = 27


GROUP_ROLES = (
    Role.GROUP_1,
    Role.GROUP_2,
    Role.GROUP_3,
    Role.GROUP_4,
    Role.GROUP_5,
    Role.GROUP_6,
    Role.GROUP_7,
    Role.GROUP_REST,
    Role.GROUP_REST,
    Role.GROUP_REST,
)
"""By the place of a group's sign in `Glyphs.groups`."""


MARK_ROLE = {
    Mark.PLAIN: Role.POINT,
    Mark.CORRECTED: Role.CORRECTED,
    Mark.LEFT_OUT: Role.LEFT_OUT,
    Mark.LOW: Role.LOW,
    Mark.HIGH: Role.HIGH,
    Mark.HOLD: Role.HOLD,
}

MARK_WORDS = {
    Mark.CORRECTED: "corrected",
    Mark.LEFT_OUT: "left out",
    Mark.LOW: "low",
    Mark.HIGH: "high",
    Mark.HOLD: "hold",
}


@dataclass(frozen=True, slots=True)
class Glyphs:
    """The characters of one mode."""

    marks: tuple[str, str, str, str, str, str]
    """By `Mark`, in its order."""
    several: str
    """Flagged points of different kinds in one cell."""
    limit: str
    centre: str
    wall: str
    tick: str
    corner: str
    floor: str
    floor_tick: str
    cursor: str
    event: str
    above: str
    below: str
    left: str
    right: str
    bars: str
    """From the lowest to the full block."""
    outside: str
    sure: str
    maybe: str
    curve: str
    spec_wall: str
    limit_wall: str
    censored: str
    groups: str
    """Signs of groups of points; the last three for the other groups, for several in one point, for not on record."""


UNICODE = Glyphs(
    marks=("•", "◆", "○", "▼", "▲", "!"),
    several="#",
    limit="─",
    centre="╌",
    wall="│",
    tick="┤",
    corner="└",
    floor="─",
    floor_tick="┬",
    cursor="┿",
    event="┊",
    above="↑",
    below="↓",
    left="◂",
    right="▸",
    bars="▁▂▃▄▅▆▇█",
    outside="▒",
    sure="█",
    maybe="░",
    curve="•",
    spec_wall="┃",
    limit_wall="┊",
    censored="▷",
    groups="■□◇×+◐◧∘&?",
)

ASCII = Glyphs(
    marks=("*", "+", "o", "v", "^", "!"),
    several="#",
    limit="-",
    centre="~",
    wall="|",
    tick="+",
    corner="+",
    floor="-",
    floor_tick="+",
    cursor="X",
    event=":",
    above="^",
    below="v",
    left="<",
    right=">",
    bars="_=#",
    outside="X",
    sure="#",
    maybe=":",
    curve="*",
    spec_wall="|",
    limit_wall=":",
    censored=">",
    groups="abcdefgz&?",
)


def glyphs(ascii_only: bool) -> Glyphs:
    return ASCII if ascii_only else UNICODE


@dataclass(frozen=True, slots=True)
class Box:
    """The part of a grid that holds the picture, in cells."""

    left: int
    top: int
    width: int
    height: int


@dataclass(frozen=True, slots=True)
class Grid:
    """A finished picture: lines of equal length and, beside each, one role byte per cell."""

    lines: tuple[str, ...]
    roles: tuple[bytes, ...]
    box: Box
    cursor: tuple[int, int] | None = None
    """Column and row of the cell under the cursor."""

    def runs(self, row: int) -> Iterator[tuple[str, Role]]:
        """The line cut into stretches of one role."""
        line = self.lines[row]
        start = 0
        for role, cells in groupby(self.roles[row]):
            stop = start + sum(1 for _ in cells)
            yield line[start:stop], Role(role)
            start = stop

    def text(self) -> str:
        """The picture as lines of text without trailing blanks."""
        return "\n".join(line.rstrip() for line in self.lines) + "\n"


def _span_masks() -> tuple[tuple[tuple[int, ...], ...], ...]:
    bits = ((0x01, 0x02, 0x04, 0x40), (0x08, 0x10, 0x20, 0x80))
    return tuple(
        tuple(tuple(sum(column[top : bottom + 1]) for bottom in range(4)) for top in range(4))
        for column in bits
    )


_SPAN = _span_masks()
_FULL = (0x47, 0xB8)


class Canvas:
    """A grid while it is being drawn; later strokes cover earlier ones."""

    def __init__(self, width: int, height: int, ascii_only: bool) -> None:
        self.width = width
        self.height = height
        self.ascii_only = ascii_only
        self.glyphs = glyphs(ascii_only)
        self.chars = [[" "] * width for _ in range(height)]
        self.roles = [bytearray(width) for _ in range(height)]

    @property
    def dots(self) -> tuple[int, int]:
        """Dots of one cell: across, down."""
        return (1, 1) if self.ascii_only else (2, 4)

    def put(self, x: int, y: int, char: str, role: Role) -> None:
        if 0 <= x < self.width and 0 <= y < self.height:
            self.chars[y][x] = char
            self.roles[y][x] = role

    def write(self, x: int, y: int, text: str, role: Role) -> None:
        for offset, char in enumerate(text):
            self.put(x + offset, y, char, role)

    def free(self, x: int, y: int, length: int) -> bool:
        """Whether `length` cells from (x, y), and the one before, are blank and inside."""
        if x < 0 or x + length > self.width or not 0 <= y < self.height:
            return False
        return not any(self.roles[y][max(0, x - 1) : x + length + 1])

    def strokes(self, box: Box, spans: Iterator[tuple[int, int, int]], role: Role) -> None:
        """Draw vertical strokes given in dots of `box`: column, first row, last row."""
        if self.ascii_only:
            for x, top, bottom in spans:
                for y in range(top, bottom + 1):
                    self.put(box.left + x, box.top + y, "." if top == bottom else "|", role)
            return
        cells: dict[int, int] = {}
        width = self.width
        for x, top, bottom in spans:
            side = x & 1
            at = box.left + (x >> 1)
            first, last = top >> 2, bottom >> 2
            masks = _SPAN[side]
            key = (box.top + first) * width + at
            if first == last:
                cells[key] = cells.get(key, 0) | masks[top & 3][bottom & 3]
                continue
            cells[key] = cells.get(key, 0) | masks[top & 3][3]
            for _ in range(first + 1, last):
                key += width
                cells[key] = cells.get(key, 0) | _FULL[side]
            key += width
            cells[key] = cells.get(key, 0) | masks[0][bottom & 3]
        for key, mask in cells.items():
            y, x = divmod(key, width)
            self.chars[y][x] = chr(0x2800 + mask)
            self.roles[y][x] = role

    def grid(self, box: Box, cursor: tuple[int, int] | None = None) -> Grid:
        return Grid(
            tuple("".join(row) for row in self.chars), tuple(bytes(row) for row in self.roles), box, cursor
        )


@dataclass(frozen=True, slots=True)
class Scale:
    """A value to a place among `size` dots; values outside land on the edge."""

    low: float
    high: float
    size: int
    downward: bool = False
    """The low value at the far end, as rows count from the top."""

    def __call__(self, value: float) -> int:
        part = (value / 2 - self.low / 2) / (self.high / 2 - self.low / 2)
        if self.downward:
            part = 1.0 - part
        return min(self.size - 1, max(0, int(part * self.size)))


def widened(low: float, high: float, share: float = 0.05) -> tuple[float, float]:
    """The range with `share` more on each side; a range of no width opens around its value."""
    if high > low:
        room = high / 2 * share - low / 2 * share
        if not (low - room < low and high + room > high):
            room = abs(low) * share or 1.0
    else:
        room = abs(low) * share or 1.0
    return max(low - room, -float_info.max), min(high + room, float_info.max)


def short_number(value: float) -> str:
    """The figure with up to five significant digits and a decimal point."""
    return f"{value:.5g}"


Number = Callable[[float], str]


def place_names(
    canvas: Canvas, row: int, names: list[tuple[int, str, Role]], left: int, right: int
) -> list[int]:
    """Write names centred on their columns in one row; a name that would touch another is not written.

    Returns the columns whose names were written. Names earlier in the list go first.
    """
    written = []
    for column, text, role in names:
        start = min(max(left, column - len(text) // 2), right - len(text))
        if start >= left and canvas.free(start, row, len(text)):
            canvas.write(start, row, text, role)
            written.append(column)
    return written
