"""Problem reports on both databases: opened, written to, linked, overdue, closed; nothing written is ever lost."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

import pytest
from openpyxl import load_workbook

from qualrec.errors import Refused, UnknownRecord, UsageError
from qualrec.records import lookups, trail
from qualrec.records.lookups import DISCIPLINE_DAYS, ProblemReport
from qualrec.work import bench, problems
from qualrec.work.sample_plan import DAY_US
from qualrec.work.target import find_target

LOT = "FM00061"


def seen(plant: Any, number: str) -> ProblemReport:
    with plant.store.read() as conn:
        return lookups.problem(conn, number)


def overdue(plant: Any) -> dict[str, tuple[str, ...]]:
    with plant.store.read() as conn:
        found = {r.number: r.overdue(plant.clock[0]) for r in lookups.problems(conn, state="open")}
    return {number: codes for number, codes in found.items() if codes}


def local_day(plant: Any, at_us: int | None) -> str:
    return plant.as_badge().moment(at_us)[:10]


def flag_of(plant: Any) -> int:
    """A flag raised by a pull."""
    entry = bench.Entry("402.0", mode="interfacial", again="402.0")
    bench.log(plant.as_badge("T-01"), find_target(plant.as_badge("T-01"), LOT, "PULL"), [entry])
    with plant.store.read() as conn:
        return next(f.id for f in lookups.flags(conn, lot=LOT) if f.kind == "interfacial failure")


def test_a_report_from_opening_to_closing(small_plant: Any, tmp_path: Path) -> None:
    plant, session = small_plant, small_plant.as_badge("P-01")
    flag = flag_of(plant)
    said = problems.open_report(session, "Cover comes off", flag_id=flag, due={"5": "2030-01-07"})
    number = f"PR-{local_day(plant, plant.clock[0])[:4]}-001"
    assert said.startswith(f"Problem report {number} opened")
    report = seen(plant, number)
    assert (report.part, report.state, [s.code for s in report.steps]) == (
        "FM-2040",
        "open",
        list(DISCIPLINE_DAYS),
    )
    for step in report.steps:
        wanted = (
            "2030-01-07"
            if step.code == "D5"
            else local_day(plant, plant.clock[0] + DISCIPLINE_DAYS[step.code] * DAY_US)
        )
        assert local_day(plant, step.due_us) == wanted, step.code
    assert local_day(plant, report.due_us) == "2030-01-07"
    assert [(k.kind, k.name) for k in report.links] == [("flag", f"interfacial failure, {LOT}")]

    problems.link(session, number, lot=LOT, moulding_lot="U0061", gauge="PT-02")
    with pytest.raises(Refused, match="linked to that lot already"):
        problems.link(session, number, lot=LOT)
    assert [k.kind for k in seen(plant, number).links] == ["flag", "lot", "moulding lot", "gauge"]

    photo = tmp_path / "joint.png"
    photo.write_bytes(b"picture")
    problems.file_evidence(session, number, photo, name="Photo of the joint")
    (filed,) = seen(plant, number).evidence
    assert filed.digest == hashlib.sha256(b"picture").hexdigest()
    assert problems.look_at(filed) == problems.AS_RECORDED
    photo.write_bytes(b"another")
    assert problems.look_at(filed) == problems.CHANGED
    photo.unlink()
    assert problems.look_at(filed) == problems.NOT_FOUND

    with pytest.raises(Refused, match="Nothing is written under D4"):
        problems.write_step(session, number, "D4", done=True)
    problems.write_step(session, number, "d4", text="Glass was dirty.", owner="Q-01")
    problems.write_step(session, number, "4", text="=Shown by trial.", due="2030-02-01", done=True)
    step = seen(plant, number).steps[4]
    assert [e.text for e in step.entries] == ["Glass was dirty.", "=Shown by trial."]
    assert (step.owner, step.done_us, step.done_by) == (
        "Sample quality engineer",
        plant.clock[0],
        session.actor.name,
    )
    assert local_day(plant, seen(plant, number).due_us) == "2030-02-01"
    with pytest.raises(Refused, match=f"D4 of {number} is done"):
        problems.write_step(session, number, "D4", text="more")

    quality = plant.as_badge("Q-01")
    with pytest.raises(Refused, match="D0, D1, D2, D3, D5, D6, D7, D8 not done"):
        problems.close(quality, number, "solved")
    for code in ("D0", "D1", "D2", "D3", "D5", "D6", "D7", "D8"):
        problems.write_step(session, number, code, text="Not needed: one part.", done=True)
    with pytest.raises(Refused, match="may not close problems"):
        problems.close(session, number, "solved")
    problems.close(quality, number, "Joint holds again.")
    closed = seen(plant, number)
    assert (closed.state, closed.next_step, closed.overdue(plant.clock[0] + 9000 * DAY_US)) == (
        "closed",
        None,
        (),
    )
    assert closed.closed is not None
    assert (closed.closed.text, closed.closed.person) == ("Joint holds again.", quality.actor.name)
    for late in (
        lambda: problems.write_step(session, number, "D1", text="x"),
        lambda: problems.link(session, number, lot="FM00060"),
        lambda: problems.close(quality, number, "again"),
    ):
        with pytest.raises(Refused, match=r"closed|done"):
            late()
    assert trail.verify(plant.store).ok

    for ending in ("xlsx", "pdf"):
        problems.export(plant.as_badge("A-01"), number, tmp_path / f"report.{ending}", language="de")
    cells = [c for row in load_workbook(tmp_path / "report.xlsx").active.iter_rows() for c in row]
    assert {"Glass was dirty.", "=Shown by trial.", "dort nicht gefunden", "D7 Wiederholung verhindert"} <= {
        c.value for c in cells
    }
    assert not [c for c in cells if c.data_type == "f"]


def test_overdue_disciplines_are_told(small_plant: Any) -> None:
    plant, session = small_plant, small_plant.as_badge("Q-01")
    problems.open_report(session, "One", number="A-1", lot=LOT)
    problems.open_report(session, "Two", number="A-2", part="FM-2040")
    assert overdue(plant) == {}
    plant.clock[0] += 2 * DAY_US
    assert overdue(plant) == {"A-1": ("D0", "D3"), "A-2": ("D0", "D3")}
    problems.write_step(session, "A-1", "D0", text="Stopped.", done=True)
    problems.write_step(session, "A-1", "D3", due="2035-01-01")
    assert overdue(plant) == {"A-2": ("D0", "D3")}
    with plant.store.read() as conn:
        lot = lookups.lot(conn, LOT)
        assert [r.number for r in lookups.problems(conn, lot_id=lot.id)] == ["A-1"]


def test_what_is_not_taken(small_plant: Any, tmp_path: Path) -> None:
    session = small_plant.as_badge("P-01")
    problems.open_report(session, "One", number="A-1")
    before = small_plant.counts()
    refused = (
        (Refused, lambda: problems.open_report(session, "Again", number="A-1")),
        (UsageError, lambda: problems.open_report(session, " ", number="A-2")),
        (UsageError, lambda: problems.open_report(session, "x", due={"D9": "2030-01-01"})),
        (UsageError, lambda: problems.open_report(session, "x", due={"D3": "soon"})),
        (Refused, lambda: problems.open_report(session, "x" * 201)),
        (UnknownRecord, lambda: problems.open_report(session, "x", lot="none")),
        (UnknownRecord, lambda: problems.write_step(session, "A-9", "D1", text="x")),
        (UsageError, lambda: problems.write_step(session, "A-1", "D1")),
        (UsageError, lambda: problems.write_step(session, "A-1", "D1", text="a\x1bb")),
        (UnknownRecord, lambda: problems.write_step(session, "A-1", "D1", owner="nobody")),
        (UsageError, lambda: problems.link(session, "A-1")),
        (UnknownRecord, lambda: problems.link(session, "A-1", gauge="none")),
        (UsageError, lambda: problems.file_evidence(session, "A-1", tmp_path / "none.png")),
        (UsageError, lambda: problems.document(session, "A-1", language="fr")),
        (Refused, lambda: problems.open_report(small_plant.as_badge("T-01"), "x")),
    )
    for kind, act in refused:
        with pytest.raises(kind):
            act()
    assert small_plant.counts() == before


def test_the_trail_holds_no_name(small_plant: Any) -> None:
    session = small_plant.as_badge("Q-01")
    problems.open_report(session, "One", number="A-1")
    problems.write_step(session, "A-1", "D1", text="Team met.", owner="P-01", done=True)
    content = [
        row[0] for row in small_plant.rows("SELECT content FROM trail WHERE what_table = 'problem_report'")
    ]
    assert len(content) == 2
    assert not [text for text in content if "Sample" in text]
    step = json.loads(json.loads(content[1])["after"]["steps"])["D1"]
    assert step["done_by_id"] == session.actor.person_id
