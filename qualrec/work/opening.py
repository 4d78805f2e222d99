"""What begins on the line: a delivery comes in, a component is moulded, a lot is welded, goes on otherwise, ends.

Everything is given as written on labels: codes, numbers, days and times of the plant. Nothing is guessed: what is
left out and cannot be told stays unnamed, and the answer says so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from qualrec.errors import Refused, UnknownRecord, UsageError
from qualrec.records import lookups, registry
from qualrec.records.ledger import Writer
from qualrec.values import Flag, Part, RecipeRevision
from qualrec.work.days import end_of_day, moment_of
from qualrec.work.judging import judge_and_store
from qualrec.work.rights import require
from qualrec.work.session import Session
from qualrec.work.target import scanned


@dataclass(frozen=True, slots=True)
class Opened:
    """A lot as it stands after it was opened or changed: what was done, what it owes, flags that came of it."""

    lot: str
    state: str
    sentences: tuple[str, ...]
    new_flags: tuple[Flag, ...]

    @property
    def held(self) -> bool:
        return self.state == "on hold"


def receive(
    session: Session,
    supplier_lot: str,
    material: str,
    *,
    kind: str = "resin",
    received: str = "",
    expires: str = "",
) -> str:
    """Enter a supplier's lot of a material. `kind`: resin, masterbatch, regrind. Raises UnknownRecord, Refused, UsageError."""
    require(session.actor, "open lots")
    with session.store.write(session.actor, session.plant.id) as writer:
        of = lookups.material(writer.conn, material)
        at = _began(session, writer, received)
        name = scanned(supplier_lot)
        until = end_of_day(session, expires) if expires else None
        registry.add_delivery(writer, of.id, name, at, kind=kind, expires_us=until)
    ends = f", good until {expires}" if expires else ""
    return f"Delivery {name} of {material} ({kind}) entered, received {session.moment(at)}{ends}."


def mould(
    session: Session,
    number: str,
    component: str,
    *,
    deliveries: Sequence[str] = (),
    tool: str = "",
    moulded: str = "",
    expires: str = "",
) -> str:
    """Enter a moulding lot of a component with the deliveries that went in. Raises UnknownRecord, Refused, UsageError.

    A delivery is named by its supplier's lot number, with its share where it is known: 'R-2701' or 'R-2701=70' (%).
    """
    require(session.actor, "open lots")
    with session.store.write(session.actor, session.plant.id) as writer:
        conn = writer.conn
        of = lookups.component(conn, component)
        at = _began(session, writer, moulded)
        name = scanned(number)
        registry.add_moulding_lot(
            writer,
            name,
            of.id,
            at,
            parents=[_fed(writer, text) for text in deliveries],
            tool_id=_tool(writer, of.id, component, tool) if tool else None,
            expires_us=end_of_day(session, expires) if expires else None,
        )
    fed = f" from {', '.join(deliveries)}" if deliveries else "; no delivery named"
    return f"Moulding lot {name} of {component} {of.name} entered, moulded {session.moment(at)}{fed}."


def _fed(writer: Writer, text: str) -> tuple[int, float | None]:
    name, sign, share = text.partition("=")
    found = lookups.delivery(writer.conn, scanned(name))
    if not sign:
        return found.id, None
    try:
        return found.id, float(share.strip().rstrip("%").replace(",", "."))
    except ValueError as error:
        raise UsageError(
            f"{share!r} is no share.", "Write a delivery with its share as R-2701=70."
        ) from error


def _tool(writer: Writer, component_id: int, component: str, code: str) -> int:
    tools = {c.tool: c.tool_id for c in lookups.cavities(writer.conn, component_id)}
    if code not in tools:
        known = ", ".join(sorted(tools)) or "none"
        raise UsageError(f"{component} has no tool {code!r}.", f"Its tools: {known}.")
    return tools[code]


def weld(
    session: Session,
    number: str,
    part: str,
    *,
    recipe: str = "",
    upper: str = "",
    lower: str = "",
    station: str = "",
    clamp_tool: str = "",
    quantity: int | None = None,
    began: str = "",
) -> Opened:
    """Open a lot of welded parts with its first segment, and judge it at once.

    `recipe`: a code for its approved revision, or code and revision as RC-2040/2; left out where the part has one recipe.
    `station`: left out where the plant has one welder. The acting person is the operator. Raises UnknownRecord naming near
    ones, Refused where the number is taken or a thing is not of the part.
    """
    require(session.actor, "open lots")
    with session.store.write(session.actor, session.plant.id) as writer:
        conn = writer.conn
        of = lookups.part(conn, part)
        revision = _recipe(writer, of, recipe)
        at_station = _welder(session, writer, station)
        name = scanned(number)
        registry.add_lot(
            writer,
            name,
            of.id,
            _began(session, writer, began),
            quantity=quantity,
            recipe_revision_id=revision.id,
            station_id=at_station,
            operator_id=writer.actor.person_id,
            upper_moulding_lot_id=_moulding(writer, upper),
            lower_moulding_lot_id=_moulding(writer, lower),
            clamp_tool_id=lookups.clamp_tool(conn, clamp_tool).id if clamp_tool else None,
        )
        return _as_it_stands(session, writer, name, f"Lot {name} of {of.number} {of.name} opened")


def change(
    session: Session,
    number: str,
    *,
    recipe: str = "",
    upper: str = "",
    lower: str = "",
    station: str = "",
    clamp_tool: str = "",
    since: str = "",
) -> Opened:
    """Go on in a lot with another recipe, moulding lot, station or clamp tool: a new segment; the rest stays.

    Raises UsageError where nothing changes, Refused for a lot that is no longer welded.
    """
    require(session.actor, "open lots")
    with session.store.write(session.actor, session.plant.id) as writer:
        conn = writer.conn
        lot = lookups.lot(conn, scanned(number))
        registry.add_segment(
            writer,
            lot.id,
            _began(session, writer, since),
            recipe_revision_id=_recipe(writer, lot.part, recipe).id if recipe else None,
            station_id=lookups.station(conn, station).id if station else None,
            operator_id=writer.actor.person_id,
            upper_moulding_lot_id=_moulding(writer, upper),
            lower_moulding_lot_id=_moulding(writer, lower),
            clamp_tool_id=lookups.clamp_tool(conn, clamp_tool).id if clamp_tool else None,
        )
        return _as_it_stands(session, writer, lot.number, f"Lot {lot.number} goes on")


def end(session: Session, number: str, *, quantity: int | None = None, ended: str = "") -> Opened:
    """End the welding of a lot, with the number of parts made. Raises UsageError, Refused where it has ended already."""
    require(session.actor, "open lots")
    with session.store.write(session.actor, session.plant.id) as writer:
        lot = lookups.lot(writer.conn, scanned(number))
        if lot.ended_us is not None:
            raise Refused(
                f"Lot {lot.number} ended {session.moment(lot.ended_us)}.",
                "Look whether this is the right lot.",
            )
        at = _began(session, writer, ended)
        registry.end_lot(writer, lot.id, at, expected_version=lot.version, quantity=quantity)
        parts = quantity if quantity is not None else lot.quantity
        made = "" if parts is None else f", {parts} parts"
        return _as_it_stands(
            session, writer, lot.number, f"Lot {lot.number} ended {session.moment(at)}{made}"
        )


def decide_supply(session: Session, number: str, state: str, *, reason: str) -> str:
    """Accept, hold ('on hold') or refuse a moulding lot or, where none has the number, a delivery; lots are judged anew.

    Holding is everybody's at the bench; accepting and refusing is for quality engineers.
    """
    require(session.actor, "hold supplies" if state == "on hold" else "decide about supplies")
    with session.store.write(session.actor, session.plant.id) as writer:
        name = scanned(number)
        try:
            moulded = lookups.moulding_lot(writer.conn, name).id
        except UnknownRecord:
            what = "Delivery"
            delivery = lookups.delivery(writer.conn, name).id
            registry.set_delivery_state(writer, delivery, state, why=reason)
            touched = lookups.lots_touched(writer.conn, delivery_id=delivery)
        else:
            what = "Moulding lot"
            registry.set_moulding_lot_state(writer, moulded, state, why=reason)
            touched = lookups.lots_touched(writer.conn, moulding_lot_id=moulded)
        judged = [judge_and_store(writer, row.number) for row in touched]
    lots = ", ".join(j.judgement.lot.number for j in judged if j.state_changed)
    return f"{what} {name} is {state}." + (f" Changed with it: {lots}." if lots else "")


def _began(session: Session, writer: Writer, text: str) -> int:
    """The moment meant, now where none is given. Raises UsageError for one that is still to come."""
    at = moment_of(session, text) if text.strip() else writer.now_us
    if at > writer.now_us:
        raise UsageError(
            f"{text} is still to come.", "Give the moment when it happened, or leave it out for now."
        )
    return at


def _recipe(writer: Writer, part: Part, text: str) -> RecipeRevision:
    """The revision meant. Raises UsageError where several recipes could be, Refused where none is approved."""
    code, sign, number = text.strip().rpartition("/")
    if sign and number.isdigit():
        return lookups.recipe_revision(writer.conn, code, int(number))
    code = text.strip()
    if not code:
        codes = [r.code for r in lookups.recipes(writer.conn, part.number)]
        if len(codes) != 1:
            listed = ", ".join(codes) or "none"
            raise UsageError(
                f"The recipe is not said; part {part.number} has: {listed}.",
                "Name one, or define one first." if not codes else "Name one.",
            )
        code = codes[0]
    found = lookups.recipe_revision(writer.conn, code)
    if found.state != "approved":
        raise Refused(
            f"Recipe {code} has no approved revision; the newest, {found.revision}, is {found.state}.",
            f"Have it approved, or name it as {code}/{found.revision}: the lot then carries a flag.",
        )
    return found


def _welder(session: Session, writer: Writer, code: str) -> int:
    conn = writer.conn
    if code:
        return lookups.station(conn, code).id
    welders = [s for s in lookups.stations(conn) if s.kind == "welder"]
    if any(s.id == session.actor.station_id for s in welders):
        return next(s.id for s in welders if s.id == session.actor.station_id)
    if len(welders) != 1:
        listed = ", ".join(s.code for s in welders) or "none"
        raise UsageError(f"The welder is not said; there are: {listed}.", "Name the station.")
    return welders[0].id


def _moulding(writer: Writer, number: str) -> int | None:
    return lookups.moulding_lot(writer.conn, scanned(number)).id if number.strip() else None


def _as_it_stands(session: Session, writer: Writer, number: str, done: str) -> Opened:
    judged = judge_and_store(writer, number)
    lot = lookups.lot(writer.conn, number)
    segment = lot.segment
    recipe = (
        "no recipe" if segment.recipe is None else f"{segment.recipe.code} revision {segment.recipe.revision}"
    )
    sides = [
        f"{side} {moulded.number}" if moulded is not None else f"{side} moulding lot not named"
        for side, moulded in (("upper", segment.upper), ("lower", segment.lower))
    ]
    owed: dict[str, int] = {}
    for one in lot.owed:
        owed[one.code] = owed.get(one.code, 0) + one.missing
    missing = ", ".join(f"{count} {code}" for code, count in owed.items() if count)
    return Opened(
        lot.number,
        lot.state,
        (
            f"{done}: {recipe}, {segment.station}, {', '.join(sides)}.",
            f"It owes {missing}." if missing else "It owes no sample.",
            f"It is {lot.state}.",
        ),
        judged.new_flags,
    )
