"""A move between SQLite and PostgreSQL that cannot be whole leaves nothing; one that is whole is the same in every row."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import psycopg
import pytest

from qualrec.errors import DatabaseError, Refused, UsageError
from qualrec.records import move
from qualrec.records.database import Store, open_store
from qualrec.records.models import metadata
from qualrec.values import Actor

PROGRAM = Actor(None, "test")
FROM_SQLITE, FROM_SERVER = (
    pytest.mark.parametrize("databases", [kind], indirect=True) for kind in ("sqlite", "postgresql")
)


NOTES = ("trail", "trail_head")
"""Carrying over adds one entry to the chain."""


@pytest.fixture
def other_url(databases: Any, request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Callable[..., str]]:
    """Makes addresses of empty databases of the other kind; on a server with the schema laid or without tables."""
    kind = "sqlite" if databases.kind == "postgresql" else "postgresql"
    server = request.getfixturevalue("postgres_server") if kind == "postgresql" else ""
    maker, made = type(databases)(kind, tmp_path, server), []

    def new(laid: bool = True) -> str:
        made.append((maker.new(laid=laid and kind == "postgresql"), laid))
        return str(made[-1][0])

    yield new
    for url, laid in made:
        maker.give_back(url, laid=laid)


@pytest.fixture
def filled(site: Any) -> Any:
    """A small plant with pulls, serials, a correction and a reading of another subject."""
    many = [
        site.reading(500.0 + i / 3, pull=site.pull(), serial=f"Ü-{i}", entered_text="5") for i in range(9)
    ]
    key = site.add(*many)[0]
    site.add(
        site.reading(None, pull=site.pull("test fault")), site.reading(450.5, subject_id=site.segments[1])
    )
    with site.store.write(site.actor) as writer:
        writer.correct(key, kind="value", new_value=501.25, reason='"quoted", tab\t, \\ and\nline')
    return site


def rows(store: Store, table: str) -> list[tuple[Any, ...]]:
    t = metadata.tables[table]
    with store.read() as connection:
        return [tuple(row) for row in connection.execute(t.select().order_by(*t.primary_key.columns))]


def content(store: Store) -> dict[str, list[tuple[Any, ...]]]:
    return {name: rows(store, name) for name in metadata.tables if name not in NOTES}


def test_small_pieces_give_the_same_and_readings_lie_in_their_partitions(
    filled: Any, other_url: Callable[..., str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(move, "ROWS_A_PIECE", 3)
    monkeypatch.setattr(move, "READINGS_A_PIECE", 2)
    there = other_url()
    moved = move.move(filled.store, there, PROGRAM)
    assert moved.rows["reading"] == 11
    with open_store(there) as store:
        assert content(store) == content(filled.store)
        if store.dialect == "postgresql":
            query = "SELECT (SELECT count(*) FROM reading_pdefault), (SELECT count(*) FROM reading_p1_0)"
            with store.read() as connection:
                assert tuple(connection.exec_driver_sql(query).one()) == (0, 11)


@FROM_SQLITE
def test_a_target_that_holds_something_is_refused(
    filled: Any, other_url: Callable[..., str], tmp_path: Path
) -> None:
    there = other_url()
    move.move(filled.store, there, PROGRAM)
    before = None
    with open_store(there) as store:
        before = content(store)
    with pytest.raises(Refused, match="already"):
        move.move(filled.store, there, PROGRAM)
    with open_store(there) as store:
        assert content(store) == before
    (tmp_path / "note.txt").write_text("mine")
    with pytest.raises(Refused, match="is there already"):
        move.move(filled.store, f"sqlite:///{tmp_path / 'note.txt'}", PROGRAM)
    assert (tmp_path / "note.txt").read_text() == "mine"
    with pytest.raises(UsageError, match="There is no folder"):
        move.move(filled.store, f"sqlite:///{tmp_path / 'none' / 'a.sqlite'}", PROGRAM)


@FROM_SQLITE
def test_a_database_of_another_program_is_refused(
    filled: Any, other_url: Callable[..., str], tmp_path: Path
) -> None:
    there = other_url(laid=False)
    with psycopg.connect(there, autocommit=True) as connection:
        connection.execute("CREATE TABLE mine (x int)")
    with pytest.raises(Refused, match="another program"):
        move.move(filled.store, there, PROGRAM)


@FROM_SQLITE
def test_entries_made_meanwhile_end_it_and_nothing_is_left(
    filled: Any, other_url: Callable[..., str], tmp_path: Path
) -> None:
    there, entered = other_url(), []

    def enter(step: str, done: int, total: int) -> None:
        if step == "digests" and not entered:
            entered.append(1)
            filled.add(filled.reading(510.0))

    with pytest.raises(Refused, match="Entries were made"):
        move.move(filled.store, there, PROGRAM, enter)
    assert nothing_in(there)


@pytest.mark.parametrize(
    ("databases", "step"),
    [("sqlite", "rows"), ("sqlite", "readings"), ("postgresql", "digests")],
    indirect=["databases"],
)
def test_a_failure_on_the_way_leaves_nothing(filled: Any, other_url: Callable[..., str], step: str) -> None:
    there = other_url()

    def fail(now: str, done: int, total: int) -> None:
        if now == step and (step != "rows" or done > total // 2):
            raise DatabaseError("The cable was pulled.")

    with pytest.raises(DatabaseError, match="cable"):
        move.move(filled.store, there, PROGRAM, fail)
    assert nothing_in(there)


def nothing_in(url: str) -> bool:
    """No file, or tables without a plant."""
    if url.startswith("sqlite"):
        path = Path(url.removeprefix("sqlite:///"))
        return not path.exists() and not list(path.parent.glob(f".{path.name}*"))
    with open_store(url) as store:
        return not any(rows(store, name) for name in ("plant", "reading", "trail", "lot"))


@FROM_SERVER
def test_a_source_that_is_not_sound_is_not_carried_over(filled: Any, other_url: Callable[..., str]) -> None:
    with filled.store.engine.connect() as connection:
        if filled.store.dialect == "sqlite":
            connection.exec_driver_sql("DROP TRIGGER keep_reading_update")
        else:
            connection.exec_driver_sql("SET session_replication_role = replica")
        connection.exec_driver_sql("UPDATE reading SET value = 999 WHERE sample = 3")
        connection.commit()
    there = other_url()
    with pytest.raises(Refused, match="faults were found"):
        move.move(filled.store, there, PROGRAM)
    assert nothing_in(there)


@FROM_SQLITE
def test_what_came_over_otherwise_is_noticed(
    filled: Any, other_url: Callable[..., str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A row that a driver would change on the way: here a serial number."""
    real = move.insert_rows

    def changing(connection: Any, table: str, names: Any, given: Any) -> None:
        if "welded_unit" in table:
            given = [(*row[:-1], "other") for row in given]
        real(connection, table, names, given)

    monkeypatch.setattr(move, "insert_rows", changing)
    there = other_url()
    with pytest.raises(Refused, match="welded_unit came over otherwise"):
        move.move(filled.store, there, PROGRAM)
    assert nothing_in(there)
