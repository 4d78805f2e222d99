"""The sequence chart as text: goldens, and what must hold for any data."""

from __future__ import annotations

import math
import random
from time import perf_counter

import pytest
from hypothesis import given
from hypothesis import strategies as st

from qualrec.tui.widgets.plot_canvas import ASCII, MARK_ROLE, UNICODE, Mark, Role, Scale, widened
from qualrec.tui.widgets.plot_grid import column_of, draw_sequence, places_at
from qualrec.tui.widgets.plot_sequence import (
    EventMark,
    LimitSpan,
    SequencePlot,
    View,
    legend,
    level_at,
    missing,
    span_at,
)


@pytest.mark.parametrize("ascii_only", [False, True])
@pytest.mark.parametrize("width, height", [(80, 20), (120, 32), (50, 12)])
def test_golden_of_every_mark(plot, same_as_snapshot, width, height, ascii_only):
    grid = draw_sequence(plot(40), width, height, View(cursor=22, ascii_only=ascii_only))
    same_as_snapshot(f"sequence_{width}x{height}_{'ascii' if ascii_only else 'braille'}", grid.text())


def test_golden_of_the_envelope(plot, same_as_snapshot):
    same_as_snapshot("sequence_envelope", draw_sequence(plot(1000), 80, 16).text())


def test_every_line_is_as_wide_as_asked(plot):
    for width, height in ((24, 5), (31, 9), (80, 24), (200, 60)):
        grid = draw_sequence(plot(40), width, height)
        assert len(grid.lines) == len(grid.roles) == height
        assert {len(line) for line in grid.lines} == {width}
        assert {len(roles) for roles in grid.roles} == {width}


def test_ascii_mode_has_ascii_only(plot):
    assert draw_sequence(plot(400), 100, 30, View(ascii_only=True)).text().isascii()


def test_runs_give_back_the_line(plot):
    grid = draw_sequence(plot(40), 80, 20)
    for row, line in enumerate(grid.lines):
        assert "".join(text for text, _ in grid.runs(row)) == line


FLAGS = st.sampled_from([Mark.LOW, Mark.HIGH, Mark.HOLD])
VALUES = st.floats(-1e6, 1e6, allow_nan=False)


@given(
    values=st.lists(VALUES, min_size=1, max_size=300),
    flags=st.dictionaries(st.integers(0, 299), FLAGS, max_size=30),
    limit=VALUES,
    width=st.integers(30, 130),
    height=st.integers(6, 40),
    ascii_only=st.booleans(),
)
def test_a_flagged_point_is_never_hidden(values, flags, limit, width, height, ascii_only):
    """In the cell of each flagged point stands its own sign, or the sign for several kinds in one cell."""
    marks = [flags.get(at, Mark.PLAIN) for at in range(len(values))]
    events = [EventMark(at, "E") for at in range(0, len(values), 3)]
    plot = SequencePlot(
        values, marks, limits=[LimitSpan(0, len(values), limit - 1, limit, limit + 1)], events=events
    )
    grid = draw_sequence(plot, width, height, View(ascii_only=ascii_only))
    sign = ASCII if ascii_only else UNICODE
    top = grid.box.top
    for at, mark in enumerate(marks):
        if mark is Mark.PLAIN:
            continue
        x = grid.box.left + column_of(at, len(values), grid.box.width)
        found = [
            y
            for y in range(top, top + grid.box.height)
            if (grid.lines[y][x] == sign.marks[mark] and grid.roles[y][x] == MARK_ROLE[mark])
            or grid.roles[y][x] == Role.SEVERAL
        ]
        assert found, (at, mark)


@given(values=st.lists(VALUES, min_size=200, max_size=600), width=st.integers(40, 90))
def test_the_envelope_keeps_smallest_and_largest(values, width):
    """The rows of the smallest and the largest value are drawn in their columns."""
    grid = draw_sequence(SequencePlot(values), width, 12)
    low, high = widened(min(values), max(values))
    row = Scale(low, high, grid.box.height * 4, downward=True)
    for value in (min(values), max(values)):
        x = grid.box.left + column_of(values.index(value), len(values), grid.box.width)
        assert grid.roles[grid.box.top + row(value) // 4][x] == Role.LINE


@given(count=st.integers(1, 500), width=st.integers(1, 200))
def test_columns_and_places_belong_together(count, width):
    columns = [column_of(place, count, width) for place in range(count)]
    assert columns == sorted(columns)
    assert columns[0] >= 0
    assert columns[-1] < width
    for column in range(width):
        places = places_at(column, count, width)
        there = [place for place in range(count) if columns[place] == column]
        if there:
            assert list(places) == there
        else:
            assert len(places) == 1
            nearest = min(abs(c - column) for c in columns)
            assert abs(columns[places[0]] - column) == nearest


def test_two_kinds_of_flags_in_one_cell_are_named_as_several():
    marks = [Mark.PLAIN] * 1000
    marks[500], marks[501] = Mark.HIGH, Mark.LOW
    grid = draw_sequence(SequencePlot([5.0] * 1000, marks), 60, 10)
    assert "#" in grid.text()


def test_the_flag_stands_over_line_limit_and_left_out_point():
    plot = SequencePlot(
        [1.0, 2.0, 3.0], [Mark.PLAIN, Mark.HIGH, Mark.PLAIN], limits=[LimitSpan(0, 3, None, None, 2.0)]
    )
    grid = draw_sequence(plot, 40, 12)
    x = grid.box.left + column_of(1, 3, grid.box.width)
    column = "".join(line[x] for line in grid.lines)
    assert "▲" in column


def test_a_gap_breaks_the_line():
    nan = math.nan
    whole = draw_sequence(SequencePlot([1.0, 5.0, 1.0, 5.0]), 60, 12)
    broken = draw_sequence(SequencePlot([1.0, nan, 5.0, 1.0]), 60, 12)
    left = column_of(0, 4, broken.box.width) + broken.box.left + 1
    right = column_of(2, 4, broken.box.width) + broken.box.left
    assert not any(roles[x] == Role.LINE for roles in broken.roles for x in range(left, right))
    assert any(roles[x] == Role.LINE for roles in whole.roles for x in range(left, right))
    assert missing(SequencePlot([1.0, nan, math.inf])) == 2


def test_a_whole_column_of_gaps_breaks_the_envelope():
    values = [float(at % 7) for at in range(1000)]
    values[400:500] = [math.nan] * 100
    grid = draw_sequence(SequencePlot(values), 80, 12)
    at = grid.box.left + column_of(450, 1000, grid.box.width)
    assert not any(roles[at] == Role.LINE for roles in grid.roles)


def test_single_point_constant_data_and_no_data():
    one = draw_sequence(SequencePlot([5.0]), 40, 9)
    assert one.text().count("•") == 1
    same = draw_sequence(SequencePlot([5.0] * 10), 60, 9)
    assert same.text().count("•") == 10
    assert "no values yet" in draw_sequence(SequencePlot([]), 40, 9).text()
    assert "no values yet" in draw_sequence(SequencePlot([math.nan]), 40, 9).text()
    assert draw_sequence(SequencePlot([5.0]), 20, 9).text().strip() == ""


@pytest.mark.parametrize("value", [0.0, -3.0, 1e-300, 1e300, 1.7e308, 5e-324])
def test_constant_data_of_any_size_is_drawn(value):
    assert "•" in draw_sequence(SequencePlot([value, value]), 60, 9).text()


def test_the_widest_range_of_doubles_is_drawn():
    assert draw_sequence(SequencePlot([-1.7e308, 1.7e308]), 60, 9).text().count("•") == 2


def test_without_limits_the_gutter_names_the_ends_of_the_scale():
    grid = draw_sequence(SequencePlot([10.0, 20.0]), 60, 12)
    assert "limit" not in grid.text()
    assert Role.LIMIT not in {role for roles in grid.roles for role in roles}
    assert sum("┤" in line for line in grid.lines) == 2


def test_the_gutter_names_the_limits_of_the_point_under_the_cursor(plot):
    assert "upper limit 630" in draw_sequence(plot(40), 80, 20, View(cursor=3)).text()
    assert "upper limit 631" in draw_sequence(plot(40), 80, 20, View(cursor=30)).text()
    assert "upper limit 631" in draw_sequence(plot(40), 80, 20).text()


def test_specification_limits_are_named_and_have_no_line(plot):
    grid = draw_sequence(plot(40), 80, 20)
    left = grid.box.left
    assert "spec upper 638" in grid.text()
    assert any(line[left - 1] == "↓" and "spec lower 450" in line for line in grid.lines)
    assert not any(role == Role.SPEC for roles in grid.roles for role in roles[left:])


def test_limits_that_change_from_point_to_point():
    """EWMA limits widen from the first point on (time-varying limits)."""
    upper = [1.0 - 0.64 ** (at + 1) for at in range(60)]
    grid = draw_sequence(
        SequencePlot([0.0] * 60, limits=[LimitSpan(0, 60, [-u for u in upper], 0.0, upper)]), 90, 20
    )
    rows = [
        min(y for y, roles in enumerate(grid.roles) if roles[x] == Role.LIMIT)
        for x in range(grid.box.left, grid.box.left + grid.box.width)
    ]
    assert rows == sorted(rows, reverse=True)
    assert rows[0] > rows[-1]
    assert "upper limit 1" in grid.text()


def test_a_nan_in_a_limit_leaves_it_out_there():
    span = LimitSpan(0, 3, [math.nan, 1.0, math.nan], None, None)
    assert level_at(span.lower, 0) is None
    assert level_at(span.lower, 1) == 1.0
    grid = draw_sequence(SequencePlot([1.0, 2.0, 3.0], limits=[span]), 60, 10)
    drawn = sum(1 for roles in grid.roles for role in roles[grid.box.left :] if role == Role.LIMIT)
    assert 0 < drawn < grid.box.width * 0.5


def test_where_limits_overlap_the_later_version_holds():
    plot = SequencePlot([1.0] * 5, limits=[LimitSpan(0, 5, upper=2.0), LimitSpan(3, 5, upper=3.0)])
    assert span_at(plot, 2).upper == 2.0
    assert span_at(plot, 3).upper == 3.0
    assert span_at(plot, 9) is None


def test_limits_without_values_are_drawn():
    grid = draw_sequence(SequencePlot([math.nan] * 3, limits=[LimitSpan(0, 3, 1.0, 2.0, 3.0)]), 60, 12)
    assert "upper limit 3" in grid.text()


def test_height_by_limits_keeps_a_wild_point_at_the_edge():
    values = [10.0] * 20
    values[5] = 1e6
    marks = [Mark.PLAIN] * 20
    marks[5] = Mark.HIGH
    plot = SequencePlot(values, marks, limits=[LimitSpan(0, 20, 8.0, 10.0, 12.0)])
    grid = draw_sequence(plot, 80, 16, View(fit_limits=True))
    x = grid.box.left + column_of(5, 20, grid.box.width)
    assert grid.lines[grid.box.top][x] == "▲"
    rows = {y for y, roles in enumerate(grid.roles) if Role.LIMIT in roles[grid.box.left :]}
    assert max(rows) - min(rows) > 8


def test_a_view_draws_its_points_only(plot):
    grid = draw_sequence(plot(40), 80, 20, View(first=28, stop=36))
    text = grid.text()
    assert "▼" in text
    assert "▲" not in text
    assert "L028" in text
    assert "L035" in text


def test_event_letters_stand_above_their_place():
    plot = SequencePlot([1.0, 2.0] * 10, events=[EventMark(10, "G"), EventMark(20, "P")])
    grid = draw_sequence(plot, 70, 12)
    at = grid.lines[0].index("G")
    assert column_of(9, 20, grid.box.width) < at - grid.box.left <= column_of(10, 20, grid.box.width)
    assert "P" in grid.lines[0]


def test_two_events_in_one_column_are_a_plus():
    plot = SequencePlot([1.0] * 1000, events=[EventMark(500, "G"), EventMark(501, "R")])
    assert "+" in draw_sequence(plot, 60, 12).lines[0]


def test_two_charts_keep_their_columns_by_a_common_gutter():
    wide = draw_sequence(SequencePlot([1.0, 2.0], limits=[LimitSpan(0, 2, upper=3.14159)]), 80, 12)
    narrow = draw_sequence(SequencePlot([1.0, 2.0]), 80, 12, View(gutter=wide.box.left - 1))
    assert narrow.box.left == wide.box.left
    assert narrow.box.width == wide.box.width


def test_the_row_of_names_can_be_left_out():
    plot = SequencePlot([1.0, 2.0], names=["A1", "A2"])
    assert "A1" in draw_sequence(plot, 60, 10).text()
    bare = draw_sequence(plot, 60, 10, View(point_names=False))
    assert "A1" not in bare.text()
    assert bare.box.height == 9


def test_legend_names_the_marks_that_occur(plot):
    assert legend(plot(40)) == "◆ corrected  ○ left out  ▼ low  ▲ high  ! hold"
    assert legend(plot(40), True) == "+ corrected  o left out  v low  ^ high  ! hold"
    assert legend(SequencePlot([1.0])) == ""


def test_figures_follow_the_callers_decimal_style():
    plot = SequencePlot(
        [1.25, 1.5], limits=[LimitSpan(0, 2, upper=1.75)], number=lambda v: f"{v:.2f}".replace(".", ",")
    )
    assert "upper limit 1,75" in draw_sequence(plot, 60, 10).text()


def test_five_thousand_points_are_drawn_within_a_frame():
    """20 ms at 120 x 32 is the goal on one free core; the best of five leaves room for a busy machine."""
    source = random.Random(1)
    values = [source.gauss(600.0, 10.0) for _ in range(5000)]
    marks = [Mark.HIGH if at % 97 == 0 else Mark.PLAIN for at in range(5000)]
    plot = SequencePlot(values, marks, limits=[LimitSpan(0, 5000, 570.0, 600.0, 630.0)])
    spent = []
    for _ in range(5):
        start = perf_counter()
        draw_sequence(plot, 120, 32)
        spent.append(perf_counter() - start)
    assert min(spent) < 0.060
