"""Corrections and batches."""

from __future__ import annotations

from typing import Any

from sqlalchemy import Connection, Row, Select, func, select

from qualrec.errors import UnknownRecord
from qualrec.records.lookups.base import find, table
from qualrec.records.lookups.parts import part_id_of
from qualrec.values import Batch, Correction, ReadingKey


def corrections(
    conn: Connection,
    *,
    part: str | None = None,
    lot: str | None = None,
    from_us: int | None = None,
    until_us: int | None = None,
    limit: int = 500,
) -> tuple[Correction, ...]:
    """Corrections of a part or a lot by number, or all; newest first."""
    k, c, o = table("correction"), table("characteristic"), table("lot")
    asked = _correction_statement().limit(limit)
    if part is not None:
        asked = asked.where(c.c.part_id == part_id_of(conn, part))
    if lot is not None:
        row = find(conn, "lot", "number", lot, what="lot", remedy="'qualrec lots' lists them.")
        asked = asked.where(o.c.id == row.id)
    if from_us is not None:
        asked = asked.where(k.c.at_us >= from_us)
    if until_us is not None:
        asked = asked.where(k.c.at_us <= until_us)
    return tuple(_correction(row) for row in conn.execute(asked))


def _correction_statement() -> Select[Any]:
    k, c, p = table("correction"), table("characteristic"), table("person")
    second, s, o, m = p.alias("second"), table("lot_segment"), table("lot"), table("moulding_lot")
    return (
        select(
            k,
            c.c.code,
            p.c.name.label("person"),
            second.c.name.label("second_person"),
            func.coalesce(o.c.number, m.c.number, "").label("lot_number"),
        )
        .join(c, c.c.id == k.c.characteristic_id)
        .outerjoin(p, p.c.id == k.c.person_id)
        .outerjoin(second, second.c.id == k.c.second_person_id)
        .outerjoin(s, s.c.id == k.c.subject_id)
        .outerjoin(o, o.c.id == s.c.lot_id)
        .outerjoin(m, m.c.id == k.c.subject_id)
        .order_by(k.c.at_us.desc(), k.c.id.desc())
    )


def _correction(row: Row[Any]) -> Correction:
    return Correction(
        key=ReadingKey(row.subject_id, row.characteristic_id, row.stream_id, row.sample),
        lot_number=row.lot_number,
        code=row.code,
        kind=row.kind,
        old_value=row.old_value,
        new_value=row.new_value,
        old_mode=row.old_mode,
        new_mode=row.new_mode,
        reason=row.reason,
        person=row.person or "",
        second_person=row.second_person or "",
        at_us=row.at_us,
    )


def _batch_statement() -> Select[Any]:
    b, p = table("batch"), table("person")
    return select(b, p.c.name.label("person")).outerjoin(p, p.c.id == b.c.person_id)


def _batch(row: Row[Any]) -> Batch:
    return Batch(
        id=row.id,
        kind=row.kind,
        state=row.state,
        file_name=row.file_name,
        file_digest=row.file_digest or "",
        content_digest=row.content_digest,
        rows=row.rows,
        refused_rows=row.refused_rows,
        begun_us=row.begun_us,
        ended_us=row.ended_us,
        person=row.person or "",
    )


def batches(
    conn: Connection, *, kind: str | None = None, state: str | None = None, limit: int = 200
) -> tuple[Batch, ...]:
    """Batches, newest first."""
    b = table("batch")
    asked = _batch_statement().order_by(b.c.begun_us.desc(), b.c.id.desc()).limit(limit)
    if kind is not None:
        asked = asked.where(b.c.kind == kind)
    if state is not None:
        asked = asked.where(b.c.state == state)
    return tuple(_batch(row) for row in conn.execute(asked))


def batch(conn: Connection, batch_id: int) -> Batch:
    row = conn.execute(_batch_statement().where(table("batch").c.id == batch_id)).one_or_none()
    if row is None:
        raise UnknownRecord(f"There is no batch with id {batch_id}.", "See the list of batches.")
    return _batch(row)


def batch_by_digest(conn: Connection, digest: str, *, plant_id: int | None = None) -> Batch | None:
    """The accepted batch of a file by the SHA-256 of its bytes; None where the file was not taken yet."""
    b = table("batch")
    asked = _batch_statement().where(b.c.file_digest == digest, b.c.state == "accepted")
    if plant_id is not None:
        asked = asked.where(b.c.plant_id == plant_id)
    row = conn.execute(asked.order_by(b.c.id).limit(1)).one_or_none()
    return None if row is None else _batch(row)
