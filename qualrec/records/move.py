"""Carrying a plant over into another database, SQLite or PostgreSQL, either way: all of it or nothing.

Every table is read in one snapshot of the source and written in pieces, so memory does not grow with the plant. The guards of
the new database stay on. Before it counts, the new database is read again: rows and a digest of every table are those of the
source, the chain, all rows, readings and running sums are recomputed (`trail.verify_on`), and the source must not have gone
on meanwhile. On PostgreSQL all of it is one transaction; a SQLite file gets its name when it is whole.
"""

from __future__ import annotations

import contextlib
import hashlib
import sqlite3
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Table, select, text

from qualrec.errors import DatabaseError, Refused, SchemaMismatch, UsageError
from qualrec.records import engine as engines
from qualrec.records import migrate, trail
from qualrec.records.backup import part_of, publish, remove_part
from qualrec.records.chain import canonical
from qualrec.records.columns import KEY_ORDER, SELECTED, Columns, from_rows
from qualrec.records.database import Store, open_store
from qualrec.records.digests import packed
from qualrec.records.driver_errors import translated
from qualrec.records.fast_insert import insert_readings, insert_rows
from qualrec.records.ids import COUNTER_BITS
from qualrec.records.ledger import Writer
from qualrec.records.models import metadata
from qualrec.records.partitions import RANGE_BITS, make_partition
from qualrec.records.trail import Head, TrailVerdict
from qualrec.values import Actor

Progress = Callable[[str, int, int], None]
"""Step, done, total."""
ROWS_A_PIECE = 5_000
READINGS_A_PIECE = 50_000
LAID = ("stream", "condition")
"""Tables whose row 0 is laid with the schema."""
REVISIONS = "recipe_revision"
"""Its settings are written while a revision is a draft, so it gets its state after them."""


@dataclass(frozen=True, slots=True)
class Moved:
    """A plant that was carried over. `rows` by table; `heads` as they were in the source."""

    place: str
    rows: Mapping[str, int]
    heads: tuple[Head, ...]
    verdict: TrailVerdict


def move(source: Store, target_url: str, actor: Actor, progress: Progress | None = None) -> Moved:
    """Carry everything over into an empty database.

    Raises Refused where the target holds anything, where the source went on meanwhile, and where what was written does not
    agree with the source; UsageError, SchemaMismatch and the rest of the DatabaseError tree. Nothing is left in the target
    then but empty tables.
    """
    tell: Progress = progress or (lambda step, done, total: None)
    path = engines.file_of(target_url)
    if path is not None:
        return _into_file(source, path, actor, tell)
    _refuse_filled(target_url)
    with (
        open_store(target_url, create=True) as target,
        source.read() as origin,
        target.transaction() as connection,
    ):
        _refuse_plants(connection, target.place)
        rows, verdict = _carry(source, origin, target, connection, actor, tell)
    return Moved(target.place, rows, verdict.heads, verdict)


def _into_file(source: Store, path: Path, actor: Actor, tell: Progress) -> Moved:
    if path.exists():
        raise Refused(
            f"{path} is there already.", "Choose a new path; a plant is carried into a new file only."
        )
    if not path.absolute().parent.is_dir():
        raise UsageError(f"There is no folder {path.absolute().parent}.", "Make it, or choose another one.")
    part = part_of(path)
    try:
        with (
            open_store(f"sqlite:///{part}", create=True) as target,
            source.read() as origin,
            target.transaction() as connection,
        ):
            connection.exec_driver_sql("PRAGMA defer_foreign_keys = ON")
            rows, verdict = _carry(source, origin, target, connection, actor, tell)
        with translated(str(path)), contextlib.closing(sqlite3.connect(part, isolation_level=None)) as whole:
            whole.execute("PRAGMA journal_mode = DELETE")
        publish(part, path)
    except OSError as error:
        raise DatabaseError(
            f"{path} cannot be written ({error.strerror}).", "Choose another folder."
        ) from error
    finally:
        remove_part(part)
    return Moved(str(path), rows, verdict.heads, verdict)


def _refuse_filled(url: str) -> None:
    """Raises Refused for tables of another program, SchemaMismatch for an older or newer schema."""
    place, engine = engines.shown(url), engines.make_engine(url)
    try:
        with translated(place), engine.connect() as connection:
            found = migrate.revision_of(connection)
            if not found and migrate.holds_tables(connection):
                raise Refused(f"{place} holds tables of another program.", "Give an empty database.")
    finally:
        engine.dispose()
    if found and found != migrate.head():
        raise SchemaMismatch(found, migrate.head(), "Give an empty database.")


def _refuse_plants(connection: Connection, place: str) -> None:
    code = connection.execute(text("SELECT code FROM plant ORDER BY id LIMIT 1")).scalar()
    if code is not None:
        raise Refused(f"{place} holds plant {code} already.", "Give an empty database.")


def _carry(
    source: Store, origin: Connection, target: Store, connection: Connection, actor: Actor, tell: Progress
) -> tuple[dict[str, int], TrailVerdict]:
    """Copy, compare, verify and note it in the chain of every plant."""
    heads = _heads(origin)
    if not heads:
        raise Refused(f"{source.place} holds no plant.", "Give the database that is to be carried over.")
    counts = {table.name: _count(origin, table) for table in metadata.sorted_tables}
    done, given = 0, {}
    for table in metadata.sorted_tables:

        def so_far(rows: int, before: int = done) -> None:
            tell("rows", before + rows, sum(counts.values()))

        given[table.name] = _copy(origin, connection, table, so_far)
        done += counts[table.name]
    _set_states(origin, connection)
    if target.dialect == "postgresql":
        connection.exec_driver_sql("ANALYZE")
    for place, table in enumerate(metadata.sorted_tables):
        tell("digests", place, len(given))
        if _digest(connection, table) != given[table.name]:
            raise Refused(
                f"Table {table.name} came over otherwise than it was; nothing was carried over.",
                "Verify the source (qualrec db verify), then try again.",
            )
    verdict = trail.verify_on(connection, tell)
    if not verdict.ok:
        first = verdict.faults[0]
        raise Refused(
            f"{verdict.fault_count} faults were found in what came over, first: {first.table} {first.row}: "
            f"{first.message} Nothing was carried over.",
            "Look whether the source has them too: qualrec db verify.",
        )
    if verdict.heads != heads:
        raise Refused("The heads of the chains differ; nothing was carried over.", "Try again.")
    with source.read() as now:
        if _heads(now) != heads:
            raise Refused(
                f"Entries were made in {source.place} meanwhile; nothing was carried over.",
                "Stop all stations, then try again.",
            )
    for head in heads:
        writer = Writer(connection, actor, head.plant_id, target.ids, target.clock())
        content = {"from": source.dialect, "to": target.dialect, "seq": head.seq, "digest": head.digest}
        writer.note("carried over", "plant", head.plant_id, content)
        writer.finish()
    return {name: rows for name, (rows, _) in given.items()}, verdict


def _heads(connection: Connection) -> tuple[Head, ...]:
    head = metadata.tables["trail_head"]
    found = connection.execute(select(head.c.plant_id, head.c.seq, head.c.digest).order_by(head.c.plant_id))
    return tuple(Head(int(row.plant_id), int(row.seq), str(row.digest)) for row in found)


def _count(connection: Connection, table: Table) -> int:
    return int(connection.execute(text(f'SELECT count(*) FROM "{table.name}"')).scalar_one())


def _copy(
    origin: Connection, connection: Connection, table: Table, tell: Callable[[int], None]
) -> tuple[int, str]:
    """Copy one table; its rows and digest as they were read. `tell` gets the rows so far."""
    names = [f'"{column.name}"' for column in table.c]
    digest = _Digest()
    if table.name == "reading":
        _make_partitions(origin, connection)
        for columns in _readings(origin):
            digest.readings(columns)
            insert_readings(connection, columns)
            tell(digest.rows)
        return digest.rows, digest.hex()
    state = list(table.c.keys()).index("state") if table.name == REVISIONS else None
    for rows in _pieces(origin, table):
        digest.plain(rows)
        kept = [row for row in rows if row[0] != 0] if table.name in LAID else rows
        if state is not None:
            kept = [(*row[:state], "draft", *row[state + 1 :]) for row in rows]
        insert_rows(connection, f'"{table.name}"', names, kept)
        tell(digest.rows)
    return digest.rows, digest.hex()


def _set_states(origin: Connection, connection: Connection) -> None:
    """Give every recipe revision the state that it has."""
    states = origin.execute(text("SELECT id, state FROM recipe_revision WHERE state <> 'draft'"))
    for row in states.all():
        connection.execute(
            text("UPDATE recipe_revision SET state = :state WHERE id = :id"),
            {"id": row.id, "state": row.state},
        )


def _make_partitions(origin: Connection, connection: Connection) -> None:
    """On PostgreSQL: a partition for each range of subjects that the plants use."""
    if connection.dialect.name == "postgresql":
        ranges = origin.execute(text(f"SELECT DISTINCT id >> {RANGE_BITS} FROM subject ORDER BY 1")).scalars()
        for found in ranges.all():
            plant_id, index = divmod(int(found), 1 << (COUNTER_BITS - RANGE_BITS))
            make_partition(connection, plant_id, index)


def _pieces(connection: Connection, table: Table) -> Iterator[list[tuple[Any, ...]]]:
    query = select(table).order_by(*table.primary_key.columns)
    options = {"stream_results": True, "yield_per": ROWS_A_PIECE}
    with connection.execute(query, execution_options=options) as result:
        for rows in result.partitions():
            yield [tuple(row) for row in rows]


def _readings(connection: Connection) -> Iterator[Columns]:
    """All readings in key order, straight from the driver."""
    raw: Any = connection.connection
    cursor = (
        raw.cursor(name="carried", binary=True) if connection.dialect.name == "postgresql" else raw.cursor()
    )
    with contextlib.closing(cursor):
        cursor.execute(f"SELECT {SELECTED} FROM reading ORDER BY {KEY_ORDER}")
        while rows := cursor.fetchmany(READINGS_A_PIECE):
            yield from_rows(rows)


def _digest(connection: Connection, table: Table) -> tuple[int, str]:
    """Rows and digest of a table."""
    digest = _Digest()
    if table.name == "reading":
        for columns in _readings(connection):
            digest.readings(columns)
    else:
        for rows in _pieces(connection, table):
            digest.plain(rows)
    return digest.rows, digest.hex()


class _Digest:
    """SHA-256 over rows in key order; the same however they are cut into pieces."""

    def __init__(self) -> None:
        self.rows = 0
        self._content, self._batches = hashlib.sha256(), hashlib.sha256()

    def readings(self, columns: Columns) -> None:
        self.rows += len(columns)
        self._content.update(packed(columns))
        self._batches.update(columns.batch.astype("<i8").tobytes())

    def plain(self, rows: Sequence[tuple[Any, ...]]) -> None:
        self.rows += len(rows)
        self._content.update("".join(f"{canonical(list(row))}\n" for row in rows).encode())

    def hex(self) -> str:
        return self._content.hexdigest() + self._batches.hexdigest()
