"""Comparing the rows of all tables with what the trail says of them."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, Table, select, text

from qualrec.records.chain import canonical, state_of
from qualrec.records.chain_content import Expected
from qualrec.records.guards import OWN, key_of
from qualrec.records.models import metadata

if TYPE_CHECKING:
    from qualrec.records.trail import Findings

ROW_ZERO = frozenset(("stream", "condition"))
"""Tables with a row 0 that the first migration laid."""
SUBJECT_TABLES = {
    "lot segment": "lot_segment",
    "moulding lot": "moulding_lot",
    "gauge check": "gauge_check",
    "study run": "study_run",
    "parent specimens": "parent_specimens",
}


def check_tables(
    connection: Connection, expected: Expected, findings: Findings, tell: Callable[[str, int, int], None]
) -> int:
    """Every row of every table that the ledger writes row by row; returns how many there were."""
    names = sorted(name for name in metadata.tables if name not in OWN or name == "batch")
    seen: set[tuple[str, str]] = set()
    for place, name in enumerate(names):
        tell("tables", place, len(names))
        table = metadata.tables[name]
        order = list(table.primary_key.columns)
        options = {"stream_results": True, "yield_per": 5000}
        with connection.execute(select(table).order_by(*order), execution_options=options) as result:
            for found in result.mappings():
                row = {str(column): value for column, value in found.items()}
                if not _exempt(name, row):
                    seen.add(_check_row(table, row, expected, findings))
    for key, state in expected.states.items():
        if state is not None and key not in seen and key[0] in names:
            findings.add("removed", key[0], key[1], f"The row {key[1]} of {key[0]} was removed.")
    tell("tables", len(names), len(names))
    return len(seen)


def _exempt(name: str, row: dict[str, Any]) -> bool:
    return (name in ROW_ZERO and row["id"] == 0) or (name == "batch" and row["state"] == "staged")


def _check_row(table: Table, row: dict[str, Any], expected: Expected, findings: Findings) -> tuple[str, str]:
    key = (table.name, canonical(key_of(table, row)))
    state = expected.states.get(key)
    if key not in expected.states or state is None:
        findings.add("inserted", key[0], key[1], f"The row {key[1]} of {key[0]} was put in past the program.")
    elif state_of(table.name, row) != state:
        findings.add("changed", key[0], key[1], f"The row {key[1]} of {key[0]} was changed past the program.")
    return key


def check_subjects(connection: Connection, findings: Findings) -> None:
    """Every subject has the row of its kind, and only that; its plant is the one in its id."""
    for kind, table in SUBJECT_TABLES.items():
        query = text(
            f"SELECT s.id AS subject, t.id AS there, s.kind, s.plant_id FROM subject s LEFT JOIN {table} t ON t.id = s.id"
            " WHERE (s.kind = :kind AND t.id IS NULL) OR (s.kind <> :kind AND t.id IS NOT NULL)"
        )
        for row in connection.execute(query, {"kind": kind}):
            what = "has no row" if row.there is None else "also has a row"
            findings.add(
                "changed", "subject", row.subject, f"Subject {row.subject} ({row.kind}) {what} in {table}."
            )
        lost = text(f"SELECT t.id FROM {table} t LEFT JOIN subject s ON s.id = t.id WHERE s.id IS NULL")
        for row in connection.execute(lost):
            findings.add("removed", "subject", row.id, f"The subject of row {row.id} in {table} was removed.")
    moved = text("SELECT id FROM subject WHERE plant_id <> id / 1099511627776")
    for row in connection.execute(moved):
        findings.add("changed", "subject", row.id, f"The plant of subject {row.id} was changed.")


def check_references(
    connection: Connection, findings: Findings, tell: Callable[[str, int, int], None]
) -> None:
    """Every foreign key of every table points to a row that is there."""
    tables = [metadata.tables[name] for name in sorted(metadata.tables)]
    for place, table in enumerate(tables):
        tell("references", place, len(tables))
        for key in table.foreign_keys:
            child, parent = key.parent, key.column
            other = parent.table.alias("pointed_at")
            lost = (
                select(child)
                .select_from(table.outerjoin(other, other.c[parent.name] == child))
                .where(child.is_not(None), other.c[parent.name].is_(None))
                .distinct()
                .limit(100)
            )
            for (value,) in connection.execute(lost):
                findings.add(
                    "removed",
                    parent.table.name,
                    value,
                    f"{table.name}.{child.name} points to {parent.table.name} {value}, which is not there.",
                )
    tell("references", len(tables), len(tables))
