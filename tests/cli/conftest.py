"""Fixtures of the command tests: `calc_json` runs a `calc` command in this process, `calc_program` as a user does."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import typer

from qualrec.cli.calc import calc
from qualrec.cli.context import OPTIONS
from qualrec.cli.main import run as run_program

Run = Callable[..., dict[str, Any]]
Program = Callable[..., tuple[int, str, str]]


@pytest.fixture
def calc_json(capsys: pytest.CaptureFixture[str]) -> Run:
    """Runs one command with --json and gives its data."""

    def run(*args: object) -> dict[str, Any]:
        capsys.readouterr()
        command = typer.main.get_command(calc)
        command.main([*map(str, args), "--json"], prog_name="qualrec calc", standalone_mode=False)
        return json.loads(capsys.readouterr().out)

    return run


@pytest.fixture
def calc_program(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Program:
    """Runs `qualrec calc …` as a user does: exit code, stdout, stderr."""

    def program(*args: object) -> tuple[int, str, str]:
        capsys.readouterr()
        monkeypatch.setattr(sys, "argv", ["qualrec", "calc", *map(str, args)])
        with pytest.raises(SystemExit) as ended:
            run_program()
        out = capsys.readouterr()
        return int(ended.value.code or 0), out.out, out.err

    return program


@pytest.fixture
def program(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> Callable[..., tuple[int, str, str]]:
    """Runs `qualrec --db DATABASE ...` as a user does: exit code, stdout, stderr. A traceback is a failure."""
    for variable in ("QUALREC_DB", "QUALREC_BADGE", "QUALREC_STATION", "QUALREC_THEME", "QUALREC_DECIMAL"):
        monkeypatch.delenv(variable, raising=False)
    monkeypatch.setattr("qualrec.config.settings_file", lambda env=None: tmp_path / "none.toml")

    def call(database: object, *arguments: str) -> tuple[int, str, str]:
        monkeypatch.setattr(sys, "argv", ["qualrec", "--db", str(database), *arguments])
        capsys.readouterr()
        code = 0
        try:
            run_program()
        except SystemExit as stop:
            code = int(stop.code or 0)
        finally:
            OPTIONS.db = OPTIONS.badge = OPTIONS.station = OPTIONS.theme = OPTIONS.ascii = None
        shown = capsys.readouterr()
        assert "Traceback" not in shown.out + shown.err
        return code, shown.out, shown.err

    return call


@pytest.fixture
def pulls_table(tmp_path: Path) -> Path:
    path = tmp_path / "pulls.csv"
    rows = [
        (lot, who, 100 + 3 * lot + who + k) for lot in range(1, 7) for who in range(1, 3) for k in range(2)
    ]
    lines = [f"L{lot},P{who},{value},{'yes' if value % 3 else 'no'}" for lot, who, value in rows]
    path.write_text("lot,person,force,failed\n" + "\n".join(lines) + "\n", encoding="utf-8")
    return path
