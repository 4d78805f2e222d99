"""The validation record: all cases pass, a falsified one fails, and the record can be written in three forms."""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from qualrec.cli.main import run as run_program
from qualrec.reference import Case, case, load_cases
from qualrec.work import selfcheck, selfcheck_cases


@pytest.fixture(scope="module")
def record() -> selfcheck.SelfCheck:
    return selfcheck.run_selfcheck()


def test_every_case_passes_with_every_quantity(record: selfcheck.SelfCheck) -> None:
    assert [c.id for c in record.cases if not c.passed] == []
    assert (record.passed, record.failed) == (len(load_cases()), 0)
    for found, published in zip(record.cases, load_cases(), strict=True):
        assert [q.name for q in found.quantities] == list(published.expected)
        assert found.source == published.source
        assert found.how_obtained


def test_the_record_says_where_it_was_made(record: selfcheck.SelfCheck) -> None:
    e = record.environment
    assert e.moment.endswith("+00:00")
    assert str(sys.version_info.major) in e.python
    assert set(e.libraries) >= {"numpy", "scipy"}
    assert "not installed" not in e.libraries.values()


def test_cases_that_nobody_could_recompute_are_marked(record: selfcheck.SelfCheck) -> None:
    """The file itself says which cases cannot be recomputed."""
    path = Path(__import__("qualrec.reference").reference.__file__).parent / "cases.json"
    entries = json.loads(path.read_text(encoding="utf-8"))
    doubtful = {e["id"] for e in entries if e["reproduced"] in ("not recomputable", "partly")}
    marked = {c.id for c in record.cases if c.table_unchecked}
    assert doubtful == marked == set(selfcheck.UNCHECKED)
    assert all(selfcheck.UNCHECKED_REMARK in selfcheck.how_text(c) for c in record.cases if c.table_unchecked)


def _falsified(published: Case) -> Case:
    name, expected = next(iter(published.expected.items()))
    return replace(
        published, expected={**published.expected, name: replace(expected, value=expected.value + 1)}
    )


def test_a_falsified_figure_fails() -> None:
    found = selfcheck.check_case(_falsified(case("cap_nist_example")))
    assert found.verdict == "failed"
    assert [q.passed for q in found.quantities].count(False) == 1


def test_a_case_that_raises_is_a_failed_one(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(_: Case) -> dict[str, Any]:
        raise ZeroDivisionError("by nothing")

    monkeypatch.setitem(selfcheck_cases.COMPUTE, "capability", broken)
    found = selfcheck.check_case(case("cap_nist_example"))
    assert (found.verdict, found.error) == ("error", "ZeroDivisionError: by nothing")


@pytest.fixture
def three_cases(monkeypatch: pytest.MonkeyPatch) -> tuple[Case, ...]:
    """The command run on few cases, the last one falsified."""
    few = (case("cap_nist_example"), case("iso2859_plans_a"), _falsified(case("binom_nist_4_of_20")))
    monkeypatch.setattr(selfcheck, "load_cases", lambda: few)
    return few


def _program(monkeypatch: pytest.MonkeyPatch, *args: object) -> int:
    monkeypatch.setattr(sys, "argv", ["qualrec", "selfcheck", *map(str, args)])
    with pytest.raises(SystemExit) as ended:
        run_program()
    return int(ended.value.code or 0)


def test_the_command_passes_and_gives_json(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(selfcheck, "load_cases", lambda: (case("cap_nist_example"),))
    assert _program(monkeypatch, "--json") == 0
    found = json.loads(capsys.readouterr().out)
    assert (found["passed"], found["failed"]) == (1, 0)
    assert found["cases"][0]["quantities"][0]["name"] == "cp"


@pytest.mark.usefixtures("three_cases")
def test_the_command_ends_with_1_where_a_case_fails(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    assert _program(monkeypatch) == 1
    out = capsys.readouterr().out
    assert "FAILED" in out
    assert "binom_nist_4_of_20, lower: expected 1.071354" in out
    assert "table unchecked" in out


@pytest.mark.usefixtures("three_cases")
@pytest.mark.parametrize("ending", ["txt", "json", "xlsx"])
def test_the_record_is_written(ending: str, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    path = tmp_path / f"record.{ending}"
    assert _program(monkeypatch, "-o", path) == 1
    if ending == "xlsx":
        book = openpyxl.load_workbook(path)
        rows = list(book["cases"].iter_rows(values_only=True))
        assert rows[0][0] == "id"
        wrong = [row for row in rows if row[6] == "failed"]
        assert [(row[0], row[2], row[3]) for row in wrong] == [("binom_nist_4_of_20", "lower", 1.071354)]
        assert book["record"]["B3"].value == "FAILED"
    elif ending == "json":
        assert json.loads(path.read_text(encoding="utf-8"))["failed"] == 1
    else:
        text = path.read_text(encoding="utf-8")
        assert "[failed] binom_nist_4_of_20" in text
        assert "NOT WITHIN" in text
        assert "numpy" in text


def test_another_ending_or_folder_is_refused(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    assert _program(monkeypatch, "-o", tmp_path / "record.pdf") == 2
    assert ".xlsx" in capsys.readouterr().err
    monkeypatch.setattr(selfcheck, "load_cases", lambda: (case("cap_nist_example"),))
    assert _program(monkeypatch, "-o", tmp_path / "none" / "record.txt") == 2
    assert "cannot be written" in capsys.readouterr().err
