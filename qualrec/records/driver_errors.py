"""Errors of the database drivers, turned into the error tree with a remedy. Nothing of a driver reaches a user."""

from __future__ import annotations

import sqlite3
import sys
from collections.abc import Iterator
from contextlib import contextmanager

from sqlalchemy.exc import DBAPIError, SQLAlchemyError

from qualrec.errors import (
    ConnectionLost,
    DatabaseBusy,
    DatabaseError,
    DatabaseReadOnly,
    DiskFull,
    QualrecError,
    Refused,
)

TRY_AGAIN = "Nothing was written. Try again; if it happens again, see which program holds the database."
SERVER_REMEDY = (
    "Check the server, the network and the address, then try again. A repeated entry is not stored twice."
)


def is_busy(error: BaseException) -> bool:
    """True where another connection holds a lock that will be given back."""
    original = _original(error)
    if isinstance(original, sqlite3.Error):
        return _sqlite_name(original).startswith(("SQLITE_BUSY", "SQLITE_LOCKED"))
    return _sqlstate(original) in ("55P03", "40P01", "40001")


def is_double(error: BaseException) -> bool:
    """True where a row with the same key is there already."""
    original = _original(error)
    if isinstance(original, sqlite3.Error):
        return _sqlite_name(original) in ("SQLITE_CONSTRAINT_PRIMARYKEY", "SQLITE_CONSTRAINT_UNIQUE")
    return _sqlstate(original) == "23505"


def translate(error: BaseException, place: str) -> QualrecError:
    """The QualrecError that says the same. `place` is the database without its password."""
    original = _original(error)
    if isinstance(original, sqlite3.Error):
        return _from_sqlite(original, place)
    if isinstance(error, DBAPIError) and error.connection_invalidated:
        return ConnectionLost(f"The connection to {place} was lost.", SERVER_REMEDY)
    if _sqlstate(original) is not None or type(original).__module__.startswith("psycopg"):
        return _from_server(original, place)
    return DatabaseError(f"{place}: {_first_line(original)}", "Report this with what you were doing.")


@contextmanager
def translated(place: str) -> Iterator[None]:
    """Turns errors of SQLAlchemy, sqlite3 and psycopg into the error tree; lets everything else through."""
    try:
        yield
    except QualrecError:
        raise
    except UnicodeDecodeError as error:
        # The driver cannot even read the names in a damaged file.
        raise _damaged(place, str(error)) from error
    except UnicodeEncodeError as error:
        # Half a character, as a shell gives it for bytes that are no text.
        raise Refused("A text holds a sign that cannot be stored.", "Type it again.") from error
    except Exception as error:
        if isinstance(error, SQLAlchemyError | sqlite3.Error) or _is_psycopg(error):
            raise translate(error, place) from error
        raise


def _is_psycopg(error: BaseException) -> bool:
    module = sys.modules.get("psycopg")
    return module is not None and isinstance(error, module.Error)


def _original(error: BaseException) -> BaseException:
    original = getattr(error, "orig", None)
    return original if isinstance(original, BaseException) else error


def _sqlite_name(error: sqlite3.Error) -> str:
    return str(getattr(error, "sqlite_errorname", "") or "")


def _sqlstate(error: BaseException) -> str | None:
    state = getattr(error, "sqlstate", None)
    return state if isinstance(state, str) else None


def _first_line(error: BaseException) -> str:
    return (str(error).strip().splitlines() or [type(error).__name__])[0]


def _from_sqlite(error: sqlite3.Error, place: str) -> QualrecError:
    name, text = _sqlite_name(error), _first_line(error)
    if name.startswith("SQLITE_CONSTRAINT"):
        return _broken_rule(text, name.removeprefix("SQLITE_CONSTRAINT").strip("_").lower())
    if name.startswith(("SQLITE_BUSY", "SQLITE_LOCKED")):
        return DatabaseBusy(f"{place} is held by another program.", TRY_AGAIN)
    if name.startswith("SQLITE_READONLY"):
        return DatabaseReadOnly(
            f"{place} cannot be written: the file or its folder is read-only.",
            "Give yourself the right to write to the file and its folder, or open another database.",
        )
    if name == "SQLITE_FULL" or (name == "SQLITE_IOERR_WRITE"):
        return DiskFull(
            f"No room to write to {place}. The entry was not stored.",
            "Free room on the disk, then enter it again.",
        )
    if name.startswith("SQLITE_IOERR"):
        return DatabaseError(
            f"The disk refused to read or write {place} ({text}). The entry was not stored.",
            "Check the disk and the network drive, then try again.",
        )
    if name == "SQLITE_NOTADB":
        return DatabaseError(
            f"{place} is not a database of this program.", "Give the path of the right file."
        )
    if name == "SQLITE_CORRUPT" or name.startswith("SQLITE_CORRUPT_") or "decode to UTF-8" in text:
        return _damaged(place, text)
    if name.startswith("SQLITE_CANTOPEN"):
        return DatabaseError(
            f"{place} cannot be opened.",
            "Check that the folder exists and that you may read and write in it.",
        )
    return DatabaseError(f"{place}: {text}", "Report this with what you were doing.")


def _from_server(error: BaseException, place: str) -> QualrecError:
    state, text = _sqlstate(error) or "", _first_line(error)
    if state.startswith("23"):
        constraint = getattr(getattr(error, "diag", None), "constraint_name", None) or ""
        kinds = {
            "23505": "unique",
            "23503": "foreignkey",
            "23502": "notnull",
            "23514": "check",
            "23001": "trigger",
        }
        return _broken_rule(constraint or text, kinds.get(state, ""), text)
    if state in ("55P03", "40P01", "40001"):
        return DatabaseBusy(f"{place} is held by another station.", TRY_AGAIN)
    if state == "25006":
        return DatabaseReadOnly(
            f"{place} refuses writes: it is read-only.", "Connect to the server that takes writes."
        )
    if state in ("42501",):
        return DatabaseReadOnly(
            f"The account may not do this on {place}: {text}",
            "Ask the administrator of the server for the right.",
        )
    if state in ("53100", "53200"):
        return DiskFull(
            f"The server of {place} has no room. The entry was not stored.",
            "Tell the administrator of the server; enter it again afterwards.",
        )
    # Where the connection itself is refused the driver gives no state, only the server's words.
    refused = "FATAL:" in text and not state
    if state == "3D000" or (refused and 'database "' in text and "does not exist" in text):
        return DatabaseError(
            f"The server answers, but {place} does not exist on it.",
            "Have the server's administrator create the empty database, then: qualrec db create",
        )
    if state.startswith("28") or (refused and ("authentication failed" in text or 'role "' in text)):
        return DatabaseError(f"The server refuses this account on {place}.", "Check user name and password.")
    if state == "" or state.startswith(("08", "57P")):
        return ConnectionLost(f"The server of {place} does not answer ({text}).", SERVER_REMEDY)
    return DatabaseError(f"{place}: {text}", "Report this with what you were doing.")


def _damaged(place: str, text: str) -> DatabaseError:
    return DatabaseError(
        f"{place} is damaged ({text}).", "Stop all stations and put the last good copy of the file back."
    )


def _broken_rule(text: str, kind: str, whole: str = "") -> Refused:
    """A constraint or a guard of the schema said no."""
    if kind == "trigger":
        return Refused(f"{whole or text}.", "Records are kept as they were entered.")
    if kind in ("unique", "primarykey", "rowid"):
        return Refused(
            f"There is already such a record ({_named(text)}).", "Use another number, or the one there is."
        )
    if kind == "foreignkey":
        return Refused(
            f"A record that this one points to is not there ({_named(text)}).", "Enter that record first."
        )
    if kind == "notnull":
        return Refused(f"A field is empty that must be filled ({_named(whole or text)}).", "Fill it in.")
    return Refused(f"A field holds what is not allowed ({_named(text)}).", "Enter an allowed value.")


def _named(text: str) -> str:
    return text.split("failed:", 1)[-1].strip() or text
