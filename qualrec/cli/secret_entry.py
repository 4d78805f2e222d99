"""How a command gets a password or PIN: never as an argument, which others could read.

Of who acts: from the file that QUALREC_SECRET_FILE names (its first line), else asked at the terminal without showing it.
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

FILE = "QUALREC_SECRET_FILE"
LONGEST = 1_000


def ask(actor: Actor) -> str:
    """Password or PIN of the person who acts. Raises UsageError where there is no way to ask."""
    named = os.environ.get(FILE)
    if named:
        return _of_file(Path(named))
    if not sys.stdin.isatty():
        raise UsageError(
            f"{actor.name} ({actor.badge}) has to prove who acts, and there is no terminal to ask at.",
            f"Write the password or PIN into a file that only you can read and name it in {FILE}.",
        )
    return getpass.getpass(f"Password or PIN of {actor.name} ({actor.badge}): ")


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


def _of_file(path: Path) -> str:
    try:
        with path.open(encoding="utf-8") as file:
            return file.readline(LONGEST).rstrip("\r\n")
    except (OSError, UnicodeDecodeError) as error:
        raise UsageError(
            f"{FILE} names {path}, which cannot be read.", "Name a text file that you can read."
        ) from error
