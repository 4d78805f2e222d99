"""A chart of values in sequence, drawn as text. Pure: knows neither Textual nor the records.

Drawn in this order, later over earlier: event lines, the line through the values, limits, points, flagged points.
So a flagged point is never hidden: not by a line, not by a limit, not by other points of its column. Where there
are more values than columns, the line becomes the envelope from the smallest to the largest value of each
column, and every point that is not plain still has its own mark.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from math import isfinite

from qualrec.tui.widgets.plot_canvas import (
    GROUP_ROLES,
    MARK_ROLE,
    Box,
    Canvas,
    Grid,
    Mark,
    Role,
    Scale,
    place_names,
    widened,
)
from qualrec.tui.widgets.plot_sequence import Level, LimitSpan, SequencePlot, View, level_at, span_at

LEAST_FOR_ALL_NAMES = 6
"""Rows below which the centre is named only at its own height: elsewhere it could stand on the wrong side of a limit."""


def column_of(place: int, count: int, width: int) -> int:
    """The column of the `place`-th of `count` points in `width` columns."""
    return (2 * place + 1) * width // (2 * count)


def places_at(column: int, count: int, width: int) -> range:
    """The points that share `column`; where there is none, the nearest one."""
    first = max(0, (2 * column * count // width - 1) // 2)
    found = [
        p
        for p in range(first, min(count, first + count // width + 3))
        if column_of(p, count, width) == column
    ]
    if found:
        return range(found[0], found[-1] + 1)
    nearest = min(
        range(max(0, first - 1), min(count, first + 3)),
        key=lambda p: abs(column_of(p, count, width) - column),
    )
    return range(nearest, nearest + 1)


def draw_sequence(plot: SequencePlot, width: int, height: int, view: View | None = None) -> Grid:
    """Draw the points of `view` into `width` x `height` cells.

    The gutter at the left names the limits and the centre with their figures: those of the point under the
    cursor, else of the last point. Specification limits are named at their height and get no line, for a chart
    of means must not be judged against them; an arrow in place of the tick says that they lie off the picture.
    Less than 24 x 5 cells (24 x 3 without floor) give an empty picture.
    """
    view = view or View()
    canvas = Canvas(width, height, view.ascii_only)
    count = len(plot.values)
    first = min(max(0, view.first), max(0, count - 1))
    stop = count if view.stop is None else min(max(first + 1, view.stop), count)
    if width < 24 or height < 3 + 2 * view.floor:
        return canvas.grid(Box(0, 0, width, height))
    rows = (plot.values, *(layer.values for layer in plot.layers))
    finite = [value for row in rows for value in row[first:stop] if isfinite(value)]
    if not finite and not (plot.limits and count):
        canvas.write(max(0, (width - len(plot.words.empty)) // 2), height // 2, plot.words.empty, Role.NAME)
        return canvas.grid(Box(0, 0, width, height))
    return _Drawing(plot, canvas, view, first, stop, finite).draw()


class _Drawing:
    """One run of `draw_sequence`: the measures that its steps share."""

    def __init__(
        self, plot: SequencePlot, canvas: Canvas, view: View, first: int, stop: int, finite: list[float]
    ) -> None:
        self.plot = plot
        self.canvas = canvas
        self.view = view
        self.first = first
        self.stop = stop
        self.count = stop - first
        self.events = [event for event in plot.events if first <= event.before <= stop]
        self.spans = [span for span in plot.limits if span.start < stop and span.stop > first]
        self.low, self.high = self._range(finite)
        names = self._gutter_names()
        wide = max((len(text) for text, *_ in names), default=0) + 1
        self.top = int(bool(self.events) and view.letters)
        top = self.top + (len(self.spans) > 1)
        gutter = max(view.gutter, min(wide, canvas.width // 3))
        self.names = names
        self.box = Box(
            gutter + 1, top, canvas.width - gutter - 1, max(1, canvas.height - top - view.rows_below)
        )
        across, down = canvas.dots
        self.dots_across = self.box.width * across
        self.dot_row = Scale(self.low, self.high, self.box.height * down, downward=True)

    def draw(self) -> Grid:
        self._draw_events()
        self.canvas.strokes(self.box, self._line(), Role.LINE)
        self._draw_limits()
        cursor = self._draw_points()
        self._draw_gutter()
        if self.view.floor:
            self._draw_floor()
        self._draw_versions()
        return self.canvas.grid(self.box, cursor)

    def _range(self, finite: list[float]) -> tuple[float, float]:
        levels = [
            value
            for span in self.spans
            for level in (span.lower, span.centre, span.upper)
            for value in self._levels(span, level)
        ]
        values = levels if levels and (self.view.fit_limits or not finite) else finite + levels
        return widened(min(values, default=0.0), max(values, default=0.0))

    def _levels(self, span: LimitSpan, level: Level) -> list[float]:
        """The finite figures of a limit among the points that are drawn."""
        if level is None or isinstance(level, int | float):
            value = level_at(level, 0)
            return [] if value is None else [value]
        part = level[max(0, self.first - span.start) : max(0, self.stop - span.start)]
        return [float(value) for value in part if isfinite(value)]

    def _row(self, value: float) -> int:
        return self.box.top + self.dot_row(value) // self.canvas.dots[1]

    def _gutter_names(self) -> list[tuple[str, float, Role]]:
        """Text, height and role of each name, the most wanted first."""
        plot, words = self.plot, self.plot.words
        short = self.canvas.width < 56
        index = self.stop - 1 if self.view.cursor is None else self.view.cursor
        span = span_at(plot, index) or (self.spans[-1] if self.spans else None)
        named: list[tuple[tuple[str, str], float | None, Role]] = []
        if span is not None:
            place = min(max(index, span.start), span.stop - 1) - span.start
            named += [
                (words.upper, level_at(span.upper, place), Role.LIMIT),
                (words.lower, level_at(span.lower, place), Role.LIMIT),
                (words.centre, level_at(span.centre, place), Role.CENTRE),
            ]
        named += [
            (words.spec_upper, plot.spec_upper, Role.SPEC),
            (words.spec_lower, plot.spec_lower, Role.SPEC),
        ]
        found = [
            (f"{name[short]} {plot.number(value)}", value, role)
            for name, value, role in named
            if value is not None
        ]
        room = self.high * 0.02 - self.low * 0.02
        ends = [(plot.number(value), value, Role.NAME) for value in (self.high - room, self.low + room)]
        return found + ends

    def _line(self) -> Iterator[tuple[int, int, int]]:
        return self._path() if self.count <= self.box.width else self._envelope()

    def _path(self) -> Iterator[tuple[int, int, int]]:
        """The line through the points, as vertical strokes; a gap breaks it."""
        across = self.canvas.dots[0]
        before: tuple[int, int] | None = None
        for place in range(self.count):
            value = self.plot.values[self.first + place]
            if not isfinite(value):
                before = None
                continue
            x, y = column_of(place, self.count, self.box.width) * across, self.dot_row(value)
            if before is not None:
                yield from _stroke(before[0], before[1], x, y)
            before = (x, y)

    def _envelope(self) -> Iterator[tuple[int, int, int]]:
        """From the smallest to the largest value of each column, joined to the column before."""
        values, count, wide, row = self.plot.values, self.count, self.dots_across, self.dot_row
        before: tuple[int, int] | None = None
        for x in range(wide):
            start = self.first + -(-(2 * x * count - wide) // (2 * wide))
            stop = self.first + -(-(2 * (x + 1) * count - wide) // (2 * wide))
            part = [value for value in values[max(self.first, start) : stop] if isfinite(value)]
            if not part:
                if stop > start:
                    before = None
                continue
            top, bottom = row(max(part)), row(min(part))
            if before is not None:
                joined = (min(top, before[1] + 1), max(bottom, before[0] - 1))
                before = (top, bottom)
                top, bottom = joined
            else:
                before = (top, bottom)
            yield x, min(top, bottom), max(top, bottom)

    def _draw_limits(self) -> None:
        box, sign = self.box, self.canvas.glyphs
        spans = {id(span): span for span in self.spans}.values()
        for x in range(box.width):
            index = self.first + min(self.count - 1, x * self.count // box.width)
            span = next((s for s in reversed(tuple(spans)) if s.start <= index < s.stop), None)
            if span is None:
                continue
            for level, char, role in (
                (span.centre, sign.centre, Role.CENTRE),
                (span.lower, sign.limit, Role.LIMIT),
                (span.upper, sign.limit, Role.LIMIT),
            ):
                value = level_at(level, index - span.start)
                if value is not None:
                    self.canvas.put(box.left + x, self._row(value), char, role)

    def _draw_points(self) -> tuple[int, int] | None:
        """Plain points, then every other mark; returns the cell of the cursor's point."""
        sign, box = self.canvas.glyphs, self.box
        cursor: tuple[int, int] | None = None
        marked: list[tuple[int, int, Mark]] = []
        for place in self._shown():
            index = self.first + place
            mark = self.plot.mark(index)
            here = index == self.view.cursor
            value = self.plot.values[index]
            x = box.left + column_of(place, self.count, box.width)
            if not isfinite(value):
                cursor = (x, box.top + box.height // 2) if here else cursor
                continue
            y = self._row(value)
            if here:
                cursor = (x, y)
            if mark is not Mark.PLAIN:
                marked.append((x, y, mark))
            elif not self.plot.layers:
                self.canvas.put(x, y, sign.marks[mark], Role.POINT)
        self._draw_layers()
        flags: dict[tuple[int, int], Mark] = {}
        for x, y, mark in sorted(marked, key=lambda item: item[2]):
            several = mark >= Mark.LOW and flags.get((x, y), mark) is not mark
            if mark >= Mark.LOW:
                flags[x, y] = mark
            self.canvas.put(
                x,
                y,
                sign.several if several else sign.marks[mark],
                Role.SEVERAL if several else MARK_ROLE[mark],
            )
        return cursor

    def _draw_layers(self) -> None:
        """The points of each group; where points share columns, the group's mean of each column."""
        box = self.box
        for layer in self.plot.layers:
            held: dict[int, list[float]] = {}
            for place, value in enumerate(layer.values[self.first : self.stop]):
                if isfinite(value):
                    held.setdefault(box.left + column_of(place, self.count, box.width), []).append(value)
            char, role = self.canvas.glyphs.groups[layer.sign], GROUP_ROLES[layer.sign]
            for x, values in held.items():
                self.canvas.put(x, self._row(sum(values) / len(values)), char, role)

    def _shown(self) -> Sequence[int]:
        """Places of the points drawn one by one: all, or among more than there are columns the marked and the cursor's."""
        if self.count <= self.box.width:
            return range(self.count)
        marks = self.plot.marks[self.first : self.stop]
        found = {place for place, mark in enumerate(marks) if mark is not Mark.PLAIN}
        if self.view.cursor is not None and self.first <= self.view.cursor < self.stop:
            found.add(self.view.cursor - self.first)
        return sorted(found)

    def _draw_gutter(self) -> None:
        box, sign = self.box, self.canvas.glyphs
        wall = box.left - 1
        for y in range(box.top, box.top + box.height):
            self.canvas.put(wall, y, sign.wall, Role.AXIS)
        taken: set[int] = set()
        rows = range(box.top, box.top + box.height)
        for text, value, role in self.names:
            wanted = self._row(value)
            free = [y for y in rows if y not in taken]
            optional = role is Role.NAME or (role is Role.CENTRE and box.height < LEAST_FOR_ALL_NAMES)
            if not free or (optional and wanted in taken):
                continue
            y = min(free, key=lambda row: abs(row - wanted))
            taken.add(y)
            outside = sign.above if value > self.high else sign.below if value < self.low else sign.tick
            shown = text[: wall - 1]
            self.canvas.write(wall - 1 - len(shown), y, shown, role)
            self.canvas.put(wall, y, outside, role if outside != sign.tick else Role.AXIS)

    def _draw_events(self) -> None:
        """A letter above the picture and, where there is room, a fine line down to the floor."""
        box, sign = self.box, self.canvas.glyphs
        letters: dict[int, str] = {}
        for event in self.events:
            place = min(event.before - self.first, self.count)
            x = box.left + min(box.width - 1, place * box.width // self.count)
            letters[x] = "+" if x in letters and letters[x] != event.letter[:1] else event.letter[:1]
        for x, letter in letters.items():
            if self.top:
                self.canvas.put(x, 0, letter, Role.EVENT)
            if len(letters) <= box.width // 6:
                for y in range(box.top, box.top + box.height):
                    self.canvas.put(x, y, sign.event, Role.EVENT)

    def _draw_floor(self) -> None:
        box, sign = self.box, self.canvas.glyphs
        y = box.top + box.height
        self.canvas.put(box.left - 1, y, sign.corner, Role.AXIS)
        for x in range(box.left, box.left + box.width):
            self.canvas.put(x, y, sign.floor, Role.AXIS)
        names = [
            (box.left + self._column(place), self.plot.name(self.first + place), Role.NAME)
            for place in self._named()
        ]
        for x in place_names(self.canvas, y + 1, names, max(0, box.left - 6), box.left + box.width):
            self.canvas.put(x, y, sign.floor_tick, Role.AXIS)
        if self.view.cursor is not None and self.first <= self.view.cursor < self.stop:
            x = box.left + self._column(self.view.cursor - self.first)
            self.canvas.put(x, y, sign.cursor, Role.AXIS)

    def _draw_versions(self) -> None:
        """Over the picture, where each version of limits begins."""
        if len(self.spans) < 2:
            return
        box = self.box
        starts = [
            (box.left + self._column(max(0, span.start - self.first)), span.version, Role.VERSION)
            for span in self.spans
        ]
        place_names(self.canvas, self.top, starts, box.left, box.left + box.width)

    def _column(self, place: int) -> int:
        return column_of(place, self.count, self.box.width)

    def _named(self) -> list[int]:
        """Which points are named under the floor: the ends and some at even steps between."""
        if self.count == 1:
            return [0]
        longest = max(len(self.plot.name(self.first)), len(self.plot.name(self.stop - 1)))
        steps = max(1, min(self.count - 1, self.box.width // (longest + 4)))
        return [0, self.count - 1, *(step * (self.count - 1) // steps for step in range(1, steps))]


def _stroke(x0: int, y0: int, x1: int, y1: int) -> Iterator[tuple[int, int, int]]:
    """The straight line between two dots as one vertical stroke per column, without its end dots' overlap."""
    if x1 <= x0:
        yield x0, min(y0, y1), max(y0, y1)
        return
    slope = (y1 - y0) / (x1 - x0)
    for x in range(x0, x1 + 1):
        a = y0 + slope * max(0.0, x - x0 - 0.5)
        b = y0 + slope * min(float(x1 - x0), x - x0 + 0.5)
        yield x, round(min(a, b)), round(max(a, b))
