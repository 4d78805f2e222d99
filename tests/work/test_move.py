"""A plant carried over between SQLite and PostgreSQL: everything, as it was, or nothing."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from qualrec.config import Settings
from qualrec.errors import Refused
from qualrec.records import trail
from qualrec.records.database import Store, open_store
from qualrec.records.models import metadata
from qualrec.work import bench, corrections, definitions, intake, lots, review
from qualrec.work import move as moving
from qualrec.work.sample_files import locate
from qualrec.work.session import make_session
from qualrec.work.target import find_target

FROM_SQLITE = pytest.mark.parametrize("databases", ["sqlite"], indirect=True)
"""To PostgreSQL and back."""
NOTES = ("trail", "trail_head")
"""Carrying over adds one entry to the chain."""


@pytest.fixture
def other_url(databases: Any, request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Callable[[], str]]:
    """Makes addresses of empty databases of the other kind."""
    kind = "sqlite" if databases.kind == "postgresql" else "postgresql"
    server = request.getfixturevalue("postgres_server") if kind == "postgresql" else ""
    maker, made = type(databases)(kind, tmp_path, server), []

    def new() -> str:
        made.append(maker.new(laid=False))
        return str(made[-1])

    yield new
    for url in made:
        maker.give_back(url, laid=False)


@pytest.fixture
def lived_in(small_plant: Any) -> Any:
    """A small plant with pulls, a machine file, corrections, flags, an event, a decision, an approved and a draft recipe."""
    s = small_plant.as_badge()
    intake.take_file(s, locate("tester_pulls.csv"))
    bench.log(s, find_target(s, "FM00061", "PULL"), [bench.Entry("0,1", mode="test fault")])
    bench.log(s, find_target(s, "FM00061", "PULL"), [bench.Entry("401,2", mode="interfacial", serial="Ü-1")])
    corrections.correct_text(s, "FM00061", "PULL", 1, stream="1", value="600,1", reason="digits exchanged")
    lots.dispose(s, "FM00061", "hold", reason='"quoted", with\ttab, \\backslash and\nline')
    bench.log_event(s, "glass_cleaned", lot="FM00061")
    with small_plant.store.write(s.actor) as writer:
        row = {
            "of_plant": s.plant.id,
            "seq": trail.head(small_plant.store, s.plant.id).seq,
            "digest": trail.head(small_plant.store, s.plant.id).digest,
            "at_us": writer.now_us,
            "place": "report",
        }
        writer.insert("trail_anchor", row, act="head written down")
    return small_plant


def rows(store: Store, table: str) -> list[tuple[Any, ...]]:
    t = metadata.tables[table]
    with store.read() as connection:
        return [tuple(row) for row in connection.execute(t.select().order_by(*t.primary_key.columns))]


def content(store: Store) -> dict[str, list[tuple[Any, ...]]]:
    return {name: rows(store, name) for name in metadata.tables if name not in NOTES}


@FROM_SQLITE
def test_a_plant_goes_over_and_back_as_it_was(
    lived_in: Any, other_url: Callable[[], str], tmp_path: Path
) -> None:
    store, said = lived_in.store, []
    before, head = content(store), trail.head(store, 1)
    there = other_url()
    moved = moving.carry_over(lived_in.as_badge(), there, said.append)
    assert moved.heads == (head,)
    assert moved.rows["reading"] == len(before["reading"]) == 7
    assert content(store) == before
    assert trail.head(store, 1) == head
    assert said
    with open_store(there) as second:
        assert content(second) == before
        assert rows(second, "trail")[:-1] == rows(store, "trail")
        assert trail.verify(second, anchors=[head]).ok
        session = make_session(second, Settings(there, badge="Q-01"))
        words = " ".join(moving.moved_sentences(session, moved))
        assert f"1:{head.seq}:{head.digest}" in words
        back = f"sqlite:///{tmp_path / 'back.sqlite'}"
        moving.carry_over(session, back)
    with open_store(back) as third:
        assert content(third) == before
        assert [row[5] for row in rows(third, "trail")[-2:]] == ["carried over", "carried over"]
        work_on(third)


def work_on(store: Store) -> None:
    """The plant works where it was carried to: guards, ids, sums."""
    session = make_session(store, Settings(store.url, badge="Q-01"))
    recipe = definitions.load(locate("sample_plant.toml"))["recipe"][1]["code"]
    review.approve_recipe(session, recipe, 1, reason="Window study seen")
    bench.log(session, find_target(session, "FM00060", "PULL"), [bench.Entry("612,4", mode="cohesive")])
    for statement in ("UPDATE reading SET value = 1", "DELETE FROM trail", "DELETE FROM recipe_setting"):
        with pytest.raises(Refused), store.transaction() as connection:
            connection.exec_driver_sql(statement)
    assert trail.verify(store).ok


@FROM_SQLITE
def test_who_may_not_copy_may_not_carry_over(lived_in: Any, tmp_path: Path) -> None:
    with pytest.raises(Refused, match="may not copy the database"):
        moving.carry_over(lived_in.as_badge("T-01"), f"sqlite:///{tmp_path / 'x.sqlite'}")
    assert not (tmp_path / "x.sqlite").exists()
