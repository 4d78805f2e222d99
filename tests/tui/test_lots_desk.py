"""Lots: flags and period, saved views, the checklist of a reaction plan, genealogy, shipment, containment, label."""

from __future__ import annotations

from contextlib import contextmanager
from typing import Any

import pytest

from qualrec.config import Settings
from qualrec.errors import Refused, UsageError
from qualrec.records import lookups
from qualrec.records.database import open_store
from qualrec.tui.app import QualrecApp
from qualrec.tui.desk import Desk
from qualrec.tui.screens.lot_filter import Filter
from qualrec.tui.screens.lot_page import figure_words, next_step
from qualrec.tui.screens.text_sheet import TextSheet
from qualrec.work import bench, lot_life, lots
from qualrec.work.session import Session, open_session
from qualrec.work.target import find_target

HELD = "FM00056"


@contextmanager
def station(path: Any, badge: str = "Q-01") -> Any:
    with open_session(Settings(f"sqlite:///{path}", badge=badge)) as session:
        yield session


@pytest.fixture
def on_lots(sample_plant, tmp_path, run, settle):
    """Open Lots on a copy of the sample plant, with a folder for saved views, and use it."""

    def go(use: Any, badge: str = "Q-01", lot: str = "") -> None:
        settings = Settings(f"sqlite:///{sample_plant}", badge=badge, config_dir=tmp_path / "config")
        app = QualrecApp(settings, desk=Desk(settings))

        async def steps(pilot: Any) -> None:
            await settle(pilot)
            await app.action_go("lots")
            await settle(pilot)
            if lot:
                app.screen.open_lot(lot)
                for _ in range(2):
                    await settle(pilot)
            await use(pilot, app.screen)

        run(app, steps)

    return go


def numbers(screen: Any) -> list[str]:
    return [line.key for line in screen.table.page.lines]


def test_lots_are_narrowed_by_flags_and_period(on_lots, settle, fill, sample_plant):
    with open_store(f"sqlite:///{sample_plant}") as store, store.read() as conn:
        held = {f.lot_number for f in lookups.flags(conn, level="H") if f.state != "closed"}

    async def use(pilot, screen):
        await pilot.press("f3")
        await fill(pilot, "<a>", "", "", "<h>", "", "")
        assert screen.filter == Filter(flags="H")
        assert set(numbers(screen)) == held
        day = (
            screen.desk.session().moment(screen.seen.page.lot.started_us)[:10]
            if screen.seen
            else "2026-10-24"
        )
        await pilot.press("f3")
        await fill(pilot, "<a>", "", "", "<a>", day, day)
        assert screen.filter.flags == ""
        assert "FM00060" in numbers(screen)
        assert all(line.cells[4] == day for line in screen.table.page.lines)
        assert f"from {day}, to {day}" in str(screen.query_one("#lots-what").content)

    on_lots(use)


def test_a_view_is_kept_under_a_name_and_opened_and_forgotten(on_lots, settle, fill, tmp_path):
    async def keep(pilot, screen):
        await pilot.press("t")
        await settle(pilot)
        await pilot.press("l")
        await settle(pilot)
        await pilot.press(*"holds", "enter")
        await settle(pilot)
        assert "View 'holds' kept: state on hold" in screen.query_one("#message").text

    async def open_it(pilot, screen):
        assert len(numbers(screen)) == 77
        await pilot.press("l")
        await settle(pilot)
        await pilot.press("enter")
        for _ in range(2):
            await settle(pilot)
        assert screen.filter == Filter("on hold")
        assert HELD in numbers(screen)
        await pilot.press("l")
        await settle(pilot)
        await pilot.press("delete")
        await settle(pilot)
        assert "forgotten" in screen.query_one("#message").text

    on_lots(keep)
    on_lots(open_it)
    assert '"lots": {}' in (tmp_path / "config" / "views.json").read_text(encoding="utf-8")


def test_steps_of_a_reaction_plan_are_ticked_once_with_person_and_time(sample_plant):
    with station(sample_plant, "T-01") as session:
        with session.store.read() as conn:
            flag = next(f for f in lookups.flags(conn, lot=HELD) if f.state != "closed")
        lots.tick_step(session, flag.id, 1, "by hand")
        with pytest.raises(Refused, match="ticked already"):
            lots.tick_step(session, flag.id, 1)
        with pytest.raises(UsageError, match="no step"):
            lots.tick_step(session, flag.id, 99)
        with session.store.read() as conn:
            (step,) = lookups.steps_of_flags(conn, [flag.id])[flag.id]
            again = lookups.flag(conn, flag.id)
    assert (step.position, step.step, step.person, step.remark) == (
        1,
        flag.reaction_plan[0],
        "Sample technician A",
        "by hand",
    )
    assert step.done_us is not None
    assert again.actions[-1].what == f"Step 1 done: {flag.reaction_plan[0]} by hand"


def test_the_page_shows_where_the_lot_came_from_and_went_to(on_lots, sample_plant):
    async def use(pilot, screen):
        text = screen.picks.text
        for words in (
            "Came from",
            "segment 1",
            "moulding lot U0055",
            "delivery R-2606",
            "station LW-1",
            "gauge PT-02",
        ):
            assert words in text, words
        assert next_step(screen.seen, screen.seen.page.flags[0]) == 1

    on_lots(use, lot=HELD)


def shipped_and_suspect(session: Session) -> str:
    """A released lot of the sample plant, half shipped, with a pull under the limit afterwards."""
    with session.store.read() as conn:
        lot = lookups.lots_page(conn, "released", "FM-2040", limit=1)[0].number
    lot_life.ship(session, lot, quantity=200, document="DN-1")
    target = find_target(session, lot, "PULL")
    bench.log(session, target, [bench.Entry("300", mode="cohesive", again="300")])
    return lot


def test_a_lot_that_left_and_is_suspect_says_so_first_and_is_contained(on_lots, sample_plant, settle, fill):
    with station(sample_plant) as session:
        lot = shipped_and_suspect(session)

    async def use(pilot, screen):
        first = screen.picks.text.split("\n")[:3]
        assert first[0] == "Left the house and is suspect"
        assert first[1].startswith("! 200 parts to ")
        assert "no containment is begun" in first[2]
        await pilot.press("m")
        await fill(pilot, "block and count")
        places = [c.place for c in screen.seen.containments]
        assert places[0] == "in the house" or "in the house" in places
        assert "places of containment open" in screen.picks.text
        key = f"contained:{screen.seen.containments[0].id}"
        assert screen.picks.go_to(key)
        await pilot.press("m")
        await fill(pilot, "all 200 found good")
        assert "1 place of containment open, 1 done" in screen.picks.text

    on_lots(use, lot=lot)


def test_a_released_lot_is_shipped_and_its_label_shown(on_lots, sample_plant, settle, fill):
    with station(sample_plant) as session, session.store.read() as conn:
        lot = lookups.lots_page(conn, "released", "FM-2040", limit=1)[0].number

    async def use(pilot, screen):
        await pilot.press("y")
        await fill(pilot, "100", "DN-7", "", "")
        assert "100 parts shipped" in screen.query_one("#message").text
        assert "shipment DN-7" in screen.picks.text
        await pilot.press("z")
        for _ in range(2):
            await settle(pilot)
        assert isinstance(pilot.app.screen, TextSheet)
        assert pilot.app.screen.lines[0] == "RELEASED"

    on_lots(use, lot=lot)


def test_a_moment_among_the_figures_of_a_flag_is_told_as_day_and_time() -> None:
    asked: list[int] = []

    def moment(at_us: int) -> str:
        asked.append(at_us)
        return "2026-10-16 08:40"

    assert figure_words("first reading_us", 1_792_200_000_000_000, moment) == "first reading 2026-10-16 08:40"
    assert asked == [1_792_200_000_000_000]
    assert figure_words("readings", 20, moment) == "readings 20"
