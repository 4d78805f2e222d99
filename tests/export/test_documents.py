"""Documents as PDF files and workbooks: every text is there, wrapped, printed right, and never acts. Read from the files alone.

The PDF files are read by a small reader written here after ISO 32000-1 (objects, filters, ToUnicode maps), apart from the
library that writes them.
"""

from __future__ import annotations

import base64
import re
import zlib
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from openpyxl import load_workbook

from qualrec.export.book import lines_of
from qualrec.export.certificate import Certificate, Leave, Result, Signed, certificate_document
from qualrec.export.document import Column, Day, Document, Facts, Figure, Grid, Notes, Page, Signs, When
from qualrec.export.document_book import MOST_LINES, cut, write_book
from qualrec.export.document_words import DOCUMENT_WORDS
from qualrec.export.label import (
    HEIGHT_MM,
    LEAST_BAR_MM,
    UNDECIDED,
    USABLE,
    Label,
    barcode_of,
    label_lines,
    write_label,
)
from qualrec.export.messages import Words
from qualrec.export.pdf import write_pdf
from qualrec.export.problem import DISCIPLINES, discipline
from qualrec.records.models.lots import LOT_STATES
from qualrec.values import Plant

START_US = 1_772_433_000_000_000  # 2026-03-02 06:30 UTC
PLANT = Plant(1, "P1", "Größte Werke & Söhne", "Europe/Berlin", "comma", False, True)
ACTIVE = (
    b"/URI",
    b"/JavaScript",
    b"/JS",
    b"/Launch",
    b"/OpenAction",
    b"/AA ",
    b"/Annots",
    b"/AcroForm",
    b"/EmbeddedFile",
)
ACTING = (
    '=HYPERLINK("http://example.org","x")',
    "+49",
    "@SUM(A1)",
    '<a href="http://example.org">x</a>',
    "<b>&amp;",
    "%s",
)
EM = "Übergröße µm² ± 0,5 ≤ 3 – Łódź"


class Pdf:
    """Texts of a PDF file, page by page."""

    def __init__(self, path: Path) -> None:
        self.data = path.read_bytes()
        table = self.data[int(self.data.rsplit(b"startxref", 1)[1].split()[0]) :]
        places = [int(m[1]) for m in re.finditer(rb"(\d{10}) \d{5} n", table)]
        ends = [*sorted(places)[1:], len(self.data)]
        self.objects: dict[int, bytes] = {}
        for begin, end in zip(sorted(places), ends, strict=True):
            number, body = re.match(rb"(\d+) 0 obj\s*(.*)", self.data[begin:end], re.S).groups()
            self.objects[int(number)] = body
        self.fonts = {}
        for body in self.objects.values():
            name, code = re.search(rb"/Name /(\S+)", body), re.search(rb"/ToUnicode (\d+)", body)
            if name and code:
                self.fonts[name[1]] = self._map(self.stream(int(code[1])))
        trees = [body for body in self.objects.values() if b"/Type /Pages" in body]
        order = [int(n) for n in re.findall(rb"(\d+) 0 R", re.search(rb"/Kids \[(.*?)\]", trees[0], re.S)[1])]
        self.contents = [self.stream(int(re.search(rb"/Contents (\d+)", self.objects[n])[1])) for n in order]
        self.pages = [self._text(content) for content in self.contents]

    def stream(self, number: int) -> bytes:
        """The decoded stream of an object; empty for an object that is none."""
        head, mark, rest = self.objects[number].partition(b"stream\n")
        if not mark:
            return b""
        raw = rest[: int(re.search(rb"/Length (\d+)", head)[1])]
        if b"/ASCII85Decode" in head:
            raw = base64.a85decode(raw.strip().removesuffix(b"~>"))
        return zlib.decompress(raw) if b"/FlateDecode" in head else raw

    def everything(self) -> bytes:
        """The file and all its streams decoded."""
        return self.data + b"".join(self.stream(number) for number in self.objects)

    @staticmethod
    def _map(table: bytes) -> dict[int, str]:
        pairs = re.findall(rb"<([0-9A-F]{2})> <([0-9A-F]{4})>", table)
        return {int(a, 16): chr(int(b, 16)) for a, b in pairs}

    def _text(self, content: bytes) -> str:
        said, font = "", b""
        for m in re.finditer(rb"/(\S+) [\d.]+ Tf|\(((?:\\.|[^\\)])*)\) Tj|(T\*|\bET\b)", content, re.S):
            if m[1] is not None:
                font = m[1]
            elif m[2] is not None:
                raw = re.sub(rb"\\(\d{3}|.)", self._escape, m[2], flags=re.S)
                said += "".join(self.fonts[font][code] for code in raw)
            else:
                said += "\n"
        return said

    @staticmethod
    def _escape(m: re.Match[bytes]) -> bytes:
        return (
            bytes([int(m[1], 8)])
            if len(m[1]) == 3
            else {b"n": b"\n", b"r": b"\r", b"t": b"\t"}.get(m[1], m[1])
        )

    @property
    def text(self) -> str:
        return "\n".join(self.pages)

    @property
    def words(self) -> str:
        """All text in one line, as it is read across the lines."""
        return " ".join(self.text.split())


def document(*blocks: Any, widths: tuple[float, ...] = (20, 40, 20), **more: Any) -> Document:
    given: dict[str, Any] = {
        "plant": PLANT, "language": "en", "title": "Title", "subject": "Subject", "marks": ("INVENTED DATA",), "notes": (),
        "pages": (Page("Sheet", widths, blocks),), "made_us": START_US, "program_version": "0.1.0", "head_seq": 7,
        "head_digest": "ab" * 32,
    }  # fmt: skip
    return Document(**{**given, **more})


def grid(rows: tuple[tuple[Any, ...], ...], heading: str = "Grid") -> Grid:
    return Grid(
        heading, (Column("Code", strong=True), Column("Words"), Column("Value", number=True)), rows, "nothing"
    )


@pytest.fixture
def pdf(tmp_path: Path) -> Callable[[Document], Pdf]:
    def make(of: Document) -> Pdf:
        write_pdf(of, tmp_path / "document.pdf")
        return Pdf(tmp_path / "document.pdf")

    return make


def test_texts_print_as_they_are(pdf: Callable[[Document], Pdf]) -> None:
    """Umlauts, µ, ² and ≤ are in the embedded font; a sign that it lacks stands as its code; the Greek mu looks like µ."""
    made = pdf(document(grid(((EM, "0,5 \u03bcm", Figure(1.25, 2)), ("中", "a\x1b[31mb\u202ec", None)))))
    for piece in (
        "Übergröße",
        "µm²",
        "±",
        "≤",
        "–",
        "0,5 µm",
        "1.25",
        "<U+4E2D>",
        "a[31mbc",
        "Größte Werke & Söhne",
    ):
        assert piece in made.words, piece
    assert "\u202e" not in made.text
    embedded = sum(b"/FontFile2" in body for body in made.objects.values())
    assert embedded == len({name.split(b"+")[0] for name in made.fonts})


def test_nothing_in_a_pdf_acts(pdf: Callable[[Document], Pdf]) -> None:
    rows = tuple((text, text, Figure(1.0)) for text in ACTING)
    made = pdf(
        document(
            Facts("Facts", tuple((text, text) for text in ACTING)),
            grid(rows),
            Notes("", ACTING),
            subject=ACTING[0],
        )
    )
    assert not [mark for mark in ACTIVE if mark in made.everything()]
    for text in ACTING:
        assert made.text.replace("\n", "").replace(" ", "").count(text.replace(" ", "")) >= 4, text


def test_long_texts_go_on_and_every_page_says_what_it_is(pdf: Callable[[Document], Pdf]) -> None:
    words = [f"w{n}" for n in range(3000)]
    made = pdf(
        document(
            grid((("A", " ".join(words), Figure(2.0)), ("x" * 900, "end", None))),
            marks=("DRAFT", "INVENTED DATA"),
        )
    )
    assert len(made.pages) > 3
    for number, page in enumerate(made.pages, 1):
        assert "DRAFT · INVENTED DATA" in page
        assert f"Page {number} of {len(made.pages)}" in page
        assert "entry 7: abababababababab" in page
    printed = re.findall(r"\bw\d+\b", made.text)
    assert printed == words
    assert made.text.count("x") >= 900


def test_a_document_without_rows_says_so(pdf: Callable[[Document], Pdf], tmp_path: Path) -> None:
    empty = document(grid(()), Facts("", (("left out", None), ("kept", 0))), Signs("Signs", ("Name, date",)))
    assert "nothing" in pdf(empty).words
    assert "left out" not in pdf(empty).words
    write_book(empty, tmp_path / "book.xlsx")
    cells = [c.value for row in load_workbook(tmp_path / "book.xlsx").active.iter_rows() for c in row]
    assert {"nothing", "kept", 0, "Name, date"} <= set(cells)


def test_a_workbook_holds_numbers_dates_and_quoted_texts(tmp_path: Path) -> None:
    rows = tuple((text, "long " * 2000, Figure(0.1 + at, 1)) for at, text in enumerate(ACTING))
    due = Day(START_US + 59_399_999_999)  # 2026-03-02 23:59:59.999999 in the zone
    first = Page(
        "First", (20, 40, 20), (Facts("", (("When", When(START_US)), ("How many", 12), ("Due", due))),)
    )
    second = Page(
        "a/b:c" * 20,
        (20, 40, 20),
        (grid(((ACTING[0], "b", Figure(0.1 + 0.2)),), heading=""),),
        heading="Rows",
    )
    write_book(
        document(pages=(first, Page("Grid", (20, 40, 20), (grid(rows), Notes("", ("x",)))), second)),
        tmp_path / "b.xlsx",
    )
    book = load_workbook(tmp_path / "b.xlsx")
    assert [len(name) <= 31 for name in book.sheetnames] == [True] * 3
    cells = [c for sheet in book for row in sheet.iter_rows() for c in row if c.value is not None]
    assert not [c for c in cells if c.data_type == "f"]
    found = {c.value: c for c in cells}
    for text in ACTING:
        assert found[text].data_type == "s"
        assert found[text].quotePrefix == text.startswith(("=", "+", "@"))
    assert found[12].data_type == "n"
    assert any(c.is_date and c.value.isoformat(" ", "minutes") == "2026-03-02 07:30" for c in cells)
    assert any(c.is_date and c.value.isoformat(" ", "minutes") == "2026-03-02 00:00" for c in cells)
    assert any(c.value == 0.1 + 0.2 for c in cells)
    assert max(d.height or 0 for sheet in book for d in sheet.row_dimensions.values()) <= 409
    assert sum(str(c.value).count("long") for c in cells) == 2000 * len(ACTING)
    assert [next(iter(sheet.tables.values())).ref for sheet in book if sheet.tables] == ["A2:C3"]


@given(st.text(alphabet="ab \n", max_size=6000), st.floats(8, 80))
@settings(max_examples=40)
def test_cutting_loses_nothing(text: str, width: float) -> None:
    pieces = cut(text, width)
    assert "".join(map(str, pieces)) == text
    assert all(lines_of(str(piece), width) <= MOST_LINES + 1 for piece in pieces)


def certificate(build: dict[str, Callable[..., Any]], **more: Any) -> Certificate:
    pack = build["pack"]((), language="en")
    lot = replace(pack.lots[0], number='=cmd|"A', remark="")
    given: dict[str, Any] = {
        "plant": PLANT, "language": "en", "lot": lot, "covers": 480, "gone": 0, "shipped": 0, "stands": (),
        "results": (
            Result(
                "PULL", "Pull force", "N", "significant", "S", 1, 5, 612.34, 20.0, 590.0, 640.1, 350.0, None, "pass", 1, 0, 0
            ),
            Result("LEAK", "Leak", "", "standard", "", 0, 0, None, None, None, None, None, None, "unknown", 0, 0, 0),
        ),
        "modes": {"PULL": {"cohesive": 1, "parent material": 4}},
        "concessions": (Leave("C-7", 100, 20, None, "as agreed"),),
        "signatures": (Signed("released", "Ada Example", START_US, "all shown", "cd" * 32, True),),
        "flags": (1, 2, 0), "flags_open": 0, "readings": 5, "readings_digest": "ef" * 32, "readings_rule": "one line each",
        "made_us": START_US, "program_version": "0.1.0", "rules_version": "1", "trail_seq": 9, "trail_digest": "ab" * 32,
    }  # fmt: skip
    return Certificate(**{**given, **more})


@pytest.mark.parametrize("language", ["en", "de"])
def test_a_certificate_says_what_it_must(
    build: dict[str, Callable[..., Any]], pdf: Callable[[Document], Pdf], language: str
) -> None:
    words = Words(language)
    made = pdf(
        certificate_document(certificate(build, language=language, plant=replace(PLANT, single_user=True)))
    )
    close = made.text.replace("\n", "").replace(" ", "")
    wanted = [
        words("cert.title"), "Größte Werke & Söhne", "FM-2040", "00-2040", '=cmd|"A', "RC-2040", "480", "C-7",
        "Ada Example", words.word("pass"), words.word("parent material"), words("cover.invented"), words("cover.single"),
        "612,34" if language == "de" else "612.34", "80,0" if language == "de" else "80.0", "qualrec 0.1.0", "ab" * 32,
        "cd" * 32, "ef" * 32, words("cover.supplier"),
    ]  # fmt: skip
    assert [text for text in wanted if text.replace(" ", "") not in close] == []
    assert words("doc.draft") not in made.text
    assert words("cert.uncovered") not in made.text


def test_a_signature_that_no_longer_covers_is_marked(
    build: dict[str, Callable[..., Any]], pdf: Callable[[Document], Pdf]
) -> None:
    signed = Signed("released", "Ada Example", START_US, "all shown", "cd" * 32, False)
    made = pdf(certificate_document(certificate(build, signatures=(signed,))))
    assert all(Words()("cert.uncovered") in page for page in made.pages)


def test_a_draft_is_marked_on_every_page_and_sheet(
    build: dict[str, Callable[..., Any]], pdf: Callable[[Document], Pdf], tmp_path: Path
) -> None:
    draft = certificate_document(
        certificate(build, stands=("Lot is open.", "2 samples missing. " * 400), covers=0)
    )
    made = pdf(draft)
    assert len(made.pages) > 1
    assert all("DRAFT - NOT RELEASED" in page for page in made.pages)
    write_book(draft, tmp_path / "draft.xlsx")
    sheet = load_workbook(tmp_path / "draft.xlsx").active
    assert "DRAFT - NOT RELEASED" in sheet.oddHeader.center.text
    assert "DRAFT - NOT RELEASED" in [row[0].value for row in sheet.iter_rows()]


def label(**more: Any) -> Label:
    given: dict[str, Any] = {
        "plant": PLANT, "language": "en", "lot": "FM00061", "state": "on hold", "part": "FM-2040", "part_name": "Housing",
        "quantity": 480, "since_us": START_US, "by": "Ada Example", "why": "interfacial failure", "printed_us": START_US,
        "printed_by": "Ben Example",
    }  # fmt: skip
    return Label(**{**given, **more})


@pytest.mark.parametrize("state", LOT_STATES)
@pytest.mark.parametrize("language", ["en", "de"])
def test_a_label_tells_its_state_in_words_and_in_form(state: str, language: str, tmp_path: Path) -> None:
    """The state is a word in large letters; what may not be used differs in form, not only in words."""
    made = label(state=state, language=language)
    write_label(made, tmp_path / "label.pdf")
    read = Pdf(tmp_path / "label.pdf")
    words = Words(language)
    lines = label_lines(made)
    said = " ".join(" ".join(line[1:-1] for line in lines).split())
    for text in (words.word(state).upper(), "FM00061", "Ada Example", words("cover.invented")):
        assert text in read.words
        assert text in said
    assert len(read.pages) == 1
    edge = "-" if state in USABLE else "=" if state in UNDECIDED else "#"
    assert set(lines[0]) == {edge}
    assert len({len(line) for line in lines}) == 1
    assert (words("label.do_not_use") in read.words) == (state not in USABLE and state not in UNDECIDED)
    assert (words("label.do_not_ship") in read.words) == (state in UNDECIDED)


@pytest.mark.parametrize(
    ("number", "fits"),
    [
        ("FM00061", True),
        ("Ä-1", False),
        ("0123456789" * 6, True),
        ("A1b2" * 15, False),
        ('=HYPERLINK("x")', True),
        ("中" * 60, False),
    ],
    ids=["short", "umlaut", "digits", "long", "formula", "beyond the font"],
)
def test_a_label_takes_any_lot_number(number: str, fits: bool, tmp_path: Path) -> None:
    """Code 128 where it fits with its quiet zones and holds the signs, else QR; nothing lies outside the label.

    Two digits take one sign of Code 128 (ISO/IEC 15417), so 60 digits fit.
    """
    long = {"part_name": "Name " * 40, "by": "Name " * 40, "printed_by": "Name " * 40, "why": f"{EM} " * 60}
    write_label(label(lot=number, **long), tmp_path / "label.pdf")
    read = Pdf(tmp_path / "label.pdf")
    assert not [mark for mark in ACTIVE if mark in read.everything()]
    heights = [float(y) for y in re.findall(rb"1 0 0 1 [\d.]+ ([\d.-]+) Tm", read.contents[0])]
    assert heights
    assert all(0 < y < HEIGHT_MM * 72 / 25.4 for y in heights)
    room = 92 * 72 / 25.4
    bars = barcode_of(number, room)
    assert (bars is not None) == fits
    if bars is not None:
        assert bars.value == number
        assert bars.width <= room + 1e-9
        assert bars.barWidth >= LEAST_BAR_MM * 72 / 25.4
        assert bars.lquiet >= 10 * bars.barWidth - 1e-9


def test_every_heading_has_two_languages() -> None:
    assert not [key for key, pair in DOCUMENT_WORDS.items() if not all(pair)]
    fields = {
        key: [set(re.findall(r"{(\w+)}", text)) for text in pair] for key, pair in DOCUMENT_WORDS.items()
    }
    assert not [key for key, (en, de) in fields.items() if en != de]


def test_the_disciplines_are_worded_in_two_languages() -> None:
    assert list(DISCIPLINES) == [f"D{n}" for n in range(9)]
    for code in DISCIPLINES:
        assert discipline(code, "de") != discipline(code)
        assert all((discipline(code, "de").name, discipline(code, "de").asks, DISCIPLINES[code].asks))
