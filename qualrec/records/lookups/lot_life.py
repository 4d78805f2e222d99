"""What lots were given leave for, what left the house under which leave, what is contained, and how long it is kept."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy import Connection, func, select

from qualrec.records.lookups.base import find, table


@dataclass(frozen=True, slots=True)
class GivenLeave:
    """A release or a 'use as is'. `quantity` None: the whole lot."""

    kind: str
    quantity: int | None
    at_us: int
    concession_id: int | None


@dataclass(frozen=True, slots=True)
class Containment:
    id: int
    place: str
    lot_number: str
    flag_id: int | None
    quantity: int | None
    action: str
    result: str
    state: str
    at_us: int
    person: str


@dataclass(frozen=True, slots=True)
class RetentionRule:
    """`part` and `customer` empty: all records of the plant."""

    id: int
    part: str
    customer: str
    years: int
    rule: str
    source: str


@dataclass(frozen=True, slots=True)
class LotAge:
    """A lot with the last moment at which anything happened to it."""

    lot_id: int
    number: str
    part: str
    customer: str
    state: str
    last_us: int
    open_flags: int
    open_containments: int


def leaves_given(conn: Connection, lot_id: int) -> tuple[GivenLeave, ...]:
    """Releases and uses as is of a lot, oldest first."""
    d = table("disposition")
    asked = select(d.c.kind, d.c.quantity, d.c.at_us, d.c.concession_id).where(
        d.c.lot_id == lot_id, d.c.kind.in_(("release", "use as is"))
    )
    return tuple(GivenLeave(*row) for row in conn.execute(asked.order_by(d.c.at_us, d.c.id)))


def given_under(conn: Connection, concession_id: int) -> tuple[tuple[int, int | None], ...]:
    """(lot, quantity) of every 'use as is' under a concession; None: the whole lot."""
    d = table("disposition")
    asked = select(d.c.lot_id, d.c.quantity).where(d.c.concession_id == concession_id)
    return tuple((row.lot_id, row.quantity) for row in conn.execute(asked.order_by(d.c.id)))


def shipped_by_leave(conn: Connection, lot_id: int) -> dict[int | None, int]:
    """Parts of a lot that left the house, by concession id (None: released ones)."""
    s = table("shipment")
    asked = select(s.c.concession_id, func.sum(s.c.quantity)).where(s.c.lot_id == lot_id)
    return {row[0]: int(row[1]) for row in conn.execute(asked.group_by(s.c.concession_id))}


def drawing_of_lot(conn: Connection, lot_id: int) -> int | None:
    """Id of the drawing revision that a lot was welded to."""
    o = table("lot")
    found = conn.execute(select(o.c.part_revision_id).where(o.c.id == lot_id)).scalar_one()
    return None if found is None else int(found)


def lot_exists(conn: Connection, number: str, plant_id: int) -> bool:
    o = table("lot")
    asked = select(o.c.id).where(o.c.number == number, o.c.plant_id == plant_id)
    return conn.execute(asked).first() is not None


def child_lots(conn: Connection, lot_id: int) -> tuple[int, ...]:
    """Ids of the lots that were made of parts of a lot, by id."""
    o = table("lot")
    return tuple(conn.execute(select(o.c.id).where(o.c.parent_lot_id == lot_id).order_by(o.c.id)).scalars())


def containments(
    conn: Connection, *, lot: str | None = None, state: str | None = None
) -> tuple[Containment, ...]:
    """Places with suspect parts, open ones first, then newest first."""
    c, o, p = table("containment"), table("lot"), table("person")
    asked = (
        select(c, o.c.number.label("lot_number"), p.c.name.label("person"))
        .outerjoin(o, o.c.id == c.c.lot_id)
        .outerjoin(p, p.c.id == c.c.person_id)
        .order_by(c.c.state.desc(), c.c.at_us.desc(), c.c.id)
    )
    if lot is not None:
        row = find(conn, "lot", "number", lot, what="lot", remedy="'qualrec lots' lists them.")
        asked = asked.where(c.c.lot_id == row.id)
    if state is not None:
        asked = asked.where(c.c.state == state)
    return tuple(
        Containment(
            id=row.id,
            place=row.place,
            lot_number=row.lot_number or "",
            flag_id=row.flag_id,
            quantity=row.quantity,
            action=row.action,
            result=row.result,
            state=row.state,
            at_us=row.at_us,
            person=row.person or "",
        )
        for row in conn.execute(asked)
    )


def retention_rules(conn: Connection) -> tuple[RetentionRule, ...]:
    """Rules of retention in the order in which they were set."""
    r, p, k = table("retention"), table("part"), table("customer")
    asked = (
        select(r, p.c.number.label("part"), k.c.code.label("customer"))
        .outerjoin(p, p.c.id == r.c.part_id)
        .outerjoin(k, k.c.id == r.c.customer_id)
        .order_by(r.c.id)
    )
    return tuple(
        RetentionRule(row.id, row.part or "", row.customer or "", row.years, row.rule, row.source)
        for row in conn.execute(asked)
    )


def lot_ages(conn: Connection, *, part: str | None = None, lot: str | None = None) -> tuple[LotAge, ...]:
    """Lots, oldest first, with the last moment of welding, testing, correcting, deciding and shipping."""
    o, p, k = table("lot"), table("part"), table("customer")
    s, r, c = table("lot_segment"), table("reading"), table("correction")
    d, h, f, n = table("disposition"), table("shipment"), table("flag"), table("containment")
    last_reading = (
        select(func.max(r.c.at_us)).join(s, s.c.id == r.c.subject_id).where(s.c.lot_id == o.c.id)
    ).scalar_subquery()
    last_correction = (
        select(func.max(c.c.at_us)).join(s, s.c.id == c.c.subject_id).where(s.c.lot_id == o.c.id)
    ).scalar_subquery()
    last_decision = select(func.max(d.c.at_us)).where(d.c.lot_id == o.c.id).scalar_subquery()
    last_shipment = select(func.max(h.c.at_us)).where(h.c.lot_id == o.c.id).scalar_subquery()
    flags = select(func.count()).where(f.c.lot_id == o.c.id, f.c.state != "closed").scalar_subquery()
    held = select(func.count()).where(n.c.lot_id == o.c.id, n.c.state == "open").scalar_subquery()
    asked = (
        select(
            o.c.id,
            o.c.number,
            p.c.number.label("part"),
            k.c.code.label("customer"),
            o.c.state,
            o.c.started_us,
            o.c.ended_us,
            last_reading.label("reading_us"),
            last_correction.label("correction_us"),
            last_decision.label("decision_us"),
            last_shipment.label("shipment_us"),
            flags.label("flags"),
            held.label("held"),
        )
        .join(p, p.c.id == o.c.part_id)
        .outerjoin(k, k.c.id == p.c.customer_id)
        .order_by(o.c.started_us, o.c.id)
    )
    if part is not None:
        asked = asked.where(p.c.number == part)
    if lot is not None:
        row = find(conn, "lot", "number", lot, what="lot", remedy="'qualrec lots' lists them.")
        asked = asked.where(o.c.id == row.id)
    moments = ("started_us", "ended_us", "reading_us", "correction_us", "decision_us", "shipment_us")
    return tuple(
        LotAge(
            lot_id=row.id,
            number=row.number,
            part=row.part,
            customer=row.customer or "",
            state=row.state,
            last_us=max(getattr(row, name) or 0 for name in moments),
            open_flags=row.flags,
            open_containments=row.held,
        )
        for row in conn.execute(asked)
    )
