"""A result with its working: lines for the reader, data with every digit, and how it was obtained.

Knows no terminal and no database: commands print it, records keep it, screens show it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from typing import Any


@dataclass(slots=True)
class Working:
    """What was worked out: lines for the reader, data by stable keys, and how it was obtained.

    `fine` is a spread in the unit of the values; it sets the decimals of figures in that unit.
    """

    title: str
    source: str = ""
    fine: float = math.nan
    lines: list[tuple[str, str, str]] = field(default_factory=list)
    data: dict[str, Any] = field(default_factory=dict)
    blocks: list[tuple[str, Sequence[str], list[Sequence[str]]]] = field(default_factory=list)
    conventions: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    bad: bool = False
    """True where the answer is bad."""

    def add(self, key: str, value: Any, label: str, how: str = "", form: str = "g") -> None:
        """One figure: JSON key, value, words, and its formula with the figures put in. `form`: see `shown`."""
        self.data[key] = value
        self.lines.append((label, self.shown(value, form), how))

    def gap(self, title: str = "") -> None:
        """An empty line, or a heading, among the lines."""
        self.lines.append(("", "", title))

    def table(self, title: str, heads: Sequence[str], rows: Iterable[Sequence[object]]) -> None:
        cells = [[c if isinstance(c, str) else self.shown(c) for c in row] for row in rows]
        self.blocks.append((title, heads, list(cells)))

    def shown(self, value: Any, form: str = "g") -> str:
        """A figure for the reader. Forms: g six digits, x in the unit of the values, i index, p p-value, % share."""
        if value is None:
            return "none"
        if isinstance(value, str):
            return value
        if isinstance(value, bool):
            return "yes" if value else "no"
        if isinstance(value, int):
            return f"{value:,}".replace(",", " ") if value >= 100_000 else str(value)
        figure = float(value) or 0.0
        if math.isnan(figure):
            return "none"
        if math.isinf(figure):
            return "no limit" if form == "x" else ("+inf" if figure > 0 else "-inf")
        if form == "x" and math.isfinite(self.fine) and self.fine > 0:
            places = max(0, 3 - math.floor(math.log10(self.fine)))
            return f"{figure:.{min(places, 12)}f}" if places <= 12 else f"{figure:.12g}"
        if form == "i":
            return f"{figure:.3f}"
        if form == "p":
            return "< 0.0001" if figure < 0.0001 else f"{figure:.4f}"
        if form == "%":
            return f"{100 * figure:.4g} %"
        return f"{figure:.6g}"

    def both(self, low: float, high: float, form: str = "x") -> str:
        return f"{self.shown(low, form)} to {self.shown(high, form)}"

    def interval(self, key: str, found: Any, label: str, form: str = "x") -> None:
        """A two-sided interval as `key`_low and `key`_high."""
        self.data[f"{key}_low"], self.data[f"{key}_high"] = found.low, found.high
        shown = self.both(found.low, found.high, form)
        self.lines.append((label, shown, f"{100 * found.level:g} %, {found.method}"))
