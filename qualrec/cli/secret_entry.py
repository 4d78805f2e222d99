"""How a command gets a password or PIN: never as an argument, which others could read.

Of who acts: from the file that QUALREC_SECRET_FILE names (its first line), else asked at the terminal without showing it;
of the second person of a correction in the same way, by QUALREC_SECOND_SECRET_FILE.
New ones: asked twice at the terminal, or the first line of stdin with --stdin.
"""

from __future__ import annotations

import getpass
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from qualrec.errors import Refused, UsageError

if TYPE_CHECKING:
    from qualrec.values import Actor
    from qualrec.work.session import Session

FILE, SECOND_FILE = "QUALREC_SECRET_FILE", "QUALREC_SECOND_SECRET_FILE"
LONGEST = 1_000


def ask(actor: Actor) -> str:
    """Password or PIN of the person who acts. Raises UsageError where there is no way to ask."""
    return _given(f"{actor.name} ({actor.badge})", FILE)


def of_second(session: Session, badge: str | None) -> str | None:
    """Password or PIN of who stands behind a correction as second person; None where none is asked."""
    from qualrec.work.accounts import second_proves

    return _given(f"badge {badge}", SECOND_FILE) if badge and second_proves(session, badge) else None


def _given(who: str, variable: str) -> str:
    named = os.environ.get(variable)
    if named:
        return _of_file(Path(named), variable)
    if not sys.stdin.isatty():
        raise UsageError(
            f"{who} has to prove who acts, and there is no terminal to ask at.",
            f"Write the password or PIN into a file that only you can read and name it in {variable}.",
        )
    return getpass.getpass(f"Password or PIN of {who}: ")


def new(kind: str, badge: str, *, from_stdin: bool) -> str:
    """A new password or PIN. Raises UsageError where there is no way to ask, Refused where the two differ."""
    if from_stdin:
        return sys.stdin.readline(LONGEST).rstrip("\r\n")
    if not sys.stdin.isatty():
        raise UsageError(
            f"There is no terminal to ask for the new {kind} at.", "Give it on stdin with --stdin."
        )
    first = getpass.getpass(f"New {kind} for badge {badge}: ")
    if getpass.getpass("Once more: ") != first:
        raise Refused(f"The two are not the same; no {kind} was set.", "Try again.")
    return first


def _of_file(path: Path, variable: str) -> str:
    try:
        with path.open(encoding="utf-8") as file:
            return file.readline(LONGEST).rstrip("\r\n")
    except (OSError, UnicodeDecodeError) as error:
        raise UsageError(
            f"{variable} names {path}, which cannot be read.", "Name a text file that you can read."
        ) from error
