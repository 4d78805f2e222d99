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
    from qualrec.work.lots import lot_page

    page = lot_page(session, number_of)
    fed = {
        (lot, material)
        for segment in page.lot.segments
        for moulding in (segment.upper, segment.lower)
        if moulding is not None
        for lot, material in zip(moulding.deliveries, moulding.delivery_materials, strict=True)
    }
    with session.store.read() as conn:
        deliveries = tuple(d for d in lookups.deliveries(conn) if (d.supplier_lot, d.material_id) in fed)
        return SeenLot(session, page, lookups.concessions(conn, number_of), deliveries)


def acknowledge(session: Session, flag: int, text: str) -> str:
    from qualrec.work import lots

    return lots.acknowledge_flag(session, flag, text)


def close_flag(session: Session, flag: int, text: str) -> str:
    from qualrec.work import lots

    return lots.close_flag(session, flag, text)


def note_action(session: Session, flag: int, text: str) -> str:
    from qualrec.work import lots

    return lots.note_action(session, flag, text)


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
    )
