"""A database that each released revision wrote is upgraded, opened, verified and written to."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from qualrec.records import migrate, trail
from qualrec.records.database import open_store
from qualrec.records.trail import Head
from qualrec.values import Actor, NewReading, PullResult

HERE = Path(__file__).resolve().parent


def test_every_revision_is_frozen() -> None:
    assert sorted(path.stem for path in HERE.glob("*.sqlite")) == sorted(migrate.revisions())


@pytest.mark.parametrize("revision", migrate.revisions())
def test_a_frozen_database_lives_on(revision: str, tmp_path: Path) -> None:
    path = tmp_path / "old.sqlite"
    shutil.copyfile(HERE / f"{revision}.sqlite", path)
    known = json.loads((HERE / f"{revision}.json").read_text(encoding="utf-8"))
    url = f"sqlite:///{path}"
    assert migrate.current(url) == revision
    done = migrate.upgrade(url)
    assert (done.before, done.after) == (revision, migrate.head())
    assert (done.copy is None) == (revision == migrate.head())
    with open_store(url) as store:
        verdict = trail.verify(store)
        assert verdict.faults == ()
        assert verdict.readings == 409
        assert trail.holds(store, Head(known["plant"], known["seq"], known["digest"]))
        with store.read() as connection:
            sums = connection.exec_driver_sql("SELECT sum(n), sum(s1), sum(s2) FROM rollup").one()
            assert list(sums) == pytest.approx(known["rollups"], rel=1e-12)
            key = connection.exec_driver_sql("SELECT subject_id, characteristic_id FROM pull LIMIT 1").one()
        with store.write(Actor(None, "program")) as writer:
            receipt = writer.add_readings([NewReading(*key, 530.0, 1, pull=PullResult("cohesive"))])
            writer.correct(receipt.keys[0], kind="void", reason="a test")
        assert trail.verify(store).ok
