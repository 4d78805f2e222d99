"""Pairs of materials over the recipes: the matrix of polymers line by line, then the check of each part's two materials."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from textual.app import ComposeResult
from textual.containers import Vertical
from textual.widgets import Static

from qualrec.tui.labels import Tone, plain
from qualrec.tui.screens.overlays import Overlay
from qualrec.tui.themes import is_ascii
from qualrec.tui.widgets.pick_list import PickLine, Picks, Text
from qualrec.tui.widgets.record_table import Cell

if TYPE_CHECKING:
    from qualrec.weld.pairs import Finding
    from qualrec.work.materials_pairs import MatrixCell, PairMatrix, PartPair

SIGNS = {"good": "✓", "limited": "~", "none": "·"}
RATING_TONES = {"good": Tone.GOOD, "limited": Tone.LOOK, "none": Tone.QUIET}
"""Rating of a cell; its word stands in the details."""
LEGEND = "✓ welds  ~ some reports  · no evidence, trial required  * own"
LEVELS = {
    "supports": ("✓", Tone.GOOD),
    "caution": ("!", Tone.LOOK),
    "unknown": ("?", Tone.LOOK),
    "informs": (" ", None),
}


class PairsSheet(Overlay):
    """The matrix and the parts; the line under the cursor is told in full below. Nothing is changed here."""

    CSS = """
    PairsSheet > #sheet { width: 118; height: 90%; }
    PairsSheet Picks { height: 1fr; }
    """

    def __init__(self, matrix: PairMatrix, parts: Sequence[PartPair]) -> None:
        super().__init__()
        self.matrix = matrix
        self.parts = tuple(parts)

    def compose(self) -> ComposeResult:
        title = "Pairs: upper part down, lower part across   (Esc closes)"
        with Vertical(id="sheet"):
            yield Static(plain(title) if is_ascii(self) else title, id="sheet-title", markup=False)
            yield Picks(id="pairs")

    def on_mount(self) -> None:
        picks = self.query_one(Picks)
        picks.show(matrix_lines(self.matrix, self.parts))
        picks.list.focus()


def matrix_lines(matrix: PairMatrix, parts: Sequence[PartPair]) -> list[PickLine]:
    """The matrix as lines, then a line for each part."""
    names = [p.abbreviation for p in matrix.polymers]
    width = max(6, *(len(name) + 2 for name in names)) if names else 6
    lines = [PickLine("", (" " * width + "".join(name.rjust(width) for name in names),))]
    for name, row in zip(names, matrix.cells, strict=True):
        cells: list[Text] = [f"{name:<{width}}"]
        for c in row:
            sign = SIGNS[c.rated.rating] + ("*" if c.rated.own else "")
            cells.append(Cell(sign.rjust(width), RATING_TONES[c.rated.rating]))
        lines.append(PickLine(f"polymer:{name}", cells, _row_detail(name, row, matrix)))
    lines.append(PickLine("", (LEGEND,)))
    lines.append(PickLine("", ("Parts",)))
    for one in parts:
        check = one.check
        text = f"{one.part.number:<10} {check.upper.name} on {check.lower.name}   {check.rating.value}"
        lines.append(PickLine(f"part:{one.part.number}", (text,), part_detail(one)))
    return lines


def _row_detail(name: str, row: Sequence[MatrixCell], matrix: PairMatrix) -> list[Text]:
    polymer = next(p for p in matrix.polymers if p.abbreviation == name)
    kind = "semicrystalline" if polymer.semicrystalline else "amorphous"
    own = "own polymer, " if name in matrix.own else ""
    lines: list[Text] = [
        f"{name}: {own}{kind}, melt range {polymer.process_low_c:g} to {polymer.process_high_c:g} °C. {polymer.source}"
    ]
    for c in row:
        welded = f"; welded: {', '.join(c.parts)}" if c.parts else ""
        tone = Tone.GOOD if c.rated.rating == "good" else None
        lines.append(
            Cell(f"on {c.lower}: {c.rating.value}, melt overlap {c.melt_overlap_k:g} K{welded}", tone)
        )
        lines.append(Cell(f"    source: {c.rated.source} ({c.rated.how_obtained})", Tone.QUIET))
    return lines


def part_detail(one: PartPair) -> list[Text]:
    """Every finding of a part's pair with its source, cautions first among equals as they come."""
    from qualrec.weld.cautions import cautions_for

    lines: list[Text] = [
        f"{one.part.number} {one.part.name}: {one.part.upper.material} on {one.part.lower.material}"
    ]
    for found in one.check.findings:
        lines += _finding(found)
    return [*lines, *(Cell(c.text, Tone.QUIET) for c in cautions_for("pairs", "estimate"))]


def _finding(found: Finding) -> list[Text]:
    sign, tone = LEVELS[found.level.value]
    return [
        Cell(f"{sign} {found.topic}: {found.text}", tone),
        Cell(f"    source: {found.source} ({found.how_obtained})", Tone.QUIET),
    ]
