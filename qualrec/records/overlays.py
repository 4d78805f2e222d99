"""Corrections laid over readings: what counts now."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from sqlalchemy import Connection, text

from qualrec.records.columns import Columns, Key3
from qualrec.values import ReadingKey

TEST_FAULT = "test fault"
ACCEPTED = "reading.batch_id IN (SELECT id FROM batch WHERE state = 'accepted')"
"""Condition on `reading` that every lookup, sum and verdict puts."""


@dataclass(frozen=True, slots=True)
class Overlay:
    """The sum of all corrections of one reading. `value` counts only where `has_value`; `mode` None: as entered."""

    has_value: bool = False
    value: float | None = None
    void: bool = False
    mode: str | None = None

    def after(self, kind: str, new_value: float | None, new_mode: str) -> Overlay:
        """With one more correction. A value after a void takes the reading back in."""
        if kind == "void":
            return replace(self, void=True)
        if kind == "mode":
            return replace(self, mode=new_mode)
        return replace(self, has_value=True, value=new_value, void=False)

    def value_of(self, stored: float | None, stored_mode: str = "") -> float | None:
        """The value that counts: None for a void or a test fault."""
        if self.void or (self.mode if self.mode is not None else stored_mode) == TEST_FAULT:
            return None
        return self.value if self.has_value else stored


NONE = Overlay()


def overlays_of(connection: Connection, key: Key3) -> dict[int, Overlay]:
    """Corrections of one subject, characteristic and stream, by sample."""
    query = text(
        "SELECT sample, kind, new_value, new_mode FROM correction WHERE subject_id = :subject"
        " AND characteristic_id = :characteristic AND stream_id = :stream ORDER BY sample, position"
    )
    found: dict[int, Overlay] = {}
    for row in connection.execute(query, {"subject": key[0], "characteristic": key[1], "stream": key[2]}):
        found[row.sample] = found.get(row.sample, NONE).after(row.kind, row.new_value, row.new_mode)
    return found


def all_overlays(connection: Connection) -> dict[Key3, dict[int, Overlay]]:
    """Corrections of the whole database."""
    query = text(
        "SELECT subject_id, characteristic_id, stream_id, sample, kind, new_value, new_mode FROM correction"
        " ORDER BY subject_id, characteristic_id, stream_id, sample, position"
    )
    found: dict[Key3, dict[int, Overlay]] = {}
    for row in connection.execute(query):
        part = found.setdefault((row.subject_id, row.characteristic_id, row.stream_id), {})
        part[row.sample] = part.get(row.sample, NONE).after(row.kind, row.new_value, row.new_mode)
    return found


def apply_overlays(columns: Columns, overlays: Mapping[int, Overlay]) -> Columns:
    """Readings of ONE group with the values that count; nan where none does."""
    if not overlays:
        return columns
    value = columns.value.copy()
    for sample, overlay in overlays.items():
        at = int(np.searchsorted(columns.sample, sample))
        if at < len(columns) and columns.sample[at] == sample:
            stored = float(value[at])
            now = overlay.value_of(None if np.isnan(stored) else stored)
            value[at] = np.nan if now is None else now
    return columns.with_value(value)


def interfacial_share(mode: str, share: float | None) -> float:
    """Interfacial share of the joint area in %: 100 for interfacial, the entered share for mixed, else 0."""
    if mode == "interfacial":
        return 100.0
    return float(share) if mode == "mixed" and share is not None else 0.0


def pull_counts(pulls: Iterable[Any], overlays: Mapping[int, Overlay]) -> dict[str, tuple[int, float]]:
    """Number and interfacial sum by mode, of rows (sample, mode, interfacial_pct). Voids are not counted."""
    counts: dict[str, tuple[int, float]] = {}
    for sample, mode, share in pulls:
        overlay = overlays.get(sample, NONE)
        if overlay.void:
            continue
        now = mode if overlay.mode is None else overlay.mode
        n, total = counts.get(now, (0, 0.0))
        counts[now] = (n + 1, total + interfacial_share(now, share))
    return counts


def key3_of(key: ReadingKey) -> Key3:
    return key.subject_id, key.characteristic_id, key.stream_id
