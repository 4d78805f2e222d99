"""Lots: filters and pages, what blocks a release, signed decisions, flags, corrections, another station."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest

from qualrec.config import Settings
from qualrec.records import lookups
from qualrec.tui.screens.lot_page import STATES
from qualrec.tui.screens.lots import CYCLE, Filter
from qualrec.tui.screens.text_sheet import TextSheet
from qualrec.tui.widgets.forms import Choice, Field
from qualrec.tui.widgets.pick_list import DetailPane
from qualrec.work import lots
from qualrec.work.accounts import SAMPLE_PASSWORD
from qualrec.work.session import Session, open_session

HELD = "FM00056"
"""A lot of the sample plant that is on hold for its joint energy."""


@contextmanager
def station(path: Path, badge: str = "Q-01") -> Iterator[Session]:
    """Another station on the same records."""
    with open_session(Settings(f"sqlite:///{path}", badge=badge)) as session:
        yield session


async def go(app, pilot, settle, lot: str = ""):
    await settle(pilot)
    await app.action_go("lots")
    await settle(pilot)
    screen = app.screen
    if lot:
        screen.open_lot(lot)
        for _ in range(2):
            await settle(pilot)
        assert screen.seen.page.lot.number == lot
    return screen


def keys(screen) -> list[str]:
    return [line.key for line in screen.picks.lines if line.key]


def test_every_state_of_a_lot_has_sign_and_word():
    from qualrec.records.models.lots import LOT_STATES

    assert set(STATES) == set(LOT_STATES)
    assert set(CYCLE[1:]) <= set(LOT_STATES)
    assert len({label.text() for label in STATES.values()}) == len(STATES)


def test_one_key_goes_through_the_states_and_the_sheet_filters(
    sample_plant, program_on, run, settle, fill, screen_text
):
    app = program_on(sample_plant)

    async def use(pilot):
        screen = await go(app, pilot, settle)
        assert len(screen.table.page.lines) == 77
        await pilot.press("t")
        await settle(pilot)
        assert screen.filter == Filter("on hold")
        assert [line.key for line in screen.table.page.lines] == ["FM00056", "FM00055", "FM00054", "FM00053"]
        assert "4 lots: state on hold" in screen_text(app)
        assert "! on hold" in screen_text(app)
        await pilot.press("f3")
        await fill(pilot, "<r>", "VB-1310", "", "<enter>", "", "")
        assert {line.cells[3] for line in screen.table.page.lines} == {"VB-1310"}
        await pilot.press("f3")
        await fill(pilot, "<a>", "no such part", "", "<enter>", "", "")
        assert "no such part" in screen_text(app)
        await pilot.press("f3")
        screen.app.screen.query_one("#part", Field).text = ""
        await fill(pilot, "<a>", "", "fm0006", "<enter>", "", "")
        assert [line.key for line in screen.table.page.lines] == ["FM00061", "FM00060"]

    run(app, use)


def test_the_list_is_read_page_by_page_without_gap_or_repeat(sample_plant, program_on, run, settle):
    app = program_on(sample_plant)

    async def use(pilot):
        screen = await go(app, pilot, settle)
        everything = [line.key for line in screen.table.page.lines]
        screen.table.request = replace(screen.table.request, size=20)
        screen.table.action_first_page()
        await settle(pilot)
        found = [line.key for line in screen.table.page.lines]
        while screen.table.page.next is not None:
            await pilot.press("n")
            await settle(pilot)
            found += [line.key for line in screen.table.page.lines]
        assert found == everything

    run(app, use)


def test_the_page_tells_what_blocks_energy_materials_and_readings(
    sample_plant, program_on, run, settle, screen_text
):
    app = program_on(sample_plant)

    async def use(pilot):
        screen = await go(app, pilot, settle)
        await pilot.press("t")
        await settle(pilot)
        await pilot.press("enter")
        for _ in range(2):
            await settle(pilot)
        text = screen_text(app)
        assert "! on hold" in text
        assert "Lot FM00056 is blocked: 1 reason" in text
        page = screen.picks.text
        for words in (
            "What stands against its release",
            "outside the qualified window",
            "PULL",
            "parent material",
            "J/mm²",
            "moulding lot U0055",
            "delivery R-2606",
            "segment 1",
        ):
            assert words in page, words
        assert screen.picks.key.startswith("flag:")
        detail = screen.query_one("#lot-page").query_one(DetailPane).text
        assert "joint energy 0.3208 ± 0.01 J/mm² is below 0.34 J/mm²" in detail
        assert "Source:" in detail
        assert "Rule:" in detail
        assert "Reaction plan, 0 of 1 steps done:" in detail
        await pilot.press("escape")
        await settle(pilot)
        assert screen.seen is None
        assert screen.table.key == HELD

    run(app, use)


def test_enter_folds_and_unfolds_the_readings_of_a_characteristic(sample_plant, program_on, run, settle):
    app = program_on(sample_plant)

    async def use(pilot):
        screen = await go(app, pilot, settle, HELD)
        before = len(keys(screen))
        screen.picks.go_to("verdict:PULL")
        await pilot.press("enter")
        await settle(pilot)
        assert len(keys(screen)) == before - 5
        screen.picks.go_to("verdict:TRN")
        await pilot.press("enter")
        await settle(pilot)
        assert len(keys(screen)) == before - 5 + 20

    run(app, use)


def test_a_corrected_reading_shows_what_it_was(sample_plant, program_on, run, settle):
    with station(sample_plant) as session, session.store.read() as conn:
        change = lookups.corrections(conn)[0]
    app = program_on(sample_plant)

    async def use(pilot):
        screen = await go(app, pilot, settle, change.lot_number)
        marked = [line for line in screen.picks.text.splitlines() if "corrected, was" in line]
        assert len(marked) == 1
        assert f"{change.old_value:g}" in marked[0]
        assert f"{change.new_value:g}" in marked[0]
        row = next(r for r in screen.seen.page.readings if r.corrected)
        detail = "\n".join(
            getattr(d, "text", d)
            for line in screen.picks.lines
            if line.key.endswith(f".{row.key.sample}") and row.code in getattr(line.detail[0], "text", "")
            for d in line.detail
        )
        assert change.reason in detail

    run(app, use)


def test_a_refused_release_lists_what_blocks_and_writes_nothing(
    sample_plant, program_on, run, settle, fill, screen_text
):
    app = program_on(sample_plant)

    async def use(pilot):
        await go(app, pilot, settle, HELD)
        await pilot.press("f8")
        await settle(pilot)
        assert "Signed by Sample quality engineer (Q-01)" in screen_text(app)
        await fill(pilot, "<r>", "looks fine", "", "", SAMPLE_PASSWORD)
        assert isinstance(app.screen, TextSheet)
        shown = "\n".join(app.screen.lines)
        assert "outside the qualified window" in shown
        assert "first-off missing" in shown
        assert "concession" in shown

    run(app, use)
    with station(sample_plant) as session, session.store.read() as conn:
        lot = lookups.lot(conn, HELD)
        assert lot.state == "on hold"
        assert lot.dispositions == ()


def test_with_all_flags_closed_a_release_is_signed(sample_plant, program_on, run, settle, fill, screen_text):
    with station(sample_plant) as session:
        with session.store.read() as conn:
            open_flags = [f for f in lookups.flags(conn, lot=HELD, not_closed=True) if f.scope != "process"]
        for flag in open_flags:
            lots.close_flag(session, flag.id, "Sections made, seam sound.")
    app = program_on(sample_plant)

    async def use(pilot):
        screen = await go(app, pilot, settle, HELD)
        assert "Nothing stands against the release" in screen_text(app)
        await pilot.press("d")
        await fill(pilot, "<r>", "Sections sound, energy explained", "", "", SAMPLE_PASSWORD)
        assert screen.seen.page.lot.state == "released"
        assert "signed by Sample quality engineer" in screen_text(app)
        assert "Sections sound" in "\n".join(
            str(d) for line in screen.picks.lines if line.key == "decision:0" for d in line.detail
        )

    run(app, use)
    with station(sample_plant) as session, session.store.read() as conn:
        lot = lookups.lot(conn, HELD)
        assert [(d.kind, d.reason) for d in lot.dispositions] == [
            ("release", "Sections sound, energy explained")
        ]
        assert lookups.signatures(conn, "lot", lot.id)[-1].meaning == "released"


def test_a_lot_that_another_station_changed_says_so(sample_plant, program_on, run, settle, fill):
    app = program_on(sample_plant)

    async def use(pilot):
        screen = await go(app, pilot, settle, HELD)
        await pilot.press("d")
        await settle(pilot)
        with station(sample_plant) as session:
            lots.dispose(session, HELD, "scrap", reason="Decided at the other station")
        await fill(pilot, "<h>", "wait for sections", "", "", SAMPLE_PASSWORD)
        assert isinstance(app.screen, TextSheet)
        assert "changed" in "\n".join(app.screen.lines)
        assert screen.seen.page.lot.state == "scrapped"

    run(app, use)


def test_use_as_is_needs_a_concession_which_is_counted(sample_plant, program_on, run, settle, fill):
    app = program_on(sample_plant)

    async def use(pilot):
        screen = await go(app, pilot, settle, HELD)
        await pilot.press("d")
        await fill(pilot, "<u>", "customer accepts", "", "", SAMPLE_PASSWORD)
        assert "Record the customer's concession first" in "\n".join(app.screen.lines)
        await pilot.press("escape", "k")
        await settle(pilot)
        await fill(pilot, "CON-17", "seam of this lot accepted", "480", "2031-01-31", SAMPLE_PASSWORD)
        assert "concession CON-17, 0 of 480 parts used, until 2031-01-31 23:59" in screen.picks.text
        await pilot.press("d")
        await fill(pilot, "<u>", "customer accepts", "", "", SAMPLE_PASSWORD)
        assert screen.seen.page.lot.state == "released under concession"

    run(app, use)


def test_a_flag_is_acknowledged_a_step_ticked_and_it_is_closed(sample_plant, program_on, run, settle, fill):
    app = program_on(sample_plant)

    async def use(pilot):
        screen = await go(app, pilot, settle, HELD)
        key = screen.picks.key
        await pilot.press("f6")
        await fill(pilot, "seen, sections ordered")
        assert screen.seen.flag(key).actions[-1].what == "seen, sections ordered"
        await pilot.press("p")
        await fill(pilot, "<y>", "by hand")
        assert screen.seen.flag(key).actions[-1].what.startswith("Step 1 done: Hold the lot")
        assert "✓ 1." in screen.query_one("#lot-page").query_one(DetailPane).text
        await pilot.press("p")
        await settle(pilot)
        assert "No step" in screen.query_one("#message").text
        await pilot.press("f7")
        await fill(pilot, "sections sound")
        assert screen.seen.flag(key).state == "closed"
        screen.picks.go_to(key)
        await pilot.press("f7")
        await settle(pilot)
        assert "closed" in screen.query_one("#message").text

    run(app, use)


def test_a_technician_may_not_decide(sample_plant, program_on, run, settle, fill):
    app = program_on(sample_plant, badge="T-01")

    async def use(pilot):
        await go(app, pilot, settle, HELD)
        await pilot.press("d")
        await fill(pilot, "<x>", "broken", "", "", SAMPLE_PASSWORD)
        assert "may not decide about lots" in "\n".join(app.screen.lines)

    run(app, use)
    with station(sample_plant) as session, session.store.read() as conn:
        assert lookups.lot(conn, HELD).state == "on hold"


def test_the_reading_under_the_cursor_is_corrected(sample_plant, program_on, run, settle, fill):
    app = program_on(sample_plant)

    async def use(pilot):
        screen = await go(app, pilot, settle, HELD)
        row = next(r for r in screen.seen.page.readings if r.code == "PULL" and r.key.sample == 2)
        k = row.key
        screen.picks.go_to(f"reading:{k.subject_id}.{k.characteristic_id}.{k.stream_id}.{k.sample}")
        await pilot.press("x")
        await fill(pilot, "482,0", "<enter>", "slip shows 482", "<enter>", "<enter>")
        assert "corrected, was 428.0" in screen.picks.text
        screen.picks.go_to(f"reading:{k.subject_id}.{k.characteristic_id}.{k.stream_id}.{k.sample}")
        await pilot.press("x")
        await fill(
            pilot,
            "<enter>",
            "<t>" if row.pull.mode != "near-surface tear" else "<c>",
            "fibres seen",
            "<enter>",
            "<enter>",
        )

    run(app, use)
    with station(sample_plant) as session, session.store.read() as conn:
        lot = lookups.lot(conn, HELD)
        row = next(r for r in lookups.readings_of_lot(conn, lot.id, "PULL") if r.key.sample == 2)
        assert (row.value, row.original, row.corrected) == (482.0, 428.0, True)
        assert row.pull.mode in ("near-surface tear", "cohesive")
        assert [c.kind for c in lookups.corrections(conn, lot=HELD)][:2] == ["mode", "value"]


def test_the_lot_goes_to_the_bench_and_its_characteristic_to_the_chart(sample_plant, program_on, run, settle):
    app = program_on(sample_plant)

    async def use(pilot):
        screen = await go(app, pilot, settle, HELD)
        await pilot.press("e")
        for _ in range(3):
            await settle(pilot)
        assert app.place == "bench"
        assert app.screen.bench.lot.number == HELD
        await app.action_go("lots")
        await settle(pilot)
        screen.picks.go_to("verdict:TRN")
        await pilot.press("v")
        for _ in range(3):
            await settle(pilot)
        assert app.place == "charts"
        assert (app.screen.subject.part, app.screen.subject.code) == ("FM-2040", "TRN")

    run(app, use)


@pytest.mark.parametrize("size", [(80, 24), (120, 40)])
def test_ascii_mode_shows_the_same_words(sample_plant, program_on, run, settle, screen_text, size):
    app = program_on(sample_plant, ascii=True, no_color=True)

    async def use(pilot):
        await go(app, pilot, settle, HELD)
        text = screen_text(app)
        assert "! on hold" in text
        assert "> REVIEW" in text
        await pilot.press("d")
        await settle(pilot)
        assert app.screen.query_one(Choice)
        both = text + screen_text(app)
        assert not {char for char in both if ord(char) > 126}

    run(app, use, size=size)


def test_the_line_under_the_cursor_has_no_tone_that_could_not_be_read_on_it(
    sample_plant, program_on, run, settle
):
    app = program_on(sample_plant)

    async def use(pilot):
        screen = await go(app, pilot, settle, HELD)
        lines = screen.picks.list
        rows = [lines.render_line(y) for y in range(lines.size.height)]
        under = next(row for row in rows if "outside the qualified window" in row.text)
        others = next(row for row in rows if "first-off missing" in row.text)
        assert len({segment.style.color for segment in under}) == 1
        assert len({segment.style.color for segment in others}) > 1

    run(app, use)


def test_an_empty_database_teaches_the_first_steps(tmp_path, run, settle, screen_text):
    from qualrec.tui.app import QualrecApp
    from qualrec.tui.desk import Desk
    from qualrec.work import set_up

    url = f"sqlite:///{tmp_path / 'empty.sqlite'}"
    set_up.create(url, code="P1", name="Plant", zone="UTC", decimal_style="point", person="Somebody")
    settings = Settings(url)
    app = QualrecApp(settings, desk=Desk(settings))

    async def use(pilot):
        for place, words in (
            ("lots", "Open a lot: scan its label"),
            ("recipes", "Have it approved here"),
            ("gauges", "Record the last calibration of each here"),
        ):
            await app.action_go(place)
            for _ in range(2):
                await settle(pilot)
            assert words in screen_text(app), place

    run(app, use)


def test_the_page_of_a_lot_as_text(sample_plant, program_on, run, settle, screen_text, same_as_snapshot):
    app = program_on(sample_plant)

    async def use(pilot):
        await go(app, pilot, settle, HELD)
        body = screen_text(app).splitlines()[1:-2]
        same_as_snapshot("lot_page_80x24", "\n".join(body) + "\n")

    run(app, use)
