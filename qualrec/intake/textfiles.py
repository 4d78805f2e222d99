"""Text files: looked through once, then read as delimited records (RFC 4180) or JSON lines (RFC 8259)."""

from __future__ import annotations

import codecs
import csv
import itertools
import json
import re
from collections.abc import Iterable, Iterator
from typing import IO, Any, NoReturn

from qualrec.errors import FileRefused, Problem
from qualrec.intake.numbers import quote
from qualrec.intake.tables import (
    DELIMITERS,
    ENCODINGS,
    HEAD_ROWS,
    Cell,
    Ends,
    Layout,
    Limits,
    Row,
    Table,
    TextFacts,
    Typed,
    find_header,
    framed,
    plain_name,
    refuse,
)

_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f]")
_BOMS = ((codecs.BOM_UTF8, "utf-8-sig"), (codecs.BOM_UTF16_LE, "utf-16"), (codecs.BOM_UTF16_BE, "utf-16"))


class _Undecodable(Exception):
    def __init__(self, row: int) -> None:
        super().__init__(row)
        self.row = row


def look_through(name: str, handle: IO[bytes], encoding: str) -> TextFacts:
    """Reads the whole text once: the encoding that fits all of it, control characters, quotes.

    A byte order mark wins over `encoding`. 'auto' without a mark is UTF-8, else cp1252. UTF-16 without a mark is
    taken only where `encoding` says so, as little-endian. Raises FileRefused with the row of the first fault.
    """
    start = handle.read(4)
    handle.seek(0)
    if start.startswith(codecs.BOM_UTF32_LE):
        refuse(name, "The file is in UTF-32.", "Export it as UTF-8.")
    marked = next((codec for mark, codec in _BOMS if start.startswith(mark)), "")
    codec = marked or {"utf-16": "utf-16-le", "auto": "utf-8"}.get(encoding) or ENCODINGS[encoding]
    try:
        return _look(name, handle, codec, False)
    except _Undecodable as error:
        if encoding != "auto" or marked:
            _not_text(name, codec, error.row)
    handle.seek(0)
    try:
        return _look(name, handle, "cp1252", True)
    except _Undecodable as error:
        _not_text(name, "UTF-8 or cp1252", error.row)


def _not_text(name: str, codec: str, row: int) -> NoReturn:
    shown = {"utf-8": "UTF-8", "utf-8-sig": "UTF-8", "utf-16-le": "UTF-16", "utf-16": "UTF-16"}.get(
        codec, codec
    )
    refuse(name, f"A character is not {shown} text.", "State the file's encoding in the profile.", row)


def _look(name: str, handle: IO[bytes], codec: str, guessed: bool) -> TextFacts:
    decoder = codecs.getincrementaldecoder(codec)()
    row, quotes, lone, held = 1, False, False, ""
    while True:
        piece = handle.read(1 << 20)
        try:
            text = held + decoder.decode(piece, final=not piece)
        except UnicodeDecodeError as error:
            good = error.object[: error.start].decode(codec, errors="ignore")
            raise _Undecodable(row + _ends_in(held + good)) from None
        held = "\r" if piece and text.endswith("\r") else ""
        text = text[: len(text) - len(held)]
        if found := _CONTROL.search(text):
            row += _ends_in(text[: found.start()])
            refuse(
                name,
                f"Holds a control character (U+{ord(found[0]):04X}).",
                "The file is damaged, is not text, or is UTF-16 without a mark. Export it again.",
                row,
            )
        quotes = quotes or '"' in text
        lone = lone or text.count("\r") != text.count("\r\n")
        row += _ends_in(text)
        if not piece:
            return TextFacts(codec, guessed, quotes, lone)


def _ends_in(text: str) -> int:
    """Line ends of all three kinds: \\n, \\r\\n and \\r."""
    return text.count("\n") + text.count("\r") - text.count("\r\n")


def text_lines(name: str, text: IO[str], limits: Limits, first: int = 1) -> Iterator[str]:
    """Lines with their ends. Raises FileRefused at a line that is too long."""
    for number in itertools.count(first):
        line = text.readline(limits.line_chars + 1)
        if not line:
            return
        if len(line) > limits.line_chars:
            refuse(
                name, f"The line has more than {limits.line_chars:,} characters.", "Export it again.", number
            )
        yield line


def csv_records(
    name: str, lines: Iterable[str], delimiter: str, first: int = 1, strict: bool = True
) -> Iterator[tuple[int, list[str]]]:
    """Records of RFC 4180 with the row each begins at. Raises FileRefused where quotes do not close."""
    reader = csv.reader(lines, delimiter=delimiter, strict=strict)
    start = first
    while True:
        try:
            cells = next(reader, None)
        except csv.Error as error:
            refuse(name, f"Quotes do not match ({error}).", "Export the file again.", start)
        if cells is None:
            return
        yield start, cells
        start = first + reader.line_num


def delimited_table(name: str, lines: Iterator[str], layout: Layout, limits: Limits) -> Table:
    head = list(itertools.islice(lines, HEAD_ROWS))
    delimiter = DELIMITERS.get(layout.delimiter, "")
    if not delimiter:
        delimiter = _find_delimiter(name, head, layout)
    records = csv_records(name, itertools.chain(head, lines), delimiter)
    table = framed(name, records, layout, limits)
    table.delimiter = delimiter
    return table


def _find_delimiter(name: str, head: list[str], layout: Layout) -> str:
    """The delimiter under which the header holds all wanted names."""
    fits, best = [], (-1, ";")
    for delimiter in DELIMITERS.values():
        try:
            records = list(csv_records(name, head, delimiter, strict=False))
        except FileRefused:
            continue
        if find_header(records, layout) is not None:
            fits.append(delimiter)
        names = {plain_name(c) for _, cells in records for c in cells}
        best = max(best, (sum(plain_name(w) in names for w in layout.wanted), delimiter))
    if len(fits) > 1:
        refuse(name, "The header can be read with several delimiters.", "State the delimiter in the profile.")
    return fits[0] if fits else best[1]


class _RepeatedKey(ValueError):
    pass


def _json_pairs(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) != len(pairs):
        raise _RepeatedKey
    return found


def _json_constant(text: str) -> NoReturn:
    raise ValueError(text)


def _json_cell(value: Any) -> Cell:
    if isinstance(value, (str, Typed)):
        return value
    if value is None:
        return ""
    return Typed("logic", str(value).lower()) if isinstance(value, bool) else Typed("nested", "...")


def _json_record(name: str, number: int, line: str) -> dict[str, Any] | Problem:
    def number_cell(text: str) -> Typed:
        return Typed("number", text)

    try:
        found = json.loads(
            line,
            object_pairs_hook=_json_pairs,
            parse_float=number_cell,
            parse_int=number_cell,
            parse_constant=_json_constant,
        )
    except _RepeatedKey:
        return Problem("A key stands twice in the object.", name, number)
    except (ValueError, RecursionError):
        return Problem("The line is not a JSON object (RFC 8259).", name, number)
    return found if isinstance(found, dict) else Problem("The line is not a JSON object.", name, number)


def _json_rows(
    name: str, lines: Iterable[tuple[int, str]], header: tuple[str, ...]
) -> Iterator[Row | Problem]:
    known = set(header)
    for number, line in lines:
        if not line.strip():
            continue
        found = _json_record(name, number, line)
        if isinstance(found, Problem):
            yield found
        elif unknown := found.keys() - known:
            yield Problem("The first line has no such key.", name, number, quote(min(unknown)))
        elif missing := known - found.keys():
            yield Problem("The key is missing.", name, number, min(missing))
        else:
            yield Row(number, [_json_cell(found[key]) for key in header])


def json_table(name: str, lines: Iterator[str], layout: Layout) -> Table:
    """Column names are the keys of the first line; every line has these keys."""
    numbered = ((n, line) for n, line in enumerate(lines, 1))
    first = next(((n, line) for n, line in numbered if line.strip()), (1, ""))
    record = _json_record(name, *first)
    if isinstance(record, Problem):
        raise FileRefused(str(record), (record,), "Give one JSON object per line.")
    header = tuple(record)
    names = {plain_name(h) for h in header}
    for wanted in layout.wanted:
        if plain_name(wanted) not in names:
            refuse(name, "There is no such key.", "Choose another profile.", first[0], wanted)
    if len(names) != len(header):
        refuse(name, "Two keys differ only in case or blanks.", "Rename one of them.", first[0])
    rows = _json_rows(name, itertools.chain([first], numbered), header)
    return Table(name, header, first[0], (), rows, first[0], Ends((), False))
