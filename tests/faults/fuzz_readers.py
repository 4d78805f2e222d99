"""Damaged files against an independent reading of them: correct values or located problems, never a traceback.

    python tests/faults/fuzz_readers.py --n 10000 [--seed 1] [--form pull]

Every damaged file is read by the product and by plain_parser.py. If the product accepts, both must agree on every
value and row number; if it refuses a text file, the plain parser must find a fault too. Prints the seed of each failure.
"""

from __future__ import annotations

import argparse
import io
import json
import random
import re
import sys
import tempfile
import zipfile
from dataclasses import replace
from pathlib import Path

import openpyxl
from plain_parser import (
    CODES,
    MODES,
    PULL_COLUMNS,
    SHEET,
    WELD_COLUMNS,
    ZONE,
    Fault,
    plain_book,
    plain_lines,
    plain_pull,
    plain_weld,
)

from qualrec.intake.files import read_blocks, read_file
from qualrec.intake.profiles import PULL_BENCH, WELD_CELL

LINES_PROFILE = replace(WELD_CELL, name="weld lines", file_format="json lines", header_row=None)
BOOK_PROFILE = replace(WELD_CELL, name="weld book", file_format="workbook", header_row=None)


# ---- whole files, undamaged


def pull_file(rng):
    lines = ["Pull bench record;invented sample data", "Bench;PB-2", "", ";".join(PULL_COLUMNS)]
    lines.append(";;;;;N;N;mm;;%;%;%;%;")
    for k in range(rng.randint(1, 8)):
        mode = rng.choice(list(MODES))
        force = f"{rng.uniform(80, 2000):,.1f}".replace(",", "x").replace(".", ",").replace("x", ".")
        shares = "20;50;30;0" if mode == "mixed" else ";;;"
        lines.append(
            f"0047-{k // 5:03d};{k + 1};{rng.choice('AB')};14.05.2026;06:{k:02d}:10;{force};1,0;2,{k}1;{mode};{shares};"
        )
    lines += ["Mean;;;;;659,0;;;;;;;;", "Smallest;;;;;88,2;;;;;;;;"]
    return "\n".join([*lines, ""]).encode(rng.choice(["utf-8", "utf-8-sig", "utf-16", "cp1252"]))


def weld_rows(rng):
    offset = rng.choice(["", "Z", "+02:00"])
    return [
        [
            f"0047-{k // 10:03d}",
            f"{k:06d}",
            rng.choice("AB"),
            f"2026-05-14T06:{k // 60:02d}:{k % 60:02d}.{k % 10}{offset}",
            f"0.{rng.randint(200, 350)}",
            f"{rng.uniform(1, 4):.2f}",
            f"{rng.uniform(100, 200):.1f}",
            "path",
        ]
        for k in range(rng.randint(1, 30))
    ]


def weld_file(rng):
    return "\n".join([",".join(row) for row in [WELD_COLUMNS, *weld_rows(rng)]] + [""]).encode()


def typed(row):
    return [float(c) if name in CODES else c for name, c in zip(WELD_COLUMNS, row, strict=True)]


def lines_file(rng):
    rows = [json.dumps(dict(zip(WELD_COLUMNS, typed(row), strict=True))) for row in weld_rows(rng)]
    return "\n".join([*rows, ""]).encode()


def book_file(rng):
    book = openpyxl.Workbook()
    book.active.append(WELD_COLUMNS)
    for row in weld_rows(rng)[:6]:
        book.active.append(typed(row))
    content = io.BytesIO()
    book.save(content)
    return shared_texts(content.getvalue()) if rng.random() < 0.5 else content.getvalue()


def shared_texts(content):
    """The same workbook with its texts in a table of texts, as spreadsheet programs write it."""
    texts, changed = [], io.BytesIO()

    def moved(match):
        texts.append(match[2])
        return f'<c r="{match[1]}" t="s"><v>{len(texts) - 1}</v></c>'

    kind = "application/vnd.openxmlformats-officedocument.spreadsheetml.sharedStrings+xml"
    with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(changed, "w") as new:
        parts = {name: old.read(name).decode() for name in old.namelist()}
        sheet = parts["xl/worksheets/sheet1.xml"]
        inline = r'<c r="([A-Z0-9]+)" t="inlineStr"><is><t>([^<]*)</t></is></c>'
        parts["xl/worksheets/sheet1.xml"] = re.sub(inline, moved, sheet)
        items = "".join(f"<si><t>{text}</t></si>" for text in texts)
        parts["xl/sharedStrings.xml"] = f'<sst xmlns="{SHEET.strip("{}")}">{items}</sst>'
        override = f'<Override PartName="/xl/sharedStrings.xml" ContentType="{kind}"/></Types>'
        types = parts["[Content_Types].xml"]
        if kind not in types:
            parts["[Content_Types].xml"] = types.replace("</Types>", override)
        for name, text in parts.items():
            new.writestr(name, text)
    return changed.getvalue()


# ---- damage

TOKENS = [
    b";", b",", b".", b"\t", b'"', b"'", b"\n", b"\r", b"\r\n", b"\x00", b"\xff", b"\xef\xbb\xbf", b"-", b"+",
    b"e", b" ", b"\xc2\xa0", b"=1+1", b"nan", b"inf", b"1e5", b"1.234", b"1,234", b"1.23E+11", b"\xe2\x88\x92",
    b"Mean", b"%", b"N", b"0", b"9", b"{", b"}", b"[", b"null", b"true", b":", b"\\", b"29.03.2026", b"02:30:00",
]  # fmt: skip


def damage(rng, content):
    data = bytearray(content)
    for _ in range(rng.choice([0, 1, 1, 1, 2, 3])):
        if not data:
            break
        at = rng.randrange(len(data))
        kind = rng.randrange(9)
        if kind == 0:
            data[at] = rng.randrange(256)
        elif kind == 1:
            del data[at : at + rng.choice([1, 1, 2, 5, 40])]
        elif kind in (2, 3):
            data[at:at] = rng.choice(TOKENS)
        elif kind == 4:
            data[at : at + 1] = rng.choice(TOKENS)
        elif kind == 5:
            del data[at:]
        else:
            data = bytearray(damage_lines(rng, bytes(data), kind))
    return bytes(data)


def damage_lines(rng, data, kind):
    lines = data.split(b"\n")
    one, two = rng.randrange(len(lines)), rng.randrange(len(lines))
    if kind == 6:
        lines.insert(one, lines[two])
    elif kind == 7:
        lines[one], lines[two] = lines[two], lines[one]
    else:
        for sign in (b";", b","):
            cells = lines[one].split(sign)
            if len(cells) > 3:
                a, b = rng.randrange(len(cells)), rng.randrange(len(cells))
                cells[a], cells[b] = cells[b], cells[a]
                lines[one] = sign.join(cells)
                break
    return b"\n".join(lines)


def damage_book(rng, content):
    if rng.random() < 0.3:
        return damage(rng, content)
    changed = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as old, zipfile.ZipFile(changed, "w") as new:
        for part in old.namelist():
            data = old.read(part)
            if part in ("xl/worksheets/sheet1.xml", "xl/sharedStrings.xml") and rng.random() < 0.6:
                data = damage(rng, data)
            new.writestr(part, data)
    return changed.getvalue()


# ---- the comparison

FORMS = {
    "pull": (pull_file, damage, plain_pull, PULL_BENCH, ".csv"),
    "weld": (weld_file, damage, plain_weld, WELD_CELL, ".csv"),
    "lines": (lines_file, damage, plain_lines, LINES_PROFILE, ".jsonl"),
    "book": (book_file, damage_book, plain_book, BOOK_PROFILE, ".xlsx"),
}


def as_plain(rows):
    return [
        (
            r.row_number,
            r.lot,
            r.stream,
            r.serial if r.sample is None else r.sample,
            r.at_us,
            r.characteristic_code,
            r.value,
            r.mode,
        )
        for r in rows
    ]


def fuzz_one(form, seed, folder):
    """None, or what went wrong with the file of this seed."""
    make, hurt, plain, profile, ending = FORMS[form]
    rng = random.Random(f"{form} {seed}")
    data = hurt(rng, make(rng))
    path = Path(folder) / f"file{ending}"
    path.write_bytes(data)
    intake = read_file(path, profile, plant_zone=ZONE)
    rows = as_plain(intake.rows)
    try:
        expected = plain(data)
    except Fault:
        expected = None
    if not all(p.message and p.file for p in intake.problems.kept):
        return f"{form} {seed}: a problem without words or file", False
    if not intake.problems and expected is not None and rows != expected:
        return f"{form} {seed}: wrong values {rows} for {expected}", False
    if not intake.problems and expected is None and form != "book":
        return f"{form} {seed}: taken, but the plain parser finds a fault", False
    if intake.problems and expected is not None and form != "book":
        return f"{form} {seed}: refused ({intake.problems.kept[0]}), but nothing is wrong", False
    if form == "weld":
        blocks = read_blocks(path, profile, plant_zone=ZONE)
        quick = as_plain(r for b in blocks.blocks for r in b.rows(profile))
        if quick != rows or blocks.problems != intake.problems:
            return f"{form} {seed}: blocks differ from rows", False
    return None, not intake.problems and expected is not None


def fuzz(form, count, first, folder):
    """Failures, and how many files were taken with the values of the plain parser."""
    failures, taken = [], 0
    for seed in range(first, first + count):
        try:
            failure, good = fuzz_one(form, seed, folder)
        except Exception as error:  # any error that reaches here is the finding
            failure, good = f"{form} {seed}: {type(error).__name__}: {error}", False
        taken += good
        if failure:
            failures.append(failure)
    return failures, taken


def main():
    parser = argparse.ArgumentParser(description="Damaged files against a plain parser.")
    parser.add_argument("--n", type=int, default=10_000)
    parser.add_argument("--seed", type=int, default=1_000_000)
    parser.add_argument("--form", choices=list(FORMS))
    options = parser.parse_args()
    bad = 0
    with tempfile.TemporaryDirectory() as folder:
        for form in [options.form] if options.form else FORMS:
            failures, taken = fuzz(form, options.n, options.seed, folder)
            print(f"{form}: {options.n} files, {taken} taken, {len(failures)} failures")
            print("\n".join(failures[:20]))
            bad += len(failures)
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
