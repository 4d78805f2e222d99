"""Storing readings that were typed or come in small numbers: one batch, one transaction."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from sqlalchemy import insert, text

from qualrec.errors import Refused
from qualrec.records import guards
from qualrec.records.chain import chained
from qualrec.records.columns import Columns, Key3
from qualrec.records.digests import ENTRY_NAMES, PULL_NAMES, BatchDigest
from qualrec.records.entry_checks import check_known, check_reading, give_samples, refuse_doubles
from qualrec.records.fast_insert import insert_readings, insert_rows
from qualrec.records.models import metadata
from qualrec.records.overlays import TEST_FAULT, interfacial_share
from qualrec.records.rollup_store import Prepared, add_modes, apply_batch, load_plans
from qualrec.records.units import collect, plan_units, store_units
from qualrec.values import NewReading, PullResult, ReadingKey

if TYPE_CHECKING:
    from qualrec.records.ledger import Writer

SHOWN_IN_TRAIL = 50
"""Up to this many readings stand in the trail entry itself; more are under the digest only."""


@dataclass(frozen=True, slots=True)
class Receipt:
    """`keys` in the order given; of a repeated entry in key order."""

    batch_id: int
    keys: tuple[ReadingKey, ...]
    repeated: bool


def add_readings(
    writer: Writer,
    readings: Sequence[NewReading],
    *,
    kind: str,
    file_name: str,
    file_digest: str | None,
    entry_key: str | None,
    profile_id: int | None,
) -> Receipt:
    """See `Writer.add_readings`."""
    if entry_key is not None:
        earlier = _earlier(writer, entry_key)
        if earlier is not None:
            return earlier
    if not readings:
        raise Refused("There is no reading to store.", "Enter at least one value.")
    for place, reading in enumerate(readings, start=1):
        check_reading(reading, place)
    check_known(writer, readings)
    batch_id = writer.new_id()
    samples = give_samples(writer.conn, readings)
    keys = tuple(
        ReadingKey(r.subject_id, r.characteristic_id, r.stream_id, sample)
        for r, sample in zip(readings, samples, strict=True)
    )
    refuse_doubles(writer, keys)
    columns = _columns(readings, keys, batch_id)
    entries = (
        [_entry_row(writer, r, k) for r, k in zip(readings, keys, strict=True)] if kind == "typed" else []
    )
    pulls = [pull_row(r.pull, k) for r, k in zip(readings, keys, strict=True) if r.pull is not None]
    content = _digest(columns, entries, pulls)
    batch = {
        "id": batch_id,
        "kind": kind,
        "state": "accepted",
        "file_name": file_name,
        "file_digest": file_digest,
        "content_digest": content,
        "profile_id": profile_id,
        "person_id": writer.actor.person_id,
        "station_id": writer.actor.station_id,
        "entry_key": entry_key,
        "begun_us": writer.now_us,
        "ended_us": writer.now_us,
        "rows": len(readings),
    }
    row = store_batch_row(writer, batch)
    _store_rows(writer, columns, entries, pulls)
    serials = collect((k.subject_id, k.sample, r.serial) for r, k in zip(readings, keys, strict=True))
    units = store_units(writer.conn, plan_units(writer.conn, serials))
    plans = load_plans(writer.conn, {k.characteristic_id for k in keys})
    prepared = Prepared()
    prepared.add(columns.sorted(), plans)
    add_modes(writer.conn, batch_modes(pulls))
    apply_batch(writer.conn, batch_id, prepared, plans)
    note_batch(writer, "readings added", row, units, columns)
    return Receipt(batch_id, keys, False)


def _earlier(writer: Writer, entry_key: str) -> Receipt | None:
    query = text("SELECT id FROM batch WHERE plant_id = :plant AND entry_key = :key")
    batch_id = writer.conn.execute(query, {"plant": writer.plant_id, "key": entry_key}).scalar()
    if batch_id is None:
        return None
    note = text(
        "SELECT content FROM trail WHERE plant_id = :plant AND what_table = 'batch' AND what_id = :batch"
    )
    for content in writer.conn.execute(note, {"plant": writer.plant_id, "batch": batch_id}).scalars():
        listed = json.loads(content).get("readings")
        if listed is not None:
            return Receipt(int(batch_id), tuple(ReadingKey(*row[:4]) for row in sorted(listed)), True)
    rows = writer.conn.execute(
        text(
            "SELECT subject_id, characteristic_id, stream_id, sample FROM reading WHERE batch_id = :batch"
            " ORDER BY subject_id, characteristic_id, stream_id, sample"
        ),
        {"batch": batch_id},
    )
    return Receipt(int(batch_id), tuple(ReadingKey(*row) for row in rows), True)


def _columns(readings: Sequence[NewReading], keys: Sequence[ReadingKey], batch_id: int) -> Columns:
    n = len(readings)
    whole = {
        "subject": [k.subject_id for k in keys],
        "characteristic": [k.characteristic_id for k in keys],
        "stream": [k.stream_id for k in keys],
        "sample": [k.sample for k in keys],
        "at_us": [r.at_us for r in readings],
        "batch": [batch_id] * n,
        "condition": [r.condition_id for r in readings],
    }
    arrays = {name: np.array(values, dtype=np.int64) for name, values in whole.items()}
    value = np.array([np.nan if r.value is None else r.value for r in readings], dtype=np.float64) + 0.0
    return Columns(value=value, **arrays)


def _entry_row(writer: Writer, reading: NewReading, key: ReadingKey) -> tuple[Any, ...]:
    table = metadata.tables["reading_entry"]
    row = {
        "subject_id": key.subject_id,
        "characteristic_id": key.characteristic_id,
        "stream_id": key.stream_id,
        "sample": key.sample,
        "entered_text": reading.entered_text,
        "decimals": reading.decimals,
        "first_text": reading.first_text,
        "entered_us": writer.now_us,
        "offset_minutes": reading.offset_minutes,
        "person_id": writer.actor.person_id,
        "late": reading.late,
    }
    return tuple(guards.fit("reading_entry", table.c[name], row[name]) for name in ENTRY_NAMES)


def pull_row(pull: PullResult, key: ReadingKey) -> tuple[Any, ...]:
    """A row of `pull` in the order of its columns."""
    table = metadata.tables["pull"]
    row: dict[str, Any] = {
        "subject_id": key.subject_id,
        "characteristic_id": key.characteristic_id,
        "stream_id": key.stream_id,
        "sample": key.sample,
        "status": TEST_FAULT if pull.mode == TEST_FAULT else "valid",
    }
    for name in PULL_NAMES:
        if name not in row:
            row[name] = getattr(pull, name)
    return tuple(guards.fit("pull", table.c[name], row[name]) for name in PULL_NAMES)


def _digest(columns: Columns, entries: Sequence[tuple[Any, ...]], pulls: Sequence[tuple[Any, ...]]) -> str:
    digest = BatchDigest()
    digest.readings(columns.sorted())
    for row in sorted(entries, key=lambda row: row[:4]):
        digest.entry(row)
    for row in sorted(pulls, key=lambda row: row[:4]):
        digest.pull(row)
    return digest.hex()


def store_batch_row(writer: Writer, batch: Mapping[str, Any]) -> dict[str, Any]:
    """Insert a row of `batch`; returns it with all columns."""
    table = metadata.tables["batch"]
    row = guards.complete(table, batch, writer.plant_id, writer.new_id)
    writer.conn.execute(insert(table), row)
    return row


def _store_rows(
    writer: Writer, columns: Columns, entries: Sequence[tuple[Any, ...]], pulls: Sequence[tuple[Any, ...]]
) -> None:
    insert_readings(writer.conn, columns)
    insert_rows(writer.conn, "reading_entry", ENTRY_NAMES, entries)
    insert_rows(writer.conn, "pull", PULL_NAMES, pulls)


def batch_modes(pulls: Sequence[tuple[Any, ...]]) -> dict[tuple[Key3, str], tuple[int, float]]:
    """Mode counts that rows of `pull` add."""
    counts: dict[tuple[Key3, str], tuple[int, float]] = {}
    mode_at, share_at = PULL_NAMES.index("mode"), PULL_NAMES.index("interfacial_pct")
    for row in pulls:
        place = ((row[0], row[1], row[2]), row[mode_at])
        n, total = counts.get(place, (0, 0.0))
        counts[place] = (n + 1, total + interfacial_share(row[mode_at], row[share_at]))
    return counts


def note_batch(
    writer: Writer, act: str, row: Mapping[str, Any], units: Mapping[str, str], columns: Columns | None = None
) -> None:
    """Trail entry of a batch: its row, the digests of serials, and the readings themselves where they are few."""
    content: dict[str, Any] = {"key": {"id": row["id"]}, "row": chained("batch", row), "why": ""}
    if units:
        content["units"] = dict(units)
    if columns is not None and len(columns) <= SHOWN_IN_TRAIL:
        parts = (columns.subject, columns.characteristic, columns.stream, columns.sample)
        values = [None if np.isnan(value) else value for value in columns.value.tolist()]
        content["readings"] = [list(r) for r in zip(*(p.tolist() for p in parts), values, strict=True)]
    writer.note(act, "batch", int(row["id"]), content)
