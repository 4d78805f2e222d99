"""Several charts of the same points, one strip each, with one cursor: to see what moved together, and what happened then."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from textual.strip import Strip

from qualrec.tui.widgets.chart import Chart
from qualrec.tui.widgets.plot_canvas import Box, Grid, Mark, Role
from qualrec.tui.widgets.plot_grid import draw_sequence
from qualrec.tui.widgets.plot_sequence import EventMark, SequencePlot, View, legend

LEAST_ROWS = 3
"""Rows of a strip under its title."""


@dataclass(frozen=True, slots=True)
class StripPlot:
    """One strip: the words over it and its points. `figure` says the value of a point in words, `related` follows it."""

    title: str
    related: str
    plot: SequencePlot
    figure: Callable[[int], str]


class StripChart(Chart):
    """Strips over one axis of points. It is walked, zoomed and panned as a chart is; `roll` shows other strips."""

    DETAIL_LINES = 0

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.rows: tuple[StripPlot, ...] = ()
        self.top_row = 0
        self.fitting = 1
        """How many strips there is room for."""

    def show_rows(
        self,
        rows: Sequence[StripPlot],
        names: Sequence[str],
        events: Sequence[EventMark],
        *,
        keep: bool = False,
    ) -> None:
        """Draw strips of as many points as there are names."""
        self.rows = tuple(rows)
        self.top_row = min(self.top_row, max(0, len(rows) - 1)) if keep else 0
        marks = [max((row.plot.mark(at) for row in rows), default=Mark.PLAIN) for at in range(len(names))]
        axis = SequencePlot([0.0] * len(names), marks, names, events=events)
        self.show(axis, keep=keep)

    def roll(self, by: int) -> bool:
        """Show the strips further down or up; False where all are shown."""
        if self.fitting >= len(self.rows):
            return False
        last = len(self.rows) - self.fitting
        self.top_row = (self.top_row + by) % (last + 1)
        self.redraw()
        return True

    def drawn(self, width: int, height: int) -> list[Strip]:
        room = height - 3 - bool(self.plot.events)
        if not self.rows or not self.plot.values or room < LEAST_ROWS + 1:
            return self.strips_of(draw_sequence(SequencePlot(()), width, height, View()))
        self.fitting = min(len(self.rows), room // (LEAST_ROWS + 1))
        self.top_row = min(self.top_row, len(self.rows) - self.fitting)
        shown = self.rows[self.top_row : self.top_row + self.fitting]
        each, over = divmod(room, self.fitting)
        heights = [each + (at < over) for at in range(self.fitting)]
        grids = self._rows_drawn(width, shown, heights)
        self._box = grids[0].box
        lines = []
        for row, grid in zip(shown, grids, strict=True):
            lines.append(self.text_strip(self._title(row), width, Role.VERSION))
            lines += self.strips_of(grid)
        return [*lines, self.text_strip(self._foot(), width, Role.AXIS)]

    def _title(self, row: StripPlot) -> str:
        here = "" if self.cursor is None else row.figure(self.cursor)
        return "   ".join(part for part in (row.title, here, row.related) if part)

    def _foot(self) -> str:
        marks = {mark for row in self.rows for mark in row.plot.marks}
        signs = legend(SequencePlot((), tuple(marks)), self.ascii_only)
        count = len(self.plot.values)
        zoomed = self.stop - self.first < count
        points = f"points {self.first + 1}-{self.stop} of {count}" if zoomed else ""
        fit = "height: limits" if self.fit_limits else ""
        more = len(self.rows) - self.fitting
        part = (
            f"strips {self.top_row + 1}-{self.top_row + self.fitting} of {len(self.rows)}" if more > 0 else ""
        )
        return "   ".join(piece for piece in (signs, points, fit, part) if piece)

    def _rows_drawn(self, width: int, shown: Sequence[StripPlot], heights: Sequence[int]) -> list[Grid]:
        """The strips, their columns in line: the events' letters over the first, the names of points under the last."""
        last = len(shown) - 1

        def made(gutter: int) -> list[Grid]:
            found = []
            for at, (row, rows) in enumerate(zip(shown, heights, strict=True)):
                view = replace(self._view(gutter), letters=at == 0, floor=at == last, point_names=at == last)
                extra = (at == 0 and bool(self.plot.events)) + 2 * (at == last)
                plot = replace(row.plot, events=self.plot.events)
                found.append(draw_sequence(plot, width, rows - 1 + extra, view))
            return found

        grids = made(0)
        lefts = {grid.box.left for grid in grids if grid.box != Box(0, 0, width, len(grid.lines))}
        return grids if len(lefts) <= 1 else made(max(lefts) - 1)
