"""Copies while stations write, damaged copies, and taking one back."""

from __future__ import annotations

import hashlib
import json
import sqlite3
import threading
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from qualrec.errors import DatabaseBusy, DatabaseError, DiskFull, Refused, UsageError
from qualrec.records import backup, trail
from qualrec.records.database import open_store


@pytest.fixture
def plant(tmp_path: Path, set_up_plant: Any) -> Iterator[Any]:
    """A plant in a SQLite file with readings, a correction and an import of its own."""
    with open_store(f"sqlite:///{tmp_path / 'plant.sqlite'}", create=True) as store:
        site = set_up_plant(store)
        keys = site.add(*[site.reading(500.0 + i, pull=site.pull(), serial=f"U{i}") for i in range(50)])
        with store.write(site.actor) as writer:
            writer.correct(keys[0], kind="void", reason="wrong part")
        yield site


def dump(path: Path) -> list[str]:
    connection = sqlite3.connect(path)
    try:
        return list(connection.iterdump())
    finally:
        connection.close()


def test_a_copy_is_one_file_with_the_same_content_and_a_manifest(plant: Any, tmp_path: Path) -> None:
    to = tmp_path / "copies" / "a.sqlite"
    to.parent.mkdir()
    steps: list[str] = []
    made = backup.back_up(plant.store, to, lambda step, done, total: steps.append(step))
    assert sorted(p.name for p in to.parent.iterdir()) == ["a.sqlite", "a.sqlite.manifest.json"]
    assert dump(to) == dump(plant.store.path)
    assert made.sha256 == hashlib.sha256(to.read_bytes()).hexdigest()
    told = json.loads(made.manifest.read_text(encoding="utf-8"))
    assert told["tables"]["reading"] == 50
    assert told["sha256"] == made.sha256
    assert backup.heads_in(made.manifest) == (trail.head(plant.store, plant.plant_id),)
    assert steps


def test_a_copy_taken_while_stations_write_is_one_moment(plant: Any, tmp_path: Path) -> None:
    """GIVEN two writers at work WHEN copies are made THEN each verifies, and the writers lose nothing."""
    stop, written = threading.Event(), [0, 0]

    def write(who: int) -> None:
        while not stop.is_set():
            plant.add(plant.reading(510.0 + who, subject_id=plant.segments[who], pull=plant.pull()))
            written[who - 1] += 1

    writers = [threading.Thread(target=write, args=(who,)) for who in (1, 2)]
    for thread in writers:
        thread.start()
    try:
        copies = [backup.back_up(plant.store, tmp_path / f"copy-{n}.sqlite") for n in range(4)]
    finally:
        stop.set()
        for thread in writers:
            thread.join()
    rows = [c.contents.counts["reading"] for c in copies]
    assert rows == sorted(rows)
    assert plant.rows("SELECT count(*) FROM reading")[0][0] == 50 + sum(written)
    for copy in copies:
        with open_store(f"sqlite:///{copy.path}") as store:
            verdict = trail.verify(store)
            assert verdict.ok
            assert verdict.heads == copy.contents.heads
    assert all(trail.holds(plant.store, head) for c in copies for head in c.contents.heads)


def test_a_copy_never_goes_over_a_file(plant: Any, tmp_path: Path) -> None:
    to = tmp_path / "a.sqlite"
    to.write_text("mine")
    with pytest.raises(Refused, match="there already"):
        backup.back_up(plant.store, to)
    assert to.read_text() == "mine"
    to.unlink()
    backup.manifest_of(to).write_text("mine")
    with pytest.raises(Refused, match=r"manifest\.json is there"):
        backup.back_up(plant.store, to)
    with pytest.raises(Refused, match="there already"):
        backup.back_up(plant.store, plant.store.path)
    with pytest.raises(UsageError, match="no folder"):
        backup.back_up(plant.store, tmp_path / "no" / "a.sqlite")
    backup.manifest_of(to).unlink()
    part = tmp_path / "part"
    part.write_text("new")
    to.write_text("came just now")
    with pytest.raises(Refused, match="there already"):
        backup.publish(part, to)
    assert to.read_text() == "came just now"


def test_where_there_are_no_links_a_copy_is_renamed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def no_links(*given: Any) -> None:
        raise OSError(1, "not supported")

    monkeypatch.setattr("os.link", no_links)
    part, to = tmp_path / "part", tmp_path / "to"
    part.write_text("new")
    backup.publish(part, to)
    assert (to.read_text(), part.exists()) == ("new", False)
    part.write_text("newer")
    with pytest.raises(OSError, match="not supported"):
        backup.publish(part, to)
    assert to.read_text() == "new"


def test_nothing_is_left_of_a_copy_that_failed(
    plant: Any, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = tmp_path / "copies"
    folder.mkdir()

    class Full(sqlite3.OperationalError):
        sqlite_errorname = "SQLITE_FULL"

    def full(path: Path) -> Any:
        raise Full("database or disk is full")

    with monkeypatch.context() as patch:
        patch.setattr(backup, "look", full)
        with pytest.raises(DiskFull):
            backup.back_up(plant.store, folder / "a.sqlite")
    assert list(folder.iterdir()) == []
    with monkeypatch.context() as patch:
        patch.setattr(backup, "look", lambda path: backup.Contents("", {}, ()))
        with pytest.raises(DatabaseError, match="differs"):
            backup.back_up(plant.store, folder / "a.sqlite")
    assert list(folder.iterdir()) == []


def test_a_copy_is_taken_back_and_says_so_in_its_chain(plant: Any, tmp_path: Path) -> None:
    made = backup.back_up(plant.store, tmp_path / "a.sqlite")
    done = backup.restore(made.path, tmp_path / "back.sqlite")
    assert done.checked_by_manifest
    assert done.aside is None
    assert done.verdict.heads == made.contents.heads
    with open_store(f"sqlite:///{done.path}") as store:
        assert trail.verify(store).ok
        assert all(trail.holds(store, head) for head in made.contents.heads)
        with store.read() as conn:
            last = conn.exec_driver_sql("SELECT act, content FROM trail ORDER BY seq DESC LIMIT 1").one()
        assert last.act == "restored from a copy"
        assert made.contents.heads[0].digest in last.content


def test_what_is_replaced_is_put_aside(plant: Any, tmp_path: Path) -> None:
    made = backup.back_up(plant.store, tmp_path / "a.sqlite")
    plant.add(plant.reading(640.0, pull=plant.pull()))
    there = plant.store.path
    with pytest.raises(Refused, match="--replace"):
        backup.restore(made.path, there)
    with plant.store.read(), pytest.raises(DatabaseBusy, match="open in another program"):
        backup.restore(made.path, there, replace=True)
    plant.store.close()
    done = backup.restore(made.path, there, replace=True)
    assert done.aside is not None
    for path, rows in ((there, 50), (done.aside, 51)):
        with open_store(f"sqlite:///{path}") as store:
            assert trail.verify(store).readings == rows


def test_a_damaged_database_is_put_aside_as_it_is(plant: Any, tmp_path: Path) -> None:
    made = backup.back_up(plant.store, tmp_path / "a.sqlite")
    broken = tmp_path / "broken.sqlite"
    broken.write_bytes(b"not a database at all" * 100)
    done = backup.restore(made.path, broken, replace=True)
    assert done.aside is not None
    assert done.aside.read_bytes() == b"not a database at all" * 100


def _other_bytes(copy: Path) -> None:
    data = bytearray(copy.read_bytes())
    data[len(data) // 2] ^= 0xFF
    copy.write_bytes(bytes(data))


def _cut(copy: Path) -> None:
    copy.write_bytes(copy.read_bytes()[:-4096])


def _other_manifest(copy: Path) -> None:
    path = backup.manifest_of(copy)
    told = json.loads(path.read_text(encoding="utf-8"))
    told["tables"]["reading"] += 1
    path.write_text(json.dumps(told), encoding="utf-8")


def _no_manifest(copy: Path) -> None:
    backup.manifest_of(copy).unlink()


def _strange_manifest(copy: Path) -> None:
    backup.manifest_of(copy).write_text("[1, 2]", encoding="utf-8")


@pytest.mark.parametrize(
    ("harm", "words"),
    [
        (_other_bytes, "digest differs"),
        (_cut, "digest differs"),
        (_other_manifest, "not those of the manifest"),
        (_no_manifest, "no manifest"),
        (_strange_manifest, "no manifest of a copy"),
    ],
)
def test_a_copy_that_is_not_the_one_made_is_refused(
    plant: Any, tmp_path: Path, harm: Any, words: str
) -> None:
    made = backup.back_up(plant.store, tmp_path / "a.sqlite")
    harm(made.path)
    with pytest.raises(Refused, match=words):
        backup.restore(made.path, tmp_path / "back.sqlite")
    assert not (tmp_path / "back.sqlite").exists()
    assert not list(tmp_path.glob(".*"))


def test_a_copy_that_was_changed_by_hand_is_refused_also_without_its_manifest(
    plant: Any, tmp_path: Path
) -> None:
    made = backup.back_up(plant.store, tmp_path / "a.sqlite")
    connection = sqlite3.connect(made.path)
    for (name,) in connection.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
        connection.execute(f"DROP TRIGGER {name}")
    connection.execute("UPDATE reading SET value = value + 1 WHERE sample = 7")
    connection.commit()
    connection.close()
    _no_manifest(made.path)
    with pytest.raises(Refused, match="not sound"):
        backup.restore(made.path, tmp_path / "back.sqlite", without_manifest=True)
    other = tmp_path / "other.sqlite"
    sqlite3.connect(other).execute("CREATE TABLE t (x)").connection.close()
    with pytest.raises(Refused, match="not a database of this program"):
        backup.restore(other, tmp_path / "back.sqlite", without_manifest=True)
    with pytest.raises(UsageError, match="no file"):
        backup.restore(tmp_path / "none.sqlite", tmp_path / "back.sqlite")


def test_a_server_is_left_to_its_own_tools(server_plant: str, tmp_path: Path) -> None:
    with open_store(server_plant) as store, pytest.raises(UsageError) as refused:
        backup.back_up(store, tmp_path / "a.sqlite")
    assert "pg_dump" in refused.value.remedy
    assert "db verify" in refused.value.remedy
