"""Clean stretches of a large machine file, converted column by column.

A stretch is clean if one expression of the bytes fits all of it: only plain numbers, ISO times and visible ASCII
identifiers, each of which the strict parser understands in the same way. Any other stretch goes to the strict parser.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from qualrec.errors import Problem
from qualrec.intake.cells import Cells, columns_of, moments, numbers, whole_numbers
from qualrec.intake.files import Block
from qualrec.intake.moments import ISO, Clock, hour_shift_us
from qualrec.intake.profiles import Profile, ValueColumn
from qualrec.intake.rows import ID_LENGTH, STREAM_SIGN
from qualrec.intake.tables import Limits, Row, Table, data_rows, plain_name
from qualrec.intake.textfiles import csv_records, text_lines
from qualrec.values import FloatArray, IntArray

PIECE_BYTES = 4 << 20
_IGNORED_LENGTH = 1000
_HOUR_US = 3_600_000_000
_ASCII_CODECS = ("utf-8", "utf-8-sig", "cp1252")


@dataclass(frozen=True, slots=True)
class Plan:
    """How clean stretches look, and which columns hold what."""

    profile: Profile
    clock: Clock
    table: Table
    row_pattern: re.Pattern[bytes]

    def place(self, column: str) -> int:
        return self.table.column(column)


def plan_of(profile: Profile, table: Table, clock: Clock) -> Plan | None:
    """The plan for a file, or None where it has to be read strictly from its first row."""
    facts, time = table.facts, profile.time
    simple = (
        profile.file_format == "delimited"
        and facts is not None
        and facts.encoding in _ASCII_CODECS
        and not facts.quotes
        and not facts.lone_returns
        and profile.style is not None
        and len(time.columns) == 1
        and time.pattern == ISO
        and all(re.fullmatch("[!-~]+", word) for word in profile.stop_words)
    )
    if not simple or len(table.header) * (_IGNORED_LENGTH + 1) > Limits().line_chars:
        return None
    return Plan(profile, clock, table, re.compile(_row_expression(profile, table)))


def _row_expression(profile: Profile, table: Table) -> bytes:
    delimiter = re.escape(table.delimiter)
    end = rf"(?:{delimiter}|\r?\n)"
    visible = "".join(re.escape(chr(c)) for c in range(0x21, 0x7F) if chr(c) not in (table.delimiter, '"'))
    sheet_number = rf"(?![0-9](?:[.,][0-9]++)?[eE]\+[0-9]{{1,3}}+{end})"
    point = re.escape("." if profile.style == "point" else ",")
    number = rf"-?[0-9]{{1,15}}+(?:{point}[0-9]{{1,20}}+)?"
    roles = {plain_name(name): number for v in profile.values for name in (v.column, v.per) if name}
    roles[plain_name(profile.time.columns[0])] = (
        "(?:19|20)[0-9][0-9]-(?:0[1-9]|1[0-2])-(?:0[1-9]|[12][0-9]|3[01])[T ](?:[01][0-9]|2[0-3]):[0-5][0-9]:[0-5][0-9]"
        r"(?:\.[0-9]{1,6}+)?(?:Z|[+-](?:0[0-9]|1[0-4]):[0-5][0-9])?"
    )
    roles[plain_name(profile.sample)] = "[1-9][0-9]{0,8}+"
    for column in (profile.lot, profile.serial, *profile.stream):
        roles[plain_name(column)] = rf"{sheet_number}[{visible}]{{1,{ID_LENGTH}}}+"
    high = "" if profile.stop_words else "\\x80-\\xff"
    ignored = rf"[ {visible}{high}]{{0,{_IGNORED_LENGTH}}}+"
    cells = [roles.get(plain_name(name), ignored) if name else ignored for name in table.header]
    words = "|".join(map(re.escape, profile.stop_words))
    not_end = rf"(?![ \t{delimiter}]*(?i:{words})[ \t]*{end})" if words else ""
    return rf"(?:{not_end}{delimiter.join(cells)}\r?\n)*+".encode("latin-1")


def clean_blocks(
    path: Path, plan: Plan, table: Table, limits: Limits
) -> Iterator[Block | Iterator[Row | Problem]]:
    """Blocks of clean stretches; rows of the others, to be parsed strictly. In file order, each once."""
    with path.open("rb") as handle:
        if table.facts is not None and table.facts.encoding == "utf-8-sig":
            handle.seek(3)
        for _ in range(table.first_row - 1):
            handle.readline()
        line, held = table.first_row, b""
        while True:
            piece = handle.read(PIECE_BYTES)
            held += piece
            if not piece and held and not held.endswith(b"\n"):
                held += b"\n"
            cut = held.rfind(b"\n") + 1
            if not cut and piece and len(held) < 2 * PIECE_BYTES:
                continue
            stretch, held = (held[:cut], held[cut:]) if cut else (held, b"")
            if not stretch:
                return
            yield _converted(plan, stretch, line) or _strict(plan, table, stretch, line, limits)
            line += stretch.count(b"\n")


def _strict(plan: Plan, table: Table, stretch: bytes, line: int, limits: Limits) -> Iterator[Row | Problem]:
    codec = "cp1252" if table.facts is not None and table.facts.encoding == "cp1252" else "utf-8"
    text = io.TextIOWrapper(io.BytesIO(stretch), encoding=codec, newline="")
    lines = text_lines(table.name, text, limits, line)
    records = csv_records(table.name, lines, table.delimiter, line)
    yield from data_rows(table.name, records, len(table.header), table.ends)


def _converted(plan: Plan, stretch: bytes, line: int) -> Block | None:
    """The block of a clean stretch, else None."""
    if plan.table.ends.reached or not plan.row_pattern.fullmatch(stretch):
        return None
    profile = plan.profile
    columns = columns_of(stretch, plan.table.delimiter, len(plan.table.header))

    def cells(column: str) -> Cells:
        return columns[plan.place(column)]

    at_us = _moments(cells(profile.time.columns[0]), plan.clock)
    if at_us is None:
        return None
    values = [_value(columns, plan, wanted) for wanted in profile.values]
    if any(column is None for column in values):
        return None
    count = len(at_us)
    parts = [cells(column).texts() for column in profile.stream]
    return Block(
        np.arange(line, line + count, dtype=np.int64),
        cells(profile.lot).texts(),
        [STREAM_SIGN.join(p) for p in zip(*parts, strict=True)] if parts else [""] * count,
        cells(profile.serial).texts() if profile.serial else [""] * count,
        whole_numbers(cells(profile.sample)) if profile.sample else None,
        at_us,
        tuple(column for column in values if column is not None),
    )


def _value(columns: list[Cells], plan: Plan, wanted: ValueColumn) -> FloatArray | None:
    """A value column, or a quotient; None where one is divided by 0."""
    sign = "." if plan.profile.style == "point" else ","
    value = numbers(columns[plan.place(wanted.column)], sign)
    if not wanted.per:
        return value
    below = numbers(columns[plan.place(wanted.per)], sign)
    return None if (below == 0).any() else value / below


def _moments(cells: Cells, clock: Clock) -> IntArray | None:
    """UTC microseconds of ISO times that have all no offset, all Z or all a numeric offset, in one form; else None."""
    found = moments(cells)
    if found is None:
        return None
    local, form = found
    if form == "Z":
        return local
    if form:
        ends = Cells(cells.data, cells.begin + cells.width - 6, np.full(len(cells), 6)).texts()
        shifts = {offset: _offset_us(offset) for offset in set(ends)}
        return local - np.array([shifts[offset] for offset in ends], dtype=np.int64)
    hours, which = np.unique(local // _HOUR_US, return_inverse=True)
    shifts_of = [
        hour_shift_us(datetime.fromtimestamp(hour * 3600, UTC).replace(tzinfo=None), clock.zone)
        for hour in hours.tolist()
    ]
    if any(shift is None for shift in shifts_of):
        return None
    return local - np.array(shifts_of, dtype=np.int64)[which]


def _offset_us(offset: str) -> int:
    sign = -1 if offset[0] == "-" else 1
    return sign * (int(offset[1:3]) * 60 + int(offset[4:6])) * 60_000_000
