"""Rights on a real PostgreSQL server: what is kept is refused by the server itself, whatever a program tries."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import psycopg
import pytest

from qualrec.errors import UsageError
from qualrec.records import bulk, grants, migrate
from qualrec.records.clearing import clear_staged
from qualrec.records.database import open_store
from qualrec.records.guards import APPEND_ONLY
from qualrec.records.models import metadata
from qualrec.records.partitions import RANGE_BITS

SERVER = pytest.mark.parametrize("databases", ["postgresql"], indirect=True)
KEPT = ("reading", "pull", "reading_entry", "welded_unit", "trail", *sorted(APPEND_ONLY))
Accounts = Callable[[str], str]


@SERVER
def test_what_is_kept_is_refused_by_the_server(site: Any, accounts: Accounts) -> None:
    with psycopg.connect(accounts("app"), autocommit=True) as connection:
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


@SERVER
def test_rows_of_a_dead_import_are_cleared_and_no_others(
    site: Any, accounts: Accounts, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bulk, "ROWS_A_TRANSACTION", {"postgresql": 5, "sqlite": 5})
    site.add(site.reading(500.0))
    with open_store(accounts("app")) as store:
        job = bulk.BulkImport(store, site.actor, plant_id=site.plant_id, file_name="dead").__enter__()
        n = 20
        same = np.full(n, site.segments[0]), np.full(n, site.force)
        job.stage(bulk.NewColumns(*same, np.linspace(500, 520, n), np.arange(n)))
        job._release()
        assert site.rows("SELECT count(*) FROM reading") == [(21,)]
        assert clear_staged(store) == 1
        assert site.rows("SELECT count(*) FROM reading") == [(1,)]
    batch = site.rows("SELECT id FROM batch WHERE state = 'accepted'")[0][0]
    with (
        psycopg.connect(accounts("app")) as connection,
        pytest.raises(psycopg.errors.RaiseException, match="never removed"),
    ):
        connection.execute("SELECT clear_staged_rows(%s, 10)", (batch,))


@SERVER
def test_a_new_range_of_subjects_gets_its_partition(site: Any, accounts: Accounts) -> None:
    with open_store(accounts("owner")) as store, store.transaction() as connection:
        connection.exec_driver_sql(f"UPDATE id_counter SET next_value = {(5 << RANGE_BITS) + 10}")
    with (
        open_store(accounts("app")) as store,
        store.write(site.actor, site.plant_id) as writer,
    ):
        subject = writer.new_subject("study run")
        writer.add_readings([site.reading(500.0, subject_id=subject)])
    name = f"reading_p{site.plant_id}_5"
    assert site.rows(f"SELECT count(*) FROM {name}") == [(1,)]
    assert site.rows(f"SELECT count(*) FROM pg_trigger WHERE tgname = 'keep_{name}_truncate'") == [(1,)]
    with (
        psycopg.connect(accounts("app")) as connection,
        pytest.raises(psycopg.errors.RaiseException, match="has not reached"),
    ):
        connection.execute("SELECT make_reading_partition(%s, 900)", (site.plant_id,))


@SERVER
def test_a_working_role_without_the_functions_uses_the_default_partition(
    site: Any, accounts: Accounts
) -> None:
    """Rights that an administrator gave by hand, without the script's functions."""
    with psycopg.connect(accounts("owner"), autocommit=True) as connection:
        connection.execute("ALTER FUNCTION make_reading_partition(bigint, bigint) RENAME TO aside")
        connection.execute(f"UPDATE id_counter SET next_value = {(6 << RANGE_BITS) + 10}")
    with open_store(accounts("app")) as store, store.write(site.actor, site.plant_id) as writer:
        subject = writer.new_subject("study run")
        writer.add_readings([site.reading(500.0, subject_id=subject)])
    assert site.rows("SELECT count(*) FROM reading_pdefault") == [(1,)]
    with psycopg.connect(accounts("owner"), autocommit=True) as connection:
        connection.execute("ALTER FUNCTION aside(bigint, bigint) RENAME TO make_reading_partition")


@SERVER
def test_the_reader_reads_and_the_owner_upgrades(site: Any, accounts: Accounts) -> None:
    with psycopg.connect(accounts("reader"), autocommit=True) as connection:
        for table in metadata.tables.keys() - {"person"}:
            connection.execute(f"SELECT * FROM {table}")
        assert connection.execute("SELECT count(badge) FROM person").fetchone() == (2,)
        for statement in (
            "SELECT password_hash FROM person",
            "SELECT pin_hash FROM person",
            "DELETE FROM rollup",
            "INSERT INTO stream (id) VALUES (77)",
            "CREATE TABLE x (y int)",
            "SELECT clear_staged_rows(1, 1)",
        ):
            with pytest.raises(psycopg.errors.InsufficientPrivilege):
                connection.execute(statement)
    url = accounts("owner")
    assert migrate.upgrade(url).before == migrate.head()
    with psycopg.connect(url, autocommit=True) as connection:
        connection.execute("ALTER TABLE event ADD COLUMN later integer")
        connection.execute("ALTER TABLE event DROP COLUMN later")


def test_every_table_is_either_changed_or_kept() -> None:
    changed = set(grants.changed_tables())
    assert changed.isdisjoint(KEPT)
    assert metadata.tables.keys() - changed - set(KEPT) == {"subject"}
    assert set(grants.removable_tables()) <= changed


@pytest.mark.parametrize("name", ["", "Owner", 'x"; DROP TABLE reading; --', "a b", "1a", "x" * 64])
def test_names_that_are_no_plain_names_are_refused(name: str) -> None:
    with pytest.raises(UsageError):
        grants.Roles(owner=name)
    with pytest.raises(UsageError):
        grants.Roles(owner="same", app="same")
