"""A file taken in on the screen: profile proposed, checked and shown, then whole or not at all, and never twice."""

from __future__ import annotations

import sqlite3
from pathlib import Path
from threading import Event
from typing import Any

import pytest

from qualrec.tui.screens.import_sheet import CheckedSheet, FileAsked, ImportSheet, path_of
from qualrec.tui.screens.text_sheet import TextSheet
from qualrec.work import intake
from qualrec.work.sample_files import locate

GOOD, BAD = locate("tester_pulls.csv"), locate("tester_pulls_bad.csv")


def counts(path: Path) -> tuple[int, int]:
    """Entries of the trail and readings."""
    connection = sqlite3.connect(path)
    try:
        trail, readings = (
            connection.execute(f"SELECT count(*) FROM {t}").fetchone()[0] for t in ("trail", "reading")
        )
        return int(trail), int(readings)
    finally:
        connection.close()


@pytest.fixture
def on_lots(sample_plant, program_on, run, settle):
    def go(use: Any, badge: str = "T-01", size: tuple[int, int] = (80, 24)) -> None:
        app = program_on(sample_plant, badge)

        async def steps(pilot: Any) -> None:
            await settle(pilot)
            await app.action_go("lots")
            await settle(pilot)
            await use(pilot, app)

        run(app, steps, size)

    return go


async def ask(pilot: Any, settle: Any, fill: Any, path: Path) -> None:
    """Name the file; the rest stays as it is proposed."""
    await pilot.press("i")
    await settle(pilot)
    assert isinstance(pilot.app.screen, ImportSheet)
    pilot.app.screen.query_one("#path").text = str(path)
    await fill(pilot, "", "", "", "<n>", "")
    for _ in range(3):
        await settle(pilot)


def test_a_bad_file_is_shown_with_every_problem_and_not_taken(
    on_lots, settle, fill, sample_plant, screen_text, tmp_path
):
    before = counts(sample_plant)

    async def use(pilot, app):
        await ask(pilot, settle, fill, BAD)
        sheet = app.screen
        assert isinstance(sheet, CheckedSheet)
        assert not sheet.checked.may_take
        text = screen_text(app)
        assert "would be refused: 1 problem" in text
        assert '! row 8, column Peak force: "6l1,7" is not a number' in text
        assert "FM00060 PULL 1      4      2026-10-24 21:30 589.5 N, parent material" in text
        await pilot.press("enter")
        await settle(pilot)
        assert app.screen is sheet  # Enter takes nothing
        await pilot.press("escape")
        await settle(pilot)
        await ask(pilot, settle, fill, tmp_path / "none.csv")
        assert app.screen.heading == "Nothing was taken"
        assert "does not exist" in app.screen.lines[0]
        await pilot.press("escape")
        await settle(pilot)
        assert isinstance(app.screen, ImportSheet)  # again, with what was typed
        assert app.screen.query_one("#path").text == str(tmp_path / "none.csv")

    on_lots(use)
    assert counts(sample_plant) == before


def test_a_good_file_is_taken_once_and_the_second_time_says_so(on_lots, settle, fill, sample_plant):
    trail, readings = counts(sample_plant)

    async def use(pilot, app):
        lots = app.screen
        await pilot.press("i")
        await settle(pilot)
        app.screen.query_one("#path").text = f"'{GOOD}'"
        await fill(pilot, "")
        await settle(pilot)
        assert app.screen.query_one("#profile").text == "pull bench"
        assert "fits the heads" in app.screen.query_one("#proposal").text
        await fill(pilot, "", "", "<n>", "")
        assert isinstance(app.screen, CheckedSheet)
        assert counts(sample_plant) == (trail, readings)  # nothing is written by looking
        await pilot.press("enter")
        for _ in range(3):
            await settle(pilot)
        assert type(app.screen) is TextSheet
        assert app.screen.heading == "tester_pulls.csv: taken in"
        said = "\n".join(app.screen.lines)
        assert "5 readings of 1 lot (FM00061): PULL 5 taken in" in said
        assert "Lot FM00061 stays open" in said
        assert "taken in" in lots.query_one("#message").text
        await pilot.press("escape")
        assert counts(sample_plant)[1] == readings + 5
        await ask(pilot, settle, fill, GOOD)
        assert type(app.screen) is TextSheet
        assert app.screen.heading == "tester_pulls.csv: nothing was added"
        assert "was taken in before" in app.screen.lines[0]

    on_lots(use)
    assert counts(sample_plant)[1] == readings + 5


def test_the_screens_stay_usable_while_a_file_is_taken_in(on_lots, settle, fill, monkeypatch):
    """The work waits in its thread: a sheet opens meanwhile, and the result is shown when Lots is seen again."""
    go_on, begun, real = Event(), Event(), intake.take_file

    def slow(session: Any, path: Path, *, progress: Any, **how: Any) -> Any:
        progress(f"{path.name}: 5 rows read")
        begun.set()
        assert go_on.wait(20)
        return real(session, path, progress=progress, **how)

    monkeypatch.setattr(intake, "take_file", slow)

    async def use(pilot, app):
        lots = app.screen
        await ask(pilot, settle, fill, GOOD)
        await pilot.press("enter")
        for _ in range(2000):
            if begun.is_set():
                break
            await pilot.pause(0.01)
        assert begun.is_set()
        await pilot.pause()
        assert lots.query_one("#message").text == "tester_pulls.csv: 5 rows read"
        await app.action_go("trail")
        await pilot.pause()
        assert app.place == "trail"
        go_on.set()
        for _ in range(3):
            await settle(pilot)
        assert app.place == "trail"
        await app.action_go("lots")
        for _ in range(2):
            await settle(pilot)
        assert "5 readings" in app.screen.lines[0]

    on_lots(use)


def test_what_is_typed_is_read_as_it_is_meant():
    given = {
        "path": ' "a b.csv" ',
        "profile": "",
        "part": "FM-2040",
        "open_lots": "yes",
        "gauge": "PT-02, PS-01,",
    }
    assert FileAsked.of(given) == FileAsked(Path("a b.csv"), "", "FM-2040", True, ("PT-02", "PS-01"))
    assert path_of("~/x.csv") == Path("~/x.csv").expanduser()
