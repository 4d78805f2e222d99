"""Sheets over a lot: filter, flags, decision, concession, correction."""

from __future__ import annotations

from typing import TYPE_CHECKING

from qualrec.errors import UsageError
from qualrec.tui.screens.bench_entry import MODES
from qualrec.tui.screens.people_sheets import password_row, second_rows
from qualrec.tui.screens.record_sheets import AskSheet
from qualrec.tui.widgets.forms import Choice, Field, Option, Understood

if TYPE_CHECKING:
    from qualrec.records.lookups import Containment
    from qualrec.tui.screens.lot_page import SeenLot
    from qualrec.values import Flag, ReadingRow

ANY_STATE = (
    Option("a", "any", "any"),
    Option("o", "open", "open"),
    Option("t", "awaiting tests", "awaiting tests"),
    Option("v", "under review", "under review"),
    Option("h", "on hold", "on hold"),
    Option("r", "released", "released"),
    Option("c", "released under concession", "by concession"),
    Option("s", "shipped", "shipped"),
    Option("u", "suspect, shipped", "suspect, shipped"),
    Option("x", "scrapped", "scrapped"),
    Option("w", "reworked", "reworked"),
)
DECISIONS = (
    Option("r", "release", "release", "Refused while anything stands against it; the refusal says what."),
    Option("h", "hold", "hold", "The lot is on hold from now."),
    Option("s", "sort", "sort", "On hold while the parts are sorted."),
    Option("w", "rework", "rework", "The lot is closed; what comes out of it is a new lot."),
    Option("x", "scrap", "scrap", "The lot is closed."),
    Option("u", "use as is", "use as is", "Only under a signed concession of the customer."),
    Option("t", "return to supplier", "return to supplier", "The lot is closed."),
)


def whole(text: str) -> int | None:
    """A count of parts; None for no text. Raises UsageError."""
    if not text:
        return None
    if not text.isdigit() or int(text) == 0:
        raise UsageError(f"{text!r} is no count of parts.", "Type a whole number above 0.")
    return int(text)


def _parts(text: str) -> Understood:
    found = whole(text.strip())
    return Understood(found, "" if found is None else f"{found} parts")


def day(text: str) -> Understood:
    from datetime import date

    try:
        day = date.fromisoformat(text.strip())
    except ValueError:
        raise UsageError(f"{text!r} is no day.", "Write year, month and day as 2026-11-30.") from None
    return Understood(day, f"to the end of {day.isoformat()}")


def acknowledge_sheet(flag: Flag) -> AskSheet:
    lead = "The flag stays open; this says that somebody has seen it and what comes next."
    return AskSheet(f"Acknowledge: {flag.kind}", (Field("Note", id="text"),), lead=lead)


def close_sheet(flag: Flag) -> AskSheet:
    lead = "Closing says what was found and what was done about it."
    return AskSheet(f"Close: {flag.kind}", (Field("Found and done", id="text"),), lead=lead)


def step_sheet(at: int, step: str) -> AskSheet:
    done = Choice("Done?", (Option("y", "yes", "yes"), Option("n", "no", "not yet")), id="done")
    remark = Field("Remark", id="text", required=False)
    return AskSheet(f"Reaction plan, step {at}", (done, remark), lead=step)


def signer(seen: SeenLot) -> str:
    """Whose signature stands under it."""
    actor = seen.session.actor
    badge = f" ({actor.badge})" if actor.badge else ""
    return f"Signed by {actor.name}{badge} at the moment of the last Enter."


def decision_sheet(seen: SeenLot) -> AskSheet:
    lot = seen.page.lot
    lead = f"{seen.page.judgement.gate.sentence}\n{signer(seen)}"
    quantity = "empty: the whole lot" if lot.quantity is None else f"empty: all {lot.quantity} parts"
    return AskSheet(
        f"Decide about lot {lot.number}, {lot.state}",
        (
            Choice("Decision", DECISIONS, id="kind"),
            Field("Reason", id="reason"),
            Field("Parts", id="quantity", required=False, understand=_parts, placeholder=quantity),
            Field(
                "Concession",
                id="concession",
                required=False,
                placeholder="for use as is; empty: the newest of this lot",
            ),
            *password_row(not seen.session.accounts),
        ),
        lead=lead,
    )


def concession_sheet(seen: SeenLot) -> AskSheet:
    return AskSheet(
        f"Customer's concession for lot {seen.page.lot.number}",
        (
            Field("Reference", id="reference", placeholder="the customer's number"),
            Field("Reason", id="reason"),
            Field(
                "Parts", id="quantity", required=False, understand=_parts, placeholder="empty: not counted"
            ),
            Field("Until", id="until", required=False, understand=day, placeholder="2026-11-30, or empty"),
            *password_row(not seen.session.accounts),
        ),
        lead=f"Give the number of parts, the last day, or both. {signer(seen)}",
    )


def correction_sheet(row: ReadingRow, no_accounts: bool) -> AskSheet:
    now = "no value" if row.value is None else f"{row.value:g} {row.unit}"
    modes = [mode for mode in MODES if mode.value != "mixed"]
    mode = (Choice("Right mode", modes, id="mode", required=False),) if row.pull is not None else ()
    void = "empty and no mode: void" if mode else "empty: the reading is void"
    return AskSheet(
        f"Correct {row.code} sample {row.key.sample}, now {now}",
        (
            Field("Right value", id="value", required=False, placeholder=void),
            *mode,
            Field("Reason", id="reason"),
            *second_rows(no_accounts),
        ),
        lead="The old entry stays readable.",
    )


def ship_sheet(seen: SeenLot) -> AskSheet:
    from qualrec.work.lot_life import balance

    lot = seen.page.lot
    held = balance(lot)
    may = (
        "it is not known how many parts it holds"
        if held is None
        else f"{held.may_leave} parts may leave the house"
    )
    return AskSheet(
        f"Ship lot {lot.number}, {lot.state}",
        (
            Field(
                "Parts",
                id="quantity",
                required=False,
                understand=_parts,
                placeholder="empty: all that may leave",
            ),
            Field("Document", id="document", placeholder="delivery note"),
            Field("Customer", id="customer", required=False, placeholder="code, if another than the part's"),
            Field("Concession", id="concession", required=False, placeholder="where parts leave under one"),
        ),
        lead=f"{may.capitalize()}.",
    )


def containment_sheet(seen: SeenLot, place: Containment | None) -> AskSheet:
    """To record what was found at a place, to begin the containment of the lot, or to add a place to it."""
    lot = seen.page.lot.number
    if place is not None:
        lead = f"Action: {place.action}"
        return AskSheet(f"Found at: {place.place}", (Field("Found and done", id="text"),), lead=lead)
    action = Field("Action", id="text", placeholder="as: block, count and send back")
    if not seen.containments:
        lead = "One line for what is in the house, one for each shipment, one for each child lot."
        return AskSheet(f"Begin the containment of lot {lot}", (action,), lead=lead)
    return AskSheet(f"One more place with parts of lot {lot}", (Field("Place", id="place"), action))
