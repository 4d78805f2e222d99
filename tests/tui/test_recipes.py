"""Recipes: revisions and their differences, drafting, approval by somebody else, energy at the joint, temporary changes."""

from __future__ import annotations

from dataclasses import replace

import pytest

from qualrec.config import Settings
from qualrec.errors import AmbiguousNumber, Refused, UsageError
from qualrec.records import lookups
from qualrec.tui.screens.recipe_text import changed_settings, echo_setting, typed_setting
from qualrec.tui.screens.text_sheet import TextSheet
from qualrec.tui.widgets.forms import Field
from qualrec.tui.widgets.pick_list import DetailPane
from qualrec.values import RecipeRevision, RecipeSetting, Window
from qualrec.weld.settings import SETTINGS, Process
from qualrec.work import recipes
from qualrec.work.accounts import SAMPLE_PASSWORD
from qualrec.work.recipes import read_setting
from qualrec.work.session import open_session

POWER, SPEED = SETTINGS[Process.CONTOUR][:2]


def revision(number: int, settings, windows=()) -> RecipeRevision:
    """An invented revision of a contour recipe."""
    return RecipeRevision(
        number, 1, "R", "P", "contour", number, "approved", "", "", 0, "", 0, 0, None, settings, windows
    )


def test_differences_are_added_removed_changed_and_in_the_order_of_the_form():
    power, speed = RecipeSetting("power", 40.0, "W"), RecipeSetting("speed", 50.0, "mm/s", 45.0, 55.0)
    spot, hold = RecipeSetting("spot_diameter", 1.6, "mm"), RecipeSetting("hold_time", 1.0, "s")
    window = Window("transmission", 20.0, 28.0, "%", "study")
    was = revision(1, (hold, power, speed, spot), (window,))
    now = revision(
        2,
        (power, replace(speed, high=60.0), RecipeSetting("clamp_force", 500.0, "N"), hold),
        (replace(window, low=21.0),),
    )
    found = recipes.differences(was, now)
    assert [(d.kind, d.name) for d in found] == [
        ("changed", "speed"),
        ("removed", "spot_diameter"),
        ("added", "clamp_force"),
        ("changed", "qualified transmission"),
    ]
    assert recipes.differences(was, was) == ()


@pytest.mark.parametrize(
    ("text", "value", "low", "high"),
    [
        ("200", 200.0, None, None),
        ("200 W", 200.0, None, None),
        ("200 from 190 to 210", 200.0, 190.0, 210.0),
        ("0,2 kW to 210", 200.0, None, 210.0),
        ("  12,5  from 12 ", 12.5, 12.0, None),
    ],
)
def test_settings_are_read_as_typed(text, value, low, high):
    assert read_setting(POWER, text) == RecipeSetting("power", value, "W", low, high)


def test_what_cannot_be_read_is_refused_and_what_is_not_usual_is_remarked():
    for text in ("two hundred", "200 from", "200 mm", "200 from 1 from 2"):
        with pytest.raises(UsageError):
            read_setting(POWER, text)
    with pytest.raises(AmbiguousNumber):
        read_setting(SPEED, "1.234")
    assert "not usual" in echo_setting(POWER, "99999", "point").echo
    assert "not usual" not in echo_setting(POWER, "200", "point").echo


def test_a_setting_written_into_the_form_keeps_all_its_digits():
    setting = RecipeSetting("power", 123.4567891, "W", 120.25, None)
    assert typed_setting(setting, "comma") == "123,4567891 from 120,25"
    assert typed_setting(None, "point") == ""


def test_only_texts_that_were_changed_are_changes():
    filled = {"power": "200 from 190 to 210", "speed": "50", "seam_width": "2"}
    typed = {"power": "200 from 190 to 210 ", "speed": "55", "seam_width": ""}
    assert changed_settings(SETTINGS[Process.CONTOUR], filled, typed) == {
        "speed": RecipeSetting("speed", 55.0, "mm/s"),
        "seam_width": None,
    }


async def go(app, pilot, settle):
    await settle(pilot)
    await app.action_go("recipes")
    for _ in range(3):
        await settle(pilot)
    return app.screen


def lookup_id(screen, code: str, number: int) -> int:
    return next(r.id for r in screen.seen.revisions if (r.code, r.revision) == (code, number))


def detail(screen) -> str:
    return screen.query_one(DetailPane).text


def test_the_list_shows_revisions_and_what_changed(sample_plant, program_on, run, settle, screen_text):
    app = program_on(sample_plant)

    async def use(pilot):
        screen = await go(app, pilot, settle)
        assert "RC-2040   part FM-2040   quasi-simultaneous" in screen.picks.text
        assert "rev 2   ✓ approved" in screen.picks.text
        assert "rev 1   · superseded" in screen.picks.text
        text = detail(screen)
        assert "From revision 1 to revision 2:" in text
        assert "* changed hold time: 1 s > 1.2 s  (+20.0 %)" in text
        assert "laser power       200 W  (from 190 to 210)" in text
        assert "line length" not in text
        await pilot.press("down")
        for _ in range(2):
            await settle(pilot)
        assert "The first revision of this recipe." in detail(screen)
        await pilot.press("up", "f3", "down")
        await settle(pilot)
        assert "compared with" in screen_text(app)
        assert "From revision 1 to revision 2:" in detail(screen)

    run(app, use)


def test_energy_at_the_joint_is_worked_out_from_the_last_measured_transmission(
    sample_plant, program_on, run, settle
):
    """Textbook definition: N P / (v w) times T, here 20 x 200 W / (1200 mm/s x 2 mm) = 1.6667 J/mm2."""
    with (
        open_session(Settings(f"sqlite:///{sample_plant}", badge="Q-01")) as session,
        session.store.read() as conn,
    ):
        lid = lookups.part(conn, "FM-2040").upper.id
        measured = {
            lot.moulded_us: (lot.number, [r.value for r in rows if r.code == "TRN"])
            for lot in lookups.moulding_lots_page(conn, limit=500)
            if lot.component.id == lid and (rows := lookups.readings_of_moulding_lot(conn, lot.id))
        }
    newest, values = measured[max(measured)]
    mean = sum(values) / len(values)
    app = program_on(sample_plant)

    async def use(pilot):
        screen = await go(app, pilot, settle)
        page = screen.pages[lookup_id(screen, "RC-2040", 2)]
        assert page.revision.code == "RC-2040"
        assert page.transmission.moulding_lot == newest
        assert page.transmission.mean_pct == pytest.approx(mean)
        expected = 20 * 200 / (1200 * 2) * mean / 100
        assert page.budget.areal_joint.value == pytest.approx(expected)
        text = detail(screen)
        assert "J/mm² reach the joint" in text
        assert "qualified from 0.34 to 0.47 J/mm²" in text
        assert "estimate" in text
        assert "neither controls nor interlocks a laser" in text

    run(app, use)


def test_a_draft_is_approved_by_somebody_else_than_its_author(
    sample_plant, program_on, run, settle, fill, screen_text
):
    own = program_on(sample_plant, badge="P-01")

    async def draft(pilot):
        screen = await go(own, pilot, settle)
        await pilot.press("f7")
        await settle(pilot)
        assert own.screen.query_one("#power", Field).text == "200 from 190 to 210"
        own.screen.query_one("#hold_time", Field).text = "1,4"
        own.screen.query_one("#reason", Field).start()
        await fill(pilot, "Less spring-back of the cover")
        assert "rev 3   » draft" in screen.picks.text
        screen.picks.go_to(next(line.key for line in screen.picks.lines if line.key))
        for _ in range(2):
            await settle(pilot)
        assert "hold time: 1.2 s > 1.4 s" in detail(screen)
        assert "proven with revision 2" in detail(screen)
        await pilot.press("f6")
        await fill(pilot, "mine", SAMPLE_PASSWORD)
        assert isinstance(own.screen, TextSheet)
        assert "Another engineer has to approve it" in "\n".join(own.screen.lines)

    run(own, draft)
    other = program_on(sample_plant)

    async def approve(pilot):
        screen = await go(other, pilot, settle)
        await pilot.press("f6")
        await settle(pilot)
        assert "Signed by Sample quality engineer (Q-01)" in screen_text(other)
        await fill(pilot, "Trial lot sound", SAMPLE_PASSWORD)
        assert "rev 3   ✓ approved" in screen.picks.text
        assert "rev 2   · superseded" in screen.picks.text
        await pilot.press("f8")
        await fill(pilot, "Cover was changed back")
        assert "rev 3   × withdrawn" in screen.picks.text

    run(other, approve)
    with (
        open_session(Settings(f"sqlite:///{sample_plant}", badge="Q-01")) as session,
        session.store.read() as conn,
    ):
        third = lookups.recipe_revision(conn, "RC-2040", 3)
        signed = lookups.signatures(conn, "recipe revision", third.id)
        assert (third.author, third.approver, third.state) == (
            "Sample process engineer",
            "Sample quality engineer",
            "withdrawn",
        )
        assert [(s.meaning, s.reason) for s in signed] == [("approved", "Trial lot sound")]


def test_a_draft_that_changes_nothing_or_cannot_be_is_refused(sample_plant):
    with open_session(Settings(f"sqlite:///{sample_plant}", badge="P-01")) as session:
        for changes in (
            {},
            {"power": None},
            {"line_length": RecipeSetting("line_length", 5.0, "mm")},
            {"power": RecipeSetting("power", -1.0, "W")},
            {"power": RecipeSetting("power", 200.0, "W", 201.0, 210.0)},
            {"passes": None},
        ):
            with pytest.raises(UsageError):
                recipes.draft_revision(session, "RC-2040", 2, changes, "why")
        with session.store.read() as conn:
            assert len([r for r in lookups.recipe_revisions(conn) if r.code == "RC-2040"]) == 2
    with open_session(Settings(f"sqlite:///{sample_plant}", badge="T-01")) as session, pytest.raises(Refused):
        recipes.draft_revision(
            session, "RC-2040", 2, {"hold_time": RecipeSetting("hold_time", 1.5, "s")}, "why"
        )


def test_settings_that_are_not_usual_are_remarked(sample_plant):
    with open_session(Settings(f"sqlite:///{sample_plant}", badge="P-01")) as session:
        made = recipes.draft_revision(
            session, "RC-2040", 2, {"hold_time": RecipeSetting("hold_time", 5000.0, "s")}, "slip"
        )
        page = recipes.recipe_page(session, made.id)
    assert len(page.remarks) == 1
    assert "5000" in page.remarks[0].sentence


def test_a_temporary_change_has_a_last_day_and_is_ended(sample_plant, program_on, run, settle, fill):
    app = program_on(sample_plant)

    async def use(pilot):
        screen = await go(app, pilot, settle)
        await pilot.press("f12")
        await fill(
            pilot, "Glass without coating", "Two more sections each shift", "2031-05-31", SAMPLE_PASSWORD
        )
        assert "» open  until 2031-05-31  RC-2040 rev 2  Glass without coating" in screen.picks.text
        change = screen.seen.changes[0]
        screen.picks.go_to(f"change:{change.id}")
        await settle(pilot)
        assert "extra checks: Two more sections each shift" in detail(screen)
        await pilot.press("f12")
        await fill(pilot, "Coated glass is back")
        assert "· ended" in screen.picks.text

    run(app, use)


def test_recipes_as_text(sample_plant, program_on, run, settle, screen_text, same_as_snapshot):
    app = program_on(sample_plant)

    async def use(pilot):
        await go(app, pilot, settle)
        body = screen_text(app).splitlines()[1:-2]
        same_as_snapshot("recipes_120x40", "\n".join(body) + "\n")

    run(app, use, size=(120, 40))


def test_ascii_mode(sample_plant, program_on, run, settle, screen_text):
    app = program_on(sample_plant, ascii=True)

    async def use(pilot):
        await go(app, pilot, settle)
        assert not {char for char in screen_text(app) if ord(char) > 126}
        assert "+ approved" in screen_text(app)

    run(app, use)
