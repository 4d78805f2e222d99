"""The bench beside single values: scanner, gauge, cavity, moisture, the queue while the records are away, grid, hand-over."""

from __future__ import annotations

import asyncio
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from textual.events import Key
from textual.pilot import Pilot
from textual.widgets import OptionList, Static

from qualrec.config import Scanner, Settings
from qualrec.errors import ConnectionLost
from qualrec.records import lookups, registry
from qualrec.records.database import open_store
from qualrec.tui.app import QualrecApp
from qualrec.tui.desk import Desk
from qualrec.tui.screens.bench import BenchScreen
from qualrec.tui.screens.bench_grid import EntryGrid, GridSheet
from qualrec.tui.screens.bench_kept import KeptSheet
from qualrec.tui.screens.bench_scanner import ScannerSheet
from qualrec.tui.screens.record_sheets import AskSheet
from qualrec.tui.screens.text_sheet import TextSheet
from qualrec.tui.widgets.forms import Choice, Field
from qualrec.tui.widgets.message_line import MessageLine
from qualrec.work.queue import EntryQueue, queue_folder

LOT = "FM00061"
KEYS = {",": "comma", ".": "full_stop", "/": "slash", "-": "minus", " ": "space", ":": "colon", "~": "tilde"}


async def settle(pilot: Pilot[None]) -> None:
    """Until no worker runs, no key is held back and the screen is drawn."""
    for _ in range(3):
        await pilot.app.workers.wait_for_complete()
        while any(row.held for row in pilot.app.screen.query(Choice)):
            await asyncio.sleep(0.01)
        await pilot.pause()


async def type_text(pilot: Pilot[None], text: str, *more: str) -> None:
    await pilot.press(*[KEYS.get(c, c) for c in text], *more)


async def fire(pilot: Pilot[None], text: str, enter: str = "enter") -> None:
    """What a scanner sends: all signs at once, then Enter."""
    for sign in text:
        pilot.app.post_message(Key(KEYS.get(sign, sign), sign))
    if enter:
        pilot.app.post_message(Key(enter, "\r"))
    await settle(pilot)


async def open_lot(pilot: Pilot[None], number: str = LOT) -> BenchScreen:
    await settle(pilot)
    await type_text(pilot, number, "enter")
    await settle(pilot)
    screen = pilot.app.screen
    assert isinstance(screen, BenchScreen)
    assert screen.bench is not None, screen.query_one("#scan", Field).problem
    return screen


async def pull(pilot: Pilot[None], text: str, key: str = "p") -> None:
    await type_text(pilot, text, "enter")
    await pilot.press(key)
    await settle(pilot)


def said(screen: BenchScreen) -> str:
    return screen.query_one("#message", MessageLine).text


def text_of(screen: BenchScreen, name: str) -> str:
    return str(screen.query_one(name, Static).content)


Make = Callable[..., QualrecApp]


@pytest.fixture
def make(sample_plant: Path, tmp_path: Path) -> Make:
    """The program of a technician on a copy of the sample plant, with folders of its own."""

    def app(**changes: Any) -> QualrecApp:
        given = {
            "badge": "T-01",
            "config_dir": tmp_path / "config",
            "state_dir": tmp_path / "state",
            **changes,
        }
        settings = Settings(f"sqlite:///{sample_plant}", **given)
        return QualrecApp(settings, desk=Desk(settings))

    return app


def stored(path: Path, code: str = "PULL", lot: str = LOT) -> list[Any]:
    with open_store(f"sqlite:///{path}") as store, store.read() as conn:
        found = lookups.lot(conn, lot)
        own = lookups.readings_of_lot(conn, found.id, code)
        upper = found.segment.upper
        return [*own, *(lookups.readings_of_moulding_lot(conn, upper.id, code) if upper and not own else ())]


# Keys.


def test_a_pull_takes_two_keys_beyond_its_digits_and_a_mixed_one_its_shares(
    make: Make, sample_plant: Path, run: Any
) -> None:
    """SCREENS.md allows 8 keys a pull beyond the digits; Enter and one letter are needed, for a test without mode Enter."""
    pressed: list[str] = []

    async def steps(pilot: Pilot[None]) -> None:
        await open_lot(pilot)
        original = pilot.press

        async def counting(*keys: str) -> None:
            pressed.extend(keys)
            await original(*keys)

        pilot.press = counting  # type: ignore[method-assign]
        await pull(pilot, "612,4", "p")
        assert len(pressed) - len("612,4") == 2
        await pull(pilot, "598,1", "c")
        assert len(pressed) - len("612,4598,1") == 4
        await type_text(pilot, "640", "enter", "m")
        await type_text(pilot, "0/60/10/30", "enter")
        await settle(pilot)
        assert len(pressed) - len("612,4598,1640") - len("0/60/10/30") == 7

    run(make(), steps)
    assert [r.value for r in stored(sample_plant)] == [612.4, 598.1, 640.0]


# The scanner.


def test_a_scanner_is_told_from_a_hand_wherever_it_is_fired(make: Make, sample_plant: Path, run: Any) -> None:
    """The labels fired at the failure mode begin with letters of modes ('c', cohesive; 'p', parent material)."""

    async def steps(pilot: Pilot[None]) -> None:
        screen = await open_lot(pilot)
        mode, value = screen.query_one("#mode", Choice), screen.query_one("#value", Field)
        for lot in ("FM00060", LOT):
            await fire(pilot, lot)  # at the value: opens the lot
            assert screen.bench is not None
            assert screen.bench.lot.number == lot
        await fire(pilot, "CAV-3")
        assert "cavity 3" in text_of(screen, "#around")
        await fire(pilot, "612,4")  # a gauge with a keyboard plug
        assert value.value == 612.4
        for label in ("CX00060", "PFM00060"):
            await fire(pilot, label)
            assert mode.value is None
            assert f"{label} was scanned and is not opened: the entry 612,4 of {LOT} is not finished" in said(
                screen
            )
        await pilot.press("c")
        await settle(pilot)
        assert "612.4 N, cohesive" in text_of(screen, "#verdict")
        await type_text(pilot, "613", "enter")
        await fire(pilot, "p64", enter="")  # fast, but no label: each sign acts in its order
        assert "613 N, parent material" in text_of(screen, "#verdict")
        assert value.text == "64"

    run(make(scanner=Scanner()), steps)
    rows = stored(sample_plant)
    assert [(r.value, r.pull.mode, r.stream) for r in rows] == [
        (612.4, "cohesive", "3"),
        (613.0, "parent material", "3"),
    ]


def test_a_prefix_tells_a_label_of_figures_from_a_value_at_any_speed(make: Make, run: Any) -> None:
    async def steps(pilot: Pilot[None]) -> None:
        screen = await open_lot(pilot)
        await type_text(pilot, "~00012", "enter")
        await settle(pilot)
        assert "'00012'" in said(screen)
        assert screen.query_one("#value", Field).text == ""
        await type_text(pilot, "612", "enter")
        await type_text(pilot, "~FM00060", "enter")
        await settle(pilot)
        assert "FM00060 was scanned and is not opened" in said(screen)

    run(make(scanner=Scanner(prefix="~", gap_ms=0)), steps)


def test_the_scanner_test_names_every_sign_and_says_how_it_is_taken(make: Make, run: Any) -> None:
    """Names of control characters: ISO/IEC 646; STX 02, GS 1D, CR 0D."""

    async def steps(pilot: Pilot[None]) -> None:
        await open_lot(pilot)
        await pilot.press("shift+f12")
        await pilot.pause()
        sheet = pilot.app.screen
        assert isinstance(sheet, ScannerSheet)
        await pilot.press("ctrl+b", "F", "M", "6", "ctrl+right_square_bracket", "enter")
        await asyncio.sleep(0.6)
        await pilot.pause()
        shown = str(sheet.query_one("#signs", Static).content)
        for word in ("<STX> 02", "F     46", "<GS>  1D", "<CR>  0D", "6 signs", "Taken as the label: FM6"):
            assert word in shown, shown
        await pilot.press("escape")
        await pilot.pause()
        assert isinstance(pilot.app.screen, BenchScreen)

    run(make(scanner=Scanner(prefix="\x02", suffix="\x1d")), steps)


# Gauge, moisture.


def test_the_gauge_is_asked_once_where_several_could_be_meant_and_remembered_for_the_station(
    make: Make, sample_plant: Path, run: Any, tmp_path: Path
) -> None:
    """On the sample plant PS-01 and PS-02 are path sensors; a lot without readings of its kind makes it ambiguous."""

    async def steps(pilot: Pilot[None]) -> None:
        screen = await open_lot(pilot)
        await pilot.press("f6")
        await pilot.pause()
        assert screen.code == "COL"
        assert screen.bench is not None
        screen.bench = replace(screen.bench, facts=replace(screen.bench.facts, usual={}))
        await type_text(pilot, "0,280", "enter")
        await settle(pilot)
        assert isinstance(pilot.app.screen, AskSheet)
        await pilot.press("2")
        await settle(pilot)
        assert "with PS-02" in text_of(screen, "#around")
        await type_text(pilot, "0,281", "enter")
        await settle(pilot)
        assert isinstance(pilot.app.screen, BenchScreen)
        await pilot.press("f2")
        await pilot.pause()
        await pilot.press("1", "enter")
        await settle(pilot)
        assert "with PS-01" in text_of(screen, "#around")

    run(make(), steps)
    assert [r.gauge for r in stored(sample_plant, "COL")] == ["PS-02", "PS-02"]
    assert '"gauge": "PS-01"' in (tmp_path / "config" / "views.json").read_text(encoding="utf-8")

    async def later(pilot: Pilot[None]) -> None:
        screen = await open_lot(pilot)
        await pilot.press("f6")
        await pilot.pause()
        assert "with PS-01" in text_of(screen, "#around")

    run(make(), later)


def test_moisture_and_hours_are_asked_once_for_a_polyamide(make: Make, sample_plant: Path, run: Any) -> None:
    """PA6: strength depends on the water taken up; DVS 2203-2 asks for 8 h of rest before the test."""
    with open_store(f"sqlite:///{sample_plant}") as store:
        with store.read() as conn:
            part = lookups.part(conn, "VB-1310")
            actor = lookups.actor(conn, "T-01")
        with store.write(actor) as writer:
            registry.add_lot(writer, "VB-NEW", part.id, store.clock() - 2 * 3_600_000_000)

    async def steps(pilot: Pilot[None]) -> None:
        screen = await open_lot(pilot, "VB-NEW")
        c = screen.characteristic()
        assert c is not None
        assert c.strength
        assert "moisture state asked" in text_of(screen, "#around")
        await type_text(pilot, "900", "enter")
        await pilot.press("p")
        await settle(pilot)
        sheet = pilot.app.screen
        assert isinstance(sheet, AskSheet)
        assert sheet.query_one("#hours", Field).text == "2.0"
        await pilot.press("d", "enter")
        await settle(pilot)
        assert "dry as moulded, 2.0 h after welding, ! under 8 h" in text_of(screen, "#around")

    run(make(), steps)
    (row,) = stored(sample_plant, lot="VB-NEW")
    assert (row.pull.moisture, round(row.pull.hours_since_weld)) == ("dry as moulded", 2)


# While the records are away.


def test_entries_made_while_the_records_are_away_are_kept_shown_and_stored_once_when_they_are_back(
    make: Make, sample_plant: Path, run: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from qualrec.work import bench as work
    from qualrec.work import sending

    real_open, real_send = work.open_lot, sending.send
    away = [False]

    def gone(function: Any) -> Any:
        def call(*given: Any) -> Any:
            if away[0]:
                raise ConnectionLost("The server does not answer.", "What was typed is kept.")
            return function(*given)

        return call

    monkeypatch.setattr(work, "open_lot", gone(real_open))
    monkeypatch.setattr(sending, "send", gone(real_send))
    made: list[int] = []

    async def steps(pilot: Pilot[None]) -> None:
        screen = await open_lot(pilot)
        away[0] = True
        await pull(pilot, "612,4")
        made.append(screen.now_us)
        await pull(pilot, "598,1", "c")
        shown = text_of(screen, "#verdict")
        assert "not judged yet" in shown
        assert "598,1 N, cohesive" in shown
        assert "2 entries are kept here and wait for the records: not judged yet." in text_of(screen, "#kept")
        assert "Kept here, not judged yet:" in text_of(screen, "#below-text")
        folder = queue_folder(tmp_path / "state", pilot.app.settings.database_url)  # type: ignore[attr-defined]
        assert len(EntryQueue(folder, screen.program.run_mark).waiting()) == 2
        await pull(pilot, "61,2")
        field = screen.query_one("#value", Field)
        assert field.first_text == "61,2"
        field.clear()
        await pilot.press("shift+f7")
        await pilot.pause()
        assert isinstance(pilot.app.screen, KeptSheet)
        assert pilot.app.screen.query_one(OptionList).option_count == 2
        await pilot.press("escape")
        await pilot.pause()
        away[0] = False
        screen.send()
        for _ in range(3):
            await settle(pilot)
        assert "2 kept entries are stored." in said(screen)
        assert not screen.query_one("#kept").display
        assert screen.query_one("#message", MessageLine).text

    run(make(), steps)
    rows = stored(sample_plant)
    assert [(r.value, r.pull.mode) for r in rows] == [(612.4, "parent material"), (598.1, "cohesive")]
    assert rows[0].at_us <= made[0] <= rows[1].at_us
    assert rows[0].entered_us >= rows[1].at_us


def test_what_an_ended_program_left_is_stored_at_the_next_start_and_what_is_refused_can_be_taken_up(
    make: Make, sample_plant: Path, run: Any, tmp_path: Path
) -> None:
    from qualrec.work.queue import Kept

    app = make()
    queue = EntryQueue(queue_folder(tmp_path / "state", app.settings.database_url), app.run_mark)
    for n, text in ((1, "61,2"), (2, "600")):
        row = {"text": text, "mode": "cohesive", "shares_text": ""}
        content = {"lot": LOT, "code": "PULL", "gauge": "", "rows": [row]}
        at = 1_760_000_000_000_000 + n
        queue.add(Kept(f"{app.run_mark}:7{n}", "reading", at, "T-02", "", f"PULL {text}", content))

    async def steps(pilot: Pilot[None]) -> None:
        for _ in range(4):
            await settle(pilot)
        screen = pilot.app.screen
        assert isinstance(screen, BenchScreen)
        assert "1 entry was refused" in text_of(screen, "#kept")
        assert "1 kept entry is stored." in said(screen)
        await pilot.press("shift+f7")
        await pilot.pause()
        await pilot.press("enter")
        for _ in range(2):
            await settle(pilot)
        field = screen.query_one("#value", Field)
        assert field.text == "61,2"
        assert screen.query_one("#mode", Choice).value == "cohesive"
        field.text = "612"
        await pilot.press("enter", "enter")
        await settle(pilot)
        assert not screen.query_one("#kept").display

    run(app, steps)
    assert {(r.value, r.at_us, r.person, r.late) for r in stored(sample_plant)} == {
        (600.0, 1_760_000_000_000_002, "Sample technician B", True),
        (612.0, 1_760_000_000_000_001, "Sample technician A", True),
    }


# First-off, due, owed.


def test_a_glass_change_asks_for_a_first_off_until_one_is_pulled(make: Make, run: Any) -> None:
    async def steps(pilot: Pilot[None]) -> None:
        screen = await open_lot(pilot)
        await pull(pilot, "612,4")
        assert not screen.query_one("#gate").display
        await pilot.press("f8", "n")
        await settle(pilot)
        await settle(pilot)
        assert "owes a first-off: PULL" in said(screen)
        assert "First-off owed: clamp glass changed" in text_of(screen, "#gate")
        assert "first-off after" in text_of(screen, "#owed")
        await pull(pilot, "598,1")
        assert not screen.query_one("#gate").display

    run(make(), steps)


def test_more_samples_are_owed_with_a_moment_and_count_down(make: Make, run: Any) -> None:
    async def steps(pilot: Pilot[None]) -> None:
        screen = await open_lot(pilot)
        await pilot.press("f3", "o")
        await pilot.pause()
        await type_text(pilot, "PULL", "enter", "2", "enter", "enter")
        field = pilot.app.screen.query_one("#moment", Field)
        moment = screen.desk.session().moment(screen.now_us + 90 * 60_000_000)
        field.text = moment
        await pilot.press("enter")
        for _ in range(2):
            await settle(pilot)
        assert f"owes 2 more PULL, due {moment}" in said(screen)
        assert "due in 1 h" in text_of(screen, "#owed")
        await pilot.press("f7")
        for _ in range(2):
            await settle(pilot)
        waiting = screen.query_one("#waiting", OptionList)
        first = str(waiting.get_option_at_index(0).prompt)
        assert first.startswith(LOT)
        assert "due in 1 h" in first

    run(make(), steps)


# The grid.


def test_a_grid_of_transmission_is_filled_cavity_by_cavity_and_stored_together(
    make: Make, sample_plant: Path, run: Any
) -> None:
    before = len(stored(sample_plant, "TRN"))

    async def steps(pilot: Pilot[None]) -> None:
        screen = await open_lot(pilot)
        while screen.code != "TRN":
            await pilot.press("f6")
            await pilot.pause()
        await pilot.press("f11")
        await settle(pilot)
        ask = pilot.app.screen
        assert isinstance(ask, AskSheet)
        ask.query_one("#positions", Field).text = ""
        ask.query_one("#repeats", Field).text = "2"
        await pilot.press("enter", "enter")
        await settle(pilot)
        sheet = pilot.app.screen
        assert isinstance(sheet, GridSheet)
        grid = sheet.query_one(EntryGrid)
        await type_text(pilot, "23,4", "enter", "2", "3", "backspace", "2", "enter")
        assert grid.at == (1, 0)
        await type_text(pilot, "99", "enter")
        assert "outside what can be" in sheet.query_one("#grid-told", MessageLine).text
        await pilot.press("delete")
        await type_text(pilot, "14", "enter")
        if grid.first is not None:
            await type_text(pilot, "14", "enter")
        await pilot.press("down", "up")
        assert {at: e.value for at, e in grid.entries.items()} == {(0, 0): 23.4, (0, 1): 22.0, (1, 0): 14.0}
        await pilot.press("escape")
        assert "3 values are not stored" in sheet.query_one("#grid-told", MessageLine).text
        await pilot.press("7", "escape")
        assert "4 values are not stored" in sheet.query_one("#grid-told", MessageLine).text
        await pilot.press("backspace")
        await pilot.resize_terminal(200, 60)
        await pilot.resize_terminal(80, 24)
        await pilot.press("f11")
        for _ in range(2):
            await settle(pilot)
        assert isinstance(pilot.app.screen, BenchScreen)
        assert "3 values stored" in text_of(screen, "#verdict")
        assert "LOW" in text_of(screen, "#verdict")

    run(make(), steps)
    rows = stored(sample_plant, "TRN")[before:]
    assert sorted((r.stream, r.value) for r in rows) == [("1", 22.0), ("1", 23.4), ("2", 14.0)]


# The shift.


def test_the_hand_over_shows_what_was_done_and_takes_a_note(make: Make, run: Any) -> None:
    async def steps(pilot: Pilot[None]) -> None:
        await open_lot(pilot)
        await pull(pilot, "612,4")
        await pilot.press("shift+f8")
        await settle(pilot)
        sheet = pilot.app.screen
        assert isinstance(sheet, TextSheet)
        page = "\n".join(sheet.lines)
        assert f"{LOT}  1 PULL, Sample technician A" in page
        assert "Lots on hold:" in page
        await pilot.press("n")
        await pilot.pause()
        await type_text(pilot, "Glass 2 scratched", "enter")
        for _ in range(3):
            await settle(pilot)
        page = "\n".join(pilot.app.screen.lines)  # type: ignore[attr-defined]
        assert "Sample technician A: Glass 2 scratched" in page

    run(make(), steps)
