"""Many rows at once: VALUES lists on SQLite, COPY on PostgreSQL. Values must be clean already."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from sqlalchemy import Connection

from qualrec.records.columns import Columns

ROWS_A_STATEMENT = 100
_COPY_HEAD = b"PGCOPY\n\xff\r\n\x00" + bytes(8)
_COPY_END = b"\xff\xff"


def insert_rows(
    connection: Connection, table: str, names: Sequence[str], rows: Sequence[tuple[Any, ...]]
) -> None:
    """Insert rows of one table, in their order."""
    if not rows:
        return
    if connection.dialect.name == "postgresql":
        cursor: Any = connection.connection.cursor()
        with cursor, cursor.copy(f"COPY {table} ({', '.join(names)}) FROM STDIN") as copy:
            for row in rows:
                copy.write_row(row)
        return
    _insert_flat(connection, table, names, [value for row in rows for value in row])


def _insert_flat(connection: Connection, table: str, names: Sequence[str], values: list[Any]) -> None:
    """Rows one after the other in one list, on SQLite."""
    one = f"({', '.join('?' * len(names))})"
    head, size = f"INSERT INTO {table} ({', '.join(names)}) VALUES ", ROWS_A_STATEMENT * len(names)
    statement = head + ", ".join([one] * ROWS_A_STATEMENT)
    cursor = connection.connection.cursor()
    try:
        whole = len(values) - len(values) % size
        for at in range(0, whole, size):
            cursor.execute(statement, values[at : at + size])
        if whole < len(values):
            rest = values[whole:]
            cursor.execute(head + ", ".join([one] * (len(rest) // len(names))), rest)
    finally:
        cursor.close()


def insert_readings(connection: Connection, columns: Columns) -> None:
    """Insert readings from arrays. On PostgreSQL by binary COPY straight from the arrays."""
    if connection.dialect.name == "postgresql":
        cursor: Any = connection.connection.cursor()
        with (
            cursor,
            cursor.copy(f"COPY reading ({', '.join(NAMES)}) FROM STDIN WITH (FORMAT BINARY)") as copy,
        ):
            copy.write(_COPY_HEAD + _packed(columns) + _COPY_END)
        return
    flat = np.empty((len(columns), len(NAMES)), dtype=object)
    for place, column in enumerate(Columns.__slots__):
        flat[:, place] = getattr(columns, column)
    flat[np.isnan(columns.value), NAMES.index("value")] = None
    _insert_flat(connection, "reading", NAMES, flat.ravel().tolist())


NAMES = (
    "subject_id",
    "characteristic_id",
    "stream_id",
    "sample",
    "value",
    "at_us",
    "batch_id",
    "condition_id",
)


def _packed(columns: Columns) -> bytes:
    """Rows in the binary COPY format: field count, then length and big-endian content of each field; -1 for NULL."""
    missing = np.isnan(columns.value)
    return _pack(columns.pick(~missing), True) + _pack(columns.pick(missing), False)


def _pack(columns: Columns, with_value: bool) -> bytes:
    wide = ("subject", "characteristic", "stream", "sample", "value", "at_us", "batch", "condition")
    layout: list[tuple[str, str]] = [("count", ">i2")]
    for name in wide:
        layout.append((f"{name}_length", ">i4"))
        if name == "value" and not with_value:
            continue
        layout.append((name, {"sample": ">i4", "value": ">f8"}.get(name, ">i8")))
    packed = np.zeros(len(columns), dtype=np.dtype(layout))
    packed["count"] = len(wide)
    for name in wide:
        if name == "value" and not with_value:
            packed["value_length"] = -1
            continue
        packed[name] = getattr(columns, name)
        packed[f"{name}_length"] = 4 if name == "sample" else 8
    return packed.tobytes()
