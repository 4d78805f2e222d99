"""Readings as parallel arrays, and reading them back from a database in key order."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray
from sqlalchemy import Connection, text

from qualrec.records.rollup import starts
from qualrec.values import FloatArray, IntArray

CHUNK = 50_000
SELECTED = (
    "reading.subject_id, reading.characteristic_id, reading.stream_id, reading.sample, reading.value, reading.at_us,"
    " reading.batch_id, reading.condition_id"
)
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


def from_rows(rows: Sequence[Sequence[Any]]) -> Columns:
    """Columns from rows in the order of SELECTED."""
    if not rows:
        empty = np.empty(0, dtype=np.int64)
        return Columns(empty, empty, empty, empty, np.empty(0), empty, empty, empty)
    parts: list[Sequence[Any]] = list(zip(*rows, strict=True))
    whole = [np.array(part, dtype=np.int64) for i, part in enumerate(parts) if i != 4]
    value = np.array(parts[4], dtype=np.float64)
    return Columns(whole[0], whole[1], whole[2], whole[3], value, whole[4], whole[5], whole[6])


def join(parts: Sequence[Columns]) -> Columns:
    return Columns(*(np.concatenate([getattr(p, name) for p in parts]) for name in Columns.__slots__))


def scan(
    connection: Connection,
    where: str,
    values: Mapping[str, Any],
    *,
    source: str = "reading",
    chunk: int = CHUNK,
) -> Iterator[Columns]:
    """Readings in key order in pieces that never split a subject, characteristic and stream."""
    query = text(f"SELECT {SELECTED} FROM {source} WHERE {where} ORDER BY {KEY_ORDER}")
    options = {"stream_results": True, "yield_per": chunk}
    rest: list[Columns] = []
    with connection.execute(query, values, execution_options=options) as result:
        while rows := result.fetchmany(chunk):
            piece = from_rows(rows)
            last = int(piece.groups()[-1])
            if rest and last == 0 and piece.key3(0) == rest[0].key3(0):
                rest.append(piece)
                continue
            whole = join([*rest, piece]) if rest else piece
            last = int(whole.groups()[-1])
            if last:
                yield whole.pick(slice(0, last))
            rest = [whole.pick(slice(last, len(whole)))]
    if rest:
        yield join(rest)
