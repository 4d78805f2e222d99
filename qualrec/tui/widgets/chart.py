"""A chart in sequence that can be walked: the cursor keys go from point to point, the lines below tell all about it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from math import isfinite
from textwrap import wrap

from textual.events import Click, MouseScrollDown, MouseScrollUp
from textual.message import Message
from textual.strip import Strip

from qualrec.tui.actions import bindings_of
from qualrec.tui.widgets.grid_view import GridView
from qualrec.tui.widgets.plot_canvas import MARK_WORDS, Box, Grid, Mark, Role
from qualrec.tui.widgets.plot_grid import draw_sequence, places_at
from qualrec.tui.widgets.plot_sequence import SequencePlot, View, legend, missing

FEWEST = 5
"""Points in the closest view."""
ROOM_FOR_TWO, ROOM_FOR_THREE = 14, 26
"""Rows from which a second and a third chart are drawn."""


def point_text(plot: SequencePlot, index: int) -> str:
    """What the plot itself knows of a point: its name, figure, mark, and what happened just before it."""
    value = plot.values[index]
    parts = [plot.name(index), plot.number(value) if isfinite(value) else "no value"]
    mark = plot.mark(index)
    if mark is not Mark.PLAIN:
        parts.append(MARK_WORDS[mark])
    parts += [f"before it: {event.text}" for event in plot.events if event.before == index and event.text]
    return "  ".join(parts)


class Chart(GridView, can_focus=True):
    """Title, chart, up to two charts of the same points below it, the point's text, the legend.

    `show` gives it what to draw. `describe` tells everything about a point, by its number; without it the chart
    tells what the plot knows. Posts `Chart.PointMoved` and, on Enter or a double click, `Chart.PointOpened`.
    """

    BINDINGS = bindings_of("chart")
    DETAIL_LINES = 2

    class PointMoved(Message):
        """The cursor stands on another point."""

        def __init__(self, chart: Chart, index: int) -> None:
            super().__init__()
            self.chart = chart
            self.index = index

        @property
        def control(self) -> Chart:
            return self.chart

    class PointOpened(PointMoved):
        """The records behind the point are asked for."""

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id, classes="family-chart")
        self.plot = SequencePlot(())
        self.spread: SequencePlot | None = None
        self.between: SequencePlot | None = None
        self.heading = ""
        self.describe: Callable[[int], str] | None = None
        self.cursor: int | None = None
        self.first = 0
        self.stop = 0
        self.fit_limits = False
        self._box = Box(0, 0, 0, 0)
        self._top = 1

    def show(
        self,
        plot: SequencePlot,
        *,
        heading: str = "",
        spread: SequencePlot | None = None,
        between: SequencePlot | None = None,
        describe: Callable[[int], str] | None = None,
        keep: bool = False,
    ) -> None:
        """Draw `plot`, and `spread` (as many points) below it. `keep` leaves cursor and view where they can stay.

        `between` is drawn above `spread` where there is room for three.
        """
        whole_before = self.first == 0 and self.stop == len(self.plot.values)
        self.plot, self.spread, self.between = plot, spread, between
        self.heading, self.describe = heading, describe
        count = len(plot.values)
        if not keep or self.cursor is None or self.cursor >= count:
            self.cursor = count - 1 if count else None
        if not keep or whole_before or self.stop > count:
            self.first, self.stop = 0, count
        self.redraw()

    def drawn(self, width: int, height: int) -> list[Strip]:
        gap = missing(self.plot)
        title = self.heading + (f"   {gap} without a value" if gap else "")
        details = self._details(width)
        grids = self._grids(width, self._parts(height - 2 - self.DETAIL_LINES))
        self._box = grids[0].box
        strips = [self.text_strip(title, width, Role.VERSION)]
        for grid in grids:
            strips += self.strips_of(grid)
        strips += [self.text_strip(line, width) for line in details]
        strips.append(self.text_strip(self._foot(), width, Role.AXIS))
        return strips

    def _parts(self, room: int) -> list[tuple[SequencePlot, int]]:
        """The charts with their rows: one needs 14 rows in all to have another below it, and 26 to have two."""
        below = [plot for plot in (self.between, self.spread) if plot is not None]
        if len(below) == 2 and room < ROOM_FOR_THREE:
            below = below[1:]
        if not below or room < ROOM_FOR_TWO:
            return [(self.plot, max(0, room))]
        rows = max(6, room * 3 // 8) if len(below) == 1 else room * 2 // 7
        return [(self.plot, room - rows * len(below)), *((plot, rows) for plot in below)]

    def _grids(self, width: int, parts: Sequence[tuple[SequencePlot, int]]) -> list[Grid]:
        """The charts one above the other, their columns in line; the names of points stand under the last."""
        last = len(parts) - 1

        def made(gutter: int) -> list[Grid]:
            return [
                draw_sequence(plot, width, rows, self._view(gutter, names=at == last))
                for at, (plot, rows) in enumerate(parts)
            ]

        grids = made(0)
        lefts = {grid.box.left for grid in grids}
        return grids if len(lefts) == 1 else made(max(lefts) - 1)

    def _view(self, gutter: int = 0, names: bool = True) -> View:
        return View(self.first, self.stop, self.cursor, self.fit_limits, self.ascii_only, gutter, names)

    def _details(self, width: int) -> list[str]:
        """The point's text in as many lines as are kept for it."""
        text = ""
        if self.cursor is not None:
            tell = self.describe or (lambda index: point_text(self.plot, index))
            text = tell(self.cursor)
        lines = [part for line in text.splitlines() for part in wrap(line, max(10, width))]
        kept = lines[: self.DETAIL_LINES]
        if len(lines) > len(kept):
            kept[-1] += " ..."
        return kept + [""] * (self.DETAIL_LINES - len(kept))

    def _foot(self) -> str:
        count = len(self.plot.values)
        part = f"points {self.first + 1}-{self.stop} of {count}" if self.stop - self.first < count else ""
        fit = "height: limits" if self.fit_limits else ""
        return "   ".join(piece for piece in (legend(self.plot, self.ascii_only), part, fit) if piece)

    def move_to(self, index: int) -> None:
        """Put the cursor on a point; the view follows."""
        count = len(self.plot.values)
        if not count:
            return
        index = min(count - 1, max(0, index))
        if index == self.cursor and self.first <= index < self.stop:
            return
        self.cursor = index
        size = self.stop - self.first
        if index < self.first:
            self._look_at(index, size)
        elif index >= self.stop:
            self._look_at(index - size + 1, size)
        self.redraw()
        self.post_message(self.PointMoved(self, index))

    def _look_at(self, first: int, size: int) -> None:
        count = len(self.plot.values)
        size = min(count, max(min(FEWEST, count), size))
        self.first = min(max(0, first), count - size)
        self.stop = self.first + size

    def look_at(self, first: int, stop: int) -> None:
        """Show the points from `first` up to, not including, `stop`; the cursor comes along."""
        self._look_at(first, stop - first)
        if self.cursor is not None and not self.first <= self.cursor < self.stop:
            self.move_to(min(self.stop - 1, max(self.first, self.cursor)))
        self.redraw()

    def _zoom(self, size: int) -> None:
        at = self.cursor if self.cursor is not None else self.stop - 1
        self._look_at(at - size // 2, size)
        self.redraw()

    def _pan(self, by: int) -> None:
        self.look_at(self.first + by, self.stop + by)

    def _flagged(self, indices: range) -> int | None:
        return next((at for at in indices if self.plot.mark(at) >= Mark.LOW), None)

    def action_earlier(self) -> None:
        self.move_to((self.cursor or 0) - 1)

    def action_later(self) -> None:
        self.move_to((self.cursor or 0) + 1)

    def action_first(self) -> None:
        self.move_to(0)

    def action_last(self) -> None:
        self.move_to(len(self.plot.values) - 1)

    def action_next_flag(self) -> None:
        found = self._flagged(range((self.cursor or 0) + 1, len(self.plot.values)))
        if found is not None:
            self.move_to(found)

    def action_flag_before(self) -> None:
        found = self._flagged(range((self.cursor or 0) - 1, -1, -1))
        if found is not None:
            self.move_to(found)

    def action_closer(self) -> None:
        self._zoom((self.stop - self.first + 1) // 2)

    def action_wider(self) -> None:
        self._zoom((self.stop - self.first) * 2)

    def action_whole(self) -> None:
        self._zoom(len(self.plot.values))

    def action_page_earlier(self) -> None:
        self._pan(-max(1, (self.stop - self.first) * 3 // 4))

    def action_page_later(self) -> None:
        self._pan(max(1, (self.stop - self.first) * 3 // 4))

    def action_height(self) -> None:
        self.fit_limits = not self.fit_limits
        self.redraw()

    def action_open(self) -> None:
        if self.cursor is not None:
            self.post_message(self.PointOpened(self, self.cursor))

    def on_click(self, event: Click) -> None:
        """A click goes to the point of that column, a flagged one before others; a double click opens it."""
        column = event.x - self._box.left
        if not 0 <= column < self._box.width or self.stop <= self.first:
            return
        places = places_at(column, self.stop - self.first, self._box.width)
        indices = range(self.first + places.start, self.first + places.stop)
        flagged = self._flagged(indices)
        self.move_to(indices[len(indices) // 2] if flagged is None else flagged)
        if event.chain == 2:
            self.action_open()

    def on_mouse_scroll_up(self, event: MouseScrollUp) -> None:
        event.stop()
        self.action_closer()

    def on_mouse_scroll_down(self, event: MouseScrollDown) -> None:
        event.stop()
        self.action_wider()
