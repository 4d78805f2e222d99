"""The commands on submissions: the old form, the group, and verifying a workbook whose cell was changed."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from openpyxl import load_workbook

from qualrec.cli.context import OPTIONS
from qualrec.cli.main import run


@pytest.fixture
def call(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path, sample_plant: Path
) -> Callable[..., tuple[int, str, str]]:
    for variable in ("QUALREC_DB", "QUALREC_BADGE", "QUALREC_STATION", "QUALREC_THEME", "QUALREC_DECIMAL"):
        monkeypatch.delenv(variable, raising=False)
    monkeypatch.setattr("qualrec.config.settings_file", lambda *_: tmp_path / "none.toml")

    def run_it(*arguments: str) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["qualrec", "--db", str(sample_plant), *arguments])
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

    return run_it


def test_the_plain_form_in_any_order(call: Callable[..., Any], tmp_path: Path) -> None:
    """`submission PART -o FILE` and `submission -o FILE PART` stay what they were."""
    for at, form in enumerate((("MC-0055", "-o"), ("-o",))):
        to = str(tmp_path / f"{at}.xlsx")
        arguments = (*form, to) if at == 0 else (*form, to, "MC-0055")
        code, out, _ = call("submission", *arguments)
        assert code == 0
        assert f"{to} written: part MC-0055, level 3" in out
    code, out, _ = call("submission", "MC-0055", "-o", str(tmp_path / "j.xlsx"), "--json")
    found = json.loads(out)
    assert {"path", "digest", "level", "elements", "sheets", "trail_seq"} <= found.keys()
    assert found["sheets"][0][0] == "Deckblatt"
    code, _, err = call("submission", "-o", str(tmp_path / "k.xlsx"))
    assert code == 2
    assert "PART" in err


def test_a_submission_through_the_commands(call: Callable[..., Any], tmp_path: Path) -> None:
    code, out, _ = call("submission", "open", "MC-0055", "--elements", "9-11,18")
    assert (code, out.strip()) == (0, "S-0001")
    code, out, _ = call("submission", "show", "S-0001")
    assert code == 1
    assert "agreed list 9, 10, 11, 18" in out
    assert "No workbook is made yet." in out
    code, out, _ = call("submission", "declare", "S-0001")
    assert "weight" in out
    assert "Weight of one part (kg): needed" in out
    code, out, _ = call("submission", "declare", "S-0001", "weight=0,05", "marking=yes")
    assert (code, "2 data" in out) == (0, True)
    code, out, _ = call("submission", "element", "S-0001", "4", "kept", "--reason", "in the design office")
    assert (code, "is kept" in out) == (0, True)
    to = tmp_path / "s.xlsx"
    code, out, err = call("submission", "make", "S-0001", "-o", str(to))
    assert code == 0
    assert "Content " in out
    assert "Rohdaten" in err
    code, out, err = call("submission", "sign", "S-0001", str(to), "--reason", "x")
    assert code == 1
    assert "cannot be signed yet" in err
    code, out, _ = call("submission", "list", "--json")
    assert [s["standing"] for s in json.loads(out)] == ["made"]
    assert call("submission", "verify", str(to))[0] == 0

    book = load_workbook(to)
    book["Rohdaten"]["H4"].value = 123.0
    book.save(to)
    code, out, _ = call("submission", "verify", str(to))
    assert code == 1
    assert "Rohdaten!H4: was " in out
    assert "is 123" in out
    code, out, _ = call("submission", "verify", str(to), "--file-only", "--json")
    assert code == 1
    assert json.loads(out)["changes"][0]["cell"] == "H4"
    code, _, err = call("submission", "verify", str(tmp_path / "none.xlsx"))
    assert (code, "no such file" in err) == (2, True)


def test_customers_due_and_notices(call: Callable[..., Any]) -> None:
    assert "C-WATER" in call("customers")[1]
    code, out, _ = call(
        "customer", "revise", "C-WATER", "--requalify-months", "1", "--bound", "--reason", "new contract"
    )
    assert (code, "months to requalify 1" in out) == (0, True)
    assert "1" in call("customer", "show", "C-WATER")[1]
    assert json.loads(call("customer", "show", "C-WATER", "--json")[1])["uses_bound"] is True
    code, out, _ = call("requalification")
    assert code == 1
    assert out.splitlines()[2].startswith("overdue")
    code, out, _ = call("notice", "begin", "FM-2040", "--kind", "site", "--what", "hall 2")
    assert (code, "7 steps" in out) == (0, True)
    assert call("notice", "done", "1", "1", "--remark", "leave given")[0] == 0
    code, out, _ = call("notice", "list", "--part", "FM-2040")
    assert (code, "leave given" in out) == (1, True)
    code, out, _ = call("equivalence", "FM-2040", "COL", "--change", "2026-06-01", "--margin", "0,05")
    assert (code, "Equivalent" in out) == (0, True)
    code, out, _ = call("equivalence", "FM-2040", "COL", "--change", "2026-06-01", "--margin", "0,0001")
    assert (code, "NOT shown" in out) == (1, True)
