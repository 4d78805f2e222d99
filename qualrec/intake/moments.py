"""Times as testers and machines write them, to UTC microseconds.

Patterns are written with YYYY or YY (2000 to 2099), MM, DD, hh, mm, ss and AM (the 12-hour mark, AM or PM in any case);
all else stands for itself. Seconds may carry a fraction after a point or comma. The pattern 'iso' reads ISO 8601-1 calendar
date and time with an optional offset (2025-05-14T06:42:10.5+02:00). Day and month are never guessed.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta, timezone
from functools import cache, lru_cache
from typing import Literal
from zoneinfo import ZoneInfo

from qualrec.errors import UsageError
from qualrec.intake.numbers import quote

RepeatedHour = Literal["refuse", "first", "second"]
REPEATED_HOUR: tuple[RepeatedHour, ...] = ("refuse", "first", "second")
ISO = "iso"
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)

_TOKENS = {
    "YYYY": r"(?P<year>[0-9]{4})",
    "YY": r"(?P<short>[0-9]{2})",
    "MM": r"(?P<month>[0-9]{1,2})",
    "DD": r"(?P<day>[0-9]{1,2})",
    "hh": r"(?P<hour>[0-9]{1,2})",
    "mm": r"(?P<minute>[0-9]{2})",
    "ss": r"(?P<second>[0-9]{2})(?:[.,](?P<part>[0-9]{1,6}))?",
    "AM": r"(?P<half>[AaPp])\.?[Mm]\.?",
}
_ISO = re.compile(
    r"(?P<year>[0-9]{4})-(?P<month>[0-9]{2})-(?P<day>[0-9]{2})[T ](?P<hour>[0-9]{2}):(?P<minute>[0-9]{2})"
    r"(?::(?P<second>[0-9]{2})(?:[.,](?P<part>[0-9]{1,6}))?)?(?P<offset>Z|[+-][0-9]{2}:[0-9]{2})?"
)


@dataclass(frozen=True, slots=True)
class Clock:
    """Local time of a plant or machine. `repeated_hour` is the rule for the hour that the autumn change repeats."""

    zone: str
    repeated_hour: RepeatedHour = "refuse"


@cache
def zone_of(name: str) -> ZoneInfo:
    """The IANA zone; UsageError where it is not known."""
    try:
        return ZoneInfo(name)
    except (KeyError, ValueError, OSError) as error:  # ZoneInfoNotFoundError is a KeyError
        raise UsageError(
            f"Time zone {quote(name)} is not known.", "Give an IANA name such as Europe/Vienna."
        ) from error


@cache
def pattern(text: str) -> re.Pattern[str]:
    """The expression of a time pattern; UsageError where a part is missing, repeated or contradictory."""
    if text == ISO:
        return _ISO
    built, names = "", []
    for piece in re.split(r"(YYYY|YY|MM|DD|hh|mm|ss|AM)", text):
        if piece in _TOKENS:
            names.append(piece)
            built += _TOKENS[piece]
        else:
            built += re.sub(r"(\\ | )+", " +", re.escape(piece))
    needed = {"MM", "DD", "hh", "mm"}
    if len(set(names)) != len(names) or not needed <= set(names) or len({"YYYY", "YY"} & set(names)) != 1:
        raise UsageError(
            f"{quote(text)} is not a time pattern.",
            "Write it like DD.MM.YYYY hh:mm:ss or MM/DD/YYYY hh:mm:ss AM, or iso.",
        )
    return re.compile(built)


def read_moment(text: str, form: str, clock: Clock) -> int:
    """UTC microseconds of a time written in the pattern `form`; an offset in the text wins over the clock's zone.

    Errors (UsageError): text that does not fit, a day or time that does not exist, also in the zone; a time in the
    repeated hour where the rule is 'refuse'.
    """
    match = pattern(form).fullmatch(text.strip())
    if match is None:
        raise UsageError(
            f"{quote(text)} is not a time written as {form}.", "Correct the time or the profile's pattern."
        )
    parts = match.groupdict()
    local = _local(text, parts)
    offset = parts.get("offset")
    if offset:
        return _micros(local.replace(tzinfo=_fixed(text, offset)))
    return local_to_us(local, clock)


def _fixed(text: str, offset: str) -> timezone:
    if offset == "Z":
        return UTC
    hours, minutes = int(offset[1:3]), int(offset[4:6])
    if hours > 14 or minutes > 59:
        raise UsageError(f"{quote(text)} has an offset that does not exist.", "Correct the time.")
    away = timedelta(hours=hours, minutes=minutes)
    return timezone(-away if offset[0] == "-" else away)


def _local(text: str, parts: dict[str, str | None]) -> datetime:
    hour = int(parts["hour"] or 0)
    half = (parts.get("half") or "").upper()
    if half:
        if not 1 <= hour <= 12:
            raise UsageError(f"{quote(text)} has no hour from 1 to 12.", "Correct the time.")
        hour = hour % 12 + (12 if half == "P" else 0)
    year = int(parts.get("year") or 2000 + int(parts.get("short") or 0))
    try:
        return datetime(
            year,
            int(parts["month"] or 0),
            int(parts["day"] or 0),
            hour,
            int(parts["minute"] or 0),
            int(parts.get("second") or 0),
            int((parts.get("part") or "0").ljust(6, "0")),
        )
    except ValueError as error:
        raise UsageError(
            f"{quote(text)} is not a time that exists ({error}).", "Correct the time."
        ) from error


def local_to_us(local: datetime, clock: Clock) -> int:
    """UTC microseconds of a naive local time. Errors as `read_moment`."""
    hour = local.replace(minute=0, second=0, microsecond=0)
    shift = hour_shift_us(hour, clock.zone)
    if shift is not None:
        return _micros(local.replace(tzinfo=UTC)) - shift
    zone = zone_of(clock.zone)
    first, second = (local.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
    if first.utcoffset() != second.utcoffset():
        back = first.astimezone(UTC).astimezone(zone).replace(tzinfo=None)
        if back != local:
            raise UsageError(
                f"{local:%Y-%m-%d %H:%M:%S} does not exist in {clock.zone}: clocks go forward then.",
                "Correct the time, or state the zone of the device in the profile.",
            )
        if clock.repeated_hour == "refuse":
            raise UsageError(
                f"{local:%Y-%m-%d %H:%M:%S} comes twice in {clock.zone}: clocks go back then.",
                "Export times with their offset, or state in the profile which hour is meant.",
            )
    return _micros(second if clock.repeated_hour == "second" else first)


@lru_cache(maxsize=4096)
def hour_shift_us(hour: datetime, zone_name: str) -> int | None:
    """Local minus UTC in microseconds where it is one and the same for the whole local hour, else None."""
    zone = zone_of(zone_name)
    last = hour.replace(minute=59, second=59, microsecond=999_999)
    shifts = {t.replace(tzinfo=zone, fold=fold).utcoffset() for t in (hour, last) for fold in (0, 1)}
    if len(shifts) != 1:
        return None
    shift = shifts.pop()
    return None if shift is None else shift // timedelta(microseconds=1)


def _micros(moment: datetime) -> int:
    return (moment - EPOCH) // timedelta(microseconds=1)
