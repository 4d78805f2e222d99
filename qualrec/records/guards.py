"""What may be written: rows are completed, typed and bounded here before they reach a database.

SQLite takes any text in any column and any length; PostgreSQL does not. So the same rules are kept in the program: unknown
columns, empty fields that must be filled, texts that are too long, NaN and infinity are refused on both alike.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from typing import Any

from pydantic_core import PydanticUndefined
from sqlalchemy import Boolean, Column, Double, Integer, String, Table
from sqlmodel import SQLModel

from qualrec.errors import Refused, UsageError
from qualrec.records.models import metadata

OWN = frozenset(
    (
        "reading",
        "reading_entry",
        "pull",
        "welded_unit",
        "rollup",
        "mode_count",
        "shape",
        "batch",
        "subject",
        "id_counter",
        "trail",
        "trail_head",
    )
)
"""Tables that only the ledger itself writes."""
APPEND_ONLY = frozenset(
    (
        "correction",
        "trail_anchor",
        "signature",
        "flag_action",
        "flag_finding",
        "judgement",
        "entry_attempt",
        "disposition",
    )
)
"""Tables whose rows are never changed."""
REMOVABLE = frozenset(
    (
        "role",
        "authorisation",
        "recipe_setting",
        "qualified_window",
        "control_plan_row",
        "test_owed",
        "limits_lot",
    )
)
"""Tables whose rows may be taken away; the trail keeps that they were there."""
BIG = 1 << 63
TURNING = "\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"
"""Signs that turn the direction of writing: a name with them shows as another."""
NOT_IN_LINE = re.compile(f"[\x00-\x1f\x7f-\x9f\ud800-\udfff{TURNING}]")
"""Signs that a name or code never holds."""
NOT_IN_PROSE = re.compile(f"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ud800-\udfff{TURNING}]")
"""Signs that a text of several lines never holds."""
LONGEST_TEXT = 1_000_000
"""Signs in a column without a length of its own."""

_MODELS = {
    mapper.local_table.name: mapper.class_  # type: ignore[attr-defined]
    for mapper in SQLModel._sa_registry.mappers
}


def table_for(name: str, *, change: bool = False) -> Table:
    """The table that may be written by name. Raises UsageError for one that is unknown or not to be written so."""
    if name not in metadata.tables:
        raise UsageError(f"There is no table {name!r}.")
    if name in OWN:
        raise UsageError(
            f"Rows of {name!r} are written by the ledger only.", "Use the ledger's own function for it."
        )
    if change and name in APPEND_ONLY:
        raise Refused(f"Rows of {name!r} are never changed.", "Add a new row.")
    return metadata.tables[name]


def complete(
    table: Table, row: Mapping[str, Any], plant_id: int, new_id: Callable[[], int]
) -> dict[str, Any]:
    """All columns of a new row: given ones, the id, the plant, and the defaults of the model."""
    unknown = [name for name in row if name not in table.c]
    if unknown:
        raise UsageError(f"{table.name} has no column {unknown[0]!r}.")
    fields = _MODELS[table.name].model_fields
    full: dict[str, Any] = {}
    for column in table.c:
        name = column.name
        if name in row:
            value = row[name]
        elif name == "id":
            value = new_id()
        elif name == "plant_id" and not column.nullable:
            value = plant_id
        else:
            value = fields[name].default
            if value is PydanticUndefined:
                value = None
        full[name] = fit(table.name, column, value)
    return full


def fit(table_name: str, column: Column[Any], value: Any) -> Any:
    """A value in the type of its column. Raises Refused that names table and column."""
    where = f"{table_name}.{column.name}"
    if value is None:
        if column.nullable:
            return None
        raise Refused(f"{where} is empty and must be filled.", "Fill it in.")
    kind = column.type
    if isinstance(kind, Boolean):
        if value in (0, 1):
            return bool(value)
    elif isinstance(kind, Double):
        if isinstance(value, int | float) or (hasattr(value, "__float__") and not isinstance(value, str)):
            return finite(float(value), where)
    elif isinstance(kind, Integer):
        return _whole(value, where)
    elif isinstance(kind, String) and isinstance(value, str):
        return _text(value, kind.length, where)
    raise Refused(f"{where} cannot hold {value!r}.", "Enter a value of the right kind.")


def finite(value: float, where: str) -> float:
    """The number with minus zero as zero. Raises Refused for NaN, infinity or beyond 1e300."""
    if not math.isfinite(value) or abs(value) > 1e300:
        raise Refused(f"{where}: {value!r} is no number that can be stored.", "Enter a finite number.")
    return value + 0.0


def _whole(value: Any, where: str) -> int:
    number = int(value) if hasattr(value, "__index__") else None
    if number is None:
        raise Refused(f"{where} cannot hold {value!r}.", "Enter a whole number.")
    if not -BIG <= number < BIG:
        raise Refused(f"{where}: {number} is too large.", "Enter a smaller number.")
    return number


def _text(value: str, length: int | None, where: str) -> str:
    most = LONGEST_TEXT if length is None else length
    if len(value) > most:
        raise Refused(f"{where} holds {len(value)} signs, {most} are allowed.", "Shorten the text.")
    if (NOT_IN_PROSE if length is None else NOT_IN_LINE).search(value):
        raise Refused(f"{where} holds a sign that cannot be stored.", "Remove the unreadable sign.")
    return value


def key_of(table: Table, row: Mapping[str, Any]) -> dict[str, Any]:
    """Primary key columns of a row."""
    return {column.name: row[column.name] for column in table.primary_key.columns}


def key_from(table: Table, record: int | Mapping[str, Any]) -> dict[str, Any]:
    """The primary key from an id, or from a mapping where the key has several columns."""
    names = [column.name for column in table.primary_key.columns]
    if isinstance(record, Mapping):
        if set(record) != set(names):
            raise UsageError(f"The key of {table.name} is {', '.join(names)}.")
        return {name: record[name] for name in names}
    if len(names) != 1:
        raise UsageError(f"The key of {table.name} is {', '.join(names)}.")
    return {names[0]: int(record)}
