"""The bench opens what a plant needs; wrong keys lead nowhere; the row names what it asks for; a test fault is repeated."""

from __future__ import annotations

import asyncio
from collections.abc import Awaitable, Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from textual.pilot import Pilot
from textual.widgets import Static

from qualrec.errors import UsageError
from qualrec.records import lookups
from qualrec.records.database import open_store
from qualrec.tui.app import QualrecApp
from qualrec.tui.screens.record_sheets import AskSheet
from qualrec.tui.widgets.forms import Choice, Field
from qualrec.work import corrections

Run = Callable[..., None]
Fill = Callable[..., Awaitable[None]]
ProgramOn = Callable[..., QualrecApp]


async def _new(pilot: Pilot[None], fill: Fill, kind: str, *texts: str) -> None:
    await pilot.press("f3")
    await fill(pilot, f"<{kind}>")
    await fill(pilot, *texts)


def _said(app: QualrecApp) -> str:
    return str(app.screen.query_one("#message", Static).content)


def test_a_lot_is_opened_from_its_delivery_and_pulled(
    sample_plant: Path, run: Run, program_on: ProgramOn, fill: Fill, settle: Any
) -> None:
    app = program_on(sample_plant, "T-01")

    async def steps(pilot: Pilot[None]) -> None:
        await settle(pilot)
        await _new(pilot, fill, "d", "R-9001", "PBT-GF30-NAT", "<r>", "2099-12-31", "<enter>")
        assert "Delivery R-9001" in _said(app)
        await _new(pilot, fill, "m", "U9001", "FM-2041", "R-9001=100", "<enter>", "<enter>")
        assert "Moulding lot U9001" in _said(app)
        await _new(
            pilot, fill, "w", "FM90001", "FM-2040", "U9001", "L0061", "<enter>", "LW-1", "480", "<enter>"
        )
        assert "Lot FM90001 of FM-2040" in _said(app)
        assert app.screen.bench.lot.number == "FM90001"  # type: ignore[attr-defined]
        await fill(pilot, "612,4", "<p>")
        await _new(pilot, fill, "g", "U0061", "<enter>", "<enter>", "<enter>", "<enter>")
        assert "goes on" in _said(app)
        await _new(pilot, fill, "e", "470", "<enter>")
        assert "470 parts" in _said(app)

    run(app, steps)
    with open_store(f"sqlite:///{sample_plant}") as store, store.read() as conn:
        lot = lookups.lot(conn, "FM90001")
        assert [s.upper.number for s in lot.segments if s.upper] == ["U9001", "U0061"]
        assert lot.segments[0].upper is not None
        assert lot.segments[0].upper.deliveries == ("R-9001",)
        assert lot.quantity == 470
        assert [r.value for r in lookups.readings_of_lot(conn, lot.id, "PULL")] == [612.4]


def test_a_refused_sheet_comes_back_as_it_was_filled_in(
    sample_plant: Path, run: Run, program_on: ProgramOn, fill: Fill, settle: Any
) -> None:
    app = program_on(sample_plant, "T-01")

    async def steps(pilot: Pilot[None]) -> None:
        await settle(pilot)
        await _new(
            pilot, fill, "w", "FM90001", "FM-2040", "U61", "L0061", "<enter>", "LW-1", "<enter>", "<enter>"
        )
        sheet = app.screen
        assert isinstance(sheet, AskSheet)
        assert "U61" in str(sheet.query_one("#sheet-lead", Static).content)
        assert sheet.query_one("#number", Field).text == "FM90001"
        await pilot.press("enter", "enter", "backspace", "backspace", "0", "0", "6", "1", "enter")
        await pilot.press("enter", "enter", "enter", "enter", "enter")
        for _ in range(3):
            await settle(pilot)
        assert app.screen.bench.lot.number == "FM90001"  # type: ignore[attr-defined]

    run(app, steps)


def test_an_auditor_is_told_that_he_may_not(
    sample_plant: Path, run: Run, program_on: ProgramOn, fill: Fill, settle: Any
) -> None:
    app = program_on(sample_plant, "A-01")

    async def steps(pilot: Pilot[None]) -> None:
        await settle(pilot)
        await _new(pilot, fill, "d", "R-9001", "PBT-GF30-NAT", "<r>", "<enter>", "<enter>")
        assert "may not" in str(app.screen.query_one("#sheet-lead", Static).content)

    run(app, steps)


def test_figures_typed_before_the_failure_mode_do_not_lead_to_another_place(
    sample_plant: Path, run: Run, program_on: ProgramOn, fill: Fill, settle: Any
) -> None:
    """GIVEN a value waits for its mode WHEN the next one is typed THEN bench and value stay."""
    app = program_on(sample_plant, "T-01")

    async def steps(pilot: Pilot[None]) -> None:
        await settle(pilot)
        await fill(pilot, "FM00061")
        await fill(pilot, "612,4")
        await pilot.press("5", "9", "8", "comma", "2", "g", "question_mark")
        await settle(pilot)
        assert app.place == "bench"
        assert len(app.screen_stack) == 1
        mode = app.screen.query_one("#mode", Choice)
        assert mode.has_focus
        assert "Choose: p, c, t, i, m, x." in mode.problem
        assert app.screen.query_one("#value", Field).text == "612,4"
        await fill(pilot, "<p>")

    run(app, steps)
    with open_store(f"sqlite:///{sample_plant}") as store, store.read() as conn:
        rows = lookups.readings_of_lot(conn, lookups.lot(conn, "FM00061").id, "PULL")
        assert [r.value for r in rows] == [612.4]


def test_the_row_names_the_characteristic_it_asks_for(
    sample_plant: Path, run: Run, program_on: ProgramOn, fill: Fill, settle: Any, screen_text: Any
) -> None:
    app = program_on(sample_plant, "T-01")

    async def steps(pilot: Pilot[None]) -> None:
        await settle(pilot)
        await fill(pilot, "FM00061")
        assert "▸ Pull force" in screen_text(app)
        await pilot.press("f6")
        await settle(pilot)
        assert "▸ Collapse" in screen_text(app)
        assert "▸ Pull force" not in screen_text(app)

    run(app, steps)


def test_the_pull_after_a_test_fault_is_its_repeat(
    sample_plant: Path, run: Run, program_on: ProgramOn, fill: Fill, settle: Any, screen_text: Any
) -> None:
    app = program_on(sample_plant, "T-01")

    async def steps(pilot: Pilot[None]) -> None:
        await settle(pilot)
        await fill(pilot, "FM00061")
        for text, mode in (("612,4", "<p>"), ("98,1", "<x>"), ("598,1", "<c>"), ("640", "<p>")):
            await fill(pilot, text, mode)
        shown = screen_text(app)
        assert "repeat of 2" in shown
        assert "no value  test fault" in shown

    run(app, steps)
    with open_store(f"sqlite:///{sample_plant}") as store, store.read() as conn:
        rows = lookups.readings_of_lot(conn, lookups.lot(conn, "FM00061").id, "PULL")
        assert [r.pull.repeat_of for r in rows if r.pull] == [None, None, 2, None]


def test_a_wrong_failure_mode_is_corrected_on_the_bench(
    sample_plant: Path, run: Run, program_on: ProgramOn, fill: Fill, settle: Any
) -> None:
    app = program_on(sample_plant, "T-01")

    async def steps(pilot: Pilot[None]) -> None:
        await settle(pilot)
        await fill(pilot, "FM00061")
        await fill(pilot, "612,4", "<p>")
        await pilot.press("f12")
        await fill(pilot, "<enter>", "<enter>", "<c>", "wrong key", "<enter>", "<enter>")
        assert "parent material is now cohesive" in _said(app)
        await fill(pilot, "598,1", "<p>")
        await pilot.press("f12")
        await fill(pilot, "1", "<enter>", "<t>", "the first one", "<enter>", "<enter>")
        assert "sample 1" in _said(app)
        assert "cohesive is now near-surface tear" in _said(app)

    run(app, steps)


def test_a_refused_correction_comes_back_as_it_was_filled_in(
    sample_plant: Path, run: Run, program_on: ProgramOn, fill: Fill, settle: Any, screen_text: Any
) -> None:
    app = program_on(sample_plant, "T-01")

    async def steps(pilot: Pilot[None]) -> None:
        await settle(pilot)
        await fill(pilot, "FM00061")
        await fill(pilot, "612,4", "<p>")
        await pilot.press("f12")
        await fill(pilot, "9", "621,4", "<enter>", "digits exchanged", "<enter>", "<enter>")
        shown = screen_text(app)
        assert "has no sample 9" in shown
        assert "621,4" in shown
        assert "digits exchanged" in shown
        await pilot.press("backspace")
        await fill(pilot, "1", *["<enter>"] * 5)
        assert "612.4 N is now 621.4" in _said(app)

    run(app, steps)


def test_a_reading_of_no_cavity_can_be_named_beside_one_of_a_cavity() -> None:
    rows: Any = [
        SimpleNamespace(key=SimpleNamespace(sample=1), stream="3"),
        SimpleNamespace(key=SimpleNamespace(sample=1), stream=""),
    ]
    target: Any = SimpleNamespace(name="FM00061", characteristic=SimpleNamespace(code="PULL"))
    with pytest.raises(UsageError, match="these cavities or nests: 3, -"):
        corrections.reading_named(rows, 1, None, target)
    assert corrections.reading_named(rows, 1, corrections.NOT_DIVIDED, target) is rows[1]
    assert corrections.reading_named(rows, 1, "3", target) is rows[0]


def test_a_key_before_the_first_place_is_open_does_not_lose_who_is_signed_in(
    sample_plant: Path, program_on: ProgramOn, settle: Any, screen_text: Any
) -> None:
    app = program_on(sample_plant, "T-01")

    async def session() -> None:
        async with app.run_test(size=(80, 24)) as pilot:
            await asyncio.gather(app.action_go("bench"), app.action_go("lots"))
            for _ in range(3):
                await settle(pilot)
            assert app.status.person == "Sample technician A"
            assert "nobody signed in" not in screen_text(app)

    asyncio.run(session())
