"""Who is at work: signing on, another person, the lock of a bench left alone, the page of people. On a plant with accounts."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from textual.widgets import Input

from qualrec.config import Settings
from qualrec.errors import Refused
from qualrec.records import lookups, registry
from qualrec.records.database import open_store
from qualrec.tui.app import QualrecApp
from qualrec.tui.desk import Desk
from qualrec.tui.screens.people import PeopleScreen
from qualrec.tui.screens.people_sheets import LockSheet, PersonSheet, SignOnSheet
from qualrec.tui.widgets.forms import Field
from qualrec.values import Actor
from qualrec.work import accounts, passwords, set_up

PASSWORD = "seven plain words"
PIN = "48213"


@pytest.fixture
def plant(tmp_path: Path) -> str:
    """A plant with accounts: an administrator, a technician, a quality engineer; bench B1 locks after 60 s."""
    url = f"sqlite:///{tmp_path / 'plant.sqlite'}"
    set_up.create(
        url, code="P1", name="Invented", zone="UTC", decimal_style="point", person="Ada Admin", badge="X1",
        password=PASSWORD,
    )  # fmt: skip
    with open_store(url) as store, store.write(Actor(None, "set-up")) as writer:
        for badge, name, role in (
            ("T1", "Tom Tester", "technician"),
            ("Q1", "Quinn Quality", "quality engineer"),
        ):
            registry.add_person(
                writer, name, badge, roles=[role],
                password_hash=passwords.hashed(PASSWORD), pin_hash=passwords.hashed(PIN),
            )  # fmt: skip
        registry.add_station(writer, "B1", "Bench one", "bench", idle_lock_seconds=60)
    return url


@pytest.fixture
def program(plant: str, places: Any) -> Callable[..., QualrecApp]:
    def make(**changes: Any) -> QualrecApp:
        settings = Settings(plant, **changes)
        return QualrecApp(settings, places, Desk(settings))

    return make


@pytest.fixture
def sign_on(fill: Any) -> Any:
    async def go(pilot: Any, *texts: str) -> None:
        await fill(pilot, *texts)

    return go


def person(url: str, badge: str) -> lookups.Person:
    with open_store(url) as store, store.read() as conn:
        return lookups.person_by_badge(conn, badge)


def acts(url: str) -> list[str]:
    with open_store(url) as store, store.read() as conn:
        return [row.act for row in lookups.trail_rows(conn)]


def test_nobody_sees_records_before_signing_on(
    program: Any, run: Any, fill: Any, settle: Any, screen_text: Any
) -> None:
    app = program()

    async def use(pilot: Any) -> None:
        await settle(pilot)
        assert isinstance(app.screen, SignOnSheet)
        assert "nobody signed in" in screen_text(app)
        for key in ("escape", "f9", "2", "ctrl+p", "f1"):
            await pilot.press(key)
            await settle(pilot)
            assert isinstance(app.screen, SignOnSheet), key
        with pytest.raises(Refused, match="Nobody is signed on"):
            app.desk.session()
        app.screen.query_one("#badge", Field).clear()
        app.screen.query_one("#badge", Field).start()
        await fill(pilot, "T1", "wrong one")
        assert "Wrong password or PIN for Tom Tester" in screen_text(app)
        assert app.screen.query_one("#secret", Field).text == ""
        assert "wrong one" not in screen_text(app)
        await fill(pilot, PIN)
        assert not isinstance(app.screen, SignOnSheet)
        assert "Tom Tester" in screen_text(app)
        assert "NO ACCOUNTS" not in screen_text(app)
        assert app.screen.loads == 2  # it was read again as soon as somebody was there

    run(app, use)


def test_a_secret_is_never_drawn(program: Any, run: Any, settle: Any, screen_text: Any) -> None:
    app = program(badge="T1")

    async def use(pilot: Any) -> None:
        await settle(pilot)
        await pilot.press(*PIN)
        await settle(pilot)
        assert PIN not in screen_text(app)
        assert "•" * len(PIN) in screen_text(app)

    run(app, use)


def test_the_program_can_be_left_before_signing_on(program: Any, run: Any, settle: Any) -> None:
    app = program()

    async def use(pilot: Any) -> None:
        await settle(pilot)
        await pilot.press("ctrl+q")
        await pilot.pause()

    run(app, use)
    assert app.return_code == 0


def test_another_person_goes_on_and_what_is_half_typed_stays(
    program: Any, run: Any, fill: Any, settle: Any, screen_text: Any
) -> None:
    app = program(badge="T1")

    async def use(pilot: Any) -> None:
        await fill(pilot, PIN)
        field = app.screen.query(Input).first()
        await pilot.press(*"0012")
        await pilot.press("f10")
        await settle(pilot)
        assert isinstance(app.screen, PersonSheet)
        await pilot.press("escape")
        await settle(pilot)
        assert app.desk.session().actor.badge == "T1"
        await pilot.press("ctrl+g")
        await fill(pilot, "Q1", PIN)
        assert "Quinn Quality" in screen_text(app)
        assert app.desk.session().actor.roles == {"quality engineer"}
        assert field.value == "0012"
        await pilot.press("f10")
        await fill(pilot, "nobody", PIN)
        assert "No person has the badge" in screen_text(app)
        await pilot.press("escape")
        await settle(pilot)
        assert app.desk.session().actor.badge == "Q1"

    run(app, use)


def test_a_bench_left_alone_locks_over_whatever_is_open_and_loses_nothing(
    program: Any, run: Any, fill: Any, settle: Any, screen_text: Any
) -> None:
    app = program(badge="T1", station="B1")
    now = [1000.0]
    app.clock = lambda: now[0]

    async def use(pilot: Any) -> None:
        await fill(pilot, PIN)
        assert app.status.idle_lock_s == 60
        await pilot.press(*"0012")
        now[0] += 59.9
        app.lock_if_idle()
        await settle(pilot)
        assert not isinstance(app.screen, LockSheet)
        await pilot.press("f9")  # a sheet is open, half way through
        await settle(pilot)
        below = app.screen
        now[0] += 60.0
        app.lock_if_idle()
        app.lock_if_idle()
        await settle(pilot)
        assert isinstance(app.screen, LockSheet)
        assert "Locked: no key for 60 s" in screen_text(app)
        for key in ("escape", "f9", "ctrl+p", "ctrl+q", "f10", "f1"):
            await pilot.press(key)
            await settle(pilot)
            assert isinstance(app.screen, LockSheet), key
        await fill(pilot, "not the PIN")
        assert isinstance(app.screen, LockSheet)
        await fill(pilot, PIN)
        assert app.screen is below
        await pilot.press("escape")
        await settle(pilot)
        assert app.screen.query(Input).first().value == "0012"
        assert app.screen.query(Input).first().has_focus
        now[0] += 61.0
        app.lock_if_idle()
        await settle(pilot)
        assert "0012" in screen_text(app)  # what is half typed stays in sight
        app.screen.query_one("#badge", Field).start()
        await fill(pilot, "Q1", PIN)
        assert app.desk.session().actor.badge == "Q1"
        assert app.screen.query(Input).first().value == "0012"

    run(app, use)


def test_without_a_time_at_the_station_nothing_locks(program: Any, run: Any, fill: Any, settle: Any) -> None:
    app = program(badge="T1")

    async def use(pilot: Any) -> None:
        await fill(pilot, PIN)
        app.clock = lambda: 1e9
        app.lock_if_idle()
        await settle(pilot)
        assert not isinstance(app.screen, LockSheet)

    run(app, use)


def test_who_is_disabled_meanwhile_writes_no_more(plant: str, program: Any, run: Any, fill: Any) -> None:
    app = program(badge="T1")

    async def use(pilot: Any) -> None:
        await fill(pilot, PIN)
        with open_store(plant) as store, store.write(Actor(None, "set-up")) as writer:
            registry.set_person_state(writer, person(plant, "T1").id, "disabled", why="Left")
        with pytest.raises(Refused, match="disabled"):
            app.desk.writing(lambda session: session.actor)()

    run(app, use)


def test_a_role_taken_away_is_gone_at_once(plant: str, program: Any, run: Any, fill: Any) -> None:
    app = program(badge="Q1")

    async def use(pilot: Any) -> None:
        await fill(pilot, PIN)
        with open_store(plant) as store, store.write(Actor(None, "set-up")) as writer:
            registry.remove_role(writer, person(plant, "Q1").id, "quality engineer", why="Moved")
        assert app.desk.writing(lambda session: session.actor.roles)() == frozenset()

    run(app, use)


def test_the_page_of_people_adds_authorises_and_disables(
    plant: str, program: Any, run: Any, fill: Any, settle: Any, screen_text: Any
) -> None:
    app = program(badge="X1")

    async def use(pilot: Any) -> None:
        await fill(pilot, PASSWORD)
        await pilot.press("ctrl+p")
        await settle(pilot)
        await pilot.press(*"who works here")
        await pilot.pause(0.3)
        await pilot.press("enter")
        await settle(pilot)
        await settle(pilot)
        assert isinstance(app.screen, PeopleScreen)
        page = app.screen
        assert "Tom Tester" in screen_text(app)
        await pilot.press("f3")
        await fill(pilot, "T2", "Tina Tester", "<t>")
        assert "no password or PIN yet" in page.picks.text
        page.picks.go_to("T2")
        await pilot.press("f7")
        await fill(pilot, "1357", "2468")
        assert "The two are not the same" in screen_text(app)
        await pilot.press("escape")
        await pilot.press("f7")
        await fill(pilot, "1357", "1357")
        assert person(plant, "T2").has_pin
        await pilot.press("f6")
        await fill(pilot, "<g>", "<a>", "Also audits")
        assert person(plant, "T2").roles == {"technician", "auditor"}
        await pilot.press("d")
        await fill(pilot, "Left the house")
        assert person(plant, "T2").state == "disabled"
        assert "Left" in page.picks.text
        await pilot.press("f1")
        await settle(pilot)
        assert "Nobody is removed" in app.screen.text()
        await pilot.press("escape", "escape")
        await settle(pilot)
        assert not isinstance(app.screen, PeopleScreen)
        assert app.place == "bench"

    run(app, use)
    assert {"person added", "PIN set", "role given", "person disabled"} <= set(acts(plant))


def test_everybody_changes_their_own_pin_with_the_password_and_nobody_elses(
    plant: str, program: Any, run: Any, fill: Any, settle: Any, screen_text: Any
) -> None:
    app = program(badge="T1")

    async def use(pilot: Any) -> None:
        await fill(pilot, PIN)
        await app.run_action("people")
        await settle(pilot)
        page = app.screen
        page.picks.go_to("Q1")
        await pilot.press("f7")
        await fill(pilot, "1357", "1357")
        assert "may not manage people" in screen_text(app)
        await pilot.press("escape")
        page.picks.go_to("T1")
        await pilot.press("f7")
        await fill(pilot, "not that one", "1357", "1357")
        assert "Wrong password" in screen_text(app)
        await pilot.press("escape")
        await pilot.press("f7")
        await fill(pilot, PASSWORD, "1357", "1357")
        assert "has a new PIN" in screen_text(app)

    run(app, use)
    with open_store(plant) as store, store.read() as conn:
        assert accounts.prove(store, lookups.plant(conn), "T1", "1357") == "PIN"


def test_the_sample_plant_opens_by_itself_and_prints_its_accounts(
    sample_plant: Path, program_on: Any, run: Any, fill: Any, settle: Any, screen_text: Any
) -> None:
    app = program_on(sample_plant, badge="")

    async def use(pilot: Any) -> None:
        await settle(pilot)
        assert "Sample quality engineer" in screen_text(app)
        await pilot.press("f10")
        await settle(pilot)
        assert f"{accounts.SAMPLE_PIN} and the password" in screen_text(app)
        await fill(pilot, "T-01", accounts.SAMPLE_PIN)
        assert "Sample technician A" in screen_text(app)

    run(app, use)


@pytest.mark.parametrize("kind", ["a", "s"])
def test_the_first_opening_makes_the_first_administrator_or_one_person_without_accounts(
    kind: str, tmp_path: Path, places: Any, run: Any, fill: Any, settle: Any, screen_text: Any
) -> None:
    settings = Settings(f"sqlite:///{tmp_path / 'new.sqlite'}")
    app = QualrecApp(settings, places, Desk(settings))

    async def use(pilot: Any) -> None:
        await settle(pilot)
        assert "There is no database at" in screen_text(app)
        secrets = (PASSWORD, PASSWORD) if kind == "a" else ("<enter>", "<enter>")
        await fill(pilot, f"<{kind}>", "P1", "Invented", "Europe/Berlin", "Ada Admin", "<enter>", *secrets)
        assert "Ada Admin" in screen_text(app)
        assert ("NO ACCOUNTS" in screen_text(app)) == (kind == "s")
        assert app.desk.session().accounts == (kind == "a")

    run(app, use)
    assert person(settings.database_url, "ADMIN" if kind == "a" else "1").has_password == (kind == "a")
