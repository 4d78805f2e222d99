"""Ways to look at charts: other kinds as views, groups by sign and legend, strips with one cursor, views under a name."""

from __future__ import annotations

import math
from collections.abc import Awaitable, Callable
from pathlib import Path

import pytest
from textual.pilot import Pilot
from textual.widgets import Input, OptionList, Static

from qualrec.tui.app import QualrecApp
from qualrec.tui.screens.charts import ChartsScreen
from qualrec.tui.screens.charts_pick import CodesSheet, PickSheet, ViewsSheet
from qualrec.tui.screens.charts_ways import Way
from qualrec.tui.screens.subject import Subject, SubjectSheet, matches
from qualrec.tui.screens.text_sheet import TextSheet
from qualrec.tui.widgets.message_line import MessageLine
from qualrec.tui.widgets.plot_canvas import ASCII, GROUP_ROLES, UNICODE, Mark, Role
from qualrec.tui.widgets.plot_grid import draw_sequence
from qualrec.tui.widgets.plot_sequence import EventMark, Layer, LimitSpan, SequencePlot, View
from qualrec.tui.widgets.strips import StripChart
from qualrec.views import saved_views

Settle = Callable[[Pilot[None]], Awaitable[None]]
COVER = Subject("FM-2040", "TRN")


def said(screen: ChartsScreen, name: str) -> str:
    return str(screen.query_one(name, Static).content)


@pytest.fixture
def open_charts(settle: Settle) -> Callable[..., Awaitable[ChartsScreen]]:
    async def go(pilot: Pilot[None], subject: Subject = COVER) -> ChartsScreen:
        await settle(pilot)
        await pilot.app.action_go("charts")  # type: ignore[attr-defined]
        for _ in range(3):
            await settle(pilot)
        screen = pilot.app.screen
        assert isinstance(screen, ChartsScreen)
        screen.open_subject(subject)
        for _ in range(3):
            await settle(pilot)
        return screen

    return go


async def pick(pilot: Pilot[None], settle: Settle, name: str) -> None:
    """Pick an offer of the open sheet by its id."""
    await settle(pilot)
    sheet = pilot.app.screen
    assert isinstance(sheet, PickSheet)
    sheet.query_one(OptionList).highlighted = [o.id for o in sheet.offers].index(name)
    await pilot.press("enter")
    for _ in range(3):
        await settle(pilot)


# Widgets.


def layered(count: int = 12) -> SequencePlot:
    values = [10.0 + at % 3 for at in range(count)]
    marks = [Mark.PLAIN] * count
    marks[4] = Mark.HIGH
    nan = math.nan
    return SequencePlot(
        values,
        marks,
        layers=[
            Layer("A", 0, [v if at % 2 else nan for at, v in enumerate(values)]),
            Layer("B", 1, [nan if at % 2 else v for at, v in enumerate(values)]),
            Layer("others", 7, [20.0] + [nan] * (count - 1)),
        ],
    )


@pytest.mark.parametrize(("ascii_only", "signs"), [(False, UNICODE), (True, ASCII)])
def test_groups_have_signs_and_a_flag_stays_above_them(ascii_only: bool, signs: object) -> None:
    grid = draw_sequence(layered(), 60, 12, View(ascii_only=ascii_only))
    text = grid.text()
    for place in (0, 1, 7):
        assert signs.groups[place] in text  # type: ignore[attr-defined]
    assert sum(row.count(Role.HIGH) for row in grid.roles) == 1, "the flagged point has its own mark"
    assert sum(row.count(Role.POINT) for row in grid.roles) == 0
    assert text.isascii() is ascii_only
    assert len(set(UNICODE.groups)) == len(set(ASCII.groups)) == len(GROUP_ROLES) == 10
    for glyphs in (UNICODE, ASCII):
        assert not set(glyphs.groups) & set(glyphs.marks)


def test_the_height_takes_in_all_groups_and_crowded_groups_stand_at_their_mean() -> None:
    grid = draw_sequence(layered(), 60, 12)
    assert "20" in grid.text(), "the highest value of a group is inside"
    count = 400
    values = [math.sin(at) for at in range(count)]
    plot = SequencePlot(values, layers=[Layer("A", 0, values)])
    crowded = draw_sequence(plot, 60, 12)
    assert sum(row.count(Role.GROUP_1) for row in crowded.roles) <= crowded.box.width


def test_a_strip_has_neither_floor_nor_letters_but_the_lines_of_events() -> None:
    plot = SequencePlot(
        [2.0] * 30, limits=[LimitSpan(0, 30, 0.0, None, 4.0)], events=[EventMark(15, "g", "glass")]
    )
    whole = draw_sequence(plot, 60, 10)
    strip = draw_sequence(plot, 60, 6, View(floor=False, letters=False))
    assert whole.lines[0].count("g") == 1
    assert strip.box.height == 6
    assert "g" not in strip.text().replace("lower limit", "")
    assert UNICODE.event in strip.text()
    assert UNICODE.corner not in strip.text()


def test_words_of_a_search_are_looked_for_everywhere() -> None:
    assert matches(["trans", "2040"], "FM-2040", "Flow meter", "TRN", "Transmission of the cover")
    assert matches([], "anything")
    assert not matches(["trans", "1310"], "FM-2040", "Flow meter", "TRN", "Transmission")


# On the screen.


@pytest.mark.parametrize("size", [(120, 40)])
def test_another_kind_is_said_to_be_a_view_and_esc_leads_back(
    size: tuple[int, int],
    written_sample_plant: Path,
    run: Callable[..., None],
    settle: Settle,
    program_on: Callable[..., QualrecApp],
    open_charts: Callable[..., Awaitable[ChartsScreen]],
    screen_text: Callable[[QualrecApp], str],
) -> None:
    app = program_on(written_sample_plant)

    async def steps(pilot: Pilot[None]) -> None:
        screen = await open_charts(pilot)
        record = screen.chart.plot
        await pilot.press("w")
        await pick(pilot, settle, "cusum")
        assert "not the chart of record" in said(screen, "#state")
        assert "no flag is raised" in " ".join(screen_text(app).split())
        assert screen.chart.heading.startswith("VIEW: cumulative sums")
        assert screen.chart.plot.values == pytest.approx(screen.looked.kind.chart.tracks[0].values)  # type: ignore[union-attr]
        await pilot.press("space")
        await settle(pilot)
        assert isinstance(app.screen, TextSheet)
        assert any(line.startswith("In this view: CUSUM down") for line in app.screen.lines)
        await pilot.press("escape", "e")
        assert "chart of record" in screen.query_one("#message", MessageLine).text
        await pilot.press("escape")
        for _ in range(2):
            await settle(pilot)
        assert screen.chart.plot.values == record.values
        assert screen.way == Way()
        await pilot.press("w")
        await pick(pilot, settle, "single values")
        await pilot.press("t")
        for _ in range(2):
            await settle(pilot)
        assert screen.trial is not None
        assert "TRIAL limits" in screen.chart.heading, "a trial is of the chart of record"
        await pilot.press("w")
        assert "trial limits away" in screen.query_one("#message", MessageLine).text

    run(app, steps, size)


@pytest.mark.parametrize(("size", "ascii_only"), [((80, 24), True), ((200, 60), False)])
def test_points_told_apart_have_signs_and_a_legend_in_words(
    size: tuple[int, int],
    ascii_only: bool,
    written_sample_plant: Path,
    run: Callable[..., None],
    settle: Settle,
    program_on: Callable[..., QualrecApp],
    open_charts: Callable[..., Awaitable[ChartsScreen]],
    screen_text: Callable[[QualrecApp], str],
) -> None:
    app = program_on(written_sample_plant, ascii=ascii_only)

    async def steps(pilot: Pilot[None]) -> None:
        screen = await open_charts(pilot)
        await pilot.press("a")
        await pick(pilot, settle, "stream")
        legend = said(screen, "#groups")
        signs = (ASCII if ascii_only else UNICODE).groups
        for at, stream in enumerate("1234"):
            assert f"{signs[at]} {stream} " in legend
        assert "(31)" in legend
        text = screen_text(app)
        assert text.isascii() is ascii_only
        assert signs[2] in text
        assert "v" in text if ascii_only else "▼" in text
        assert "Stream: 1, 2, 3, 4" in said(screen, "#point-text")
        await pilot.press("i")
        await settle(pilot)
        assert isinstance(app.screen, TextSheet)
        assert app.screen.lines[0].startswith("The streams differ")
        await pilot.press("escape", "escape")
        for _ in range(2):
            await settle(pilot)
        assert not screen.chart.plot.layers
        assert not screen.has_class("-groups")

    run(app, steps, size)


def test_strips_walk_together_and_open_the_lot(
    written_sample_plant: Path,
    run: Callable[..., None],
    settle: Settle,
    program_on: Callable[..., QualrecApp],
    open_charts: Callable[..., Awaitable[ChartsScreen]],
    screen_text: Callable[[QualrecApp], str],
    same_as_snapshot: Callable[[str, str], None],
) -> None:
    app = program_on(written_sample_plant)

    async def steps(pilot: Pilot[None]) -> None:
        screen = await open_charts(pilot)
        await pilot.press("o")
        for _ in range(2):
            await settle(pilot)
        sheet = app.screen
        assert isinstance(sheet, CodesSheet)
        assert "PULL" in sheet.marked
        sheet.marked = set()
        await pilot.press("enter")
        assert "Mark 1 to" in str(sheet.query_one("#why", Static).content)
        await pilot.press("space", "down", "down", "space", "end", "space", "enter")
        for _ in range(3):
            await settle(pilot)
        assert screen.way.codes == ("PULL", "TTP", "joint energy")
        strips = screen.query_one("#strips", StripChart)
        assert strips.has_focus
        await pilot.press("home", "n")
        lot = strips.plot.name(strips.cursor or 0)
        point = said(screen, "#point-text")
        assert point.startswith(lot)
        for code in ("PULL", "TTP", "joint energy"):
            assert code in point
        same_as_snapshot("charts_strips_80x24", screen_text(app))
        await pilot.press("plus", "plus")
        assert strips.stop - strips.first < len(strips.plot.values)
        await pilot.click(strips, offset=(strips._box.left + 1, 3))
        assert strips.cursor == strips.first
        await pilot.press("t")
        assert "Esc leads back" in screen.query_one("#message", MessageLine).text
        await pilot.press("full_stop")
        assert screen.subject == COVER, "the keys roll the strips, or say nothing where all are shown"
        await pilot.press("escape")
        for _ in range(2):
            await settle(pilot)
        assert screen.shown is screen.chart
        assert screen.chart.has_focus

    run(app, steps)


def test_a_view_is_kept_under_its_name_and_comes_back(
    written_sample_plant: Path,
    tmp_path: Path,
    run: Callable[..., None],
    settle: Settle,
    program_on: Callable[..., QualrecApp],
    open_charts: Callable[..., Awaitable[ChartsScreen]],
) -> None:
    folder = tmp_path / "settings"

    async def keep(pilot: Pilot[None]) -> None:
        screen = await open_charts(pilot)
        await pilot.press("a")
        await pick(pilot, settle, "stream")
        await pilot.press("plus", "l")
        for _ in range(2):
            await settle(pilot)
        sheet = pilot.app.screen
        assert isinstance(sheet, ViewsSheet)
        sheet.query_one(Input).value = "cavity 3"
        await pilot.press("enter")
        for _ in range(2):
            await settle(pilot)
        assert "Kept as view cavity 3" in screen.query_one("#message", MessageLine).text

    async def come_back(pilot: Pilot[None]) -> None:
        screen = await open_charts(pilot, Subject("FM-2040", "PULL"))
        await pilot.press("l")
        for _ in range(2):
            await settle(pilot)
        assert isinstance(pilot.app.screen, ViewsSheet)
        await pilot.press("enter")
        for _ in range(4):
            await settle(pilot)
        assert screen.subject == COVER
        assert screen.way.by == "stream"
        assert screen.chart.plot.layers
        assert screen.range_shown() == (kept["cavity 3"]["first"], kept["cavity 3"].get("last", ""))
        await pilot.press("l")
        await settle(pilot)
        await pilot.press("delete")
        for _ in range(2):
            await settle(pilot)

    run(program_on(written_sample_plant, config_dir=folder), keep)
    kept = saved_views(folder, "charts")
    assert kept["cavity 3"]["code"] == "TRN"
    assert kept["cavity 3"]["first"].startswith("U00")
    run(program_on(written_sample_plant, config_dir=folder), come_back)
    assert saved_views(folder, "charts") == {}


def test_the_chooser_finds_codes_and_names(
    written_sample_plant: Path,
    run: Callable[..., None],
    settle: Settle,
    program_on: Callable[..., QualrecApp],
    open_charts: Callable[..., Awaitable[ChartsScreen]],
) -> None:
    app = program_on(written_sample_plant)

    async def steps(pilot: Pilot[None]) -> None:
        screen = await open_charts(pilot)
        await pilot.press("c")
        for _ in range(2):
            await settle(pilot)
        sheet = app.screen
        assert isinstance(sheet, SubjectSheet)
        sheet.query_one(Input).value = "burst"
        await settle(pilot)
        options = sheet.query_one(OptionList)
        found = [options.get_option_at_index(at).id for at in range(options.option_count)]
        assert found == ["p:MC-0055", "c:MC-0055\nBURST"]
        assert options.highlighted == 1
        await pilot.press("enter")
        for _ in range(3):
            await settle(pilot)
        assert screen.subject == Subject("MC-0055", "BURST")

    run(app, steps)
