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
    one = f"({', '.join('?' * len(names))})"
    head = f"INSERT INTO {table} ({', '.join(names)}) VALUES "
    whole = len(rows) - len(rows) % ROWS_A_STATEMENT
    statement = head + ", ".join([one] * ROWS_A_STATEMENT)
    cursor = connection.connection.cursor()
    try:
        for i in range(0, whole, ROWS_A_STATEMENT):
            cursor.execute(statement, [value for row in rows[i : i + ROWS_A_STATEMENT] for value in row])
        if whole < len(rows):
            rest = rows[whole:]
            cursor.execute(head + ", ".join([one] * len(rest)), [value for row in rest for value in row])
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
    values = columns.value.astype(object)
    values[np.isnan(columns.value)] = None
    rows = zip(
        columns.subject.tolist(),
        columns.characteristic.tolist(),
        columns.stream.tolist(),
        columns.sample.tolist(),
        values.tolist(),
        columns.at_us.tolist(),
        columns.batch.tolist(),
        columns.condition.tolist(),
        strict=True,
    )
    insert_rows(connection, "reading", NAMES, list(rows))


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
