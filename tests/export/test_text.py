"""User text in a workbook is shown and never acts."""

from __future__ import annotations

import zipfile
from pathlib import Path
from xml.etree import ElementTree

import pytest
from hypothesis import given
from hypothesis import strategies as st
from openpyxl import load_workbook
from openpyxl.utils.escape import unescape

from qualrec.export import text
from qualrec.export.book import Book
from qualrec.export.messages import Words

NS = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"
ACTING = (
    "=1+1",
    '=HYPERLINK("http://example.org","x")',
    "+49 30 1",
    "-12",
    "@SUM(A1)",
    "=cmd|' /C calc'!A0",
    "\t=1+1",
    "\r=1+1",
    "  =1",
    "#N/A",
    "#REF!",
    "TRUE",
    "0012",
    "1e5",
    "2026-01-02",
    "_x0041_",
    "_x005F_x0041_",
    "a\nb",
    " ends with a blank ",
    "</t></is><f>1+1</f>",
    "&amp;",
    "\x00\x07bell",
    "\u202efdp.exe",
    "\ud800",
    "\ufffe",
    "日本語 Ωµ",
)


def written(tmp: Path, texts: list[str]) -> Path:
    book = Book(Words(), "Europe/Berlin", ("a & b", "c"), "foot")
    sheet = book.sheet(book.free_title("Texts", set()), (20,))
    for one in texts:
        sheet.row([one])
    to = tmp / "texts.xlsx"
    book.save(to)
    return to


def cells(path: Path, sheet: str = "xl/worksheets/sheet1.xml") -> list[ElementTree.Element]:
    with zipfile.ZipFile(path) as archive:
        return list(ElementTree.fromstring(archive.read(sheet)).iter(f"{NS}c"))


@pytest.mark.parametrize("one", ACTING, ids=ascii)
def test_a_text_stays_text_and_reads_back_as_shown(tmp_path: Path, one: str) -> None:
    """GIVEN a text that would act WHEN it is written THEN the cell is an inline text without a formula."""
    path = written(tmp_path, [one])
    cell = cells(path)[0]
    assert cell.find(f"{NS}f") is None
    assert cell.find(f"{NS}v") is None
    if text.shown(one):
        assert cell.get("t") == "inlineStr"
    found = load_workbook(path)["Texts"]["A1"]
    assert found.data_type in ("s", "inlineStr", "n")
    assert unescape(found.value or "") == text.shown(one)
    assert bool(found.style and found.quotePrefix) == text.quoted(one)


@given(st.lists(st.text(st.characters(exclude_categories=())), min_size=1, max_size=30))
def test_any_text_is_shown_and_never_a_formula(
    tmp_path_factory: pytest.TempPathFactory, texts: list[str]
) -> None:
    """Any code points at all: well-formed XML, no formula, read back as `shown` says."""
    path = written(tmp_path_factory.mktemp("any"), texts)
    assert all(cell.find(f"{NS}f") is None for cell in cells(path))
    sheet = load_workbook(path)["Texts"]
    for row, one in enumerate(texts, 1):
        assert unescape(sheet.cell(row, 1).value or "") == text.shown(one)


def test_shown_drops_only_what_steers() -> None:
    assert text.shown("a\x00b\x1b[31m\u202ec\u2066d") == "ab[31mcd"
    assert text.shown("x\r\ny\rz\tw") == "x\ny\nz w"
    assert text.shown("Grüße, 5 µm ± 1, 日本") == "Grüße, 5 µm ± 1, 日本"
    assert len(text.shown("a" * 40_000)) == text.MOST_CHARACTERS


@given(st.text(max_size=60), st.sets(st.text(max_size=5)))
def test_sheet_titles_fit_the_file_format(wanted: str, taken: set[str]) -> None:
    """Limits of the spreadsheet programs: 1 to 31 characters, none of []:*?/\\, no apostrophe at an end, unique."""
    folded = {t.casefold() for t in taken}
    title = text.sheet_title(wanted, folded)
    assert 1 <= len(title) <= 31
    assert not set(title) & set("[]:*?/\\")
    assert not title.startswith("'")
    assert not title.endswith("'")
    assert title.casefold() not in folded


def test_sheet_titles_of_one_name_differ() -> None:
    taken: set[str] = set()
    for wanted in ("PULL", "pull", "PULL", "A" * 40, "A" * 50):
        title = text.sheet_title(wanted, taken)
        taken.add(title.casefold())
    assert len(taken) == 5


@pytest.mark.parametrize("code", ("A1", "R1C1", "TRN1", "1", "pull force!", "", "ÄÖ", "x" * 300))
def test_defined_names_are_valid_and_no_addresses(code: str) -> None:
    """ECMA-376 part 1, 18.2.5 (from memory): a letter or underscore first, no blank, not like a cell address."""
    name = text.defined_name("values", code, set())
    assert name.startswith("values_")
    assert name.replace("_", "").isalnum()
    assert name.isascii()
    assert len(name) < 255
    assert text.defined_name("values", code, {name.casefold()}) != name


def test_codes_of_page_headers_are_escaped(tmp_path: Path) -> None:
    sheet = load_workbook(written(tmp_path, ["x"]))["Texts"]
    assert "&&" in sheet.oddHeader.left.text or sheet.oddHeader.left.text == "a & b"
    with zipfile.ZipFile(tmp_path / "texts.xlsx") as archive:
        assert b"a &amp;&amp; b" in archive.read("xl/worksheets/sheet1.xml")
