"""Who works in the plant: a person comes, gets or loses a role, gets a password or PIN, leaves. Nobody is ever removed."""

from __future__ import annotations

from collections.abc import Sequence

from qualrec.errors import Refused, UsageError
from qualrec.records import lookups, registry
from qualrec.work import accounts, passwords
from qualrec.work.passwords import Kind
from qualrec.work.rights import require
from qualrec.work.session import Session


def add_person(session: Session, badge: str, name: str, roles: Sequence[str]) -> str:
    """Add a person with roles. Raises Refused where the badge is taken, UsageError for a role that is none."""
    require(session.actor, "manage people")
    if not roles:
        raise UsageError("The person has no role.", "Give at least one role.")
    with session.store.write(session.actor, session.plant.id) as writer:
        registry.add_person(writer, name, badge, roles=roles)
    said = f"{name} added with badge {badge}: {', '.join(roles)}."
    return f"{said} Next, a password or PIN: qualrec secret {badge}" if session.accounts else said


def change_person(
    session: Session,
    badge: str,
    *,
    give: Sequence[str] = (),
    take: Sequence[str] = (),
    state: str = "",
    reason: str,
) -> str:
    """Give and take roles, or set the state ('active', 'disabled').

    Raises UsageError where nothing is to change, Refused where the acting person would shut themselves out or, in a plant with
    accounts, give themselves a role.
    """
    require(session.actor, "manage people")
    if not (give or take or state):
        raise UsageError("Nothing is to change.", "Name a role to give or take, or a state.")
    with session.store.write(session.actor, session.plant.id) as writer:
        who = lookups.person_by_badge(writer.conn, badge)
        own = who.id == session.actor.person_id
        if own and (state == "disabled" or "administrator" in take):
            raise Refused("You would shut yourself out.", "Have another administrator do it.")
        if own and session.accounts and set(give) - who.roles:
            raise Refused("Nobody gives themselves a role.", "Have another administrator do it.")
        for role in give:
            registry.add_role(writer, who.id, role)
        for role in take:
            registry.remove_role(writer, who.id, role, why=reason)
        if state:
            registry.set_person_state(writer, who.id, state, why=reason)
        now = lookups.person_by_badge(writer.conn, badge)
    return f"{now.name} ({badge}) is {now.state}: {', '.join(sorted(now.roles)) or 'no role'}."


def check_may_set(session: Session, badge: str) -> None:
    """Raises Refused where somebody may not set the password or PIN of a badge: everybody their own, an administrator all."""
    if badge != session.actor.badge:
        require(session.actor, "manage people")


def set_secret(session: Session, badge: str, kind: Kind, secret: str, *, current: str | None = None) -> str:
    """Set a password or PIN: an administrator anybody's, everybody their own. A lock ends with it.

    `current`: the password that one's own change asks again at a screen. Raises UsageError for a secret against the rules,
    Refused for one of somebody else without the right.
    """
    own = badge == session.actor.badge
    if not own:
        require(session.actor, "manage people")
    with session.store.read() as conn:
        who = lookups.person_by_badge(conn, badge)
    passwords.check_rules(kind, secret, badge)
    if own and session.accounts and not session.signs:
        if not current:
            raise Refused("Your password is asked before it changes.", "Type the one that you have.")
        accounts.prove(session.store, session.plant, badge, current, password_only=who.has_password)
    made = passwords.hashed(secret)
    with session.store.write(session.actor, session.plant.id) as writer:
        if kind == "PIN":
            registry.set_secrets(writer, who.id, pin_hash=made)
        else:
            registry.set_secrets(writer, who.id, password_hash=made)
    return f"{who.name} ({badge}) has a new {kind}."


def unlock(session: Session, badge: str, *, reason: str) -> str:
    """End a lock before its time, with a reason. Raises Refused for oneself, UsageError without a reason."""
    require(session.actor, "manage people")
    if not reason.strip():
        raise UsageError("A lock is ended with a reason.", "Say why, in words.")
    with session.store.write(session.actor, session.plant.id) as writer:
        who = lookups.person_by_badge(writer.conn, badge)
        registry.forget_failures(writer, who.id, act="person unlocked", why=reason)
    return f"{who.name} ({badge}) may sign on again."


def set_idle_lock(session: Session, station: str, seconds: int) -> str:
    """After how long without a key the screens at a station ask again who it is; 0 for never."""
    require(session.actor, "manage people")
    with session.store.write(session.actor, session.plant.id) as writer:
        found = lookups.station(writer.conn, station)
        registry.set_idle_lock(writer, found.id, seconds)
    return f"{station}: " + (
        f"locks after {seconds} s without a key." if seconds else "never locks by itself."
    )


def accounts_sentence(session: Session) -> str:
    """Whether people prove who they are, in words."""
    if session.accounts:
        return f"Plant {session.plant.code} keeps accounts: everybody proves who acts, and signs with a password."
    alone = "one person" if session.plant.single_user else "badges only"
    return f"Plant {session.plant.code} keeps NO ACCOUNTS ({alone}): entries carry the name that was given."


def keep_accounts(session: Session, *, reason: str) -> str:
    """From now on everybody proves who they are. There is no way back: records would then say less than they seem to.

    Raises Refused where no active administrator has a password, since then nobody could let anybody in.
    """
    require(session.actor, "manage people")
    with session.store.write(session.actor, session.plant.id) as writer:
        able = [
            p
            for p in lookups.persons(writer.conn, plant_id=session.plant.id, active_only=True)
            if "administrator" in p.roles and p.has_password
        ]
        if not able:
            raise Refused(
                "No administrator has a password yet; nobody could let anybody in.",
                "Set one first: qualrec secret BADGE",
            )
        registry.keep_accounts(writer, session.plant.id, why=reason)
    return f"Plant {session.plant.code} keeps accounts from now on; {able[0].name} can let others in."
