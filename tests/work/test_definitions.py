"""Definitions from a file: all or nothing, located problems, a second time changes nothing."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import nullcontext
from pathlib import Path

import pytest

from qualrec.config import Settings
from qualrec.errors import DatabaseError, FileRefused
from qualrec.records import lookups
from qualrec.work import definitions, safekeeping, set_up
from qualrec.work.sample_files import locate
from qualrec.work.session import Session, open_session

MATERIAL = '[[material]]\ncode = "M1"\nsupplier = "invented"\npolymer = "PP"\ninfrared_role = "{role}"\n'


@pytest.fixture
def session(store_url: str) -> Iterator[Session]:
    set_up.create(
        store_url,
        code="P",
        name="Invented plant",
        zone="Europe/Berlin",
        decimal_style="comma",
        person="Invented person",
    )
    with open_session(Settings(store_url)) as opened:
        yield opened


def define(session: Session, tmp_path: Path, text: str, **more: bool) -> definitions.Defined:
    file = tmp_path / "own.toml"
    file.write_text(text, encoding="utf-8")
    return definitions.define_file(session, file, **more)


def test_a_single_user_plant_says_so(session: Session) -> None:
    assert session.plant.single_user
    assert "without accounts" in session.remarks[0]
    with pytest.raises(DatabaseError, match="already holds"):
        set_up.create(session.store.url, code="Q", name="x", zone="UTC", decimal_style="point", person="y")


def test_the_sample_definitions_come_in_and_a_second_time_change_nothing(session: Session) -> None:
    first = definitions.define_file(session, locate("sample_plant.toml"))
    assert first.added["part"] == 4
    assert first.added["recipe"] == 4
    second = definitions.define_file(session, locate("sample_plant.toml"))
    assert not any(second.added.values())
    assert second.kept["part"] == 4
    with session.store.read() as conn:
        assert {r.state for r in lookups.recipe_revisions(conn, "FM-2040")} == {"draft"}


def test_one_wrong_record_leaves_everything_out(session: Session, tmp_path: Path) -> None:
    text = MATERIAL.format(role="transmissive") + MATERIAL.format(role="see-through").replace("M1", "M2")
    with pytest.raises(FileRefused) as caught:
        define(session, tmp_path, text)
    (problem,) = caught.value.problems
    assert "[[material]] M2" in problem.column
    assert "see-through" in problem.message
    with session.store.read() as conn:
        assert lookups.materials(conn) == ()


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[[material]\n", "own.toml"),
        ('[[machines]]\ncode = "x"\n', "machines"),
        ('[[material]]\ncode = "M"\n', "missing"),
        (MATERIAL.format(role="absorbing") + "shine = 3\n", "not known"),
        ('[material]\ncode = "M"\n', "two brackets"),
    ],
)
def test_what_is_wrong_with_a_file_is_said(session: Session, tmp_path: Path, text: str, words: str) -> None:
    with pytest.raises(FileRefused) as caught:
        define(session, tmp_path, text)
    assert words in " ".join([caught.value.message, caught.value.remedy, *map(str, caught.value.problems)])


def test_a_dry_run_writes_nothing(session: Session, tmp_path: Path) -> None:
    done = define(session, tmp_path, MATERIAL.format(role="absorbing"), dry_run=True)
    assert done.added["material"] == 1
    assert "would be" in done.sentences[0]
    with session.store.read() as conn:
        assert lookups.materials(conn) == ()


def test_status_of_an_empty_database_names_the_revision_wanted(empty_url: str) -> None:
    with pytest.raises(DatabaseError) if empty_url.startswith("sqlite") else nullcontext():
        assert not set_up.status(empty_url).ready


def test_status_counts(session: Session) -> None:
    definitions.define_file(session, locate("sample_plant.toml"))
    found = set_up.status(session.store.url)
    assert found.ready
    assert found.counts["parts"] == 4
    assert found.trail_entries > 100
    assert safekeeping.verify(session).ok
