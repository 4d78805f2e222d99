"""Studies and control plans in the place of gauges: planned, entered, worked out, read, compared, drafted, approved."""

from __future__ import annotations

import pytest

from qualrec.config import Settings
from qualrec.records import lookups
from qualrec.stats.working import Working
from qualrec.tui.screens.study_entry import StudyEntry
from qualrec.tui.screens.study_text import analysis_lines, bar
from qualrec.tui.widgets.pick_list import DetailPane
from qualrec.tui.widgets.record_table import Cell
from qualrec.work import gauge_studies
from qualrec.work.session import open_session
from qualrec.work.study_plans import Wanted


async def gauges_screen(app, pilot, settle):
    await settle(pilot)
    await app.action_go("gauges")
    for _ in range(3):
        await settle(pilot)
    return app.screen


async def press(pilot, settle, *keys, rounds=3):
    await pilot.press(*keys)
    for _ in range(rounds):
        await settle(pilot)


@pytest.mark.parametrize(
    ("share", "filled"), [(0.0, 0), (-5.0, 0), (50.0, 15), (100.0, 30), (180.0, 30), (1.6, 0), (1.7, 1)]
)
def test_a_bar_is_as_long_as_its_share(share, filled):
    assert bar(share, True) == "#" * filled + "." * (30 - filled)
    assert bar(share, False).count("█") == filled


def test_an_analysis_shows_verdict_bars_and_convention_and_ascii_has_no_other_signs():
    data = {"verdict": "conditional", "verdict_reasons": ["GRR is 20 %."]}
    data |= {
        f"pct_{key}": share
        for key, share in zip(("ev", "av", "int", "grr", "pv"), (18, 8, 0, 20, 98), strict=True)
    }
    found = Working("Gauge study", "a source", data=data, conventions=["Verdict: below 10 %."])
    lines = analysis_lines(found, ascii_only=True)
    text = "\n".join(line.text if isinstance(line, Cell) else line for line in lines)
    assert "conditional" in text
    assert "GRR is 20 %." in text
    assert "Convention: Verdict: below 10 %." in text
    assert f"gauge together {'#' * 6}{'.' * 24} 20.0 %" in text
    assert "█" not in text


def test_studies_are_listed_with_their_analysis_and_esc_leads_back(sample_plant, program_on, run, settle):
    app = program_on(sample_plant)

    async def use(pilot):
        screen = await gauges_screen(app, pilot, settle)
        await press(pilot, settle, "f2")
        assert [line.key for line in screen.picks.lines] == [f"study:GS-00{n}" for n in (4, 3, 2, 1)]
        screen.picks.go_to("study:GS-002")
        await settle(pilot)
        await settle(pilot)
        text = screen.query_one(DetailPane).text
        assert "conditional" in text
        assert "█" in text
        assert "GRR is at most this" in text
        assert "Worked out" in text
        await press(pilot, settle, "escape")
        assert screen.view == "register"
        assert screen.picks.lines[0].key.startswith("gauge:")

    run(app, use)


def test_a_study_planned_entered_run_by_run_and_worked_out(sample_plant, program_on, run, settle, fill):
    app = program_on(sample_plant)

    async def use(pilot):
        screen = await gauges_screen(app, pilot, settle)
        screen.picks.go_to("gauge:" + str(next(g.id for g in screen.seen.gauges if g.code == "BP-01")))
        await press(pilot, settle, "f12")
        await fill(pilot, "<b>", "", "", "", "", "master", "", "3", "", "master=5")
        assert screen.query_one("#message").text.startswith("Study GS-005 planned with 3 runs.")
        assert screen.picks.key == "study:GS-005"
        await press(pilot, settle, "a")
        assert type(app.screen).__name__ == "AskSheet"  # open runs are left out on purpose only
        await press(pilot, settle, "escape")
        await press(pilot, settle, "e")
        sheet = app.screen
        assert isinstance(sheet, StudyEntry)
        for text in ("5,1", "4.9", "5.2"):
            await fill(pilot, text)
        assert not sheet.page.open_runs
        assert sheet.page.runs[0].value == 5.1
        shown = sheet.query_one("#runs").text
        assert "5.2" in shown
        assert "5.1" not in shown  # what others found is not shown
        assert "entered" in shown
        await press(pilot, settle, "escape")
        await press(pilot, settle, "a")
        assert screen.query_one("#message").text == "Study GS-005 worked out: acceptable."
        assert "Convention: Verdict" in screen.query_one(DetailPane).text
        await press(pilot, settle, "e")
        assert "takes no entries" in screen.query_one("#message").text

    run(app, use)


def test_an_entry_that_is_none_stays_in_its_field(sample_plant, program_on, run, settle, fill):
    with open_session(Settings(f"sqlite:///{sample_plant}", badge="Q-01")) as session:
        wanted = Wanted("bias", gauge="BP-01", parts=("m",), trials=2, references={"m": "5"})
        gauge_studies.plan_study(session, wanted)
    app = program_on(sample_plant, badge="A-01")

    async def use(pilot):
        screen = await gauges_screen(app, pilot, settle)
        await press(pilot, settle, "f2")
        screen.picks.go_to("study:GS-005")
        for _ in range(3):
            await settle(pilot)
        await press(pilot, settle, "e")
        await fill(pilot, "5.1")  # an auditor only reads
        sheet = app.screen
        assert "may not enter studies" in sheet.query_one("#run-message").text
        assert not sheet.page.runs[0].entered

    run(app, use)


def test_control_plans_are_read_compared_drafted_and_approved(
    sample_plant, program_on, run, settle, fill, tmp_path
):
    app = program_on(sample_plant)
    with open_session(Settings(f"sqlite:///{sample_plant}")) as session, session.store.read() as conn:
        launch, production = lookups.control_plans(conn, "FM-2040")

    async def use(pilot):
        screen = await gauges_screen(app, pilot, settle)
        await press(pilot, settle, "f3")
        assert screen.picks.go_to(f"plan:{production.id}")
        await settle(pilot)
        await settle(pilot)
        text = screen.query_one(DetailPane).text
        assert "✓ in force  CP-2040 production revision 1" in text
        assert "P3 Tightness, sample size: 100 % → 5" in text
        assert "sample: 5, each lot: first-off, start, middle, end   (owed by every lot)" in text
        screen.picks.go_to(f"plan:{launch.id}")
        await press(pilot, settle, "m")
        screen.picks.go_to(f"plan:{production.id}")
        await settle(pilot)
        assert "From CP-2040 safe launch revision 1:" in screen.query_one(DetailPane).text
        assert "compared with" in screen.picks.text
        await press(pilot, settle, "o")
        app.screen.asked[0].text = ""
        path = tmp_path / "plan.toml"
        await fill(pilot, str(path))
        assert path.read_text(encoding="utf-8").startswith("[[control_plan]]")
        key = next(line.key for line in screen.picks.lines if line.key == "part:MC-0055")
        screen.picks.go_to(key)
        await press(pilot, settle, "r")
        await fill(pilot, "<p>")
        assert "drafted with" in screen.query_one("#message").text

    run(app, use)
    with open_session(Settings(f"sqlite:///{sample_plant}")) as session, session.store.read() as conn:
        (draft,) = lookups.control_plans(conn, "MC-0055")
    assert draft.state == "draft"


def test_lots_in_doubt_are_shown_in_a_sheet(sample_plant, program_on, run, settle, fill):
    app = program_on(sample_plant)

    async def use(pilot):
        screen = await gauges_screen(app, pilot, settle)
        await press(pilot, settle, "f8")
        assert "No gauge is or was in doubt" in "\n".join(app.screen.lines)
        await press(pilot, settle, "escape")
        tester = next(g for g in screen.seen.gauges if g.code == "PT-02")
        screen.picks.go_to(f"gauge:{tester.id}")
        await press(pilot, settle, "f6")
        await fill(pilot, "1000", "1020", "5", "")
        await press(pilot, settle, "f8")
        text = "\n".join(app.screen.lines)
        assert "PT-02 in doubt from 2026-10-24 to now: check of" in text
        assert "FM00060" in text
        assert "open" in text

    run(app, use)
