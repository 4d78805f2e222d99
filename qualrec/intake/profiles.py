"""Import profiles: which column of a tester's, meter's or machine's file means what.

A profile guesses nothing: every column of the file is taken or named as ignored, identifiers stay text, day and month
stand where the pattern says. `qualrec.intake.profile_text` writes and reads profiles as TOML.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, get_args

from qualrec.errors import FileRefused, UsageError
from qualrec.intake.moments import REPEATED_HOUR, RepeatedHour, pattern, zone_of
from qualrec.intake.numbers import Style, quote
from qualrec.intake.readers import open_table
from qualrec.intake.tables import DELIMITERS, ENCODINGS, FileFormat, Layout, Table, plain_name
from qualrec.weld.failure_modes import FailureMode
from qualrec.weld.units import find_unit

Kind = Literal["tester", "transmission", "machine"]
KINDS: tuple[Kind, ...] = get_args(Kind)
SUBJECTS = ("lot", "moulding lot")
PLANT = "plant"
"""Zone of a profile whose times are those of the plant."""

CONDITION_FIELDS = {
    "geometry": "",
    "wavelength_nm": "nm",
    "thickness_mm": "mm",
    "position": "",
    "fixture": "",
    "speed_mm_min": "mm/min",
    "conditioning": "",
    "temperature_c": "°C",
    "humidity_pct": "%",
    "stop_mode": "",
}
"""What a reading means nothing without, and the unit it is kept in ("" for words)."""


@dataclass(frozen=True, slots=True)
class ValueColumn:
    """A measured column. `pull`: the failure mode of the row belongs to it. `optional`: may be empty.

    `per`: a second column that the value is divided by, of machine files: collapse in mm per time to path in s gives the
    collapse rate in mm/s. Both columns may give values of their own too; `unit` is that of the quotient.
    """

    column: str
    characteristic: str
    unit: str
    pull: bool = False
    optional: bool = False
    per: str = ""


@dataclass(frozen=True, slots=True)
class TimeColumns:
    """One column, or two for date and time. `pattern` of both joined by a blank: see `qualrec.intake.moments`."""

    columns: tuple[str, ...]
    pattern: str
    zone: str = PLANT
    repeated_hour: RepeatedHour = "refuse"


@dataclass(frozen=True, slots=True)
class ModeColumn:
    """Failure mode: words of the file to the six modes; columns of the shares of the joint area in %."""

    column: str
    words: tuple[tuple[str, str], ...]
    interfacial: str = ""
    cohesive: str = ""
    tear: str = ""
    parent: str = ""
    displacement_mm: str = ""

    @property
    def share_columns(self) -> tuple[str, str, str, str]:
        return (self.interfacial, self.cohesive, self.tear, self.parent)


@dataclass(frozen=True, slots=True)
class ConditionColumn:
    """A column with a test condition; `unit` is that of the file, "" for words."""

    column: str
    condition: str
    unit: str = ""


@dataclass(frozen=True, slots=True)
class Profile:
    """One revision of an import profile. Raises UsageError where its parts contradict each other.

    subject         what the `lot` column names: 'lot' or 'moulding lot'
    stream          columns that tell cavities and nests apart, in the order of the stream label
    decimal_style   'auto' refuses every number that reads in two ways
    numeric_ids     lot and serial numbers may stand as numbers in a workbook (they never begin with 0)
    ignore          columns left out by name; "*" for all that are not named
    stop_words      the data end at a row whose first filled cell is one of these
    """

    name: str
    revision: int
    kind: Kind
    lot: str
    time: TimeColumns
    values: tuple[ValueColumn, ...]
    subject: str = "lot"
    file_format: FileFormat = "delimited"
    delimiter: str = "auto"
    encoding: str = "auto"
    decimal_style: str = "auto"
    sheet: str = ""
    header_row: int | None = None
    lead_rows: int = 0
    unit_row: bool = False
    serial: str = ""
    sample: str = ""
    stream: tuple[str, ...] = ()
    numeric_ids: bool = False
    mode: ModeColumn | None = None
    conditions: tuple[ConditionColumn, ...] = ()
    ignore: tuple[str, ...] = ()
    stop_words: tuple[str, ...] = ()
    stop_blank: bool = False

    def __post_init__(self) -> None:
        _check_words(self)
        _check_columns(self)

    @property
    def style(self) -> Style | None:
        """Decimal style of the file, None where it is not stated."""
        if self.decimal_style == "point":
            return "point"
        return "comma" if self.decimal_style == "comma" else None

    @property
    def taken(self) -> tuple[str, ...]:
        """All columns that are read, in no special order."""
        names = [self.lot, self.serial, self.sample, *self.stream, *self.time.columns]
        names += [v.column for v in self.values if not v.per] + [c.column for c in self.conditions]
        quotients = {n: None for v in self.values if v.per for n in (v.column, v.per)}
        names += [n for n in quotients if n not in names]
        if self.mode:
            names += [self.mode.column, *self.mode.share_columns, self.mode.displacement_mm]
        return tuple(n for n in names if n)

    @property
    def layout(self) -> Layout:
        return Layout(
            self.taken,
            self.file_format,
            self.delimiter,
            self.encoding,
            self.header_row,
            self.lead_rows,
            self.unit_row,
            self.sheet,
            self.stop_words,
            self.stop_blank,
        )

    def left_over(self, table: Table) -> tuple[str, ...]:
        """Columns of the file that are neither taken nor ignored."""
        if "*" in self.ignore:
            return ()
        known = {plain_name(n) for n in (*self.taken, *self.ignore)}
        return tuple(h for h in table.header if plain_name(h) and plain_name(h) not in known)


def _wrong(profile: Profile, message: str, remedy: str) -> UsageError:
    return UsageError(f"Profile {quote(profile.name)}: {message}", remedy)


def _check_words(profile: Profile) -> None:
    choices = {
        "kind": KINDS,
        "subject": SUBJECTS,
        "file_format": get_args(FileFormat),
        "delimiter": ("auto", *DELIMITERS),
        "encoding": ("auto", *ENCODINGS),
        "decimal_style": ("auto", "point", "comma"),
    }
    for field, allowed in choices.items():
        if getattr(profile, field) not in allowed:
            raise _wrong(
                profile,
                f"{field} {getattr(profile, field)!r} is not known.",
                f"Use one of: {', '.join(allowed)}.",
            )
    if not re.fullmatch(r"\S(.{0,58}\S)?", profile.name) or not profile.name.isprintable():
        raise _wrong(profile, "the name has to be 1 to 60 characters.", "Give it a name.")
    if profile.revision < 1:
        raise _wrong(profile, f"revision {profile.revision} is not positive.", "Count revisions from 1.")
    if profile.time.repeated_hour not in REPEATED_HOUR:
        raise _wrong(
            profile,
            f"repeated_hour {profile.time.repeated_hour!r} is not known.",
            "Use refuse, first or second.",
        )
    if len(profile.time.columns) not in (1, 2):
        raise _wrong(profile, "the time needs one column, or two for date and time.", "Name them.")
    pattern(profile.time.pattern)
    if profile.time.zone != PLANT:
        zone_of(profile.time.zone)
    for word, mode in profile.mode.words if profile.mode else ():
        if mode not in set(FailureMode) or not word.strip():
            raise _wrong(profile, f"{mode!r} is not a failure mode.", f"Modes: {', '.join(FailureMode)}.")


def _check_columns(profile: Profile) -> None:
    names = [plain_name(n) for n in profile.taken]
    twice = sorted(
        {n for n in names if names.count(n) > 1} | ({*names} & set(map(plain_name, profile.ignore)))
    )
    if twice:
        raise _wrong(profile, f"column {twice[0]!r} is used twice.", "Give each column one meaning.")
    if not profile.lot.strip() or not all(c.strip() for c in profile.time.columns):
        raise _wrong(profile, "the lot or the time column has no name.", "Name the columns.")
    if not profile.values or not all(v.column.strip() and v.characteristic.strip() for v in profile.values):
        raise _wrong(profile, "a value column or its characteristic has no name.", "Name at least one.")
    if any(v.per and (v.pull or profile.kind != "machine" or v.per == v.column) for v in profile.values):
        raise _wrong(
            profile,
            "per stands beside a pull, itself or no machine.",
            "Divide columns of machine files only.",
        )
    quotients = {plain_name(n) for v in profile.values if v.per for n in (v.column, v.per)}
    other = {
        plain_name(n)
        for n in (profile.lot, profile.serial, profile.sample, *profile.stream, *profile.time.columns)
    }
    if quotients & (other - {""}):
        raise _wrong(
            profile, f"column {min(quotients & other)!r} is no number to divide.", "Name value columns."
        )
    codes = [v.characteristic for v in profile.values]
    if len(set(codes)) != len(codes):
        raise _wrong(profile, "two columns give one characteristic.", "Take one, ignore the other.")
    for value in profile.values:
        find_unit(value.unit)
    for column in profile.conditions:
        unit = CONDITION_FIELDS.get(column.condition)
        if unit is None:
            raise _wrong(
                profile,
                f"condition {column.condition!r} is not known.",
                f"One of: {', '.join(CONDITION_FIELDS)}.",
            )
        if bool(unit) != bool(column.unit) or (
            unit and find_unit(unit).quantity != find_unit(column.unit).quantity
        ):
            raise _wrong(
                profile, f"condition {column.condition!r} has a wrong unit.", f"Give one like {unit!r}."
            )
    if sum(v.pull for v in profile.values) != (1 if profile.mode else 0):
        raise _wrong(
            profile,
            "a failure mode needs exactly one value column with pull, and the other way round.",
            "Mark the pull force, or leave out the mode.",
        )
    if profile.sample == "" and profile.serial == "":
        raise _wrong(
            profile, "neither a sample nor a serial column.", "Name one, or repeats cannot be told apart."
        )
    if profile.delimiter == "comma" and profile.decimal_style == "comma":
        raise _wrong(profile, "comma both as delimiter and as decimal sign.", "State another delimiter.")
    if profile.header_row == 0 and (profile.delimiter == "auto" and profile.file_format == "delimited"):
        raise _wrong(profile, "without a header the delimiter has to be stated.", "State the delimiter.")
    if profile.header_row is not None and not 0 <= profile.header_row <= 10_000:
        raise _wrong(profile, "the header row lies outside 0 to 10000.", "Count rows from 1; 0 for none.")


PULL_BENCH = Profile(
    name="pull bench",
    revision=1,
    kind="tester",
    decimal_style="comma",
    delimiter="semicolon",
    unit_row=True,
    lot="Lot",
    sample="Specimen",
    stream=("Nest",),
    time=TimeColumns(("Date", "Time"), "DD.MM.YYYY hh:mm:ss"),
    values=(ValueColumn("Peak force", "PULL", "N", pull=True),),
    mode=ModeColumn(
        column="Failure",
        words=(
            ("interfacial", "interfacial"),
            ("cohesive", "cohesive"),
            ("near-surface", "near-surface tear"),
            ("parent", "parent material"),
            ("mixed", "mixed"),
            ("slipped", "test fault"),
        ),
        interfacial="Interfacial share",
        cohesive="Cohesive share",
        tear="Tear share",
        parent="Parent share",
        displacement_mm="Travel at peak",
    ),
    ignore=("Force at break", "Remark"),
    stop_words=("Mean", "Smallest"),
)
"""Pull tester: semicolons, decimal comma, lines of text above the header, a row of units, totals below."""

TRANSMISSION_BENCH = Profile(
    name="transmission bench",
    revision=1,
    kind="transmission",
    subject="moulding lot",
    delimiter="tab",
    encoding="utf-16",
    decimal_style="point",
    unit_row=True,
    lot="Moulding lot",
    sample="Piece",
    stream=("Cavity",),
    time=TimeColumns(("Measured at",), "MM/DD/YYYY hh:mm:ss AM"),
    values=(ValueColumn("Transmission", "TRN", "%"),),
    conditions=(
        ConditionColumn("Wavelength", "wavelength_nm", "nm"),
        ConditionColumn("Wall", "thickness_mm", "mm"),
        ConditionColumn("Spot", "position"),
    ),
    ignore=("Done by",),
)
"""Transmission meter: tabs, UTF-16, decimal point, 12-hour clock with the month first."""

WELD_CELL = Profile(
    name="weld cell",
    revision=1,
    kind="machine",
    delimiter="comma",
    encoding="utf-8",
    decimal_style="point",
    header_row=1,
    lot="lot",
    serial="serial",
    stream=("nest",),
    time=TimeColumns(("welded_at",), "iso"),
    values=(
        ValueColumn("collapse_mm", "COL", "mm"),
        ValueColumn("path_time_s", "TTP", "s"),
        ValueColumn("energy_J", "ENERGY", "J"),
    ),
    ignore=("stopped_by",),
)
"""Welding machine: one row per welded part, commas, decimal point, ISO time with offset."""

BUILT_IN: tuple[Profile, ...] = (PULL_BENCH, TRANSMISSION_BENCH, WELD_CELL)


def fitting_profiles(path: Path, profiles: Sequence[Profile] = BUILT_IN) -> tuple[Profile, ...]:
    """The profiles whose columns are exactly those of the file: all taken ones are there, none is left over.

    Only headers are looked at, no value is. Raises UsageError where the file cannot be opened.
    """
    found = []
    for profile in profiles:
        try:
            with open_table(path, profile.layout) as table:
                if not profile.left_over(table):
                    found.append(profile)
        except FileRefused:
            continue
    return tuple(found)


def choose_profile(path: Path, profiles: Sequence[Profile] = BUILT_IN) -> Profile:
    """The one profile that fits; UsageError where none or several do."""
    fits = fitting_profiles(path, profiles)
    if len(fits) == 1:
        return fits[0]
    names = ", ".join(p.name for p in (fits or profiles))
    if fits:
        raise UsageError(f"Several profiles fit {path.name}: {names}.", "State which one.")
    raise UsageError(f"No profile fits the columns of {path.name}.", f"State a profile. Known: {names}.")
