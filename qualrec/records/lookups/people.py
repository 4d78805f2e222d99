"""Plants, persons, roles, authorisations, signatures."""

from __future__ import annotations

import json
from collections import defaultdict
from dataclasses import dataclass, field
from typing import Any

from sqlalchemy import ColumnElement, Connection, Row, select

from qualrec.errors import Refused, UnknownRecord, UsageError
from qualrec.records.lookups.base import by_id, table, unknown
from qualrec.values import Actor, Plant


@dataclass(frozen=True, slots=True)
class Person:
    """A person with the roles held in the plants asked for."""

    id: int
    name: str
    badge: str
    state: str
    roles: frozenset[str]
    has_password: bool
    has_pin: bool
    locked_until_us: int | None

    @property
    def signs_on_with(self) -> str:
        """'password', 'PIN', both, or 'nothing yet'."""
        held = [name for name, has in (("password", self.has_password), ("PIN", self.has_pin)) if has]
        return " or ".join(held) or "nothing yet"


@dataclass(frozen=True, slots=True)
class Account:
    """What a sign-on is compared with. The hashes go nowhere but there."""

    person: Person
    password_hash: str = field(repr=False)
    pin_hash: str = field(repr=False)
    failed: int


@dataclass(frozen=True, slots=True)
class Authorisation:
    """Leave to perform a test; `until_us` None: without an end. `person`, `badge` name whose it is."""

    id: int
    person_id: int
    test: str
    granted_us: int
    until_us: int | None
    person: str = ""
    badge: str = ""

    def holds_at(self, moment_us: int) -> bool:
        return self.granted_us <= moment_us and (self.until_us is None or moment_us <= self.until_us)


@dataclass(frozen=True, slots=True)
class Signature:
    id: int
    person_id: int
    person: str
    meaning: str
    what_kind: str
    what_id: int
    digest: str
    at_us: int
    reason: str


@dataclass(frozen=True, slots=True)
class Shift:
    """A shift from a minute after local midnight on."""

    name: str
    from_minute: int


@dataclass(frozen=True, slots=True)
class CalendarRevision:
    """Shifts of a plant from a moment on; production day and shift are derived from it."""

    revision: int
    zone: str
    valid_from_us: int
    day_start_minute: int
    shifts: tuple[Shift, ...]


def _plant(row: Row[Any]) -> Plant:
    return Plant(
        id=row.id,
        code=row.code,
        name=row.name,
        zone=row.zone,
        decimal_style=row.decimal_style,
        single_user=row.single_user,
        invented=row.invented,
    )


def plants(conn: Connection) -> tuple[Plant, ...]:
    """All plants by number."""
    t = table("plant")
    return tuple(_plant(row) for row in conn.execute(select(t).order_by(t.c.id)))


def plant(conn: Connection, code: str | None = None) -> Plant:
    """A plant by code; without a code the only plant.

    Raises UnknownRecord where there is none, UsageError where several are there and no code is given.
    """
    found = plants(conn)
    if code is not None:
        for one in found:
            if one.code == code:
                return one
        raise unknown("plant", code, [p.code for p in found], "Give the code of a plant of this database.")
    if not found:
        raise UnknownRecord("The database holds no plant yet.", "Set one up first: qualrec db create")
    if len(found) > 1:
        raise UsageError(
            f"The database holds {len(found)} plants: {', '.join(p.code for p in found)}.",
            "Say which one is meant.",
        )
    return found[0]


def calendar(conn: Connection, plant_id: int) -> tuple[CalendarRevision, ...]:
    """The calendar revisions of a plant, oldest first; empty where none was entered."""
    t = table("plant_calendar")
    found = conn.execute(select(t).where(t.c.plant_id == plant_id).order_by(t.c.valid_from_us, t.c.revision))
    return tuple(
        CalendarRevision(
            revision=row.revision,
            zone=row.zone,
            valid_from_us=row.valid_from_us,
            day_start_minute=row.day_start_minute,
            shifts=tuple(Shift(s["name"], int(s["from_minute"])) for s in json.loads(row.shifts)),
        )
        for row in found
    )


def _persons(conn: Connection, rows: list[Row[Any]], plant_id: int | None) -> tuple[Person, ...]:
    r = table("role")
    asked = select(r).where(r.c.person_id.in_([row.id for row in rows]))
    if plant_id is not None:
        asked = asked.where(r.c.plant_id == plant_id)
    roles: dict[int, set[str]] = defaultdict(set)
    for role in conn.execute(asked.order_by(r.c.person_id, r.c.plant_id, r.c.role)):
        roles[role.person_id].add(role.role)
    return tuple(
        Person(
            id=row.id,
            name=row.name,
            badge=row.badge,
            state=row.state,
            roles=frozenset(roles[row.id]),
            has_password=bool(row.password_hash),
            has_pin=bool(row.pin_hash),
            locked_until_us=row.locked_until_us,
        )
        for row in rows
    )


def persons(
    conn: Connection, *, plant_id: int | None = None, active_only: bool = False
) -> tuple[Person, ...]:
    """All persons by name, with their roles in one plant or, without `plant_id`, in any."""
    t = table("person")
    asked = select(t).order_by(t.c.id)
    if active_only:
        asked = asked.where(t.c.state == "active")
    found = _persons(conn, list(conn.execute(asked)), plant_id)
    return tuple(sorted(found, key=lambda p: (p.name.casefold(), p.id)))


def person(conn: Connection, person_id: int, *, plant_id: int | None = None) -> Person:
    row = by_id(conn, "person", person_id, what="person", remedy="See the list of persons.")
    return _persons(conn, [row], plant_id)[0]


def person_by_badge(conn: Connection, badge: str, *, plant_id: int | None = None) -> Person:
    """The person with a badge, compared exactly. Raises UnknownRecord; near badges are not told."""
    t = table("person")
    row = conn.execute(select(t).where(t.c.badge == badge)).one_or_none()
    if row is None:
        raise UnknownRecord(
            f"No person has the badge {badge!r}.", "Scan again, or have the person added by an administrator."
        )
    return _persons(conn, [row], plant_id)[0]


def actor(
    conn: Connection, badge: str = "", station: str | None = None, *, plant_id: int | None = None
) -> Actor:
    """Who acts, by badge, at a station by code.

    An empty badge stands for the only active person of a single-user plant. Raises UnknownRecord for an unknown badge
    or station, UsageError where the badge is missing, Refused where the person is disabled.
    """
    from qualrec.records.lookups.stations import station as find_station

    if badge:
        who = person_by_badge(conn, badge, plant_id=plant_id)
    else:
        active = persons(conn, plant_id=plant_id, active_only=True)
        alone = all(p.single_user for p in plants(conn) if plant_id is None or p.id == plant_id)
        if not alone or len(active) != 1:
            raise UsageError("It is not said who acts.", "Scan or give a badge (--badge).")
        who = active[0]
    if who.state != "active":
        raise Refused(f"{who.name} is disabled and cannot act.", "Ask an administrator of the plant.")
    station_id = find_station(conn, station, plant_id=plant_id).id if station else None
    return Actor(person_id=who.id, name=who.name, badge=who.badge, station_id=station_id, roles=who.roles)


def account(conn: Connection, badge: str) -> Account:
    """What a person's sign-on is compared with. Raises UnknownRecord."""
    who = person_by_badge(conn, badge)
    t = table("person")
    row = conn.execute(select(t.c.password_hash, t.c.pin_hash, t.c.failed).where(t.c.id == who.id)).one()
    return Account(who, row.password_hash, row.pin_hash, int(row.failed))


def accounts_kept(conn: Connection) -> bool:
    """Whether anybody has a password or PIN: from then on everybody has to prove who acts."""
    t = table("person")
    asked = select(t.c.id).where((t.c.password_hash != "") | (t.c.pin_hash != "")).limit(1)
    return conn.execute(asked).first() is not None


def authorisations(
    conn: Connection, person_id: int | None = None, *, plant_id: int | None = None
) -> tuple[Authorisation, ...]:
    """What a person, or with None everybody, may test, in order of granting."""
    t, p = table("authorisation"), table("person")
    asked = select(t, p.c.name, p.c.badge).join(p, p.c.id == t.c.person_id)
    if person_id is not None:
        asked = asked.where(t.c.person_id == person_id)
    if plant_id is not None:
        asked = asked.where(t.c.plant_id == plant_id)
    return tuple(
        Authorisation(row.id, row.person_id, row.test, row.granted_us, row.until_us, row.name, row.badge)
        for row in conn.execute(asked.order_by(t.c.granted_us, t.c.id))
    )


def signatures(conn: Connection, what_kind: str, what_id: int) -> tuple[Signature, ...]:
    """Signatures under one record, oldest first."""
    t = table("signature")
    return _signatures(conn, t.c.what_kind == what_kind, t.c.what_id == what_id)


def all_signatures(conn: Connection) -> tuple[Signature, ...]:
    """Every signature, oldest first."""
    return _signatures(conn)


def signature_by_id(conn: Connection, signature_id: int) -> Signature:
    by_id(conn, "signature", signature_id, what="signature", remedy="See: qualrec signatures")
    return _signatures(conn, table("signature").c.id == signature_id)[0]


def _signatures(conn: Connection, *where: ColumnElement[bool]) -> tuple[Signature, ...]:
    t, p = table("signature"), table("person")
    asked = select(t, p.c.name.label("person")).join(p, p.c.id == t.c.person_id).where(*where)
    return tuple(
        Signature(
            id=row.id,
            person_id=row.person_id,
            person=row.person,
            meaning=row.meaning,
            what_kind=row.what_kind,
            what_id=row.what_id,
            digest=row.digest,
            at_us=row.at_us,
            reason=row.reason,
        )
        for row in conn.execute(asked.order_by(t.c.at_us, t.c.id))
    )
