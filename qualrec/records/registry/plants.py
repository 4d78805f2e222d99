"""Plants, calendars, persons, roles, authorisations, signatures."""

from __future__ import annotations

import json
import re
from collections.abc import Sequence
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from sqlalchemy import func, select

from qualrec.errors import Refused, UsageError
from qualrec.records.database import Store
from qualrec.records.ledger import Writer
from qualrec.records.models import metadata
from qualrec.records.models.people import MEANINGS, ROLES
from qualrec.records.models.plants import DECIMAL_STYLES
from qualrec.records.registry import checks
from qualrec.values import Actor

SET_UP = Actor(None, "set-up")


def _zone(zone: str) -> str:
    given = checks.name(zone, "Time zone")
    try:
        ZoneInfo(given)
    except (ZoneInfoNotFoundError, ValueError, OSError) as error:
        raise UsageError(
            f"Time zone {given!r} is not known.", "Give a name such as Europe/Berlin or UTC."
        ) from error
    return given


def add_plant(
    store_or_writer: Store | Writer,
    code: str,
    name: str,
    zone: str,
    decimal_style: str = "point",
    single_user: bool = False,
    invented: bool = False,
) -> int:
    """Set a plant up; returns its number. With a Store: in a transaction of its own, by the program itself.

    Raises UsageError for an unknown zone or decimal style, Refused where the code is taken.
    """
    row = {
        "code": checks.name(code, "Plant code"),
        "name": checks.name(name, "Plant name"),
        "zone": _zone(zone),
        "decimal_style": checks.one_of(decimal_style, DECIMAL_STYLES, "Decimal style"),
        "single_user": checks.yes_no(single_user, "Single user"),
        "invented": checks.yes_no(invented, "Invented"),
    }
    if isinstance(store_or_writer, Store):
        with store_or_writer.read() as conn:
            first = conn.execute(select(metadata.tables["plant"].c.id).order_by("id").limit(1)).scalar()
        with store_or_writer.write(SET_UP, plant_id=first or 0) as writer:
            return _plant(writer, row)
    return _plant(store_or_writer, row)


def _plant(writer: Writer, row: dict[str, object]) -> int:
    checks.new_name(writer, "plant", f"Plant {row['code']!r}", code=row["code"])
    return writer.insert("plant", row, act="plant set up")


def add_calendar(
    writer: Writer,
    shifts: Sequence[tuple[str, int]],
    *,
    valid_from_us: int,
    day_start_minute: int = 0,
    zone: str | None = None,
) -> int:
    """A calendar revision: shifts as (name, minute after local midnight at which it begins)."""
    starts = [
        {
            "name": checks.name(label, "Shift"),
            "from_minute": checks.whole(minute, f"Start of {label}", least=0, most=1439),
        }
        for label, minute in shifts
    ]
    if len({s["from_minute"] for s in starts}) != len(starts):
        raise UsageError("Two shifts begin at the same minute.", "Give each its own start.")
    since = checks.moment(valid_from_us, "Valid from")
    day = checks.whole(day_start_minute, "Start of the production day", least=0, most=1439)
    c, p = metadata.tables["plant_calendar"], metadata.tables["plant"]
    own = c.c.plant_id == writer.plant_id
    last = writer.conn.execute(select(func.max(c.c.revision), func.max(c.c.valid_from_us)).where(own)).one()
    if last[1] is not None and since <= last[1]:
        raise Refused("An earlier calendar is valid from a later moment.", "Give a later moment.")
    chosen = (
        writer.conn.execute(select(p.c.zone).where(p.c.id == writer.plant_id)).scalar()
        if zone is None
        else zone
    )
    row = {
        "revision": (last[0] or 0) + 1,
        "zone": _zone(str(chosen)),
        "valid_from_us": since,
        "day_start_minute": day,
        "shifts": json.dumps(sorted(starts, key=lambda s: str(s["from_minute"]).zfill(4))),
    }
    return writer.insert("plant_calendar", row, act="calendar revised")


def add_person(
    writer: Writer,
    name: str,
    badge: str,
    *,
    roles: Sequence[str] = (),
    password_hash: str = "",
    pin_hash: str = "",
) -> int:
    """Add a person with roles in this plant. Raises Refused where the badge is taken."""
    row = {
        "name": checks.name(name, "Name"),
        "badge": checks.name(badge, "Badge"),
        "password_hash": checks.line(password_hash, "Password hash"),
        "pin_hash": checks.line(pin_hash, "PIN hash"),
        "created_us": writer.now_us,
    }
    chosen = checks.several(roles, ROLES, "Role")
    checks.new_name(writer, "person", f"A person with badge {row['badge']!r}", badge=row["badge"])
    person_id = writer.insert("person", row, act="person added")
    for role in chosen:
        add_role(writer, person_id, role)
    return person_id


def set_person_state(writer: Writer, person_id: int, state: str, *, why: str) -> None:
    """Disable a leaver, or take a person back. Persons are never removed."""
    chosen = checks.one_of(state, ("active", "disabled"), "State")
    reason = checks.prose(why, "The reason", filled=True)
    checks.row(writer, "person", person_id, "person")
    act = "person disabled" if chosen == "disabled" else "person enabled"
    writer.update("person", person_id, {"state": chosen}, act=act, why=reason)


def add_role(writer: Writer, person_id: int, role: str) -> int:
    """Give a person a role in this plant; returns the id of the person. A role held already is no change."""
    chosen = checks.one_of(role, ROLES, "Role")
    checks.row(writer, "person", person_id, "person")
    if not _holds(writer, person_id, chosen):
        writer.insert("role", {"person_id": person_id, "role": chosen}, act="role given")
    return person_id


def remove_role(writer: Writer, person_id: int, role: str, *, why: str = "") -> None:
    """Take a role away; the trail keeps that it was held."""
    chosen = checks.one_of(role, ROLES, "Role")
    if not _holds(writer, person_id, chosen):
        raise UsageError(
            f"The person does not hold the role {chosen!r} in this plant.", "See the list of persons."
        )
    key = {"person_id": person_id, "plant_id": writer.plant_id, "role": chosen}
    writer.remove("role", key, act="role taken", why=why)


def _holds(writer: Writer, person_id: int, role: str) -> bool:
    r = metadata.tables["role"]
    asked = select(r.c.role).where(
        r.c.person_id == person_id, r.c.plant_id == writer.plant_id, r.c.role == role
    )
    return writer.conn.execute(asked).first() is not None


def add_authorisation(writer: Writer, person_id: int, test: str, *, until_us: int | None = None) -> int:
    """Authorise a person for a gauge family or a characteristic code, until a moment or without an end."""
    row = {
        "person_id": person_id,
        "test": checks.name(test, "Test"),
        "until_us": checks.moment_or_none(until_us, "Until"),
        "granted_us": writer.now_us,
        "granted_by_id": writer.actor.person_id,
    }
    checks.row(writer, "person", person_id, "person")
    if until_us is not None and until_us <= writer.now_us:
        raise UsageError("The authorisation would have ended already.", "Give a later moment.")
    return writer.insert("authorisation", row, act="authorisation given")


def add_signature(
    writer: Writer,
    meaning: str,
    what_kind: str,
    what_id: int,
    digest: str,
    *,
    reason: str = "",
    person_id: int | None = None,
) -> int:
    """Store a signature by the actor (or `person_id`) over a digest; that the password was asked is the caller's duty.

    `digest`: SHA-256 of what was signed, 64 hex digits. Raises UsageError where nobody signs.
    """
    signer = writer.actor.person_id if person_id is None else person_id
    if signer is None:
        raise UsageError("A signature needs a person.", "Sign with a badge and password.")
    if not isinstance(digest, str) or not re.fullmatch(r"[0-9a-f]{64}", digest):
        raise UsageError("What is signed has no valid digest.", "Give its SHA-256 in lower-case hex.")
    row = {
        "person_id": signer,
        "meaning": checks.one_of(meaning, MEANINGS, "Meaning"),
        "what_kind": checks.name(what_kind, "Kind of record"),
        "what_id": checks.whole(what_id, "Id of the record"),
        "digest": digest,
        "at_us": writer.now_us,
        "reason": checks.prose(reason, "Reason"),
    }
    person = checks.row(writer, "person", signer, "person")
    if person.state != "active":
        raise Refused(f"{person.name} is disabled and cannot sign.", "Another person must sign.")
    return writer.insert("signature", row, act="signed")
