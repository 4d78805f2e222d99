"""Lots: pages of a list, one lot with all that hangs on it, what is owed, what was shipped."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from sqlalchemy import Connection, Row, Select, Subquery, and_, func, or_, select, union

from qualrec.errors import UnknownRecord, UsageError
from qualrec.records.lookups.base import by_id, chunks, find, revision_label, rows_for, table
from qualrec.records.lookups.materials import load_moulding_lots
from qualrec.records.lookups.parts import load_parts, part_id_of
from qualrec.records.lookups.recipes import load_recipe_revisions
from qualrec.records.models.lots import LOT_STATES
from qualrec.values import Disposition, Lot, LotRow, Owed, Part, Segment, Shipment

POSITIONS = ("first-off", "start", "middle", "end")
"""Positions in a lot in the order in which readings fill them; other words follow, by the alphabet."""
SETTLED = ("released", "released under concession", "scrapped", "reworked", "shipped")
"""States of lots that wait for no test."""


FLAG_FILTERS = ("H", "R", "I", "any", "none")
"""Flags that a list of lots can be narrowed to: a level, any, or none."""


@dataclass(frozen=True, slots=True)
class Concession:
    id: int
    reference: str
    part_number: str
    lot_number: str
    quantity: int | None
    used: int
    """Parts shipped under it."""
    until_us: int | None
    reason: str
    signature_id: int | None


@dataclass(frozen=True, slots=True)
class ShippedLot:
    """A lot with what left the house."""

    row: LotRow
    shipments: tuple[Shipment, ...]


def check_state(state: str) -> None:
    if state not in LOT_STATES:
        raise UsageError(f"Lot state {state!r} is not known.", f"States: {', '.join(LOT_STATES)}.")


def _filtered(
    conn: Connection,
    asked: Select[Any],
    state: str | None,
    part: str | None,
    text: str | None,
    flags: str | None,
    from_us: int | None,
    until_us: int | None,
) -> Select[Any]:
    lot, p, f = table("lot"), table("part"), table("flag")
    if flags is not None:
        if flags not in FLAG_FILTERS:
            raise UsageError(f"Flags {flags!r} are not known.", f"Flags: {', '.join(FLAG_FILTERS)}.")
        raised = select(f.c.id).where(f.c.lot_id == lot.c.id, f.c.state != "closed")
        if flags in "HRI":
            raised = raised.where(f.c.level == flags)
        asked = asked.where(~raised.exists() if flags == "none" else raised.exists())
    if from_us is not None:
        asked = asked.where(lot.c.started_us >= from_us)
    if until_us is not None:
        asked = asked.where(lot.c.started_us <= until_us)
    if state is not None:
        check_state(state)
        asked = asked.where(lot.c.state == state)
    if part is not None:
        asked = asked.where(lot.c.part_id == part_id_of(conn, part))
    if text:
        columns = (lot.c.number, p.c.number, p.c.name)
        asked = asked.where(or_(*(column.icontains(text, autoescape=True) for column in columns)))
    return asked


def lots_page(
    conn: Connection,
    state: str | None = None,
    part: str | None = None,
    text: str | None = None,
    after: LotRow | tuple[int, int] | None = None,
    limit: int = 200,
    *,
    flags: str | None = None,
    from_us: int | None = None,
    until_us: int | None = None,
) -> tuple[LotRow, ...]:
    """Lots, newest first, in a fixed number of queries.

    `text` is searched in lot number, part number and part name, without regard to case. `after` is the last row seen,
    or its (started_us, id). `flags`: one of `FLAG_FILTERS`, of flags that are not closed. `from_us` and `until_us` bound the
    begin of the welding, both ends included. Raises UsageError for an unknown state or flags, UnknownRecord for an
    unknown part.
    """
    lot, p = table("lot"), table("part")
    joined = select(lot.c.id).join(p, p.c.id == lot.c.part_id)
    asked = _filtered(conn, joined, state, part, text, flags, from_us, until_us)
    if after is not None:
        started_us, last_id = (after.started_us, after.id) if isinstance(after, LotRow) else after
        tied = and_(lot.c.started_us == started_us, lot.c.id < last_id)
        asked = asked.where(lot.c.started_us <= started_us, or_(lot.c.started_us < started_us, tied))
    asked = asked.order_by(lot.c.started_us.desc(), lot.c.id.desc()).limit(limit)
    ids = list(conn.execute(asked).scalars())
    rows = load_lot_rows(conn, ids)
    return tuple(rows[one] for one in ids)


def count_lots(
    conn: Connection,
    state: str | None = None,
    part: str | None = None,
    text: str | None = None,
    *,
    flags: str | None = None,
    from_us: int | None = None,
    until_us: int | None = None,
) -> int:
    """How many lots `lots_page` would list."""
    lot, p = table("lot"), table("part")
    asked = select(func.count()).select_from(lot.join(p, p.c.id == lot.c.part_id))
    found = _filtered(conn, asked, state, part, text, flags, from_us, until_us)
    return int(conn.execute(found).scalar_one())


def load_lot_rows(conn: Connection, ids: Sequence[int]) -> dict[int, LotRow]:
    """Lines of a list of lots by id, in four queries.

    `recipe` and `station` are those of the last segment. `readings` counts the values that count (accepted, neither
    void nor test fault). Flags count until they are closed.
    """
    lot, p, s = table("lot"), table("part"), table("lot_segment")
    v, r, st = table("recipe_revision"), table("recipe"), table("station")
    lots = select(lot, p.c.number.label("part_number"), p.c.name.label("part_name")).join(
        p, p.c.id == lot.c.part_id
    )
    asked = (
        select(s.c.id, s.c.lot_id, r.c.code, v.c.revision, st.c.code.label("station"))
        .outerjoin(v, v.c.id == s.c.recipe_revision_id)
        .outerjoin(r, r.c.id == v.c.recipe_id)
        .outerjoin(st, st.c.id == s.c.station_id)
        .order_by(s.c.lot_id, s.c.position)
    )
    last = {row.lot_id: row for row in rows_for(conn, asked, s.c.lot_id, ids)}
    flags = _open_flags(conn, ids)
    counts = _reading_counts(conn, ids)
    return {
        row.id: LotRow(
            id=row.id,
            number=row.number,
            part_number=row.part_number,
            part_name=row.part_name,
            state=row.state,
            started_us=row.started_us,
            ended_us=row.ended_us,
            quantity=row.quantity,
            recipe=revision_label(last[row.id].code, last[row.id].revision) if row.id in last else "",
            station=(last[row.id].station or "") if row.id in last else "",
            open_holding=flags[row.id, "H"],
            open_review=flags[row.id, "R"],
            open_informing=flags[row.id, "I"],
            readings=counts.get(row.id, 0),
        )
        for row in rows_for(conn, lots, lot.c.id, ids)
    }


def _open_flags(conn: Connection, lot_ids: Iterable[int]) -> Counter[tuple[int, str]]:
    f = table("flag")
    asked = (
        select(f.c.lot_id, f.c.level, func.count().label("n"))
        .where(f.c.state != "closed")
        .group_by(f.c.lot_id, f.c.level)
    )
    return Counter({(row.lot_id, row.level): row.n for row in rows_for(conn, asked, f.c.lot_id, lot_ids)})


def _reading_counts(conn: Connection, lot_ids: Iterable[int]) -> dict[int, int]:
    s, u = table("lot_segment"), table("rollup")
    asked = (
        select(s.c.lot_id, func.sum(u.c.n).label("n"))
        .join(u, u.c.subject_id == s.c.id)
        .where(u.c.subgroup == 0)
        .group_by(s.c.lot_id)
    )
    return {row.lot_id: int(row.n) for row in rows_for(conn, asked, s.c.lot_id, lot_ids)}


def lots_of_part(conn: Connection, part_number: str, limit: int | None = None) -> tuple[LotRow, ...]:
    """The lots of a part in time order; with `limit` the newest so many."""
    lot = table("lot")
    asked = select(lot.c.id).where(lot.c.part_id == part_id_of(conn, part_number))
    asked = asked.order_by(lot.c.started_us.desc(), lot.c.id.desc())
    ids = list(conn.execute(asked if limit is None else asked.limit(limit)).scalars())
    rows = load_lot_rows(conn, ids)
    return tuple(rows[one] for one in reversed(ids))


def lot(conn: Connection, number: str, *, plant_id: int | None = None) -> Lot:
    """A lot by number, compared exactly: case and leading zeros count. Raises UnknownRecord with near numbers."""
    remedy = "Give the number as on the label; 'qualrec lots' lists them."
    row = find(conn, "lot", "number", number, what="lot", remedy=remedy, plant_id=plant_id)
    return _lot(conn, row)


def lot_by_id(conn: Connection, lot_id: int) -> Lot:
    return _lot(conn, by_id(conn, "lot", lot_id, what="lot", remedy="See the list of lots."))


def _lot(conn: Connection, row: Row[Any]) -> Lot:
    parent = ""
    if row.parent_lot_id is not None:
        lots = table("lot")
        parent = str(conn.execute(select(lots.c.number).where(lots.c.id == row.parent_lot_id)).scalar_one())
    return Lot(
        id=row.id,
        number=row.number,
        part=_part_of(conn, row),
        state=row.state,
        quantity=row.quantity,
        started_us=row.started_us,
        ended_us=row.ended_us,
        parent=parent,
        version=row.version,
        remark=row.remark,
        segments=segments(conn, [row.id]).get(row.id, ()),
        owed=owed(conn, row.id),
        dispositions=dispositions(conn, row.id),
        shipments=load_shipments(conn, [row.id]).get(row.id, ()),
    )


def _part_of(conn: Connection, row: Row[Any]) -> Part:
    """The part of a lot, by the drawing revision that the lot was welded to."""
    found = load_parts(conn, [row.part_id])[row.part_id]
    if row.part_revision_id is None:
        return found
    r = table("part_revision")
    held = conn.execute(select(r.c.revision, r.c.drawing).where(r.c.id == row.part_revision_id)).one()
    return replace(found, revision=held.revision, drawing=held.drawing)


def segments(conn: Connection, lot_ids: Iterable[int]) -> dict[int, tuple[Segment, ...]]:
    """The segments of lots in order, by lot id, in a fixed number of queries."""
    s, st, p, c = table("lot_segment"), table("station"), table("person"), table("clamp_tool")
    asked = (
        select(s, st.c.code.label("station"), p.c.name.label("operator"), c.c.code.label("clamp_tool"))
        .outerjoin(st, st.c.id == s.c.station_id)
        .outerjoin(p, p.c.id == s.c.operator_id)
        .outerjoin(c, c.c.id == s.c.clamp_tool_id)
        .order_by(s.c.lot_id, s.c.position)
    )
    rows = rows_for(conn, asked, s.c.lot_id, lot_ids)
    revisions = load_recipe_revisions(conn, [r.recipe_revision_id for r in rows if r.recipe_revision_id])
    both = [m for r in rows for m in (r.upper_moulding_lot_id, r.lower_moulding_lot_id) if m is not None]
    moulded = load_moulding_lots(conn, both)
    found: dict[int, list[Segment]] = defaultdict(list)
    for row in rows:
        found[row.lot_id].append(
            Segment(
                id=row.id,
                position=row.position,
                from_us=row.from_us,
                recipe=revisions.get(row.recipe_revision_id),
                station=row.station or "",
                operator=row.operator or "",
                upper=moulded.get(row.upper_moulding_lot_id or 0),
                lower=moulded.get(row.lower_moulding_lot_id or 0),
                clamp_tool=row.clamp_tool or "",
                station_id=row.station_id,
                clamp_tool_id=row.clamp_tool_id,
            )
        )
    return {key: tuple(held) for key, held in found.items()}


def _position_rank(position: str) -> tuple[int, str]:
    return (POSITIONS.index(position) if position in POSITIONS else len(POSITIONS), position)


def load_owed(conn: Connection, lot_ids: Iterable[int]) -> dict[int, tuple[Owed, ...]]:
    """What lots owe, by lot id, in three queries.

    `done` counts the values that count (accepted, neither void nor test fault); they fill the positions of a
    characteristic in the order first-off, start, middle, end. Values of a characteristic that hangs on moulding lots
    count for every lot that those went into.
    """
    ids = list(lot_ids)
    t, c = table("test_owed"), table("characteristic")
    asked = (
        select(t, t.c["count"].label("wanted"), c.c.code, c.c.name)
        .join(c, c.c.id == t.c.characteristic_id)
        .order_by(t.c.lot_id, t.c.characteristic_id, t.c.id)
    )
    rows = rows_for(conn, asked, t.c.lot_id, ids)
    left = _counted(conn, {row.lot_id for row in rows})
    found: dict[int, list[Owed]] = defaultdict(list)
    for row in sorted(rows, key=lambda r: (r.lot_id, r.characteristic_id, *_position_rank(r.position))):
        done = min(row.wanted, left[row.lot_id, row.characteristic_id])
        left[row.lot_id, row.characteristic_id] -= done
        found[row.lot_id].append(
            Owed(
                characteristic_id=row.characteristic_id,
                code=row.code,
                name=row.name,
                position=row.position,
                count=row.wanted,
                done=done,
                due_us=row.due_us,
                mandatory=bool(row.mandatory),
            )
        )
    return {key: tuple(held) for key, held in found.items()}


def _counted(conn: Connection, lot_ids: Iterable[int]) -> Counter[tuple[int, int]]:
    """Values that count, by lot and characteristic: those of its segments and of the moulding lots that went in."""
    u = table("rollup")
    counted: Counter[tuple[int, int]] = Counter()
    for chunk in chunks(lot_ids):
        subjects = subjects_of_lots(chunk)
        asked = (
            select(subjects.c.lot_id, u.c.characteristic_id, func.sum(u.c.n).label("n"))
            .join(u, u.c.subject_id == subjects.c.subject_id)
            .where(u.c.subgroup == 0)
            .group_by(subjects.c.lot_id, u.c.characteristic_id)
        )
        for row in conn.execute(asked):
            counted[row.lot_id, row.characteristic_id] += int(row.n)
    return counted


def subjects_of_lots(lot_ids: Sequence[int]) -> Subquery:
    """(lot_id, subject_id): the segments of lots and the moulding lots that went into them, each pair once."""
    s = table("lot_segment")
    columns = (s.c.id, s.c.upper_moulding_lot_id, s.c.lower_moulding_lot_id)
    each = (
        select(s.c.lot_id, column.label("subject_id")).where(s.c.lot_id.in_(lot_ids), column.is_not(None))
        for column in columns
    )
    return union(*each).subquery("subjects")


def owed(conn: Connection, lot_id: int) -> tuple[Owed, ...]:
    """What the sampling plan asks of a lot and how much of it is there; see `load_owed`."""
    return load_owed(conn, [lot_id]).get(lot_id, ())


def dispositions(conn: Connection, lot_id: int) -> tuple[Disposition, ...]:
    """What was decided about a lot, oldest first."""
    d, p = table("disposition"), table("person")
    asked = (
        select(d, p.c.name.label("person"))
        .outerjoin(p, p.c.id == d.c.person_id)
        .where(d.c.lot_id == lot_id)
        .order_by(d.c.at_us, d.c.id)
    )
    return tuple(
        Disposition(row.kind, row.quantity, row.at_us, row.person or "", row.reason)
        for row in conn.execute(asked)
    )


def load_shipments(conn: Connection, lot_ids: Iterable[int]) -> dict[int, tuple[Shipment, ...]]:
    s, c = table("shipment"), table("customer")
    asked = (
        select(s, c.c.name.label("customer"))
        .outerjoin(c, c.c.id == s.c.customer_id)
        .order_by(s.c.lot_id, s.c.at_us, s.c.id)
    )
    found: dict[int, list[Shipment]] = defaultdict(list)
    for row in rows_for(conn, asked, s.c.lot_id, lot_ids):
        found[row.lot_id].append(Shipment(row.quantity, row.at_us, row.customer or "", row.document))
    return {key: tuple(held) for key, held in found.items()}


def suspect_shipped(conn: Connection) -> tuple[ShippedLot, ...]:
    """Lots that left the house and later had a failing result, newest first, with their shipments."""
    t = table("lot")
    asked = select(t.c.id).where(t.c.state == "suspect, shipped")
    ids = list(conn.execute(asked.order_by(t.c.started_us.desc(), t.c.id.desc())).scalars())
    rows, sent = load_lot_rows(conn, ids), load_shipments(conn, ids)
    return tuple(ShippedLot(rows[one], sent.get(one, ())) for one in ids)


def concessions(conn: Connection, lot: str | None = None) -> tuple[Concession, ...]:
    """Concessions for a lot by number (those of its part without a lot included), or all; newest first."""
    k, o, p, s = table("concession"), table("lot"), table("part"), table("shipment")
    used = (
        select(func.coalesce(func.sum(s.c.quantity), 0))
        .where(s.c.concession_id == k.c.id)
        .correlate(k)
        .scalar_subquery()
    )
    asked = (
        select(k, p.c.number.label("part_number"), o.c.number.label("lot_number"), used.label("used"))
        .join(p, p.c.id == k.c.part_id)
        .outerjoin(o, o.c.id == k.c.lot_id)
        .order_by(k.c.id.desc())
    )
    if lot is not None:
        row = find(conn, "lot", "number", lot, what="lot", remedy="'qualrec lots' lists them.")
        asked = asked.where(or_(k.c.lot_id == row.id, and_(k.c.lot_id.is_(None), k.c.part_id == row.part_id)))
    return tuple(
        Concession(
            id=row.id,
            reference=row.reference,
            part_number=row.part_number,
            lot_number=row.lot_number or "",
            quantity=row.quantity,
            used=int(row.used),
            until_us=row.until_us,
            reason=row.reason,
            signature_id=row.signature_id,
        )
        for row in conn.execute(asked)
    )


def lot_number(conn: Connection, lot_id: int) -> str:
    """The number of a lot by id. Raises UnknownRecord."""
    t = table("lot")
    found = conn.execute(select(t.c.number).where(t.c.id == lot_id)).scalar_one_or_none()
    if found is None:
        raise UnknownRecord(f"There is no lot with id {lot_id}.", "See the list of lots.")
    return str(found)
