"""Carrying a plant over into another database, and the rights on a server."""

from __future__ import annotations

from qualrec.records import grants, move
from qualrec.records.grants import Roles
from qualrec.records.move import Moved
from qualrec.work.rights import require
from qualrec.work.safekeeping import Narrator, Say, anchor_text
from qualrec.work.session import Session

__all__ = ["Moved", "Roles", "carry_over", "grants_script", "moved_sentences"]


def carry_over(session: Session, target_url: str, say: Say | None = None) -> Moved:
    """Carry everything over into an empty database; see `records.move.move`."""
    require(session.actor, "copy the database")
    return move.move(session.store, target_url, session.actor, Narrator(say, "carrying over"))


def moved_sentences(session: Session, moved: Moved) -> tuple[str, ...]:
    """What was carried over, in words."""
    return (
        f"Carried over to {moved.place}: {sum(moved.rows.values())} rows in {len(moved.rows)} tables, "
        f"{moved.rows['reading']} readings. Rows and digests of all tables agree; "
        f"{moved.verdict.entries} trail entries, all rows and all sums were recomputed and agree.",
        *(anchor_text(head) for head in moved.heads),
        f"{session.store.place} was not changed. Stop all stations on it: what is entered there from now on "
        "is not in the new database.",
    )


def grants_script(roles: Roles) -> str:
    """SQL for the server's administrator; see `records.grants`."""
    return grants.script(roles)
