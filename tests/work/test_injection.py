"""Text from people is text, in records, archives and on the terminal: SQL, formulas, control signs, huge strings, paths."""

from __future__ import annotations

import csv
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from qualrec.cli import output
from qualrec.cli.lot_text import print_page
from qualrec.errors import QualrecError
from qualrec.records import lookups, trail
from qualrec.work import archive, bench, containment, intake, lots, retention
from qualrec.work.target import find_target

LOT = "FM00061"
NASTY = {
    "quote": "O'Brien",
    "drop": "'; DROP TABLE reading; --",
    "union": "x' UNION SELECT password_hash FROM person --",
    "or": '" OR 1=1 --',
    "comment": "/* x */ -- y",
    "like": "100 % _ \\ done",
    "placeholder": ":id %s %(name)s ? $1 {0}",
    "backslash": "\\'; DELETE FROM lot; --",
    "formula": "=1+1",
    "plus": "+1+cmd|' /C calc'!A0",
    "minus": "-2+3",
    "at": "@SUM(1+1)",
    "link": '=HYPERLINK("http://x.invalid","click")',
    "markup": "[red]x[/red] <b>x</b> {{x}}",
    "unicode": "ÄÖÜ 漢字 🙂 \u00ad",
    "path": "../../../etc/passwd",
    "windows": "..\\..\\x.sqlite",
    "json": '{"a": 1}',
}
REFUSED = {
    "escape": "x\x1b[31mred",
    "title": "x\x1b]0;owned\x07",
    "bell": "ring\x07",
    "c1": "x\x9b31m",
    "null": "a\x00b",
    "backspace": "ab\x08\x08",
    "override": "invoice\u202egnp.exe",
    "isolate": "x\u2066y",
    "surrogate": "x\ud800",
    "long": "x" * 10_000_000,
}
Field = Callable[[Any, str], None]


def remark(plant: Any, text: str) -> None:
    bench.log_event(plant.as_badge("T-01"), "clamp glass cleaned", station="LW-1", remark=text)


def place(plant: Any, text: str) -> None:
    containment.add(plant.as_badge("T-01"), text, "look", lot=LOT)


def action(plant: Any, text: str) -> None:
    containment.add(plant.as_badge("T-01"), "rack", text, lot=LOT)


def reason(plant: Any, text: str) -> None:
    lots.dispose(plant.as_badge("Q-01"), LOT, "hold", reason=text)


def reference(plant: Any, text: str) -> None:
    lots.give_concession(plant.as_badge("Q-01"), LOT, text, reason="x", quantity=5)


def rule(plant: Any, text: str) -> None:
    retention.set_rule(plant.as_badge("Q-01"), 20, rule=text, source="x")


def serial(plant: Any, text: str) -> None:
    session = plant.as_badge("T-01")
    entry = bench.Entry("611.0", mode="parent material", again="611.0", serial=text)
    bench.log(session, find_target(session, LOT, "PULL"), [entry])


def person(plant: Any, text: str) -> None:
    from qualrec.work import people

    badge = f"B-{zlib.crc32(text.encode('utf-8', 'replace'))}"
    people.add_person(plant.as_badge("X-01"), badge, text, ["technician"])


def code(plant: Any, text: str) -> None:
    given = {"code": text, "supplier": "s", "polymer": "PA66", "infrared_role": "absorbing"}
    plant.define({"material": [given]}, "P-01")


FIELDS: dict[str, tuple[Field, str]] = {
    "event remark": (remark, "SELECT remark FROM event"),
    "containment place": (place, "SELECT place FROM containment"),
    "containment action": (action, "SELECT action FROM containment"),
    "reason of a decision": (reason, "SELECT reason FROM disposition"),
    "reference of a concession": (reference, "SELECT reference FROM concession"),
    "rule of retention": (rule, "SELECT rule FROM retention"),
    "serial number": (serial, "SELECT serial FROM welded_unit"),
    "name of a person": (person, "SELECT name FROM person"),
    "code of a material": (code, "SELECT code FROM material"),
}


def shape(plant: Any) -> dict[str, int]:
    names = ("reading", "lot", "person", "part", "characteristic", "gauge", "recipe_revision", "moulding_lot")
    return {n: plant.rows(f"SELECT count(*) FROM {n}")[0][0] for n in names}


@pytest.mark.parametrize("field", FIELDS)
def test_what_is_typed_is_stored_as_typed(small_plant: Any, field: str, tmp_path: Path) -> None:
    """Every nasty text through one field: stored word for word, nothing else changes, and never a formula in a file."""
    enter, query = FIELDS[field]
    before = shape(small_plant)
    for text in NASTY.values():
        enter(small_plant, text)
    after = shape(small_plant)
    grown = {"serial number": "reading", "name of a person": "person"}.get(field)
    assert {n for n in before if after[n] != before[n]} == ({grown} if grown else set())
    assert set(NASTY.values()) <= {row[0] for row in small_plant.rows(query)}
    assert trail.verify(small_plant.store).ok
    folder = tmp_path / "archive"
    archive.write(small_plant.as_badge("A-01"), folder)
    assert archive.check(folder).ok
    for path in folder.glob("*.csv"):
        with path.open(encoding="utf-8", newline="") as file:
            for row in csv.reader(file):
                for cell in row:
                    number = cell.lstrip("-").replace(".", "", 1).replace("e-", "", 1).replace("e+", "", 1)
                    assert not cell.startswith(("=", "+", "-", "@", "\t", "\r")) or number.isdigit(), cell


@pytest.mark.parametrize("field", FIELDS)
def test_what_could_steer_a_terminal_or_is_huge_is_refused(small_plant: Any, field: str) -> None:
    """Refused in words that hold no control sign, with nothing written."""
    enter, _ = FIELDS[field]
    before = small_plant.rows("SELECT count(*) FROM trail")
    for name, text in REFUSED.items():
        with pytest.raises(QualrecError) as refused:
            enter(small_plant, text)
        assert refused.value.remedy, name
        said = output.clean(str(refused.value))
        assert not any(ord(sign) < 32 and sign != "\n" for sign in said), name
        assert len(said) < 2_000, name
    assert small_plant.rows("SELECT count(*) FROM trail") == before


def test_records_that_hold_control_signs_show_without_them(
    small_plant: Any, capsys: pytest.CaptureFixture[str], tmp_path: Path
) -> None:
    """Put in past the program: neither text, JSON nor an archive lets them through."""
    session = small_plant.as_badge("Q-01")
    lots.dispose(session, LOT, "hold", reason="plain")
    with small_plant.store.engine.begin() as connection:
        bad = "x\x1b[31m\x9b\u202e"
        connection.exec_driver_sql("UPDATE lot SET remark = " + f"'{bad}' WHERE number = '{LOT}'")
        connection.exec_driver_sql(f"UPDATE person SET name = '{bad}' WHERE badge = 'Q-01'")
        connection.exec_driver_sql(f"UPDATE gauge SET name = '{bad}'")
    page = lots.lot_page(session, LOT)
    capsys.readouterr()
    print_page(session, page)
    output.json_out(page)
    output.table(("name",), [("x\x1b[31m\x9b\u202e",)])
    shown = capsys.readouterr().out
    assert "hold" in shown
    assert not {"\x1b", "\x9b", "\u202e"} & set(shown)
    archive.write(session, tmp_path / "archive")
    for path in (tmp_path / "archive").glob("*.csv"):
        assert not {"\x1b", "\x9b", "\u202e"} & set(path.read_text(encoding="utf-8")), path.name


def test_a_file_leaves_its_name_and_nothing_of_its_path(small_plant: Any, tmp_path: Path) -> None:
    """The name of a file is kept as text; a path, also a crooked one, is not."""
    from qualrec.work.sample_files import locate

    folder = tmp_path / "a" / ".." / "b ; rm -rf x"
    (tmp_path / "a").mkdir()
    (tmp_path / "b ; rm -rf x").mkdir()
    path = folder / "$(x) 'y' =1.csv"
    path.write_bytes(locate("tester_pulls.csv").read_bytes())
    intake.take_file(small_plant.as_badge("T-01"), path, gauge=("PT-02",))
    names = {row[0] for row in small_plant.rows("SELECT file_name FROM batch WHERE kind <> 'typed'")}
    assert names == {"$(x) 'y' =1.csv"}
    with small_plant.store.read() as conn:
        assert all("/" not in b.file_name for b in lookups.batches(conn))
