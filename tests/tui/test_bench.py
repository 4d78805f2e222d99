"""The bench: rhythm digits-Enter-letter, the blind second entry, hold and reaction plan, refusals that stay readable."""

from __future__ import annotations

import textwrap
from collections.abc import Callable
from pathlib import Path

import pytest
from textual.containers import VerticalScroll
from textual.pilot import Pilot
from textual.widgets import OptionList, Static

from qualrec.config import Settings
from qualrec.records import lookups
from qualrec.records.database import open_store
from qualrec.tui.app import QualrecApp
from qualrec.tui.desk import Desk
from qualrec.tui.screens.bench import BenchScreen
from qualrec.tui.screens.bench_text import whole
from qualrec.tui.widgets.forms import Choice, Field
from qualrec.tui.widgets.message_line import MessageLine
from qualrec.work.bench import decimals_of

Run = Callable[..., None]


async def settle(pilot: Pilot[None]) -> None:
    """Wait until no worker runs and the screen is drawn."""
    for _ in range(3):
        await pilot.app.workers.wait_for_complete()
        await pilot.pause()


async def type_text(pilot: Pilot[None], text: str) -> None:
    await pilot.press(*[{",": "comma", ".": "full_stop", "/": "slash", "-": "minus"}.get(c, c) for c in text])


async def open_lot(pilot: Pilot[None], number: str) -> BenchScreen:
    await settle(pilot)
    await type_text(pilot, number)
    await pilot.press("enter")
    await settle(pilot)
    screen = pilot.app.screen
    assert isinstance(screen, BenchScreen)
    return screen


def app_on(path: Path, badge: str = "T-01") -> QualrecApp:
    settings = Settings(f"sqlite:///{path}", badge=badge)
    return QualrecApp(settings, desk=Desk(settings))


def text_of(screen: BenchScreen, name: str) -> str:
    return str(screen.query_one(name, Static).content)


@pytest.fixture
def plant_file(sample_plant: Path) -> Path:
    return sample_plant


def test_lots_that_wait_are_listed_and_opened_by_enter(plant_file: Path, run: Run) -> None:
    async def steps(pilot: Pilot[None]) -> None:
        await settle(pilot)
        waiting = pilot.app.screen.query_one("#waiting", OptionList)
        assert waiting.option_count == 2
        waiting.focus()
        waiting.highlighted = 0
        await pilot.press("enter")
        await settle(pilot)
        assert pilot.app.screen.bench.lot.number == "FM00060"  # type: ignore[attr-defined]

    run(app_on(plant_file), steps)


def test_five_pulls_one_interfacial_holds_the_lot_and_shows_the_reaction_plan(
    plant_file: Path, run: Run
) -> None:
    """Acceptance: scan a lot, enter five pulls with decimal commas, one interfacial: on hold, reaction plan open."""

    async def steps(pilot: Pilot[None]) -> None:
        screen = await open_lot(pilot, "FM00061")
        assert screen.code == "PULL"
        for text, key in (("612,4", "p"), ("598,1", "c"), ("640,0", "p"), ("655,5", "t"), ("401,2", "i")):
            await type_text(pilot, text)
            await pilot.press("enter")
            await pilot.press(key)
            await settle(pilot)
        assert screen.bench is not None
        assert screen.bench.lot.state == "on hold"
        assert "interfacial" in text_of(screen, "#verdict")
        below = text_of(screen, "#below-text")
        assert "Reaction plan" in below
        assert "Stop the welder" in below

    run(app_on(plant_file), steps)
    with open_store(f"sqlite:///{plant_file}") as store, store.read() as conn:
        lot = lookups.lot(conn, "FM00061")
        rows = lookups.readings_of_lot(conn, lot.id, "PULL")
        assert [r.value for r in rows] == [612.4, 598.1, 640.0, 655.5, 401.2]
        assert rows[0].entered_text == "612,4"
        assert rows[4].pull is not None
        assert rows[4].pull.mode == "interfacial"
        assert {f.kind for f in lookups.flags(conn, lot="FM00061")} >= {"interfacial failure"}


def test_what_stands_below_the_edge_of_the_bench_is_reached_by_a_key(
    plant_file: Path, run: Run, screen_text: Callable[[QualrecApp], str]
) -> None:
    """The reaction plan is longer than 80x24 shows; the entry keeps the focus and its half-typed value."""

    async def steps(pilot: Pilot[None]) -> None:
        screen = await open_lot(pilot, "FM00061")
        for text, key in (("401,2", "i"), ("612", "")):
            await type_text(pilot, text)
            await pilot.press(*(["enter", key] if key else []))
            await settle(pilot)
        side = screen.query_one("#below-side", VerticalScroll)
        assert side.max_scroll_y > 0
        await pilot.press(*["pagedown"] * 4)
        await pilot.pause()
        assert side.scroll_y == side.max_scroll_y
        assert screen.query_one("#value", Field).text == "612"
        await pilot.press(*["pageup"] * 4)
        await pilot.pause()
        assert side.scroll_y == 0
        assert "F9 Places" in screen_text(pilot.app)

    run(app_on(plant_file), steps)


def test_a_value_typed_in_another_unit_shows_no_digits_that_were_not_typed(
    plant_file: Path, run: Run
) -> None:
    async def steps(pilot: Pilot[None]) -> None:
        screen = await open_lot(pilot, "FM00061")
        screen.query_one("#value", Field).text = "0,5981 kN"
        await pilot.press("enter", "p")
        await settle(pilot)
        assert "598.1 N  parent material" in text_of(screen, "#below-text")

    run(app_on(plant_file), steps)


def test_a_reason_on_the_bench_ends_with_a_sentence() -> None:
    assert whole("First. Second one.", 40) == "First. Second one."
    assert whole("First. Second one that is long.", 20) == "First."
    assert whole("One that is long and never ends", 20).startswith("One that is long")


@pytest.mark.parametrize(("resolution", "decimals"), [(0.1, 1), (1.0, 0), (10.0, 0), (0.001, 3), (0.5, 1)])
def test_decimals_that_a_resolution_needs(resolution: float, decimals: int) -> None:
    assert decimals_of(resolution) == decimals


def test_a_value_far_from_the_history_is_typed_again_blind_and_both_stay(plant_file: Path, run: Run) -> None:
    async def steps(pilot: Pilot[None]) -> None:
        screen = await open_lot(pilot, "FM00061")
        await type_text(pilot, "61,2")
        await pilot.press("enter", "p")
        await settle(pilot)
        field = screen.query_one("#value", Field)
        assert field.text == ""
        assert field.first_text == "61,2"
        await type_text(pilot, "612")
        await pilot.press("enter")
        await settle(pilot)
        await pilot.press("enter")
        await settle(pilot)
        assert "612" in text_of(screen, "#verdict")

    run(app_on(plant_file), steps)
    with open_store(f"sqlite:///{plant_file}") as store, store.read() as conn:
        (row,) = lookups.readings_of_lot(conn, lookups.lot(conn, "FM00061").id, "PULL")
        assert (row.value, row.first_text, row.entered_text) == (612.0, "61,2", "612")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("1,234", "can be read as"),
        ("5981", "outside what can be"),
        ("600 mm", "unit of length"),
        ("abc", "abc"),
    ],
)
def test_a_refusal_stays_readable_and_stores_nothing(
    plant_file: Path, run: Run, text: str, words: str
) -> None:
    async def steps(pilot: Pilot[None]) -> None:
        screen = await open_lot(pilot, "FM00061")
        field = screen.query_one("#value", Field)
        for sign in text:
            field.entry.insert_text_at_cursor(sign)
        field.submit()
        await settle(pilot)
        assert words in field.problem
        assert field.text == text
        assert screen.query_one("#mode", Choice).value is None

    run(app_on(plant_file), steps)
    with open_store(f"sqlite:///{plant_file}") as store, store.read() as conn:
        assert lookups.readings_of_lot(conn, lookups.lot(conn, "FM00061").id, "PULL") == ()


def test_an_unknown_lot_names_near_ones_and_keeps_the_field(plant_file: Path, run: Run) -> None:
    async def steps(pilot: Pilot[None]) -> None:
        screen = await open_lot(pilot, "FM0061")
        assert "FM00061" in screen.query_one("#scan", Field).problem
        assert screen.bench is None

    run(app_on(plant_file), steps)


def test_mixed_asks_for_shares_that_sum_to_100(plant_file: Path, run: Run) -> None:
    async def steps(pilot: Pilot[None]) -> None:
        screen = await open_lot(pilot, "FM00061")
        await type_text(pilot, "600")
        await pilot.press("enter", "m")
        await settle(pilot)
        shares = screen.query_one("#shares", Field)
        assert shares.display
        await type_text(pilot, "0/60/10/20")
        await pilot.press("enter")
        await settle(pilot)
        assert "100" in shares.problem
        shares.text = "0/60/10/30"
        await pilot.press("enter")
        await settle(pilot)
        assert "mixed" in text_of(screen, "#verdict")

    run(app_on(plant_file), steps)


def test_an_event_takes_two_keys(plant_file: Path, run: Run) -> None:
    async def steps(pilot: Pilot[None]) -> None:
        await open_lot(pilot, "FM00061")
        await pilot.press("f8", "g")
        await settle(pilot)

    run(app_on(plant_file), steps)
    with open_store(f"sqlite:///{plant_file}") as store, store.read() as conn:
        assert lookups.events(conn, lot_id=lookups.lot(conn, "FM00061").id)[-1].kind == "glass_cleaned"


def test_a_resize_in_mid_entry_loses_nothing(plant_file: Path, run: Run) -> None:
    async def steps(pilot: Pilot[None]) -> None:
        screen = await open_lot(pilot, "FM00061")
        await type_text(pilot, "61")
        for size in ((70, 20), (200, 60), (80, 24)):
            await pilot.resize_terminal(*size)
            await pilot.pause()
        await type_text(pilot, "2")
        assert screen.query_one("#value", Field).text == "612"

    run(app_on(plant_file), steps)


def test_entries_typed_faster_than_they_are_stored_are_all_kept_in_order(plant_file: Path, run: Run) -> None:
    """A gauge with a keyboard plug sends its values without waiting for the records."""

    async def steps(pilot: Pilot[None]) -> None:
        screen = await open_lot(pilot, "FM00061")
        field, mode = screen.query_one("#value", Field), screen.query_one("#mode", Choice)
        for text, at in (("612,4", 0), ("598,1", 1), ("598,1", 1), ("640", 0)):
            field.text = text
            field.submit()
            mode.pick(mode.options[at])
        assert field.text == ""
        for _ in range(4):
            await settle(pilot)

    run(app_on(plant_file), steps)
    with open_store(f"sqlite:///{plant_file}") as store, store.read() as conn:
        rows = lookups.readings_of_lot(conn, lookups.lot(conn, "FM00061").id, "PULL")
        assert [(r.value, r.pull.mode) for r in rows if r.pull] == [
            (612.4, "parent material"),
            (598.1, "cohesive"),
            (598.1, "cohesive"),
            (640.0, "parent material"),
        ]


def test_a_refused_entry_comes_back_and_names_what_was_typed_behind_it(plant_file: Path, run: Run) -> None:
    async def steps(pilot: Pilot[None]) -> None:
        screen = await open_lot(pilot, "FM00061")
        field, mode = screen.query_one("#value", Field), screen.query_one("#mode", Choice)
        for text in ("61,2", "598,1"):
            field.text = text
            field.submit()
            mode.pick(mode.options[0])
        field.text = "64"
        for _ in range(4):
            await settle(pilot)
        assert field.first_text == "61,2"
        told = field.query_one(MessageLine)
        assert "both entries are kept" in told.text
        assert len(textwrap.wrap(told.text, told.content_size.width)) <= 3, "nothing of it is cut off"
        assert "not taken: 598,1; 64." in screen.query_one("#message", MessageLine).text

    run(app_on(plant_file), steps)
    with open_store(f"sqlite:///{plant_file}") as store, store.read() as conn:
        assert lookups.readings_of_lot(conn, lookups.lot(conn, "FM00061").id, "PULL") == ()


def test_reading_the_records_again_keeps_what_is_being_typed(plant_file: Path, run: Run) -> None:
    async def steps(pilot: Pilot[None]) -> None:
        screen = await open_lot(pilot, "FM00061")
        await type_text(pilot, "61")
        await pilot.press("f5")
        await settle(pilot)
        await type_text(pilot, "2")
        assert screen.query_one("#value", Field).text == "612"

    run(app_on(plant_file), steps)
