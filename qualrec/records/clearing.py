"""Removing staged rows: of an import that is given up, and of imports whose program died."""

from __future__ import annotations

from typing import TYPE_CHECKING

from sqlalchemy import Connection, select, text, update

from qualrec.records.entry import note_batch
from qualrec.records.import_lock import ImportLock
from qualrec.records.models import metadata
from qualrec.values import Actor

if TYPE_CHECKING:
    from qualrec.records.database import Store

STAGED = "state = 'staged' AND ended_us IS NULL"
"""An import that still goes on."""
ROWS_A_TRANSACTION, ROWS_ON_SERVER = 2_000, 1_000_000
PROGRAM = Actor(None, "program")
BATCH = metadata.tables["batch"]
KEY = "subject_id, characteristic_id, stream_id, sample"


def clear_staged(store: Store, actor: Actor = PROGRAM) -> int:
    """Remove what dead imports left; returns how many there were. To be called when a program starts; safe at any moment."""
    query = text("SELECT id FROM batch WHERE state = 'staged' ORDER BY id")
    with store.read() as connection:
        found = [int(batch_id) for batch_id in connection.execute(query).scalars()]
    cleared = 0
    for batch_id in found:
        lock = ImportLock.take(store, batch_id)
        if lock is None:
            continue
        try:
            clear_batch(store, actor, batch_id, "cleared: its program stopped before the import was accepted")
        finally:
            lock.release()
        cleared += 1
    return cleared


def clear_batch(store: Store, actor: Actor, batch_id: int, remark: str) -> None:
    """End a staged batch, remove its rows in small transactions, then mark it as refused. The caller holds its ImportLock.

    A batch whose clearing is broken off stays staged and ended: nobody writes to it, and the next start goes on.
    """
    with store.transaction() as connection:
        ended = {"id": batch_id, "now": store.clock()}
        connection.execute(text(f"UPDATE batch SET ended_us = :now WHERE id = :id AND {STAGED}"), ended)
        plant_id, state = connection.execute(
            text("SELECT plant_id, state FROM batch WHERE id = :id"), {"id": batch_id}
        ).one()
    if state != "staged":
        return
    after: tuple[int, ...] | None = (0, 0, 0, 0)
    while after is not None:
        with store.transaction() as connection:
            after = _remove_some(connection, batch_id, after)
    with store.write(actor, plant_id) as writer:
        changes = {"state": "refused", "ended_us": writer.now_us, "remark": remark}
        writer.conn.execute(update(BATCH).where(BATCH.c.id == batch_id).values(changes))
        row = writer.conn.execute(select(BATCH).where(BATCH.c.id == batch_id)).mappings().one()
        note_batch(writer, "import refused", {str(name): value for name, value in row.items()}, {})


def _remove_some(connection: Connection, batch_id: int, after: tuple[int, ...]) -> tuple[int, ...] | None:
    """Remove some rows of a batch that does not count, from a key on; returns the last key removed, None at the end.

    On a server an account that may not delete readings has the owner's function do it, which looks at the batch's state.
    """
    if connection.dialect.name == "postgresql":
        may = text("SELECT has_table_privilege('reading', 'DELETE')")
        if not connection.execute(may).scalar():
            values = {"batch": batch_id, "most": ROWS_ON_SERVER}
            gone = connection.execute(text("SELECT clear_staged_rows(:batch, :most)"), values).scalar_one()
            return after if int(gone) else None
    values = dict(zip(("s", "c", "t", "n"), after, strict=True), batch=batch_id)
    found = connection.execute(
        text(
            f"SELECT {KEY} FROM reading WHERE ({KEY}) > (:s, :c, :t, :n) AND batch_id = :batch"
            f" ORDER BY {KEY} LIMIT {ROWS_A_TRANSACTION}"
        ),
        values,
    ).all()
    if not found:
        return None
    last = tuple(found[-1])
    values |= dict(zip(("ls", "lc", "lt", "ln"), last, strict=True))
    here = f"({KEY}) > (:s, :c, :t, :n) AND ({KEY}) <= (:ls, :lc, :lt, :ln)"
    mine = f"SELECT {KEY} FROM reading WHERE {here} AND batch_id = :batch"
    connection.execute(text(f"DELETE FROM pull WHERE {here} AND ({KEY}) IN ({mine})"), values)
    connection.execute(text(f"DELETE FROM reading WHERE {here} AND batch_id = :batch"), values)
    return last
