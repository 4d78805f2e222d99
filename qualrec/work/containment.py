"""Containment: every place where suspect parts may lie, what is done there, and what was found."""

from __future__ import annotations

from qualrec.errors import Refused
from qualrec.records import lookups, registry
from qualrec.values import Lot
from qualrec.work.lot_life import balance
from qualrec.work.rights import require
from qualrec.work.session import Session


def add(
    session: Session, place: str, action: str, *, lot: str | None = None, quantity: int | None = None
) -> str:
    """Add one place to the list of containment."""
    require(session.actor, "contain parts")
    with session.store.write(session.actor, session.plant.id) as writer:
        lot_id = None if lot is None else lookups.lot(writer.conn, lot).id
        number = registry.add_containment(writer, place, action=action, lot_id=lot_id, quantity=quantity)
    return f"Containment {session.short_id(number)}, {place}, begun: {action}"


def start(session: Session, number: str, action: str) -> tuple[str, ...]:
    """Begin the containment of a lot: one place for what is in the house, one for each shipment, one for each child lot.

    Raises Refused where places of the lot are on the list already.
    """
    require(session.actor, "contain parts")
    said = []
    with session.store.write(session.actor, session.plant.id) as writer:
        if lookups.containments(writer.conn, lot=number, state="open"):
            raise Refused(f"Places of lot {number} are on the list already.", "Add single places to it.")
        lot = lookups.lot(writer.conn, number)
        children = [lookups.lot_by_id(writer.conn, c) for c in lookups.child_lots(writer.conn, lot.id)]
        for place, parts in places(session, lot, children):
            made = registry.add_containment(writer, place, action=action, lot_id=lot.id, quantity=parts)
            shown = "" if parts is None else f", {parts} parts"
            said.append(f"Containment {session.short_id(made)}, {place}{shown}")
    return tuple(said)


def places(session: Session, lot: Lot, children: list[Lot]) -> list[tuple[str, int | None]]:
    """Where parts of a lot may lie, with how many where that is known."""
    held = balance(lot)
    found: list[tuple[str, int | None]] = []
    if held is None or held.here:
        found.append(("in the house", None if held is None else held.here))
    for shipment in lot.shipments:
        to = " ".join(x for x in (shipment.customer or "customer not named", shipment.document) if x)
        found.append((f"{to}, shipped {session.moment(shipment.at_us)[:10]}"[:120], shipment.quantity))
    found += [(f"child lot {child.number}", child.quantity) for child in children]
    return found


def close(session: Session, containment_id: int, result: str) -> str:
    """Record what was found at a place."""
    require(session.actor, "contain parts")
    with session.store.write(session.actor, session.plant.id) as writer:
        registry.close_containment(writer, containment_id, result)
    return f"Containment {session.short_id(containment_id)} done: {result}"
