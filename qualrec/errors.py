"""The error tree and the exit codes. Every message says what, where and what to do.

QualrecError
├── UsageError              a request that cannot be understood or names something unknown   exit 2
│   ├── AmbiguousNumber     a number that reads in two ways; both readings are carried
│   ├── UnknownRecord       no such part, lot, characteristic, gauge ...
│   └── ComputeError        a computation lacks what it needs (n, spread, a limit)
├── Refused                 a rule of the records says no; nothing was written               exit 1
│   ├── FileRefused         a file with located problems; nothing of it was taken
│   └── ImplausibleValue    far from the history or outside plausible bounds; asks again
└── DatabaseError           the database cannot be used                                      exit 3
    ├── SchemaMismatch      the database is of another revision than the program
    ├── DatabaseBusy        another program holds the lock for too long
    ├── DatabaseReadOnly    the file or the server refuses writes
    ├── DiskFull            no room; the transaction was rolled back
    └── ConnectionLost      the server went away
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum


class ExitCode(IntEnum):
    """Exit codes of every command."""

    OK = 0
    BAD_ANSWER = 1
    """Done, but the answer is bad: a lot on hold, a file refused, a broken chain."""
    USAGE = 2
    DATABASE = 3
    INTERRUPTED = 130


class QualrecError(Exception):
    """Base of all errors that a user may see; `remedy` says what to do."""

    exit_code: ExitCode = ExitCode.BAD_ANSWER

    def __init__(self, message: str, remedy: str = "") -> None:
        super().__init__(message)
        self.message = message
        self.remedy = remedy

    def __str__(self) -> str:
        return f"{self.message}\n{self.remedy}" if self.remedy else self.message


class UsageError(QualrecError):
    exit_code = ExitCode.USAGE


class AmbiguousNumber(UsageError):
    """`readings` holds the values the text may mean, each as the user would retype it."""

    def __init__(self, text: str, readings: tuple[tuple[str, float], ...], remedy: str = "") -> None:
        both = " or ".join(f"{shown} ({value!r})" for shown, value in readings)
        super().__init__(f"{text!r} can be read as {both}.", remedy or "Type it again in the form you mean.")
        self.text = text
        self.readings = readings


class UnknownRecord(UsageError):
    pass


class ComputeError(UsageError):
    pass


class Refused(QualrecError):
    exit_code = ExitCode.BAD_ANSWER


@dataclass(frozen=True, slots=True)
class Problem:
    """One located problem of an input: file, row (1 = first line of the file), column by name or letter."""

    message: str
    file: str = ""
    row: int | None = None
    column: str = ""

    def __str__(self) -> str:
        where = [self.file] if self.file else []
        if self.row is not None:
            where.append(f"row {self.row}")
        if self.column:
            where.append(f"column {self.column}")
        return f"{', '.join(where)}: {self.message}" if where else self.message


class FileRefused(Refused):
    def __init__(self, message: str, problems: tuple[Problem, ...] = (), remedy: str = "") -> None:
        super().__init__(message, remedy)
        self.problems = problems


class ImplausibleValue(Refused):
    """The value must be typed a second time, without sight of the first, to be taken."""

    def __init__(self, message: str, value: float, expected: tuple[float, float], remedy: str = "") -> None:
        super().__init__(message, remedy)
        self.value = value
        self.expected = expected


class DatabaseError(QualrecError):
    exit_code = ExitCode.DATABASE


class SchemaMismatch(DatabaseError):
    def __init__(self, found: str, wanted: str, remedy: str) -> None:
        super().__init__(
            f"The database is at revision {found or 'none'}, this program needs {wanted}.", remedy
        )
        self.found = found
        self.wanted = wanted


class DatabaseBusy(DatabaseError):
    pass


class DatabaseReadOnly(DatabaseError):
    pass


class DiskFull(DatabaseError):
    pass


class ConnectionLost(DatabaseError):
    pass
