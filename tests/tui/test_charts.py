"""Charts: what is drawn under which limits, the walk over flagged points, trial limits, freezing, and what refuses."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from threading import Event

import numpy as np
import pytest
from textual.pilot import Pilot
from textual.widgets import Input, OptionList, Static

from qualrec import assess
from qualrec.assess import ChartView, price
from qualrec.config import Settings
from qualrec.records import lookups
from qualrec.records.database import open_store
from qualrec.stats.results import Signal
from qualrec.tui.app import QualrecApp
from qualrec.tui.desk import Desk
from qualrec.tui.screens import charts_text as words
from qualrec.tui.screens.charts import ChartsScreen
from qualrec.tui.screens.charts_sheets import FreezeSheet, ReasonSheet
from qualrec.tui.screens.charts_text import Look
from qualrec.tui.screens.subject import Subject, SubjectSheet
from qualrec.tui.screens.text_sheet import TextSheet
from qualrec.tui.widgets.forms import Field
from qualrec.tui.widgets.message_line import MessageLine
from qualrec.tui.widgets.plot_canvas import Mark
from qualrec.work import set_up
from qualrec.work.accounts import SAMPLE_PASSWORD

Run = Callable[..., None]
PULL = Subject("FM-2040", "PULL")
COVER = Subject("FM-2040", "TRN")
WIDE = (120, 40)


async def settle(pilot: Pilot[None]) -> None:
    """Wait until no worker runs and the screen is drawn."""
    for _ in range(3):
        await pilot.app.workers.wait_for_complete()
        await pilot.pause()


def app_on(path: Path, **changes: object) -> QualrecApp:
    settings = Settings(f"sqlite:///{path}", **{"badge": "Q-01", **changes})  # type: ignore[arg-type]
    return QualrecApp(settings, desk=Desk(settings))


async def opened(pilot: Pilot[None], subject: Subject | None = None) -> ChartsScreen:
    await settle(pilot)
    await pilot.app.action_go("charts")  # type: ignore[attr-defined]
    await settle(pilot)
    screen = pilot.app.screen
    assert isinstance(screen, ChartsScreen)
    if subject is not None:
        screen.open_subject(subject)
        await settle(pilot)
    return screen


async def type_text(pilot: Pilot[None], text: str) -> None:
    await pilot.press(*[{" ": "space", "-": "minus"}.get(c, c) for c in text])


def said(screen: ChartsScreen, name: str) -> str:
    return str(screen.query_one(name, Static).content)


def message(screen: ChartsScreen) -> str:
    return screen.query_one("#message", MessageLine).text


@pytest.fixture
def view(written_sample_plant: Path) -> ChartView:
    """The chart of the pull force on record."""
    return view_of(written_sample_plant, PULL)


def view_of(path: Path, subject: Subject) -> ChartView:
    with open_store(f"sqlite:///{path}") as store, store.read() as conn:
        return assess.chart_view(conn, subject.part, subject.code, price=False, **subject.asked)


def signal(at: int, side: int, track: str = "lot mean") -> Signal:
    return Signal("beyond limit", track, (at,), side, "beyond")


# What is drawn.


def test_a_flag_is_hidden_by_no_other_mark() -> None:
    marks = [Mark.LEFT_OUT, Mark.CORRECTED, Mark.PLAIN]
    found = words.flagged(marks, [signal(0, -1), signal(1, 1), signal(2, 0)])
    assert found == [Mark.LOW, Mark.HIGH, Mark.HIGH]
    assert marks == [Mark.LEFT_OUT, Mark.CORRECTED, Mark.PLAIN]


def test_every_signal_on_record_is_marked_on_the_sheet(view: ChartView) -> None:
    both = words.view_sheet(view, Look())
    assert both.spread is not None
    spread_only = 0
    for found in view.signals:
        at = found.points[-1]
        plot = both.spread if found.track == words.SPREAD else both.main
        spread_only += found.track == words.SPREAD
        assert plot.mark(at) >= Mark.LOW, found
    assert spread_only
    alone = words.view_sheet(view, Look(spread=False))
    assert alone.spread is None
    assert {at for at, mark in enumerate(alone.main.marks) if mark >= Mark.LOW} == {
        s.points[-1] for s in view.signals
    }


def test_limits_drawn_are_those_of_the_version_on_record(view: ChartView) -> None:
    sheet = words.view_sheet(view, Look())
    limits = view.spans[-1].limits
    assert limits is not None
    span = sheet.main.limits[-1]
    assert span.version == f"v{limits.version}"
    assert isinstance(span.upper, list)
    assert span.upper[-1] == pytest.approx(limits.upper)
    assert f"v{limits.version}, frozen, from {len(limits.used_lots)} lots" in sheet.heading


def test_ewma_sheet_draws_the_weighted_mean_worked_out_by_hand(view: ChartView) -> None:
    """z = lambda x + (1 - lambda) z before, from the frozen centre: Roberts 1959, e-Handbook 6.3.2.4."""
    limits = view.spans[-1].limits
    assert limits is not None
    z, found = limits.centre, []
    for value in view.series.mean:
        z = 0.2 * float(value) + 0.8 * z
        found.append(z)
    sheet = words.view_sheet(view, Look(ewma=True))
    assert sheet.track == words.EWMA
    assert sheet.main.values == pytest.approx(found)


def test_point_summary_keeps_the_signal_where_room_is_short(view: ChartView) -> None:
    at = view.signals[0].points[-1]
    text = words.point_summary(view, at, 160, "Space")
    assert "Signal" in text
    assert text.endswith("... Space: all")
    assert len(text) <= 160
    assert len(words.point_summary(view, at, 10_000, "Space")) > 160


def test_stream_rows_agree_with_the_single_values(written_sample_plant: Path) -> None:
    """Mean and pooled standard deviation of each cavity against numpy on the readings themselves."""
    with open_store(f"sqlite:///{written_sample_plant}") as store, store.read() as conn:
        c = lookups.characteristic(conn, COVER.part, COVER.code)
        streams = {s.label: s.id for s in lookups.streams_of(conn, c.id) if s.id}
        rows = words.stream_rows({k: lookups.lot_series(conn, c.id, stream_id=v) for k, v in streams.items()})
        for row in rows:
            x = lookups.values(conn, c.id, stream_id=streams[row.label])
            lots = [x.value[x.lot_ids == lot] for lot in np.unique(x.lot_ids)]
            squares = sum(float(((lot - lot.mean()) ** 2).sum()) for lot in lots)
            assert row.n == x.value.size
            assert row.mean == pytest.approx(x.value.mean())
            assert row.within == pytest.approx(math.sqrt(squares / (x.value.size - len(lots))))
            assert (row.low, row.high) == (x.value.min(), x.value.max())
    lines = words.stream_lines(rows, c, 72, "comma")
    assert len(rows) == 4
    assert all(len(line) <= 72 for line in lines)
    assert any("," in line for line in lines[1:5])


# On the screen.


@pytest.mark.parametrize("size", [(80, 24), WIDE])
def test_opens_on_a_flagged_chart_and_walks_to_its_flags(
    size: tuple[int, int], written_sample_plant: Path, run: Run, screen_text: Callable[[QualrecApp], str]
) -> None:
    app = app_on(written_sample_plant)

    async def steps(pilot: Pilot[None]) -> None:
        screen = await opened(pilot)
        assert screen.loaded is not None
        view = screen.loaded.view
        assert view.signals, "the newest flag on a chart leads here"
        assert said(screen, "#state").startswith("! ")
        ends = {s.points[-1] for s in view.signals}
        await pilot.press("home", "n")
        assert screen.chart.cursor == min(ends - {0})
        assert "Signal" in said(screen, "#point-text")
        text = screen_text(app)
        for word in ("upper limit", "centre", "lower limit", "s upper", "limits v1, frozen"):
            assert word in text
        await pilot.press("space")
        await settle(pilot)
        assert isinstance(app.screen, TextSheet)
        assert list(app.screen.lines) == list(view.points[min(ends - {0})].lines)

    run(app, steps, size)


def test_keys_switch_weighted_mean_spread_stream_and_characteristic(
    written_sample_plant: Path, run: Run
) -> None:
    async def steps(pilot: Pilot[None]) -> None:
        screen = await opened(pilot, COVER)
        await pilot.press("e")
        assert screen.chart.heading.startswith("EWMA")
        await pilot.press("r")
        assert screen.chart.spread is None
        pooled = list(screen.chart.plot.values)
        await pilot.press("k")
        await settle(pilot)
        assert screen.subject == Subject("FM-2040", "TRN", "1")
        assert "stream 1" in said(screen, "#subject")
        assert list(screen.chart.plot.values) != pooled
        await pilot.press("m")
        await settle(pilot)
        assert isinstance(pilot.app.screen, TextSheet)
        await pilot.press("escape", "d")
        assert "one group of conditions" in message(screen)
        await pilot.press("comma")
        await settle(pilot)
        assert screen.subject is not None
        assert screen.subject != COVER
        assert screen.subject.part == "FM-2040"

    run(app_on(written_sample_plant), steps, WIDE)


def test_chooser_narrows_by_typing_and_opens_the_characteristic(written_sample_plant: Path, run: Run) -> None:
    async def steps(pilot: Pilot[None]) -> None:
        screen = await opened(pilot, PULL)
        await pilot.press("c")
        await settle(pilot)
        sheet = pilot.app.screen
        assert isinstance(sheet, SubjectSheet)
        await type_text(pilot, "VB-13")
        assert sheet.query_one(Input).value == "VB-13"
        options = sheet.query_one(OptionList)
        assert [options.get_option_at_index(0).id, options.option_count] == ["p:VB-1310", 1]
        await pilot.press("enter")
        await settle(pilot)
        codes = [options.get_option_at_index(at).id for at in range(options.option_count)]
        assert codes[0] == "p:VB-1310"
        assert "c:VB-1310\nLEAK" in codes
        options.highlighted = 0
        await pilot.press("enter")
        assert options.highlighted == 1, "Enter on the open part goes to its first characteristic"
        await pilot.press(*["down"] * (codes.index("c:VB-1310\nLEAK") - (options.highlighted or 0)), "enter")
        await settle(pilot)
        assert screen.subject == Subject("VB-1310", "LEAK")
        assert screen.chart.spread is None
        assert screen.chart.heading.startswith("share defective")

    run(app_on(written_sample_plant), steps)


def test_notes_tell_the_price_when_it_is_computed(
    written_sample_plant: Path, run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The run lengths come by a second worker: the chart is there and every key works while they are computed."""
    go, real = Event(), price.price_notes

    def slow(c: object) -> tuple[str, ...]:
        assert go.wait(20)
        return real(c)  # type: ignore[arg-type]

    monkeypatch.setattr(price, "price_notes", slow)

    async def steps(pilot: Pilot[None]) -> None:
        await pilot.app.action_go("charts")  # type: ignore[attr-defined]
        screen = pilot.app.screen
        assert isinstance(screen, ChartsScreen)
        for _ in range(200):
            await pilot.pause(0.02)
            if screen.loaded is not None:
                break
        assert screen.loaded is not None
        await pilot.press("home", "i")
        assert screen.chart.cursor == 0
        sheet = pilot.app.screen
        assert isinstance(sheet, TextSheet)
        assert any("computing" in line for line in sheet.lines)
        go.set()
        await settle(pilot)
        assert any("false alarm" in line for line in sheet.lines)
        assert any("clear no flag" in line for line in sheet.lines)

    run(app_on(written_sample_plant), steps)


def test_enter_opens_the_lot_of_the_point(written_sample_plant: Path, run: Run) -> None:
    async def steps(pilot: Pilot[None]) -> None:
        screen = await opened(pilot, PULL)
        await pilot.press("home", "enter")
        await settle(pilot)
        app = pilot.app
        assert isinstance(app, QualrecApp)
        assert app.place == "lots"
        await app.action_go("charts")
        await settle(pilot)
        assert screen.subject == PULL
        assert screen.chart.cursor == 0

    run(app_on(written_sample_plant), steps)


def test_a_point_of_a_moulding_lot_is_told_in_place(written_sample_plant: Path, run: Run) -> None:
    async def steps(pilot: Pilot[None]) -> None:
        await opened(pilot, COVER)
        await pilot.press("enter")
        await settle(pilot)
        assert isinstance(pilot.app.screen, TextSheet)

    run(app_on(written_sample_plant), steps)


# Limits.


async def _trial_without_first_signal(pilot: Pilot[None]) -> tuple[ChartsScreen, str]:
    screen = await opened(pilot, PULL)
    await pilot.press("t")
    await settle(pilot)
    assert "TRIAL" in screen.chart.heading
    assert said(screen, "#state").startswith("? Trial")
    await pilot.press("home", "n")
    lot = screen.lot_here()
    assert lot is not None
    await pilot.press("x")
    await settle(pilot)
    assert isinstance(pilot.app.screen, ReasonSheet)
    await type_text(pilot, "interfacial lot")
    await pilot.press("enter")
    await settle(pilot)
    return screen, lot


def test_trial_limits_leave_a_lot_out_and_store_nothing(sample_plant: Path, run: Run) -> None:
    before = view_of(sample_plant, PULL)

    async def steps(pilot: Pilot[None]) -> None:
        screen, lot = await _trial_without_first_signal(pilot)
        assert screen.trial is not None
        assert [(o.lot_number, o.reason) for o in screen.trial.made.left_out] == [(lot, "interfacial lot")]
        assert screen.lot_here() == lot
        assert screen.chart.cursor is not None
        assert screen.chart.plot.mark(screen.chart.cursor) is Mark.LEFT_OUT
        assert lot in said(screen, "#state")
        await pilot.press("x")
        await settle(pilot)
        assert screen.trial.made.left_out == ()
        await pilot.press("left_square_bracket")
        await settle(pilot)
        assert screen.trial.made.series.numbers[0] == lot
        await pilot.press("t")
        assert screen.trial is None
        assert "frozen" in screen.chart.heading

    run(app_on(sample_plant), steps, WIDE)
    assert view_of(sample_plant, PULL).history == before.history


def test_freezing_supersedes_with_name_and_reason_and_clears_no_flag(sample_plant: Path, run: Run) -> None:
    def flags() -> list[tuple[int, str]]:
        with open_store(f"sqlite:///{sample_plant}") as store, store.read() as conn:
            return [(f.id, f.state) for f in lookups.flags(conn, limit=5000)]

    before, flags_before = view_of(sample_plant, PULL), flags()
    left: list[str] = []

    async def steps(pilot: Pilot[None]) -> None:
        screen, lot = await _trial_without_first_signal(pilot)
        left.append(lot)
        await pilot.press("z")
        await settle(pilot)
        sheet = pilot.app.screen
        assert isinstance(sheet, FreezeSheet)
        assert any("supersede version 1" in line for line in sheet.lines)
        await pilot.press("enter", "enter")
        assert pilot.app.screen is sheet, "no reason, no limits"
        assert "missing" in sheet.query_one("#reason", Field).problem
        await type_text(pilot, "new resin qualified")
        await pilot.press("enter")
        await type_text(pilot, SAMPLE_PASSWORD)
        await pilot.press("enter")
        await settle(pilot)
        assert screen.trial is None
        assert "Frozen as version 2" in message(screen)
        assert "No flag was cleared" in message(screen)
        await pilot.press("v")
        await settle(pilot)
        shown = pilot.app.screen
        assert isinstance(shown, TextSheet)
        text = "\n".join(shown.lines)
        assert text.index("Version 2   frozen") < text.index("Version 1   superseded")
        assert f"left out: {lot}: interfacial lot" in text

    run(app_on(sample_plant), steps)
    after = view_of(sample_plant, PULL)
    newest = max(after.history, key=lambda h: h.version)
    assert len(after.history) == len(before.history) + 1
    assert (newest.reason, newest.person, newest.state) == (
        "new resin qualified",
        "Sample quality engineer",
        "frozen",
    )
    assert [o.lot_number for o in newest.left_out] == left
    assert newest.from_us > int(before.series.at_us[-1])
    assert flags() == flags_before
    with open_store(f"sqlite:///{sample_plant}") as store, store.read() as conn:
        signed = lookups.signatures(conn, "limits", newest.id)
        assert [(s.meaning, s.reason) for s in signed] == [("approved", "new resin qualified")]


def test_a_technician_may_look_at_trial_limits_but_not_freeze_them(sample_plant: Path, run: Run) -> None:
    async def steps(pilot: Pilot[None]) -> None:
        screen = await opened(pilot, PULL)
        await pilot.press("z")
        assert "First work out trial limits (F3)" in message(screen)
        await pilot.press("t")
        await settle(pilot)
        await pilot.press("z")
        await settle(pilot)
        await pilot.press("enter")
        await type_text(pilot, "because")
        await pilot.press("enter")
        await type_text(pilot, SAMPLE_PASSWORD)
        await pilot.press("enter")
        await settle(pilot)
        assert "may not freeze limits" in message(screen)
        assert screen.trial is not None, "what was worked out is kept"
        await pilot.press("z")
        await settle(pilot)
        await type_text(pilot, "Q-01")
        await pilot.press("enter")
        await type_text(pilot, "signed by the engineer")
        await pilot.press("enter")
        await type_text(pilot, SAMPLE_PASSWORD)
        await pilot.press("enter")
        await settle(pilot)
        assert "signed by Sample quality engineer" in message(screen)

    run(app_on(sample_plant, badge="T-01"), steps)
    assert max(h.version for h in view_of(sample_plant, PULL).history) == 2


# Refusals, empty states, plain terminals.


def test_what_cannot_be_read_is_told_with_a_remedy(written_sample_plant: Path, run: Run) -> None:
    async def steps(pilot: Pilot[None]) -> None:
        screen = await opened(pilot, Subject("FM-2040", "PULX"))
        assert "PULX" in message(screen)
        assert said(screen, "#subject") == "FM-2040 PULX   not read"
        assert screen.chart.plot.words.empty == "not read"
        assert "PULL" in message(screen)
        await pilot.press("t", "x", "z", "e", "v", "i", "space", "enter")
        await settle(pilot)
        assert pilot.app.screen is screen

    run(app_on(written_sample_plant), steps)


def test_an_empty_database_and_an_empty_chart_teach(
    tmp_path: Path, sample_plant: Path, run: Run, screen_text: Callable[[QualrecApp], str]
) -> None:
    url = f"sqlite:///{tmp_path / 'empty.sqlite'}"
    set_up.create(url, code="P1", name="Plant", zone="UTC", decimal_style="point", person="Somebody")
    empty = app_on(tmp_path / "empty.sqlite", badge="")

    async def nothing(pilot: Pilot[None]) -> None:
        await opened(pilot)
        text = screen_text(empty)
        assert "The first steps" in text
        assert "part number" in text
        await pilot.press("t", "c")
        await settle(pilot)
        assert isinstance(empty.screen, SubjectSheet)

    run(empty, nothing)
    with open_store(f"sqlite:///{sample_plant}") as store, store.read() as conn:
        bare = [
            c.code
            for c in lookups.characteristics(conn, "FM-2040")
            if not lookups.conditions_of(conn, c.id) and c.kind == "measured"
        ]
    app = app_on(sample_plant)

    async def no_readings(pilot: Pilot[None]) -> None:
        screen = await opened(pilot, Subject("FM-2040", bare[0]))
        assert "has no readings yet" in screen_text(app)
        assert "becomes one point" in " ".join(screen_text(app).split())
        screen.open_subject(PULL)
        await settle(pilot)
        assert "upper limit" in screen_text(app)

    run(app, no_readings)


@pytest.mark.parametrize("size", [(80, 24), WIDE])
def test_ascii_and_no_colour_say_everything(
    size: tuple[int, int], written_sample_plant: Path, run: Run, screen_text: Callable[[QualrecApp], str]
) -> None:
    app = app_on(written_sample_plant, ascii=True, no_color=True)

    async def steps(pilot: Pilot[None]) -> None:
        await opened(pilot, PULL)
        text = screen_text(app)
        assert text.isascii()
        assert "! " in text
        assert "v low" in text
        await pilot.press("t")
        await settle(pilot)
        assert screen_text(app).isascii()

    run(app, steps, size)


def test_resize_keeps_point_and_trial(written_sample_plant: Path, run: Run) -> None:
    async def steps(pilot: Pilot[None]) -> None:
        screen = await opened(pilot, PULL)
        await pilot.press("t")
        await settle(pilot)
        await pilot.press("home", "right", "right")
        await pilot.resize_terminal(120, 40)
        await settle(pilot)
        assert screen.chart.cursor == 2
        assert screen.trial is not None
        assert screen.chart.spread is not None
        await pilot.resize_terminal(80, 24)
        await settle(pilot)
        assert screen.chart.cursor == 2

    run(app_on(written_sample_plant), steps)
