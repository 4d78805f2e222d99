"""A document as a PDF file: A4, readable in black and white, every cell wrapped, the marks in the head of every page."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

from reportlab.lib.enums import TA_LEFT, TA_RIGHT
from reportlab.lib.pagesizes import A4, landscape
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable, KeepTogether, Paragraph, SimpleDocTemplate, Spacer, Table, TableStyle

from qualrec.export.document import Block, Document, Facts, Grid, Notes, Signs, is_empty, shown
from qualrec.export.pdf_text import BOLD, ITALIC, PLAIN, load_fonts, markup, one_line, printable

MARGIN, HEAD, FOOT = 16 * mm, 20 * mm, 17 * mm
PADDING = 6
"""Points that the PDF library leaves free within a frame."""
LABEL_SHARE = 0.28
GREY, LINE = 0.9, 0.5
WIDE, DENSE = 105, 140
"""Characters in the columns of a page from which on the paper lies on its side, and the letters are smaller."""
TEXT_SIZE, DENSE_SIZE = 8.0, 6.5


def write_pdf(document: Document, to: Path) -> None:
    """Write the file, replacing what is there. Raises OSError where it cannot be written."""
    load_fonts()
    wide = max(sum(page.widths) for page in document.pages) > WIDE
    size = landscape(A4) if wide else A4
    template = SimpleDocTemplate(
        str(to),
        pagesize=size,
        leftMargin=MARGIN - PADDING,
        rightMargin=MARGIN - PADDING,
        topMargin=HEAD,
        bottomMargin=FOOT,
        title=printable(f"{document.title}: {document.subject}"),
        author=printable(document.plant.name),
        subject=printable(" ".join((document.subject, *document.marks))),
        creator=f"qualrec {document.program_version}",
        keywords=document.head_digest,
        lang=document.language,
    )
    width = size[0] - 2 * MARGIN

    class Numbered(_NumberedCanvas):
        of = document

    template.build(_story(document, width), canvasmaker=Numbered)


class _NumberedCanvas(Canvas):  # type: ignore[misc]
    """Draws head and foot when the number of pages is known."""

    of: Document

    def __init__(self, *given: Any, **named: Any) -> None:
        super().__init__(*given, **named)
        self._held: list[dict[str, Any]] = []

    def showPage(self) -> None:
        self._held.append(dict(self.__dict__))
        self._startPage()

    def save(self) -> None:
        for number, state in enumerate(self._held, 1):
            self.__dict__.update(state)
            self._edges(number, len(self._held))
            super().showPage()
        super().save()

    def _edges(self, number: int, total: int) -> None:
        document, (width, height) = self.of, self._pagesize
        words = document.words
        top, room = height - 14 * mm, width - 2 * MARGIN
        self.setFont(BOLD, 9)
        self.drawCentredString(width / 2, top + 12, fitted(" · ".join(document.marks), BOLD, 9, room))
        self.setFont(PLAIN, 7.5)
        self.drawString(MARGIN, top, fitted(document.plant.name, PLAIN, 7.5, room * 0.48))
        self.drawRightString(width - MARGIN, top, fitted(document.subject, PLAIN, 7.5, room * 0.48))
        self.line(MARGIN, top - 4, width - MARGIN, top - 4)
        low = 9 * mm
        self.line(MARGIN, low + 10, width - MARGIN, low + 10)
        self.drawString(MARGIN, low, fitted(document.foot(), PLAIN, 7.5, room * 0.8))
        self.drawRightString(width - MARGIN, low, f"{words('page')} {number} {words('of')} {total}")


def fitted(text: str, font: str, size: float, room: float) -> str:
    """One line of text, cut with … where it is longer than the room (in points)."""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    line = one_line(text)
    if stringWidth(line, font, size) <= room:
        return line
    while line and stringWidth(line + "…", font, size) > room:
        line = line[:-1]
    return line + "…"


def style(name: str, size: float = 8.0, **more: Any) -> ParagraphStyle:
    """A paragraph style of ours."""
    given: dict[str, Any] = {
        "fontName": PLAIN,
        "fontSize": size,
        "leading": size * 1.3,
        "splitLongWords": 1,
        **more,
    }
    return ParagraphStyle(name, **given)


TITLE = style("title", 16, fontName=BOLD, spaceAfter=3)
SUBJECT = style("subject", 11, fontName=BOLD, spaceAfter=4)
PAGE = style("page", 13, fontName=BOLD, spaceBefore=10, spaceAfter=2)
SECTION = style("section", 10, fontName=BOLD, spaceBefore=9, spaceAfter=3)
SENTENCE = style("sentence", spaceBefore=3)
NOTE = style("note", 7.5, fontName=ITALIC, spaceAfter=2)
MARK = style("mark", 13, fontName=BOLD)


@cache
def cell_styles(size: float) -> dict[tuple[bool, bool], ParagraphStyle]:
    """Styles of cells by (set to the right, strong)."""
    return {
        (right, strong): style(
            f"cell {size} {right} {strong}",
            size,
            fontName=BOLD if strong else PLAIN,
            alignment=TA_RIGHT if right else TA_LEFT,
        )
        for right in (False, True)
        for strong in (False, True)
    }


def _story(document: Document, width: float) -> list[Flowable]:
    story: list[Flowable] = [Paragraph(markup(document.title), TITLE)]
    if document.subject:
        story.append(Paragraph(markup(document.subject), SUBJECT))
    for mark in document.marks:
        box = Table([[Paragraph(markup(mark), MARK)]], colWidths=[width])
        box.setStyle(
            TableStyle([("BOX", (0, 0), (-1, -1), 1.5, (0, 0, 0)), ("BOTTOMPADDING", (0, 0), (-1, -1), 6)])
        )
        story += [box, Spacer(1, 4)]
    story += [Paragraph(markup(note), NOTE) for note in document.notes]
    for page in document.pages:
        if page.heading:
            story.append(Paragraph(markup(page.heading), PAGE))
        for block in page.blocks:
            story += _block(document, block, page.widths, width)
    return story


def _block(document: Document, block: Block, widths: tuple[float, ...], width: float) -> list[Flowable]:
    look = cell_styles(TEXT_SIZE)
    head: list[Flowable] = [Paragraph(markup(block.heading), SECTION)] if block.heading else []
    if isinstance(block, Facts):
        rows = [
            [
                Paragraph(markup(label), look[False, True]),
                Paragraph(markup(shown(document, cell)), look[False, False]),
            ]
            for label, cell in block.rows
            if not is_empty(cell)
        ]
        share = LABEL_SHARE * width
        return _together(head, _table(rows, [share, width - share]) if rows else None)
    if isinstance(block, Grid):
        if not block.rows and block.empty:
            return _together(head, Paragraph(markup(block.empty), SENTENCE))
        return _together(head, _grid(document, block, widths, width))
    if isinstance(block, Notes):
        return _together(head, *(Paragraph(markup(s), SENTENCE) for s in block.sentences))
    return [KeepTogether([*head, *_signs(block, width)])]


def _together(head: list[Flowable], first: Flowable | None = None, *rest: Flowable) -> list[Flowable]:
    """A heading that never stands alone at the foot of a page."""
    for flowable in head:
        flowable.keepWithNext = True
    return [*head, *([] if first is None else [first]), *rest]


def _grid(document: Document, grid: Grid, widths: tuple[float, ...], width: float) -> Table:
    scale = width / sum(widths)
    columns: list[float] = []
    at = 0
    for column in grid.columns:
        columns.append(scale * sum(widths[at : at + column.span]))
        at += column.span
    size = DENSE_SIZE if sum(widths) > DENSE else TEXT_SIZE
    look, head = cell_styles(size), cell_styles(size - 0.5)
    rows = [[Paragraph(markup(c.head), head[c.number, True]) for c in grid.columns]]
    for row in grid.rows:
        rows.append(
            [
                Paragraph(markup(shown(document, cell)), look[column.number, column.strong])
                for cell, column in zip(row, grid.columns, strict=True)
            ]
        )
    return _table(rows, columns, head=True)


def _table(rows: list[list[Paragraph]], columns: list[float], *, head: bool = False) -> Table:
    """A table with thin lines; a row that is higher than a page goes on on the next."""
    table = Table(rows, colWidths=columns, repeatRows=1 if head else 0, splitInRow=1, hAlign="LEFT")
    lines: list[tuple[Any, ...]] = [
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LINEBELOW", (0, 0), (-1, -1), 0.3, (LINE, LINE, LINE)),
        ("TOPPADDING", (0, 0), (-1, -1), 1.5),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 2.5),
        ("LEFTPADDING", (0, 0), (-1, -1), 3),
        ("RIGHTPADDING", (0, 0), (-1, -1), 3),
    ]
    if head:
        lines += [
            ("BACKGROUND", (0, 0), (-1, 0), (GREY, GREY, GREY)),
            ("LINEABOVE", (0, 0), (-1, 0), 0.8, (0, 0, 0)),
            ("LINEBELOW", (0, 0), (-1, 0), 0.8, (0, 0, 0)),
        ]
    table.setStyle(TableStyle(lines))
    return table


def _signs(block: Signs, width: float) -> list[Flowable]:
    rows = [[Paragraph(markup(label), SENTENCE)] for label in block.labels]
    table = Table(rows, colWidths=[width], rowHeights=[14 * mm] * len(rows))
    table.setStyle(
        TableStyle([("VALIGN", (0, 0), (-1, -1), "BOTTOM"), ("LINEBELOW", (0, 0), (-1, -1), 0.8, (0, 0, 0))])
    )
    return [table]
