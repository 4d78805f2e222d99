"""Whether an import is alive: a lock that is given back when its program dies, however it dies.

SQLite: an exclusive lock on an empty file beside the database, `<database>-import-<batch>`. PostgreSQL: an advisory
lock with the id of the batch, held by a connection of its own.
"""

from __future__ import annotations

import contextlib
import sqlite3
from pathlib import Path
from typing import TYPE_CHECKING

from sqlalchemy import Connection, text

from qualrec.errors import DatabaseError

if TYPE_CHECKING:
    from qualrec.records.database import Store


class ImportLock:
    """Held from `take` to `release`."""

    def __init__(self, batch_id: int) -> None:
        self.batch_id = batch_id
        self._file: sqlite3.Connection | None = None
        self._path: Path | None = None
        self._connection: Connection | None = None

    @classmethod
    def take(cls, store: Store, batch_id: int) -> ImportLock | None:
        """The lock of a batch, or None where a living program holds it."""
        lock = cls(batch_id)
        held = lock._take_file(store.path) if store.path is not None else lock._take_on_server(store)
        return lock if held else None

    def _take_file(self, database: Path) -> bool:
        self._path = database.with_name(f"{database.name}-import-{self.batch_id}")
        try:
            self._file = sqlite3.connect(self._path, timeout=0, isolation_level=None, check_same_thread=False)
            self._file.execute("BEGIN EXCLUSIVE")
        except sqlite3.OperationalError as error:
            if self._file is not None:
                self._file.close()
            if str(getattr(error, "sqlite_errorname", "")).startswith("SQLITE_BUSY"):
                return False
            raise DatabaseError(
                f"The lock file {self._path} cannot be made.",
                "Give yourself the right to write in its folder.",
            ) from error
        return True

    def _take_on_server(self, store: Store) -> bool:
        connection = store.engine.connect().execution_options(isolation_level="AUTOCOMMIT")
        if connection.execute(text("SELECT pg_try_advisory_lock(:id)"), {"id": self.batch_id}).scalar():
            self._connection = connection
            return True
        connection.close()
        return False

    def release(self) -> None:
        """Give the lock back; also where the database is gone already."""
        if self._file is not None and self._path is not None:
            self._file.close()
            with contextlib.suppress(OSError):
                self._path.unlink(missing_ok=True)
        if self._connection is not None:
            with contextlib.suppress(Exception):
                self._connection.execute(text("SELECT pg_advisory_unlock(:id)"), {"id": self.batch_id})
            self._connection.close()
        self._file, self._connection = None, None
