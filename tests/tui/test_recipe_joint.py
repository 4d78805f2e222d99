"""Over the recipes: matrix of pairs with sources, a window study planned, filled and chosen, the checklist at approval."""

from __future__ import annotations

import pytest

from qualrec.config import Settings
from qualrec.tui.screens.pairs import PairsSheet
from qualrec.tui.screens.record_sheets import AskSheet
from qualrec.tui.screens.window import WindowSheet, WindowsSheet
from qualrec.tui.widgets.pick_list import DetailPane, Picks
from qualrec.work import recipes, window_plan
from qualrec.work.session import open_session


async def go(app, pilot, settle):
    await settle(pilot)
    await app.action_go("recipes")
    for _ in range(3):
        await settle(pilot)
    return app.screen


async def press(pilot, settle, *keys: str) -> None:
    for key in keys:
        await pilot.press(key)
        for _ in range(3):
            await settle(pilot)


def detail(app) -> str:
    return app.screen.query_one(DetailPane).text


@pytest.mark.parametrize("size", [(80, 24), (120, 40)])
def test_the_matrix_of_pairs_shows_rating_and_source(
    sample_plant, program_on, run, settle, screen_text, size
):
    app = program_on(sample_plant, ascii=size == (80, 24))

    async def use(pilot):
        await go(app, pilot, settle)
        await press(pilot, settle, "p")
        assert isinstance(app.screen, PairsSheet)
        picks = app.screen.query_one(Picks)
        assert "PBT        ·     ✓     ·     ·" in picks.text
        assert "no evidence, trial required" in picks.text
        picks.go_to("polymer:PBT")
        await settle(pilot)
        assert "on PP: no published evidence, trial required, melt overlap" in detail(app)
        assert "source: " in detail(app)
        picks.go_to("part:FM-2040")
        await settle(pilot)
        assert "upper optics: Transmission 22.5 %" in detail(app)
        shown = screen_text(app)
        assert "Parts" in shown
        assert shown.isascii() == (size == (80, 24))
        await press(pilot, settle, "escape")
        assert app.place == "recipes"

    run(app, use, size)


def test_a_window_study_is_planned_filled_and_shown_on_the_screen(
    sample_plant, program_on, run, settle, fill
):
    app = program_on(sample_plant, "P-01")

    async def use(pilot):
        screen = await go(app, pilot, settle)
        await press(pilot, settle, "f")
        assert isinstance(app.screen, WindowsSheet)
        assert "No window study is on record yet" in app.screen.query_one(Picks).text
        await press(pilot, settle, "n")
        assert isinstance(app.screen, AskSheet)
        await fill(pilot, "power=150..260", "clamp_force=400..700", "", "<f>", "<enter>")
        assert isinstance(app.screen, WindowSheet)
        assert "Result   0 of 12 runs, planned" in app.screen.query_one(Picks).text
        assert "has no runs yet" in detail(app)
        app.screen.query_one(Picks).go_to("run:1")
        await press(pilot, settle, "enter")
        await fill(pilot, "611,5", "<c>", "", "0,28")
        assert isinstance(app.screen, WindowSheet)
        assert "611.5 N  cohesive" in app.screen.query_one(Picks).text
        assert "11 of 12 runs are open" in detail(app)
        await press(pilot, settle, "escape")
        assert app.screen is screen

    run(app, use)


def filled_study(sample_plant) -> None:
    with open_session(Settings(f"sqlite:///{sample_plant}", badge="P-01")) as session:
        made = window_plan.plan_study(session, "RC-2040", ["power=150..260", "clamp_force=400..700"])
        for r in made.runs:
            x = (r.joint_energy - 0.41) / 0.1
            cold = r.joint_energy < 0.31
            force = 640.0 - 90.0 * x * x + 6.0 * (r.position % 3) - 200.0 * cold
            entry = window_plan.RunEntry(r.position, f"{force:.1f}", "interfacial" if cold else "cohesive")
            window_plan.enter_run(session, made.study.number, entry)


def test_the_map_is_drawn_and_the_set_point_becomes_a_draft(sample_plant, program_on, run, settle, fill):
    filled_study(sample_plant)
    app = program_on(sample_plant, "P-01")

    async def use(pilot):
        screen = await go(app, pilot, settle)
        await press(pilot, settle, "f", "enter")
        text = detail(app)
        assert "clamp force (N) up, power (W) across" in text
        assert "◆" in text
        assert "joint energy" in text
        assert "are estimates under the assumptions" in text
        await press(pilot, settle, "c")
        await fill(pilot, "on the plateau", "")
        assert app.screen is screen
        assert "rev 3   » draft" in screen.picks.text
        with open_session(Settings(f"sqlite:///{sample_plant}", badge="P-01")) as session:
            page = recipes.named_page(session, "RC-2040", 3)
        assert {w.quantity for w in page.revision.windows} == {"joint energy", "transmission", "clamp force"}

    run(app, use)


def test_what_a_change_asks_for_stands_on_the_sheet_of_approval(sample_plant, program_on, run, settle):
    with open_session(Settings(f"sqlite:///{sample_plant}", badge="P-01")) as session:
        recipes.draft_texts(session, "RC-2040", 2, ["power=260"], "more")
    app = program_on(sample_plant, "Q-01")

    async def use(pilot):
        screen = await go(app, pilot, settle)
        found = next(r for r in screen.seen.revisions if (r.code, r.revision) == ("RC-2040", 3))
        screen.picks.go_to(f"rev:{found.id}")
        for _ in range(3):
            await settle(pilot)
        text = detail(app)
        assert "What the change from revision 2 asks for:" in text
        assert "requalification: Pulls, sections and capability" in text
        await press(pilot, settle, "f6")
        assert isinstance(app.screen, AskSheet)
        assert (
            "asks for: approval, first-off, event, window study, requalification, customer notice"
            in app.screen.lead
        )

    run(app, use)
