"""Records that cannot be used, seen on the screen: words that stay, what was typed stays, work goes on afterwards."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import event
from textual.pilot import Pilot
from textual.widgets import OptionList

from qualrec.config import Settings
from qualrec.records import engine, lookups, migrate, trail
from qualrec.records.database import open_store
from qualrec.tui.app import QualrecApp
from qualrec.tui.desk import Desk
from qualrec.tui.screens.bench import BenchScreen
from qualrec.tui.screens.overlays import SmallScreen
from qualrec.tui.widgets.forms import Choice, Field
from qualrec.tui.widgets.message_line import MessageLine

LOT = "FM00061"
Run = Callable[..., None]
Settle = Callable[[Pilot[None]], Any]


def app_on(url: str, badge: str = "T-01") -> QualrecApp:
    settings = Settings(url, badge=badge)
    return QualrecApp(settings, desk=Desk(settings))


def pulls(url: str) -> list[float | None]:
    with open_store(url) as store, store.read() as conn:
        return [r.value for r in lookups.readings_of_lot(conn, lookups.lot(conn, LOT).id, "PULL")]


def other_program(path: Path) -> None:
    connection = sqlite3.connect(path)
    connection.execute("CREATE TABLE other (a)")
    connection.commit()
    connection.close()


def newer(path: Path) -> None:
    open_store(f"sqlite:///{path}", create=True).close()
    connection = sqlite3.connect(path)
    connection.execute("UPDATE alembic_version SET version_num = '9999'")
    connection.commit()
    connection.close()


@pytest.mark.parametrize("place", ["1", "2", "3", "5", "6", "8"])
@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda path: None, ["There is no database at", "qualrec db create"]),
        (lambda path: path.write_text("not a database " * 100), ["is not a database of this program"]),
        (lambda path: path.touch(), ["at revision none", "qualrec db create"]),
        (other_program, ["holds tables of another program"]),
        (newer, ["at revision 9999", f"needs {migrate.head()}", "pip install --upgrade qualrec"]),
    ],
    ids=["missing", "text", "empty", "other program", "newer"],
)
def test_records_that_cannot_be_opened_are_told_in_words(
    tmp_path: Path,
    run: Run,
    settle: Settle,
    screen_text: Callable[[QualrecApp], str],
    make: Callable[[Path], None],
    words: list[str],
    place: str,
) -> None:
    path = tmp_path / "p.sqlite"
    make(path)
    app = app_on(f"sqlite:///{path}")

    async def use(pilot: Pilot[None]) -> None:
        await pilot.press("f9", place)
        for _ in range(3):
            await settle(pilot)
        assert app.place_screen is not None
        said = app.place_screen.query_one("#message", MessageLine).text
        assert all(word in said for word in words), said
        assert "! records not reachable" in screen_text(app)

    run(app, use)


@pytest.fixture
def bench(run: Run, settle: Settle) -> Callable[..., None]:
    """Use the bench with the lot open: `bench(app, use)`, where `use(pilot, screen, wait)` goes on."""

    def go(app: QualrecApp, use: Callable[..., Any]) -> None:
        async def steps(pilot: Pilot[None]) -> None:
            async def wait() -> None:
                for _ in range(3):
                    await settle(pilot)

            await wait()
            await pilot.press(*LOT, "enter")
            await wait()
            assert isinstance(app.screen, BenchScreen)
            await use(pilot, app.screen, wait)

        run(app, steps)

    return go


def said(screen: BenchScreen) -> str:
    return screen.query_one("#message", MessageLine).text


def value(screen: BenchScreen) -> str:
    return screen.query_one("#value", Field).text


def test_a_locked_database_keeps_the_entry_which_goes_in_afterwards(
    sample_plant: Path, bench: Callable[..., None], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(engine, "LOCK_WAIT_S", 0.2)
    url = f"sqlite:///{sample_plant}"

    async def use(pilot: Pilot[None], screen: BenchScreen, wait: Any) -> None:
        holder = sqlite3.connect(sample_plant, isolation_level=None)
        holder.execute("BEGIN IMMEDIATE")
        await pilot.press(*"612", "enter", "p")
        await wait()
        assert "held by another program" in said(screen)
        assert "Nothing was written. Try again" in said(screen)
        assert value(screen) == "612"
        holder.execute("ROLLBACK")
        holder.close()
        await pilot.press("enter", "enter")
        await wait()
        assert said(screen) == ""
        assert value(screen) == ""

    bench(app_on(url), use)
    assert pulls(url) == [612.0]


def test_a_read_only_file_can_be_looked_at_and_refuses_entries_in_words(
    sample_plant: Path, bench: Callable[..., None]
) -> None:
    async def use(pilot: Pilot[None], screen: BenchScreen, wait: Any) -> None:
        await pilot.press(*"612", "enter", "p")
        await wait()
        assert "read-only" in said(screen)
        assert value(screen) == "612"

    bench(app_on(f"sqlite:///file:{sample_plant}?mode=ro&uri=true"), use)
    assert pulls(f"sqlite:///{sample_plant}") == []


def test_a_full_disk_keeps_the_entry_which_goes_in_when_there_is_room(
    sample_plant: Path, bench: Callable[..., None]
) -> None:
    url = f"sqlite:///{sample_plant}"
    app = app_on(url)
    assert app.desk is not None

    async def use(pilot: Pilot[None], screen: BenchScreen, wait: Any) -> None:
        assert app.desk is not None
        store = app.desk.store()
        with store.read() as conn:
            pages = conn.exec_driver_sql("PRAGMA page_count").scalar_one()

        def no_room(connection: Any, _record: Any) -> None:
            connection.execute(f"PRAGMA max_page_count = {pages}")

        store.engine.dispose()
        event.listen(store.engine, "connect", no_room)
        entered = 0
        while "No room to write" not in said(screen):
            await pilot.press(*"612", "enter", "p")
            await wait()
            entered += 1
            assert entered < 60, "the disk never got full"
        assert value(screen) == "612"
        assert "enter it again" in said(screen)
        event.remove(store.engine, "connect", no_room)
        store.engine.dispose()
        await pilot.press("enter", "enter")
        await wait()
        assert said(screen) == ""
        assert len(pulls(url)) == entered

    bench(app, use)
    with open_store(url) as store:
        assert trail.verify(store).ok


def test_both_readings_of_an_ambiguous_number_are_shown_and_asked_for(
    sample_plant: Path, bench: Callable[..., None]
) -> None:
    """Both 1.234 N and 1234 N can be: the field names both and how to type each, and either way is taken."""
    url = f"sqlite:///{sample_plant}"

    async def use(pilot: Pilot[None], screen: BenchScreen, wait: Any) -> None:
        field = screen.query_one("#value", Field)
        await pilot.press("1", "full_stop", "2", "3", "4", "enter")
        await wait()
        assert "(1.234)" in field.problem
        assert "(1234.0)" in field.problem
        assert "Type 1234 without a group sign, or 01.234" in field.problem
        assert field.text == "1.234"
        assert screen.query_one("#mode", Choice).value is None
        field.text = "1234"
        await pilot.pause()
        assert field.check()
        assert field.value == 1234.0

    bench(app_on(url), use)
    assert pulls(url) == []


def test_a_terminal_too_small_says_so_and_keeps_the_entry(
    sample_plant: Path, bench: Callable[..., None]
) -> None:
    app = app_on(f"sqlite:///{sample_plant}")

    async def use(pilot: Pilot[None], screen: BenchScreen, wait: Any) -> None:
        await pilot.press(*"61", "enter")
        await pilot.resize_terminal(60, 15)
        await wait()
        assert isinstance(app.screen, SmallScreen)
        await pilot.press("2", "p", "enter")
        await pilot.resize_terminal(80, 24)
        await wait()
        assert app.screen is screen
        assert value(screen) == "61"
        assert screen.query_one("#mode", Choice).value is None

    bench(app, use)


@pytest.fixture
def plant_server(
    own_server: Callable[[], AbstractContextManager[Any]], server_plants: Any
) -> Iterator[tuple[Any, str]]:
    """A server of its own that holds the sample plant, and the plant's address."""
    with own_server() as server:
        yield server, server_plants.restore(server.url)


def test_a_lost_connection_keeps_the_entry_and_stores_it_with_the_server_there_again(
    plant_server: tuple[Any, str], bench: Callable[..., None], screen_text: Callable[[QualrecApp], str]
) -> None:
    server, url = plant_server
    app = app_on(url)

    async def use(pilot: Pilot[None], screen: BenchScreen, wait: Any) -> None:
        await pilot.press(*"612", "enter", "p")
        await wait()
        assert "sample 1" in screen_text(app)
        await pilot.press(*"59")
        server.stop()
        await pilot.press("8", "enter", "c")
        await wait()
        assert "does not answer" in said(screen) or "was lost" in said(screen)
        assert "A repeated entry is not stored twice" in said(screen)
        assert "! records not reachable" in screen_text(app)
        assert value(screen) == "", "the next entry may be typed"
        assert "not judged yet: FM00061 PULL 598 N, cohesive" in " ".join(screen_text(app).split())
        await pilot.press(*"64")
        await pilot.press("f5")
        await wait()
        assert value(screen) == "64", "reading again in vain takes nothing away"
        assert len(screen.queue.waiting()) == 1
        server.start()
        await pilot.press("f5")
        await wait()
        assert "! records not reachable" not in screen_text(app)
        assert said(screen) == "1 kept entry is stored."
        assert value(screen) == "64"
        assert "sample 2" in screen_text(app)

    bench(app, use)
    assert pulls(url) == [612.0, 598.0]


def test_an_entry_whose_answer_was_lost_is_not_stored_twice(
    sample_plant: Path, bench: Callable[..., None]
) -> None:
    """The server stored the entry and the connection broke before it said so: sending it again stores none twice."""
    from qualrec.errors import ConnectionLost
    from qualrec.work import bench as work

    url = f"sqlite:///{sample_plant}"
    stored = work.log

    def lost(*given: Any, **more: Any) -> Any:
        stored(*given, **more)
        raise ConnectionLost("The connection was lost.", "Try again.")

    async def use(pilot: Pilot[None], screen: BenchScreen, wait: Any) -> None:
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(work, "log", lost)
            await pilot.press(*"612", "enter", "p")
            await wait()
            assert [k.words for k in screen.queue.waiting()] == [f"{LOT}  PULL 612 N, parent material"]
        await pilot.press("f5")
        await wait()
        assert screen.queue.waiting() == ()
        assert pulls(url) == [612.0]
        await pilot.press(*"612", "enter", "p")
        await wait()
        assert pulls(url) == [612.0, 612.0], "the same value typed anew is another entry"

    bench(app_on(url), use)


def test_records_made_while_the_program_waits_are_opened_by_reload(
    sample_plant: Path, tmp_path: Path, run: Run, settle: Settle
) -> None:
    path = tmp_path / "later.sqlite"
    app = app_on(f"sqlite:///{path}")

    async def use(pilot: Pilot[None]) -> None:
        for _ in range(3):
            await settle(pilot)
        sample_plant.rename(path)
        await pilot.press("escape")  # the first start is not wanted
        await pilot.press("f5")
        for _ in range(3):
            await settle(pilot)
        assert app.status.connection == "open"
        assert app.screen.query_one("#waiting", OptionList).option_count == 2
        assert app.screen.query_one("#message", MessageLine).text == ""

    run(app, use)
