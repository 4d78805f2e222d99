"""The content digest of a batch: what `verify` recomputes from the stored rows.

Readings: one SHA-256 for each group of equal subject, characteristic and stream, over its rows in the order of the
sample; a row is 32 bytes, little-endian: sample, at_us and condition as 64-bit integers, then the value as an IEEE 754
double (NULL as the bits 7FF8000000000000). Then SHA-256 over one record of 64 bytes for each group in key order:
subject, characteristic, stream and number of rows as 64-bit integers, and the 32 bytes of its SHA-256. Entries and
pulls: SHA-256 over one line each (canonical JSON list of all columns in the order of the table, then a line feed), in
key order. The digest of the batch is SHA-256 over the canonical JSON {"entries", "pulls", "readings", "rows"}.

Serial numbers belong to a subject and sample, not to a batch: the trail entry of a batch holds, for each subject
that got serials, the SHA-256 over one line [sample, serial] each, in the order of the sample.
"""

from __future__ import annotations

import hashlib
import struct
from collections.abc import Iterable, Iterator, Sequence
from typing import Any

import numpy as np
from sqlalchemy import Connection, text

from qualrec.records.chain import canonical, sha256
from qualrec.records.columns import Columns, Key3
from qualrec.records.models import metadata

ENTRY_NAMES = tuple(metadata.tables["reading_entry"].c.keys())
ROW_BYTES = 32
PULL_NAMES = tuple(metadata.tables["pull"].c.keys())


def packed(columns: Columns) -> bytes:
    """The 32 bytes of each reading."""
    table = np.empty((len(columns), 4), dtype="<i8")
    for place, name in enumerate(("sample", "at_us", "condition")):
        table[:, place] = getattr(columns, name)
    value = columns.value.astype("<f8", copy=True)
    value[np.isnan(value)] = np.nan
    table[:, 3] = value.view("<i8")
    table[np.isnan(value), 3] = 0x7FF8000000000000
    return table.tobytes()


class GroupDigests:
    """Digests of groups that come in several pieces, each piece behind the one before in the order of the sample."""

    def __init__(self) -> None:
        self._held: dict[Key3, tuple[int, hashlib._Hash]] = {}

    def add(self, columns: Columns) -> None:
        """Take in readings in key order."""
        content, begin = memoryview(packed(columns)), columns.groups().tolist()
        for low, high in zip(begin, [*begin[1:], len(columns)], strict=True):
            key = columns.key3(low)
            n, digest = self._held.get(key) or (0, hashlib.sha256())
            digest.update(content[low * ROW_BYTES : high * ROW_BYTES])
            self._held[key] = (n + high - low, digest)

    def records(self) -> Iterator[tuple[int, bytes]]:
        """Number of rows and record of each group, in key order."""
        for key in sorted(self._held):
            n, digest = self._held[key]
            yield n, struct.pack("<4q", *key, n) + digest.digest()


class BatchDigest:
    """Takes in the rows of one batch in key order."""

    def __init__(self) -> None:
        self.rows = 0
        self._readings = hashlib.sha256()
        self._entries = hashlib.sha256()
        self._pulls = hashlib.sha256()

    def readings(self, columns: Columns) -> None:
        """Take in whole groups in key order."""
        groups = GroupDigests()
        groups.add(columns)
        self.groups(groups)

    def groups(self, groups: GroupDigests) -> None:
        """Take in groups that stand behind all those taken in before."""
        for n, record in groups.records():
            self.rows += n
            self._readings.update(record)

    def entry(self, row: Sequence[Any]) -> None:
        self._entries.update(f"{canonical(list(row))}\n".encode())

    def pull(self, row: Sequence[Any]) -> None:
        self._pulls.update(f"{canonical(list(row))}\n".encode())

    def hex(self) -> str:
        parts = {"entries": self._entries, "pulls": self._pulls, "readings": self._readings}
        content: dict[str, Any] = {name: digest.hexdigest() for name, digest in parts.items()}
        return sha256(canonical({**content, "rows": self.rows}))


def units_digest(connection: Connection, subject_ids: Iterable[int]) -> dict[str, str]:
    """Digest of all serials of each subject, keyed by the subject id as text."""
    found: dict[str, str] = {}
    query = text("SELECT sample, serial FROM welded_unit WHERE subject_id = :subject ORDER BY sample")
    for subject in sorted(set(subject_ids)):
        rows = connection.execute(query, {"subject": subject})
        found[str(subject)] = serials_digest((int(row.sample), str(row.serial)) for row in rows)
    return found


def serials_digest(serials: Iterable[tuple[int, str]]) -> str:
    """Digest of the serials of one subject, given by sample."""
    return sha256("".join(f"{canonical([sample, serial])}\n" for sample, serial in sorted(serials)))
