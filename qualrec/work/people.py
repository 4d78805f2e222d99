"""Who works in the plant: a person comes, gets or loses a role, leaves. Nobody is ever removed."""

from __future__ import annotations

from collections.abc import Sequence

from qualrec.errors import Refused, UsageError
from qualrec.records import lookups, registry
from qualrec.work.rights import require
from qualrec.work.session import Session


def add_person(session: Session, badge: str, name: str, roles: Sequence[str]) -> str:
    """Add a person with roles. Raises Refused where the badge is taken, UsageError for a role that is none."""
    require(session.actor, "manage people")
    if not roles:
        raise UsageError("The person has no role.", "Give at least one role.")
    with session.store.write(session.actor, session.plant.id) as writer:
        registry.add_person(writer, name, badge, roles=roles)
    return f"{name} added with badge {badge}: {', '.join(roles)}."


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

    Raises UsageError where nothing is to change, Refused where the acting person would shut themselves out.
    """
    require(session.actor, "manage people")
    if not (give or take or state):
        raise UsageError("Nothing is to change.", "Name a role to give or take, or a state.")
    with session.store.write(session.actor, session.plant.id) as writer:
        who = lookups.person_by_badge(writer.conn, badge)
        if who.id == session.actor.person_id and (state == "disabled" or "administrator" in take):
            raise Refused("You would shut yourself out.", "Have another administrator do it.")
        for role in give:
            registry.add_role(writer, who.id, role)
        for role in take:
            registry.remove_role(writer, who.id, role, why=reason)
        if state:
            registry.set_person_state(writer, who.id, state, why=reason)
        now = lookups.person_by_badge(writer.conn, badge)
    return f"{now.name} ({badge}) is {now.state}: {', '.join(sorted(now.roles)) or 'no role'}."
