"""How long records are kept, and the refusal of an early purge.

The program removes no record. The rule says from when on copies, archives and the database of a plant may be destroyed.

A record of a lot is kept to the end of the calendar year in which the longest rule that applies ends (of the plant, the
customer, the part; the customer's profile), and as long as the part is made and one full calendar year after (training page
on IATF 16949 7.5.3.2.1). Not before it is settled: no open flag, no open containment, nothing suspect at a customer.
Without any rule nothing may be purged.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from qualrec.errors import Refused
from qualrec.records import lookups, registry
from qualrec.records.lookups import LotAge, RetentionRule
from qualrec.work.rights import require
from qualrec.work.session import Session

SETTLED = ("released", "released under concession", "scrapped", "reworked", "shipped")
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


@dataclass(frozen=True, slots=True)
class Kept:
    """How long the records of a lot are kept. `until_us` None: no rule says."""

    lot: str
    part: str
    state: str
    last_us: int
    until_us: int | None
    rule: str
    may_purge: bool
    why: str


def kept(session: Session, *, part: str | None = None, lot: str | None = None) -> tuple[Kept, ...]:
    """How long the records of lots are kept as of now, oldest lot first."""
    with session.store.read() as conn:
        asked = lookups.lot_ages(conn, part=part, lot=lot)
        every = asked if lot is None and part is None else lookups.lot_ages(conn)
        rules = lookups.retention_rules(conn)
        years = {c.code: c.retention_years for c in lookups.customers(conn)}
    newest: dict[str, int] = defaultdict(int)
    for age in every:
        newest[age.part] = max(newest[age.part], age.last_us)
    return tuple(_kept(session, age, newest[age.part], rules, years.get(age.customer)) for age in asked)


def _kept(
    session: Session, age: LotAge, newest_us: int, rules: tuple[RetentionRule, ...], profile: int | None
) -> Kept:
    held = [
        (r.years, f"{r.rule} ({r.source})")
        for r in rules
        if r.part in ("", age.part) and r.customer in ("", age.customer)
    ]
    if profile is not None:
        held.append((profile, f"{profile} years by the profile of customer {age.customer}"))
    until, rule = None, "no rule is set"
    if held:
        years, rule = max(held, key=lambda pair: pair[0])
        until = end_of_year(session, age.last_us, years)
        active = end_of_year(session, newest_us, 1)
        if active > until:
            until, rule = active, "the part is made, and one calendar year after"
    why = _against(session, age, until)
    return Kept(age.number, age.part, age.state, age.last_us, until, rule, not why, why)


def _against(session: Session, age: LotAge, until: int | None) -> str:
    if until is None:
        return "no rule of retention is set"
    if age.state not in SETTLED:
        return f"the lot is {age.state}"
    if age.open_flags:
        return f"{age.open_flags} flags are not closed"
    if age.open_containments:
        return f"{age.open_containments} places of containment are open"
    if session.store.clock() <= until:
        return f"kept until {session.moment(until)[:10]}"
    return ""


def end_of_year(session: Session, at_us: int, years: int) -> int:
    """The last microsecond, in the plant's zone, of the calendar year `years` after a moment."""
    year = datetime.fromtimestamp(at_us / 1_000_000, UTC).astimezone(session.zone).year + years + 1
    turn = datetime(year, 1, 1, tzinfo=session.zone)
    return (turn.astimezone(UTC) - EPOCH) // timedelta(microseconds=1) - 1


def check_purge(session: Session, lot: str) -> Kept:
    """Raises Refused where the records of a lot may not be destroyed yet; says until when and by which rule."""
    found = kept(session, lot=lot)[0]
    if not found.may_purge:
        raise Refused(f"The records of lot {lot} may not be destroyed: {found.why}.", f"Rule: {found.rule}.")
    return found


def set_rule(
    session: Session,
    years: int,
    *,
    rule: str,
    source: str,
    part: str | None = None,
    customer: str | None = None,
) -> str:
    """Add a rule; rules are only added, and the longest that applies holds."""
    require(session.actor, "set retention")
    with session.store.write(session.actor, session.plant.id) as writer:
        part_id = None if part is None else lookups.part(writer.conn, part).id
        customer_id = None if customer is None else lookups.customer(writer.conn, customer).id
        registry.add_retention(
            writer, years, rule=rule, source=source, part_id=part_id, customer_id=customer_id
        )
    of = " and ".join(
        x for x in (f"part {part}" if part else "", f"customer {customer}" if customer else "") if x
    )
    return f"Records of {of or 'the plant'} are kept at least {years} years: {rule} ({source})."
