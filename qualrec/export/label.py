"""The status label of a lot: large words for people, a code for scanners, readable in black and white.

What may not be used stands white on a black bar; what is not decided yet stands black on a grey bar between thick lines;
what may be used stands black in a frame. The code holds the lot number and nothing else, so that a scanner types it where
a lot is asked for: Code 128 (ISO/IEC 15417) where its bars stay wide enough, else QR (ISO/IEC 18004).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from qualrec.export.messages import Words
from qualrec.export.text import shown
from qualrec.values import Plant

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

USABLE = ("released", "released under concession", "shipped")
"""States whose parts may be used or shipped."""
UNDECIDED = ("open", "awaiting tests", "under review")
"""States in which nothing is decided: work goes on, nothing leaves."""
WIDTH_MM, HEIGHT_MM, EDGE_MM = 100.0, 70.0, 4.0
LEAST_BAR_MM = 0.19
"""Narrowest bar that is printed: 7.5 mil, common practice for label printers, no source."""
QUIET = 10
"""Quiet zone of Code 128 on each side, in bars (ISO/IEC 15417)."""
COLUMNS = 46
"""Width of the label as text."""


@dataclass(frozen=True, slots=True)
class Label:
    """What a label says. `since_us` and `by`: when the lot came into its state, and who brought it there."""

    plant: Plant
    language: str
    lot: str
    state: str
    part: str
    part_name: str
    quantity: int | None
    since_us: int
    by: str
    why: str
    printed_us: int
    printed_by: str

    @property
    def words(self) -> Words:
        return Words(self.language)

    @property
    def usable(self) -> bool:
        return self.state in USABLE

    @property
    def warning(self) -> str:
        """What must not be done with the parts; empty where they may be used."""
        if self.usable:
            return ""
        return self.words("label.do_not_ship" if self.state in UNDECIDED else "label.do_not_use")

    @property
    def state_word(self) -> str:
        """The state in large letters."""
        return self.words.word(self.state).upper()

    def moment(self, at_us: int) -> str:
        """A moment in the plant's zone."""
        local = datetime.fromtimestamp(at_us // 1_000_000, UTC).astimezone(ZoneInfo(self.plant.zone))
        return f"{local:%Y-%m-%d %H:%M}"

    def lines(self) -> tuple[str, ...]:
        """Everything below the lot number, the reason excepted; the last line says who printed it."""
        words = self.words
        found = [f"{words('label.part')} {self.part} {self.part_name}".rstrip()]
        if self.quantity is not None:
            found.append(f"{words('label.quantity')} {self.quantity}")
        found.append(f"{words('label.since')} {self.moment(self.since_us)} {words('label.by')} {self.by}")
        found.append(
            f"{words('label.printed')} {self.moment(self.printed_us)} {self.printed_by}, {self.plant.code}"
        )
        return tuple(found)


def label_lines(label: Label) -> tuple[str, ...]:
    """The label as text, in a frame of - where the parts may be used, of = where nothing is decided, else of #."""
    import textwrap

    words = label.words
    edge = "-" if label.usable else "=" if label.state in UNDECIDED else "#"
    inner = COLUMNS - 4
    body = [label.state_word.center(inner)]
    if label.warning:
        body.append(label.warning.center(inner))
    if label.plant.invented:
        body.append(words("cover.invented").center(inner))
    body += ["", f"{words('label.lot')} {shown(label.lot)}"]
    why = [f"{words('label.why')}: {label.why}"] if label.why else []
    body += [shown(line) for line in (*label.lines()[:-1], *why, label.lines()[-1])]
    wrapped = [
        piece
        for line in body
        for piece in (textwrap.wrap(line, inner, drop_whitespace=line == line.strip()) or [""])
    ]
    rule = edge * COLUMNS
    return (rule, *(f"{edge} {line.ljust(inner)} {edge}" for line in wrapped), rule)


def write_label(label: Label, to: Path) -> None:
    """Write the label as a PDF file of one page. Raises OSError where it cannot be written."""
    from reportlab.lib.units import mm
    from reportlab.pdfgen.canvas import Canvas

    from qualrec.export.pdf_text import load_fonts, printable

    load_fonts()
    canvas = Canvas(str(to), pagesize=(WIDTH_MM * mm, HEIGHT_MM * mm), lang=label.language)
    canvas.setTitle(printable(f"{label.words('label.lot')} {label.lot}: {label.state_word}"))
    canvas.setAuthor(printable(label.plant.name))
    canvas.setCreator("qualrec")
    _draw(canvas, label)
    canvas.save()


def _draw(canvas: Canvas, label: Label) -> None:
    from reportlab.lib.units import mm

    room, under = (WIDTH_MM - 2 * EDGE_MM) * mm, label.warning
    black = bool(under) and label.state not in UNDECIDED
    left, top = EDGE_MM * mm, (HEIGHT_MM - EDGE_MM) * mm
    bar = 17 * mm
    canvas.setLineWidth(3 if under else 1.5)
    canvas.setFillGray(0 if black else 0.88)
    canvas.rect(left, top - bar, room, bar, stroke=1, fill=1 if under else 0)
    canvas.setFillGray(1 if black else 0)
    middle, inside = left + room / 2, room - 4 * mm
    _centred(canvas, label.state_word, inside, middle, top - (7 if under else 8.5) * mm, 34)
    if under:
        _centred(canvas, under, inside, middle, top - 14.4 * mm, 9)
    canvas.setFillGray(0)
    at = top - bar - 5.5 * mm
    _centred(canvas, label.lot, room, middle, at, 22)
    at -= 5.5 * mm
    at = _code(canvas, label.lot, left, at, room)
    _small(canvas, label, left, at, room)


def _centred(canvas: Canvas, text: str, room: float, x: float, y: float, size: float) -> None:
    """One bold line about a point, in the largest size up to `size` that fits; cut where even the smallest does not."""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    from qualrec.export.pdf import fitted
    from qualrec.export.pdf_text import BOLD, one_line

    line = one_line(text)
    while size > 7 and stringWidth(line, BOLD, size) > room:
        size -= 0.5
    canvas.setFont(BOLD, size)
    canvas.drawCentredString(x, y - 0.36 * size, fitted(line, BOLD, size, room))


def _code(canvas: Canvas, number: str, left: float, top: float, room: float) -> float:
    """Draw the code of the lot number; returns where the next line may begin."""
    from reportlab.lib.units import mm

    bars = barcode_of(number, room)
    if bars is not None:
        bars.drawOn(canvas, left + (room - bars.width) / 2, top - bars.height)
        return float(top - bars.height - 3.5 * mm)
    from reportlab.graphics import renderPDF
    from reportlab.graphics.barcode.qr import QrCodeWidget
    from reportlab.graphics.shapes import Drawing

    side = 16 * mm
    widget = QrCodeWidget(number, barLevel="M", barWidth=side, barHeight=side)
    drawing = Drawing(side, side)
    drawing.add(widget)
    renderPDF.draw(drawing, canvas, left + (room - side) / 2, top - side)
    return float(top - side - 2.5 * mm)


def barcode_of(number: str, room: float) -> Any:
    """Code 128 of a lot number within the room (in points), quiet zones included; None where it cannot be."""
    from reportlab.graphics.barcode.code128 import Code128
    from reportlab.lib.units import mm

    if not number.isascii() or not number.isprintable():
        return None
    one = Code128(number, barWidth=1.0, quiet=0)
    modules = one.width + 2 * QUIET
    width = min(room / modules, 0.5 * mm)
    if width < LEAST_BAR_MM * mm:
        return None
    return Code128(
        number, barWidth=width, barHeight=12 * mm, quiet=1, lquiet=QUIET * width, rquiet=QUIET * width
    )


def _small(canvas: Canvas, label: Label, left: float, top: float, room: float) -> None:
    """What else the label says: one line each, cut with …; the reason takes what room is left."""
    from reportlab.lib.units import mm
    from reportlab.lib.utils import simpleSplit

    from qualrec.export.pdf import fitted
    from qualrec.export.pdf_text import PLAIN, one_line

    size, leading = 7.5, 9.0
    most = max(1, int((top - EDGE_MM * mm) // leading) + 1)
    lines = [fitted(line, PLAIN, size, room) for line in label.lines()]
    if label.plant.invented:
        lines.insert(0, label.words("cover.invented"))
    if label.why:
        why = simpleSplit(one_line(f"{label.words('label.why')}: {label.why}"), PLAIN, size, room)
        left_over = max(1, most - len(lines))
        if len(why) > left_over:
            why = [*why[: left_over - 1], why[left_over - 1] + " …"]
        lines[-1:-1] = [fitted(piece, PLAIN, size, room) for piece in why]
    canvas.setFont(PLAIN, size)
    for number, line in enumerate(lines):
        canvas.drawString(left, top - number * leading, line)
