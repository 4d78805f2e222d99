"""Passwords and PINs: their plain rules, and their hashes. Nothing of them is ever written anywhere else.

Argon2id as RFC 9106 section 4 recommends second, for machines with little memory: 3 passes, 64 MiB, 4 lanes, a salt of 128 bit
of its own for every hash. The parameters stand in the hash, so older hashes stay good when they are raised.
"""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from qualrec.errors import UsageError

if TYPE_CHECKING:
    from argon2 import PasswordHasher

Kind = Literal["password", "PIN"]
SHORTEST_PASSWORD = 10
"""Above the 8 signs that NIST SP 800-63B section 5.1.1 asks at least (from memory)."""
LONGEST_PASSWORD = 200
SHORTEST_PIN, LONGEST_PIN = 4, 12
"""Short, because the lock-out bounds how many are tried (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Cost:
    """What one hash costs: passes over the memory, memory in KiB, lanes."""

    passes: int
    memory_kib: int
    lanes: int


COST = Cost(3, 64 * 1024, 4)


def check_rules(kind: Kind, secret: str, badge: str = "") -> None:
    """Raises UsageError for a password or PIN that is too short, too long or the badge itself. It is not repeated there."""
    if kind == "PIN":
        if not (secret.isascii() and secret.isdigit() and SHORTEST_PIN <= len(secret) <= LONGEST_PIN):
            raise UsageError("That is no PIN.", f"A PIN has {SHORTEST_PIN} to {LONGEST_PIN} digits.")
        if len(set(secret)) == 1:
            raise UsageError("One digit repeated is no PIN.", "Choose another.")
    elif not SHORTEST_PASSWORD <= len(secret) <= LONGEST_PASSWORD:
        raise UsageError(
            f"The password has {len(secret)} signs.",
            f"Choose one of {SHORTEST_PASSWORD} to {LONGEST_PASSWORD} signs; several words are good.",
        )
    elif not secret.isprintable() or secret != secret.strip():
        raise UsageError(
            "The password begins or ends with a blank, or holds a sign that cannot be typed.",
            "Choose another.",
        )
    if badge and secret.casefold() == badge.casefold():
        raise UsageError(f"The {kind} is the badge.", "Choose another.")


def hashed(secret: str) -> str:
    """The hash to be stored."""
    return _hasher(COST).hash(_bytes(secret))


def hashed_in_the_open(secret: str) -> str:
    """The hash of a secret that is printed anyway, for the sample plant only: it costs nothing, and always is the same."""
    return _hasher(Cost(1, 8, 1)).hash(_bytes(secret), salt=b"invented records")


def fits(stored: str, secret: str) -> bool:
    """Whether a password or PIN is the one that was hashed; never for an empty hash or one that cannot be read."""
    from argon2.exceptions import InvalidHashError, VerificationError

    if not stored or len(secret) > LONGEST_PASSWORD:
        return False
    try:
        return _hasher(COST).verify(stored, _bytes(secret))
    except (VerificationError, InvalidHashError):
        return False


def _bytes(secret: str) -> bytes:
    """Letters with marks are the same however a keyboard sends them."""
    return unicodedata.normalize("NFC", secret).encode("utf-8", "surrogatepass")


def _hasher(cost: Cost) -> PasswordHasher:
    from argon2 import PasswordHasher

    return PasswordHasher(cost.passes, cost.memory_kib, cost.lanes)
