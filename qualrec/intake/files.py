"""A whole file as readings: by rows (any profile) or by blocks of columns (machine files of any size).

Both give the same readings, problems and row numbers; `read_blocks` converts clean stretches of a file with a C parser.
The importer takes a file only if `problems` is empty after the last row.
"""

from __future__ import annotations

from array import array
from collections.abc import Hashable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import islice
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from qualrec.errors import FileRefused, Problem, UsageError
from qualrec.intake.numbers import Range, quote
from qualrec.intake.profiles import Profile
from qualrec.intake.readers import file_digest, open_table
from qualrec.intake.rows import FileRow, ParsedRow, Problems, RowParser, check_units, clock_of, strict_rows
from qualrec.intake.tables import Limits, Row, Table
from qualrec.values import FloatArray, IntArray

BLOCK_ROWS = 50_000


@dataclass(slots=True)
class Intake:
    """A file being read. `problems` and `notes` are complete after the last row.

    digest    SHA-256 of the file, hexadecimal
    notes     what was taken although it looked odd: numbers kept as text, a reading chosen by plausibility
    """

    name: str
    digest: str
    rows: Iterator[ParsedRow]
    problems: Problems
    notes: Problems


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """Rows of a machine file as columns of equal length; `values` has one array per value column of the profile."""

    row_numbers: IntArray
    lots: Sequence[str]
    streams: Sequence[str]
    serials: Sequence[str]
    samples: IntArray | None
    at_us: IntArray
    values: tuple[FloatArray, ...]

    def __len__(self) -> int:
        return len(self.row_numbers)

    def rows(self, profile: Profile) -> Iterator[ParsedRow]:
        """The same readings as `read_file` gives."""
        samples = [None] * len(self) if self.samples is None else self.samples.tolist()
        columns = [column.tolist() for column in self.values]
        for i, number in enumerate(self.row_numbers.tolist()):
            for wanted, column in zip(profile.values, columns, strict=True):
                yield ParsedRow(
                    number,
                    self.lots[i],
                    profile.subject,
                    wanted.characteristic,
                    samples[i],
                    self.streams[i],
                    self.serials[i],
                    int(self.at_us[i]),
                    column[i],
                    wanted.unit,
                    "",
                    0,
                    "",
                    None,
                    None,
                    (),
                )


@dataclass(slots=True)
class BlockIntake:
    """As `Intake`, by blocks."""

    name: str
    digest: str
    blocks: Iterator[Block]
    problems: Problems
    notes: Problems


def hashes(keys: Sequence[Hashable]) -> IntArray:
    return np.fromiter(map(hash, keys), dtype=np.int64, count=len(keys))


def _mixed_hash(place: IntArray, last: IntArray) -> IntArray:
    """One 64-bit hash of two numbers: the finishing steps of splitmix64 (Steele, Lea & Flood 2014) after each."""
    with np.errstate(over="ignore"):
        return _mix(_mix(place.view(np.uint64)) + last.view(np.uint64)).view(np.int64)


def _mix(x: NDArray[np.uint64]) -> NDArray[np.uint64]:
    x = (x ^ (x >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    x = (x ^ (x >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return x ^ (x >> np.uint64(31))


class _Repeats:
    """Keys that stand twice in a file, found after the last row. Keeps 8 bytes a row.

    Keys are compared by a 64-bit hash: two different keys out of 10^7 are taken for one with a probability of 3e-6,
    which refuses a good file and never lets a repeat pass.
    """

    def __init__(self) -> None:
        self._hashes = array("q")
        self._runs: list[tuple[int, int]] = []
        """Where a run of consecutive rows begins: place among the hashes, row of the file."""
        self._next_row = 0

    def add(self, key: tuple[str, str, str | int], row: int) -> None:
        lot, stream, last = key
        place = np.array([hash((lot, stream))], dtype=np.int64)
        number = np.array([last if isinstance(last, int) else hash(last)], dtype=np.int64)
        self._place(row)
        self._hashes.frombytes(_mixed_hash(place, number).tobytes())
        self._next_row = row + 1

    def add_block(self, block: Block) -> None:
        place = hashes(list(zip(block.lots, block.streams, strict=True)))
        last = block.samples if block.samples is not None else hashes(list(block.serials))
        breaks = np.flatnonzero(np.diff(block.row_numbers) != 1) + 1
        for at in [0, *breaks.tolist()] if len(block) else []:
            self._next_row = int(block.row_numbers[at - 1]) + 1 if at else self._next_row
            self._place(int(block.row_numbers[at]), at)
        self._hashes.frombytes(_mixed_hash(place, last).tobytes())
        self._next_row = int(block.row_numbers[-1]) + 1 if len(block) else self._next_row

    def _place(self, row: int, ahead: int = 0) -> None:
        if row != self._next_row or not self._runs:
            self._runs.append((len(self._hashes) + ahead, row))

    def report(self, name: str, problems: Problems) -> None:
        if not self._hashes:
            return
        hashes = np.frombuffer(self._hashes, dtype=np.int64)
        sorted_hashes = np.sort(hashes)
        if not (sorted_hashes[1:] == sorted_hashes[:-1]).any():
            return
        del sorted_hashes
        begin, first = np.array(self._runs, dtype=np.int64).T
        run = np.searchsorted(begin, np.arange(len(hashes)), side="right") - 1
        rows = first[run] + np.arange(len(hashes)) - begin[run]
        order = np.argsort(hashes, kind="stable")
        same = np.flatnonzero(hashes[order][1:] == hashes[order][:-1])
        pairs = sorted((int(rows[order[i + 1]]), int(rows[order[i]])) for i in same)
        for later, earlier in pairs:
            problems.add(
                Problem(f"Repeats row {earlier}: the same lot, stream and sample or serial.", name, later)
            )


def _expand(row: FileRow, profile: Profile) -> Iterator[ParsedRow]:
    for value in row.measured:
        pull = value.pull
        yield ParsedRow(
            row.number,
            row.lot,
            profile.subject,
            value.characteristic,
            row.sample,
            row.stream,
            row.serial,
            row.at_us,
            value.value,
            value.unit,
            value.text,
            value.decimals,
            row.mode if pull else "",
            row.shares if pull else None,
            row.displacement_mm if pull else None,
            row.conditions,
        )


class _Reading:
    """What both ways of reading share: problems, repeats, a file that changes meanwhile."""

    def __init__(
        self, path: Path, profile: Profile, plant_zone: str, plausible: Mapping[str, Range] | None
    ) -> None:
        self.path, self.profile = path, profile
        self.clock = clock_of(profile, plant_zone)
        self.plausible = plausible or {}
        self.problems, self.notes, self.repeats = Problems(), Problems(), _Repeats()
        self.digest = file_digest(path)
        self.before = self._state()

    def _state(self) -> tuple[int, int]:
        try:
            found = self.path.stat()
        except OSError:
            return (-1, -1)
        return found.st_size, found.st_mtime_ns

    def parser(self, table: Table) -> RowParser:
        check_units(self.profile, table, self.problems.add)
        if table.facts is not None and table.facts.guessed:
            self.notes.add(Problem("The encoding is not stated; taken as cp1252.", table.name))
        return RowParser(self.profile, table, self.clock, self.plausible, self.problems.add, self.notes.add)

    def refused(self, error: FileRefused) -> None:
        for problem in error.problems:
            self.problems.add(problem)

    def finish(self) -> None:
        self.repeats.report(self.path.name, self.problems)
        if self._state() != self.before:
            self.problems.add(Problem("The file was changed while it was read.", self.path.name))


def read_file(
    path: Path,
    profile: Profile,
    *,
    plant_zone: str = "",
    plausible: Mapping[str, Range] | None = None,
    limits: Limits | None = None,
) -> Intake:
    """Readings of a file, one by one, in file order.

    plant_zone  IANA zone of the plant, for profiles whose times are the plant's
    plausible   by characteristic code, in the profile's unit: chooses between two readings of a number where the
                profile states no decimal style

    Problems of the file are collected, never raised. Raises UsageError where the file cannot be opened or the zone
    is missing.
    """
    reading = _Reading(path, profile, plant_zone, plausible)

    def rows() -> Iterator[ParsedRow]:
        try:
            with open_table(path, profile.layout, limits) as table:
                parser = reading.parser(table)
                for row in strict_rows(parser, table.rows, reading.problems.add):
                    reading.repeats.add(row.key, row.number)
                    yield from _expand(row, profile)
        except FileRefused as error:
            reading.refused(error)
        reading.finish()

    return Intake(path.name, reading.digest, rows(), reading.problems, reading.notes)


def fits_blocks(profile: Profile) -> bool:
    """Whether every row of such a file has every value and nothing else that belongs to a reading."""
    return (
        profile.kind == "machine"
        and profile.mode is None
        and not profile.conditions
        and not any(v.optional for v in profile.values)
    )


def read_blocks(
    path: Path, profile: Profile, *, plant_zone: str = "", limits: Limits | None = None
) -> BlockIntake:
    """Readings of a machine file as blocks of columns. Same readings, problems and errors as `read_file`.

    Raises UsageError also for a profile that does not fit (see `fits_blocks`).
    """
    if not fits_blocks(profile):
        raise UsageError(
            f"Profile {quote(profile.name)} cannot be read by blocks.", "Read the file row by row."
        )
    reading = _Reading(path, profile, plant_zone, None)

    def blocks() -> Iterator[Block]:
        from qualrec.intake.fast import clean_blocks, plan_of

        try:
            with open_table(path, profile.layout, limits) as table:
                parser = reading.parser(table)
                plan = plan_of(profile, table, reading.clock)
                if plan is None:
                    found = _gathered(strict_rows(parser, table.rows, reading.problems.add), profile)
                else:
                    found = _mixed(
                        clean_blocks(path, plan, table, limits or Limits()), parser, reading.problems
                    )
                for block in found:
                    reading.repeats.add_block(block)
                    yield block
        except FileRefused as error:
            reading.refused(error)
        reading.finish()

    return BlockIntake(path.name, reading.digest, blocks(), reading.problems, reading.notes)


def _mixed(
    pieces: Iterator[Block | Iterator[Row | Problem]], parser: RowParser, problems: Problems
) -> Iterator[Block]:
    """Clean blocks as they are; the rows of the others by the strict parser."""
    for piece in pieces:
        if isinstance(piece, Block):
            yield piece
        else:
            yield from _gathered(strict_rows(parser, piece, problems.add), parser.profile)


def _gathered(rows: Iterator[FileRow], profile: Profile) -> Iterator[Block]:
    while taken := list(islice(rows, BLOCK_ROWS)):
        yield Block(
            np.array([r.number for r in taken], dtype=np.int64),
            [r.lot for r in taken],
            [r.stream for r in taken],
            [r.serial for r in taken],
            np.array([r.sample for r in taken], dtype=np.int64) if profile.sample else None,
            np.array([r.at_us for r in taken], dtype=np.int64),
            tuple(
                np.array([r.measured[i].value for r in taken], dtype=np.float64)
                for i in range(len(profile.values))
            ),
        )
