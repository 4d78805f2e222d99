"""What stands under a signature in the tables that name it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from sqlalchemy import Connection, select

from qualrec.errors import UsageError
from qualrec.records.lookups.base import table

NAMING = ("disposition", "concession", "temporary_change")
"""Tables whose rows are made with their signature."""


def row_signed(conn: Connection, table_name: str, signature_id: int) -> Mapping[str, Any] | None:
    """The row of a table that was made under a signature, all columns by name; None where there is none."""
    if table_name not in NAMING:
        raise UsageError(f"Rows of {table_name!r} are not found by their signature.")
    t = table(table_name)
    asked = select(t).where(t.c.signature_id == signature_id).order_by(t.c.id)
    row = conn.execute(asked).mappings().first()
    return None if row is None else {str(name): value for name, value in row.items()}
