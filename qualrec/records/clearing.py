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

STAGED = "state = 'staged'"
ROWS_A_TRANSACTION = 2_000
PROGRAM = Actor(None, "program")
BATCH = metadata.tables["batch"]
KEY = "subject_id, characteristic_id, stream_id, sample"


def clear_staged(store: Store, actor: Actor = PROGRAM) -> int:
    """Remove what dead imports left; returns how many there were. To be called when a program starts; safe at any moment."""
    query = text(
        f"SELECT id FROM batch WHERE {STAGED} OR (state = 'refused'"
        " AND EXISTS (SELECT 1 FROM reading WHERE reading.batch_id = batch.id)) ORDER BY id"
    )
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
    """Mark a staged batch as refused, then remove its rows in small transactions. The caller holds its ImportLock."""
    with store.read() as connection:
        plant_id, state = connection.execute(
            text("SELECT plant_id, state FROM batch WHERE id = :id"), {"id": batch_id}
        ).one()
    if state == "staged":
        with store.write(actor, plant_id) as writer:
            changes = {"state": "refused", "ended_us": writer.now_us, "remark": remark}
            writer.conn.execute(update(BATCH).where(BATCH.c.id == batch_id, text(STAGED)).values(changes))
            row = writer.conn.execute(select(BATCH).where(BATCH.c.id == batch_id)).mappings().one()
            note_batch(writer, "import refused", {str(name): value for name, value in row.items()}, {})
    left = True
    while left:
        with store.transaction() as connection:
            left = _remove_some(connection, batch_id) > 0


def _remove_some(connection: Connection, batch_id: int) -> int:
    """Remove some rows of a batch that does not count; how many readings went.

    On a server an account that may not delete readings has the owner's function do it, which looks at the batch's state.
    """
    if connection.dialect.name == "postgresql":
        may = text("SELECT has_table_privilege('reading', 'DELETE')")
        if not connection.execute(may).scalar():
            query = text("SELECT clear_staged_rows(:batch, :most)")
            return int(
                connection.execute(query, {"batch": batch_id, "most": ROWS_A_TRANSACTION}).scalar_one()
            )
    some = f"(SELECT {KEY} FROM reading WHERE batch_id = :batch ORDER BY {KEY} LIMIT {ROWS_A_TRANSACTION})"
    connection.execute(text(f"DELETE FROM pull WHERE ({KEY}) IN {some}"), {"batch": batch_id})
    return connection.execute(
        text(f"DELETE FROM reading WHERE ({KEY}) IN {some}"), {"batch": batch_id}
    ).rowcount
