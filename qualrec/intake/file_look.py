"""What a file looks like before there is a profile for it: format, encoding, delimiter, header, units, decimal sign.

Up to HEAD_LINES lines and the last ones are looked at. Nothing here is certain; `qualrec.intake.profile_draft` marks it so.
"""

from __future__ import annotations

import io
import itertools
import json
import re
from collections import Counter, deque
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from statistics import median

from qualrec.errors import FileRefused, UsageError
from qualrec.intake.numbers import Style, parse_number
from qualrec.intake.readers import opened
from qualrec.intake.tables import (
    DELIMITERS,
    Cell,
    FileFormat,
    Limits,
    TextFacts,
    Typed,
    cell_text,
    letter,
    plain_name,
    refuse,
)
from qualrec.intake.textfiles import csv_records, look_through, text_lines
from qualrec.weld.units import find_unit

HEAD_LINES = 400
LAST_LINES = 8
Record = tuple[int, list[Cell]]
_UNIT_BEHIND = re.compile(r"(?:[\[(](?P<marked>[^\])]+)[\])]|[_ ](?P<plain>[A-Za-zµ°%/²³·]+))\s*$")


@dataclass(frozen=True, slots=True)
class Column:
    """A column by its head. `unit_from`: where its unit stands, 'row of units' or 'head'; `cells` are the filled ones."""

    name: str
    unit: str
    unit_from: str
    cells: tuple[Cell, ...]
    rows: int

    @property
    def texts(self) -> tuple[str, ...]:
        return tuple(map(cell_text, self.cells))

    @property
    def full(self) -> bool:
        return len(self.cells) == self.rows

    def numeric(self, style: str) -> bool:
        """Whether every filled cell is a number in a decimal style; 'auto': in either."""
        return bool(self.cells) and all(_is_number(c, style) for c in self.cells)


@dataclass(frozen=True, slots=True)
class Look:
    """What was found. `delimiter` is 'auto' where several fit; `style` 'auto' where the numbers do not tell it."""

    file: str
    file_format: FileFormat
    facts: TextFacts | None
    delimiter: str
    header_row: int
    lead_rows: int
    unit_row: bool
    columns: tuple[Column, ...]
    stop_words: tuple[str, ...]
    style: str
    style_why: str

    def named(self, *names: str) -> tuple[Column, ...]:
        """The columns of these names."""
        return tuple(c for c in self.columns if plain_name(c.name) in map(plain_name, names))


def look_at(path: Path, sheet: str = "") -> Look:
    """Look at a file; of a workbook at the sheet named, or its only one.

    Raises UsageError where it cannot be opened, FileRefused where there is no table in it.
    """
    name = path.name
    with opened(path) as handle:
        start = handle.read(8)
        handle.seek(0)
        if not start:
            refuse(name, "The file is empty.", "Export it again.")
        if start.startswith(b"\xd0\xcf\x11\xe0"):
            refuse(name, "This is an old or a locked workbook.", "Save it as .xlsx without a password.")
        if start.startswith(b"PK\x03\x04"):
            from qualrec.intake.workbooks import workbook_records

            with workbook_records(name, handle, sheet, Limits()) as found:
                head = [(n, list(cells)) for n, cells in itertools.islice(found, HEAD_LINES)]
                last = list(deque(([*cells] for _, cells in found), LAST_LINES))
            return _framed(name, "workbook", None, "", head, last)
        facts = look_through(name, handle, "auto")
        handle.seek(0)
        text = io.TextIOWrapper(handle, encoding=facts.encoding, newline="")
        try:
            lines = text_lines(name, text, Limits())
            top = list(itertools.islice(lines, HEAD_LINES))
            end = list(deque(lines, LAST_LINES))
        finally:
            text.detach()
    if next((line for line in top if line.strip()), "").lstrip().startswith("{"):
        return _json_look(name, facts, top)
    delimiter, clear = _delimiter(name, top)
    sign = DELIMITERS[delimiter]
    head = [(n, [*cells]) for n, cells in csv_records(name, top, sign, strict=False)]
    last = [[*cells] for _, cells in csv_records(name, end, sign, strict=False)]
    return _framed(name, "delimited", facts, delimiter if clear else "auto", head, last)


def _delimiter(name: str, top: Sequence[str]) -> tuple[str, bool]:
    """The delimiter that gives most rows one width, and whether no other gives as many."""
    scored = []
    for called, sign in DELIMITERS.items():
        try:
            widths = Counter(len(cells) for _, cells in csv_records(name, top, sign, strict=False))
        except FileRefused:
            continue
        usual = max(((count, width) for width, count in widths.items() if width > 1), default=None)
        if usual is not None:
            scored.append((*usual, called))
    if not scored:
        refuse(name, "No columns were found.", f"Files are divided by {', '.join(DELIMITERS)}.")
    scored.sort(reverse=True)
    return scored[0][2], len(scored) == 1 or scored[0][0] > scored[1][0]


def _json_look(name: str, facts: TextFacts, top: Sequence[str]) -> Look:
    rows: list[dict[str, Cell]] = []
    for number, line in enumerate(top, 1):
        try:
            found = json.loads(line, parse_float=str, parse_int=str) if line.strip() else None
        except ValueError:
            refuse(
                name, "The line is not a JSON object (RFC 8259).", "Give one JSON object per line.", number
            )
        if isinstance(found, dict):
            rows.append({key: "" if value is None else str(value) for key, value in found.items()})
    header = list(rows[0]) if rows else []
    cells = [[row.get(key, "") for key in header] for row in rows]
    return _look(name, "json lines", facts, "", (1, 0), header, None, cells, ())


def _framed(
    name: str,
    file_format: FileFormat,
    facts: TextFacts | None,
    delimiter: str,
    head: list[Record],
    last: list[list[Cell]],
) -> Look:
    """Header, units and data of records."""
    widths = Counter(_width(cells) if file_format == "workbook" else len(cells) for _, cells in head)
    width = max(((count, w) for w, count in widths.items() if w > 1), default=(0, 0))[1]
    at = next((i for i, (_, cells) in enumerate(head) if _is_header(cells, width, head[i + 1 :])), None)
    if at is None:
        first = next((i for i, (_, cells) in enumerate(head) if _width(cells) > 1), None)
        if first is None or not any(_is_number(c, "auto") for _, cells in head for c in cells):
            refuse(name, "No table with numbers was found.", "Give a file with some rows of data.")
        header = [letter(i) for i in range(len(head[first][1]))]
        place, rest = (0, head[first][0] - 1), head[first:]
    else:
        header = [cell_text(c) for c in head[at][1]]
        place, rest = (head[at][0], 0), head[at + 1 :]
    while header and not header[-1]:
        header.pop()
    units = None
    if at is not None and rest and _are_units(rest[0][1]):
        units = [cell_text(c) for c in rest[0][1]]
        rest = rest[1:]
    rows = [cells for _, cells in rest if any(map(cell_text, cells))]
    rows += [cells for cells in last if any(map(cell_text, cells))]
    rows, stops = _ended(rows)
    cells = [(row + [""] * len(header))[: len(header)] for row in rows]
    return _look(name, file_format, facts, delimiter, place, header, units, cells, stops)


def _look(
    name: str,
    file_format: FileFormat,
    facts: TextFacts | None,
    delimiter: str,
    place: tuple[int, int],
    header: Sequence[str],
    units: Sequence[str] | None,
    rows: Sequence[Sequence[Cell]],
    stops: tuple[str, ...],
) -> Look:
    if not rows:
        refuse(name, "There are no rows below the header.", "Give a file with some data.")
    columns = tuple(
        Column(
            head,
            *_unit_of(head, "" if units is None or i >= len(units) else units[i]),
            tuple(row[i] for row in rows if cell_text(row[i])),
            len(rows),
        )
        for i, head in enumerate(header)
        if head
    )
    style, why = _style(columns)
    return Look(name, file_format, facts, delimiter, *place, units is not None, columns, stops, style, why)


def _width(cells: Sequence[Cell]) -> int:
    return max((i for i, c in enumerate(cells, 1) if cell_text(c)), default=0)


def _is_header(cells: Sequence[Cell], width: int, below: Sequence[Record]) -> bool:
    """Words in most cells, none twice, and numbers below."""
    texts = [t for t in map(cell_text, cells) if t]
    return (
        _width(cells) > 1
        and len(cells) >= width
        and 2 * len(texts) >= width
        and len({*map(plain_name, texts)}) == len(texts)
        and all(isinstance(c, str) and not _is_number(c, "auto") for c in cells if cell_text(c))
        and any(_is_number(c, "auto") for _, row in below[:5] for c in row)
    )


def _is_number(cell: Cell, style: str) -> bool:
    if isinstance(cell, Typed):
        return cell.kind in ("number", "percent")
    styles: tuple[Style, ...] = ("point", "comma")
    for known in styles:
        if style in (known, "auto"):
            try:
                parse_number(cell.strip(), known, strict=True)
            except UsageError:
                continue
            return True
    return False


def _are_units(cells: Sequence[Cell]) -> bool:
    texts = [t for t in map(cell_text, cells) if t]
    return bool(texts) and all(_known_unit(t.strip("[]() ")) for t in texts)


def _known_unit(text: str) -> bool:
    if not text or _is_number(text, "auto"):
        return False
    try:
        find_unit(text)
    except UsageError:
        return False
    return True


def _unit_of(head: str, below: str) -> tuple[str, str]:
    """Unit and where it stands: in the row of units, or at the end of the head."""
    if below:
        return below.strip("[]() "), "row of units"
    found = _UNIT_BEHIND.search(head)
    text = (found["marked"] or found["plain"] or "").strip() if found else ""
    return (text, "head") if _known_unit(text) else ("", "")


def _ended(rows: list[list[Cell]]) -> tuple[list[list[Cell]], tuple[str, ...]]:
    """The rows without totals at their end, and the words that those begin with."""
    usual = median(sum(bool(cell_text(c)) for c in row) for row in rows) if rows else 0
    stops: list[str] = []
    while len(rows) > 1 and len(stops) < LAST_LINES:
        texts = [t for t in map(cell_text, rows[-1]) if t]
        if 2 * len(texts) > usual or re.search(r"[0-9]", texts[0]):
            break
        stops.insert(0, texts[0])
        rows = rows[:-1]
    return rows, tuple(dict.fromkeys(stops))


def _style(columns: Sequence[Column]) -> tuple[str, str]:
    """The decimal style that the numbers tell, and why."""
    seen = Counter[str]()
    for text in _number_texts(columns):
        point, comma = _is_number(text, "point"), _is_number(text, "comma")
        seen["point"] += point and not comma
        seen["comma"] += comma and not point
    typed = any(isinstance(c, Typed) and c.kind == "number" for column in columns for c in column.cells)
    if (seen["point"] or typed) and seen["comma"]:
        return "auto", "numbers of both styles were seen"
    if seen["comma"]:
        return "comma", f"{seen['comma']} numbers with a decimal comma, none with a point"
    if seen["point"]:
        return "point", f"{seen['point']} numbers with a decimal point, none with a comma"
    if typed:
        return "point", "the workbook keeps numbers as numbers"
    return "auto", "no number tells its decimal sign"


def _number_texts(columns: Sequence[Column]) -> Iterator[str]:
    for column in columns:
        if column.numeric("auto"):
            yield from (c for c in column.cells if isinstance(c, str))
