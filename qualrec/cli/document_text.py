"""A document as lines on stdout."""

from __future__ import annotations

from collections.abc import Sequence
from shutil import get_terminal_size
from textwrap import wrap

from qualrec.cli import output
from qualrec.export.document import Document, Facts, Grid, Notes, is_empty, shown

TERMINAL, NARROW = 120, 20
"""Characters of a line where there is no terminal, and of a column that is not cut down further."""


def print_document(document: Document) -> None:
    """Title, marks and notes, then facts, grids and sentences in their order."""
    output.line(f"{document.title}: {document.subject}")
    for text in (*document.marks, *document.notes):
        output.line(text)
    for page in document.pages:
        for block in page.blocks:
            heading = block.heading or page.heading
            output.line()
            if heading:
                output.line(heading)
            if isinstance(block, Facts):
                rows = [(label, shown(document, cell)) for label, cell in block.rows if not is_empty(cell)]
                wide = max((len(label) for label, _ in rows), default=0)
                for label, text in rows:
                    output.line(f"  {label.ljust(wide)}  {text}")
            elif isinstance(block, Grid):
                _print_grid(document, block)
            elif isinstance(block, Notes):
                for sentence in block.sentences:
                    output.line(f"  {sentence}")
    output.line()
    output.line(document.foot())


def _print_grid(document: Document, grid: Grid) -> None:
    """A table that fits the terminal where that can be: the widest columns are broken into lines."""
    if not grid.rows:
        output.line(f"  {grid.empty}")
        return
    cells = [[shown(document, cell) for cell in row] for row in grid.rows]
    heads = [column.head for column in grid.columns]
    widths = _widths(heads, cells, get_terminal_size((TERMINAL, 24)).columns)
    rows = []
    for row in [heads, *cells]:
        broken = [_broken(text, width) for text, width in zip(row, widths, strict=True)]
        for number in range(max(len(lines) for lines in broken)):
            rows.append([lines[number] if number < len(lines) else "" for lines in broken])
        if row is heads:
            rows.append(["-" * width for width in widths])
    right = {place for place, column in enumerate(grid.columns) if column.number}
    for line in rows:
        parts = [
            text.rjust(width) if place in right else text.ljust(width)
            for place, (text, width) in enumerate(zip(line, widths, strict=True))
        ]
        output.line("  ".join(parts).rstrip())


def _widths(heads: Sequence[str], cells: Sequence[Sequence[str]], room: int) -> list[int]:
    """Widths of the columns: as wide as their texts, the widest cut down until they fit the room or are narrow."""
    texts = [[head, *(row[place] for row in cells)] for place, head in enumerate(heads)]
    widths = [max(len(line) for text in column for line in (text.split("\n") or [""])) for column in texts]
    while sum(widths) + 2 * (len(widths) - 1) > room and max(widths) > NARROW:
        widths[widths.index(max(widths))] -= 1
    return widths


def _broken(text: str, width: int) -> list[str]:
    return [piece for line in text.split("\n") for piece in (wrap(line, max(1, width)) or [""])]
