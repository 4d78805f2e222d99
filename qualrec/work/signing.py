"""Signatures: name, meaning, moment and the digest of exactly what was signed. Not legally binding here.

Every use case that signs has the parameter `password` and calls `ready_to_sign(session, password)` before it opens its
write; a test reads the sources for it. What was signed is a mapping that `qualrec.work.signed` makes from the
records; it is made anew to see whether a signature still covers them.
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from typing import Any

from qualrec.errors import Refused
from qualrec.records import registry
from qualrec.records.ledger import Writer
from qualrec.records.trail import canonical
from qualrec.work.session import Session


def digest_of(content: Mapping[str, Any]) -> str:
    """SHA-256 of the canonical JSON of what is signed (keys sorted, no spaces, UTF-8)."""
    return hashlib.sha256(canonical(content).encode("utf-8")).hexdigest()


def ready_to_sign(session: Session, password: str | None) -> None:
    """Ask for the password at the moment of signing. To be called before the write is opened: a hash takes its time.

    Nothing is asked in a plant without accounts, nor where the session was opened by the password for this one act (a command).
    Raises Refused for a missing or wrong password (it is counted), and for a person who is disabled, locked or has none.
    """
    if not session.accounts or session.signs:
        return
    if not password:
        raise Refused(
            f"{session.actor.name} has to give the password again to sign.", "Type it; a PIN is not enough."
        )
    from qualrec.work import accounts

    accounts.prove(session.store, session.plant, session.actor.badge, password, password_only=True)


def sign(
    writer: Writer, meaning: str, what_kind: str, what_id: int, content: Mapping[str, Any], reason: str
) -> int:
    """Sign something as the acting person; returns the id of the signature."""
    return registry.add_signature(writer, meaning, what_kind, what_id, digest_of(content), reason=reason)
