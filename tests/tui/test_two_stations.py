"""Two screens of the program on one database, SQLite and PostgreSQL: each shows the other's work after Reload."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable

import pytest
from textual.pilot import Pilot
from textual.widgets import Static

from qualrec.config import Settings
from qualrec.tui.app import QualrecApp
from qualrec.tui.desk import Desk
from qualrec.tui.screens.bench import BenchScreen
from qualrec.tui.widgets.forms import Choice, Field
from qualrec.tui.widgets.message_line import MessageLine
from qualrec.work import lots
from qualrec.work.accounts import SAMPLE_PASSWORD

LOT = "FM00061"
Step = Callable[[Pilot[None], BenchScreen], Awaitable[None]]
Settle = Callable[[Pilot[None]], Awaitable[None]]


def make_app(url: str, badge: str) -> QualrecApp:
    settings = Settings(url, badge=badge)
    return QualrecApp(settings, desk=Desk(settings))


@pytest.fixture
def at_benches(settle: Settle) -> Callable[[str, list[tuple[int, Step]]], None]:
    """Have two technicians open the same lot, then take the steps in their order, each at its station (0 or 1)."""

    def go(url: str, steps: list[tuple[int, Step]]) -> None:
        turn = asyncio.Condition()
        done = [0]

        async def station(number: int, badge: str) -> None:
            app = make_app(url, badge)
            async with app.run_test(size=(80, 24)) as pilot:
                await wait(pilot, settle)
                await pilot.press(*LOT, "enter")
                await wait(pilot, settle)
                assert isinstance(app.screen, BenchScreen)
                for at, (whose, step) in enumerate(steps):
                    if whose != number:
                        continue
                    async with turn:
                        await turn.wait_for(lambda at=at: done[0] == at)  # type: ignore[misc]
                    try:
                        await step(pilot, app.screen)
                        await wait(pilot, settle)
                    finally:
                        async with turn:
                            done[0] += 1
                            turn.notify_all()

        async def both() -> None:
            await asyncio.gather(station(0, "T-01"), station(1, "T-02"))

        asyncio.run(both())

    return go


async def wait(pilot: Pilot[None], settle: Settle) -> None:
    for _ in range(3):
        await settle(pilot)


def typed(text: str) -> Step:
    async def step(pilot: Pilot[None], screen: BenchScreen) -> None:
        await pilot.press(*text, "enter", "p")

    return step


async def reload(pilot: Pilot[None], screen: BenchScreen) -> None:
    await pilot.press("f5")


def shows(*words: str) -> Step:
    async def step(pilot: Pilot[None], screen: BenchScreen) -> None:
        below = " ".join(str(screen.query_one("#below-text", Static).content).split())
        for word in words:
            assert word in below

    return step


def test_entries_of_the_other_station_show_after_reload(
    plant_url: str, at_benches: Callable[..., None]
) -> None:
    at_benches(
        plant_url,
        [
            (0, typed("612")),
            (1, reload),
            (1, shows("1 612 N")),
            (1, typed("598")),
            (0, typed("640")),
            (0, shows("1 612 N", "2 598 N", "3 640 N")),
            (1, reload),
            (1, shows("3 640 N")),
        ],
    )


def test_a_lot_that_the_other_station_settled_says_so_and_keeps_what_was_typed(
    plant_url: str, at_benches: Callable[..., None]
) -> None:
    async def half(pilot: Pilot[None], screen: BenchScreen) -> None:
        await pilot.press("6", "1", "2")

    async def scrap(pilot: Pilot[None], screen: BenchScreen) -> None:
        await asyncio.to_thread(scrapped, plant_url)

    async def go_on(pilot: Pilot[None], screen: BenchScreen) -> None:
        await pilot.press("enter", "p")

    async def told(pilot: Pilot[None], screen: BenchScreen) -> None:
        said = screen.query_one("#message", MessageLine).text
        assert f"Lot {LOT} is scrapped since it was changed by" in said
        assert "nothing was stored" in said
        assert screen.query_one("#value", Field).text == "612"
        assert screen.query_one("#mode", Choice).value == "parent material"
        assert "scrapped" in str(screen.query_one("#lot-head", Static).content)

    async def seen(pilot: Pilot[None], screen: BenchScreen) -> None:
        said = screen.query_one("#message", MessageLine).text
        assert f"Lot {LOT} was open; it was changed by" in said
        assert "is now scrapped" in said

    at_benches(plant_url, [(0, half), (1, scrap), (0, go_on), (0, told), (1, reload), (1, seen)])


def scrapped(url: str) -> None:
    """The quality engineer scraps the lot at a third station."""
    desk = Desk(Settings(url, badge="Q-01"))
    try:
        lots.dispose(desk.session(), LOT, "scrap", reason="dropped", password=SAMPLE_PASSWORD)
    finally:
        desk.close()
