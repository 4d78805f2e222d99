"""Bad input on the command line: refused in words that say where and what to do, nothing half-written, no traceback."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from sqlalchemy import event

from qualrec.records import engine, migrate
from qualrec.records.database import Store, open_store
from qualrec.records.models import metadata
from qualrec.work.sample_files import locate

Program = Callable[..., tuple[int, str, str]]
PULL = ("--badge", "T-01", "log", "FM00061", "PULL")
OK = ("--mode", "cohesive")


def content(path: Path) -> dict[str, list[Any]]:
    """Every row of every table, read past the program."""
    connection = sqlite3.connect(path)
    try:
        return {
            name: sorted(connection.execute(f'SELECT * FROM "{name}"').fetchall(), key=repr)
            for name in metadata.tables
        }
    finally:
        connection.close()


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        ((*PULL[:3], "FM99999", "PULL", "600", *OK), 2, ["FM99999", "qualrec lots"]),
        ((*PULL[:3], "FM0061", "PULL", "600", *OK), 2, ["FM0061", "FM00061"]),
        ((*PULL[:4], "PUL", "600", *OK), 2, ["PUL", "PULL"]),
        ((*PULL, "600 mm", *OK), 2, ["mm", "unit of length"]),
        ((*PULL, "600", "600 XX", *OK), 2, ['"600 XX"', "Known units: N, kN"]),
        ((*PULL, "1.234", *OK), 2, ["(1.234)", "(1234.0)", "Type 1234", "or 01.234"]),
        ((*PULL, "1,234", *OK), 2, ["(1.234)", "(1234.0)", "Type 1234", "or 01.234"]),
        ((*PULL, "-5", *OK), 2, ["-5", "outside what can be"]),
        ((*PULL, "6l2", *OK), 2, ["\"6l2\": Unit 'l2' is not known"]),
        ((*PULL, "", *OK), 2, []),
        ((*PULL, "nan", *OK), 2, ["nan"]),
        ((*PULL, "1e999", *OK), 2, ["1e999"]),
        ((*PULL, "600", "601", *OK, *OK, *OK), 2, ["3 modes for 2 values"]),
        ((*PULL, "600", "--mode", "broken"), 2, ["broken", "cohesive"]),
        ((*PULL, "600", "--mode", "mixed", "--shares", "50/50"), 2, ["four shares"]),
        ((*PULL, "600", *OK, "--stream", "nest 9"), 2, ["nest 9"]),
        ((*PULL, "600", *OK, "--gauge", "TM-99"), 2, ["TM-99"]),
        (("lot", "FM99999"), 2, ["FM99999"]),
        (("import", "no/such/file.csv"), 2, ["file.csv"]),
    ],
)
def test_refused_with_nothing_written(
    program: Program, sample_plant: Path, arguments: tuple[str, ...], code: int, words: list[str]
) -> None:
    before = content(sample_plant)
    found, out, err = program(sample_plant, *arguments)
    assert (found, out) == (code, "")
    assert all(word in err for word in words), err
    assert len(err.strip().splitlines()) >= 2, "what is wrong, and what to do"
    assert content(sample_plant) == before


def test_the_good_values_of_a_refused_row_are_not_stored_either(program: Program, sample_plant: Path) -> None:
    before = content(sample_plant)
    code, _, err = program(sample_plant, *PULL, "600", "601,5", "abc", *OK)
    assert code == 2
    assert "abc" in err
    assert content(sample_plant) == before


def test_a_decimal_comma_is_taken(program: Program, sample_plant: Path) -> None:
    code, out, _ = program(sample_plant, *PULL, "612,4", *OK)
    assert code == 0
    assert "612.4" in out


def test_text_in_a_number_column_names_file_row_and_column(program: Program, sample_plant: Path) -> None:
    before = content(sample_plant)
    code, out, err = program(sample_plant, "import", str(locate("tester_pulls_bad.csv")))
    assert (code, out) == (1, "")
    assert "tester_pulls_bad.csv, row 8, column Peak force" in err
    assert "6l1,7" in err
    assert content(sample_plant) == before


def test_a_file_given_twice_adds_nothing_and_says_so(program: Program, sample_plant: Path) -> None:
    assert program(sample_plant, "import", str(locate("tester_pulls.csv")))[0] == 0
    before = content(sample_plant)
    code, out, _ = program(sample_plant, "import", str(locate("tester_pulls.csv")))
    assert code == 0
    assert "Nothing was added" in out
    assert content(sample_plant) == before


@pytest.mark.parametrize("arguments", [("lots",), (*PULL, "600", *OK), ("db", "upgrade"), ("db", "verify")])
def test_a_database_of_a_newer_revision_names_both_revisions_and_the_command(
    program: Program, sample_plant: Path, arguments: tuple[str, ...]
) -> None:
    revise(sample_plant, "9999")
    code, out, err = program(sample_plant, *arguments)
    assert (code, out) == (3, "")
    assert "at revision 9999" in err
    assert f"needs {migrate.head()}" in err
    assert "pip install --upgrade qualrec" in err


def revise(path: Path, revision: str) -> None:
    connection = sqlite3.connect(path)
    connection.execute("UPDATE alembic_version SET version_num = ?", [revision])
    connection.commit()
    connection.close()


@pytest.mark.parametrize(
    ("make", "words"),
    [
        (lambda path: None, ["There is no database at", "qualrec db create"]),
        (lambda path: path.mkdir(), ["is a folder"]),
        (lambda path: path.write_text("not a database " * 100), ["is not a database of this program"]),
        (lambda path: path.touch(), ["revision none", "qualrec db create"]),
        (lambda path: other_program(path), ["tables of another program"]),
    ],
    ids=["missing", "folder", "text", "empty", "other program"],
)
@pytest.mark.parametrize("arguments", [("lots",), (*PULL, "600", *OK)], ids=["lots", "log"])
def test_what_is_no_database_of_this_program(
    program: Program,
    tmp_path: Path,
    make: Callable[[Path], None],
    words: list[str],
    arguments: tuple[str, ...],
) -> None:
    path = tmp_path / "given.sqlite"
    make(path)
    code, out, err = program(path, *arguments)
    assert code in (2, 3)
    assert out == ""
    assert all(word in err for word in words), err


def other_program(path: Path) -> None:
    connection = sqlite3.connect(path)
    connection.execute("CREATE TABLE other (a)")
    connection.commit()
    connection.close()


def test_a_locked_database_is_named_and_the_entry_goes_in_afterwards(
    program: Program, sample_plant: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(engine, "LOCK_WAIT_S", 0.2)
    holder = sqlite3.connect(sample_plant, isolation_level=None)
    holder.execute("BEGIN IMMEDIATE")
    code, out, err = program(sample_plant, *PULL, "600", *OK)
    assert (code, out) == (3, "")
    assert "held by another program" in err
    assert "Nothing was written. Try again" in err
    assert program(sample_plant, "lots")[0] == 0, "reading goes on"
    holder.execute("ROLLBACK")
    holder.close()
    assert program(sample_plant, *PULL, "600", *OK)[0] == 0


def test_a_read_only_file_is_read_and_not_written(program: Program, sample_plant: Path) -> None:
    """Opened read-only by its address, which holds for the superuser too."""
    database = f"sqlite:///file:{sample_plant}?mode=ro&uri=true"
    before = content(sample_plant)
    assert program(database, "lot", "FM00010")[0] == 0
    code, out, err = program(database, *PULL, "600", *OK)
    assert (code, out) == (3, "")
    assert "read-only" in err
    assert "Give yourself the right" in err
    assert content(sample_plant) == before


@pytest.mark.parametrize("arguments", [(*PULL, *["600"] * 300, *OK), ("import", "tester_pulls.csv")])
def test_a_full_disk_stores_nothing_and_says_so(
    program: Program, sample_plant: Path, monkeypatch: pytest.MonkeyPatch, arguments: tuple[str, ...]
) -> None:
    """SQLite is told to take no more pages: its own error for a full disk."""
    pages = sqlite3.connect(sample_plant).execute("PRAGMA page_count").fetchone()[0]
    opened = Store.__init__

    def no_room(self: Store, *given: Any) -> None:
        opened(self, *given)
        event.listen(
            self.engine, "connect", lambda c, _: c.execute(f"PRAGMA max_page_count = {pages}") and None
        )

    before = content(sample_plant)
    with monkeypatch.context() as patch:
        patch.setattr(Store, "__init__", no_room)
        files = [str(locate(a)) if a.endswith(".csv") else a for a in arguments]
        code, out, err = program(sample_plant, *files)
    assert (code, out) == (3, "")
    assert "No room to write" in err
    assert "Free room on the disk" in err
    with open_store(f"sqlite:///{sample_plant}"):
        assert content(sample_plant) == before
    assert program(sample_plant, *PULL, "600", *OK)[0] == 0
