"""Engines: from a URL to connections that are set up the same way everywhere."""

from __future__ import annotations

import random
import sqlite3
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Engine, create_engine, event
from sqlalchemy.engine import URL, make_url
from sqlalchemy.exc import ArgumentError, DBAPIError

from qualrec.errors import DatabaseBusy, DatabaseError, UsageError
from qualrec.records.driver_errors import TRY_AGAIN, is_busy

LOCK_WAIT_S = 10.0
"""How long a writer waits for its turn before DatabaseBusy."""


def parse(url: str) -> URL:
    """The parsed URL. Raises UsageError for a URL that cannot be read or a database in memory."""
    try:
        parsed = make_url(url)
    except ArgumentError as error:
        raise UsageError(
            "The database address cannot be read.", "Give a path to a SQLite file or a postgresql:// URL."
        ) from error
    kind = parsed.get_backend_name()
    if kind not in ("sqlite", "postgresql"):
        raise UsageError(
            f"Database kind {kind!r} is not known.", "Give a path to a SQLite file or a postgresql:// URL."
        )
    if kind == "sqlite" and (
        parsed.database in (None, "", ":memory:") or parsed.query.get("mode") == "memory"
    ):
        raise UsageError(
            "A database in memory is not supported: records must outlive the program.",
            "Give a path to a file.",
        )
    return parsed


def shown(url: str) -> str:
    """The address for messages: a file path, or a URL without its password."""
    path = file_of(url)
    return str(path) if path is not None else parse(url).render_as_string(hide_password=True)


def file_of(url: str) -> Path | None:
    """Path of a SQLite database; None for a server."""
    parsed = parse(url)
    if parsed.get_backend_name() != "sqlite":
        return None
    return Path(str(parsed.database).removeprefix("file:").split("?", 1)[0])


def make_engine(url: str) -> Engine:
    """An engine whose connections have the settings that the records rely on.

    SQLite: WAL, synchronous FULL, foreign keys, recursive triggers, no waiting in the driver (the program waits itself), and
    transactions begun by the program. PostgreSQL: psycopg, UTC, a lock timeout of LOCK_WAIT_S.
    """
    parsed = parse(url)
    if parsed.get_backend_name() == "sqlite":
        engine = create_engine(parsed, connect_args={"timeout": 0})
        event.listen(engine, "connect", _set_up_sqlite)
        event.listen(engine, "begin", _begin_sqlite)
        return engine
    try:
        return create_engine(
            parsed.set(drivername="postgresql+psycopg"),
            pool_pre_ping=True,
            connect_args={
                "connect_timeout": 10,
                "options": f"-c timezone=UTC -c lock_timeout={int(LOCK_WAIT_S * 1000)} -c client_min_messages=warning",
            },
        )
    except ModuleNotFoundError as error:
        raise DatabaseError(
            "The driver for PostgreSQL is not installed.", "Install it: pip install 'qualrec[postgres]'"
        ) from error


def _set_up_sqlite(connection: sqlite3.Connection, _record: Any) -> None:
    connection.isolation_level = None
    cursor = connection.cursor()
    try:
        if cursor.execute("PRAGMA journal_mode").fetchone()[0] != "wal":
            cursor.execute("PRAGMA busy_timeout = 2000")
            try:
                cursor.execute("PRAGMA journal_mode = WAL")
            except sqlite3.OperationalError as error:
                if not str(getattr(error, "sqlite_errorname", "")).startswith("SQLITE_READONLY"):
                    raise
            cursor.execute("PRAGMA busy_timeout = 0")
        cursor.execute("PRAGMA synchronous = FULL")
        cursor.execute("PRAGMA foreign_keys = ON")
        cursor.execute("PRAGMA recursive_triggers = ON")
    finally:
        cursor.close()


def _begin_sqlite(connection: Connection) -> None:
    mode = connection.get_execution_options().get("qualrec_begin", "DEFERRED")
    connection.exec_driver_sql(f"BEGIN {mode}")


def run_raw(connection: Connection, statement: str) -> None:
    """A statement outside the transaction handling of SQLAlchemy (pragmas that must not begin one)."""
    cursor = connection.connection.cursor()
    try:
        cursor.execute(statement)
    finally:
        cursor.close()


def begin(
    engine: Engine,
    mode: str,
    *,
    wait_s: float = LOCK_WAIT_S,
    on_wait: Callable[[], None] | None = None,
    first: str = "",
) -> Connection:
    """A connection inside a transaction; `mode` (SQLite) is DEFERRED to read, IMMEDIATE to write.

    SQLite gives no turn to those who wait, so a waiting writer tries again after short random pauses (`on_wait` is called
    each time) until `wait_s` is over: DatabaseBusy. PostgreSQL waits by itself, see `make_engine`. `first` is run before the
    transaction.
    """
    end = time.monotonic() + wait_s
    while True:
        connection: Connection | None = None
        try:
            connection = engine.connect().execution_options(qualrec_begin=mode)
            if first:
                run_raw(connection, first)
            connection.begin()
            if mode == "DEFERRED" and engine.dialect.name == "sqlite":
                connection.exec_driver_sql("SELECT count(*) FROM sqlite_master")
            return connection
        except (DBAPIError, sqlite3.Error) as error:
            if connection is not None:
                connection.close()
            if engine.dialect.name != "sqlite" or not is_busy(error):
                raise
            if time.monotonic() > end:
                raise DatabaseBusy(
                    f"{engine.url.database} has been held by another program for {wait_s:g} s.", TRY_AGAIN
                ) from error
        if on_wait is not None:
            on_wait()
        time.sleep(random.uniform(0.001, 0.012))
