"""What an account holds: hashes of password and PIN, failures counted, the lock; and authorisations taken back."""

from __future__ import annotations

from collections.abc import Callable

from qualrec.errors import UsageError
from qualrec.records.ledger import Writer
from qualrec.records.registry import checks


def set_secrets(
    writer: Writer, person_id: int, *, password_hash: str | None = None, pin_hash: str | None = None
) -> None:
    """Store the hash of a new password, of a new PIN, or of both; failures are forgotten and a lock ends."""
    wanted: dict[str, object] = {"failed": 0, "locked_until_us": None}
    if password_hash is not None:
        wanted["password_hash"] = checks.name(password_hash, "Password hash")
    if pin_hash is not None:
        wanted["pin_hash"] = checks.name(pin_hash, "PIN hash")
    given = " and ".join(
        name for name, one in (("password", password_hash), ("PIN", pin_hash)) if one is not None
    )
    if not given:
        raise UsageError("Neither a password nor a PIN is given.", "Give one of them.")
    writer.update("person", person_id, wanted, act=f"{given} set")


def count_failure(writer: Writer, person_id: int, lock_us: Callable[[int], int]) -> tuple[int, int | None]:
    """Count one failed sign-on; `lock_us(failures)`: how long that locks, 0 for not. Returns failures and end of the lock.

    The trail keeps each failure, though the counter itself is no part of the chain.
    """
    row = checks.row(writer, "person", person_id, "person")
    failed = int(row.failed) + 1
    lasting = lock_us(failed)
    until = writer.now_us + lasting if lasting else row.locked_until_us
    act = "person locked" if lasting else "sign-on failed"
    why = f"{failed} in a row" + (f", locked for {lasting // 1_000_000} s" if lasting else "")
    writer.update("person", person_id, {"failed": failed, "locked_until_us": until}, act=act, why=why)
    return failed, until


def forget_failures(writer: Writer, person_id: int, *, act: str, why: str = "") -> None:
    """Count failures from nought again and end a lock; nothing is written where there is neither."""
    writer.update("person", person_id, {"failed": 0, "locked_until_us": None}, act=act, why=why)


def withdraw_authorisation(writer: Writer, authorisation_id: int, *, why: str) -> None:
    """Take an authorisation back; the trail keeps that it was given."""
    reason = checks.prose(why, "The reason", filled=True)
    checks.row(writer, "authorisation", authorisation_id, "authorisation")
    writer.remove("authorisation", authorisation_id, act="authorisation taken back", why=reason)


def set_idle_lock(writer: Writer, station_id: int, seconds: int) -> None:
    """After how long without a key a station asks again who it is; 0 for never."""
    wanted = checks.whole(seconds, "Idle lock in seconds", least=0, most=86_400)
    writer.update("station", station_id, {"idle_lock_seconds": wanted}, act="idle lock set")


def keep_accounts(writer: Writer, plant_id: int, *, why: str) -> None:
    """End the single-user mode of a plant."""
    reason = checks.prose(why, "The reason", filled=True)
    writer.update("plant", plant_id, {"single_user": False}, act="accounts kept from now on", why=reason)
