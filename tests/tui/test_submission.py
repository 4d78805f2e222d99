"""Submissions on the screen: opened, elements and data set, made, signed with the password, verified; due list and notices."""

from __future__ import annotations

from qualrec.config import Settings
from qualrec.records import lookups, registry
from qualrec.records.database import open_store
from qualrec.tui.screens.text_sheet import TextSheet
from qualrec.tui.widgets.forms import Field
from qualrec.tui.widgets.pick_list import DetailPane
from qualrec.work import submission_records as records
from qualrec.work.accounts import SAMPLE_PASSWORD
from qualrec.work.session import make_session


async def go(app, pilot, settle):
    await settle(pilot)
    await app.action_go("submission")
    for _ in range(3):
        await settle(pilot)
    return app.screen


def test_a_submission_from_open_to_made_and_verified(
    sample_plant, program_on, run, settle, fill, tmp_path, monkeypatch
):
    monkeypatch.chdir(tmp_path)
    app, to = program_on(sample_plant), tmp_path / "S-0001_MC-0055.xlsx"

    async def use(pilot):
        screen = await go(app, pilot, settle)
        assert "none yet" in screen.picks.text
        assert "MC-0055" in screen.picks.text
        screen.picks.go_to("due:MC-0055")
        await pilot.press("f3")
        await settle(pilot)
        level = app.screen.query_one("#level", Field)
        level.text = "9-11,18"
        await fill(pilot, "", "", "")
        assert "S-0001 is open" in screen.query_one("#message").text
        screen.picks.go_to("sub:S-0001")
        for _ in range(3):
            await settle(pilot)
        assert "stand against signing it" in screen.query_one(DetailPane).text
        await pilot.press("enter")
        for _ in range(3):
            await settle(pilot)
        assert "not asked  Risk analysis of the design" in screen.picks.text
        screen.picks.go_to("element:9")
        await settle(pilot)
        assert "Measured dimensions" in screen.query_one(DetailPane).text
        screen.picks.go_to("element:5")
        await pilot.press("f6")
        await fill(pilot, "<k>", "in the design office")
        for _ in range(3):
            await settle(pilot)
        assert screen.pages["S-0001"].elements[4].state == "kept"
        screen.picks.go_to("datum:weight")
        await pilot.press("enter")
        await fill(pilot, "0,05")
        for _ in range(3):
            await settle(pilot)
        assert "Weight of one part (kg): 0.0500" in screen.picks.text
        await pilot.press("f7")
        await fill(pilot, "", "<n>", "<n>")
        for _ in range(3):
            await settle(pilot)
        assert to.exists()
        assert screen.pages["S-0001"].submission.standing == "made"
        await pilot.press("f8")
        await settle(pilot)
        assert isinstance(app.screen, TextSheet)
        assert any("explanation" in line for line in app.screen.lines)
        await pilot.press("escape")
        await pilot.press("f12")
        await fill(pilot, "")
        for _ in range(2):
            await settle(pilot)
        assert isinstance(app.screen, TextSheet)
        assert app.screen.heading == "Sound"
        await pilot.press("escape")
        await pilot.press("escape")
        await settle(pilot)
        assert screen.picks.key == "sub:S-0001"
        assert "» made" in screen.picks.text

    run(app, use, size=(120, 40))


def test_signed_with_the_password_again(sample_plant, program_on, run, settle, fill, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    to = tmp_path / "s.xlsx"
    with open_store(f"sqlite:///{sample_plant}") as store:
        session = make_session(store, Settings(store.url, badge="Q-01"))
        records.open_submission(session, "MC-0055", level="agreed", asked=(1, 18))
        data = {
            "reason": "first", "weight": "1", "run_parts": "300", "run_hours": "4", "substances": "yes",
            "marking": "yes", "explanation": "few lots",
        }  # fmt: skip
        records.fill_in(session, "S-0001", data)
        records.make_file(session, "S-0001", to)
    app = program_on(sample_plant)

    async def use(pilot):
        screen = await go(app, pilot, settle)
        screen.picks.go_to("sub:S-0001")
        for _ in range(3):
            await settle(pilot)
        assert "Nothing stands against signing it" in screen.query_one(DetailPane).text
        await pilot.press("f8")
        await fill(pilot, "", "All shown", "wrong password")
        for _ in range(2):
            await settle(pilot)
        assert isinstance(app.screen, TextSheet)
        assert any("Wrong password" in line for line in app.screen.lines)
        await pilot.press("escape")
        await pilot.press("f8")
        await fill(pilot, "", "All shown", SAMPLE_PASSWORD)
        for _ in range(3):
            await settle(pilot)
        assert "signed by" in screen.query_one("#message").text
        assert "✓ signed" in screen.picks.text

    run(app, use)


def test_a_change_notice_is_begun_and_ticked(sample_plant, program_on, run, settle, fill):
    app = program_on(sample_plant)

    async def use(pilot):
        screen = await go(app, pilot, settle)
        screen.picks.go_to("due:MC-0055")
        await settle(pilot)
        assert "every 24 months by the rule of C-PUMP" in screen.query_one(DetailPane).text
        await pilot.press("t")
        await fill(pilot, "", "<5>", "hall 2")
        for _ in range(2):
            await settle(pilot)
        screen.picks.go_to("notice:1")
        await settle(pilot)
        assert "7 of 7 open" in screen.picks.text
        assert "site" in screen.query_one(DetailPane).text
        await pilot.press("enter")
        await fill(pilot, "leave given")
        for _ in range(2):
            await settle(pilot)
        assert "6 of 7 open" in screen.picks.text
        assert "leave given" in screen.query_one(DetailPane).text

    run(app, use)


def test_somebody_without_the_right_is_told(sample_plant, program_on, run, settle, fill):
    with open_store(f"sqlite:///{sample_plant}") as store:
        session = make_session(store, Settings(store.url, badge="Q-01"))
        with session.store.write(session.actor, session.plant.id) as writer:
            registry.add_submission(writer, lookups.part(writer.conn, "MC-0055").id, level="3")
    app = program_on(sample_plant, badge="T-01")

    async def use(pilot):
        await go(app, pilot, settle)
        await pilot.press("f3")
        await fill(pilot, "", "", "")
        assert isinstance(app.screen, TextSheet)
        assert any("may not make submissions" in line for line in app.screen.lines)

    run(app, use)
