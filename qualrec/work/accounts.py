"""Who it is that acts: badge and password or PIN, failures counted in the record, the lock that follows.

Failures count in the record, so they hold across stations and restarts of the program. Five in a row lock the person for
a quarter of an hour, each further five for twice as long, at most a day (common practice, no source). A plant keeps accounts as
soon as anybody has a password or PIN; a plant of one person without accounts says so everywhere.
"""

from __future__ import annotations

from datetime import UTC, datetime
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from qualrec.errors import Refused
from qualrec.records import lookups, registry
from qualrec.records.database import Store
from qualrec.values import Actor, Plant
from qualrec.work import passwords
from qualrec.work.passwords import Kind

if TYPE_CHECKING:
    from qualrec.records.lookups import Account, Person
    from qualrec.work.session import Session

TRIES = 5
FIRST_LOCK_US = 15 * 60 * 1_000_000
LONGEST_LOCK_US = 24 * 3600 * 1_000_000
SAMPLE_PASSWORD = "invented sample"
SAMPLE_PIN = "2040"
SAMPLE_ACCOUNTS = (
    f'Sample accounts: every badge has the PIN {SAMPLE_PIN} and the password "{SAMPLE_PASSWORD}".'
)
"""Printed wherever the sample plant asks for them."""


def lock_us(failed: int) -> int:
    """How long so many failures in a row lock a person; 0 for not."""
    if failed < TRIES or failed % TRIES:
        return 0
    return min(FIRST_LOCK_US << min(failed // TRIES - 1, 10), LONGEST_LOCK_US)


def check_standing(person: Person, now_us: int, zone: str = "UTC") -> None:
    """Raises Refused where a person is disabled or locked."""
    if person.state != "active":
        raise Refused(f"{person.name} is disabled and cannot act.", "Ask an administrator of the plant.")
    if person.locked_until_us is not None and now_us < person.locked_until_us:
        until = datetime.fromtimestamp(person.locked_until_us / 1_000_000, UTC).astimezone(ZoneInfo(zone))
        raise Refused(
            f"{person.name} is locked until {until:%Y-%m-%d %H:%M} after failed sign-ons.",
            "Wait until then, or have an administrator unlock the badge.",
        )


def prove(store: Store, plant: Plant, badge: str, secret: str, *, password_only: bool = False) -> Kind:
    """Prove that somebody is the person with a badge; returns by what.

    Raises Refused for a wrong password or PIN (it is counted), for a person who is disabled, locked or has neither;
    UnknownRecord for an unknown badge.
    """
    with store.read() as conn:
        account = lookups.account(conn, badge)
    check_standing(account.person, store.clock(), plant.zone)
    _check_has(account, password_only)
    if not secret:
        raise Refused(f"{account.person.name} has to prove who acts.", "Type the password or PIN.")
    kind = _which(account, secret, password_only)
    with store.read() as conn:
        # Others may have failed with this badge while the hash was computed.
        check_standing(lookups.person(conn, account.person.id), store.clock(), plant.zone)
    if kind is None:
        raise _failed(store, plant, account, "password" if password_only else "password or PIN")
    if account.failed:
        with store.write(Actor(account.person.id, account.person.name, badge), plant.id) as writer:
            registry.forget_failures(writer, account.person.id, act="signed on after failures")
    return kind


def is_sample_secret(store: Store, badge: str, secret: str) -> bool:
    """Whether a printed sample secret is still the person's password; nothing is counted."""
    with store.read() as conn:
        return passwords.fits(lookups.account(conn, badge).password_hash, secret)


def prove_second(session: Session, badge: str, secret: str | None) -> None:
    """Prove who stands behind a correction as second person: somebody else, by PIN or password where the plant keeps accounts.

    On the command line of the sample plant the printed sample password is given by the program, as for the first person.
    """
    if session.accounts and badge == session.actor.badge:
        raise Refused("The second person is the first.", "Somebody else has to stand behind it.")
    if second_proves(session, badge):
        prove(session.store, session.plant, badge, secret or "")


def second_proves(session: Session, badge: str) -> bool:
    """Whether PIN or password of a second person is asked."""
    sample = session.signs and session.plant.invented
    if not session.accounts:
        return False
    return not (sample and is_sample_secret(session.store, badge, SAMPLE_PASSWORD))


def _check_has(account: Account, password_only: bool) -> None:
    who = account.person
    if password_only and not who.has_password:
        raise Refused(
            f"{who.name} has no password and cannot sign.",
            f"Have an administrator set one: qualrec secret {who.badge}",
        )
    if not (who.has_password or who.has_pin):
        raise Refused(
            f"{who.name} has neither a password nor a PIN yet.",
            f"Have an administrator set one: qualrec secret {who.badge}",
        )


def _which(account: Account, secret: str, password_only: bool) -> Kind | None:
    """What it was: digits of a PIN's length are compared with the PIN first."""
    if not password_only and secret.isdigit() and passwords.fits(account.pin_hash, secret):
        return "PIN"
    return "password" if passwords.fits(account.password_hash, secret) else None


def _failed(store: Store, plant: Plant, account: Account, what: str) -> Refused:
    who = account.person
    with store.write(Actor(None, "qualrec"), plant.id) as writer:
        failed, _ = registry.count_failure(writer, who.id, lock_us)
    lasting = lock_us(failed)
    if lasting:
        return Refused(
            f"Wrong {what}. {who.name} is locked for {lasting // 60_000_000} min after {failed} failures.",
            "Wait until then, or have an administrator unlock the badge.",
        )
    left = TRIES - failed % TRIES
    return Refused(
        f"Wrong {what} for {who.name}.",
        f"Try again; {left} more {'failure locks' if left == 1 else 'failures lock'} the badge for a time.",
    )
