"""Rights on a real PostgreSQL server: an owner upgrades, a working role does all but change what is kept, a reader reads."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import psycopg
import pytest

from qualrec import config
from qualrec.errors import UsageError
from qualrec.records import bulk, grants, migrate, trail
from qualrec.records.clearing import clear_staged
from qualrec.records.database import Store, open_store
from qualrec.records.guards import APPEND_ONLY
from qualrec.records.models import metadata
from qualrec.records.partitions import RANGE_BITS
from qualrec.work import bench, corrections, definitions, intake, lots, review
from qualrec.work.sample_files import locate
from qualrec.work.session import Session, make_session
from qualrec.work.target import find_target

pytestmark = pytest.mark.parametrize("databases", ["postgresql"], indirect=True)
KEPT = ("reading", "pull", "reading_entry", "welded_unit", "trail", *sorted(APPEND_ONLY))


@dataclass
class Accounts:
    """A small plant on a server with three roles, and the address of a login of each."""

    plant: Any
    url: Callable[[str], str]

    def open(self, role: str) -> Store:
        return open_store(self.url(role), clock=lambda: self.plant.clock[0])

    def session(self, store: Store, badge: str = "Q-01") -> Session:
        return make_session(store, config.Settings(store.url, badge=badge))


@pytest.fixture
def accounts(small_plant: Any, postgres_server: str) -> Iterator[Accounts]:
    mark = os.getpid()
    names = {role: f"q_{role}_{mark}" for role in ("owner", "app", "reader")}
    logins = {role: f"q_login_{role}_{mark}" for role in names}
    url = small_plant.store.url
    text = grants.script(grants.Roles(**names))
    with psycopg.connect(url, autocommit=True) as admin:
        for _ in range(2):  # it may be run again
            admin.execute(text)
        for role, login in logins.items():
            admin.execute(f"CREATE ROLE {login} LOGIN IN ROLE {names[role]}")
    at = url.split("@", 1)[1]
    yield Accounts(small_plant, lambda role: f"postgresql://{logins[role]}@{at}")
    small_plant.store.close()
    with psycopg.connect(url, autocommit=True) as admin:
        for name in names.values():
            admin.execute(f"REASSIGN OWNED BY {name} TO CURRENT_USER")
            admin.execute(f"DROP OWNED BY {name}")
        admin.execute(
            "DROP FUNCTION make_reading_partition(bigint, bigint), clear_staged_rows(bigint, integer)"
        )
        for name in (*logins.values(), *names.values()):
            admin.execute(f"DROP ROLE {name}")


def pull_file(tmp_path: Path, lot: str) -> Path:
    """The sample file of a tester for another lot."""
    path = tmp_path / f"{lot}.csv"
    path.write_text(
        locate("tester_pulls.csv").read_text(encoding="utf-8").replace("FM00061", lot), encoding="utf-8"
    )
    return path


def test_the_product_works_as_the_working_role(
    accounts: Accounts, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with accounts.open("app") as store:
        s = accounts.session(store)
        target = find_target(s, "FM00061", "PULL")
        done = bench.log(s, target, [bench.Entry("401,2", mode="interfacial")], entry_key="a")
        assert done.state == "on hold"
        corrections.correct_text(s, "FM00061", "PULL", 1, value="402", reason="digits exchanged")
        page = lots.lot_page(s, "FM00061")
        lots.close_flag(s, next(f for f in page.flags if f.state != "closed").id, "Five more pulls good")
        bench.log_event(s, "glass_cleaned", lot="FM00061")
        assert intake.take_file(s, pull_file(tmp_path, "FM00060")).readings == 5
        monkeypatch.setattr(intake, "BULK_READINGS", 100)
        assert intake.take_file(s, locate("welding_machine.csv"), gauge="PS-01").readings == 600
        recipe = definitions.load(locate("sample_plant.toml"))["recipe"][1]["code"]
        review.approve_recipe(s, recipe, 1, reason="Window study seen")
        lots.dispose(s, "FM00060", "hold", reason="look again")
        assert trail.verify(store).ok
        assert lots.lot_page(s, "FM00060").lot.state == "on hold"


def test_what_is_kept_is_refused_by_the_server_itself(accounts: Accounts) -> None:
    with psycopg.connect(accounts.url("app"), autocommit=True) as connection:
        for table in KEPT:
            column = next(iter(metadata.tables[table].c)).name
            for statement in (
                f"UPDATE {table} SET {column} = {column}",
                f"DELETE FROM {table}",
                f"TRUNCATE {table}",
                f"ALTER TABLE {table} DISABLE TRIGGER ALL",
                f"DROP TABLE {table}",
            ):
                with pytest.raises(psycopg.errors.InsufficientPrivilege):
                    connection.execute(statement)
        with pytest.raises(psycopg.errors.InsufficientPrivilege):
            connection.execute("SET session_replication_role = replica")


def test_rows_of_a_dead_import_are_cleared_and_no_others(
    accounts: Accounts, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bulk, "ROWS_A_TRANSACTION", {"postgresql": 5, "sqlite": 5})
    with accounts.open("app") as store:
        s = accounts.session(store)
        target = find_target(s, "FM00061", "PULL")
        bench.log(s, target, [bench.Entry("612,4", mode="parent material")])
        job = bulk.BulkImport(store, s.actor, plant_id=s.plant.id, file_name="dead").__enter__()
        n = 20
        job.stage(
            bulk.NewColumns(
                np.full(n, target.subject_id),
                np.full(n, target.characteristic.id),
                np.linspace(600, 620, n),
                np.arange(n),
            )
        )
        job._release()
        count = "SELECT count(*) FROM reading"
        assert accounts.plant.rows(count) == [(21,)]
        assert clear_staged(store) == 1
        assert accounts.plant.rows(count) == [(1,)]
        batch = accounts.plant.rows("SELECT id FROM batch WHERE state = 'accepted'")[0][0]
    with (
        psycopg.connect(accounts.url("app")) as connection,
        pytest.raises(psycopg.errors.RaiseException, match="never removed"),
    ):
        connection.execute("SELECT clear_staged_rows(%s, 10)", (batch,))


def test_a_new_range_of_subjects_gets_its_partition(accounts: Accounts) -> None:
    with accounts.open("owner") as store, store.transaction() as connection:
        connection.exec_driver_sql(f"UPDATE id_counter SET next_value = {(5 << RANGE_BITS) + 10}")
    plant = accounts.plant.rows("SELECT id FROM plant")[0][0]
    with accounts.open("app") as store:
        s = accounts.session(store)
        with store.write(s.actor, s.plant.id) as writer:
            writer.new_id()
    query = "SELECT to_regclass(:name) IS NOT NULL"
    assert accounts.plant.rows(query, name=f"reading_p{plant}_5") == [(True,)]
    guard = f"keep_reading_p{plant}_5_truncate"
    assert accounts.plant.rows("SELECT count(*) FROM pg_trigger WHERE tgname = :name", name=guard) == [(1,)]
    with (
        psycopg.connect(accounts.url("app")) as connection,
        pytest.raises(psycopg.errors.RaiseException, match="has not reached"),
    ):
        connection.execute("SELECT make_reading_partition(%s, 900)", (plant,))


def test_the_reader_reads_and_writes_nothing(accounts: Accounts) -> None:
    with psycopg.connect(accounts.url("reader"), autocommit=True) as connection:
        for table in metadata.tables.keys() - {"person"}:
            connection.execute(f"SELECT * FROM {table}")
        assert connection.execute("SELECT count(badge) FROM person").fetchone() != (0,)
        for column in ("password_hash", "pin_hash"):
            with pytest.raises(psycopg.errors.InsufficientPrivilege):
                connection.execute(f"SELECT {column} FROM person")
        for statement in (
            "DELETE FROM rollup",
            "INSERT INTO stream (id) VALUES (77)",
            "CREATE TABLE x (y int)",
        ):
            with pytest.raises(psycopg.errors.InsufficientPrivilege):
                connection.execute(statement)


def test_the_owner_upgrades(accounts: Accounts) -> None:
    url = accounts.url("owner")
    assert migrate.upgrade(url).before == migrate.head()
    with psycopg.connect(url, autocommit=True) as connection:
        connection.execute("ALTER TABLE event ADD COLUMN later integer")
        connection.execute("ALTER TABLE event DROP COLUMN later")


def test_every_table_is_either_changed_or_kept(databases: Any) -> None:
    changed = set(grants.changed_tables())
    assert changed.isdisjoint(KEPT)
    assert metadata.tables.keys() - changed - set(KEPT) == {"subject"}
    assert set(grants.removable_tables()) <= changed


@pytest.mark.parametrize("name", ["", "Owner", 'x"; DROP TABLE reading; --', "a b", "1a", "x" * 64])
def test_names_that_are_no_plain_names_are_refused(databases: Any, name: str) -> None:
    with pytest.raises(UsageError):
        grants.Roles(owner=name)
    with pytest.raises(UsageError):
        grants.Roles(owner="same", app="same")
