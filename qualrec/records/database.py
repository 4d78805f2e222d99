"""Opening a database, reading a consistent snapshot, and the one way to write.

Rooms above see `Store` only. `read()` gives a connection that sees one moment and cannot write; `write()` gives a
`ledger.Writer` inside one transaction: all of it is stored with its trail entries, or nothing.
"""

from __future__ import annotations

import os
import random
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import TracebackType

from sqlalchemy import Connection, Engine, text

from qualrec.errors import DatabaseError, DatabaseReadOnly, SchemaMismatch, UsageError
from qualrec.records import engine as engines
from qualrec.records import migrate
from qualrec.records.driver_errors import translated
from qualrec.records.ids import IdPool
from qualrec.records.ledger import Writer
from qualrec.values import Actor

UPGRADE = "Run: qualrec db upgrade"
WAITING_FRESH_S = 2.0
JUST_NOW_S, STEP_ASIDE_S = 0.1, (0.01, 0.03)
"""Who has just written steps aside for so long before the next turn, where another writer waits (SQLite)."""


def now_us() -> int:
    """UTC microseconds since 1970."""
    return time.time_ns() // 1000


class Store:
    """An open database. Threads may share it: every `read` and `write` has a connection of its own."""

    def __init__(self, url: str, engine: Engine, clock: Callable[[], int]) -> None:
        self.url = url
        self.engine = engine
        self.clock = clock
        self.dialect: str = engine.dialect.name
        self.path: Path | None = engines.file_of(url)
        self.place: str = engines.shown(url)
        """The address for messages, without a password."""
        self.revision = ""
        """Revision found when it was opened; empty where it was not looked at."""
        self.ids = IdPool()
        self.lock_wait_s = engines.LOCK_WAIT_S
        self._wrote = -JUST_NOW_S

    def __enter__(self) -> Store:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Give back all connections."""
        self.engine.dispose()

    @contextmanager
    def read(self) -> Iterator[Connection]:
        """A snapshot of one moment; writes through it are refused. Raises the DatabaseError tree."""
        with translated(self.place):
            connection = self._connect("DEFERRED")
            try:
                if self.dialect == "sqlite":
                    connection.exec_driver_sql("PRAGMA query_only = ON")
                else:
                    connection.exec_driver_sql("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY")
                yield connection
            finally:
                self._end_read(connection)

    def _end_read(self, connection: Connection) -> None:
        if not connection.invalidated:
            connection.rollback()
            if self.dialect == "sqlite":
                engines.run_raw(connection, "PRAGMA query_only = OFF")
        connection.close()

    @contextmanager
    def write(self, actor: Actor, plant_id: int | None = None) -> Iterator[Writer]:
        """One transaction with its trail entries. Nothing is stored where the block raises.

        `plant_id` None: the only plant. Raises DatabaseBusy where the turn does not come within `lock_wait_s`, and the
        rest of the DatabaseError tree; UsageError where the plant is not clear.
        """
        with translated(self.place):
            with self.transaction() as connection:
                writer = Writer(connection, actor, self._plant(connection, plant_id), self.ids, self.clock())
                try:
                    yield writer
                    writer.finish()
                except BaseException:
                    writer.drop()
                    raise
            writer.keep()

    @contextmanager
    def transaction(self) -> Iterator[Connection]:
        """A bare write transaction without a trail: for staged rows and rebuilt sums inside this room."""
        with translated(self.place):
            connection = self._connect("IMMEDIATE")
            try:
                self._check_still(connection)
                yield connection
                connection.commit()
            except BaseException:
                if not connection.invalidated:
                    connection.rollback()
                raise
            finally:
                connection.close()
                self._wrote = time.monotonic()

    def _check_still(self, connection: Connection) -> None:
        """Another program may have upgraded the database meanwhile; this one then writes nothing more."""
        if self.revision:
            found = str(connection.execute(text("SELECT version_num FROM alembic_version")).scalar() or "")
            if found != self.revision:
                raise SchemaMismatch(found, self.revision, "Close this program and start the newer one.")

    def _plant(self, connection: Connection, plant_id: int | None) -> int:
        if plant_id is not None:
            return plant_id
        plants = connection.execute(text("SELECT id FROM plant ORDER BY id LIMIT 2")).scalars().all()
        if len(plants) > 1:
            raise UsageError("The database holds several plants.", "Say which plant is meant.")
        return int(plants[0]) if plants else 0

    def _connect(self, begin: str) -> Connection:
        waits: list[int] = []
        if begin == "IMMEDIATE" and time.monotonic() - self._wrote < JUST_NOW_S and self.someone_waits():
            time.sleep(random.uniform(*STEP_ASIDE_S))

        def on_wait() -> None:
            waits.append(1)
            self._say_waiting()

        connection = engines.begin(self.engine, begin, wait_s=self.lock_wait_s, on_wait=on_wait)
        if waits:
            self._stop_waiting()
        return connection

    # A long import must know that a station waits: SQLite has no queue to look into, so a waiting writer leaves a mark.

    @property
    def _mark(self) -> Path | None:
        return None if self.path is None else self.path.with_name(self.path.name + "-waiting")

    def _say_waiting(self) -> None:
        mark = self._mark
        if mark is not None:
            try:
                mark.touch()
            except OSError:
                return

    def _stop_waiting(self) -> None:
        mark = self._mark
        if mark is not None:
            try:
                mark.unlink(missing_ok=True)
            except OSError:
                return

    def someone_waits(self) -> bool:
        """Whether another writer has been waiting within the last WAITING_FRESH_S (SQLite; on a server nobody has to)."""
        mark = self._mark
        if mark is None:
            return False
        try:
            return time.time() - mark.stat().st_mtime < WAITING_FRESH_S
        except OSError:
            return False


def open_store(
    url: str, *, create: bool = False, check: bool = True, clock: Callable[[], int] = now_us
) -> Store:
    """Open a database.

    `create`: make the file and its folder, and lay the schema, where the database is brand-new and empty. `check`: refuse a
    database of another revision. Raises UsageError for an address that cannot be used, SchemaMismatch, and the rest of
    the DatabaseError tree.
    """
    path = engines.file_of(url)
    if path is not None:
        _check_path(path, create)
    store = Store(url, engines.make_engine(url), clock)
    try:
        with translated(store.place):
            if create:
                _lay_schema(store)
            if check:
                _check_revision(store)
    except BaseException:
        store.close()
        raise
    return store


def _check_path(path: Path, create: bool) -> None:
    try:
        is_folder, exists = path.is_dir(), path.exists()
    except PermissionError as error:
        raise DatabaseReadOnly(
            f"{path} may not be read: a folder above it may not be entered.",
            "Give yourself the right to enter the folder, or give another path.",
        ) from error
    if is_folder:
        raise UsageError(f"{path} is a folder.", "Give the path of a database file.")
    if exists:
        if not os.access(path, os.R_OK):
            raise DatabaseReadOnly(
                f"{path} may not be read.", "Give yourself the right to read and write the file."
            )
        return
    if not create:
        raise DatabaseError(
            f"There is no database at {path}.", "Check the path, or make a new one: qualrec db create"
        )
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise DatabaseError(
            f"The folder {path.parent} cannot be made ({error.strerror}).",
            "Choose a folder that you may write in.",
        ) from error


def _lay_schema(store: Store) -> None:
    with store.read() as connection:
        brand_new = not migrate.holds_tables(connection)
    if brand_new:
        migrate.run_scripts(store.engine)


def _check_revision(store: Store) -> None:
    with store.read() as connection:
        found = migrate.revision_of(connection)
        foreign = not found and migrate.holds_tables(connection)
    if foreign:
        raise DatabaseError(
            f"{store.place} holds tables of another program.", "Give the path of the right database."
        )
    if not found:
        raise SchemaMismatch("", migrate.head(), "The database is empty. Run: qualrec db create")
    if migrate.missing(found):
        raise SchemaMismatch(found, migrate.head(), UPGRADE)
    store.revision = found
