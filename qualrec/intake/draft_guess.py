"""What the columns of a file may be: moments, roles by their names, characteristics of a part. All of it guesses."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from qualrec.errors import UsageError
from qualrec.intake.file_look import Column, Look
from qualrec.intake.moments import ISO, pattern
from qualrec.intake.tables import Typed, plain_name
from qualrec.values import Characteristic
from qualrec.weld.units import find_unit

ROLES: Mapping[str, frozenset[str]] = {
    "lot": frozenset({"lot", "lot number", "lot no", "lot no.", "lot id", "batch", "moulding lot", "job"}),
    "serial": frozenset({"serial", "serial number", "serial no", "serial no.", "sn", "part id", "dmc"}),
    "sample": frozenset({"sample", "specimen", "piece", "sample no", "sample no.", "specimen no", "no", "no.", "#"}),
    "stream": frozenset({"nest", "cavity", "cav", "nest no", "cavity no"}),
    "mode": frozenset({"failure", "failure mode", "mode", "break type", "fracture"}),
}  # fmt: skip
"""Column names by what they usually mean; common practice, no source."""
CONDITIONS = {
    "wavelength": "wavelength_nm",
    "wall": "thickness_mm",
    "thickness": "thickness_mm",
    "spot": "position",
    "position": "position",
    "fixture": "fixture",
    "temperature": "temperature_c",
    "humidity": "humidity_pct",
}
SHARES = ("interfacial", "cohesive", "tear", "parent")
PEAK = frozenset({"peak", "max", "maximum", "largest"})

_DATE = re.compile(r"([0-9]{1,4})([./-])([0-9]{1,2})\2([0-9]{1,4})")
_CLOCK = re.compile(
    r"[0-9]{1,2}:[0-9]{2}(?P<ss>:[0-9]{2}(?:[.,][0-9]{1,6})?)?(?P<gap> ?)(?P<half>[AaPp]\.?[Mm]\.?)?"
)


@dataclass(frozen=True, slots=True)
class TimeGuess:
    """Columns of the moment; `form` is empty where day and month, or the whole, are not clear. `why`: in words."""

    columns: tuple[str, ...]
    form: str
    why: str


@dataclass(frozen=True, slots=True)
class CodeGuess:
    """A characteristic for a value column; `code` is empty where none or several may be meant."""

    code: str
    strength: bool
    hangs_on: str
    why: str


def words_of(text: str) -> frozenset[str]:
    return frozenset(re.findall(r"[^\W_]+", plain_name(text))) - {"of", "at", "the", "to", "in", "a"}


def role_of(look: Look, role: str) -> Column | None:
    """The one column whose name says a role."""
    found = [c for c in look.columns if plain_name(c.name.replace("_", " ")) in ROLES[role]]
    return found[0] if len(found) == 1 else None


def time_of(look: Look) -> TimeGuess:
    """The moment: a column with date and time, or a date column and the clock column behind it."""
    kinds = {c.name: _kind(c) for c in look.columns}
    whole = next((c for c in look.columns if kinds[c.name] == "whole"), None)
    if whole is not None:
        return _time_guess((whole,))
    date = next((c for c in look.columns if kinds[c.name] == "date"), None)
    clock = next((c for c in look.columns if kinds[c.name] == "clock"), None)
    if date is not None and clock is not None:
        return _time_guess((date, clock))
    there = "" if date is None else f"{date.name!r} has days without a time of day; "
    return TimeGuess((), "", f"{there}no column with date and time was found: name one, or one for each")


def is_moment(column: Column) -> bool:
    return _kind(column) != ""


def _kind(column: Column) -> str:
    """'whole', 'date', 'clock' or ''."""
    if not column.cells:
        return ""
    if all(isinstance(c, Typed) for c in column.cells):
        kinds = {c.kind for c in column.cells if isinstance(c, Typed)}
        days = all(text.endswith(" 00:00:00") for text in column.texts)
        return {"time": "date" if days else "whole", "date": "date", "clock": "clock"}.get(
            kinds.pop() if len(kinds) == 1 else "", ""
        )
    texts = column.texts
    if all(_CLOCK.fullmatch(t) for t in texts):
        return "clock"
    if all(_DATE.fullmatch(t) for t in texts):
        return "date"
    if all(pattern(ISO).fullmatch(t) or _parts(t) is not None for t in texts):
        return "whole"
    return ""


def _parts(text: str) -> tuple[str, str, str] | None:
    """Day, what stands between, clock of a text with both."""
    found = re.fullmatch(r"(\S+?)([ T]+)([0-9]{1,2}:.+)", text)
    if found is None or not _DATE.fullmatch(found[1]) or not _CLOCK.fullmatch(found[3]):
        return None
    return found[1], found[2], found[3]


def _time_guess(columns: Sequence[Column]) -> TimeGuess:
    names = tuple(c.name for c in columns)
    if all(isinstance(cell, Typed) for c in columns for cell in c.cells):
        return TimeGuess(
            names, ISO, "the workbook keeps them as times; the pattern is for times kept as text"
        )
    if len(columns) == 1 and all(pattern(ISO).fullmatch(t) for t in columns[0].texts):
        return TimeGuess(
            names, ISO, "all looked at are ISO 8601; times without offset are those of the plant"
        )
    if len(columns) == 2:
        days, between, clocks = columns[0].texts, " ", columns[1].texts
    else:
        split = [p for p in map(_parts, columns[0].texts) if p is not None]
        days, clocks = tuple(p[0] for p in split), tuple(p[2] for p in split)
        between = split[0][1] if split else " "
    day, why = _day_form(days)
    form = f"{day}{between}{_clock_form(clocks)}"
    if not day:
        return TimeGuess(
            names, "", f"{why}, as {days[0]!r}; write it like DD.MM.YYYY hh:mm:ss or MM/DD/YYYY hh:mm AM"
        )
    texts = zip(days, clocks, strict=False)
    if not all(pattern(form).fullmatch(f"{d}{between}{c}") for d, c in texts):
        return TimeGuess(names, "", f"the times are not all of one form; {form} fits some")
    return TimeGuess(names, form, f"{why}; times are those of the plant")


def _day_form(days: Sequence[str]) -> tuple[str, str]:
    """The pattern of the days, '' where it is not clear, and why."""
    found = [m for m in map(_DATE.fullmatch, days) if m is not None]
    signs = {m[2] for m in found}
    if len(signs) != 1:
        return "", "the days are not all of one form"
    sign = signs.pop()
    if all(len(m[1]) == 4 for m in found):
        return f"YYYY{sign}MM{sign}DD", "the year stands first"
    if not all(len(m[4]) == 4 for m in found):
        return "", "the year is not clear"
    first, second = max(int(m[1]) for m in found), max(int(m[3]) for m in found)
    if first > 12 and second <= 12:
        return f"DD{sign}MM{sign}YYYY", f"the first figure goes up to {first}: the day"
    if second > 12 and first <= 12:
        return f"MM{sign}DD{sign}YYYY", f"the second figure goes up to {second}: the day"
    return "", "which is the day and which the month is not clear"


def _clock_form(clocks: Sequence[str]) -> str:
    found = _CLOCK.fullmatch(clocks[0]) if clocks else None
    if found is None:
        return "hh:mm:ss"
    half = f"{found['gap']}AM" if found["half"] else ""
    return f"hh:mm{':ss' if found['ss'] else ''}{half}"


def codes_of(columns: Sequence[Column], known: Iterable[Characteristic]) -> dict[str, CodeGuess]:
    """For each value column the characteristic that its head and unit fit best, by column name.

    The code in the head counts most, then words of the name; the unit has to be of the same quantity where the file says
    one. Of two columns that fit one characteristic equally the one whose head says peak is taken, else none.
    """
    measured = [c for c in known if c.kind == "measured"]
    scores = {(col.name, c.code): _score(col, c) for col in columns for c in measured}
    found = {}
    for column in columns:
        best = max((scores[column.name, c.code] for c in measured), default=0)
        fits = [c for c in measured if best and scores[column.name, c.code] == best]
        if len(fits) != 1:
            said = (
                f"several fit: {', '.join(c.code for c in fits)}"
                if fits
                else "no characteristic fits its head"
            )
            found[column.name] = CodeGuess("", False, "", said)
            continue
        c = fits[0]
        rivals = [o for o in columns if o is not column and scores[o.name, c.code] >= best]
        if all(_is_peak(column) and not _is_peak(o) and scores[o.name, c.code] == best for o in rivals):
            found[column.name] = CodeGuess(c.code, c.strength, c.hangs_on, f"by its head: {c.name}, {c.unit}")
        else:
            said = f"{c.code} fits, but no better than column {rivals[0].name!r}"
            found[column.name] = CodeGuess("", False, "", said)
    return found


def _is_peak(column: Column) -> bool:
    return bool(words_of(column.name) & PEAK)


def _score(column: Column, c: Characteristic) -> int:
    if column.unit and not same_quantity(column.unit, c.unit):
        return 0
    words = words_of(column.name)
    if c.code.casefold() in words:
        return 100
    return len(words & words_of(f"{c.name} {c.quantity}"))


def same_quantity(unit: str, other: str) -> bool:
    try:
        return find_unit(unit).quantity == find_unit(other).quantity
    except UsageError:
        return False
