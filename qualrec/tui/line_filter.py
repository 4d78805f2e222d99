"""The last thing that a line passes before the terminal: control characters of a text never reach it."""

from __future__ import annotations

from rich.segment import Segment
from textual.color import Color
from textual.filter import LineFilter

STEERING = dict.fromkeys(
    (
        *range(32),
        *range(127, 160),
        0x061C,
        0x200E,
        0x200F,
        0x2028,
        0x2029,
        *range(0x202A, 0x202F),
        *range(0x2066, 0x206A),
    )
)
"""Control characters and those that turn the direction of writing. They take no cell, so they are left out."""


class NoSteering(LineFilter):
    """Takes out of every segment what could steer the terminal; the program's own control segments pass."""

    def apply(self, segments: list[Segment], background: Color) -> list[Segment]:
        return [
            segment
            if segment.control or segment.text.isprintable()
            else Segment(segment.text.translate(STEERING), segment.style, segment.control)
            for segment in segments
        ]
