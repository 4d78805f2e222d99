"""Everything on one lot as rows of tables: what hangs on it, and all that those rows point to, with their trail entries.

Found in two steps. Down: rows that belong to the lot, its segments, its flags, its moulding lots and the gauges of its readings
(`BELOW`). Up: rows that a foreign key of a found row points to, again and again. So nothing a found row names is missing.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import Connection, Table, and_, select

from qualrec.records.chain import entry_digest
from qualrec.records.lookups.base import chunks
from qualrec.records.models import metadata

Rows = dict[str, dict[tuple[Any, ...], Mapping[str, Any]]]
"""Rows by table and primary key."""

BELOW = (
    "lot_segment",
    "test_owed",
    "shipment",
    "concession",
    "disposition",
    "containment",
    "checklist",
    "event",
    "judgement",
    "flag",
)
"""Tables whose rows hang on the lot itself, by `lot_id`."""
OF_FLAGS = (
    ("flag_finding", "flag_id"),
    ("flag_action", "flag_id"),
    ("containment", "flag_id"),
    ("checklist", "flag_id"),
)
OF_MOULDING = (("moulding_parent", "moulding_lot_id"), ("flag", "moulding_lot_id"))
OF_SUBJECTS = (
    "reading",
    "reading_entry",
    "pull",
    "welded_unit",
    "correction",
    "entry_attempt",
    "rollup",
    "mode_count",
)
OF_READINGS = (("batch", "batch_id"), ("condition", "condition_id"), ("stream", "stream_id"))
"""Tables that readings name without a foreign key, and the column."""
OF_GAUGES = (("calibration", "gauge_id"), ("gauge_check", "gauge_id"))
OF_RECIPES = (("recipe_setting", "recipe_revision_id"), ("qualified_window", "recipe_revision_id"))
OF_LIMITS = (("limits_lot", "limits_id"),)
OF_CHARACTERISTICS = (("characteristic_revision", "characteristic_id"),)
SIGNED = {"lot": "lot", "recipe_revision": "recipe revision", "limits": "limits"}
"""Table and how signatures name it."""
WITHOUT_TRAIL = ("plant", "person", "subject", "stream", "condition")
"""Tables whose entries are not of the lot."""


@dataclass(frozen=True, slots=True)
class Dossier:
    """Rows of one lot by table, in the order of their keys. `entries_wrong`: trail entries whose digest is not that of their
    content, by sequence number."""

    rows: Mapping[str, Sequence[Mapping[str, Any]]]
    subjects: tuple[int, ...]
    entries_wrong: tuple[int, ...]


def dossier(conn: Connection, lot_id: int, plant_id: int) -> Dossier:
    """Gather the rows of a lot. The number of queries grows with tables, not with rows."""
    found: Rows = {}
    lot = _take(conn, found, "lot", "id", [lot_id])
    for name in BELOW:
        _take(conn, found, name, "lot_id", [lot_id])
    segments = list(found.get("lot_segment", {}).values())
    moulding = sorted(
        {s[c] for s in segments for c in ("upper_moulding_lot_id", "lower_moulding_lot_id")} - {None}
    )
    _take(conn, found, "moulding_lot", "id", moulding)
    for name, column in OF_MOULDING:
        _take(conn, found, name, column, moulding)
    for name, column in OF_FLAGS:
        _take(conn, found, name, column, _ids(found, "flag"))
    subjects = [s["id"] for s in segments] + moulding
    for name in OF_SUBJECTS:
        _take(conn, found, name, "subject_id", subjects)
    for name, column in OF_READINGS:
        _take(conn, found, name, "id", {row[column] for row in found.get("reading", {}).values()} - {None})
    _events(conn, found, lot, segments)
    _reports(conn, found, lot_id)
    _up(conn, found)
    owners = (
        ("gauge", OF_GAUGES),
        ("recipe_revision", OF_RECIPES),
        ("limits", OF_LIMITS),
        ("characteristic", OF_CHARACTERISTICS),
    )
    for owner, below in owners:
        for name, column in below:
            _take(conn, found, name, column, _ids(found, owner))
    _signatures(conn, found)
    _up(conn, found)
    wrong = _trail(conn, found, plant_id)
    ordered = {name: [held[key] for key in sorted(held)] for name, held in sorted(found.items()) if held}
    return Dossier(ordered, tuple(sorted(subjects)), wrong)


def _take(
    conn: Connection, found: Rows, name: str, column: str, values: Iterable[Any]
) -> list[Mapping[str, Any]]:
    """Add the rows of a table whose column is one of the values; returns those that are new."""
    t = metadata.tables[name]
    new = []
    for chunk in chunks(values):
        for row in conn.execute(select(t).where(t.c[column].in_(chunk))).mappings():
            new += _add(found, t, row)
    return new


def _add(found: Rows, t: Table, row: Mapping[Any, Any]) -> list[Mapping[str, Any]]:
    key = tuple(row[c.name] for c in t.primary_key.columns)
    held = found.setdefault(t.name, {})
    if key in held:
        return []
    held[key] = dict(row)
    return [held[key]]


def _ids(found: Rows, name: str) -> list[int]:
    return [int(row["id"]) for row in found.get(name, {}).values()]


def _up(conn: Connection, found: Rows) -> None:
    """Add what foreign keys of the found rows point to, until nothing is new."""
    looked: dict[str, int] = {}
    while any(len(held) != looked.get(name) for name, held in found.items()):
        wanted: dict[str, set[Any]] = {}
        for name, held in list(found.items()):
            if len(held) == looked.get(name):
                continue
            looked[name] = len(held)
            for key in metadata.tables[name].foreign_keys:
                values = {row[key.parent.name] for row in held.values()} - {None}
                wanted.setdefault(key.column.table.name, set()).update(values)
        for name, ids in wanted.items():
            there = set(_ids(found, name))
            _take(conn, found, name, "id", ids - there)


def _events(
    conn: Connection, found: Rows, lot: Sequence[Mapping[str, Any]], segments: Sequence[Mapping[str, Any]]
) -> None:
    """Events of the stations while the lot was welded."""
    stations = {s["station_id"] for s in segments} - {None}
    begin, end = lot[0]["started_us"], lot[0]["ended_us"]
    t = metadata.tables["event"]
    asked = select(t).where(t.c.station_id.in_(stations), t.c.at_us >= begin)
    if end is not None:
        asked = asked.where(t.c.at_us <= end)
    if stations:
        for row in conn.execute(asked).mappings():
            _add(found, t, row)


def _reports(conn: Connection, found: Rows, lot_id: int) -> None:
    """Problem reports that are linked to the lot, its moulding lots or its flags, and evidence filed with any of them."""
    linked = {("lot", lot_id)}
    linked |= {("flag", one) for one in _ids(found, "flag")} | {
        ("moulding lot", one) for one in _ids(found, "moulding_lot")
    }
    t = metadata.tables["problem_report"]
    for row in conn.execute(select(t)).mappings():
        if any((link["kind"], link["id"]) in linked for link in json.loads(row["links"])):
            _add(found, t, row)
    a = metadata.tables["attachment"]
    for name in ("problem_report", "lot", "flag"):
        for chunk in chunks(_ids(found, name)):
            asked = select(a).where(a.c.what_id.in_(chunk), a.c.what_kind == name)
            for row in conn.execute(asked).mappings():
                _add(found, a, row)


def _signatures(conn: Connection, found: Rows) -> None:
    t = metadata.tables["signature"]
    for name, kind in SIGNED.items():
        for chunk in chunks(_ids(found, name)):
            asked = select(t).where(and_(t.c.what_id.in_(chunk), t.c.what_kind == kind))
            for row in conn.execute(asked).mappings():
                _add(found, t, row)


def _trail(conn: Connection, found: Rows, plant_id: int) -> tuple[int, ...]:
    """Add the trail entries of the found rows; returns those whose digest is not that of their content."""
    t = metadata.tables["trail"]
    for name in [n for n in found if n not in WITHOUT_TRAIL and "id" in metadata.tables[n].c]:
        for chunk in chunks(_ids(found, name)):
            asked = select(t).where(t.c.plant_id == plant_id, t.c.what_table == name, t.c.what_id.in_(chunk))
            for row in conn.execute(asked).mappings():
                _add(found, t, row)
    fields = (
        "plant_id",
        "seq",
        "at_us",
        "person_id",
        "station_id",
        "act",
        "what_table",
        "what_id",
        "content",
        "previous",
    )
    return tuple(
        sorted(
            int(row["seq"])
            for row in found.get("trail", {}).values()
            if entry_digest(*(row[f] for f in fields)) != row["digest"]
        )
    )
