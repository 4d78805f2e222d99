"""Who may do what. One table; every use case asks it before it writes."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from qualrec.errors import Refused
from qualrec.values import Actor

BENCH = frozenset({"technician", "process engineer", "quality engineer"})
KEEPERS = frozenset({"administrator", "quality engineer"})
READERS = KEEPERS | {"process engineer", "auditor"}
ENGINEERS = frozenset({"process engineer", "quality engineer"})
QUALITY = frozenset({"quality engineer"})

RIGHTS: Mapping[str, frozenset[str]] = MappingProxyType(
    {
        "log readings": BENCH,
        "correct readings": BENCH,
        "log events": BENCH,
        "open lots": BENCH,
        "hold supplies": BENCH,
        "take files in": BENCH,
        "acknowledge flags": BENCH,
        "define master data": ENGINEERS | {"administrator"},
        "record calibrations": ENGINEERS,
        "plan studies": ENGINEERS,
        "enter studies": BENCH,
        "draft control plans": ENGINEERS,
        "approve control plans": QUALITY,
        "draft recipes": ENGINEERS,
        "approve recipes": ENGINEERS,
        "judge parts": ENGINEERS,
        "close flags": QUALITY,
        "decide about lots": QUALITY,
        "decide about supplies": QUALITY,
        "freeze limits": QUALITY,
        "make submissions": QUALITY,
        "sign submissions": QUALITY,
        "tend change notices": ENGINEERS,
        "revise customers": QUALITY,
        "make certificates": QUALITY,
        "work on problems": ENGINEERS,
        "close problems": QUALITY,
        "ship lots": QUALITY,
        "contain parts": BENCH,
        "write heads down": ENGINEERS,
        "set retention": QUALITY,
        "copy the database": KEEPERS,
        "make an archive": READERS,
        "manage people": frozenset({"administrator"}),
        "authorise people": KEEPERS,
    }
)
"""Act -> roles of which one is needed. Common practice, no source; auditors read only."""


def require(actor: Actor, act: str) -> None:
    """Raises Refused where the person holds none of the roles that the act needs."""
    roles = RIGHTS[act]
    if not roles & actor.roles:
        held = ", ".join(sorted(actor.roles)) or "no role"
        raise Refused(
            f"{actor.name} ({held}) may not {act}.", f"Ask somebody who is {' or '.join(sorted(roles))}."
        )
