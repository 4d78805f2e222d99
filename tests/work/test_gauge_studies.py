"""Stored studies on both databases: planned, entered, taken back from a sheet, worked out, withdrawn; who may do what."""

from __future__ import annotations

import csv
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from openpyxl import load_workbook

from qualrec.errors import ComputeError, FileRefused, Refused, UnknownRecord, UsageError
from qualrec.judge.study_plan import runs_of
from qualrec.records import lookups, trail
from qualrec.work import gauge_studies as studies
from qualrec.work.study_plans import Wanted, blank, named

CROSSED = Wanted(
    "crossed",
    gauge="TM-01",
    part="FM-2040",
    code="TRN",
    parts=("1", "2", "3"),
    people=("T-01", "T-02"),
    trials=2,
    seed="seven",
)


def value(factors: dict[str, str]) -> str:
    step = 0.2 if factors.get("person") == "T-02" else 0.0
    return f"{20 + 2 * int(factors['part']) + step + 0.05 * int(factors['trial']):.2f}"


def filled(
    plant: Any, number: str, path: Path, change: Callable[[list[str], dict[str, int]], None] | None = None
) -> Path:
    """The CSV sheet of a study filled in; `change` may spoil a row."""
    session = plant.as_badge("T-01")
    studies.write_sheet(session, number, path)
    with path.open(encoding="utf-8-sig", newline="") as file:
        head, *rows = list(csv.reader(file))
    place = {name: at for at, name in enumerate(head)}
    for row in rows:
        row[-1] = value({name: row[place[name]] for name in ("part", "person", "trial")})
        if change is not None:
            change(row, place)
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows([head, *rows])
    return path


def test_a_study_from_plan_to_verdict(lean_plant: Any) -> None:
    engineer, technician = lean_plant.as_badge("P-01"), lean_plant.as_badge("T-01")
    page = studies.plan_study(engineer, CROSSED)
    number = page.line.study.number
    assert (number, page.line.gauge, page.line.code) == ("GS-001", "TM-01", "TRN")
    assert page.plan is not None
    assert (page.plan.unit, page.plan.lsl, page.plan.usl) == ("%", 15.0, None)
    assert [dict(r.factors) for r in page.runs] == list(runs_of(page.plan))
    first = page.runs[0]
    assert "11 of 12 are open" in studies.enter(technician, number, {1: value(dict(first.factors))})[0]
    with pytest.raises(Refused, match="11 of 12 runs are open"):
        studies.work_out(engineer, number)
    studies.enter(technician, number, {r.position: value(dict(r.factors)) for r in page.runs})
    done = studies.work_out(engineer, number)
    assert done.line.study.state == "analysed"
    assert done.line.study.verdict == "acceptable"
    assert done.line.study.analysis["grr_pct"] == pytest.approx(done.working.data["pct_grr"])
    found, same = studies.worked_again(engineer, number)
    assert same
    assert found.data["verdict"] == "acceptable"
    with pytest.raises(Refused, match="analysed"):
        studies.enter(technician, number, {1: "99"}, reason="too late")
    assert trail.verify(lean_plant.store).ok


def test_a_changed_entry_needs_a_reason_and_the_trail_keeps_both(lean_plant: Any) -> None:
    technician = lean_plant.as_badge("T-01")
    studies.plan_study(lean_plant.as_badge(), CROSSED)
    studies.enter(technician, "GS-001", {3: "21,5"})
    studies.enter(technician, "GS-001", {3: "21.50"})  # the same value again is no change
    with pytest.raises(Refused, match="has an entry already"):
        studies.enter(technician, "GS-001", {3: "22"})
    studies.enter(technician, "GS-001", {3: "22"}, reason="read off the wrong scale")
    with lean_plant.store.read() as conn:
        study = lookups.study(conn, "GS-001")
        run = lookups.study_runs(conn, study.id)[2]
        rows = [r for r in lookups.trail_rows(conn, limit=50) if r.act == "study run changed"]
    assert run.value == 22.0
    assert len(rows) == 1
    assert '"value":21.5' in rows[0].content
    assert '"value":22' in rows[0].content
    assert "wrong scale" in rows[0].content


def test_entries_that_are_none_are_refused_whole(lean_plant: Any) -> None:
    studies.plan_study(lean_plant.as_badge(), CROSSED)
    for given, words in (
        ({}, "Nothing is entered"),
        ({99: "1"}, "no run 99"),
        ({1: "1", 2: "heavy"}, "heavy"),
        ({1: "1.234"}, "1234"),
        ({1: "5 N"}, "N"),
    ):
        with pytest.raises(UsageError, match=words):
            studies.enter(lean_plant.as_badge("T-01"), "GS-001", given)
    assert studies.study_page(lean_plant.as_badge(), "GS-001").line.entered == 0


def test_a_filled_sheet_comes_back_as_csv_and_as_workbook(lean_plant: Any, tmp_path: Path) -> None:
    session = lean_plant.as_badge()
    studies.plan_study(session, CROSSED)
    said = studies.take_sheet(session, "GS-001", filled(lean_plant, "GS-001", tmp_path / "a.csv"))
    assert said == ("Study GS-001: 12 runs entered, all runs are entered: analyse the study.",)
    assert "hold what is entered already" in studies.take_sheet(session, "GS-001", tmp_path / "a.csv")[1]
    studies.plan_study(session, replace(CROSSED, seed="eight"))
    path = tmp_path / "b.xlsx"
    studies.write_sheet(session, "GS-002", path)
    book = load_workbook(path)
    page = book.active
    top = next(r for r in range(1, 20) if page.cell(r, 1).value == "study")
    names = [c.value for c in page[top]]
    for row in page.iter_rows(min_row=top + 1):
        factors = {n: str(c.value) for n, c in zip(names, row, strict=True)}
        row[-1].value = float(value(factors)) if factors["run"] != "4" else None
    book.save(path)
    said = studies.take_sheet(session, "GS-002", path)
    assert said[0].startswith("Study GS-002: 11 runs entered, 1 of 12 are open")
    assert said[1] == "1 rows are empty."


SPOILED: dict[str, tuple[str, str, str]] = {
    "value": ("value", "heavy", "is not a number"),
    "formula": ("value", "=1+1", "is not a number"),
    "run": ("run", "77", "no run '77'"),
    "run as text": ("run", "seven", "no run 'seven'"),
    "part": ("part", "9", "is planned with"),
    "person": ("person", "T-09", "is planned with"),
    "study": ("study", "GS-099", "is not study GS-001"),
    "twice": ("run", "1", "stands in row"),
}


def test_every_wrong_row_is_named_and_nothing_is_taken(lean_plant: Any, tmp_path: Path) -> None:
    session = lean_plant.as_badge()
    studies.plan_study(session, CROSSED)
    kinds = {str(run): kind for run, kind in enumerate(SPOILED, 3)}

    def spoil(row: list[str], place: dict[str, int]) -> None:
        kind = kinds.get(row[place["run"]])
        if kind is not None:
            column, text, _ = SPOILED[kind]
            row[place[column]] = text

    path = filled(lean_plant, "GS-001", tmp_path / "bad.csv", spoil)
    with pytest.raises(FileRefused) as refused:
        studies.take_sheet(session, "GS-001", path)
    problems = refused.value.problems
    assert {p.row for p in problems} == {int(run) + 1 for run in kinds}
    for run, kind in kinds.items():
        column, _, words = SPOILED[kind]
        told = [p for p in problems if p.row == int(run) + 1 and p.column == column]
        assert any(words in p.message for p in told), kind
    assert studies.study_page(session, "GS-001").line.entered == 0


def test_a_sheet_does_not_change_an_entry(lean_plant: Any, tmp_path: Path) -> None:
    session = lean_plant.as_badge()
    studies.plan_study(session, CROSSED)
    studies.enter(session, "GS-001", {2: "99"})
    with pytest.raises(FileRefused, match="1 problem"):
        studies.take_sheet(session, "GS-001", filled(lean_plant, "GS-001", tmp_path / "a.csv"))
    assert studies.study_page(session, "GS-001").line.entered == 1


def test_decimal_commas_of_a_sheet_are_read_as_one_style(lean_plant: Any, tmp_path: Path) -> None:
    session = lean_plant.as_badge()
    studies.plan_study(session, CROSSED)
    path = filled(
        lean_plant,
        "GS-001",
        tmp_path / "a.csv",
        lambda row, place: row.__setitem__(-1, row[-1].replace(".", ",")),
    )
    studies.take_sheet(session, "GS-001", path)
    page = studies.study_page(session, "GS-001")
    assert {r.value for r in page.runs} == {float(value(dict(r.factors))) for r in page.runs}


def test_agreement_of_failure_modes_takes_the_words_in_any_case_and_counts_for_the_part(
    lean_plant: Any,
) -> None:
    session = lean_plant.as_badge()
    with lean_plant.store.read() as conn:
        pull = lookups.characteristic(conn, "FM-2040", "PULL")
        (before,) = lookups.study_standing(conn, [pull])
    assert before.missing == ("gauge study", "agreement study")
    wanted = replace(
        blank("agreement"),
        part="FM-2040",
        code="PULL",
        parts=named("1-4"),
        people=("T-01", "T-02"),
        trials=1,
        references={"1": "interfacial", "2": "cohesive", "3": "parent material", "4": "cohesive"},
        good="parent material",
    )
    page = studies.plan_study(session, wanted)
    assert "test fault" not in page.plan.classes
    with pytest.raises(UsageError, match="none of the classes"):
        studies.enter(session, "GS-001", {1: "torn"})
    calls = {r.position: str(wanted.references[r.factors["part"]]).upper() for r in page.runs}
    studies.enter(session, "GS-001", calls)
    done = studies.work_out(session, "GS-001")
    assert done.working.data["kappa"] == pytest.approx(1.0)
    assert done.working.data["reference"]["T-01"]["right"] == 4
    with lean_plant.store.read() as conn:
        (after,) = lookups.study_standing(conn, [pull])
    assert after.missing == ("gauge study",)
    assert after.agreement.number == "GS-001"
    studies.withdraw(session, "GS-001", reason="parts mixed up")
    with lean_plant.store.read() as conn:
        (gone,) = lookups.study_standing(conn, [pull])
    assert gone.missing == ("gauge study", "agreement study")


def test_open_runs_are_left_out_on_purpose_only_and_counted(lean_plant: Any) -> None:
    session = lean_plant.as_badge()
    wanted = Wanted("bias", gauge="TM-01", parts=("plaque",), trials=12, references={"plaque": "25,0"})
    page = studies.plan_study(session, wanted)
    with pytest.raises(ComputeError):
        studies.work_out(session, "GS-001", leave_open=True)
    found = {r.position: f"{25.1 + 0.1 * (r.position % 3)}" for r in page.runs[:10]}
    studies.enter(session, "GS-001", found)
    done = studies.work_out(session, "GS-001", leave_open=True)
    assert done.working.data["n"] == 10
    assert done.line.study.verdict == "not acceptable"
    assert "2 of 12 runs are open and left out." in done.working.notes
    assert done.working.data["bias"] == pytest.approx(sum(0.1 + 0.1 * (n % 3) for n in range(1, 11)) / 10)


def test_what_a_plan_is_refused_for(lean_plant: Any) -> None:
    session = lean_plant.as_badge()
    for wanted, error, words in (
        (replace(CROSSED, gauge=""), UsageError, "names the gauge"),
        (replace(CROSSED, gauge="TM-99"), UnknownRecord, "TM-99"),
        (replace(CROSSED, part=""), UsageError, "part of the characteristic"),
        (replace(CROSSED, people=("Sample technician A", "B")), UsageError, "name of a person"),
        (replace(CROSSED, design="guess"), UsageError, "not known"),
    ):
        with pytest.raises(error, match=words):
            studies.plan_study(session, wanted)
    studies.plan_study(session, replace(CROSSED, number="S-1"))
    with pytest.raises(Refused, match="there already"):
        studies.plan_study(session, replace(CROSSED, number="S-1"))
    assert lean_plant.rows("SELECT count(*) FROM study") == [(1,)]


def test_an_overdue_gauge_at_the_time_of_the_runs_is_said(lean_plant: Any) -> None:
    session = lean_plant.as_badge()
    lean_plant.clock[0] += 400 * 86_400_000_000
    page = studies.plan_study(session, CROSSED)
    studies.enter(session, "GS-001", {r.position: value(dict(r.factors)) for r in page.runs})
    notes = studies.work_out(session, "GS-001").working.notes
    assert "Of gauge TM-01 at the time of the runs: gauge overdue." in notes


def test_rights(lean_plant: Any) -> None:
    studies.plan_study(lean_plant.as_badge("P-01"), CROSSED)
    for badge, plans, enters in (("A-01", False, False), ("T-01", False, True), ("P-01", True, True)):
        session = lean_plant.as_badge(badge)
        if enters:
            studies.enter(session, "GS-001", {1: "20"})
        else:
            with pytest.raises(Refused, match="may not enter studies"):
                studies.enter(session, "GS-001", {1: "20"})
            with pytest.raises(Refused, match="may not enter studies"):
                studies.take_sheet(session, "GS-001", Path("none.csv"))
        if not plans:
            for act in (
                lambda session=session: studies.plan_study(session, CROSSED),
                lambda session=session: studies.work_out(session, "GS-001"),
                lambda session=session: studies.withdraw(session, "GS-001", reason="x"),
            ):
                with pytest.raises(Refused, match="may not plan studies"):
                    act()


def test_a_special_characteristic_without_a_gauge_study_leaves_the_element_of_a_submission_missing(
    lean_plant: Any,
) -> None:
    from qualrec.export.messages import Words
    from qualrec.export.pack import MISSING, SUPPLIED
    from qualrec.work.submission_state import Held, element_states

    with lean_plant.store.read() as conn:
        part = lookups.part(conn, "FM-2040")
        special = [c for c in lookups.characteristics(conn, "FM-2040") if c.special_class != "standard"]
        lacking = [
            s.characteristic.code
            for s in lookups.study_standing(conn, special)
            if lookups.GAUGE_STUDY in s.missing
        ]
    assert lacking == ["PULL", "TRN"]
    for codes, state in ((lacking, MISSING), ([], SUPPLIED)):
        held = Held(part, (), 0, (), ("GS-001",), 0, unstudied=codes)
        (element,) = [e for e in element_states("3", held, Words("en")) if e.number == 8]
        assert element.state == state
        assert ("PULL, TRN" in element.note) == bool(codes)
