"""Accounts from the command line: passwords by file, terminal or stdin, never as an argument. All of it invented."""

from __future__ import annotations

import io
import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from qualrec.cli.context import OPTIONS
from qualrec.cli.main import run

PASSWORD = "seven plain words"
Command = Callable[..., tuple[int, str, str]]


@pytest.fixture
def call(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> Command:
    """Call `qualrec` on an own database: `said` is what stdin holds, `secret` what the named file holds."""
    for variable in ("QUALREC_DB", "QUALREC_BADGE", "QUALREC_STATION", "QUALREC_THEME", "QUALREC_DECIMAL"):
        monkeypatch.delenv(variable, raising=False)
    monkeypatch.setattr("qualrec.config.settings_file", lambda env=None: tmp_path / "none.toml")

    def go(
        *arguments: str, badge: str = "X1", said: str = "", secret: str | None = PASSWORD
    ) -> tuple[int, str, str]:
        monkeypatch.delenv("QUALREC_SECRET_FILE", raising=False)
        if secret is not None:
            (tmp_path / "secret").write_text(secret + "\n", encoding="utf-8")
            monkeypatch.setenv("QUALREC_SECRET_FILE", str(tmp_path / "secret"))
        monkeypatch.setattr(sys, "stdin", io.StringIO(said))
        place = str(tmp_path / "own.sqlite")
        monkeypatch.setattr(sys, "argv", ["qualrec", "--db", place, "--badge", badge, *arguments])
        capsys.readouterr()
        code = 0
        try:
            run()
        except SystemExit as stop:
            code = int(stop.code or 0)
        finally:
            OPTIONS.db = OPTIONS.badge = OPTIONS.station = OPTIONS.theme = OPTIONS.ascii = None
        out, err = capsys.readouterr()
        assert "Traceback" not in out + err
        assert not any(text in out + err for text in (PASSWORD, "another plain one") if text)
        return code, out, err

    return go


@pytest.fixture
def plant(call: Command) -> Command:
    made = ("db", "create", "--code", "P1", "--person", "Ada Admin", "--administrator", "X1", "--stdin")
    code, out, _ = call(*made, said=f"{PASSWORD}\n")
    assert (code, "first administrator Ada Admin (badge X1)" in out) == (0, True)
    return call


def test_the_first_administrator_needs_a_password_that_holds(call: Command) -> None:
    code, _, err = call("db", "create", "--stdin", said="short\n")
    assert (code, "10 to 200 signs" in err) == (2, True)
    code, _, err = call("db", "create")
    assert (code, "--single-user" in err, "--stdin" in err) == (2, True, True)


def test_who_acts_is_proved_by_a_named_file_or_not_at_all(plant: Command) -> None:
    assert plant("accounts")[1].startswith("Plant P1 keeps accounts")
    assert json.loads(plant("accounts", "--json")[1]) == {"plant": "P1", "accounts": True}
    code, out, err = plant("lots", secret=None)
    assert (code, out, "QUALREC_SECRET_FILE" in err) == (2, "", True)
    code, out, err = plant("lots", secret="another plain one")
    assert (code, out, "Wrong password or PIN for Ada Admin" in err) == (1, "", True)
    code, _, err = plant("persons", badge="X9")
    assert (code, "No person has the badge" in err) == (2, True)


def test_a_file_that_cannot_be_read_is_said(
    plant: Command, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    from qualrec.cli import secret_entry
    from qualrec.errors import UsageError

    monkeypatch.setenv("QUALREC_SECRET_FILE", str(tmp_path / "not there"))
    with pytest.raises(UsageError, match="cannot be read"):
        secret_entry.ask(type("Who", (), {"name": "A", "badge": "X1"})())


def test_at_a_terminal_a_new_secret_is_asked_twice(monkeypatch: pytest.MonkeyPatch) -> None:
    from qualrec.cli import secret_entry
    from qualrec.errors import Refused

    class Terminal(io.StringIO):
        def isatty(self) -> bool:
            return True

    monkeypatch.setattr(sys, "stdin", Terminal())
    given = iter(("another plain one", "another plain one", "one", "two"))
    monkeypatch.setattr("getpass.getpass", lambda prompt: next(given))
    assert secret_entry.new("password", "T1", from_stdin=False) == "another plain one"
    with pytest.raises(Refused, match="not the same"):
        secret_entry.new("password", "T1", from_stdin=False)


def test_a_person_comes_signs_on_is_locked_unlocked_and_leaves(plant: Command) -> None:
    assert plant("person", "T1", "--name", "Tom Tester", "--role", "technician")[0] == 0
    assert "neither a password nor a PIN" in plant("lots", badge="T1")[2]
    assert plant("secret", "T1", "--pin", "--stdin", said="48213\n")[0] == 0
    assert plant("lots", badge="T1", secret="48213")[0] == 0
    shown = plant("persons")[1]
    assert "PIN" in shown
    for _ in range(5):
        assert plant("lots", badge="T1", secret="11112")[0] == 1
    assert "locked until" in plant("persons")[1]
    assert "is locked until" in plant("lots", badge="T1", secret="48213")[2]
    assert plant("unlock", "T1", "--reason", "typed by a colleague")[0] == 0
    assert plant("lots", badge="T1", secret="48213")[0] == 0
    assert plant("person", "T1", "--state", "disabled", "--reason", "left")[0] == 0
    code, out, err = plant("lots", badge="T1", secret="48213")
    assert (code, out, "is disabled" in err) == (1, "", True)


def test_a_pin_acts_and_the_password_signs(sample_plant: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """In one command the password given for it also signs; with a PIN the signature is refused."""
    from qualrec import config
    from qualrec.errors import Refused
    from qualrec.records import lookups, registry
    from qualrec.values import Actor
    from qualrec.work import lots, passwords, session

    settings = config.Settings(f"sqlite:///{sample_plant}", badge="Q-01")
    with session.open_records(settings.database_url) as store, store.write(Actor(None, "set-up")) as writer:
        who = lookups.person_by_badge(writer.conn, "Q-01")
        registry.set_secrets(
            writer, who.id, password_hash=passwords.hashed(PASSWORD), pin_hash=passwords.hashed("48213")
        )
    hold: dict[str, Any] = {"reason": "x"}
    with (
        session.open_session(settings, lambda actor: "48213") as s,
        pytest.raises(Refused, match="again to sign"),
    ):
        lots.dispose(s, "FM00059", "hold", **hold)
    with session.open_session(settings, lambda actor: PASSWORD) as s:
        assert "signed by" in lots.dispose(s, "FM00059", "hold", **hold)
        marked = [one for one in s.remarks if PASSWORD in one]
    assert marked == []


def test_no_command_takes_a_password_as_an_argument() -> None:
    """Arguments can be read by others on the machine: every option that names a secret is a switch without a value."""
    from typer.main import get_command

    from qualrec.cli.main import app

    def options(command: Any) -> Any:
        for inner in getattr(command, "commands", {}).values():
            yield from options(inner)
        yield from getattr(command, "params", [])

    for option in options(get_command(app)):
        named = " ".join(option.opts).lower()
        if any(word in named for word in ("password", "pin", "secret")):
            assert option.is_flag, named


def test_a_watch_and_a_carrying_over_take_the_password_by_the_named_file(
    plant: Command, tmp_path: Path
) -> None:
    """These two open the records themselves, so they have to ask by themselves."""
    plant("person", "Q1", "--name", "Quinn", "--role", "quality engineer")
    plant("secret", "Q1", "--stdin", said="another plain one\n")
    (tmp_path / "in").mkdir()
    watch = ("watch", str(tmp_path / "in"), "--once", "--every", "0.01", "--settle", "0.01")
    code, out, _ = plant(*watch, badge="Q1", secret="another plain one")
    assert (code, "Watching" in out) == (0, True)
    code, _, err = plant(*watch, badge="Q1", secret="not this one")
    assert (code, "Wrong password" in err) == (1, True)
    move = ("db", "move", str(tmp_path / "own.sqlite"), str(tmp_path / "new.sqlite"))
    code, _, err = plant(*move, secret="not this one")
    assert (code, "Wrong password" in err, (tmp_path / "new.sqlite").exists()) == (1, True, False)
    code, out, _ = plant(*move)
    assert (code, "Carried over" in out) == (0, True)
