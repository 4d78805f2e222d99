"""User text made safe for a PDF file: it is shown as it is, and never acts.

The pages are set in Bitstream Vera, which comes with the PDF library and is embedded, so that no font of the machine is
needed. It holds the signs of Western Europe, Turkish and a few more, with µ, ², ± and ≤. The Greek mu is set as the micro
sign, which looks the same; for any other sign that the font lacks its code stands, as <U+4E2D>: nothing vanishes.
"""

from __future__ import annotations

from functools import cache
from pathlib import Path
from xml.sax.saxutils import escape

import reportlab
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

from qualrec.export.text import shown

PLAIN, BOLD, ITALIC = "qr", "qr-bold", "qr-italic"
FILES = {PLAIN: "Vera.ttf", BOLD: "VeraBd.ttf", ITALIC: "VeraIt.ttf"}
SAME_LOOK = str.maketrans(
    {"\u03bc": "\u00b5", "\u2011": "-", "\u202f": "\u00a0", "\u2009": "\u00a0", "\u00ad": ""}
)
"""Signs that the font lacks, and signs that look the same."""
MOST_SIGNS = 20_000
"""Most signs of one text on paper; what is longer ends in a remark."""


@cache
def load_fonts() -> frozenset[int]:
    """Make the fonts known to the PDF library; returns the code points that they hold."""
    folder = Path(reportlab.__file__).parent / "fonts"
    held: set[int] | None = None
    for name, file in FILES.items():
        font = TTFont(name, str(folder / file))
        pdfmetrics.registerFont(font)
        known = set(font.face.charToGlyph)
        held = known if held is None else held & known
    pdfmetrics.registerFontFamily(PLAIN, normal=PLAIN, bold=BOLD, italic=ITALIC, boldItalic=BOLD)
    return frozenset(held or ())


def printable(text: str) -> str:
    """The text with what the font cannot show as code points, without control characters."""
    held = load_fonts()
    clean = shown(text)
    if len(clean) > MOST_SIGNS:
        clean = f"{clean[:MOST_SIGNS]} … ({len(clean)})"
    if clean.isascii():
        return clean
    clean = clean.translate(SAME_LOOK)
    return "".join(c if c == "\n" or ord(c) in held else f"<U+{ord(c):04X}>" for c in clean)


def one_line(text: str) -> str:
    """Printable text without line feeds."""
    return printable(text).replace("\n", " ")


def markup(text: str) -> str:
    """Printable text for a paragraph: marks of the markup are escaped, line feeds kept."""
    return escape(printable(text)).replace("\n", "<br/>")
