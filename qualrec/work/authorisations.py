"""Who may perform which test, until when.

An authorisation names a characteristic or a gauge family. As soon as a plant keeps one, every reading that a person logs
needs one that holds at that moment; a plant that keeps none at all blocks nobody. Files and instruments are no
persons: what they bring in is not asked.
"""

from __future__ import annotations

from dataclasses import dataclass

from qualrec.assess.loading import Conn
from qualrec.errors import Refused, UnknownRecord, UsageError
from qualrec.records import lookups, registry
from qualrec.records.lookups import Authorisation
from qualrec.values import Characteristic
from qualrec.work.days import end_of_day
from qualrec.work.rights import require
from qualrec.work.session import Session

DAY_US = 86_400_000_000
SOON_DAYS = 30
"""An authorisation that ends within so many days is told (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Leave:
    """An authorisation as it stands: 'holds', 'ends soon' or 'ended'."""

    authorisation: Authorisation
    state: str


def authorise(session: Session, badge: str, test: str, until: str = "") -> str:
    """Authorise a person for a test, to the end of a day or without an end.

    Raises UsageError for a test that is neither a characteristic nor a gauge family, Refused for oneself.
    """
    require(session.actor, "authorise people")
    until_us = end_of_day(session, until) if until else None
    with session.store.write(session.actor, session.plant.id) as writer:
        who = lookups.person_by_badge(writer.conn, badge)
        if who.id == session.actor.person_id and not session.plant.single_user:
            raise Refused("Nobody authorises themselves.", "Have somebody else do it.")
        _check_test(writer.conn, test)
        first = not lookups.authorisations(writer.conn, plant_id=session.plant.id)
        registry.add_authorisation(writer, who.id, test, until_us=until_us)
    end = f" until {session.moment(until_us)}" if until_us is not None else " without an end"
    said = f"{who.name} ({badge}) is authorised for {test}{end}."
    if first:
        said += " It is the first of the plant: from now on every reading that a person logs needs one."
    return said


def take_back(session: Session, badge: str, test: str, *, reason: str) -> str:
    """Take back what a person holds for a test. Raises UnknownRecord where there is nothing, UsageError without a reason."""
    require(session.actor, "authorise people")
    with session.store.write(session.actor, session.plant.id) as writer:
        who = lookups.person_by_badge(writer.conn, badge)
        held = [
            a
            for a in lookups.authorisations(writer.conn, who.id, plant_id=session.plant.id)
            if a.test == test
        ]
        if not held:
            raise UnknownRecord(
                f"{who.name} holds no authorisation for {test!r}.", "See: qualrec authorisations"
            )
        for one in held:
            registry.withdraw_authorisation(writer, one.id, why=reason)
    return f"{who.name} ({badge}) is not authorised for {test} any more."


def leaves(
    session: Session, *, badge: str | None = None, within_days: int | None = None
) -> tuple[Leave, ...]:
    """Authorisations, those that end first in front. `within_days`: only those that have ended or end within so many days."""
    now = session.store.clock()
    with session.store.read() as conn:
        who = None if badge is None else lookups.person_by_badge(conn, badge).id
        held = lookups.authorisations(conn, who, plant_id=session.plant.id)
    found = [Leave(a, _state(a, now)) for a in held]
    if within_days is not None:
        end = now + within_days * DAY_US
        found = [
            one
            for one in found
            if one.authorisation.until_us is not None and one.authorisation.until_us < end
        ]
    return tuple(
        sorted(found, key=lambda one: (one.authorisation.until_us is None, one.authorisation.until_us or 0))
    )


def check_authorised(conn: Conn, session: Session, characteristic: Characteristic, now_us: int) -> None:
    """Raises Refused where the acting person may not log a reading of a characteristic now."""
    person, plant = session.actor.person_id, session.plant.id
    names = {characteristic.code, characteristic.gauge_family} - {""}
    own = (
        [a for a in lookups.authorisations(conn, person, plant_id=plant) if a.test in names] if person else []
    )
    if any(a.holds_at(now_us) for a in own):
        return
    if not own and not lookups.authorisations(conn, plant_id=plant):
        return
    ends = [a.until_us for a in own if a.until_us is not None]
    since = f": the authorisation ended {session.moment(max(ends))}" if ends else ""
    test = " or ".join(sorted(names))
    raise Refused(
        f"{session.actor.name} is not authorised for {characteristic.name} ({test}){since}; nothing was stored.",
        "Have an authorised person test and log it, or have it given: qualrec authorise BADGE TEST --until DAY",
    )


def _state(a: Authorisation, now_us: int) -> str:
    if a.until_us is None:
        return "holds"
    if a.until_us < now_us:
        return "ended"
    return "ends soon" if a.until_us < now_us + SOON_DAYS * DAY_US else "holds"


def _check_test(conn: Conn, test: str) -> None:
    parts = lookups.parts(conn)
    known = {c.code for part in parts for c in lookups.characteristics(conn, part.number)}
    known |= {g.family for g in lookups.gauges(conn)} - {""}
    if test not in known:
        raise UsageError(
            f"{test!r} is neither a characteristic nor a gauge family of this plant.",
            f"Known: {', '.join(sorted(known)) or 'none yet'}.",
        )
