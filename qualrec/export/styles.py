"""The looks of cells: fonts, borders and weights that stay readable in black and white.

Emphasis is by weight, border and light grey; nothing is told by colour alone.
"""

from __future__ import annotations

from typing import Any

from openpyxl import Workbook
from openpyxl.cell import WriteOnlyCell
from openpyxl.styles import Alignment, Border, Font, NamedStyle, PatternFill, Side

FONT = "Arial"
INK, GREY = "000000", "E6E6E6"
DATE_TIME, DATE = "yyyy-mm-dd hh:mm", "yyyy-mm-dd"

_THIN, _HAIR = Side(style="thin", color=INK), Side(style="hair", color="808080")
_LINE = Border(bottom=_HAIR)
_WRAP = Alignment(wrap_text=True, vertical="top")
_TOP = Alignment(vertical="top")
_IN = Alignment(vertical="top", horizontal="left", indent=1)
_IN_WRAP = Alignment(vertical="top", horizontal="left", indent=1, wrap_text=True)
_RIGHT = Alignment(vertical="top", horizontal="right", indent=1)


def _font(size: float = 9, *, bold: bool = False, italic: bool = False) -> Font:
    return Font(name=FONT, size=size, bold=bold, italic=italic, color=INK)


def named_styles() -> tuple[NamedStyle, ...]:
    """The named styles of the workbook."""
    head_fill = PatternFill("solid", start_color=GREY, end_color=GREY)
    frame = Border(top=_THIN, bottom=_THIN)
    return (
        NamedStyle("qr title", font=_font(16, bold=True), alignment=_TOP),
        NamedStyle("qr section", font=_font(12, bold=True), alignment=_TOP, border=Border(bottom=_THIN)),
        NamedStyle("qr mark", font=_font(14, bold=True), alignment=_TOP, border=Border(top=_THIN, bottom=_THIN)),
        NamedStyle("qr head", font=_font(bold=True), fill=head_fill, border=frame,
                   alignment=Alignment(wrap_text=True, vertical="center")),
        NamedStyle("qr head number", font=_font(bold=True), fill=head_fill, border=frame,
                   alignment=Alignment(wrap_text=True, vertical="center", horizontal="right", indent=1)),
        NamedStyle("qr label", font=_font(bold=True), alignment=_WRAP, border=_LINE),
        NamedStyle("qr text", font=_font(), alignment=_WRAP, border=_LINE),
        NamedStyle("qr strong", font=_font(bold=True), alignment=_WRAP, border=_LINE),
        NamedStyle("qr indented", font=_font(), alignment=_IN_WRAP, border=_LINE),
        NamedStyle("qr overflow", font=_font(), alignment=_IN, border=_LINE),
        NamedStyle("qr note", font=_font(8, italic=True), alignment=_WRAP),
        NamedStyle("qr number", font=_font(), alignment=_RIGHT, border=_LINE),
        NamedStyle("qr strong number", font=_font(bold=True), alignment=_RIGHT, border=_LINE),
        NamedStyle("qr date", font=_font(), alignment=Alignment(vertical="top", horizontal="left"), border=_LINE),
        NamedStyle("qr code", font=_font(8), alignment=_TOP),
        NamedStyle("qr sign", font=_font(), alignment=_WRAP, border=Border(bottom=_THIN)),
    )  # fmt: skip


class Looks:
    """Style arrays of one workbook by style name, number format and quote mark; each made once."""

    def __init__(self, book: Workbook, sheet: Any) -> None:
        self._sheet = sheet
        self._made: dict[tuple[str, str, bool], tuple[Any, int]] = {}
        for style in named_styles():
            book.add_named_style(style)

    def get(self, name: str, number_format: str = "", quote: bool = False) -> tuple[Any, int]:
        """(style array, its number in the workbook)."""
        key = (name, number_format, quote)
        if key not in self._made:
            cell = WriteOnlyCell(self._sheet)
            cell.style = f"qr {name}"
            if number_format:
                cell.number_format = number_format
            if quote:
                cell._style.quotePrefix = 1
            self._made[key] = (cell._style, cell.style_id)
        return self._made[key]


def decimals(places: int) -> str:
    """Number format with so many decimals."""
    return "0." + "0" * places if places > 0 else "0"
