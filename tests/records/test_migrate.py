"""Revisions: the migrations make exactly the tables of the models, and an upgrade is whole or nothing."""

from __future__ import annotations

import shutil
import threading
from pathlib import Path
from typing import Any

import pytest
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import CheckConstraint, inspect

from qualrec.errors import DatabaseError, QualrecError, SchemaMismatch
from qualrec.records import migrate, trail
from qualrec.records.database import Store, open_store
from qualrec.records.models import metadata

SECOND = '''
"""A second revision for the tests."""
from alembic import op
import sqlalchemy as sa

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("plant", sa.Column("country", sa.String(2), nullable=True))
    {more}
'''


@pytest.fixture
def second(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Any:
    """Makes the program one revision newer; the argument is a line more in the script."""

    def make(more: str = "") -> None:
        folder = tmp_path / "100%" / "migrations"
        shutil.copytree(migrate.locate(), folder)
        script = folder / "versions" / "0002_second.py"
        script.write_text(SECOND.strip().format(more=more), encoding="utf-8")
        monkeypatch.setattr(migrate, "locate", lambda: folder)

    return make


def test_head_is_what_alembic_says() -> None:
    config = Config()
    config.set_main_option("script_location", str(migrate.locate()))
    config.set_main_option("path_separator", "os")
    script = ScriptDirectory.from_config(config)
    assert migrate.head() == script.get_current_head()
    assert list(migrate.revisions()) == [r.revision for r in reversed(list(script.walk_revisions()))]


def test_migrations_make_the_models(store: Store) -> None:
    """Tables, columns, types, NULL, keys, indexes, by alembic's own comparison."""

    def ours(name: str | None, kind: str, parents: Any) -> bool:
        return not str(parents.get("table_name") or name).startswith("reading_p")

    with store.read() as connection:
        options = {"compare_type": True, "include_name": ours}
        found = compare_metadata(MigrationContext.configure(connection, opts=options), metadata)
    assert found == []
    assert len(metadata.tables) == 72


def test_every_check_of_the_models_is_in_the_database(store: Store) -> None:
    """Alembic does not compare CHECKs."""
    with store.engine.connect() as connection:
        inspector = inspect(connection)
        for table in metadata.tables.values():
            wanted = {c.name for c in table.constraints if isinstance(c, CheckConstraint)}
            assert {c["name"] for c in inspector.get_check_constraints(table.name)} == wanted, table.name


def test_rows_zero(store: Store) -> None:
    with store.read() as connection:
        assert connection.exec_driver_sql("SELECT id, label FROM stream").fetchall() == [(0, "")]
        assert connection.exec_driver_sql("SELECT id, digest FROM condition").fetchall() == [(0, "0" * 64)]
    assert trail.verify(store).ok


def test_an_older_database_is_not_upgraded_silently(store_url: str, second: Any) -> None:
    second()
    with pytest.raises(SchemaMismatch, match="is at revision 0001, this program needs 0002") as caught:
        open_store(store_url)
    assert "qualrec db upgrade" in caught.value.remedy
    assert migrate.current(store_url) == "0001"


def test_upgrade_with_a_copy_first(databases: Any, second: Any) -> None:
    url = databases.new()
    second()
    asked = migrate.upgrade(url, dry_run=True)
    assert (asked.before, asked.after, asked.steps, asked.copy, asked.dry_run) == (
        "0001",
        "0002",
        ("0002",),
        None,
        True,
    )
    assert migrate.current(url) == "0001"
    done = migrate.upgrade(url)
    assert (done.before, done.after, done.steps) == ("0001", "0002", ("0002",))
    assert migrate.current(url) == "0002"
    with open_store(url) as store, store.read() as connection:
        connection.exec_driver_sql("SELECT country FROM plant")
    if databases.kind == "sqlite":
        assert done.copy is not None
        assert migrate.current(f"sqlite:///{done.copy}") == "0001"
    else:
        assert done.copy is None
        assert "dump" in done.remark
    again = migrate.upgrade(url)
    assert (again.before, again.steps, again.copy) == ("0002", (), None)
    databases.give_back(url, laid=False)


def test_an_upgrade_that_fails_leaves_the_old_database(databases: Any, second: Any) -> None:
    url = databases.new()
    second("op.execute('SELECT * FROM nothing')")
    with pytest.raises(QualrecError) as caught:
        migrate.upgrade(url)
    assert caught.value.remedy
    assert migrate.current(url) == "0001"
    with open_store(url, check=False) as store, store.engine.connect() as connection:
        names = [c["name"] for c in inspect(connection).get_columns("plant")]
    assert "country" not in names
    databases.give_back(url, laid=False)


def test_an_upgrade_that_would_leave_rows_pointing_nowhere(tmp_path: Path, second: Any) -> None:
    url = f"sqlite:///{tmp_path / 'a.sqlite'}"
    open_store(url, create=True).close()
    second("op.execute('INSERT INTO trail_head VALUES (5, 0, 0)')")
    with pytest.raises(DatabaseError, match="pointing nowhere"):
        migrate.upgrade(url)
    assert migrate.current(url) == "0001"


def test_two_programs_create_at_once(empty_url: str) -> None:
    errors: list[BaseException] = []

    def create() -> None:
        try:
            open_store(empty_url, create=True).close()
        except BaseException as error:
            errors.append(error)

    threads = [threading.Thread(target=create) for _ in range(3)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert errors == []
    assert migrate.current(empty_url) == migrate.head()


def test_upgrade_makes_a_new_database(empty_url: str) -> None:
    done = migrate.upgrade(empty_url)
    assert (done.before, done.steps, done.copy) == ("", migrate.revisions(), None)
    open_store(empty_url).close()


def test_missing_scripts_are_named(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setattr(migrate, "PACKAGE", tmp_path / "lib" / "qualrec")
    with pytest.raises(DatabaseError, match="migration scripts are missing") as caught:
        migrate.locate()
    assert str(tmp_path) in caught.value.message
