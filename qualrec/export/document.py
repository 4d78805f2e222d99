"""A document for people, before it becomes a workbook, a PDF file or lines on a terminal: pages of facts, grids and sentences.

Nothing here knows a file format. Texts are kept as they are; every writer makes them safe for its own format.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from qualrec.export.messages import Words
from qualrec.values import Plant


@dataclass(frozen=True, slots=True)
class Figure:
    """A number with the decimals it is shown with; None: six significant digits."""

    value: float | None
    places: int | None = None


@dataclass(frozen=True, slots=True)
class When:
    """A moment, shown in the plant's zone."""

    at_us: int | None


@dataclass(frozen=True, slots=True)
class Day:
    """The day of a moment in the plant's zone, for what is due by the end of a day."""

    at_us: int | None


Cell = str | int | Figure | When | Day | None


@dataclass(frozen=True, slots=True)
class Column:
    """A column of a grid. `span`: how many columns of the page it takes. `number`: set to the right."""

    head: str
    span: int = 1
    number: bool = False
    strong: bool = False


@dataclass(frozen=True, slots=True)
class Facts:
    """Labels with values; empty values are left out."""

    heading: str
    rows: tuple[tuple[str, Cell], ...]


@dataclass(frozen=True, slots=True)
class Grid:
    """Rows under heads. `empty` is said where there is no row."""

    heading: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[Cell, ...], ...]
    empty: str = ""


@dataclass(frozen=True, slots=True)
class Notes:
    """Sentences, each on lines of its own."""

    heading: str
    sentences: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Signs:
    """Lines to be signed by hand."""

    heading: str
    labels: tuple[str, ...]


Block = Facts | Grid | Notes | Signs


@dataclass(frozen=True, slots=True)
class Page:
    """A sheet of a workbook, or a part of a PDF file. `widths`: columns in characters; grids stretch over them.

    `one_page`: a sheet that is printed upright on one page.
    """

    title: str
    widths: tuple[float, ...]
    blocks: tuple[Block, ...]
    heading: str = ""
    one_page: bool = False


@dataclass(frozen=True, slots=True)
class Document:
    """`marks` stand large under the title and in the head of every page, as 'DRAFT'. `head_digest`: head of the chain."""

    plant: Plant
    language: str
    title: str
    subject: str
    marks: tuple[str, ...]
    notes: tuple[str, ...]
    pages: tuple[Page, ...]
    made_us: int
    program_version: str
    head_seq: int
    head_digest: str

    @property
    def words(self) -> Words:
        return Words(self.language)

    @property
    def comma(self) -> bool:
        """Whether decimals stand behind a comma in texts."""
        return self.language == "de"

    def moment(self, at_us: int) -> str:
        """A moment in the plant's zone, to the minute."""
        local = datetime.fromtimestamp(at_us // 1_000_000, UTC).astimezone(ZoneInfo(self.plant.zone))
        return f"{local:%Y-%m-%d %H:%M}"

    def foot(self) -> str:
        """What stands at the foot of every page."""
        return (
            f"{self.moment(self.made_us)} {self.plant.zone}, qualrec {self.program_version}, "
            f"{self.words('cover.entry')} {self.head_seq}: {self.head_digest[:16]}"
        )


def shown(document: Document, cell: Cell) -> str:
    """A cell as text."""
    if cell is None:
        return ""
    if isinstance(cell, When | Day):
        if cell.at_us is None:
            return ""
        return document.moment(cell.at_us)[: None if isinstance(cell, When) else len("2026-11-30")]
    if isinstance(cell, Figure):
        return figure_text(cell, comma=document.comma)
    return str(cell)


def figure_text(figure: Figure, *, comma: bool) -> str:
    """A figure as text; empty for none and for nan."""
    if figure.value is None or not math.isfinite(figure.value):
        return ""
    text = f"{figure.value:.{figure.places}f}" if figure.places is not None else f"{figure.value:.6g}"
    return text.replace(".", ",") if comma else text


def is_empty(cell: Cell) -> bool:
    """Whether a cell says nothing."""
    if isinstance(cell, When | Day):
        return cell.at_us is None
    if isinstance(cell, Figure):
        return cell.value is None or not math.isfinite(cell.value)
    return cell is None or cell == ""
