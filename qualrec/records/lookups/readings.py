"""Single readings as they count now, with what they were before a correction."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from sqlalchemy import Connection, Row, Select, and_, case, func, select

from qualrec.errors import UnknownRecord
from qualrec.records.lookups.base import rows_for, table
from qualrec.records.lookups.characteristics import in_force, load_revisions
from qualrec.records.overlays import NONE, Overlay
from qualrec.values import (
    PullResult,
    ReadingKey,
    ReadingRow,
)

KEY = ("subject_id", "characteristic_id", "stream_id", "sample")


@dataclass(frozen=True, slots=True)
class Standing:
    """What the corrections of one reading come to; reason and person are those of the last."""

    overlay: Overlay = NONE
    reason: str = ""
    person: str = ""


def same_key(a: Any, b: Any) -> Any:
    """SQL: two tables' rows are of the same reading."""
    return and_(*(a.c[name] == b.c[name] for name in KEY))


def standings(
    conn: Connection, *, subject_ids: Iterable[int] | None = None, characteristic_id: int | None = None
) -> dict[tuple[int, int, int, int], Standing]:
    """What corrections come to, by reading key, for subjects or for a characteristic."""
    k, p = table("correction"), table("person")
    asked = (
        select(k, p.c.name.label("person"))
        .outerjoin(p, p.c.id == k.c.person_id)
        .order_by(*(k.c[name] for name in KEY), k.c.position, k.c.id)
    )
    if characteristic_id is not None:
        asked = asked.where(k.c.characteristic_id == characteristic_id)
    rows = (
        list(conn.execute(asked))
        if subject_ids is None
        else rows_for(conn, asked, k.c.subject_id, subject_ids)
    )
    found: dict[tuple[int, int, int, int], Standing] = {}
    for row in rows:
        key = (row.subject_id, row.characteristic_id, row.stream_id, row.sample)
        before = found[key].overlay if key in found else NONE
        found[key] = Standing(
            before.after(row.kind, row.new_value, row.new_mode), row.reason, row.person or ""
        )
    return found


def _reading_statement() -> Select[Any]:
    r, b, c = table("reading"), table("batch"), table("characteristic")
    s, o, m = table("lot_segment"), table("lot"), table("moulding_lot")
    e, u, w, q = table("reading_entry"), table("pull"), table("welded_unit"), table("person")
    st, k, g = table("stream"), table("condition"), table("gauge")
    joined = (
        r.join(b, and_(b.c.id == r.c.batch_id, b.c.state == "accepted"))
        .join(c, c.c.id == r.c.characteristic_id)
        .outerjoin(s, s.c.id == r.c.subject_id)
        .outerjoin(o, o.c.id == s.c.lot_id)
        .outerjoin(m, m.c.id == r.c.subject_id)
        .outerjoin(e, same_key(e, r))
        .outerjoin(u, same_key(u, r))
        .outerjoin(w, and_(w.c.subject_id == r.c.subject_id, w.c.sample == r.c.sample))
        .outerjoin(q, q.c.id == func.coalesce(e.c.person_id, b.c.person_id))
        .outerjoin(st, st.c.id == r.c.stream_id)
        .outerjoin(k, k.c.id == r.c.condition_id)
        .outerjoin(g, g.c.id == k.c.gauge_id)
    )
    pulls = [u.c[name].label(f"pull_{name}") for name in PullResult.__dataclass_fields__]
    return (
        select(
            *(r.c[name] for name in (*KEY, "value", "at_us", "condition_id")),
            c.c.code,
            o.c.id.label("lot_id"),
            func.coalesce(o.c.number, m.c.number, "").label("lot_number"),
            func.coalesce(s.c.from_us, m.c.moulded_us, r.c.at_us).label("judged_us"),
            func.coalesce(e.c.entered_us, b.c.ended_us).label("entered_us"),
            func.coalesce(q.c.name, "").label("person"),
            case((r.c.stream_id == 0, ""), else_=func.coalesce(st.c.label, "")).label("stream"),
            func.coalesce(g.c.code, "").label("gauge"),
            func.coalesce(w.c.serial, "").label("serial"),
            b.c.kind.label("source"),
            b.c.file_name,
            func.coalesce(e.c.entered_text, "").label("entered_text"),
            func.coalesce(e.c.decimals, 0).label("decimals"),
            e.c.first_text,
            e.c.late,
            *pulls,
        )
        .select_from(joined)
        .order_by(r.c.at_us, r.c.characteristic_id, r.c.subject_id, r.c.stream_id, r.c.sample)
    )


def _pull(row: Row[Any], mode: str | None) -> PullResult | None:
    """The pull with the failure mode that counts now; shares are kept where that is a mixed one, as they were entered."""
    if row.pull_mode is None:
        return None
    found = PullResult(**{name: getattr(row, f"pull_{name}") for name in PullResult.__dataclass_fields__})
    if mode is None or mode == found.mode:
        return found
    if mode == "mixed":
        return replace(found, mode=mode)
    return replace(found, mode=mode, interfacial_pct=None, cohesive_pct=None, tear_pct=None, parent_pct=None)


def _reading_row(row: Row[Any], unit: str, standing: Standing | None) -> ReadingRow:
    now = standing or Standing()
    return ReadingRow(
        key=ReadingKey(row.subject_id, row.characteristic_id, row.stream_id, row.sample),
        lot_id=row.lot_id,
        lot_number=row.lot_number,
        code=row.code,
        unit=unit,
        value=now.overlay.value_of(row.value, row.pull_mode or ""),
        original=row.value,
        at_us=row.at_us,
        entered_us=row.entered_us,
        person=row.person,
        stream=row.stream,
        condition_id=row.condition_id,
        gauge=row.gauge,
        serial=row.serial,
        source=row.source,
        file_name=row.file_name,
        entered_text=row.entered_text,
        decimals=row.decimals,
        first_text=row.first_text,
        late=bool(row.late),
        pull=_pull(row, now.overlay.mode),
        corrected=standing is not None,
        void=now.overlay.void,
        correction_reason=now.reason,
        corrected_by=now.person,
    )


def _reading_rows(conn: Connection, rows: Sequence[Row[Any]]) -> tuple[ReadingRow, ...]:
    revisions = load_revisions(conn, [row.characteristic_id for row in rows])
    changed = standings(conn, subject_ids={row.subject_id for row in rows}) if rows else {}
    found = []
    for row in rows:
        held = revisions.get(row.characteristic_id, ())
        judged = in_force(held, row.judged_us) or (held[0] if held else None)
        unit = judged.unit if judged is not None else ""
        key = (row.subject_id, row.characteristic_id, row.stream_id, row.sample)
        found.append(_reading_row(row, unit, changed.get(key)))
    return tuple(found)


def readings_of_subjects(
    conn: Connection, subject_ids: Iterable[int], code: str | None = None, limit: int | None = None
) -> tuple[ReadingRow, ...]:
    """Accepted readings of subjects in time order, voids and test faults with them; three queries.

    The unit is that of the revision in force when the part was welded or moulded. `limit`: the newest so many.
    """
    asked = _reading_statement()
    if code is not None:
        asked = asked.where(table("characteristic").c.code == code)
    if limit is not None:
        r = table("reading")
        columns = (r.c.at_us, r.c.characteristic_id, r.c.subject_id, r.c.stream_id, r.c.sample)
        asked = asked.order_by(None).order_by(*(column.desc() for column in columns)).limit(limit)
    rows = rows_for(conn, asked, table("reading").c.subject_id, subject_ids)
    if limit is not None:
        rows = rows[::-1][-limit:]
    return _reading_rows(conn, rows)


def readings_of_lot(
    conn: Connection, lot_id: int, code: str | None = None, limit: int | None = None
) -> tuple[ReadingRow, ...]:
    """Accepted readings of a lot's segments as they count now, in time order; see `readings_of_subjects`."""
    s = table("lot_segment")
    return readings_of_subjects(
        conn, conn.execute(select(s.c.id).where(s.c.lot_id == lot_id)).scalars(), code, limit
    )


def readings_of_moulding_lot(
    conn: Connection, moulding_lot_id: int, code: str | None = None, limit: int | None = None
) -> tuple[ReadingRow, ...]:
    """Accepted readings of a moulding lot; `lot_id` is None and `lot_number` the number of the moulding lot."""
    return readings_of_subjects(conn, [moulding_lot_id], code, limit)


def reading(conn: Connection, key: ReadingKey) -> ReadingRow:
    """One accepted reading. Raises UnknownRecord."""
    r = table("reading")
    asked = _reading_statement().where(*(r.c[name] == getattr(key, name) for name in KEY))
    found = _reading_rows(conn, conn.execute(asked).all())
    if not found:
        raise UnknownRecord(
            f"There is no reading with sample number {key.sample}.", "See the readings of the lot."
        )
    return found[0]


def readings_of_serial(conn: Connection, serial: str, limit: int = 500) -> tuple[ReadingRow, ...]:
    """Accepted readings of a welded part by its serial number, compared exactly."""
    w = table("welded_unit")
    rows = conn.execute(_reading_statement().where(w.c.serial == serial).limit(limit)).all()
    return _reading_rows(conn, rows)
