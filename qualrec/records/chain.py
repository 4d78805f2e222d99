"""The chain of digests: canonical JSON, the digest rule, and appending inside a transaction.

Anyone can recompute a chain. Canonical JSON: keys sorted, separators ',' and ':' without spaces, UTF-8, characters not escaped
unless JSON asks for it, whole numbers in decimal, fractions in the shortest form that reads back to the same double (as
Python's `repr`), no NaN, `true`, `false`, `null`. The digest of an entry is SHA-256, in lower-case hex, over the UTF-8
canonical JSON of the list [plant, seq, at_us, person, station, act, table, row, content, previous], where `content`
is the text as stored and `previous` is the digest of the entry before, 64 zeros for the first. `seq` counts from 1
without gaps.

`content` of an insert: {"key", "row", "why"}. Of an update: {"key", "before", "after", "why", "state"}; `before` and
`after` hold the changed columns, `state` the SHA-256 of the canonical JSON of the whole row afterwards. Of a
removal: {"key", "removed", "why"}. Names, badges and hashes of people stand there as digests (`hidden`), never as text.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from typing import Any

from sqlalchemy import Connection, insert, select, update

from qualrec.errors import UnknownRecord
from qualrec.records.models import metadata
from qualrec.values import Actor

NO_DIGEST = "0" * 64
HIDDEN = {"person": ("name", "badge", "password_hash", "pin_hash")}
"""Columns that stand in the chain as a digest."""
LEFT_OUT = {"person": ("failed", "locked_until_us")}
"""Columns that are no records: counters of the sign-in."""

TRAIL = metadata.tables["trail"]
HEAD = metadata.tables["trail_head"]


def canonical(content: Any) -> str:
    """Canonical JSON text. Raises ValueError for NaN or infinity."""
    return json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def sha256(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def hidden(row_id: Any, column: str, value: Any) -> str:
    """What stands in the chain for a name, a badge or a hash."""
    return f"sha256:{sha256(canonical([row_id, column, value]))}"


def chained(table_name: str, row: Mapping[str, Any], row_id: Any = None) -> dict[str, Any]:
    """The part of a row that goes into the chain."""
    hide, leave = HIDDEN.get(table_name, ()), LEFT_OUT.get(table_name, ())
    owner = row.get("id", row_id)
    return {
        column: hidden(owner, column, value) if column in hide else value
        for column, value in row.items()
        if column not in leave
    }


def state_of(table_name: str, row: Mapping[str, Any]) -> str:
    """SHA-256 of a whole row as the chain sees it."""
    return sha256(canonical(chained(table_name, row)))


def entry_digest(
    plant_id: int,
    seq: int,
    at_us: int,
    person_id: int | None,
    station_id: int | None,
    act: str,
    what_table: str,
    what_id: int,
    content: str,
    previous: str,
) -> str:
    """Digest of one entry by the rule above."""
    parts = [plant_id, seq, at_us, person_id, station_id, act, what_table, what_id, content, previous]
    return sha256(canonical(parts))


class Chain:
    """The chain of one plant inside one write transaction. Holds the lock of its head until the transaction ends."""

    def __init__(self, connection: Connection, plant_id: int) -> None:
        self._connection = connection
        self._plant_id = plant_id
        found = connection.execute(
            select(HEAD.c.seq, HEAD.c.digest).where(HEAD.c.plant_id == plant_id).with_for_update()
        ).first()
        if found is None:
            raise UnknownRecord(
                f"There is no plant {plant_id}, or it has no trail.", "See: qualrec db verify"
            )
        self.seq, self.digest = int(found.seq), str(found.digest)
        self._stored = self.seq
        self._rows: list[dict[str, Any]] = []

    def append(
        self, actor: Actor, at_us: int, act: str, table_name: str, row_id: int, content: Mapping[str, Any]
    ) -> None:
        """Add an entry; it is written with the others by `close`."""
        text = canonical(content)
        seq = self.seq + 1
        parts = (self._plant_id, seq, at_us, actor.person_id, actor.station_id, act, table_name, row_id, text)
        digest = entry_digest(*parts, self.digest)
        names = (
            "plant_id",
            "seq",
            "at_us",
            "person_id",
            "station_id",
            "act",
            "what_table",
            "what_id",
            "content",
        )
        self._rows.append({**dict(zip(names, parts, strict=True)), "previous": self.digest, "digest": digest})
        self.seq, self.digest = seq, digest

    def close(self) -> None:
        """Write the entries and the head; nothing where nothing was added."""
        if not self._rows:
            return
        self._connection.execute(insert(TRAIL), self._rows)
        self._rows = []
        self._connection.execute(
            update(HEAD)
            .where(HEAD.c.plant_id == self._plant_id, HEAD.c.seq == self._stored)
            .values(seq=self.seq, digest=self.digest)
        )
        self._stored = self.seq
