"""Submissions as records: opened, filled in, made, signed, superseded; a changed cell of the workbook is named."""

from __future__ import annotations

import zipfile
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from openpyxl import load_workbook

from qualrec.config import Settings
from qualrec.errors import Refused, UnknownRecord, UsageError
from qualrec.export.pack import SUPPLIED, Element
from qualrec.export.warrant import WARRANT
from qualrec.records import lookups, registry
from qualrec.records.database import open_store
from qualrec.work import submission_records as records
from qualrec.work.session import Session, make_session
from qualrec.work.signed import signatures_of
from qualrec.work.submission_pack import gather
from qualrec.work.submission_verify import verify_file
from qualrec.work.warrant import element_numbers, lacking, pairs, understood

PART = "MC-0055"
PASSWORD = "invented sample"
DATA = {
    "reason": "first",
    "weight": "0,0412",
    "run_parts": "480",
    "run_hours": "6",
    "substances": "yes",
    "marking": "not needed",
    "explanation": "Few lots so far; more follow.",
}


@pytest.fixture
def plant(plant_url: str) -> Iterator[Session]:
    """The sample plant on each kind of database, as the quality engineer."""
    with open_store(plant_url) as store:
        yield make_session(store, Settings(store.url, badge="Q-01"))


@pytest.fixture
def session(sample_plant: Path) -> Iterator[Session]:
    """The sample plant on SQLite."""
    with open_store(f"sqlite:///{sample_plant}") as store:
        yield make_session(store, Settings(store.url, badge="Q-01"))


def fill(session: Session, number: str) -> None:
    """Set by hand what the records do not hold, and fill in the declaration."""
    with session.store.write(session.actor, session.plant.id) as writer:
        found = lookups.submission(writer.conn, number)
        for element in range(1, 18):
            registry.set_element(writer, found.id, element, "referenced", reason="invented file 12")
    records.fill_in(session, number, DATA)


def test_from_open_to_superseded(plant: Session, tmp_path: Path) -> None:
    """GIVEN a plant WHEN a submission is made and signed THEN file and records say the same, until one is changed."""
    number = records.open_submission(plant, PART)
    assert number == "S-0001"
    page = records.page(plant, number)
    assert page.submission.standing == "open"
    assert any("No workbook" in words for words in page.stands)
    fill(plant, number)
    made = records.make_file(plant, number, tmp_path / "s1.xlsx")
    assert records.record(plant, number).standing == "made"
    assert records.record(plant, number).file_digest == made.digest
    found = verify_file(plant, made.path)
    assert (found.sound, found.number, found.standing) == (True, number, "made")

    assert records.page(plant, number).stands == ()
    with pytest.raises(Refused, match="password again"):
        records.sign_file(plant, number, made.path, reason="All shown")
    said = records.sign_file(plant, number, made.path, reason="All shown", password=PASSWORD)
    assert "signed by" in said
    found = verify_file(plant, made.path)
    assert (found.sound, found.standing) == (True, "signed")
    assert any("byte for byte" in s for s in found.sentences)
    assert not any("are not sealed" in s for s in found.sentences)
    other = tmp_path / "hidden.xlsx"
    with zipfile.ZipFile(made.path) as old, zipfile.ZipFile(other, "w") as new:
        for name in old.namelist():
            new.writestr(name, old.read(name).replace(b"<row ", b'<row hidden="1" ', 1))
    assert any("hidden rows" in s and "are not sealed" in s for s in verify_file(plant, other).sentences)
    assert any(plant.actor.name in s and "All shown" in s for s in found.sentences)
    with plant.store.read() as conn:
        kept = lookups.submission(conn, number)
        (standing,) = signatures_of(conn, "submission", kept.id)
        assert standing.covers is True
        assert standing.what == f"submission {number} of {PART}"
    assert load_workbook(made.path)["Unterschriften"].max_row > 5  # the customer's language is German

    for act in (
        lambda: records.set_element(plant, number, 4, "kept", "x"),
        lambda: records.fill_in(plant, number, {"contact": "x"}),
        lambda: records.make_file(plant, number, tmp_path / "again.xlsx"),
        lambda: records.sign_file(plant, number, made.path, reason="x", password=PASSWORD),
    ):
        with pytest.raises(Refused, match="signed"):
            act()

    second = records.open_submission(plant, PART, level="agreed", asked=(7, 11, 18))
    fill(plant, second)
    other = records.make_file(plant, second, tmp_path / "s2.xlsx")
    records.sign_file(plant, second, other.path, reason="Renewed", password=PASSWORD)
    standings = {s.number: s.standing for s in records.submissions(plant, PART)}
    assert standings == {number: "superseded", second: "signed"}
    assert any("later submission" in s for s in verify_file(plant, made.path).sentences)


def test_a_tampered_workbook_is_not_signed_and_the_cell_is_named(session: Session, tmp_path: Path) -> None:
    number = records.open_submission(session, PART)
    fill(session, number)
    made = records.make_file(session, number, tmp_path / "s.xlsx")
    book = load_workbook(made.path)
    sheet = book["Rohdaten"]
    was = sheet["H5"].value
    sheet["H5"].value = was + 25
    book.save(tmp_path / "t.xlsx")
    found = verify_file(session, tmp_path / "t.xlsx")
    assert not found.sound
    assert [(c.sheet, c.cell, c.was) for c in found.changes] == [("Rohdaten", "H5", f"{was:.15g}")]
    assert any(s.startswith("Rohdaten!H5: was") for s in found.sentences)
    with pytest.raises(Refused, match="not the workbook"):
        records.sign_file(session, number, tmp_path / "t.xlsx", reason="x", password=PASSWORD)
    alone = verify_file(None, made.path)
    assert alone.sound
    assert any("not asked" in s for s in alone.sentences)

    # An earlier workbook of the same submission is sound by itself, but no longer what is recorded.
    records.fill_in(session, number, {"contact": "invented"})
    void = verify_file(session, made.path)
    assert not void.sound
    assert any("void" in s for s in void.sentences)
    records.make_file(session, number, tmp_path / "s3.xlsx")
    earlier = verify_file(session, made.path)
    assert not earlier.sound
    assert any("NOT the content" in s for s in earlier.sentences)


def test_a_failed_signature_leaves_file_and_records_as_they_were(
    session: Session, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    number = records.open_submission(session, PART)
    fill(session, number)
    made = records.make_file(session, number, tmp_path / "s.xlsx")
    before = made.path.read_bytes()

    def fail(*_: Any) -> None:
        raise Refused("The store says no.")

    monkeypatch.setattr(registry, "store_signed", fail)
    with pytest.raises(Refused, match="says no"):
        records.sign_file(session, number, made.path, reason="x", password=PASSWORD)
    assert made.path.read_bytes() == before
    assert records.record(session, number).standing == "made"
    assert [p.name for p in tmp_path.iterdir() if p.name.startswith(".s")] == []


def test_readings_that_come_later_ask_for_a_new_workbook(session: Session, tmp_path: Path) -> None:
    number = records.open_submission(session, PART)
    fill(session, number)
    made = records.make_file(session, number, tmp_path / "s.xlsx")
    with session.store.write(session.actor, session.plant.id) as writer:
        lot = lookups.lots_of_part(writer.conn, PART)[-1]
        row = lookups.readings_of_lot(writer.conn, lot.id)[0]
        writer.correct(row.key, kind="value", new_value=(row.value or 0) * 1.001, reason="read again")
        code = row.code
    stands = records.page(session, number).stands
    assert [s for s in stands if s.startswith("Changed since") and code in s]
    with pytest.raises(Refused, match="Changed since"):
        records.sign_file(session, number, made.path, reason="x", password=PASSWORD)


def test_states_by_hand_only_where_the_records_hold_nothing(session: Session) -> None:
    number = records.open_submission(session, PART)
    assert "is kept" in records.set_element(session, number, 5, "kept", "in the design office")
    element = records.page(session, number).elements[4]
    assert (element.state, element.note) == ("kept", "in the design office (set by hand)")
    records.set_element(session, number, 5, "missing", "not found")
    assert records.page(session, number).elements[4].state == "missing"
    with pytest.raises(Refused, match="by signing"):
        records.set_element(session, number, 18, "kept", "x")
    with pytest.raises(UsageError, match="cannot be set to 'supplied'"):
        records.set_element(session, number, 7, "supplied", "x")
    with pytest.raises(Refused, match="by the records"):
        records.set_element(session, number, 1, "kept", "x")
    with pytest.raises(UsageError, match="no element 19"):
        records.set_element(session, number, 19, "kept", "x")
    with pytest.raises(UsageError, match="reason is empty"):
        records.set_element(session, number, 6, "kept", " ")
    with pytest.raises(UnknownRecord, match="S-0009"):
        records.page(session, "S-0009")


def test_an_agreed_list_asks_only_its_elements(session: Session) -> None:
    number = records.open_submission(session, PART, level="agreed", asked=(9, 18), number="A-1")
    assert number == "A-1"
    page = records.page(session, number)
    assert {e.number for e in page.elements if e.requirement == "S"} == {9, 18}
    missing = [s for s in page.stands if s.startswith("Element")]
    assert len(missing) <= 1
    for arguments in ({"level": "3", "asked": (9,)}, {"level": "agreed"}, {"level": "6"}):
        with pytest.raises(UsageError):
            records.open_submission(session, PART, **arguments)
    with pytest.raises(Refused, match="there already"):
        records.open_submission(session, PART, number="A-1")


def test_a_submission_for_another_customer_speaks_its_language(session: Session) -> None:
    number = records.open_submission(session, PART, customer="C-WATER")
    with session.store.read() as conn:
        found = lookups.submission(conn, number)
    assert (found.customer, found.part_number) == ("C-WATER", PART)
    for one, language, customer in (
        (found, "en", "Sample customer: water metering"),
        (replace(found, customer="C-PUMP"), "de", "Sample customer: dosing pumps"),
    ):
        pack = gather(session, PART, level="3", with_recipe=False, submission=one, signatures=False)
        assert pack.cover.language == language
        assert pack.cover.part.customer is not None
        assert pack.cover.part.customer.name == customer


def test_who_may(session: Session, tmp_path: Path) -> None:
    number = records.open_submission(session, PART)
    for badge in ("T-01", "P-01", "A-01", "X-01"):
        other = make_session(session.store, Settings(session.store.url, badge=badge))
        for act in (
            lambda s=other: records.open_submission(s, PART),
            lambda s=other: records.set_element(s, number, 5, "kept", "x"),
            lambda s=other: records.fill_in(s, number, {"contact": "x"}),
            lambda s=other: records.make_file(s, number, tmp_path / "x.xlsx"),
            lambda s=other: records.sign_file(s, number, tmp_path / "x.xlsx", reason="x"),
        ):
            with pytest.raises(Refused, match="may not"):
                act()
    assert not list(tmp_path.glob("*.xlsx"))


@pytest.mark.parametrize(
    ("key", "text", "stored"),
    (
        ("weight", "0,0412", "0.0412"),
        ("weight", "0.5", "0.5000"),
        ("run_parts", "300", "300"),
        ("run_hours", "7,5", "7.5"),
        ("marking", "y", "yes"),
        ("marking", "not", "not needed"),
        ("reason", "first submission", "first submission"),
        ("contact", "  Invented  ", "Invented"),
        ("contact", " ", ""),
    ),
)
def test_data_are_understood(key: str, text: str, stored: str) -> None:
    assert understood(key, text) == stored


@pytest.mark.parametrize(
    ("key", "text"),
    (
        ("weight", "heavy"),
        ("weight", "-1"),
        ("run_parts", "3,5"),
        ("marking", "n"),
        ("reason", "x"),
        ("wieght", "1"),
    ),
)
def test_data_that_cannot_be_are_refused(key: str, text: str) -> None:
    with pytest.raises(UsageError):
        understood(key, text)


def test_what_a_declaration_lacks() -> None:
    must = [d.key for d in WARRANT.values() if d.must]
    yes = SimpleNamespace(key="tests", answer="yes")
    no = SimpleNamespace(key="statistics", answer="no")
    assert len(lacking({}, [yes], None)) == len(must)
    full = dict.fromkeys(must, "1")
    assert lacking(full, [yes], None) == ()
    assert "the customer asks 300" in lacking({**full, "run_parts": "120"}, [yes], 300)[0]
    assert "statistics" in lacking(full, [yes, no], None)[0]
    assert lacking({**full, "explanation": "x"}, [yes, no], None) == ()


def test_lists_and_pairs_as_typed() -> None:
    assert element_numbers("1, 7,9-11;18") == (1, 7, 9, 10, 11, 18)
    for text in ("", "x", "0", "19", "3-", "5-1,a"):
        with pytest.raises(UsageError):
            element_numbers(text)
    assert pairs(["a=b=c", "d="]) == {"a": "b=c", "d": ""}
    for texts in (["a"], ["=b"], ["a=1", "a=2"]):
        with pytest.raises(UsageError):
            pairs(texts)


def test_element_states_keep_what_the_records_hold() -> None:
    """A state set by hand does not hide that the records supply the element."""
    from qualrec.export.messages import Words
    from qualrec.work.submission_state import Held, element_states, missing_of

    part = SimpleNamespace(drawing="D", revision="A")
    hand = {7: {"state": "kept", "reason": "there"}, 1: {"state": "kept", "reason": "x"}}
    held = Held(part, (), 0, (), (), 0, plans=("CP-1 production 2",), by_hand=hand)  # type: ignore[arg-type]
    states = {e.number: e for e in element_states("3", held, Words())}
    assert states[7].state == SUPPLIED
    assert states[1].state == "referenced"
    without = element_states("3", replace(held, plans=()), Words())
    assert without[6] == Element(7, "S", "kept", without[6].families, "there (set by hand)")
    assert 7 not in {e.number for e in missing_of(without)}
