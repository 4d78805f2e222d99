"""Days as people write them, in the plant's zone."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta

from qualrec.errors import UsageError
from qualrec.work.session import Session

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def end_of_day(session: Session, text: str) -> int:
    """The last microsecond of a day written as 2026-11-30. Raises UsageError."""
    try:
        following = date.fromisoformat(text.strip()) + timedelta(days=1)
    except (ValueError, OverflowError) as error:
        raise UsageError(f"{text!r} is no day.", "Write year, month and day as 2026-11-30.") from error
    midnight = datetime.combine(following, time(), tzinfo=session.zone)
    return (midnight.astimezone(UTC) - EPOCH) // timedelta(microseconds=1) - 1


def moment_of(session: Session, text: str) -> int:
    """A moment written as '2026-11-30 07:30', or the beginning of a day as '2026-11-30', in the plant's zone.

    An offset may stand behind it (2026-11-30T07:30+01:00). Raises UsageError.
    """
    try:
        found = datetime.fromisoformat(text.strip())
    except ValueError as error:
        raise UsageError(
            f"{text!r} is no moment.", "Write day and time as '2026-11-30 07:30', or the day alone."
        ) from error
    zoned = found if found.tzinfo is not None else found.replace(tzinfo=session.zone)
    return (zoned.astimezone(UTC) - EPOCH) // timedelta(microseconds=1)
