"""Native charts of a characteristic: points, centre, limits, and points with a signal as a series of their own.

Everything is told by line pattern and marker, so that a black-and-white print is read like the screen.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from openpyxl.chart import LineChart, Reference, Series
from openpyxl.chart.layout import Layout, ManualLayout
from openpyxl.chart.shapes import GraphicalProperties
from openpyxl.chart.text import RichText
from openpyxl.drawing.line import LineProperties
from openpyxl.drawing.text import CharacterProperties, Paragraph, ParagraphProperties

from qualrec.export.book import Sheet

POINT, FLAGGED, CENTRE, LIMIT, SPECIFICATION = "point", "flagged", "centre", "limit", "specification"
MOST_LABELS = 30
EDGE = 0.03
"""Share of the span left free at both ends of an axis, so that no line lies on the frame."""
ROWS, WIDTH_CM, HEIGHT_CM = 22, 38.0, 10.4
_DASH = {CENTRE: "solid", LIMIT: "dash", SPECIFICATION: "lgDashDotDot"}
_WIDTH_EMU = {POINT: 15_875, CENTRE: 9_525, LIMIT: 15_875, SPECIFICATION: 22_225}


@dataclass(frozen=True, slots=True)
class Drawn:
    """One series: its column (1 = first) and what it is."""

    column: int
    role: str


def line_chart(
    sheet: Sheet,
    title: str,
    axis: str,
    drawn: Sequence[Drawn],
    rows: tuple[int, int],
    span: tuple[float, float],
    decimals: str,
) -> LineChart:
    """A chart over the rows after `rows[0]` (the heads) to `rows[1]`; labels come from column A.

    `span`: smallest and largest of all that is drawn; the axis reaches a little beyond.
    """
    head_row, last_row = rows
    chart = LineChart()
    chart.title, chart.height, chart.width = title, HEIGHT_CM, WIDTH_CM
    chart.title.tx.rich.p[0].pPr = ParagraphProperties(defRPr=CharacterProperties(sz=1100, b=True))
    for run in chart.title.tx.rich.p[0].r:
        run.rPr = CharacterProperties(sz=1100, b=True)
    chart.y_axis.title, chart.y_axis.number_format = axis, decimals
    chart.y_axis.scaling.min, chart.y_axis.scaling.max, chart.y_axis.majorUnit = axis_range(*span)
    chart.x_axis.delete = chart.y_axis.delete = False
    chart.x_axis.tickLblPos = "low"
    points = last_row - head_row
    chart.x_axis.tickLblSkip = chart.x_axis.tickMarkSkip = max(1, -(-points // MOST_LABELS))
    chart.x_axis.txPr = _small(-2_700_000)
    chart.y_axis.txPr = _small()
    chart.y_axis.majorGridlines = None
    chart.legend.position = "b"
    chart.legend.txPr = _small()
    chart.display_blanks = "gap"
    chart.layout = Layout(manualLayout=ManualLayout(x=0.02, y=0.1, w=0.96, h=0.7, xMode="edge", yMode="edge"))
    for one in drawn:
        values = Reference(sheet.ws, min_col=one.column, min_row=head_row, max_row=last_row)
        series = Series(values, title_from_data=True)
        _dress(series, one.role)
        chart.series.append(series)
    chart.set_categories(Reference(sheet.ws, min_col=1, min_row=head_row + 1, max_row=last_row))
    return chart


def axis_range(low: float, high: float) -> tuple[float, float, float]:
    """(smallest, largest, step) of an axis on round figures with 5 to 10 steps; room for a point without spread."""
    if not high > low:
        room = abs(low) * 0.05 or 1.0
        low, high = low - room, high + room
    low, high = low - EDGE * (high - low), high + EDGE * (high - low)
    rough = (high - low) / 7.0
    power = 10.0 ** math.floor(math.log10(rough))
    step = next(power * m for m in (1.0, 2.0, 2.5, 5.0, 10.0) if power * m >= rough)
    first, last = math.floor(low / step), math.ceil(high / step)
    digits = max(0, 2 - math.floor(math.log10(step)))
    return round(first * step, digits), round(last * step, digits), step


def _dress(series: Series, role: str) -> None:
    series.smooth = False
    properties = GraphicalProperties()
    if role == FLAGGED:
        properties.line = LineProperties(noFill=True)
        series.marker.symbol, series.marker.size = "diamond", 10
        series.marker.graphicalProperties = GraphicalProperties(noFill=True)
        series.marker.graphicalProperties.line = LineProperties(solidFill="000000", w=22_225)
    elif role == POINT:
        properties.line = LineProperties(solidFill="000000", w=_WIDTH_EMU[POINT])
        series.marker.symbol, series.marker.size = "circle", 5
        series.marker.graphicalProperties = GraphicalProperties(solidFill="000000")
        series.marker.graphicalProperties.line = LineProperties(solidFill="000000")
    else:
        grey = "7F7F7F" if role == CENTRE else "000000"
        properties.line = LineProperties(solidFill=grey, prstDash=_DASH[role], w=_WIDTH_EMU[role])
        series.marker.symbol = "none"
    series.graphicalProperties = properties


def _small(turned: int | None = None) -> RichText:
    paragraph = Paragraph(
        pPr=ParagraphProperties(defRPr=CharacterProperties(sz=800)), endParaRPr=CharacterProperties(sz=800)
    )
    text = RichText(p=[paragraph])
    if turned is not None:
        text.bodyPr.rot = turned
    return text
