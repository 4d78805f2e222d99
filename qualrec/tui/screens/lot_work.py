"""What Lots has done in threads: reading lots and writing what is decided about them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from qualrec.tui.labels import LEVELS
from qualrec.tui.screens.lot_page import STATES, SeenLot, cell
from qualrec.tui.screens.lot_sheets import whole
from qualrec.tui.widgets.record_table import Cell, Line

if TYPE_CHECKING:
    from qualrec.values import LotRow
    from qualrec.work.session import Session


def list_line(session: Session, row: LotRow) -> Line:
    label = STATES[row.state]
    counts = (("H", row.open_holding), ("R", row.open_review), ("I", row.open_informing))
    worst = next((LEVELS[level].tone for level, n in counts if n), None)
    flags = " ".join(f"{LEVELS[level].sign}{n}" for level, n in counts if n)
    welded = session.moment(row.started_us)[:10]
    return Line(
        row.number,
        (
            row.number,
            cell(label),
            Cell(flags, worst),
            row.part_number,
            welded,
            row.recipe,
            row.station,
            str(row.readings),
        ),
    )


def see_lot(session: Session, number_of: str) -> SeenLot:
    from qualrec.records import lookups
    from qualrec.work import trace as tracing
    from qualrec.work.lots import lot_page

    page = lot_page(session, number_of)
    fed = {
        (lot, material)
        for segment in page.lot.segments
        for moulding in (segment.upper, segment.lower)
        if moulding is not None
        for lot, material in zip(moulding.deliveries, moulding.delivery_materials, strict=True)
    }
    trace = tracing.trace(session, tracing.Asked("lot", number_of))
    with session.store.read() as conn:
        deliveries = tuple(d for d in lookups.deliveries(conn) if (d.supplier_lot, d.material_id) in fed)
        return SeenLot(
            session,
            page,
            lookups.concessions(conn, number_of),
            deliveries,
            trace,
            lookups.containments(conn, lot=number_of),
            lookups.steps_of_flags(conn, [f.id for f in page.flags]),
        )


def acknowledge(session: Session, flag: int, text: str) -> str:
    from qualrec.work import lots

    return lots.acknowledge_flag(session, flag, text)


def close_flag(session: Session, flag: int, text: str) -> str:
    from qualrec.work import lots

    return lots.close_flag(session, flag, text)


def tick_step(session: Session, flag: int, position: int, remark: str) -> str:
    from qualrec.work import lots

    return lots.tick_step(session, flag, position, remark)


def ship(session: Session, lot: str, given: dict[str, str]) -> str:
    from qualrec.work import lot_life

    return lot_life.ship(
        session,
        lot,
        quantity=whole(given["quantity"]),
        document=given["document"],
        customer=given["customer"] or None,
        concession=given["concession"] or None,
    )


def contain(session: Session, lot: str, given: dict[str, str]) -> str:
    """Begin the containment of a lot, or record what was found at one of its places."""
    from qualrec.work import containment

    if "number" in given:
        return containment.close(session, int(given["number"]), given["text"])
    if given.get("place"):
        return containment.add(session, given["place"], given["text"], lot=lot)
    return "  ".join(containment.start(session, lot, given["text"]))


def decide(session: Session, lot: str, version: int, given: dict[str, str]) -> str:
    from qualrec.work import lots

    return lots.dispose(
        session,
        lot,
        given["kind"],
        reason=given["reason"],
        concession=given["concession"] or None,
        quantity=whole(given["quantity"]),
        expected_version=version,
        password=given.get("password"),
    )


def give_concession(session: Session, lot: str, given: dict[str, str]) -> str:
    from qualrec.work import lots
    from qualrec.work.days import end_of_day

    return lots.give_concession(
        session,
        lot,
        given["reference"],
        reason=given["reason"],
        quantity=whole(given["quantity"]),
        until_us=end_of_day(session, given["until"]) if given["until"] else None,
        password=given.get("password"),
    )


def label_lines(session: Session, lot: str) -> tuple[str, ...]:
    """What the label of a lot says, in lines."""
    from qualrec.work.label import label

    said = label(session, lot)
    parts = "" if said.quantity is None else f", {said.quantity} parts in the house"
    return (
        f"{said.state.upper()}",
        "",
        f"Lot {said.lot}{parts}",
        f"{said.part}  {said.part_name}",
        *((f"Why: {said.why}",) if said.why else ()),
        f"since {session.moment(said.since_us)}, {said.by}",
        "",
        f"As of {session.moment(said.printed_us)}. To print it: qualrec label {said.lot} -o FILE.pdf",
    )
