"""Trail: newest first, pages, filters, what changed on a record, verification of a sound and of a changed file."""

from __future__ import annotations

import sqlite3
from dataclasses import replace

from qualrec.config import Settings
from qualrec.records import lookups, trail
from qualrec.tui.screens.text_sheet import TextSheet
from qualrec.tui.screens.trail_text import entry_detail
from qualrec.tui.widgets.pick_list import DetailPane
from qualrec.values import TrailRow
from qualrec.work.session import open_session


def text_of(lines) -> str:
    return "\n".join(getattr(line, "text", line) for line in lines)


async def go(app, pilot, settle):
    await settle(pilot)
    await app.action_go("trail")
    for _ in range(3):
        await settle(pilot)
    return app.screen


def test_entries_come_newest_first_and_page_by_page(sample_plant, program_on, run, settle, screen_text):
    with open_session(Settings(f"sqlite:///{sample_plant}", badge="A-01")) as session:
        head = trail.head(session.store, session.plant.id)
    app = program_on(sample_plant, badge="A-01")

    async def use(pilot):
        screen = await go(app, pilot, settle)
        assert f"entry {head.seq}, {head.digest[:16]}" in screen_text(app)
        first = [int(line.key) for line in screen.table.page.lines]
        assert first == list(range(head.seq, head.seq - 200, -1))
        await pilot.press("n")
        for _ in range(2):
            await settle(pilot)
        assert int(screen.table.page.lines[0].key) == head.seq - 200
        assert f"entry {head.seq - 200}" in screen.query_one(DetailPane).text

    run(app, use)


def test_filters_by_act_person_and_record(sample_plant, program_on, run, settle, fill, screen_text):
    app = program_on(sample_plant)

    async def use(pilot):
        screen = await go(app, pilot, settle)
        await pilot.press("f3")
        await fill(pilot, "CORRECTED", "technician", "")
        lines = screen.table.page.lines
        assert [line.cells[2] for line in lines] == ["reading corrected"]
        assert "showing act 'CORRECTED', person 'technician'" in screen_text(app)
        detail = screen.query_one(DetailPane).text
        assert "Why: Two digits exchanged when typing" in detail
        await pilot.press("f3")
        app.screen.query_one("#act").text = ""
        app.screen.query_one("#person").text = ""
        await fill(pilot, "", "", "recipe revision")
        assert {line.cells[4] for line in screen.table.page.lines} == {"recipe revision"}
        await pilot.press("f3")
        await fill(pilot, "nothing like it", "", "")
        assert "no entry is like this" in screen_text(app)
        assert screen.query_one(DetailPane).text == ""

    run(app, use)


def test_an_entry_tells_what_changed_on_its_record(sample_plant):
    with open_session(Settings(f"sqlite:///{sample_plant}", badge="Q-01")) as session:
        with session.store.read() as conn:
            lot = lookups.lot(conn, "FM00059")
            history = lookups.trail_of(conn, "lot", lot.id)
        first, last = history[0], history[-1]
        entered = text_of(entry_detail(session, first, history))
        told = text_of(entry_detail(session, last, history))
    assert "Entered:\n" in entered
    assert f"number: {lot.number}" in entered
    assert last.act == "lot released"
    assert "Changed:\n  state: under review > released\n  version: 4 > 5\n" in told
    others = told[told.index("Other entries on this record:") :]
    assert [int(line.split()[0]) for line in others.splitlines()[1:-2]] == [
        r.seq for r in reversed(history[:-1])
    ]
    assert last.digest in told


def test_content_that_is_no_json_and_long_batches_are_shown(sample_plant):
    with open_session(Settings(f"sqlite:///{sample_plant}", badge="Q-01")) as session:
        row = TrailRow(1, 5, 0, "", "readings added", "batch", 9, "not json", "d")
        assert "content: not json" in text_of(entry_detail(session, row))
        readings = ",".join(f"[1,2,0,{at},{at}.5]" for at in range(60))
        row = replace(row, content=f'{{"key":{{"id":9}},"readings":[{readings}]}}')
        told = text_of(entry_detail(session, row))
    assert "Readings: 60" in told
    assert "sample 39: 39.5" in told
    assert "and 20 more" in told


def test_verify_tells_a_sound_chain_and_its_head(sample_plant, program_on, run, settle):
    with open_session(Settings(f"sqlite:///{sample_plant}", badge="A-01")) as session:
        head = trail.head(session.store, session.plant.id)
    app = program_on(sample_plant, badge="A-01")

    async def use(pilot):
        screen = await go(app, pilot, settle)
        await pilot.press("f6")
        for _ in range(3):
            await settle(pilot)
        assert isinstance(app.screen, TextSheet)
        shown = "\n".join(app.screen.lines)
        assert "Sound: everything agrees." in shown
        assert head.digest in shown
        assert screen.query_one("#message").text.startswith("✓ The chain holds.")

    run(app, use)


def test_verify_tells_what_was_changed_behind_the_back_of_the_program(sample_plant, program_on, run, settle):
    with sqlite3.connect(sample_plant) as raw:
        names = raw.execute(
            "SELECT name FROM sqlite_master WHERE type='trigger' AND tbl_name='lot'"
        ).fetchall()
        for (name,) in names:
            raw.execute(f"DROP TRIGGER {name}")
        raw.execute("UPDATE lot SET remark = 'nothing happened' WHERE number = 'FM00056'")
    raw.close()
    app = program_on(sample_plant, badge="A-01")

    async def use(pilot):
        screen = await go(app, pilot, settle)
        await pilot.press("v")
        for _ in range(3):
            await settle(pilot)
        shown = "\n".join(app.screen.lines)
        assert "NOT SOUND" in shown
        assert "lot " in shown
        assert screen.query_one("#message").text.startswith("! THE CHAIN DOES NOT HOLD.")

    run(app, use)


def test_enter_reads_the_entry_and_esc_goes_back(sample_plant, program_on, run, settle):
    app = program_on(sample_plant, ascii=True)

    async def use(pilot):
        screen = await go(app, pilot, settle)
        await pilot.press("enter")
        await settle(pilot)
        assert screen.query_one(DetailPane).has_focus
        await pilot.press("escape")
        await settle(pilot)
        assert screen.table.rows.has_focus

    run(app, use)


def test_ascii_mode(sample_plant, program_on, run, settle, screen_text):
    app = program_on(sample_plant, ascii=True)

    async def use(pilot):
        await go(app, pilot, settle)
        assert not {char for char in screen_text(app) if ord(char) > 126}

    run(app, use)
