"""The words and signs of the screens, as plain text: verdicts, levels, figures. Knows no Textual.

A verdict is a sign, a word and a colour, in this order of importance, so the text alone is enough.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from math import isfinite
from typing import Literal

DecimalStyle = Literal["point", "comma"]


class Tone(StrEnum):
    """How a text is meant; the style sheet gives each tone its colour (`.tone-good` ...)."""

    GOOD = "good"
    LOOK = "look"
    BAD = "bad"
    QUIET = "quiet"


@dataclass(frozen=True, slots=True)
class Label:
    """A sign and a word, with the sign's ASCII equivalent and the tone."""

    sign: str
    plain: str
    word: str
    tone: Tone

    def text(self, ascii_only: bool = False) -> str:
        return f"{self.plain if ascii_only else self.sign} {self.word}"


VERDICTS = {
    "ok": Label("✓", "+", "OK", Tone.GOOD),
    "high": Label("▲", "^", "HIGH", Tone.BAD),
    "low": Label("▼", "v", "LOW", Tone.BAD),
    "hold": Label("!", "!", "HOLD", Tone.BAD),
    "open": Label("·", "-", "OPEN", Tone.QUIET),
}
"""What a value or a lot is judged to be. `open`: not judged yet."""

LEVELS = {
    "H": Label("!", "!", "HOLD", Tone.BAD),
    "R": Label("»", ">", "REVIEW", Tone.LOOK),
    "I": Label("·", "-", "NOTE", Tone.QUIET),
}
"""The level of a flag: holds the lot, needs a review before release, informs."""

ANSWERS = {
    "yes": Label("✓", "+", "yes", Tone.GOOD),
    "no": Label("!", "!", "no", Tone.BAD),
    "unknown": Label("?", "?", "unknown", Tone.LOOK),
}
"""One link of a chain of evidence."""

UNJUDGED = VERDICTS["open"]

ASCII_SIGNS = str.maketrans(
    {
        "✓": "+",
        "▲": "^",
        "▼": "v",
        "»": ">",
        "·": "-",
        "•": "*",
        "◆": "+",
        "○": "o",
        "–": "-",
        "—": "-",
        "…": "~",
        "×": "x",
        "µ": "u",
        "±": "+-",
        "≥": ">=",
        "≤": "<=",
        "→": ">",
        "←": "<",
        "↑": "^",
        "↓": "v",
        "°": " deg ",
        "²": "2",
        "³": "3",
        "σ": "sigma",
        "│": "|",
        "─": "-",
    }
)


def plain(text: str) -> str:
    """The text in ASCII: known signs by their equivalent, any other character as '?'."""
    return text.translate(ASCII_SIGNS).encode("ascii", "replace").decode("ascii")


def number(value: float | None, decimals: int | None = None, style: DecimalStyle = "point") -> str:
    """A figure as the plant writes it, without a mark between thousands.

    `decimals` None gives up to five significant digits, never in the form with an exponent unless the figure is
    beyond 1e-4 .. 1e15. None and values that are not finite give 'none'.
    """
    if value is None or not isfinite(value):
        return "none"
    if decimals is not None:
        text = f"{value:.{decimals}f}"
        if float(text) == 0.0:
            text = text.lstrip("-")
    elif value and not 1e-4 <= abs(value) < 1e15:
        text = f"{value:.4e}"
    else:
        digits = len(str(int(abs(value))))
        text = f"{value:.{max(0, 5 - digits)}f}" if abs(value) >= 1 else f"{value:.5g}"
        if "." in text:
            text = text.rstrip("0").rstrip(".")
    return text.replace(".", ",") if style == "comma" else text


def with_unit(
    value: float | None, unit: str, decimals: int | None = None, style: DecimalStyle = "point"
) -> str:
    """A figure and its unit with one space between; '%' too, as ISO 80000-1 writes it."""
    figure = number(value, decimals, style)
    return f"{figure} {unit}" if unit and figure != "none" else figure


def share(part: float | None, style: DecimalStyle = "point") -> str:
    """A share of 1 in per cent with one decimal."""
    return with_unit(None if part is None else 100.0 * part, "%", 1, style)


def count(number_of: int, one: str, many: str) -> str:
    """'1 lot', '3 lots'."""
    return f"{number_of} {one if number_of == 1 else many}"


def cut(text: str, width: int, ascii_only: bool = False) -> str:
    """The text in at most `width` characters, the loss shown by a mark at the end."""
    if len(text) <= width:
        return text
    mark = "~" if ascii_only else "…"
    return text[: max(0, width - 1)] + mark if width > 0 else ""


KEY_NAMES = {
    "question_mark": "?",
    "plus": "+",
    "minus": "-",
    "less_than_sign": "<",
    "greater_than_sign": ">",
    "slash": "/",
    "escape": "Esc",
    "pageup": "PgUp",
    "pagedown": "PgDn",
    "left": "Left",
    "right": "Right",
    "up": "Up",
    "down": "Down",
    "home": "Home",
    "end": "End",
    "enter": "Enter",
    "space": "Space",
    "delete": "Del",
    "insert": "Ins",
}


def key_name(key: str) -> str:
    """A key as it is written on the screen: 'f2' -> 'F2', 'ctrl+p' -> 'Ctrl+P'."""
    *held, last = key.split("+")
    if last in KEY_NAMES:
        shown = KEY_NAMES[last]
    elif (len(last) > 1 and last[0] == "f" and last[1:].isdigit()) or (held and len(last) == 1):
        shown = last.upper()
    else:
        shown = last
    return "+".join([*(part.capitalize() for part in held), shown])
