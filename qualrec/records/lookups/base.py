"""What all lookups share: tables by name, unknown names with near ones, JSON columns, long IN lists."""

from __future__ import annotations

import difflib
import json
from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from sqlalchemy import ColumnElement, Connection, Row, Select, Table, select

from qualrec.errors import UnknownRecord, UsageError
from qualrec.records.models import metadata

CHUNK = 10_000
"""Most values in one IN list; both databases take more."""
NEAR_CANDIDATES = 3_000
"""How many names, newest first, are compared with an unknown one."""


def table(name: str) -> Table:
    return metadata.tables[name]


def chunks(ids: Iterable[int]) -> Iterator[list[int]]:
    """The different ids in rising order, in lists that fit one IN."""
    ordered = sorted(set(ids))
    for start in range(0, len(ordered), CHUNK):
        yield ordered[start : start + CHUNK]


def rows_for(
    conn: Connection, statement: Select[Any], column: ColumnElement[Any], ids: Iterable[int]
) -> list[Row[Any]]:
    """Rows of `statement` whose `column` is one of `ids`; the order holds within each chunk of ids."""
    found: list[Row[Any]] = []
    for chunk in chunks(ids):
        found.extend(conn.execute(statement.where(column.in_(chunk))).all())
    return found


def plain_rows(conn: Connection, statement: Select[Any]) -> Sequence[Any]:
    """Rows as the driver gives them, for many rows of numbers and text: no row objects are made."""
    result = conn.execute(statement)
    rows: Sequence[Any] = result.cursor.fetchall()
    result.close()
    return rows


def words(text: str | None) -> tuple[str, ...]:
    """A JSON list of texts."""
    return tuple(str(item) for item in json.loads(text)) if text else ()


def mapping(text: str | None) -> dict[str, Any]:
    """A JSON object."""
    found = json.loads(text) if text else {}
    return dict(found)


def near_names(name: str, names: Sequence[str], most: int = 3) -> list[str]:
    """Names like `name`: first those that differ only in case, blanks or leading zeros, then by difflib."""

    def plain(text: str) -> str:
        return "".join(text.split()).casefold().lstrip("0")

    same = [other for other in names if plain(other) == plain(name)]
    close = difflib.get_close_matches(name, [n for n in names if n not in same], n=most, cutoff=0.6)
    return list(dict.fromkeys([*same, *close]))[:most]


def unknown(what: str, name: str, names: Sequence[str], remedy: str) -> UnknownRecord:
    """The error for a name that is not in the records, naming near ones."""
    near = near_names(name, names)
    hint = f"Did you mean {' or '.join(near)}? " if near else ""
    return UnknownRecord(f"There is no {what} {name!r}.", f"{hint}{remedy}")


def find(
    conn: Connection,
    table_name: str,
    column_name: str,
    name: str,
    *,
    what: str,
    remedy: str,
    plant_id: int | None = None,
) -> Row[Any]:
    """The row of a table with a name, compared exactly: case and leading zeros count.

    Raises UnknownRecord with near names, and UsageError where several plants use the name and none is given.
    """
    t = table(table_name)
    column = t.c[column_name]
    by_plant = [t.c.plant_id == plant_id] if plant_id is not None else []
    found = conn.execute(select(t).where(column == name, *by_plant).order_by(t.c.id)).all()
    if len(found) == 1:
        return found[0]
    if found:
        p = table("plant")
        codes = conn.execute(select(p.c.code).where(p.c.id.in_([row.plant_id for row in found]))).scalars()
        raise UsageError(
            f"{what} {name!r} is in plants {', '.join(sorted(codes))}.", "Say which plant is meant."
        )
    newest = select(column).where(*by_plant).order_by(t.c.id.desc()).limit(NEAR_CANDIDATES)
    raise unknown(what, name, list(conn.execute(newest).scalars()), remedy)


def by_id(conn: Connection, table_name: str, record_id: int, *, what: str, remedy: str) -> Row[Any]:
    """The row of a table with an id. Raises UnknownRecord."""
    t = table(table_name)
    row = conn.execute(select(t).where(t.c.id == record_id)).one_or_none()
    if row is None:
        raise UnknownRecord(f"There is no {what} with id {record_id}.", remedy)
    return row


def revision_label(code: str | None, revision: int | None) -> str:
    """How a recipe revision is named in lists; empty where there is none."""
    return "" if code is None or revision is None else f"{code} rev {revision}"
