"""The commands as a user calls them: answers on stdout, narration on stderr, exit codes, no traceback ever."""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from qualrec.cli.context import OPTIONS
from qualrec.cli.main import app, run
from qualrec.cli.output import clean, plain
from qualrec.work.sample_files import locate

Command = Callable[..., tuple[int, str, str]]


@pytest.fixture
def command(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path) -> Command:
    """Call `qualrec` with arguments: (exit code, stdout, stderr)."""
    for variable in ("QUALREC_DB", "QUALREC_BADGE", "QUALREC_STATION", "QUALREC_THEME", "QUALREC_DECIMAL"):
        monkeypatch.delenv(variable, raising=False)
    monkeypatch.setattr("qualrec.config.settings_file", lambda env=None: tmp_path / "none.toml")

    def call(*arguments: str) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["qualrec", *arguments])
        capsys.readouterr()
        code = 0
        try:
            run()
        except SystemExit as stop:
            code = int(stop.code or 0)
        out, err = capsys.readouterr()
        assert "Traceback" not in out + err
        OPTIONS.db = OPTIONS.badge = OPTIONS.station = OPTIONS.theme = OPTIONS.ascii = None
        return code, out, err

    return call


@pytest.fixture
def sample(command: Command, sample_plant: Path) -> Command:
    """Commands on a copy of the sample plant."""
    return lambda *arguments: command("--db", str(sample_plant), *arguments)


def test_help_names_every_command(command: Command) -> None:
    code, out, _ = command("--help")
    assert code == 0
    for name in ("demo", "define", "lots", "lot", "log", "correct", "import", "flags", "chart", "limits",
                 "capability", "submission", "db", "calc", "selfcheck", "dispose", "event"):  # fmt: skip
        assert f" {name} " in out


def test_lots_as_table_and_json(sample: Command) -> None:
    code, out, err = sample("lots", "--state", "on hold")
    assert code == 0
    assert "FM00053" in out
    assert "invented" in err
    code, out, _ = sample("lots", "--part", "FM-2040", "--json", "--most", "3")
    rows = json.loads(out)
    assert [r["number"] for r in rows] == ["FM00061", "FM00060", "FM00059"]
    code, _, err = sample("lots", "--state", "lost")
    assert code == 2
    assert "lost" in err


def test_one_lot_on_hold_answers_with_exit_1(sample: Command) -> None:
    code, out, _ = sample("lot", "FM00053")
    assert code == 1
    assert "joint energy" in out
    assert "blocked" in out
    code, out, _ = sample("lot", "FM00010", "--json")
    assert code == 0
    assert json.loads(out)["lot"]["number"] == "FM00010"


def test_corrected_reading_is_shown_with_its_old_value(sample: Command) -> None:
    _, out, _ = sample("lot", "FM00020")
    assert "corrected from" in out
    assert "exchanged" in out


def test_five_pulls_one_interfacial(sample: Command) -> None:
    code, out, _ = sample(
        "--badge", "T-01", "log", "FM00061", "PULL", "612,4", "598.7", "0.604 kN", "--mode", "p"
    )
    assert code == 2 or "pass" in out
    code, out, _ = sample(
        "--badge",
        "T-01",
        "log",
        "FM00061",
        "PULL",
        "612,4",
        "401",
        "--mode",
        "cohesive",
        "--mode",
        "interfacial",
    )
    assert code == 1
    assert "on hold" in out
    assert "Reaction 1" in out


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (("log", "FM00061", "PULL", "1.234", "--mode", "cohesive"), 2, "can be read as"),
        (("log", "FM00061", "PULL", "-5", "--mode", "cohesive"), 2, "outside what can be"),
        (("log", "FM00061", "PULL", "600", "--mode", "cohesive", "--gauge", "TM-99"), 2, "TM-99"),
        (("log", "FM00061", "PULL", "600 mm", "--mode", "cohesive"), 2, "unit of length"),
        (("log", "FM00061", "PULL", "600"), 2, "failure mode is missing"),
        (("log", "FM99999", "PULL", "600", "--mode", "cohesive"), 2, "no lot"),
        (("log", "FM00061", "PULL", "61.2", "--mode", "cohesive"), 1, "second time"),
        (("correct", "FM00061", "PULL", "1", "--reason", "x"), 2, "--void"),
        (("dispose", "FM00053", "release", "--reason", "fine"), 1, "outside the qualified window"),
        (("dispose", "FM00053", "bury", "--reason", "fine"), 2, "no disposition"),
        (("limits", "FM-2040", "PULL", "--leave-out", "FM00038"), 2, "LOT=reason"),
        (("limits", "FM-2040", "PULL", "--freeze"), 2, "reason"),
        (("chart", "FM-2040", "PUL"), 2, "PULL"),
        (("capability", "FM-2041"), 2, "FM-2040"),
        (("submission", "FM-2040", "-o", "no/such/folder/x.xlsx"), 2, "no/such/folder"),
        (("event", "glass broken", "--at", "LW-1"), 2, "clamp glass cleaned"),
        (("--badge", "Z-9", "lots"), 2, "Z-9"),
        (("--badge", "A-01", "log", "FM00061", "PULL", "600", "--mode", "cohesive"), 1, "may not"),
    ],
)
def test_refusals_say_what_and_what_to_do(
    sample: Command, arguments: tuple[str, ...], code: int, words: str
) -> None:
    found, out, err = sample(*arguments)
    assert (found, out) == (code, "")
    assert words in err


def test_flags_tell_figures_rule_and_source(sample: Command) -> None:
    _, out, _ = sample("flags", "--part", "FM-2040", "--level", "H", "--json")
    flags = json.loads(out)
    kinds = {f["kind"] for f in flags}
    assert {"interfacial failure", "outside the qualified window", "recipe revision not approved"} <= kinds
    for flag in flags:
        assert flag["rule"]
        assert flag["source"]
        assert all(finding["sentence"] for finding in flag["findings"])
    _, out, _ = sample("flags", "--lot", "FM00038")
    assert "Reaction 1: Stop the welder" in out


def test_a_flag_is_closed_by_the_number_shown(sample: Command) -> None:
    _, out, _ = sample("flags", "--lot", "FM00053", "--level", "H")
    number = out.partition("[")[2].partition("]")[0]
    code, out, _ = sample("close-flag", number, "--action", "five more pulls good")
    assert code == 0
    assert "Closed" in out


def test_chart_and_capability(sample: Command) -> None:
    code, out, _ = sample("chart", "FM-2040", "TTP")
    assert code == 0
    assert "version 1" in out
    assert "event: clamp glass cleaned" in out
    code, out, _ = sample("capability", "FM-2040", "PULL")
    assert code == 1
    assert "performance, not stable" in out
    assert "95 % lower bound" in out
    _, out, _ = sample("capability", "FM-2040", "PULL", "--json")
    report = json.loads(out)
    assert {link["answer"] for link in report["chain"]["links"]} <= {"yes", "no", "unknown"}
    assert report["index"]["bound"] < report["index"]["value"]


def test_sample_files_come_in_once(sample: Command) -> None:
    code, out, _ = sample("import", str(locate("tester_pulls.csv")))
    assert code == 0
    assert "taken in" in out
    code, out, _ = sample("import", str(locate("tester_pulls.csv")))
    assert code == 0
    assert "Nothing was added" in out
    code, out, err = sample("import", str(locate("tester_pulls_bad.csv")))
    assert (code, out) == (1, "")
    assert "row 8, column Peak force" in err


def test_submission_is_written_and_never_over_a_file(sample: Command, tmp_path: Path) -> None:
    to = tmp_path / "pack.xlsx"
    code, _, _ = sample("submission", "MC-0055", "-o", str(to))
    assert code == 0
    assert to.stat().st_size > 10_000
    code, _, err = sample("submission", "MC-0055", "-o", str(to))
    assert code != 0
    assert "--replace" in err


def test_the_database_itself(sample: Command, command: Command, tmp_path: Path) -> None:
    code, out, _ = sample("db", "status", "--json")
    assert code == 0
    assert json.loads(out)["ready"]
    code, out, _ = sample("db", "verify")
    assert code == 0
    assert "Sound" in out
    code, out, _ = sample("db", "upgrade")
    assert (code, "nothing to do" in out) == (0, True)
    code, _, err = command("--db", str(tmp_path / "none.sqlite"), "lots")
    assert code == 3
    assert "qualrec db create" in err
    code, _, err = command("--db", "mysql://x/y", "lots")
    assert code == 2
    assert "mysql" in err
    own = str(tmp_path / "own.sqlite")
    code, _, err = command("--db", own, "db", "create")
    assert code == 2
    assert "--single-user" in err
    made = ("db", "create", "--code", "P1", "--zone", "Europe/Berlin", "--single-user")
    code, out, _ = command("--db", own, *made)
    assert (code, "without accounts" in out) == (0, True)
    code, out, err = command("--db", own, "define", str(locate("sample_plant.toml")))
    assert code == 0
    assert "4 parts added." in out
    assert "without accounts" in err
    code, _, err = command("--db", own, "db", "create")
    assert code == 3
    assert "already holds" in err


def test_control_signs_never_reach_the_terminal() -> None:
    assert clean("a\x1b[31mb\x07\r") == "a�[31mb��"
    assert plain(float("nan")) is None


def test_registers_are_listed(sample: Command) -> None:
    code, out, _ = sample("parts")
    assert (code, "TRN" in out, "quasi-simultaneous" in out) == (0, True, True)
    code, out, _ = sample("recipes", "--part", "FM-2040")
    assert "revision 2, FM-2040, quasi-simultaneous: approved" in out
    assert "qualified joint energy: 0.34 to 0.47 J/mm²" in out
    code, out, _ = sample("gauges", "--json")
    assert {g["gauge"]["code"] for g in json.loads(out)} >= {"PT-02", "TM-01"}
    code, out, _ = sample("trail", "show", "--most", "5")
    assert code == 0
    assert len(out.splitlines()) == 7
    code, _, err = sample("approve", "RC-2040", "2", "--reason", "again")
    assert code == 1
    assert "approved" in err


def test_every_command_named_in_a_message_exists() -> None:
    """A remedy must not send anybody to a command that is not there."""
    from typer.main import get_command

    root = get_command(app)
    known = set(root.commands)  # type: ignore[attr-defined]
    for group in ("db", "trail"):
        known |= {f"{group} {name}" for name in root.commands[group].commands}  # type: ignore[attr-defined]
    words = re.compile(r"qualrec ((?:(?:db|trail) )?[a-z][a-z-]*)(?=[ '.`\"\n)])")
    named = set()
    for path in Path(run.__code__.co_filename).parents[1].rglob("*.py"):
        for line in path.read_text(encoding="utf-8").splitlines():
            if "import" not in line.split("qualrec")[0]:
                named |= set(words.findall(line))
    assert named - known <= {"again", "import", "calc"}
