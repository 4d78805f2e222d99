"""What a chart of values in sequence is made of: points, marks, limits, events, groups, and the part in view. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import isfinite

from qualrec.tui.widgets.plot_canvas import MARK_WORDS, Mark, Number, glyphs, short_number

Level = float | Sequence[float] | None


@dataclass(frozen=True, slots=True)
class LimitSpan:
    """Limits in force for the points `start` up to, not including, `stop`.

    Each of `lower`, `centre`, `upper` is one figure, a figure per point (index 0 = `start`), or None.
    """

    start: int
    stop: int
    lower: Level = None
    centre: Level = None
    upper: Level = None
    version: str = ""


@dataclass(frozen=True, slots=True)
class EventMark:
    """Something that happened just before the point `before` (a point number, 0-based)."""

    before: int
    letter: str
    text: str = ""


@dataclass(frozen=True, slots=True)
class Words:
    """The names in the gutter: (long, short)."""

    upper: tuple[str, str] = ("upper limit", "upper")
    centre: tuple[str, str] = ("centre", "centre")
    lower: tuple[str, str] = ("lower limit", "lower")
    spec_upper: tuple[str, str] = ("spec upper", "spec")
    spec_lower: tuple[str, str] = ("spec lower", "spec")
    empty: str = "no values yet"


@dataclass(frozen=True, slots=True)
class Layer:
    """Points of one group, by the place of its sign in `Glyphs.groups`; not finite where the group has no value."""

    name: str
    sign: int
    values: Sequence[float]


@dataclass(frozen=True, slots=True)
class SequencePlot:
    """What to draw. A value that is not finite is a gap. `marks` and `names` are empty or as long as `values`.

    With `layers` their points stand in place of the plain ones; marked points stay, over them.
    """

    values: Sequence[float]
    marks: Sequence[Mark] = ()
    names: Sequence[str] = ()
    limits: Sequence[LimitSpan] = ()
    events: Sequence[EventMark] = ()
    spec_lower: float | None = None
    spec_upper: float | None = None
    number: Number = short_number
    words: Words = field(default_factory=Words)
    layers: Sequence[Layer] = ()

    def mark(self, index: int) -> Mark:
        return self.marks[index] if self.marks else Mark.PLAIN

    def name(self, index: int) -> str:
        return self.names[index] if self.names else str(index + 1)


@dataclass(frozen=True, slots=True)
class View:
    """Which points are drawn and how high."""

    first: int = 0
    stop: int | None = None
    cursor: int | None = None
    fit_limits: bool = False
    """The height follows the limits, not the values; values beyond it stand at the edge."""
    ascii_only: bool = False
    gutter: int = 0
    """The least width of the gutter, so that two charts one above the other keep their columns."""
    point_names: bool = True
    """Whether the row under the floor names points."""
    floor: bool = True
    """Whether there is a row for the floor; without it there are no names either."""
    letters: bool = True
    """Whether events have their letter in a row of its own, or only their line."""

    @property
    def rows_below(self) -> int:
        return int(self.floor) * (1 + self.point_names)


def span_at(plot: SequencePlot, index: int) -> LimitSpan | None:
    """The limits in force for one point; the later span wins where two overlap."""
    return next((span for span in reversed(plot.limits) if span.start <= index < span.stop), None)


def level_at(level: Level, place: int) -> float | None:
    """The figure of a limit at a place of its span; None where there is none."""
    if level is None:
        return None
    value = float(level) if isinstance(level, int | float) else float(level[place])
    return value if isfinite(value) else None


def legend(plot: SequencePlot, ascii_only: bool = False) -> str:
    """The marks that occur, each with its word."""
    signs = glyphs(ascii_only).marks
    seen = set(plot.marks)
    return "  ".join(f"{signs[mark]} {word}" for mark, word in MARK_WORDS.items() if mark in seen)


def missing(plot: SequencePlot) -> int:
    """How many points have no finite value."""
    return sum(1 for value in plot.values if not isfinite(value))
