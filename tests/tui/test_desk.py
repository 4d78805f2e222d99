"""The open records behind the screens, on a real database of an invented plant."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest

from qualrec.config import Settings
from qualrec.errors import ConnectionLost, DatabaseError, UnknownRecord, UsageError
from qualrec.records import registry
from qualrec.records.database import open_store
from qualrec.tui.app import QualrecApp
from qualrec.tui.desk import Desk
from qualrec.tui.messages import Trouble
from qualrec.values import Actor


def make_plant(path: Path, *, single: bool) -> str:
    url = f"sqlite:///{path}"
    with open_store(url, create=True) as store, store.write(Actor(None, "set-up")) as writer:
        registry.add_plant(
            writer,
            "KA",
            "Invented plant",
            "Europe/Berlin",
            decimal_style="comma",
            single_user=single,
            invented=False,
        )
        registry.add_person(writer, "A. Muster", "1", roles=("technician",))
        if not single:
            registry.add_person(writer, "B. Beispiel", "2", roles=("technician",))
    return url


@pytest.fixture
def desk_on(tmp_path):
    made: list[Desk] = []

    def make(*, single: bool = True, badge: str = "") -> Desk:
        desk = Desk(Settings(make_plant(tmp_path / "plant.sqlite", single=single), badge=badge))
        made.append(desk)
        return desk

    yield make
    for desk in made:
        desk.close()


def test_status_of_a_plant_without_accounts(desk_on):
    status = desk_on().status()
    assert (status.person, status.plant, status.database) == ("A. Muster", "KA", "plant.sqlite")
    assert status.no_accounts
    assert not status.invented
    assert status.connection == "open"
    assert status.decimal_style == "comma"


def test_the_records_are_opened_once_by_many_threads(desk_on):
    desk = desk_on()
    found = []
    threads = [threading.Thread(target=lambda: found.append(desk.session())) for _ in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len({id(session) for session in found}) == 1
    assert len({id(session.store) for session in found}) == 1


def test_who_acts_is_asked_for_and_changed_by_badge(desk_on):
    desk = desk_on(single=False)
    with pytest.raises(UsageError):
        desk.session()
    assert desk.sign_on("2").actor.name == "B. Beispiel"
    assert desk.status().person == "B. Beispiel"
    with pytest.raises(UnknownRecord):
        desk.sign_on("99")
    assert desk.status().person == "B. Beispiel"


def test_a_database_that_is_not_there_is_told_and_can_come_later(tmp_path):
    desk = Desk(Settings(f"sqlite:///{tmp_path / 'plant.sqlite'}"))
    with pytest.raises(DatabaseError):
        desk.status()
    make_plant(tmp_path / "plant.sqlite", single=True)
    assert desk.status().plant == "KA"
    desk.close()


def test_a_place_reads_the_records_and_shows_the_person(desk_on, places, run, settle, screen_text):
    desk = desk_on()
    app = QualrecApp(desk.settings, places, desk)

    async def use(pilot):
        await settle(pilot)
        assert "A. Muster" in screen_text(app)
        assert "NO ACCOUNTS" in screen_text(app)
        got = []
        app.screen.read("plant", lambda session: session.plant.name, got.append)
        app.screen.write("again", lambda session: session.actor.badge, got.append)
        await settle(pilot)
        assert sorted(got) == ["1", "Invented plant"]
        assert app.screen.number(0.5) == "0,5"

    run(app, use)
    assert desk._store is None


def test_a_lost_connection_shows_in_the_status_line(desk_on, places, run, settle, screen_text):
    desk = desk_on()
    app = QualrecApp(desk.settings, places, desk)

    async def use(pilot):
        await settle(pilot)

        def lose(session):
            raise ConnectionLost("The server went away.", "Reload when the network is back.")

        app.screen.read("lots", lose, lambda _: None)
        await settle(pilot)
        assert "! records not reachable" in screen_text(app)
        await pilot.press("f5")
        await settle(pilot)
        assert "! records not reachable" not in screen_text(app)

    run(app, use)


def test_trouble_in_words():
    assert Trouble.of(ConnectionLost("gone", "wait")) == Trouble("gone", "wait", lost=True)
    assert Trouble.of(KeyError("lot")).message == "The program met an error it does not know: KeyError: 'lot'"
    assert Trouble.of(TimeoutError()).message.endswith("TimeoutError")
