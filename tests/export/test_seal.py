"""A changed cell of a written workbook is named, whatever was changed; what another program spells otherwise is no change."""

from __future__ import annotations

import zipfile
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from openpyxl import load_workbook

from qualrec.errors import FileRefused, UsageError
from qualrec.export.messages import Words
from qualrec.export.pack import Declaration, Pack, ResultView
from qualrec.export.seal import Seal, Sealed, content_digest, row_mark, rows_of, unpacked
from qualrec.export.stamp import stamp
from qualrec.export.verify import STAMP_ROWS, check_file
from qualrec.export.workbook import write_workbook


@pytest.fixture(scope="module")
def declared(pack: Pack) -> Pack:
    """The pack of a recorded submission."""
    results = tuple(
        ResultView(key, "yes", "shown") for key in ("dimensions", "tests", "appearance", "statistics")
    )
    declaration = Declaration("S-0001", "Invented customer", (), (("Weight (kg)", "0.0412"),), results)
    return replace(pack, declaration=declaration, characteristics=pack.characteristics[:1])


@pytest.fixture(scope="module")
def original(declared: Pack, tmp_path_factory: pytest.TempPathFactory) -> Path:
    to = tmp_path_factory.mktemp("sealed") / "s.xlsx"
    write_workbook(declared, to)
    return to


@pytest.fixture
def altered(original: Path, tmp_path: Path) -> Callable[[Callable[[Any], None]], Path]:
    """Saves the workbook anew with openpyxl after `act` has changed it."""

    def save(act: Callable[[Any], None]) -> Path:
        book = load_workbook(original)
        act(book)
        book.save(tmp_path / "altered.xlsx")
        return tmp_path / "altered.xlsx"

    return save


def test_an_untouched_file_is_sound(original: Path) -> None:
    check = check_file(original)
    assert check.sound
    assert check.content == check.listed
    assert not check.changes
    assert all(s.sound and s.found == s.recorded for s in check.sheets)
    assert check.stamp == {"submission": "S-0001"}
    assert [s.title for s in check.sheets] == load_workbook(original).sheetnames[:-1]


def test_saved_anew_without_a_change_it_is_sound(altered: Callable[..., Path]) -> None:
    check = check_file(altered(lambda book: None))
    assert check.sound
    assert not check.changes


CHANGES = (
    ("Raw data", "H5", 999.5),
    ("Raw data", "G4", 1.0),
    ("Lots", "B4", "scrapped"),
    ("Limits", "G3", None),
    ("Elements", "F30", "written below"),
    ("PULL", "E7", "=1+1"),
    ("Cover", "B8", "another part"),
    ("Declaration", "B2", "S-0002"),
    ("Manifest", "C3", "0" * 64),
    ("Signatures", "A1", "Nothing is signed"),
)


def test_every_changed_cell_is_named_with_what_it_was(altered: Callable[..., Path]) -> None:
    before = {}

    def act(book: Any) -> None:
        for sheet, cell, value in CHANGES:
            before[sheet, cell] = book[sheet][cell].value
            book[sheet][cell].value = value

    check = check_file(altered(act))
    assert not check.sound

    def shown(value: Any) -> str:
        return "" if value is None else f"{value:.15g}" if isinstance(value, float) else str(value)

    expected = {(s, c): (shown(before[s, c]), shown(value)) for s, c, value in CHANGES}
    assert {(c.sheet, c.cell): (c.was, c.now) for c in check.changes} == expected
    assert before["Declaration", "B2"] == "S-0001"
    assert {s.title for s in check.sheets if not s.sound} == {s for s, _, _ in CHANGES}


def test_a_sheet_gone_or_added_is_told(altered: Callable[..., Path]) -> None:
    def act(book: Any) -> None:
        del book["Flags"]
        book.create_sheet("Note")

    check = check_file(altered(act))
    assert [(c.sheet, c.cell) for c in check.changes] == [("Flags", "")]
    assert check.added == ("Note",)
    assert not check.sound


def test_numbers_to_15_digits_and_other_spelling_are_no_change(altered: Callable[..., Path]) -> None:
    """What LibreOffice makes of the file: 15 digits, no quotes round plain sheet names, blanks in formulas."""

    def act(book: Any) -> None:
        for row in book["Raw data"].iter_rows(min_row=4):
            for cell in row:
                if isinstance(cell.value, float):
                    cell.value = float(f"{cell.value:.15g}")
        for row in book["PULL"].iter_rows():
            for cell in row:
                if cell.data_type == "f":
                    cell.value = cell.value.replace(",", ", ").replace("'PULL'!", "PULL!")

    check = check_file(altered(act))
    assert check.sound
    rounded = {s.title: s.rounded for s in check.sheets if s.rounded}
    assert {"Raw data", "PULL"} <= set(rounded)


def test_a_number_changed_in_its_13th_digit_is_a_change(altered: Callable[..., Path]) -> None:
    def act(book: Any) -> None:
        book["Raw data"]["H4"].value *= 1 + 1e-12

    assert [c.cell for c in check_file(altered(act)).changes] == ["H4"]


def test_without_the_copy_the_sheet_is_named_and_the_cell_is_not(altered: Callable[..., Path]) -> None:
    def act(book: Any) -> None:
        book["Lots"]["B4"].value = "scrapped"
        copy = book["Sealed copy"]
        for row in copy.iter_rows(min_row=4):
            if row[0].value == "Lots":
                row[1].value = "AAAA"

    check = check_file(altered(act))
    (bad,) = [s for s in check.sheets if not s.sound]
    assert bad.title == "Lots"
    assert "copy" in bad.note
    assert not check.changes


def test_a_forged_list_does_not_give_the_content(altered: Callable[..., Path]) -> None:
    """Somebody changes a cell, its copy and the digest of the sheet, but not the digest of the content."""

    def act(book: Any) -> None:
        for row in book["Manifest"].iter_rows():
            if row[1].value == "Lots":
                row[2].value = "1" * 64

    check = check_file(altered(act))
    assert check.content != check.listed
    assert not check.sound


def test_the_place_of_the_signature_takes_the_stamp_once(original: Path, tmp_path: Path) -> None:
    before = check_file(original)
    texts = {f"B{before.stamp_row + at}": f"<{key}> & more" for at, key in enumerate(STAMP_ROWS) if at}
    to = tmp_path / "stamped.xlsx"
    stamp(original, to, before.stamp_sheet, texts)
    after = check_file(to)
    assert after.sound
    assert after.content == before.content
    assert after.stamp == {"submission": "S-0001", **{key: f"<{key}> & more" for key in STAMP_ROWS[1:]}}
    with zipfile.ZipFile(original) as a, zipfile.ZipFile(to) as b:
        assert a.namelist() == b.namelist()
        other = [n for n in a.namelist() if a.read(n) != b.read(n)]
    assert other == [f"xl/worksheets/sheet{before.stamp_sheet}.xml"]
    with pytest.raises(FileRefused, match="not empty"):
        stamp(to, tmp_path / "again.xlsx", before.stamp_sheet, texts)
    with pytest.raises(FileRefused, match="no sheet 99"):
        stamp(original, tmp_path / "again.xlsx", 99, texts)


def test_protection_where_a_signature_covers(original: Path, declared: Pack, tmp_path: Path) -> None:
    book = load_workbook(original)
    assert all(sheet.protection.sheet for sheet in book if sheet.title != "Sealed copy")
    assert not book["Raw data"].protection.autoFilter
    assert book["Sealed copy"].sheet_state == "hidden"
    write_workbook(replace(declared, declaration=None), tmp_path / "plain.xlsx")
    plain = load_workbook(tmp_path / "plain.xlsx")
    assert not any(sheet.protection.sheet for sheet in plain)
    assert "Declaration" not in plain.sheetnames
    assert check_file(tmp_path / "plain.xlsx").sound


@pytest.mark.parametrize("content", (b"", b"no zip", b"PK\x03\x04 broken"))
def test_what_is_no_workbook_of_ours_is_refused_in_words(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "x.xlsx"
    path.write_bytes(content)
    with pytest.raises(FileRefused, match="cannot be read"):
        check_file(path)
    with pytest.raises(UsageError, match="no such file"):
        check_file(tmp_path / "none.xlsx")


def test_another_workbook_holds_no_seal(tmp_path: Path) -> None:
    from openpyxl import Workbook

    Workbook().save(tmp_path / "other.xlsx")
    with pytest.raises(FileRefused, match="no sealed content"):
        check_file(tmp_path / "other.xlsx")


def test_the_packed_copy_gives_back_the_rows() -> None:
    seal = Seal()
    for number in range(1, 3000):
        seal.take(row_mark([str(number), f"1n{number / 7!r}", "12stext with ü and \n"]))
    seal.take(row_mark(["3000"]))
    digest = seal.digest()
    parts = list(seal.copy())
    assert all(len(part) <= 32_767 for part in parts)
    held = unpacked(parts)
    assert held is not None
    rows = dict(rows_of(held))
    assert len(rows) == 2999
    assert rows[2] == {1: f"n{2 / 7!r}", 12: "stext with ü and \n"}
    from hashlib import sha256

    assert sha256(held).hexdigest() == digest
    assert unpacked(["!!"]) is None
    assert unpacked([parts[0][:100]]) is None


def test_rows_below_a_closed_seal_are_not_covered() -> None:
    seal = Seal()
    seal.take(row_mark(["1", "1sa"]))
    before = seal.digest()
    seal.close(1)
    seal.take(row_mark(["2", "1sb"]))
    assert seal.digest() == before
    assert content_digest([Sealed("A", before, 1)]) != content_digest([Sealed("A", before, None)])


def test_figures_in_texts_follow_the_language() -> None:
    assert Words("de").figure(12.5) == "12,5"
    assert Words("en").figure(12.5) == "12.5"
    assert Words("de").figure(870.123456, ".6g") == "870,123"
