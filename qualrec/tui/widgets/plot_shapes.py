"""Pictures beside the sequence chart, drawn as text: distribution against limits, an index against its
requirement, a probability plot. Pure: knows neither Textual nor the records.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from math import isfinite

from qualrec.tui.widgets.plot_canvas import (
    Box,
    Canvas,
    Grid,
    Number,
    Role,
    Scale,
    place_names,
    short_number,
    widened,
)


class Wall(StrEnum):
    """What an upright line in a distribution stands for."""

    SPEC = "spec"
    LIMIT = "limit"
    CENTRE = "centre"


_WALL_ROLE = {Wall.SPEC: Role.SPEC, Wall.LIMIT: Role.LIMIT, Wall.CENTRE: Role.CENTRE}


@dataclass(frozen=True, slots=True)
class WallMark:
    """An upright line at `value` with its name."""

    value: float
    name: str
    kind: Wall = Wall.SPEC


@dataclass(frozen=True, slots=True)
class Distribution:
    """Counts in classes. `edges` has one more than `counts`; classes may differ in width.

    `curve` is the fitted density at any number of values, in share per unit (integral 1); it is scaled to the
    counts. `under` and `over` are counts outside the outermost edges. `spec_lower` and `spec_upper` decide which bars
    are drawn as lying outside.
    """

    edges: Sequence[float]
    counts: Sequence[float]
    curve: Sequence[tuple[float, float]] = ()
    walls: Sequence[WallMark] = ()
    spec_lower: float | None = None
    spec_upper: float | None = None
    under: int = 0
    over: int = 0
    number: Number = short_number
    empty: str = "no values yet"


def class_counts(values: Sequence[float], classes: int = 0) -> tuple[list[float], list[int]]:
    """Edges and counts of equal classes over the finite values.

    `classes` 0 takes the square root of n, 5 to 40. The last class holds its upper edge too. A constant takes one
    class around its value; no finite value gives ([], []).
    """
    finite = [float(value) for value in values if isfinite(value)]
    if not finite:
        return [], []
    low, high = min(finite), max(finite)
    if not high > low:
        low, high = widened(low, high)
        return [low, high], [len(finite)]
    number = classes or max(5, min(40, round(len(finite) ** 0.5)))
    edges = [low + (high - low) * at / number for at in range(number)] + [high]
    counts = [0] * number
    for value in finite:
        counts[min(number - 1, bisect_right(edges, value) - 1)] += 1
    return edges, counts


def draw_distribution(shape: Distribution, width: int, height: int, ascii_only: bool = False) -> Grid:
    """Bars of density with the fitted curve, and an upright line at every limit.

    The picture spans the classes and those limits that lie within three times their width; a limit further away is
    named at the edge with an arrow. Bars outside the specification have another glyph, not just another colour.
    Less than 30 x 6 cells give an empty picture.
    """
    canvas = Canvas(width, height, ascii_only)
    whole = Box(0, 0, width, height)
    if width < 30 or height < 6:
        return canvas.grid(whole)
    if not shape.counts or not sum(shape.counts):
        canvas.write(max(0, (width - len(shape.empty)) // 2), height // 2, shape.empty, Role.NAME)
        return canvas.grid(whole)
    low, high = shape.edges[0], shape.edges[-1]
    room = 3.0 * (high - low)
    near = [wall.value for wall in shape.walls if low - room <= wall.value <= high + room]
    low, high = widened(min([low, *near]), max([high, *near]), 0.03)
    box = Box(1, 2, width - 2, height - 4)
    across = Scale(low, high, box.width)
    step = (high - low) / box.width
    densities = [_density(shape, low + x * step, low + (x + 1) * step) for x in range(box.width)]
    total = sum(shape.counts) + shape.under + shape.over
    curve = [_interpolated(shape.curve, low + (x + 0.5) * step) * total for x in range(box.width)]
    top = max(*densities, *curve) or 1.0
    _draw_bars(canvas, box, densities, top, lambda x: _outside(shape, low + (x + 0.5) * step))
    _draw_walls(canvas, box, shape, across, low, high)
    if shape.curve:
        for x, value in enumerate(curve):
            if value > top * 0.5 / box.height:
                row = box.top + box.height - 1 - min(box.height - 1, int(value / top * box.height))
                canvas.put(box.left + x, row, canvas.glyphs.curve, Role.CURVE)
    _draw_scale(canvas, box, shape, across, low, high)
    return canvas.grid(box)


def _density(shape: Distribution, left: float, right: float) -> float:
    """Counts per unit between two values, each class spread evenly over its width."""
    first = max(0, bisect_right(shape.edges, left) - 1)
    found = 0.0
    for at in range(first, len(shape.counts)):
        start, stop = shape.edges[at], shape.edges[at + 1]
        if start >= right:
            break
        overlap = min(right, stop) - max(left, start)
        if overlap > 0:
            found += shape.counts[at] * overlap / (stop - start)
    return found / (right - left)


def _interpolated(curve: Sequence[tuple[float, float]], value: float) -> float:
    """The curve between its given values; 0 outside them."""
    if not curve or not curve[0][0] <= value <= curve[-1][0]:
        return 0.0
    at = min(len(curve) - 1, max(1, bisect_right(curve, (value, float("inf")))))
    (x0, y0), (x1, y1) = curve[at - 1], curve[at]
    return y0 if x1 <= x0 else y0 + (y1 - y0) * (value - x0) / (x1 - x0)


def _outside(shape: Distribution, value: float) -> bool:
    below = shape.spec_lower is not None and value < shape.spec_lower
    return below or (shape.spec_upper is not None and value > shape.spec_upper)


def _draw_bars(
    canvas: Canvas, box: Box, heights: list[float], top: float, outside: Callable[[int], bool]
) -> None:
    bars = canvas.glyphs.bars
    parts = len(bars)
    for x, value in enumerate(heights):
        filled = round(value / top * box.height * parts)
        if value > 0:
            filled = max(1, filled)
        off = outside(x)
        for row in range(box.height):
            level = min(parts, filled - row * parts)
            if level <= 0:
                break
            char = canvas.glyphs.outside if off else bars[level - 1]
            canvas.put(box.left + x, box.top + box.height - 1 - row, char, Role.OUTSIDE if off else Role.BAR)


def _draw_walls(
    canvas: Canvas, box: Box, shape: Distribution, across: Scale, low: float, high: float
) -> None:
    """The upright lines, and their names in the two rows above."""
    sign = canvas.glyphs
    for wall in sorted(shape.walls, key=lambda mark: mark.kind is Wall.SPEC):
        role = _WALL_ROLE[wall.kind]
        text = f"{wall.name} {shape.number(wall.value)}"
        inside = low <= wall.value <= high
        x = box.left + across(wall.value)
        if inside:
            char = sign.spec_wall if wall.kind is Wall.SPEC else sign.limit_wall
            for y in range(box.top, box.top + box.height):
                canvas.put(x, y, char, role)
        else:
            text = f"{sign.left} {text}" if wall.value < low else f"{text} {sign.right}"
        for row in (1, 0):
            if place_names(canvas, row, [(x, text, role)], 0, canvas.width):
                break


def _draw_scale(
    canvas: Canvas, box: Box, shape: Distribution, across: Scale, low: float, high: float
) -> None:
    sign = canvas.glyphs
    y = box.top + box.height
    for x in range(box.left, box.left + box.width):
        canvas.put(x, y, sign.floor, Role.AXIS)
    ends = [(low, shape.under, sign.left), (high, shape.over, sign.right)]
    names = [(box.left + across(value), shape.number(value), Role.NAME) for value, _, _ in ends]
    for value, beyond, arrow in ends:
        if beyond:
            text = f"{arrow}{beyond} beyond" if arrow == sign.left else f"{beyond} beyond{arrow}"
            canvas.write(0 if value == low else canvas.width - len(text), box.top, text, Role.OUTSIDE)
    names += [
        (box.left + across(value), shape.number(value), Role.NAME)
        for value in (low + (high - low) * part / 4 for part in (2, 1, 3))
    ]
    for x in place_names(canvas, y + 1, names, 0, canvas.width):
        canvas.put(x, y, sign.floor_tick, Role.AXIS)


@dataclass(frozen=True, slots=True)
class IndexBar:
    """An index, its one-sided lower bound and what is required of it. None: not known."""

    name: str
    index: float | None
    lower: float | None
    requirement: float | None
    number: Number = short_number
    bound_name: str = "lower bound"
    requirement_name: str = "required"


def draw_index(bar: IndexBar, width: int, ascii_only: bool = False) -> Grid:
    """Two rows: the bar, solid up to the lower bound and light up to the index, with the requirement's line; the figures.

    The scale begins at 0 and ends above the largest figure; a figure under 0 stands at its left end.
    """
    canvas = Canvas(width, 2, ascii_only)
    box = Box(0, 0, width, 1)
    sign = canvas.glyphs
    known = [value for value in (bar.index, bar.lower, bar.requirement) if value is not None]
    head = f"{bar.name} "
    if width <= len(head) + 10 or not known:
        canvas.write(0, 0, f"{head}unknown"[:width], Role.NAME)
        return canvas.grid(box)
    canvas.write(0, 0, head, Role.NAME)
    box = Box(len(head), 0, width - len(head), 1)
    across = Scale(0.0, max(0.1, *(1.1 * value for value in known)), box.width)
    if bar.index is not None and bar.index > 0:
        for x in range(across(bar.index) + 1):
            sure = bar.lower is not None and bar.lower > 0 and x <= across(bar.lower)
            canvas.put(box.left + x, 0, sign.sure if sure else sign.maybe, Role.BAR)
    if bar.requirement is not None:
        canvas.put(box.left + across(bar.requirement), 0, sign.spec_wall, Role.REQUIREMENT)
    figures = [
        ("", bar.index, Role.NAME),
        (f"{bar.bound_name} ", bar.lower, Role.NAME),
        (f"{bar.requirement_name} ", bar.requirement, Role.REQUIREMENT),
    ]
    x = len(head)
    for name, value, role in figures:
        text = f"{name}{'unknown' if value is None else bar.number(value)}"
        if value is not None or name:
            canvas.write(x, 1, text, role)
            x += len(text) + 3
    return canvas.grid(box)


@dataclass(frozen=True, slots=True)
class ProbabilityPlot:
    """Points on probability paper, already in plotting coordinates (for a Weibull plot: ln x and ln(-ln(1 - p))).

    `censored` marks values known only as 'at least this much'. `line` is the fitted straight line through two
    points. Ticks are (coordinate, text).
    """

    x: Sequence[float]
    y: Sequence[float]
    censored: Sequence[bool] = ()
    line: tuple[tuple[float, float], tuple[float, float]] | None = None
    x_ticks: Sequence[tuple[float, str]] = ()
    y_ticks: Sequence[tuple[float, str]] = ()
    empty: str = "no values yet"


def draw_probability(plot: ProbabilityPlot, width: int, height: int, ascii_only: bool = False) -> Grid:
    """The points with the fitted line; a censored value has the glyph of an arrow to the right. Less than 24 x 6: empty."""
    canvas = Canvas(width, height, ascii_only)
    whole = Box(0, 0, width, height)
    points = [
        (x, y, bool(plot.censored and plot.censored[at]))
        for at, (x, y) in enumerate(zip(plot.x, plot.y, strict=True))
        if isfinite(x) and isfinite(y)
    ]
    if width < 24 or height < 6:
        return canvas.grid(whole)
    if not points:
        canvas.write(max(0, (width - len(plot.empty)) // 2), height // 2, plot.empty, Role.NAME)
        return canvas.grid(whole)
    gutter = max([len(text) for _, text in plot.y_ticks], default=0) + 1
    box = Box(gutter + 1, 0, width - gutter - 1, height - 2)
    across, down = canvas.dots
    wide = Scale(*widened(min(p[0] for p in points), max(p[0] for p in points)), box.width * across)
    tall = Scale(
        *widened(min(p[1] for p in points), max(p[1] for p in points)), box.height * down, downward=True
    )
    if plot.line is not None:
        canvas.strokes(box, _straight(plot.line, wide, tall), Role.CURVE)
    for x, y, censored in points:
        char = canvas.glyphs.censored if censored else canvas.glyphs.marks[0]
        role = Role.LEFT_OUT if censored else Role.POINT
        canvas.put(box.left + wide(x) // across, box.top + tall(y) // down, char, role)
    _draw_frame(canvas, box, plot, wide, tall)
    return canvas.grid(box)


def _straight(
    line: tuple[tuple[float, float], tuple[float, float]], wide: Scale, tall: Scale
) -> Iterator[tuple[int, int, int]]:
    """The part of the line inside the picture, as strokes of one dot column each."""
    (x0, y0), (x1, y1) = line
    if x1 == x0:
        return
    slope = (y1 - y0) / (x1 - x0)
    step = (wide.high - wide.low) / wide.size
    for dot in range(wide.size):
        left = y0 + slope * (wide.low + dot * step - x0)
        right = left + slope * step
        if max(left, right) >= tall.low and min(left, right) <= tall.high:
            rows = sorted((tall(left), tall(right)))
            yield dot, rows[0], rows[1]


def _draw_frame(canvas: Canvas, box: Box, plot: ProbabilityPlot, wide: Scale, tall: Scale) -> None:
    sign = canvas.glyphs
    across, down = canvas.dots
    wall, floor = box.left - 1, box.top + box.height
    for y in range(box.top, floor):
        canvas.put(wall, y, sign.wall, Role.AXIS)
    for x in range(box.left, box.left + box.width):
        canvas.put(x, floor, sign.floor, Role.AXIS)
    canvas.put(wall, floor, sign.corner, Role.AXIS)
    for value, text in plot.y_ticks:
        row = box.top + tall(value) // down
        if tall.low <= value <= tall.high and canvas.free(0, row, wall - 1):
            canvas.write(wall - 1 - len(text), row, text, Role.NAME)
            canvas.put(wall, row, sign.tick, Role.AXIS)
    names = [
        (box.left + wide(value) // across, text, Role.NAME)
        for value, text in plot.x_ticks
        if wide.low <= value <= wide.high
    ]
    for x in place_names(canvas, floor + 1, names, 0, canvas.width):
        canvas.put(x, floor, sign.floor_tick, Role.AXIS)
