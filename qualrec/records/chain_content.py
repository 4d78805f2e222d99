"""What the trail says should be in the tables, gathered entry by entry."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from qualrec.records.chain import canonical, sha256

RowKey = tuple[str, str]
"""Table and the canonical JSON of the primary key."""


@dataclass(frozen=True, slots=True)
class ExpectedBatch:
    state: str
    content_digest: str
    rows: int
    file_name: str
    readings: tuple[tuple[int, int, int, int, float | None], ...] | None
    """The readings themselves, where the batch was small."""


@dataclass(slots=True)
class Expected:
    """Last state of every row, every batch, and the serials of every subject."""

    states: dict[RowKey, str | None] = field(default_factory=dict)
    """Digest of the row; None where it was removed."""
    batches: dict[int, ExpectedBatch] = field(default_factory=dict)
    units: dict[int, str] = field(default_factory=dict)

    def learn(self, table: str, row_id: int, content: str) -> None:
        """Take in one entry. Content that is no JSON (somebody changed it) teaches nothing."""
        try:
            said = json.loads(content)
        except ValueError:
            return
        if not isinstance(said, dict) or "key" not in said:
            return
        key = (table, canonical(said["key"]))
        if "row" in said:
            self.states[key] = sha256(canonical(said["row"]))
            if table == "batch":
                self._learn_batch(row_id, said)
        elif "state" in said:
            self.states[key] = said["state"]
        elif "removed" in said:
            self.states[key] = None

    def _learn_batch(self, batch_id: int, said: Mapping[str, Any]) -> None:
        row, readings = said["row"], said.get("readings")
        self.batches[batch_id] = ExpectedBatch(
            str(row.get("state")),
            str(row.get("content_digest")),
            int(row.get("rows", 0)),
            str(row.get("file_name", "")),
            None if readings is None else tuple((r[0], r[1], r[2], r[3], r[4]) for r in readings),
        )
        self.units.update({int(subject): str(digest) for subject, digest in said.get("units", {}).items()})
