"""Distribution, index bar and probability plot as text."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from qualrec.tui.widgets.plot_canvas import Role
from qualrec.tui.widgets.plot_shapes import (
    Distribution,
    IndexBar,
    ProbabilityPlot,
    Wall,
    WallMark,
    class_counts,
    draw_distribution,
    draw_index,
    draw_probability,
)


def invented_shape(**changes: object) -> Distribution:
    values = [round(600.0 + 12.0 * math.sin(at * 12.9898) * math.cos(at * 4.1), 6) for at in range(300)]
    edges, counts = class_counts(values)
    curve = [(560.0 + at, round(float(stats.norm.pdf(560.0 + at, 600.0, 6.0)), 9)) for at in range(81)]
    walls = (
        WallMark(592.0, "spec lower"),
        WallMark(600.0, "centre", Wall.CENTRE),
        WallMark(585.0, "lower limit", Wall.LIMIT),
        WallMark(615.0, "upper limit", Wall.LIMIT),
        WallMark(3000.0, "spec upper"),
    )
    plan = {"walls": walls, "spec_lower": 592.0, "spec_upper": 3000.0, "under": 2, **changes}
    return Distribution(edges, counts, curve, **plan)  # type: ignore[arg-type]


@pytest.mark.parametrize("ascii_only", [False, True])
def test_golden_of_a_distribution(same_as_snapshot, ascii_only):
    text = draw_distribution(invented_shape(), 78, 16, ascii_only).text()
    same_as_snapshot(f"distribution_{'ascii' if ascii_only else 'blocks'}", text)


@pytest.mark.parametrize("ascii_only", [False, True])
def test_golden_of_index_bars(same_as_snapshot, ascii_only):
    bars = (
        IndexBar("Ppk", 1.62, 1.31, 1.33),
        IndexBar("Cpk", 1.1, None, 1.33),
        IndexBar("Ppk", -0.2, -0.31, 1.33),
        IndexBar("Ppk", None, None, 1.67),
        IndexBar("Cpk", None, None, None),
    )
    text = "".join(draw_index(bar, 70, ascii_only).text() for bar in bars)
    same_as_snapshot(f"index_{'ascii' if ascii_only else 'blocks'}", text)


def weibull_plot() -> ProbabilityPlot:
    """Median ranks by Benard's approximation (i - 0.3) / (n + 0.4); slope 12 and scale 600 N are invented."""
    ranks = [(at + 0.7) / 20.4 for at in range(20)]
    y = [round(math.log(-math.log(1 - p)), 6) for p in ranks]
    x = [round(math.log(600.0) + z / 12.0 + 0.01 * math.sin(at), 6) for at, z in enumerate(y)]
    ticks = [(math.log(v), str(v)) for v in (450, 500, 550, 600, 650)]
    shares = [(math.log(-math.log(1 - p)), f"{100 * p:g} %") for p in (0.05, 0.1, 0.3, 0.5, 0.9)]
    line = ((math.log(600.0), 0.0), (math.log(600.0) - 0.25, -3.0))
    return ProbabilityPlot(x, y, [at % 5 == 4 for at in range(20)], line, ticks, shares)


@pytest.mark.parametrize("ascii_only", [False, True])
def test_golden_of_a_probability_plot(same_as_snapshot, ascii_only):
    text = draw_probability(weibull_plot(), 78, 16, ascii_only).text()
    same_as_snapshot(f"probability_{'ascii' if ascii_only else 'braille'}", text)


def test_ascii_mode_has_ascii_only():
    assert draw_distribution(invented_shape(), 78, 16, True).text().isascii()
    assert draw_index(IndexBar("Ppk", 1.6, 1.3, 1.33), 70, True).text().isascii()
    assert draw_probability(weibull_plot(), 78, 16, True).text().isascii()


@given(st.lists(st.floats(-1e9, 1e9, allow_nan=False), min_size=2, max_size=200), st.integers(1, 30))
def test_classes_agree_with_numpy(values, classes):
    """Outside reference: numpy.histogram on the same edges."""
    edges, counts = class_counts(values, classes)
    assert sum(counts) == len(values)
    if max(values) > min(values) and len(edges) > 2 and all(b > a for a, b in itertools.pairwise(edges)):
        assert counts == np.histogram(values, edges)[0].tolist()


def test_classes_of_nothing_and_of_a_constant():
    assert class_counts([math.nan, math.inf]) == ([], [])
    edges, counts = class_counts([5.0, 5.0])
    assert counts == [2]
    assert edges[0] < 5.0 < edges[1]


def test_bars_are_as_high_as_their_density():
    """Classes of unlike width with the same density give a flat top; twice the density is twice as high."""
    flat = draw_distribution(Distribution([0, 1, 3, 4], [5, 10, 5]), 60, 14)
    heights = _heights(flat)
    assert len(set(heights)) == 1
    step = draw_distribution(Distribution([0, 1, 2], [5, 10]), 60, 14)
    heights = _heights(step)
    assert heights[2] * 2 == pytest.approx(heights[-3], abs=1)


def _heights(grid) -> list[int]:
    rows = range(grid.box.top, grid.box.top + grid.box.height)
    columns = range(grid.box.left, grid.box.left + grid.box.width)
    found = [sum(grid.roles[y][x] == Role.BAR for y in rows) for x in columns]
    return [height for height in found if height][1:-1]


def test_bars_outside_the_specification_have_another_glyph():
    grid = draw_distribution(invented_shape(), 78, 16)
    outside = {
        grid.lines[y][x]
        for y in range(len(grid.lines))
        for x in range(78)
        if grid.roles[y][x] == Role.OUTSIDE
    } - set("◂2 beyond")
    inside = {
        grid.lines[y][x] for y in range(len(grid.lines)) for x in range(78) if grid.roles[y][x] == Role.BAR
    }
    assert outside == {"▒"}
    assert not outside & inside


def test_the_fitted_curve_lies_on_the_bars_of_its_own_counts():
    """Counts taken from the normal distribution itself: the curve's top is within one row of the bars' top."""
    edges = [float(e) for e in np.linspace(-4, 4, 41)]
    counts = [1000 * float(stats.norm.cdf(b) - stats.norm.cdf(a)) for a, b in itertools.pairwise(edges)]
    curve = [(float(x), float(stats.norm.pdf(x))) for x in np.linspace(-4, 4, 161)]
    grid = draw_distribution(Distribution(edges, counts, curve), 90, 24)
    for x in range(grid.box.left + 20, grid.box.left + grid.box.width - 20):
        column = [grid.roles[y][x] for y in range(len(grid.roles))]
        assert Role.CURVE in column
        top_bar = next(y for y, role in enumerate(column) if role in (Role.BAR, Role.CURVE))
        assert abs(column.index(Role.CURVE) - top_bar) <= 1


def test_every_wall_is_named_with_its_figure():
    text = draw_distribution(invented_shape(), 100, 16).text()
    for words in ("spec lower 592", "centre 600", "lower limit 585", "upper limit 615", "spec upper 3000 ▸"):
        assert words in text
    assert "◂2 beyond" in text


def test_nothing_to_show_says_so():
    assert "no values yet" in draw_distribution(Distribution((), ()), 60, 10).text()
    assert "no values yet" in draw_probability(ProbabilityPlot((), ()), 60, 10).text()
    assert draw_distribution(invented_shape(), 20, 4).text().strip() == ""


def test_the_index_bar_is_solid_to_the_bound_and_light_to_the_index():
    line = draw_index(IndexBar("Ppk", 2.0, 1.0, 1.5), 70).lines[0]
    solid, light = line.count("█"), line.count("░") + line.count("┃")
    assert solid == pytest.approx(light, abs=2)
    at = line.index("┃")
    assert line.index("░") < at < line.rindex("░")


def test_the_index_bar_tells_an_unknown_bound():
    assert "lower bound unknown" in draw_index(IndexBar("Ppk", 2.0, None, 1.5), 70).text()


def test_censored_points_have_their_own_glyph():
    text = draw_probability(weibull_plot(), 78, 16).text()
    assert text.count("▷") == 4
    assert draw_probability(weibull_plot(), 78, 16, True).text().count(">") == 4


def test_the_fitted_line_runs_through_points_that_lie_on_it():
    x = [float(at) for at in range(20)]
    grid = draw_probability(ProbabilityPlot(x, x, line=((0.0, 0.0), (1.0, 1.0))), 70, 20)
    rows = {}
    for y, roles in enumerate(grid.roles):
        for at, role in enumerate(roles):
            if role in (Role.CURVE, Role.POINT):
                rows.setdefault(at, []).append(y)
    for found in rows.values():
        assert max(found) - min(found) <= 1
