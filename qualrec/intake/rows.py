"""Readings out of a file by a profile: understood rows, or located problems. Nothing is guessed, nothing is left out.

Whether a file with problems is taken in part is not decided here: the importer takes all of it or nothing.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from qualrec.errors import FileRefused, Problem, QualrecError, UsageError
from qualrec.intake.moments import Clock, read_moment
from qualrec.intake.numbers import ParsedNumber, Range, parse_number, quote
from qualrec.intake.profiles import CONDITION_FIELDS, PLANT, Profile, ValueColumn
from qualrec.intake.tables import Cell, Row, Table, Typed, cell_text, plain_name
from qualrec.weld.failure_modes import FailureMode, Shares, check_shares
from qualrec.weld.units import convert, find_unit

KEPT_PROBLEMS = 200
ID_LENGTH = 60
STREAM_SIGN = "/"
"""Between the parts of a stream label, such as 2/1/A."""

_SPREADSHEET_NUMBER = re.compile(r"[0-9](?:[.,][0-9]+)?[eE]\+[0-9]{1,3}")
_SAMPLE = re.compile(r"0*[1-9][0-9]{0,8}(?:\.0)?")

Quad = tuple[float, float, float, float]
Conditions = tuple[tuple[str, float | str], ...]


@dataclass(frozen=True, slots=True)
class Measured:
    """One value of a file row. `value` is in `unit`, that of the profile; None only for a test fault.

    `text` and `decimals` as the file has them; "" and 0 in machine files, whose rows are found again by number.
    """

    column: str
    characteristic: str
    value: float | None
    unit: str
    text: str = ""
    decimals: int = 0
    pull: bool = False


@dataclass(frozen=True, slots=True)
class FileRow:
    """One row of the file, understood. `shares`: interfacial, cohesive, tear, parent in % of the joint area."""

    number: int
    lot: str
    stream: str
    serial: str
    sample: int | None
    at_us: int
    measured: tuple[Measured, ...]
    mode: str = ""
    shares: Quad | None = None
    displacement_mm: float | None = None
    conditions: Conditions = ()

    @property
    def key(self) -> tuple[str, str, str | int]:
        """What may stand once in a file: lot, stream and sample, or serial where samples are not numbered."""
        return (self.lot, self.stream, self.serial if self.sample is None else self.sample)


@dataclass(frozen=True, slots=True)
class ParsedRow:
    """One reading. `subject_kind` says what `lot` names: 'lot' or 'moulding lot'. Else as `FileRow`, `Measured`."""

    row_number: int
    lot: str
    subject_kind: str
    characteristic_code: str
    sample: int | None
    stream: str
    serial: str
    at_us: int
    value: float | None
    unit: str
    text: str
    decimals: int
    mode: str
    shares: Quad | None
    displacement_mm: float | None
    conditions: Conditions


@dataclass(slots=True)
class Problems:
    """All problems counted, the first 200 kept."""

    count: int = 0
    kept: list[Problem] = field(default_factory=list)

    def add(self, problem: Problem) -> None:
        self.count += 1
        if len(self.kept) < KEPT_PROBLEMS:
            self.kept.append(problem)

    def __bool__(self) -> bool:
        return self.count > 0

    def refused(self, name: str) -> FileRefused:
        """The error that refuses the whole file."""
        plural = "s" if self.count != 1 else ""
        more = f" The first {len(self.kept)} are listed." if self.count > len(self.kept) else ""
        return FileRefused(
            f"{name} has {self.count} problem{plural}; nothing of it was taken.{more}",
            tuple(self.kept),
            "Correct them at their source, export the file again and take it in again.",
        )


class RowParser:
    """Understands the rows of one table by one profile. `wrong` and `note` receive located problems and remarks."""

    def __init__(
        self,
        profile: Profile,
        table: Table,
        clock: Clock,
        plausible: Mapping[str, Range],
        wrong: Callable[[Problem], None],
        note: Callable[[Problem], None],
    ) -> None:
        self.profile, self.table, self.clock, self.plausible = profile, table, clock, plausible
        self.wrong, self.note = wrong, note
        self.places = {name: table.column(name) for name in profile.taken}
        mode = profile.mode
        self.words = {plain_name(word): m for word, m in mode.words} if mode else {}
        self._bad = False

    def parse(self, row: Row) -> FileRow | None:
        """The understood row, or None after its problems went to `wrong`."""
        self._bad = False
        profile = self.profile
        lot = self._identifier(row, profile.lot)
        serial = self._identifier(row, profile.serial) if profile.serial else ""
        stream = STREAM_SIGN.join(self._identifier(row, c) for c in profile.stream)
        sample = self._sample(row)
        at_us = self._moment(row)
        mode, shares, displacement = self._failure(row)
        measured = tuple(m for v in profile.values if (m := self._measured(row, v, mode)) is not None)
        conditions = self._conditions(row)
        if not measured and not self._bad:
            self._problem(row, "", "The row has no value.")
        if self._bad:
            return None
        return FileRow(
            row.number, lot, stream, serial, sample, at_us, measured, mode, shares, displacement, conditions
        )

    def _problem(self, row: Row, column: str, message: str) -> None:
        self._bad = True
        self.wrong(Problem(message, self.table.name, row.number, column))

    def _cell(self, row: Row, column: str) -> Cell:
        return row.cells[self.places[column]]

    def _understood(self, row: Row, column: str, read: Callable[[], float]) -> float:
        """What `read` gives; its refusal becomes a problem at the cell."""
        try:
            return read()
        except QualrecError as error:
            self._problem(row, column, f"{error.message} {error.remedy}".strip())
            return 0.0

    def _identifier(self, row: Row, column: str) -> str:
        cell = self._cell(row, column)
        text = cell_text(cell)
        if isinstance(cell, Typed):
            if cell.kind != "number":
                self._problem(row, column, f"The cell holds a {cell.kind}, not an identifier.")
            elif not self.profile.numeric_ids:
                self._problem(
                    row, column, f"{text} is kept as a number; leading zeros may be lost. Keep it as text."
                )
            elif not re.fullmatch("[0-9]{1,15}", text):
                self._problem(row, column, f"{text} is not a whole number of at most 15 digits.")
        elif not text:
            self._problem(row, column, "The cell is empty.")
        elif len(text) > ID_LENGTH or not text.isprintable() or '"' in text:
            self._problem(
                row, column, f"{quote(text)} is not an identifier of at most {ID_LENGTH} characters."
            )
        elif _SPREADSHEET_NUMBER.fullmatch(text):
            self._problem(
                row, column, f"{text} was turned into a number by a spreadsheet; the digits are lost."
            )
        elif not text.isascii() and self.table.facts is not None and self.table.facts.guessed:
            self._problem(
                row,
                column,
                f"{quote(text)} depends on the encoding. State the file's encoding in the profile.",
            )
        return text

    def _sample(self, row: Row) -> int | None:
        column = self.profile.sample
        if not column:
            return None
        cell = self._cell(row, column)
        text = cell_text(cell)
        good = isinstance(cell, str) or cell.kind == "number"
        if not good or not _SAMPLE.fullmatch(text) or (isinstance(cell, str) and "." in text):
            self._problem(row, column, f"{quote(text)} is not a sample number (1, 2, 3, ...).")
            return None
        return int(text.removesuffix(".0"))

    def _moment(self, row: Row) -> int:
        columns = self.profile.time.columns
        cells = [self._cell(row, c) for c in columns]
        if all(isinstance(c, Typed) for c in cells):
            return int(self._understood(row, columns[0], lambda: self._stored_moment(cells)))
        for column, cell in zip(columns, cells, strict=True):
            if isinstance(cell, Typed):
                self._problem(row, column, f"The cell holds a {cell.kind}, not a time as text.")
                return 0
        text = " ".join(map(cell_text, cells))
        return int(
            self._understood(
                row, columns[-1], lambda: read_moment(text, self.profile.time.pattern, self.clock)
            )
        )

    def _stored_moment(self, cells: Sequence[Cell]) -> int:
        """A moment that a workbook keeps as a date and time, in one cell or two."""
        found = [c for c in cells if isinstance(c, Typed)]
        kinds = [c.kind for c in found]
        text = found[0].text
        if kinds == ["time", "clock"] and text.endswith(" 00:00:00"):
            text = f"{text[:10]} {found[1].text}"
        elif kinds != ["time"]:
            raise UsageError(
                f"The cells hold {' and '.join(kinds)}, not a date and a time.", "Correct the cells."
            )
        return read_moment(text, "iso", self.clock)

    def _failure(self, row: Row) -> tuple[str, Quad | None, float | None]:
        column = self.profile.mode
        if column is None:
            return "", None, None
        word = cell_text(self._cell(row, column.column))
        mode = self.words.get(plain_name(word), "")
        if not mode:
            known = ", ".join(w for w, _ in column.words)
            self._problem(row, column.column, f"Failure mode {quote(word)} is not one of: {known}.")
            return "", None, None
        given = [self._optional(row, c, "%") for c in column.share_columns]
        displacement = self._optional(row, column.displacement_mm, "mm")
        shares: Quad | None = None
        if any(share is not None for share in given) and not self._bad:
            try:
                kept = check_shares(mode, Shares(*(share or 0.0 for share in given)))
            except UsageError as error:
                self._problem(row, column.column, f"{error.message} {error.remedy}")
                return mode, None, displacement
            shares = None if kept is None else kept.as_tuple()
        elif mode == FailureMode.MIXED and not self._bad:
            self._problem(row, column.column, "A mixed failure needs the share of each mode in %.")
        return mode, shares, displacement

    def _optional(self, row: Row, column: str, unit: str) -> float | None:
        if not column or not cell_text(self._cell(row, column)):
            return None
        return self._understood(row, column, lambda: self._number(row, column, None, unit).value)

    def _measured(self, row: Row, wanted: ValueColumn, mode: str) -> Measured | None:
        cell = self._cell(row, wanted.column)
        text = cell_text(cell)
        fault = wanted.pull and mode == FailureMode.TEST_FAULT
        if not text and not fault:
            if not wanted.optional:
                self._problem(row, wanted.column, "The cell is empty.")
            return None
        kept = "" if self.profile.kind == "machine" else text
        name = (wanted.column, wanted.characteristic)
        if not text:
            return Measured(*name, None, wanted.unit, pull=wanted.pull)
        try:
            plausible = None if wanted.per else self.plausible.get(wanted.characteristic)
            parsed = self._number(row, wanted.column, plausible, wanted.unit)
        except UsageError as error:
            self._problem(row, wanted.column, f"{error.message} {error.remedy}")
            return None
        if wanted.per:
            return self._quotient(row, wanted, parsed.value)
        decimals = 0 if self.profile.kind == "machine" else parsed.decimals
        value = None if fault else parsed.value
        return Measured(*name, value, wanted.unit, kept, decimals, wanted.pull)

    def _quotient(self, row: Row, wanted: ValueColumn, value: float) -> Measured | None:
        below = self._understood(row, wanted.per, lambda: self._number(row, wanted.per, None, "").value)
        if below == 0 and not self._bad:
            self._problem(row, wanted.per, f"It is 0; {wanted.characteristic} cannot be divided by it.")
        if self._bad:
            return None
        return Measured(wanted.column, wanted.characteristic, value / below, wanted.unit)

    def _number(self, row: Row, column: str, plausible: Range | None, unit: str) -> ParsedNumber:
        """The number of a cell; text in the file's style, stored numbers as they are."""
        cell = self._cell(row, column)
        if isinstance(cell, str):
            if self.profile.file_format != "delimited":
                self.note(Problem("The number is kept as text.", self.table.name, row.number, column))
            parsed = parse_number(cell.strip(), self.profile.style, plausible, strict=True)
            if parsed.note:
                self.note(Problem(parsed.note, self.table.name, row.number, column))
            return parsed
        percent = cell.kind == "percent"
        if cell.kind != "number" and not (percent and find_unit(unit).symbol == "%"):
            what = f"a {cell.kind}" + (f" where {unit} is expected" if percent else ", not a number")
            raise UsageError(f"The cell holds {what}.", "Keep the value itself in the cell.")
        return parse_number(cell.text, "point", strict=True)

    def _conditions(self, row: Row) -> Conditions:
        found: list[tuple[str, float | str]] = []
        for wanted in self.profile.conditions:
            text = cell_text(self._cell(row, wanted.column))
            if not text:
                continue
            target = CONDITION_FIELDS[wanted.condition]
            if target:
                number = self._understood(
                    row,
                    wanted.column,
                    lambda w=wanted, t=target: convert(  # type: ignore[misc]
                        self._number(row, w.column, None, w.unit).value, w.unit, t
                    ),
                )
                found.append((wanted.condition, number))
            elif len(text) > 40 or not text.isprintable():
                self._problem(row, wanted.column, f"{quote(text)} is longer than 40 characters.")
            else:
                found.append((wanted.condition, text))
        return tuple(found)


def clock_of(profile: Profile, plant_zone: str) -> Clock:
    """The clock of the profile's times; UsageError where they are the plant's and its zone is not given."""
    zone = plant_zone if profile.time.zone == PLANT else profile.time.zone
    if not zone:
        raise UsageError(
            f"Profile {quote(profile.name)} has times of the plant, and no plant is chosen.",
            "Choose a plant or state the zone in the profile.",
        )
    return Clock(zone, profile.time.repeated_hour)


def check_units(profile: Profile, table: Table, wrong: Callable[[Problem], None]) -> None:
    """The units that the file states must be those of the profile, and no column may be left over."""
    for name in profile.left_over(table):
        wrong(Problem("The column is neither taken nor ignored.", table.name, table.header_row, name))
    if not profile.unit_row:
        return
    stated = [(v.column, v.unit) for v in profile.values if not v.per]
    stated += [(c.column, c.unit) for c in profile.conditions]
    if profile.mode:
        stated += [(c, "%") for c in profile.mode.share_columns if c]
        stated += [(profile.mode.displacement_mm, "mm")] if profile.mode.displacement_mm else []
    for column, unit in stated:
        place = table.column(column)
        found = table.units[place].strip("[]() ") if place < len(table.units) else ""
        if not unit and not found:
            continue
        try:
            same = bool(unit) and find_unit(found).symbol == find_unit(unit).symbol
        except UsageError:
            same = False
        if not same:
            wanted = unit or "no unit"
            wrong(
                Problem(
                    f"The file states {quote(found)}, the profile {wanted}.",
                    table.name,
                    table.header_row + 1,
                    column,
                )
            )


def strict_rows(
    parser: RowParser, rows: Iterator[Row | Problem], wrong: Callable[[Problem], None]
) -> Iterator[FileRow]:
    """Understood rows; all problems go to `wrong`. Rows below the end of the data must not look like data."""
    name, ends = parser.table.name, parser.table.ends
    try:
        for row in rows:
            if isinstance(row, Problem):
                wrong(row)
            elif not row.after_end:
                if (found := parser.parse(row)) is not None:
                    yield found
            elif _looks_like_data(parser, row):
                wrong(
                    Problem(
                        f"Looks like a reading, but the data ended at row {ends.reached}.", name, row.number
                    )
                )
    except FileRefused as error:
        for problem in error.problems:
            wrong(problem)


def _looks_like_data(parser: RowParser, row: Row) -> bool:
    quiet = RowParser(
        parser.profile, parser.table, parser.clock, parser.plausible, lambda p: None, lambda p: None
    )
    return quiet.parse(row) is not None
