"""Readings as parallel arrays, and reading them back from a database in key order."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection

from qualrec.records.rollup import starts
from qualrec.values import FloatArray, IntArray

CHUNK = 50_000
SELECTED = (
    "reading.subject_id, reading.characteristic_id, reading.stream_id, reading.sample, reading.value, reading.at_us,"
    " reading.batch_id, reading.condition_id"
)
SELECTED_AS = ("subject", "characteristic", "stream", "sample", "value", "at_us", "batch", "condition")
KEY_ORDER = "reading.subject_id, reading.characteristic_id, reading.stream_id, reading.sample"
Key3 = tuple[int, int, int]
"""Subject, characteristic, stream."""


@dataclass(frozen=True, slots=True, eq=False)
class Columns:
    """Readings as arrays of equal length; `value` is nan for a test fault."""

    subject: IntArray
    characteristic: IntArray
    stream: IntArray
    sample: IntArray
    value: FloatArray
    at_us: IntArray
    batch: IntArray
    condition: IntArray

    def __len__(self) -> int:
        return len(self.subject)

    def pick(self, which: NDArray[Any] | slice) -> Columns:
        return Columns(*(getattr(self, name)[which] for name in self.__slots__))

    def sorted(self) -> Columns:
        """In key order."""
        return self.pick(np.lexsort((self.sample, self.stream, self.characteristic, self.subject)))

    def with_value(self, value: FloatArray) -> Columns:
        parts = {name: getattr(self, name) for name in self.__slots__}
        return Columns(**{**parts, "value": value})

    def groups(self) -> IntArray:
        """First row of each subject, characteristic and stream in sorted rows."""
        return starts(self.subject, self.characteristic, self.stream)

    def key3(self, row: int) -> Key3:
        return int(self.subject[row]), int(self.characteristic[row]), int(self.stream[row])


ROW = np.dtype([(name, "f8" if name == "value" else "i8") for name in SELECTED_AS])


def from_rows(rows: Iterable[tuple[Any, ...]]) -> Columns:
    """Columns from rows in the order of SELECTED; NULL becomes nan."""
    table = np.fromiter(rows, dtype=ROW)
    parts = {name: np.ascontiguousarray(table[name]) for name in SELECTED_AS}
    return Columns(**parts)


def join(parts: Sequence[Columns]) -> Columns:
    return Columns(*(np.concatenate([getattr(p, name) for p in parts]) for name in Columns.__slots__))


def scan(
    connection: Connection, where: str, values: Mapping[str, Any], *, chunk: int = CHUNK
) -> Iterator[Columns]:
    """Readings in key order in pieces that never split a subject, characteristic and stream.

    Straight from the driver: rows of SQLAlchemy would cost as much again as reading them.
    """
    query = f"SELECT {SELECTED} FROM reading WHERE {where} ORDER BY {KEY_ORDER}"
    if connection.dialect.name == "postgresql":
        query = re.sub(r":(\w+)", r"%(\1)s", query)
        cursor: Any = connection.connection.cursor(name="readings", binary=True)
    else:
        cursor = connection.connection.cursor()
    try:
        cursor.execute(query, dict(values))
        yield from _whole_groups(cursor, chunk)
    finally:
        cursor.close()


def _whole_groups(cursor: Any, chunk: int) -> Iterator[Columns]:
    rest: list[Columns] = []
    while rows := cursor.fetchmany(chunk):
        piece = from_rows(rows)
        if rest and piece.groups()[-1] == 0 and piece.key3(0) == rest[0].key3(0):
            rest.append(piece)
            continue
        whole = join([*rest, piece])
        last = int(whole.groups()[-1])
        if last:
            yield whole.pick(slice(0, last))
        rest = [whole.pick(slice(last, len(whole)))]
    if rest:
        yield join(rest)
