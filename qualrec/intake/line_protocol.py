"""Lines of a force gauge or another instrument, understood or named as trouble. Pure: bytes in, readings out.

A link profile is TOML of our own (form 1)::

    form = 1
    name = "bench force gauge"
    pattern = '(?P<sign>[+-]?)(?P<value>[0-9.]+) *(?P<unit>[A-Za-z]*)'
    terminator = "\\r\\n"
    address = "COM3"            # or "/dev/ttyUSB0", "tcp://192.0.2.7:4001"
    decimal_style = "point"
    unit = "N"                  # of a line that names none
    overload = "OVER|OL"
    [units]                     # the instrument's word = unit
    "kgf" = "kgf"
    [signs]                     # the instrument's word = "+" or "-"
    "C" = "-"
    [serial]
    baud = 9600
    parity = "none"

`pattern` must fit the whole line without blanks at its ends and has the named groups `value` and, where the line has them,
`unit` and `sign`. A line that does not fit is trouble and never a number. What follows a new connection may be the end of a
line ("3.4 N" of "123.4 N"): it is dropped up to the next terminator unless the line was silent before (`LineReader.begin`).
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any, Literal, cast

from qualrec.errors import QualrecError, UsageError
from qualrec.intake.numbers import Style, parse_number, quote
from qualrec.weld.units import find_unit

FORM = 1
MOST_TEXT = 20_000
GROUPS = frozenset({"value", "unit", "sign"})
ENCODINGS = ("ascii", "latin-1", "utf-8")
PARITIES = ("none", "even", "odd", "mark", "space")
FLOWS = ("none", "software", "hardware")
_TWO_WAYS = re.compile(r"[1-9][0-9]{0,2}\.[0-9]{3}")
TroubleKind = Literal["garbage", "overload", "unit", "number", "cut"]


@dataclass(frozen=True, slots=True)
class SerialSettings:
    """Settings of a serial line. Baud in signs a second; flow control none, software (XON/XOFF) or hardware (RTS/CTS)."""

    baud: int = 9600
    data_bits: int = 8
    parity: str = "none"
    stop_bits: int = 1
    flow: str = "none"

    def __post_init__(self) -> None:
        _check(50 <= self.baud <= 4_000_000, "serial.baud", "Give the baud rate of the instrument, as 9600.")
        _check(self.data_bits in (7, 8), "serial.data_bits", "Give 7 or 8.")
        _check(self.parity in PARITIES, "serial.parity", f"Give one of: {', '.join(PARITIES)}.")
        _check(self.stop_bits in (1, 2), "serial.stop_bits", "Give 1 or 2.")
        _check(self.flow in FLOWS, "serial.flow", f"Give one of: {', '.join(FLOWS)}.")


@dataclass(frozen=True, slots=True)
class LineProfile:
    """How the lines of one kind of instrument are read.

    pattern      regular expression of a whole line with the groups value, unit, sign
    terminator   what ends a line
    overload     regular expression found in lines that say the range was exceeded
    ignore       regular expression of whole lines without a reading (heads, echoes)
    whole_lines  what comes right after connecting is the beginning of a line (an instrument of its own on TCP)
    longest      a line of more bytes is garbage
    """

    name: str
    pattern: str
    terminator: str = "\r\n"
    encoding: str = "ascii"
    decimal_style: Style = "point"
    unit: str = ""
    overload: str = ""
    ignore: str = ""
    address: str = ""
    whole_lines: bool = False
    longest: int = 200
    units: tuple[tuple[str, str], ...] = ()
    signs: tuple[tuple[str, str], ...] = ()
    serial: SerialSettings = field(default_factory=SerialSettings)

    def __post_init__(self) -> None:
        _check(bool(self.name.strip()), "name", "Name the instrument.")
        groups = _pattern(self.pattern, "pattern").groupindex.keys()
        _check("value" in groups, "pattern", "It needs the group (?P<value>...).")
        _check(groups <= GROUPS, "pattern", "Its groups are value, unit and sign.")
        for name in ("overload", "ignore"):
            _pattern(getattr(self, name), name)
        _check(bool(self.terminator), "terminator", r'Write what ends a line, as "\r\n".')
        _check(self.encoding in ENCODINGS, "encoding", f"Give one of: {', '.join(ENCODINGS)}.")
        _check(self.decimal_style in ("point", "comma"), "decimal_style", "Give point or comma.")
        _check(8 <= self.longest <= 4000, "longest", "Give 8 to 4000 bytes.")
        for unit in (self.unit, *(unit for _, unit in self.units)):
            if unit:
                find_unit(unit)
        _check("unit" in groups or bool(self.unit), "unit", "The pattern has no unit: state it here.")
        _check(all(sign in ("+", "-") for _, sign in self.signs), "signs", 'Each is "+" or "-".')


@dataclass(frozen=True, slots=True)
class LineReading:
    """One understood line. `text` says value and unit in one way only, as a person would type it; `note`: what to look at."""

    line: str
    value: float
    unit: str
    decimals: int
    text: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class LineTrouble:
    """A line that gives no reading, with the reason."""

    kind: TroubleKind
    line: str
    message: str


Arrived = LineReading | LineTrouble


class LineReader:
    """Puts bytes together to lines and reads them. Begin it anew with each connection."""

    def __init__(self, profile: LineProfile) -> None:
        self.profile = profile
        self._pattern = re.compile(profile.pattern)
        self._overload = re.compile(profile.overload) if profile.overload else None
        self._ignore = re.compile(profile.ignore) if profile.ignore else None
        self._end = profile.terminator.encode(profile.encoding)
        self._units = dict(profile.units)
        self._signs = {"": "", "+": "", "-": "-", "\u2212": "-"}
        self._signs |= {word: sign.replace("+", "") for word, sign in profile.signs}
        self._held = b""
        self._skip: Literal["", "begin", "long"] = ""
        """Why nothing can be trusted up to the next terminator."""
        self._unit = ""

    def begin(self, *, silent_before: bool) -> None:
        """A connection begins. `silent_before`: nothing came for a while, so the next byte begins a line."""
        self._held = b""
        self._skip = "" if silent_before or self.profile.whole_lines else "begin"

    def cut(self) -> list[Arrived]:
        """The connection ended; a line that had begun is trouble."""
        held, self._held = self._held, b""
        if not held.strip():
            return []
        return [LineTrouble("cut", _shown(held), f"The line was cut at {_shown(held)}; it is not taken.")]

    def feed(self, data: bytes) -> list[Arrived]:
        """Take in bytes as they come, in pieces of any size; gives what the completed lines say."""
        found: list[Arrived] = []
        *lines, self._held = (self._held + data).split(self._end)
        for line in lines:
            if self._skip:
                why, self._skip = self._skip, ""
                if why == "begin" and line.strip():
                    words = f"{_shown(line)} came right after connecting and may be the end of a line; it is not taken."
                    found.append(LineTrouble("cut", _shown(line), words))
            elif len(line) > self.profile.longest:
                found.append(self._too_long(line))
            else:
                found += self._read(line)
        if len(self._held) > self.profile.longest:
            if self._skip != "long":
                found.append(self._too_long(self._held))
            # Of a line without an end only the tail is kept, in which a terminator may have begun.
            self._held, self._skip = self._held[-len(self._end) :], "long"
        return found

    def _too_long(self, line: bytes) -> LineTrouble:
        words = f"{len(line)} bytes without the end of a line: terminator or baud rate may be wrong."
        return LineTrouble("garbage", _shown(line), words)

    def _read(self, data: bytes) -> list[Arrived]:
        shown = _shown(data)
        try:
            line = data.decode(self.profile.encoding).strip()
        except UnicodeDecodeError:
            return [LineTrouble("garbage", shown, f"{shown} is no text: baud rate or parity may be wrong.")]
        if not line or (self._ignore and self._ignore.fullmatch(line)):
            return []
        if self._overload and self._overload.search(line):
            return [LineTrouble("overload", shown, f"The instrument says overload ({shown}); no value.")]
        match = self._pattern.fullmatch(line)
        if match is None or not line.isprintable():
            return [LineTrouble("garbage", shown, f"{shown} does not fit the pattern.")]
        return [self._reading(line, match.groupdict(default=""))]

    def _reading(self, line: str, groups: Mapping[str, str]) -> Arrived:
        shown, word = quote(line), groups.get("unit", "").strip()
        sign = self._signs.get(groups.get("sign", "").strip())
        if sign is None:
            return LineTrouble("number", shown, f"{shown}: its sign is not one of the profile's.")
        try:
            unit = find_unit(self._units.get(word, word) or self.profile.unit).symbol
        except UsageError:
            return LineTrouble("unit", shown, f"{shown}: the unit {quote(word)} is not known.")
        try:
            number = parse_number(groups["value"].strip(), self.profile.decimal_style, strict=True)
        except QualrecError as error:
            return LineTrouble("number", shown, error.message)
        negative = number.value < 0 or number.shown.startswith("-")
        if sign and negative:
            return LineTrouble("number", shown, f"{shown} has two signs.")
        digits = number.shown.removeprefix("-")
        lead = "-" if sign or negative else ""
        # A leading zero takes the second reading away that 1.234 has.
        text = f"{lead}{'0' if _TWO_WAYS.fullmatch(digits) else ''}{digits} {unit}"
        note = f"The unit changed from {self._unit} to {unit}." if self._unit not in ("", unit) else ""
        self._unit = unit
        value = -number.value if sign else number.value
        return LineReading(line, value, unit, number.decimals, text, note)


def _shown(data: bytes) -> str:
    return quote(data[:80].decode("latin-1").strip("\r\n"))


def _pattern(text: str, key: str) -> re.Pattern[str]:
    try:
        return re.compile(text)
    except (re.error, RecursionError, OverflowError) as error:
        raise UsageError(
            f"{key}: {quote(text)} is no regular expression ({error}).", "Correct it."
        ) from error


def _check(good: bool, key: str, remedy: str) -> None:
    if not good:
        raise UsageError(f"The link profile has a wrong {key!r}.", remedy)


def from_toml(text: str) -> LineProfile:
    """The link profile in a TOML text. Raises UsageError that names the key."""
    if len(text) > MOST_TEXT:
        raise UsageError(f"The link profile has {len(text)} characters.", f"At most {MOST_TEXT} are taken.")
    try:
        found = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        raise UsageError(f"The link profile is not TOML: {error}.", "Correct the line.") from error
    form = found.pop("form", None)
    if type(form) is not int or form != FORM:
        raise UsageError(
            f"The link profile has form {form!r}; this program reads form {FORM}.", f"Write form = {FORM}."
        )
    taken = dict(found)
    for name in ("units", "signs"):
        words = _table(taken.pop(name, {}), name)
        if not all(isinstance(w, str) for w in words.values()):
            raise UsageError(f"{name}: a value is not text.", 'Write "word" = "text".')
        taken[name] = tuple(words.items())
    serial = SerialSettings(**_typed(SerialSettings, _table(taken.pop("serial", {}), "serial"), "serial."))
    given = _typed(LineProfile, {k: v for k, v in taken.items() if k not in ("units", "signs")}, "")
    for name in ("name", "pattern"):
        if name not in given:
            raise UsageError(f"The link profile has no {name!r}.", "Add it.")
    return LineProfile(**given, units=taken["units"], signs=taken["signs"], serial=serial)


def _table(found: object, key: str) -> Mapping[str, Any]:
    if not isinstance(found, dict):
        raise UsageError(f"{key}: a table is expected.", f"Write [{key}] and its keys below.")
    return cast("dict[str, Any]", found)


def _typed(kind: type[Any], found: Mapping[str, Any], prefix: str) -> dict[str, Any]:
    """Values by key, each of the type that the key has."""
    kinds = {f.name: str(f.type) for f in fields(kind)}
    known = {name: {"int": int, "bool": bool}.get(text, str) for name, text in kinds.items()}
    for key, value in found.items():
        if key not in known:
            raise UsageError(f"{prefix}{quote(key)}: the key is not known.", f"Keys: {', '.join(known)}.")
        if type(value) is not known[key]:
            word = {int: "a whole number", bool: "true or false", str: "text"}[known[key]]
            raise UsageError(f"{prefix}{key}: {value!r} is not {word}.", "Correct it.")
    return dict(found)
