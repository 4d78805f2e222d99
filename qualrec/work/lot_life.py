"""What becomes of the parts of a lot: how many are decided about, reworked into a child lot, shipped."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from qualrec.errors import Refused, UsageError
from qualrec.records import lookups, registry
from qualrec.records.ledger import Writer
from qualrec.records.lookups import Concession, GivenLeave
from qualrec.values import Disposition, Flag, Lot
from qualrec.work.judging import judge_and_store
from qualrec.work.rights import require
from qualrec.work.session import Session

GONE = ("scrap", "rework", "return to supplier")
"""Dispositions after which the parts are no longer parts of the lot."""
LEAVES = ("release", "use as is")
STATE_AFTER = {
    "release": "released",
    "use as is": "released under concession",
    "hold": "on hold",
    "sort": "on hold",
    "scrap": "scrapped",
    "rework": "reworked",
    "return to supplier": "scrapped",
}
"""State of a lot after a disposition of the whole of it."""


@dataclass(frozen=True, slots=True)
class Balance:
    """The parts of a lot: `gone` scrapped, reworked or returned; `free` under a release or concession, those that left the
    house among them; `shipped` out of the house."""

    quantity: int
    gone: int
    free: int
    shipped: int

    @property
    def here(self) -> int:
        """Parts in the house."""
        return self.quantity - self.gone - self.shipped

    @property
    def undecided(self) -> int:
        """Parts that nobody decided about."""
        return self.quantity - self.gone - self.free

    @property
    def may_leave(self) -> int:
        """Parts that may leave the house."""
        return self.free - self.shipped


def balance(lot: Lot) -> Balance | None:
    """The parts of a lot by its dispositions in their order; None where it is not known how many it holds.

    A later decision counts: a hold or a sorting takes parts back from those that were free, unless they left the house.
    """
    if lot.quantity is None:
        return None
    gone = free = 0
    shipped = sum(s.quantity for s in lot.shipments)
    for done in lot.dispositions:
        rest = lot.quantity - gone
        if done.kind in GONE:
            gone += min(_parts(done, rest - shipped), rest - shipped)
            free = min(free, lot.quantity - gone)
        elif done.kind in LEAVES:
            free = min(rest, free + _parts(done, rest - free))
        else:
            free = max(shipped, free - _parts(done, free))
    return Balance(lot.quantity, gone, max(free, shipped), shipped)


def _parts(done: Disposition, whole: int) -> int:
    return whole if done.quantity is None else done.quantity


def check_quantity(lot: Lot, kind: str, quantity: int | None) -> None:
    """Raises Refused where a decision is about more parts than it can be."""
    held = balance(lot)
    if held is None or quantity is None:
        return
    most = {"hold": held.here, "sort": held.here}.get(kind, held.here if kind in GONE else held.undecided)
    if quantity > most:
        raise Refused(
            f"Lot {lot.number} has {most} parts that {kind!r} can be about, not {quantity} "
            f"({held.quantity} made, {held.gone} gone, {held.free} free, {held.shipped} shipped).",
            "Give a smaller quantity.",
        )


def state_after(lot: Lot, kind: str, quantity: int | None) -> str:
    """State of a lot after a decision about all of it, or about some of its parts."""
    if lot.state == "suspect, shipped":
        return "shipped" if kind == "release" else lot.state
    held = balance(lot)
    if quantity is None or quantity == lot.quantity or held is None:
        whole = quantity is None or quantity == lot.quantity
        after = STATE_AFTER[kind] if whole else lot.state
        return "shipped" if lot.shipments and kind in GONE and whole else after
    if kind in ("hold", "sort"):
        return lot.state
    if quantity < held.undecided or (kind in GONE and held.undecided == 0 and quantity < held.here):
        return lot.state
    kinds = {d.kind for d in lot.dispositions} | {kind}
    if lot.shipments and quantity == held.here:
        return "shipped"
    return next(
        STATE_AFTER[k]
        for k in ("use as is", "release", "rework", "scrap", "return to supplier")
        if k in kinds
    )


def open_child(session: Session, writer: Writer, lot: Lot, quantity: int | None, reason: str) -> str:
    """Open the lot that holds the reworked parts: same part, welding and materials; it owes its samples anew."""
    held = balance(lot)
    parts = quantity if quantity is not None or held is None else held.here
    number = next(
        name
        for n in range(1, 1000)
        if not lookups.lot_exists(writer.conn, name := f"{lot.number}-R{n}", session.plant.id)
    )
    drawing = lookups.drawing_of_lot(writer.conn, lot.id)
    child = 0
    for segment in lot.segments:
        given: dict[str, Any] = {
            "recipe_revision_id": None if segment.recipe is None else segment.recipe.id,
            "station_id": segment.station_id,
            "upper_moulding_lot_id": None if segment.upper is None else segment.upper.id,
            "lower_moulding_lot_id": None if segment.lower is None else segment.lower.id,
            "clamp_tool_id": segment.clamp_tool_id,
        }
        if not child:
            child = registry.add_lot(
                writer,
                number,
                lot.part.id,
                segment.from_us,
                quantity=parts,
                part_revision_id=drawing,
                parent_lot_id=lot.id,
                remark=f"Reworked: {reason}",
                **given,
            )
        else:
            registry.add_segment(writer, child, segment.from_us, why="as in the lot it was made of", **given)
    state = judge_and_store(writer, number).state
    shown = "" if parts is None else f" with {parts} parts"
    return f"Child lot {number} opened{shown}; it owes its samples and is {state}."


def find_leave(
    writer: Writer, lot: Lot, reference: str | None, quantity: int | None, now_us: int
) -> Concession:
    """The signed concession that still covers the parts. Raises Refused that says why none does."""
    held = [c for c in lookups.concessions(writer.conn, lot.number) if reference in (None, c.reference)]
    parts = quantity if quantity is not None else lot.quantity
    reasons = []
    for concession in held:
        why = _why_not(writer, concession, lot, parts, now_us)
        if not why:
            return concession
        reasons.append(f"Concession {concession.reference} {why}.")
    if reasons:
        raise Refused(" ".join(reasons), "Decide about fewer parts, or record another concession.")
    raise Refused(
        f"There is no concession {reference or ''} for lot {lot.number}.".replace("  ", " "),
        "Record the customer's concession first, by quantity or date: 'qualrec concession', or k in the lots.",
    )


def _why_not(writer: Writer, concession: Concession, lot: Lot, parts: int | None, now_us: int) -> str:
    if concession.signature_id is None:
        return "is not signed"
    if concession.until_us is not None and concession.until_us < now_us:
        return "has run out"
    if concession.quantity is not None:
        used = 0
        for lot_id, quantity in lookups.given_under(writer.conn, concession.id):
            whole = lookups.lot_by_id(writer.conn, lot_id).quantity or 0
            used += whole if quantity is None else quantity
        if parts is None:
            return f"covers {concession.quantity} parts, and it is not known how many the lot holds"
        if used + parts > concession.quantity:
            return f"covers {concession.quantity} parts, {used} of them are given already"
    return ""


def ship(
    session: Session,
    number: str,
    *,
    quantity: int | None = None,
    document: str = "",
    customer: str | None = None,
    concession: str | None = None,
) -> str:
    """Record what leaves the house; without a quantity all that may leave.

    Raises Refused where parts are not released, where a holding flag came up after the release, and where a concession does
    not cover them.
    """
    require(session.actor, "ship lots")
    with session.store.write(session.actor, session.plant.id) as writer:
        lot = lookups.lot(writer.conn, number)
        held = balance(lot)
        if held is None:
            raise UsageError(
                f"It is not known how many parts lot {number} holds.",
                "Enter the end of the lot with its parts.",
            )
        if lot.state == "suspect, shipped" or held.may_leave <= 0:
            raise Refused(
                f"Lot {lot.number} is {lot.state}; none of its parts may leave the house.",
                f"See what stands against it: qualrec lot {lot.number}",
            )
        parts = held.may_leave if quantity is None else quantity
        if parts > held.may_leave:
            raise Refused(
                f"Of lot {number} {held.may_leave} parts may leave the house, not {parts}.",
                "Release more first, or ship fewer.",
            )
        under = _under(writer, lot, parts, concession)
        _check_flags(writer, lot, under)
        to = None if customer is None else lookups.customer(writer.conn, customer).id
        registry.add_shipment(
            writer,
            lot.id,
            parts,
            writer.now_us,
            customer_id=to,
            document=document,
            concession_id=under,
        )
        state = "shipped" if parts == held.here else lot.state
        registry.set_lot_state(
            writer, lot.id, state, expected_version=lot.version, why=f"shipped {document}".strip()
        )
    left = held.here - parts
    return f"Lot {number}: {parts} parts shipped, {left} in the house. It is now {state}."


def _check_flags(writer: Writer, lot: Lot, under: int | None) -> None:
    """Raises Refused where a holding flag came up after the last decision that lets these parts go."""
    given_us = max(g.at_us for g in _leaves(writer, lot) if g.concession_id == under)
    for flag in lookups.flags(writer.conn, lot=lot.number):
        holds = flag.level == "H" and flag.scope != "process" and flag.state != "closed"
        if holds and last_said_us(flag) > given_us:
            raise Refused(
                f"{flag.kind} came up after these parts of lot {lot.number} were released.",
                "Decide about them again before they leave the house.",
            )


def last_said_us(flag: Flag) -> int:
    """The last moment at which a flag said something new: opened, opened again, or a finding added."""
    reopened = [a.at_us for a in flag.actions if a.kind == "reopened"]
    return max([flag.opened_us, *reopened, *(f.at_us for f in flag.findings)])


def _leaves(writer: Writer, lot: Lot) -> list[GivenLeave]:
    """Releases and uses as is that no hold or sorting of the whole lot took back."""
    taken_back = (d.at_us for d in lot.dispositions if d.kind in ("hold", "sort") and d.quantity is None)
    since = max(taken_back, default=0)
    return [leave for leave in lookups.leaves_given(writer.conn, lot.id) if leave.at_us >= since]


def _under(writer: Writer, lot: Lot, parts: int, reference: str | None) -> int | None:
    """Id of the concession that parts leave under; None for released ones. Raises Refused where it lets fewer go."""
    standing = [leave.concession_id for leave in _leaves(writer, lot)]
    left = dict.fromkeys(standing, 0)
    for leave in lookups.leaves_given(writer.conn, lot.id):
        if leave.concession_id in left:
            left[leave.concession_id] += (lot.quantity or 0) if leave.quantity is None else leave.quantity
    gone = lookups.shipped_by_leave(writer.conn, lot.id)
    left = {under: most - gone.get(under, 0) for under, most in left.items()}
    held = {c.id: c.reference for c in lookups.concessions(writer.conn, lot.number)}
    if reference is not None:
        found = [number for number, name in held.items() if name == reference]
        if not found:
            raise Refused(f"Lot {lot.number} has no concession {reference!r}.", "Give its reference.")
        under = found[0]
    else:
        conceded = [number for number in standing if number is not None]
        if not conceded or left.get(None, 0) >= parts:
            return None
        if None in left:
            raise Refused(
                f"Lot {lot.number} is released in part and under concession in part.",
                "Ship the parts under concession by themselves: --concession REFERENCE.",
            )
        under = conceded[-1]
    most = left.get(under, 0)
    if parts > most:
        raise Refused(
            f"Under concession {held[under]} {most} parts may leave, not {parts}.",
            "Ship fewer, or name another concession of the lot: --concession REFERENCE.",
        )
    return under
