"""What becomes of a lot: dispositions, concessions, shipments."""

from __future__ import annotations

from typing import Any

from sqlalchemy import func, select

from qualrec.errors import Refused, UsageError
from qualrec.records.ledger import Writer
from qualrec.records.models import metadata
from qualrec.records.models.lots import DISPOSITIONS
from qualrec.records.registry import checks


def add_disposition(
    writer: Writer,
    lot_id: int,
    kind: str,
    *,
    reason: str,
    quantity: int | None = None,
    signature_id: int | None = None,
    concession_id: int | None = None,
) -> int:
    """Record what was decided about a lot, now, by the actor. `quantity` None: the whole lot. The state is set apart.

    'use as is' needs a concession. Raises Refused where more than the lot is decided about.
    """
    row = {
        "lot_id": lot_id,
        "kind": checks.one_of(kind, DISPOSITIONS, "Disposition"),
        "reason": checks.prose(reason, "The reason", filled=True),
        "quantity": checks.whole_or_none(quantity, "Quantity", least=1),
        "at_us": writer.now_us,
        "person_id": writer.actor.person_id,
        "signature_id": signature_id,
        "concession_id": concession_id,
    }
    if kind == "use as is" and concession_id is None:
        raise UsageError("'use as is' needs a concession.", "Add the concession first and give its id.")
    lot = checks.row(writer, "lot", lot_id, "lot")
    checks.row_or_none(writer, "signature", signature_id, "signature")
    concession = checks.row_or_none(writer, "concession", concession_id, "concession")
    if concession is not None:
        _covers(concession, lot)
    if quantity is not None and lot.quantity is not None and quantity > lot.quantity:
        raise Refused(
            f"Lot {lot.number} holds {lot.quantity} parts, not {quantity}.", "Give a smaller quantity."
        )
    return writer.insert("disposition", row, act=f"lot: {kind}", why=str(row["reason"]))


def add_concession(
    writer: Writer,
    part_id: int,
    reference: str,
    *,
    reason: str,
    lot_id: int | None = None,
    quantity: int | None = None,
    until_us: int | None = None,
    signature_id: int | None = None,
) -> int:
    """Record leave to use nonconforming product, for one lot or for lots of a part, counted by quantity or date."""
    row = {
        "part_id": part_id,
        "lot_id": lot_id,
        "reference": checks.name(reference, "Reference"),
        "quantity": checks.whole_or_none(quantity, "Quantity", least=1),
        "until_us": checks.moment_or_none(until_us, "Until"),
        "reason": checks.prose(reason, "The reason", filled=True),
        "signature_id": signature_id,
    }
    if quantity is None and until_us is None:
        raise UsageError("A concession needs an end.", "Give a quantity or a date.")
    part = checks.row(writer, "part", part_id, "part")
    lot = checks.row_or_none(writer, "lot", lot_id, "lot")
    if lot is not None and lot.part_id != part_id:
        raise Refused(f"Lot {lot.number} is not of part {part.number}.", "Give a lot of the part.")
    checks.row_or_none(writer, "signature", signature_id, "signature")
    return writer.insert("concession", row, act="concession added", why=str(row["reason"]))


def _covers(concession: Any, lot: Any) -> None:
    if concession.part_id != lot.part_id or concession.lot_id not in (None, lot.id):
        raise Refused(
            f"Concession {concession.reference} is not for lot {lot.number}.",
            "Give a concession for the lot or its part.",
        )


def add_shipment(
    writer: Writer,
    lot_id: int,
    quantity: int,
    at_us: int,
    *,
    customer_id: int | None = None,
    document: str = "",
    concession_id: int | None = None,
) -> int:
    """Record what left the house. The customer is that of the part unless said otherwise.

    Raises Refused where more parts would have left than the lot holds, or where the concession does not cover them.
    """
    row = {
        "lot_id": lot_id,
        "quantity": checks.whole(quantity, "Quantity", least=1),
        "at_us": checks.moment(at_us, "Moment of the shipment"),
        "document": checks.line(document, "Document"),
        "concession_id": concession_id,
        "person_id": writer.actor.person_id,
    }
    lot = checks.row(writer, "lot", lot_id, "lot")
    checks.row_or_none(writer, "customer", customer_id, "customer")
    part = checks.row(writer, "part", lot.part_id, "part")
    row["customer_id"] = part.customer_id if customer_id is None else customer_id
    s = metadata.tables["shipment"]
    gone = _sum(writer, s.c.lot_id == lot_id)
    if lot.quantity is not None and gone + quantity > lot.quantity:
        raise Refused(
            f"Lot {lot.number} holds {lot.quantity} parts and {gone} left the house already.",
            "Give a smaller quantity.",
        )
    concession = checks.row_or_none(writer, "concession", concession_id, "concession")
    if concession is not None:
        _covers(concession, lot)
        used = _sum(writer, s.c.concession_id == concession_id)
        if concession.quantity is not None and used + quantity > concession.quantity:
            raise Refused(
                f"Concession {concession.reference} covers {concession.quantity} parts and {used} are used.",
                "Ship fewer parts, or ask for another concession.",
            )
        if concession.until_us is not None and at_us > concession.until_us:
            raise Refused(f"Concession {concession.reference} has ended.", "Ask for another concession.")
    return writer.insert("shipment", row, act="lot shipped")


def _sum(writer: Writer, condition: Any) -> int:
    s = metadata.tables["shipment"]
    return int(
        writer.conn.execute(select(func.coalesce(func.sum(s.c.quantity), 0)).where(condition)).scalar_one()
    )
