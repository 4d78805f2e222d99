"""Chart, table, forms and workers, used through the keyboard and the mouse."""

from __future__ import annotations

import asyncio
import threading

import pytest
from textual.events import Key, MouseScrollDown, MouseScrollUp
from textual.widgets import Input

from qualrec.errors import DatabaseBusy, Refused
from qualrec.tui.app import QualrecApp
from qualrec.tui.desk import Desk
from qualrec.tui.labels import Tone
from qualrec.tui.messages import Trouble
from qualrec.tui.widgets.chart import Chart, point_text
from qualrec.tui.widgets.forms import Choice, Entry, Field, Form
from qualrec.tui.widgets.histogram import Histogram, IndexBars, ProbabilityPaper
from qualrec.tui.widgets.message_line import MessageLine
from qualrec.tui.widgets.plot_sequence import SequencePlot
from qualrec.tui.widgets.plot_shapes import Distribution, IndexBar, ProbabilityPlot
from qualrec.tui.widgets.record_table import RecordTable


@pytest.fixture
def at(places, settings, run, settle):
    """`at(place, use)` opens a place and calls `use(app, pilot)`."""

    def go(place, use, size=(80, 24), **changes):
        app = QualrecApp(settings(**changes), places)

        async def session(pilot):
            await app.action_go(place)
            await settle(pilot)
            await use(app, pilot)

        run(app, session, size)

    return go


def test_cursor_keys_walk_the_points_and_tell_about_each(at, settle, screen_text):
    async def use(app, pilot):
        chart = app.screen.query_one(Chart)
        assert chart.cursor == 39
        await pilot.press("home", "right", "right")
        assert chart.cursor == 2
        await settle(pilot)
        assert "L002" in screen_text(app).splitlines()[-5]
        await pilot.press("left", "left", "left", "left")
        assert chart.cursor == 0
        await pilot.press("down")
        assert chart.cursor == 20
        await pilot.press("n")
        assert chart.cursor == 31
        await pilot.press("end", "up")
        assert chart.cursor == 36
        await pilot.press("b", "b", "b")
        assert chart.cursor == 20

    at("charts", use)


def test_zoom_and_pan_keep_the_cursor_in_the_view(at):
    async def use(app, pilot):
        chart = app.screen.query_one(Chart)
        await pilot.press("home", "n", "plus")
        assert chart.stop - chart.first == 20
        assert chart.first <= 20 < chart.stop
        await pilot.press("plus", "plus", "plus", "plus")
        assert chart.stop - chart.first == 5
        await pilot.press("pagedown", "pagedown")
        assert chart.first <= chart.cursor < chart.stop
        assert chart.first > 20
        await pilot.press("pageup", "0")
        assert (chart.first, chart.stop) == (0, 40)
        await pilot.press("plus", "home")
        assert chart.first == 0
        await pilot.press("end")
        assert chart.stop == 40
        await pilot.press("minus")
        assert (chart.first, chart.stop) == (0, 40)

    at("charts", use)


def test_click_and_wheel_on_the_chart(at, settle):
    async def use(app, pilot):
        opened = []
        chart = app.screen.query_one(Chart)
        chart.post_message, post = lambda m: opened.append(m) or post(m), chart.post_message
        x = chart._box.left + (2 * 20 + 1) * chart._box.width // 80
        await pilot.click(Chart, offset=(x, 6))
        await settle(pilot)
        assert chart.cursor == 20
        await pilot.click(Chart, offset=(x, 6), times=2)
        await settle(pilot)
        assert any(isinstance(m, Chart.PointOpened) and m.index == 20 for m in opened)
        event = {
            "x": 30,
            "y": 6,
            "delta_x": 0,
            "delta_y": 1,
            "button": 0,
            "shift": False,
            "meta": False,
            "ctrl": False,
        }
        chart.post_message(MouseScrollUp(chart, **event))
        await settle(pilot)
        assert chart.stop - chart.first == 20
        chart.post_message(MouseScrollDown(chart, **event))
        await settle(pilot)
        assert chart.stop - chart.first == 40

    at("charts", use)


def test_the_chart_styles_flags_and_cursor(at, settle):
    async def use(app, pilot):
        chart = app.screen.query_one(Chart)
        await pilot.press("home", "n")
        await settle(pilot)
        lines = [chart.render_line(y) for y in range(chart.size.height)]
        bad = app.theme_variables["tone-bad"].lower()
        flags = [s for line in lines[:12] for s in line if s.text == "▲"]
        assert flags
        assert flags[0].style.color.triplet.hex == bad
        assert flags[0].style.reverse
        low = next(s for line in lines[:14] for s in line if s.text == "▼")
        assert not low.style.reverse
        names = [s for line in lines for s in line if "upper limit 630" in s.text]
        assert names[0].style.color.triplet.hex == app.theme_variables["tone-note"].lower()

    at("charts", use)


def test_the_caller_tells_about_a_point_and_a_reload_keeps_the_cursor(at, settle, screen_text, plot):
    async def use(app, pilot):
        chart = app.screen.query_one(Chart)
        chart.show(plot(40), describe=lambda index: f"point {index}: force, lot, person and gauge")
        chart.move_to(5)
        await settle(pilot)
        assert "point 5: force, lot, person and gauge" in screen_text(app)
        chart.show(plot(45), keep=True)
        assert chart.cursor == 5
        assert (chart.first, chart.stop) == (0, 45)
        chart.action_closer()
        chart.show(plot(45), keep=True)
        assert chart.stop - chart.first == 23
        chart.show(SequencePlot([1.0, 2.0, 3.0]), keep=True)
        assert chart.cursor == 2
        chart.show(SequencePlot(()))
        await pilot.press("right", "n", "plus", "minus", "0", "pagedown", "enter", "h")
        await settle(pilot)
        assert "no values yet" in screen_text(app)

    at("charts", use)


def test_long_point_text_is_wrapped_and_the_loss_shown(at, settle, screen_text, plot):
    async def use(app, pilot):
        app.screen.query_one(Chart).show(plot(40), describe=lambda index: "word " * 60)
        await settle(pilot)
        assert any(line.rstrip().endswith("...") for line in screen_text(app).splitlines())

    at("charts", use)


def test_height_by_limits_is_named(at, settle, screen_text):
    async def use(app, pilot):
        await pilot.press("h")
        await settle(pilot)
        assert "height: limits" in screen_text(app)

    at("charts", use)


def test_what_the_plot_itself_tells_of_a_point(plot):
    assert point_text(plot(40), 20) == "L020  640  high"
    assert point_text(plot(40), 7) == "L007  no value"
    assert "before it: glass cleaned" in point_text(plot(40), 10)


def test_pictures_render_in_their_widgets(run, settings, settle):
    from textual.app import ComposeResult

    class Still(QualrecApp):
        CSS = ""
        CSS_PATH = None

        def compose(self) -> ComposeResult:
            yield IndexBars()
            yield Histogram()
            yield ProbabilityPaper()

    app = Still(settings(), ())

    async def use(pilot):
        app.query_one(IndexBars).show([IndexBar("Ppk", 1.6, 1.3, 1.33), IndexBar("Cpk", 1.5, 1.2, 1.33)])
        app.query_one(Histogram).show(Distribution([0, 1, 2], [4, 5]), "Shape")
        app.query_one(ProbabilityPaper).show(
            ProbabilityPlot([1.0, 2.0], [0.0, 1.0], [False, True]), "Weibull"
        )
        await settle(pilot)
        assert app.query_one(IndexBars).size.height == 4
        assert "lower bound 1.3" in app.query_one(IndexBars).render_line(1).text
        assert app.query_one(Histogram).render_line(0).text.startswith("Shape")
        paper = app.query_one(ProbabilityPaper)
        assert "at least this much" in paper.render_line(paper.size.height - 1).text

    run(app, use)


def test_the_table_holds_one_page_and_leads_to_the_next(at, settle, screen_text):
    async def use(app, pilot):
        table = app.screen.query_one(RecordTable)
        assert table.rows.row_count == 200
        table.rows.move_cursor(row=199)
        await pilot.press("down")
        await settle(pilot)
        assert table.key == "0201"
        assert table.rows.row_count == 200
        assert "rows 201 to 400" in screen_text(app)
        await pilot.press("up")
        await settle(pilot)
        assert table.key == "0200"
        await pilot.press("n")
        await settle(pilot)
        await pilot.press("n")
        await settle(pilot)
        assert table.rows.row_count == 50
        await pilot.press("n")
        await settle(pilot)
        assert "rows 401 to 450" in screen_text(app)
        assert "more below" not in screen_text(app)
        await pilot.press("0")
        await settle(pilot)
        assert table.key == "0001"
        assert app.screen.requests[1].start == 200

    at("lots", use)


def test_the_table_sorts_and_searches_in_the_query(at, settle, screen_text):
    async def use(app, pilot):
        table = app.screen.query_one(RecordTable)
        await pilot.press("s")
        await settle(pilot)
        assert app.screen.requests[-1].sort == "n"
        await pilot.click("_Rows", offset=(3, 0))
        await settle(pilot)
        assert (app.screen.requests[-1].sort, app.screen.requests[-1].descending) == ("lot", False)
        await pilot.click("_Rows", offset=(3, 0))
        await settle(pilot)
        assert app.screen.requests[-1].descending
        assert table.key == "0450"
        assert "sorted by lot, downward" in screen_text(app)
        table.search("44")
        await settle(pilot)
        assert table.rows.row_count == 14
        assert "matching '44'" in screen_text(app)
        table.search("none such")
        await settle(pilot)
        assert table.key is None
        assert "nothing found" in screen_text(app)

    at("lots", use)


def test_reload_keeps_the_cursor_on_its_record(at, settle):
    async def use(app, pilot):
        table = app.screen.query_one(RecordTable)
        table.go_to("0100")
        await pilot.press("f5")
        await settle(pilot)
        assert table.key == "0100"
        app.screen.records = tuple(range(50, 451))
        await pilot.press("f5")
        await settle(pilot)
        assert table.key == "0100"
        assert table.rows.cursor_row == 50
        app.screen.records = tuple(at for at in range(50, 451) if at != 100)
        await pilot.press("f5")
        await settle(pilot)
        assert table.key == "0101"

    at("lots", use)


def test_a_changed_cell_is_updated_in_place_and_markup_is_text(at, settle, monkeypatch):
    async def use(app, pilot):
        table = app.screen.query_one(RecordTable)
        assert table.rows.get_row_at(0)[0].plain == "0001 [b]"
        from qualrec.tui.widgets.record_table import Cell, Line, Page

        lines = [Line(line.key, (line.cells[0], "77", line.cells[2])) for line in table.page.lines]
        table.fetch = lambda request: Page(lines, 200)
        cleared = []
        monkeypatch.setattr(table.rows, "clear", lambda *a: cleared.append(a))
        table.reload()
        await settle(pilot)
        assert table.rows.get_row_at(3)[1].plain == "77"
        assert cleared == []
        hold = Cell("! HOLD", Tone.BAD)
        assert str(table._cell(hold, 2).style).lower() == app.theme_variables["tone-bad"].lower()

    at("lots", use)


def test_enter_opens_the_record_and_a_failure_is_told_below(at, settle, screen_text):
    async def use(app, pilot):
        table = app.screen.query_one(RecordTable)
        chosen = []
        post = table.post_message
        table.post_message = lambda m: chosen.append(m) or post(m)
        await pilot.press("down", "enter")
        await settle(pilot)
        assert [m.key for m in chosen if isinstance(m, RecordTable.Chosen)] == ["0002"]

        def busy(request):
            raise DatabaseBusy("Station 3 is writing.", "Reload in a moment.")

        good, table.fetch = table.fetch, busy
        table.reload()
        await settle(pilot)
        assert "! Station 3 is writing. Reload in a moment." in screen_text(app)
        assert table.key == "0002"
        table.fetch = good
        table.reload()
        await settle(pilot)
        assert "Station 3" not in screen_text(app)

    at("lots", use)


def test_a_pull_takes_four_keys_beyond_its_digits(at, settle):
    """Lot scanned with Enter, force with Enter, one key for the mode: the form is complete."""

    async def use(app, pilot):
        await pilot.press(*"0012", "enter", *"543,5", "enter", "p")
        await settle(pilot)
        assert app.screen.completed == [{"lot": "0012", "force": 543.5, "mode": "parent"}]

    at("bench", use)


def test_the_value_is_echoed_as_understood_before_it_is_taken(at, settle, screen_text):
    async def use(app, pilot):
        await pilot.press("1", "enter", *"543,5")
        await settle(pilot)
        assert "= 543.5 N" in screen_text(app)
        assert app.screen.completed == []

    at("bench", use)


def test_a_bad_value_says_what_and_what_to_do_and_keeps_the_focus(at, settle, screen_text):
    async def use(app, pilot):
        await pilot.press("1", "enter", *"54x", "enter")
        await settle(pilot)
        assert "! '54x' is not a number. Type digits and one decimal mark." in " ".join(
            screen_text(app).split()
        )
        assert app.screen.query_one("#force", Field).entry.has_focus
        await pilot.press("backspace")
        await settle(pilot)
        assert "not a number" not in screen_text(app)

    at("bench", use)


def test_no_failure_mode_is_picked_beforehand(at, settle, screen_text):
    async def use(app, pilot):
        choice = app.screen.query_one(Choice)
        assert choice.value is None
        await pilot.press("1", "enter", "5", "enter", "enter")
        await settle(pilot)
        assert "! Choose: i, c, p." in screen_text(app)
        assert app.screen.completed == []
        await pilot.press("x")
        assert choice.value is None

    at("bench", use)


def test_a_failure_mode_is_picked_with_the_mouse(at, settle):
    async def use(app, pilot):
        await pilot.press("1", "enter", "5", "enter")
        await pilot.click(Choice, offset=(25, 0))
        await settle(pilot)
        assert app.screen.completed[0]["mode"] == "interfacial"

    at("bench", use)


def test_the_last_row_sends_back_to_the_first_that_is_wrong(at, settle, screen_text):
    async def use(app, pilot):
        choice = app.screen.query_one(Choice)
        choice.start()
        await pilot.press("c")
        await settle(pilot)
        assert app.screen.completed == []
        assert "Lot is missing." in screen_text(app)
        assert app.screen.query_one("#lot", Field).entry.has_focus

    at("bench", use)


def test_a_value_is_typed_again_blind_and_both_entries_come(at, settle, screen_text):
    async def use(app, pilot):
        field = app.screen.query_one("#force", Field)
        accepted = []
        post = field.post_message
        field.post_message = lambda m: accepted.append(m) or post(m)
        await pilot.press("1", "enter", *"453", "enter")
        await settle(pilot)
        field.again("Far from this lot's values: type it again.")
        await settle(pilot)
        assert "453" not in screen_text(app)
        await pilot.press(*"543")
        await settle(pilot)
        assert "= 543" not in screen_text(app)
        await pilot.press("enter")
        await settle(pilot)
        last = [m for m in accepted if isinstance(m, Field.Accepted)][-1]
        assert (last.first_text, last.text, last.value) == ("453", "543", 543.0)

    at("bench", use)


def test_clear_empties_the_form_and_begins_again(at, settle):
    async def use(app, pilot):
        await pilot.press("1", "enter", "5", "enter", "i")
        await settle(pilot)
        form = app.screen.query_one(Form)
        form.clear()
        await settle(pilot)
        assert form.values() == {"lot": None, "force": None, "mode": None}
        assert app.screen.query_one("#lot", Field).entry.has_focus

    at("bench", use)


def test_fields_are_plain_and_do_not_blink(at):
    async def use(app, pilot):
        for entry in app.screen.query(Input):
            assert entry.type == "text"
            assert not entry.cursor_blink

    at("bench", use)


@pytest.mark.parametrize("pause", [0, 1, 2, 3, 5])
def test_a_scanner_faster_than_the_screen_loses_no_key(at, settle, pause):
    """All keys of three rows arrive in one burst, with `pause` turns of the event loop between some of them."""

    async def use(app, pilot):
        for order, char in enumerate("0012\r543,5\rp"):
            key = "enter" if char == "\r" else {",": "comma"}.get(char, char)
            app.post_message(Key(key, None if char == "\r" else char))
            if pause and order % pause == 0:
                await asyncio.sleep(0)
        for _ in range(20):
            await settle(pilot)
        assert app.screen.completed == [{"lot": "0012", "force": 543.5, "mode": "parent"}]

    at("bench", use)


def test_tab_moves_on_without_accepting(at, settle):
    async def use(app, pilot):
        await pilot.press(*"77", "tab", "5")
        await settle(pilot)
        fields = app.screen.query(Entry)
        assert [field.value for field in fields] == ["77", "5"]

    at("bench", use)


def test_work_runs_in_a_thread_and_its_answer_comes_back(at, settle):
    async def use(app, pilot):
        got = []
        app.screen.ask("where", lambda: threading.current_thread() is threading.main_thread(), got.append)
        assert app.screen.waiting("where")
        await settle(pilot)
        assert got == [False]
        assert not app.screen.waiting()

    at("bench", use)


def test_a_late_answer_is_dropped(at, settle):
    async def use(app, pilot):
        go, got = threading.Event(), []

        def slow():
            go.wait(5)
            return "old"

        app.screen.ask("page", slow, got.append)
        app.screen.ask("page", lambda: "new", got.append)
        go.set()
        await settle_all(pilot)
        assert got == ["new"]

    async def settle_all(pilot):
        for _ in range(40):
            await pilot.pause(0.01)

    at("bench", use)


def test_saves_are_never_dropped_and_never_overlap(at, settle):
    async def use(app, pilot):
        inside, most, got = [0], [0], []

        def write(number):
            inside[0] += 1
            most[0] = max(most[0], inside[0])
            threading.Event().wait(0.01)
            inside[0] -= 1
            return number

        for number in range(6):
            app.screen.save("pull", lambda number=number: write(number), got.append)
        assert app.screen.waiting("pull")
        await settle(pilot)
        assert sorted(got) == list(range(6))
        assert most == [1]

    at("bench", use)


def test_a_failure_says_what_and_what_to_do(at, settle, screen_text):
    async def use(app, pilot):
        def refuse():
            raise Refused("Lot 0012 is on hold.", "Close its flags first.")

        app.screen.ask("release", refuse, lambda _: None)
        await settle(pilot)
        line = app.screen.query_one("#message", MessageLine)
        assert line.text == "! Lot 0012 is on hold. Close its flags first."
        assert line.tone is Tone.BAD
        troubles = []
        app.screen.ask("release", refuse, lambda _: None, troubles.append)
        await settle(pilot)
        assert troubles == [Trouble("Lot 0012 is on hold.", "Close its flags first.")]

    at("bench", use)


def test_an_unknown_error_is_worded_and_the_program_stays(at, settle, screen_text):
    async def use(app, pilot):
        app.screen.ask("sum", lambda: 1 / 0, lambda _: None)
        await settle(pilot)
        text = " ".join(screen_text(app).split())
        assert "an error it does not know: ZeroDivisionError" in text
        assert "Traceback" not in text
        assert app.is_running

    at("bench", use)


def test_unreachable_records_are_told_in_the_status_line(places, settings, run, settle, screen_text):
    def no_status():
        raise DatabaseBusy("The records are locked.", "Try again.")

    desk = Desk(settings())
    desk.status = no_status
    app = QualrecApp(settings(), places, desk)

    async def use(pilot):
        await settle(pilot)
        assert "! records not reachable" in screen_text(app)
        assert "The records are locked. Try again." in screen_text(app)

    run(app, use)


def test_say_shows_text_as_it_is_and_takes_it_away(at, settle, screen_text):
    async def use(app, pilot):
        app.screen.say("Saved [bold]1234.5 N[/]", Tone.GOOD)
        await settle(pilot)
        assert "Saved [bold]1234.5 N[/]" in screen_text(app)
        app.screen.say("")
        await settle(pilot)
        assert "Saved" not in screen_text(app)

    at("bench", use)
