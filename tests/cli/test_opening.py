"""Commands that begin things on the line, and those on persons and gauges, as a user calls them on the sample plant."""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from qualrec.cli.context import OPTIONS
from qualrec.cli.main import run
from qualrec.work.sample_files import locate

Command = Callable[..., tuple[int, str, str]]


@pytest.fixture
def command(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path, sample_plant: Path
) -> Command:
    for variable in ("QUALREC_DB", "QUALREC_BADGE", "QUALREC_STATION", "QUALREC_DECIMAL"):
        monkeypatch.delenv(variable, raising=False)
    monkeypatch.setattr("qualrec.config.settings_file", lambda env=None: tmp_path / "none.toml")

    def call(badge: str, *arguments: str) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["qualrec", "--db", str(sample_plant), "--badge", badge, *arguments])
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
        return code, out, err

    return call


def test_a_lot_from_its_resin_to_its_first_pull(command: Command) -> None:
    code, out, err = command(
        "T-01", "receive", "R-9001", "--material", "PBT-GF30-NAT", "--expires", "2099-12-31"
    )
    assert (code, err) == (0, "")
    assert out.startswith("Delivery R-9001 of PBT-GF30-NAT (resin) entered")
    code, out, _ = command("T-01", "mould", "U9001", "--component", "FM-2041", "--delivery", "R-9001=100")
    assert code == 0
    assert "from R-9001=100" in out
    code, out, _ = command("T-01", "mould", "L9001", "--component", "FM-2042")
    assert "no delivery named" in out
    code, out, _ = command(
        "T-01", "weld", "FM90001", "--part", "FM-2040", "--upper", "U9001", "--lower", "L9001", "--at", "LW-1",
        "--parts", "480",
    )  # fmt: skip
    assert code == 0
    assert "opened: RC-2040 revision 2, LW-1, upper U9001, lower L9001." in out
    assert "It owes 5 PULL, 5 COL, 5 TTP, 20 TRN." in out
    code, out, _ = command("T-01", "log", "FM90001", "PULL", "612,4", "--mode", "cohesive")
    assert code == 0
    code, out, _ = command("T-01", "go-on", "FM90001", "--upper", "U0061", "--json")
    assert json.loads(out)["lot"] == "FM90001"
    code, out, _ = command("T-01", "end", "FM90001", "--parts", "470")
    assert "470 parts" in out
    code, out, _ = command("Q-01", "supplies", "--json", "--most", "2")
    found = json.loads(out)
    assert [m["number"] for m in found["moulding_lots"]] == ["L9001", "U9001"]
    assert found["deliveries"][0]["supplier_lot"] == "R-9001"
    _, out, err = command("Q-01", "supplies", "--most", "2")
    assert "R-9001" in out
    assert "--most" in err


def test_refusals_name_what_there_is(command: Command) -> None:
    code, out, err = command("T-01", "weld", "FM90001", "--part", "FM-2040")
    assert (code, out) == (2, "")
    assert "LW-1, LW-2" in err
    code, _, err = command("T-01", "weld", "FM00061", "--part", "FM-2040", "--at", "LW-1")
    assert code == 1
    assert "FM00061" in err
    code, _, err = command("A-01", "receive", "R-9", "--material", "PBT-GF30-NAT")
    assert code == 1
    assert "may not" in err
    code, _, err = command("T-01", "supply", "U0061", "accepted", "--reason", "fine")
    assert code == 1
    code, out, _ = command("T-01", "supply", "U0061", "on hold", "--reason", "transmission low")
    assert (code, out.startswith("Moulding lot U0061 is on hold.")) == (0, True)


def test_persons_and_gauges(command: Command) -> None:
    code, out, _ = command("X-01", "person", "N-1", "--name", "Invented new", "--role", "technician")
    assert (code, out) == (
        0,
        "Invented new added with badge N-1: technician. Next, a password or PIN: qualrec secret N-1\n",
    )
    code, out, _ = command("X-01", "person", "N-1", "--state", "disabled", "--reason", "left")
    assert "disabled" in out
    code, out, _ = command("X-01", "persons", "--json")
    assert {p["badge"]: p["state"] for p in json.loads(out)}["N-1"] == "disabled"
    code, _, err = command("N-1", "lots")
    assert code == 1
    assert "disabled" in err
    code, out, _ = command(
        "T-01", "gauge-check", "TM-01", "--reference", "25", "--found", "25,2", "--tolerance", "0,5"
    )
    assert (code, "good" in out) == (0, True)
    code, out, _ = command("Q-01", "calibration", "TM-01", "--day", "2026-10-30", "--verdict", "good")
    assert (code, "due again" in out) == (0, True)


def test_a_chart_tells_events_in_words_and_imports_number_their_batches_as_people_see_them(
    command: Command,
) -> None:
    _, out, _ = command("Q-01", "chart", "FM-2040", "TTP")
    assert "event: clamp glass cleaned" in out
    assert "glass_cleaned" not in out
    file = str(locate("tester_pulls.csv"))
    _, out, _ = command("T-01", "import", file)
    number = re.search(r"; batch (\d+)\.", out)
    assert number is not None
    assert int(number[1]) < 100_000
    _, out, err = command("T-01", "import", file)
    assert f"batch {number[1]}," in out + err


def test_value_and_mode_are_not_corrected_in_one(command: Command) -> None:
    code, _, err = command(
        "T-01", "correct", "FM00060", "PULL", "1", "--value", "600", "--mode", "cohesive", "--reason", "x"
    )
    assert code == 2
    assert "one of" in err


def test_the_repeat_of_a_test_fault_is_named(command: Command) -> None:
    command("T-01", "log", "FM00061", "PULL", "612,4", "--mode", "test fault")
    code, out, _ = command(
        "T-01", "log", "FM00061", "PULL", "598,1", "--mode", "cohesive", "--repeat-of", "1", "--json"
    )
    assert code == 0
    assert json.loads(out)["rows"][0]["pull"]["repeat_of"] == 1
    assert json.loads(out)["rows"][0]["pull"]["attempt"] == 2
