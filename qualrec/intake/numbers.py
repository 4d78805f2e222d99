"""Numbers as people and machines write them: 5,3 and 5.3, 1.234,5 and 1,234.5, 1 234,5 and 1'234.5.

The rule of this module: a text is either understood in exactly one way, or refused with a reason. Grammar::

    number  = [+ or - or U+2212] body
    body    = digits [decimal digits] [e [sign] digits]      plain, the exponent only here
            | decimal digits                                 .5 and ,5
            | lead (group ddd)+ [decimal digits]             lead: 1 to 3 digits, no leading zero
    decimal = "." in style 'point', "," in style 'comma'
    group   = the other of the two, a space (also no-break, thin, narrow, figure space) or an apostrophe;
              the same sign throughout one number

A text with one separator and three digits after it (1.234 or 1,234) is a number in both styles, with two
values. It is refused by `AmbiguousNumber` unless a style is given or only one reading lies in the
plausible range.
A leading zero takes the ambiguity away, because no grouped number starts with one: 01.234 is 1.234 only.
"""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from typing import Literal

from qualrec.errors import AmbiguousNumber, UsageError
from qualrec.weld.units import convert, convert_exact, find_unit, resolution_after, split_suffix

Style = Literal["point", "comma"]
Range = tuple[float, float]

MAX_LENGTH = 64
"""Characters of a typed value, unit included. Longer text is not a measured value."""

MAX_INTEGER_DIGITS = 15
"""A double holds every integer of 15 digits; more digits are an identifier in the wrong field."""

_BLANKS = " \t\r\n\u00a0\u2007\u2009\u202f"
_GROUP_SIGNS = " \u00a0\u2007\u2009\u202f'\u2019"
_SIGNS = {"+": "", "-": "-", "\u2212": "-"}


def _body_patterns(decimal: str, thousands: str) -> tuple[re.Pattern[str], re.Pattern[str]]:
    point = re.escape(decimal)
    plain = rf"(?P<whole>[0-9]*)(?:{point}(?P<part>[0-9]+))?(?:[eE](?P<power>[+-]?[0-9]{{1,3}}))?"
    signs = re.escape(thousands) + _GROUP_SIGNS
    grouped = (
        rf"(?P<whole>[1-9][0-9]{{0,2}}(?P<sign>[{signs}])[0-9]{{3}}(?:(?P=sign)[0-9]{{3}})*)"
        rf"(?:{point}(?P<part>[0-9]+))?"
    )
    return re.compile(plain), re.compile(grouped)


_PATTERNS: dict[Style, tuple[re.Pattern[str], re.Pattern[str]]] = {
    "point": _body_patterns(".", ","),
    "comma": _body_patterns(",", "."),
}
_NOT_DIGITS = re.compile(r"[^0-9]")


@dataclass(frozen=True, slots=True)
class ParsedNumber:
    """One understood number.

    value     the double nearest to the decimal digits given
    text      the text as entered, untouched
    decimals  digits given after the decimal sign, never below 0: 5,30 has 2, 1e-3 has 3
    shown     the same digits in style 'point', without group signs and exponent
    note      why this reading was taken where the text alone did not say so, else ""
    """

    value: float
    text: str
    decimals: int
    shown: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class Understood:
    """One typed value in the characteristic's unit.

    value       in `unit`
    text        as entered, suffix included
    decimals    digits given after the decimal sign, in the unit that was typed
    resolution  one step of the last digit given, in `unit`
    unit        the characteristic's unit
    echo        what to show before saving: '"1.234,5 N" -> 1234.5 N'
    note        why this reading was taken, where the text alone did not say so
    """

    value: float
    text: str
    decimals: int
    resolution: float
    unit: str
    echo: str
    note: str = ""


def quote(text: str, limit: int = 40) -> str:
    """The text in quotes for a message: control characters escaped, cut after `limit` characters."""
    cut = text if len(text) <= limit else text[:limit] + "..."
    return '"' + "".join(c if c.isprintable() else c.encode("unicode_escape").decode() for c in cut) + '"'


def parse_number(
    text: str, style: Style | None = None, plausible: Range | None = None, *, strict: bool = False
) -> ParsedNumber:
    """Reads one number without a unit.

    style      the plant's or the file's decimal style; None takes either, and refuses what both can read
    plausible  (low, high), ends included; chooses where two readings exist and exactly one lies inside
    strict     with a style: refuse text that is a number only in the other style (files). Without `strict`
               such text is taken (5.3 typed in a plant that writes 5,3), as it has one meaning.

    With a style the other reading still counts where it alone is plausible: the text is refused as ambiguous.
    Errors: AmbiguousNumber (two readings, both carried), UsageError (no number, too long, beyond a double).
    """
    return _choose(text, text, style, plausible, strict, float, "")


def understand(
    text: str, unit: str, style: Style | None = None, plausible: Range | None = None
) -> Understood:
    """Reads a typed value with or without a unit and converts it into `unit`, the characteristic's own.

    `plausible` is in `unit`; a suffix in another unit is converted before the comparison.
    Errors: as `parse_number`; UsageError where the suffix is unknown or measures something else than `unit`.
    """
    _check_text(text)
    try:
        number, suffix = split_suffix(text.strip(_BLANKS), unit)
    except UsageError as error:
        raise UsageError(f"{quote(text)}: {error.message}", error.remedy) from error
    if suffix is None or suffix == find_unit(unit).symbol:
        parsed = _choose(text, number, style, plausible, False, float, suffix or "")
        value, figure, resolution = parsed.value, parsed.shown, 10.0**-parsed.decimals
    else:
        given = suffix

        def in_unit(value: float) -> float:
            return convert(value, given, unit)

        parsed = _choose(text, number, style, plausible, False, in_unit, given)
        in_unit(parsed.value)
        value = float(convert_exact(Decimal(parsed.shown), given, unit))
        figure, resolution = f"{value:.12g}", resolution_after(parsed.decimals, given, unit)
    echo = f"{quote(text)} -> {figure} {unit}".rstrip()
    return Understood(value, text, parsed.decimals, resolution, unit, echo, parsed.note)


@dataclass(frozen=True, slots=True)
class _Reading:
    value: float
    decimals: int
    shown: str


def _choose(
    text: str,
    number: str,
    style: Style | None,
    plausible: Range | None,
    strict: bool,
    in_unit: Callable[[float], float],
    suffix: str,
) -> ParsedNumber:
    """The one reading of `number`, the numeric part of `text`; values are judged after `in_unit`."""
    if style not in (None, "point", "comma"):
        raise UsageError(
            f"{quote(str(style))} is not a decimal style.", "Use 'point' (1.5) or 'comma' (1,5)."
        )
    _check_text(text)
    readings = _readings(number.strip(_BLANKS), text)
    if not readings or (strict and style is not None and style not in readings):
        raise UsageError(f"{quote(text)} is not {_wanted(style, bool(readings))}.", _remedy(style))
    distinct = {r.value for r in readings.values()}
    if len(distinct) == 1:
        only = readings[style] if style in readings else next(iter(readings.values()))
        return ParsedNumber(only.value, text, only.decimals, only.shown)
    fits = {s: r for s, r in readings.items() if _inside(in_unit(r.value), plausible)}
    if style is not None and (not fits or style in fits):
        taken, note = readings[style], ""
    elif style is None and plausible is not None and len(fits) == 1:
        taken = next(iter(fits.values()))
        low, high = plausible
        note = (
            f"{quote(text)} has two readings; {taken.shown} was taken, the only one from {low:g} to {high:g}."
        )
    else:
        raise _ambiguous(text, readings, in_unit, suffix)
    return ParsedNumber(taken.value, text, taken.decimals, taken.shown, note)


def _ambiguous(
    text: str, readings: dict[Style, _Reading], in_unit: Callable[[float], float], suffix: str
) -> AmbiguousNumber:
    forms = []
    for reading in readings.values():
        sign, digits = ("-", reading.shown[1:]) if reading.shown.startswith("-") else ("", reading.shown)
        form = f"{sign}0{digits}" if "." in digits else f"{sign}{digits}"
        forms.append((f"{form} {suffix}".rstrip(), in_unit(reading.value)))
    whole, part = sorted(forms, key=lambda f: "." in f[0])
    return AmbiguousNumber(
        text,
        tuple(forms),
        f"Type {whole[0]} without a group sign, or {part[0]} with a leading zero, whichever you mean.",
    )


def _inside(value: float, plausible: Range | None) -> bool:
    if plausible is None:
        return True
    low, high = plausible
    if not low <= high:
        raise UsageError(
            f"The plausible range {low!r} to {high!r} has no inside.", "Give the lower end first."
        )
    return low <= value <= high


def _check_text(text: str) -> None:
    if len(text) > MAX_LENGTH:
        raise UsageError(
            f"{quote(text)} has {len(text)} characters; a value has at most {MAX_LENGTH}.",
            "Check that the right field was scanned or typed.",
        )
    inner = text.strip(_BLANKS)
    if not inner:
        raise UsageError("The value is empty.", "Type a number, such as 5,3 or 5.3.")
    for char in inner:
        if char not in _GROUP_SIGNS and unicodedata.category(char)[0] in "CZ":
            raise UsageError(
                f"{quote(text)} holds a character that cannot be seen (U+{ord(char):04X}).",
                "Type the value again by hand.",
            )


def _readings(number: str, text: str) -> dict[Style, _Reading]:
    """The readings of the stripped text by style; a style that cannot read it is left out."""
    sign = _SIGNS.get(number[:1])
    body = number if sign is None else number[1:]
    found: dict[Style, _Reading] = {}
    for style, patterns in _PATTERNS.items():
        match = patterns[0].fullmatch(body) or patterns[1].fullmatch(body)
        if match is None or not (match["whole"] or match["part"]):
            continue
        whole, part = _NOT_DIGITS.sub("", match["whole"]), match["part"] or ""
        power = int(match.groupdict().get("power") or 0)
        if len(whole.lstrip("0")) > MAX_INTEGER_DIGITS:
            raise UsageError(
                f"{quote(text)} has more than {MAX_INTEGER_DIGITS} digits before the decimal sign.",
                "This looks like an identifier. Check that the right field was scanned or typed.",
            )
        found[style] = _reading(sign or "", whole, part, power, text)
    return found


def _reading(sign: str, whole: str, part: str, power: int, text: str) -> _Reading:
    value = _finite(float(f"{sign}{whole or '0'}.{part or '0'}e{power}"), text)
    if value == 0.0 and (whole + part).strip("0"):
        raise UsageError(f"{quote(text)} is too near to zero to be kept.", "Check the exponent after the e.")
    digits = (whole + part).rjust(len(part) - power + 1, "0") + "0" * max(0, power - len(part))
    decimals = max(0, len(part) - power)
    whole, part = (digits[: len(digits) - decimals], digits[len(digits) - decimals :])
    shown = f"{sign}{whole.lstrip('0') or '0'}" + (f".{part}" if part else "")
    return _Reading(value, decimals, shown)


def _finite(value: float, text: str) -> float:
    if not math.isfinite(value):
        raise UsageError(f"{quote(text)} is too large to be kept.", "Check the exponent after the e.")
    return value


def _wanted(style: Style | None, other_style: bool) -> str:
    if not other_style:
        return "a number"
    return "a number with a decimal " + ("point" if style == "point" else "comma")


def _remedy(style: Style | None) -> str:
    example = {"point": "5.3 or 1234.5", "comma": "5,3 or 1234,5", None: "5,3 or 5.3 or 1234.5"}[style]
    return f"Write digits with at most one decimal sign, such as {example}."
