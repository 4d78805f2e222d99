"""Containment of suspect parts, and how long records are kept."""

from __future__ import annotations

from qualrec.errors import Refused
from qualrec.records.ledger import Writer
from qualrec.records.registry import checks


def add_containment(
    writer: Writer,
    place: str,
    *,
    action: str,
    lot_id: int | None = None,
    flag_id: int | None = None,
    quantity: int | None = None,
) -> int:
    """Record that parts at a place are to be contained. Returns the id."""
    row = {
        "place": checks.name(place, "Place"),
        "action": checks.prose(action, "The action", filled=True),
        "lot_id": lot_id,
        "flag_id": flag_id,
        "quantity": checks.whole_or_none(quantity, "Quantity", least=0),
        "at_us": writer.now_us,
        "person_id": writer.actor.person_id,
    }
    checks.row_or_none(writer, "lot", lot_id, "lot")
    checks.row_or_none(writer, "flag", flag_id, "flag")
    return writer.insert("containment", row, act="containment begun")


def close_containment(writer: Writer, containment_id: int, result: str) -> None:
    """Record what was found at the place. Raises Refused where that is recorded already."""
    words = checks.prose(result, "The result", filled=True)
    found = checks.row(writer, "containment", containment_id, "containment")
    if found.state == "done":
        raise Refused(f"The containment at {found.place} is done already.", "Begin a new one.")
    writer.update(
        "containment", containment_id, {"state": "done", "result": words}, act="containment done", why=words
    )


def add_retention(
    writer: Writer,
    years: int,
    *,
    rule: str,
    source: str,
    part_id: int | None = None,
    customer_id: int | None = None,
) -> int:
    """Record how long records are kept at least: of a part, of a customer's parts, or (neither) of the plant."""
    row = {
        "years": checks.whole(years, "Years", least=1, most=200),
        "rule": checks.prose(rule, "The rule", filled=True),
        "source": checks.prose(source, "The source", filled=True),
        "part_id": part_id,
        "customer_id": customer_id,
    }
    checks.row_or_none(writer, "part", part_id, "part")
    checks.row_or_none(writer, "customer", customer_id, "customer")
    return writer.insert("retention", row, act="retention set", why=str(row["rule"]))
