"""A plain parser of the pull bench and weld cell forms (sample_data/FORMATS.md), the latter also as JSON lines and as a
workbook. It shares no code with the product.

Slow and simple: whole files in memory, decimal.Decimal for numbers, ElementTree for sheets. Any doubt is a `Fault`.
"""

from __future__ import annotations

import io
import json
import re
import unicodedata
import xml.etree.ElementTree as ElementTree
import zipfile
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

ZONE = "Europe/Vienna"
MODES = {
    "interfacial": "interfacial",
    "cohesive": "cohesive",
    "near-surface": "near-surface tear",
    "parent": "parent material",
    "mixed": "mixed",
    "slipped": "test fault",
}
PULL_COLUMNS = [
    "Lot",
    "Specimen",
    "Nest",
    "Date",
    "Time",
    "Peak force",
    "Force at break",
    "Travel at peak",
    "Failure",
]
PULL_COLUMNS += ["Interfacial share", "Cohesive share", "Tear share", "Parent share", "Remark"]
WELD_COLUMNS = ["lot", "serial", "nest", "welded_at", "collapse_mm", "path_time_s", "energy_J", "stopped_by"]
CODES = {"collapse_mm": "COL", "path_time_s": "TTP", "energy_J": "ENERGY"}


class Fault(Exception):
    """The plain parser found a fault."""


def need(condition):
    if not condition:
        raise Fault


def decoded(data, declared):
    """Text and whether its encoding is a guess."""
    need(data)
    need(not data.startswith(b"\xff\xfe\x00\x00"))
    marks = ((b"\xef\xbb\xbf", "utf-8-sig"), (b"\xff\xfe", "utf-16"), (b"\xfe\xff", "utf-16"))
    mark = next((codec for start, codec in marks if data.startswith(start)), None)
    for codec in [mark] if mark else [declared] if declared else ["utf-8", "cp1252"]:
        try:
            text = data.decode(codec)
        except UnicodeDecodeError:
            continue
        need(not any((c < " " and c not in "\t\r\n") or c == "\x7f" for c in text))
        return text, codec == "cp1252"
    raise Fault


def split_records(text, sign):
    """Records of RFC 4180 with the row each starts at; a quote opens a field only at its beginning."""
    text = text.replace("\r\n", "\n").replace("\r", "\n")
    need(all(len(line) < 65_000 for line in text.split("\n")))
    row, at, records = 1, 0, []
    while at < len(text):
        start, cells = row, []
        while True:
            cell, at, row = one_cell(text, at, row, sign)
            cells.append(cell)
            if at >= len(text) or text[at] == "\n":
                break
            at += 1
        at, row = at + 1, row + 1
        records.append((start, cells))
    return records


def one_cell(text, at, row, sign):
    if not text.startswith('"', at):
        end = at
        while end < len(text) and text[end] not in (sign, "\n"):
            end += 1
        return text[at:end], end, row
    found, at = "", at + 1
    while True:
        need(at < len(text))
        if text[at] != '"':
            row += text[at] == "\n"
            found, at = found + text[at], at + 1
        elif text.startswith('""', at):
            found, at = found + '"', at + 2
        else:
            at += 1
            need(at >= len(text) or text[at] in (sign, "\n"))
            return found, at, row


def name_of(text):
    return " ".join(unicodedata.normalize("NFC", text).split()).casefold()


def table(records, columns, units, only_first):
    """Data rows as dictionaries, and the rows below the end of the data."""
    wanted = {name_of(c) for c in columns if c not in ("Remark", "Force at break", "stopped_by")}
    heads = [
        i
        for i, (n, cells) in enumerate(records[:60])
        if wanted <= set(map(name_of, cells)) and (n == 1 or not only_first)
    ]
    need(heads)
    header = [name_of(c) for c in records[heads[0]][1]]
    while not header[-1]:
        header.pop()
    need(all(header.count(w) == 1 for w in wanted))
    need(set(header) - {""} <= {name_of(c) for c in columns})
    rest = records[heads[0] + 1 :]
    if units:
        stated = [c.strip().strip("[]() ").casefold() for c in (rest[0][1] if rest else [])]
        for name, unit in units.items():
            place = header.index(name_of(name))
            need(place < len(stated) and stated[place] in (unit.casefold(), *ALIASES.get(unit, ())))
        rest = rest[1:]
    need(rest)
    return sort_rows(rest, header, ("mean", "smallest") if units else ())


ALIASES = {"%": ("percent", "pct"), "N": ("newton",), "mm": ()}


def sort_rows(records, header, ends):
    rows, below, ended = [], [], False
    for number, cells in records:
        filled = [c.strip() for c in cells]
        first = next((c for c in filled if c), "")
        if first and name_of(first) in ends:
            ended = True
            continue
        while len(filled) > len(header) and not filled[-1]:
            filled.pop()
        if not any(filled):
            continue
        need(ended or len(filled) == len(header))
        if len(filled) == len(header):
            (below if ended else rows).append((number, dict(zip(header, filled, strict=True))))
    return rows, below


BLANKS = " \u00a0\u2007\u2009\u202f'\u2019"


def number(text, decimal):
    need(0 < len(text) <= 64)
    need(all(c in BLANKS or unicodedata.category(c)[0] not in "CZ" for c in text))
    sign = -1 if text[0] in "-\u2212" else 1
    body = text[1:] if text[0] in "+-\u2212" else text
    mantissa, mark, power = body.replace("E", "e").partition("e")
    need(not mark or re.fullmatch("[+-]?[0-9]{1,3}", power))
    whole, point, part = mantissa.partition(decimal)
    need(not point or re.fullmatch("[0-9]+", part))
    groups = [g for g in ("," if decimal == "." else ".") + BLANKS if g in whole]
    if groups:
        pieces = whole.split(groups[0])
        need(not mark and re.fullmatch("[1-9][0-9]{0,2}", pieces[0]))
        need(all(re.fullmatch("[0-9]{3}", p) for p in pieces[1:]))
        whole = "".join(pieces)
    need(re.fullmatch("[0-9]+", whole) or (point and not whole))
    need(len(whole.lstrip("0")) <= 15)
    exact = Decimal(f"{whole or 0}.{part or 0}e{power or 0}") * sign
    value = float(exact)
    need(abs(value) != float("inf") and (value or not exact))
    return value


def identifier(text, guessed=False):
    need(0 < len(text) <= 60 and text.isprintable() and '"' not in text)
    need(not re.fullmatch(r"[0-9]([.,][0-9]+)?[eE]\+[0-9]{1,3}", text))
    need(text.isascii() or not guessed)
    return text


def micros(moment):
    return (moment - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)


def from_local(local):
    first, second = (local.replace(tzinfo=ZoneInfo(ZONE), fold=fold) for fold in (0, 1))
    need(first.utcoffset() == second.utcoffset())
    return micros(first.astimezone(UTC))


def moment(form, text):
    match = re.fullmatch(form, text)
    need(match)
    parts = match.groupdict()
    try:
        local = datetime(*(int(parts[p] or 0) for p in ("Y", "M", "D", "h", "m", "s")))
    except ValueError as error:
        raise Fault from error
    local += timedelta(microseconds=int((parts["f"] or "0").ljust(6, "0")))
    offset = parts.get("z")
    if not offset:
        return from_local(local)
    if offset == "Z":
        return micros(local.replace(tzinfo=UTC))
    hours, minutes = int(offset[1:3]), int(offset[4:])
    need(hours <= 14 and minutes <= 59)
    away = timedelta(hours=hours, minutes=minutes) * (-1 if offset[0] == "-" else 1)
    return micros(local.replace(tzinfo=UTC)) - away // timedelta(microseconds=1)


DAY_FIRST = (
    r"(?P<D>[0-9]{1,2})\.(?P<M>[0-9]{1,2})\.(?P<Y>[0-9]{4}) +"
    r"(?P<h>[0-9]{1,2}):(?P<m>[0-9]{2}):(?P<s>[0-9]{2})([.,](?P<f>[0-9]{1,6}))?"
)
ISO = (
    r"(?P<Y>[0-9]{4})-(?P<M>[0-9]{2})-(?P<D>[0-9]{2})[T ](?P<h>[0-9]{2}):(?P<m>[0-9]{2})"
    r"(:(?P<s>[0-9]{2})([.,](?P<f>[0-9]{1,6}))?)?(?P<z>Z|[+-][0-9]{2}:[0-9]{2})?"
)


def unique(rows, key):
    keys = [key(row) for row in rows]
    need(len(set(keys)) == len(keys))


def pull_row(number_, cells, guessed):
    mode = next((m for word, m in MODES.items() if word == name_of(cells["failure"])), None)
    need(mode)
    sample = cells["specimen"]
    need(re.fullmatch("0*[1-9][0-9]{0,8}", sample))
    force = cells["peak force"]
    need(force or mode == "test fault")
    value = number(force, ",") if force else None
    if cells["travel at peak"]:
        number(cells["travel at peak"], ",")
    names = ("interfacial share", "cohesive share", "tear share", "parent share")
    given = [number(cells[n], ",") if cells[n] else None for n in names]
    shares = [g or 0.0 for g in given]
    if any(g is not None for g in given):
        need(mode != "test fault" and all(0 <= s <= 100 for s in shares) and abs(sum(shares) - 100) <= 1e-6)
        pure = ("interfacial", "cohesive", "near-surface tear", "parent material")
        need(sum(s > 0 for s in shares) > 1 if mode == "mixed" else shares[pure.index(mode)] == 100.0)
    need(mode != "mixed" or any(shares))
    at = moment(DAY_FIRST, f"{cells['date']} {cells['time']}".strip())
    lot, nest = identifier(cells["lot"], guessed), identifier(cells["nest"], guessed)
    return (number_, lot, nest, int(sample), at, "PULL", None if mode == "test fault" else value, mode)


def plain_pull(data):
    text, guessed = decoded(data, None)
    units = {"Peak force": "N", "Travel at peak": "mm"} | dict.fromkeys(PULL_COLUMNS[9:13], "%")
    rows, below = table(split_records(text, ";"), PULL_COLUMNS, units, only_first=False)
    found = [pull_row(n, cells, guessed) for n, cells in rows]
    for n, cells in below:
        try:
            pull_row(n, cells, guessed)
        except Fault:
            continue
        raise Fault
    unique(found, lambda row: row[1:4])
    return found


def weld_row(number_, cells):
    at = moment(ISO, cells["welded_at"])
    key = (identifier(cells["lot"]), identifier(cells["nest"]), identifier(cells["serial"]))
    return [(number_, *key, at, code, number(cells[name_of(c)], "."), "") for c, code in CODES.items()]


def plain_weld(data):
    text, _ = decoded(data, "utf-8")
    rows, _ = table(split_records(text, ","), WELD_COLUMNS, {}, only_first=True)
    found = [weld_row(n, cells) for n, cells in rows]
    unique(found, lambda row: row[0][1:4])
    return [one for row in found for one in row]


def pairs_once(pairs):
    need(len(dict(pairs)) == len(pairs))
    return dict(pairs)


def plain_lines(data):
    text, _ = decoded(data, "utf-8")
    found, keys = [], None
    for n, line in enumerate(text.replace("\r\n", "\n").replace("\r", "\n").split("\n"), 1):
        if not line.strip():
            continue
        try:
            one = json.loads(line, object_pairs_hook=pairs_once, parse_float=Decimal, parse_int=Decimal)
        except ValueError as error:
            raise Fault from error
        need(isinstance(one, dict))
        keys = keys or list(one)
        need(set(keys) == set(one))
        names = {name_of(k): v for k, v in one.items()}
        need(len(names) == len(one) and {name_of(c) for c in WELD_COLUMNS[:-1]} <= names.keys())
        need(names.keys() <= {*map(name_of, WELD_COLUMNS), ""})
        for name in map(name_of, WELD_COLUMNS[:-1]):
            value = names[name]
            need(
                isinstance(value, str)
                or (isinstance(value, Decimal) and value.is_finite() and name in map(name_of, CODES))
            )
            names[name] = value.strip() if isinstance(value, str) else str(value)
        for name in map(name_of, CODES):
            number(names[name], ".")
        found.append(weld_row(n, names))
    need(found)
    unique(found, lambda row: row[0][1:4])
    return [one for row in found for one in row]


SHEET = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"


def plain_book(data):
    """Regular sheets only: cells in order, default style, texts and numbers."""
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as book:
            sheet = ElementTree.fromstring(book.read("xl/worksheets/sheet1.xml"))
            named = "xl/sharedStrings.xml" in book.namelist()
            shared = ElementTree.fromstring(book.read("xl/sharedStrings.xml") if named else "<sst/>")
    except Exception as error:
        raise Fault from error
    texts = ["".join(t.text or "" for t in item.iter(f"{SHEET}t")) for item in shared.iter(f"{SHEET}si")]
    rows = []
    for n, row in enumerate(sheet.iter(f"{SHEET}row"), 1):
        need(row.get("r") == str(n))
        cells = []
        for place, cell in enumerate(row.iter(f"{SHEET}c")):
            need(cell.get("r") == f"{'ABCDEFGHIJ'[place]}{n}" and cell.get("s", "0") == "0")
            need(len(cell) == 1 and not (cell.text or "").strip())
            value = cell.findtext(f"{SHEET}v") or ""
            kind = cell.get("t", "n")
            if kind == "inlineStr":
                need([part.tag for part in cell[0]] == [f"{SHEET}t"])
                cells.append(cell[0][0].text or "")
            elif kind == "s":
                need(re.fullmatch("[0-9]+", value) and int(value) < len(texts))
                cells.append(texts[int(value)])
            else:
                need(kind == "n")
                cells.append(Decimal(repr(number(value, "."))))
        rows.append((n, cells))
    need(len(rows) > 1 and all(isinstance(c, str) for c in rows[0][1]))
    found = []
    for n, cells in rows[1:]:
        need(len(cells) == len(rows[0][1]))
        names = dict(zip(map(name_of, rows[0][1]), cells, strict=True))
        need({name_of(c) for c in WELD_COLUMNS} <= names.keys())
        need(all(isinstance(names.get(name_of(c)), Decimal) == (c in CODES) for c in WELD_COLUMNS[:-1]))
        found.append(weld_row(n, {k: str(v).strip() for k, v in names.items()}))
    return [one for row in found for one in row]
