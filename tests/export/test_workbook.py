"""The workbook of a part: what is in which cell, of which type, and what the figures rest on."""

from __future__ import annotations

import zipfile
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from hashlib import sha256
from pathlib import Path
from xml.etree import ElementTree
from zoneinfo import ZoneInfo

import pytest
from openpyxl import load_workbook
from openpyxl.cell import MergedCell
from openpyxl.workbook.workbook import Workbook

from qualrec.errors import UsageError
from qualrec.export.messages import GERMAN_WORDS, HEADINGS, Words
from qualrec.export.pack import Pack
from qualrec.export.submission_elements import (
    ELEMENTS,
    FAMILIES,
    LEVELS,
    check_level,
    families_of,
    requirement,
)
from qualrec.export.workbook import write_workbook

NS = "{http://schemas.openxmlformats.org/spreadsheetml/2006/main}"
Build = dict[str, Callable[..., object]]


@pytest.fixture(scope="module")
def book(written: Path) -> Workbook:
    return load_workbook(written)


def texts(book: Workbook) -> list[str]:
    return [c.value for sheet in book for row in sheet.iter_rows() for c in row if isinstance(c.value, str)]


def test_sheets_stand_in_order(book: Workbook) -> None:
    assert book.sheetnames == [
        "Cover", "Elements", "Specification", "Capability", "PULL", "COL", "Lots", "Decisions", "Flags", "Concessions",
        "Raw data", "Recipes", "Changes", "Limits", "Control plan", "Studies", "Gauges", "Methods", "Signatures", "Manifest",
        "Sealed copy",
    ]  # fmt: skip


def test_every_reading_reads_back_exactly(book: Workbook, pack: Pack) -> None:
    """Round trip: numbers as numbers with all digits, serials with zeros, moments as dates in plant time."""
    rows = list(book["Raw data"].iter_rows(min_row=4, values_only=True))
    readings = [(s, r, u) for s in pack.characteristics for r, u in zip(s.readings, s.used, strict=True)]
    assert len(rows) == len(readings)
    zone = ZoneInfo("Europe/Berlin")
    for row, (sheet, reading, used) in zip(rows, readings, strict=True):
        code, lot, when, _, sample, serial, original, value, counted, unit = row[:10]
        assert (code, lot, sample, unit) == (
            sheet.characteristic.code, reading.lot_number, reading.key.sample, reading.unit,
        )  # fmt: skip
        assert serial == (reading.serial or None)
        assert original == reading.original
        assert value == reading.value
        assert counted == (reading.value if used else None)
        local = datetime.fromtimestamp(reading.at_us / 1e6, UTC).astimezone(zone).replace(tzinfo=None)
        assert isinstance(when, datetime)
        assert abs((when - local).total_seconds()) < 0.001


def test_a_correction_shows_both_values_and_a_void_has_none(book: Workbook, pack: Pack) -> None:
    first = pack.characteristics[0].readings
    rows = list(book["Raw data"].iter_rows(min_row=5, max_row=6, values_only=True))
    assert rows[0][6] == first[1].original != rows[0][7] == first[1].value
    assert rows[0][12:14] == ("corrected", "digits")
    assert rows[1][6] is not None
    assert rows[1][7] is rows[1][8] is None
    assert rows[1][12:14] == ("void", "wrong nest")


def test_number_formats_follow_the_characteristic(book: Workbook) -> None:
    sheet = book["Raw data"]
    last = sheet.max_row
    assert sheet["H4"].number_format == "0.0"
    assert sheet.cell(last, 8).number_format == "0.000"
    assert sheet["C4"].number_format == "yyyy-mm-dd hh:mm"
    assert "Europe/Berlin" in sheet["C3"].value


def test_capability_carries_n_estimator_bound_verdict(book: Workbook, pack: Pack) -> None:
    rows = list(book["Capability"].iter_rows(values_only=True))
    for one in pack.characteristics:
        assert one.figures is not None
        for index in one.figures.indices:
            assert any(
                row[0] == index.name
                and row[1] == index.estimator
                and row[2] == index.value
                and row[3] == index.bound.value
                and row[5:8] == (index.n, index.k, pytest.approx(index.df))
                and row[9] == index.bound.method
                for row in rows
            ), index
        summary = next(row for row in rows if row[0] == one.characteristic.code)
        assert summary[3:6] == ("Ppk", one.judged.value, one.judged.bound)
        assert summary[8:10] == ("no", "performance, not stable")
        for link in one.links:
            assert any(row[0] == link.name and row[3] == link.why and row[9] == link.source for row in rows)
    assert any(isinstance(row[0], str) and "Every bound is a one-sided 95 %" in row[0] for row in rows)


def test_units_stand_in_the_heads_of_figures(book: Workbook) -> None:
    for code, unit in (("PULL", "N"), ("COL", "mm")):
        heads = next(
            row for row in book[code].iter_rows(values_only=True) if row[0] == "Lot" and row[2] == "n"
        )
        assert heads[3:7] == (f"Mean ({unit})", f"S ({unit})", f"Smallest ({unit})", f"Largest ({unit})")


def test_points_agree_with_the_pack(book: Workbook, pack: Pack) -> None:
    for one in pack.characteristics:
        rows = list(book[one.characteristic.code].iter_rows(values_only=True))
        at = next(i for i, row in enumerate(rows) if row[0] == "Lot" and row[2] == "n")
        for row, point in zip(rows[at + 1 :], one.points, strict=False):
            assert row[0] == point.number
            assert row[2:7] == (point.n, point.mean, point.sd, point.low, point.high)


def test_flags_carry_figures_rule_and_what_was_done(book: Workbook) -> None:
    row = next(book["Flags"].iter_rows(min_row=4, values_only=True))
    assert row[0] == "R review"
    assert row[1] == "00006"
    assert row[6] == "Lot mean 870.1 N is above the limit."
    assert row[7] == "mean 870.123; n 5"
    assert row[8] == "3.5 sigma (ISO 7870-2)"
    assert row[9] == "closed: Glass cleaned"


def test_decisions_and_shipments_stand_in_time_order(book: Workbook) -> None:
    row = next(book["Decisions"].iter_rows(min_row=3, values_only=True))
    assert row[:2] == ("00001", "release")
    assert row[2] == datetime(2026, 3, 4, 7, 30)
    assert row[3:] == (480, "All shown")


def test_limits_name_lots_left_out_with_reason(book: Workbook) -> None:
    rows = [row for row in book["Limits"].iter_rows(values_only=True) if row[0] == "PULL"]
    assert rows[0][4:7] == (600, 547.5, 652.5)
    assert rows[0][13] == "00001 … 00003"
    assert rows[1][1:4] == (1, "00004", "wrong nest")


def test_no_person_is_named(written: Path) -> None:
    with zipfile.ZipFile(written) as archive:
        assert not any(b"Somebody" in archive.read(name) for name in archive.namelist())


@pytest.mark.parametrize("with_recipe", (False, True))
def test_recipe_settings_leave_only_with_the_switch(tmp_path: Path, pack: Pack, with_recipe: bool) -> None:
    to = tmp_path / "p.xlsx"
    write_workbook(replace(pack, with_recipe=with_recipe), to)
    rows = list(load_workbook(to)["Recipes"].iter_rows(values_only=True))
    assert any(row[0] == "RC-2040" and row[3] == "First release" for row in rows)
    assert any(row[0] == "power" and row[1] == 200 for row in rows) is with_recipe
    assert any(row[0] == "transmission" and row[1:3] == (20.4, 28) for row in rows) is with_recipe
    with zipfile.ZipFile(to) as archive:
        assert any(b"window study" in archive.read(n) for n in archive.namelist()) is with_recipe


def test_tables_match_their_heads_and_names_are_unique(book: Workbook) -> None:
    """A table whose column names differ from its head cells makes the spreadsheet programs offer a repair."""
    names = []
    for sheet in book:
        for table in sheet.tables.values():
            names.append(table.displayName)
            heads = [cell.value for cell in sheet[table.ref][0]]
            assert heads == [column.name for column in table.tableColumns]
            assert len(set(heads)) == len(heads)
            assert all(isinstance(h, str) and h for h in heads)
    assert len(names) == len(set(names)) >= 7


def test_defined_names_point_to_limits_and_values(book: Workbook, pack: Pack) -> None:
    for one in pack.characteristics:
        c = one.characteristic
        for name, value in ((f"lower_limit_{c.code}", c.lsl), (f"upper_limit_{c.code}", c.usl)):
            assert (name in book.defined_names) is (value is not None)
            if value is not None:
                ((title, area),) = book.defined_names[name].destinations
                assert book[title][area].value == value
        ((title, area),) = book.defined_names[f"values_{c.code}"].destinations
        found = [cell.value for row in book[title][area] for cell in row]
        assert found == [r.value if u else None for r, u in zip(one.readings, one.used, strict=True)]


def test_page_set_up_prints_everything(book: Workbook) -> None:
    assert [sheet.title for sheet in book if sheet.sheet_state == "hidden"] == ["Sealed copy"]
    assert not book["Sealed copy"].print_area
    for sheet in book.worksheets[:-1]:
        assert sheet.page_setup.fitToWidth == 1
        assert sheet.sheet_properties.pageSetUpPr.fitToPage
        assert sheet.print_area
        first, _, last = sheet.print_area.split("!")[-1].replace("$", "").partition(":")
        assert first == "A1"
        assert int("".join(ch for ch in last if ch.isdigit())) == sheet.max_row
        assert "&P" in sheet.oddFooter.right.text
        assert "FM-2040" in sheet.oddHeader.center.text
        assert "INVENTED DATA" in sheet.oddHeader.left.text
    assert book["Raw data"].freeze_panes == "C4"
    assert book["Raw data"].print_title_rows == "$3:$3"


def test_looks_are_readable_in_black_and_white(book: Workbook) -> None:
    for sheet in book:
        for row in sheet.iter_rows():
            for cell in row:
                if cell.has_style and not isinstance(cell, MergedCell):
                    assert cell.font.color.rgb in ("00000000", "FF000000")
                    if cell.fill.fill_type:
                        rgb = cell.fill.start_color.rgb[-6:]
                        assert rgb[:2] == rgb[2:4] == rgb[4:]
                        assert int(rgb[:2], 16) > 200


def test_document_properties_and_cover(book: Workbook, pack: Pack) -> None:
    assert book.properties.title == "FM-2040 Flow-meter housing"
    assert book.properties.identifier == pack.cover.trail_digest
    said = texts(book)
    for wanted in ("INVENTED DATA", "00-2040", "Sample customer", f"entry 1234: {'ab' * 32}"):
        assert wanted in said
    assert any(
        s.startswith("Records support the control plan.") and s.endswith("the customer.") for s in said
    )
    assert book.calculation.fullCalcOnLoad


def test_single_user_is_said(tmp_path: Path, pack: Pack) -> None:
    cover = replace(pack.cover, plant=replace(pack.cover.plant, single_user=True, invented=False))
    write_workbook(replace(pack, cover=cover), tmp_path / "p.xlsx")
    said = texts(load_workbook(tmp_path / "p.xlsx"))
    assert HEADINGS["cover.single"][0] in said
    assert "INVENTED DATA" not in said


def digest_from_file(archive: zipfile.ZipFile, number: int, most: int | None) -> str:
    """The rule of the manifest, computed from the file alone; rows below `most` are not covered."""
    digest = sha256()
    for row in ElementTree.fromstring(archive.read(f"xl/worksheets/sheet{number}.xml")).iter(f"{NS}row"):
        marks = []
        for cell in row.iter(f"{NS}c"):
            letters = "".join(ch for ch in str(cell.get("r")) if ch.isalpha())
            column = 0
            for letter in letters:
                column = column * 26 + ord(letter) - 64
            formula, value, inline = cell.find(f"{NS}f"), cell.find(f"{NS}v"), cell.find(f"{NS}is/{NS}t")
            if formula is not None:
                marks.append(f"{column}f{formula.text}")
            elif inline is not None:
                marks.append(f"{column}s{inline.text}")
            elif value is not None and value.text:
                marks.append(f"{column}n{float(value.text)!r}")
        if marks and (most is None or int(str(row.get("r"))) <= most):
            digest.update(("\x1f".join([str(row.get("r")), *marks]) + "\x1e").encode())
    return digest.hexdigest()


def test_the_manifest_holds_a_digest_of_every_sheet_and_of_itself(written: Path, book: Workbook) -> None:
    rows = [row[:4] for row in book["Manifest"].iter_rows(values_only=True) if row[0] == "Sheet"]
    assert [row[1] for row in rows] == book.sheetnames[:-1]
    lines = []
    with zipfile.ZipFile(written) as archive:
        for number, (_, title, digest, covered) in enumerate(rows, 1):
            assert digest_from_file(archive, number, covered) == digest, title
            assert (covered is not None) is (title in ("Signatures", "Manifest"))
            lines.append(f"{title}\t{'' if covered is None else covered}\t{digest}\n")
    (content,) = [r[2] for r in book["Manifest"].iter_rows(values_only=True) if r[0] == "Content"]
    assert content == sha256("".join(lines).encode()).hexdigest()


def test_same_pack_same_sheets(tmp_path: Path, pack: Pack) -> None:
    assert write_workbook(pack, tmp_path / "a.xlsx") == write_workbook(pack, tmp_path / "b.xlsx")


def test_german_headings(tmp_path: Path, pack: Pack, build: Build) -> None:
    german = build["pack"](pack.characteristics, language="de")
    write_workbook(german, tmp_path / "de.xlsx")
    book = load_workbook(tmp_path / "de.xlsx")
    assert book.sheetnames[:4] == ["Deckblatt", "Bestandteile", "Spezifikation", "Fähigkeit"]
    said = texts(book)
    assert "ERFUNDENE DATEN" in said
    assert "Mittelwert (N)" in said
    assert "Grundwerkstoff" in said
    assert "vorlegen" in said
    same = {en for en, de in HEADINGS.values() if en == de}
    stray = [s for s in said if s in {en for en, _ in HEADINGS.values()} - same - set(GERMAN_WORDS.values())]
    assert not stray


def test_the_table_of_words_is_whole() -> None:
    for key, (english, german) in HEADINGS.items():
        assert english.strip(), key
        assert german.strip(), key
        fields = {part.split("}")[0] for part in english.split("{")[1:]}
        assert fields == {part.split("}")[0] for part in german.split("{")[1:]}, key
    assert all(GERMAN_WORDS.values())
    words = Words("de")
    assert words.word("performance, not stable; too few data") == "Leistung, nicht stabil; zu wenige Daten"
    assert words.word("a word of the user") == "a word of the user"
    assert Words("fr")("yes") == "yes"


def test_requirements_of_the_levels() -> None:
    """Table of the part approval manual (4th edition, 2006) as a training deck quotes it."""
    letters = {
        "1": "RRRRRRRRRRRRSRRRRS",
        "2": "SSRRRRRRSSRSSSRRRS",
        "3": "SSSSSSSSSSSSSSRRSS",
        "4": "*****************S",
        "5": "R" * 18,
    }
    assert list(ELEMENTS) == list(range(1, 19))
    for level in LEVELS:
        assert "".join(requirement(n, level) for n in ELEMENTS) == letters[level]
    assert {requirement(n, "agreed") for n in ELEMENTS} == {""}
    assert check_level(" Agreed ") == "agreed"
    with pytest.raises(UsageError, match="not known"):
        check_level("6")


def test_families_of_the_levels(tmp_path: Path, pack: Pack) -> None:
    assert families_of("1") == ()
    assert "capability" not in families_of("2")
    assert "raw" in families_of("2")
    assert families_of("3") == families_of("4") == families_of("5") == families_of("agreed") == FAMILIES
    for level in LEVELS:
        one = replace(pack, families=families_of(level), cover=replace(pack.cover, level=level))
        write_workbook(one, tmp_path / f"{level}.xlsx")
        names = load_workbook(tmp_path / f"{level}.xlsx").sheetnames
        assert names[:2] == ["Cover", "Elements"]
        assert names[-4:] == ["Methods", "Signatures", "Manifest", "Sealed copy"]
        assert ("PULL" in names) is ("Capability" in names) is (level not in ("1", "2"))
        assert ("Raw data" in names) is (level != "1")


def test_elements_name_state_demand_and_place(book: Workbook) -> None:
    rows = list(book["Elements"].iter_rows(min_row=4, values_only=True))
    assert [row[0] for row in rows] == list(range(1, 19))
    assert rows[10][2:5] == (
        "submit", "supplied", "Specification, Capability, PULL, COL, Lots, Decisions, Flags, Raw data, Limits",
    )  # fmt: skip
    assert rows[14][2:6] == ("keep", "missing", None, "Not recorded.")


def test_an_empty_characteristic_says_so(tmp_path: Path, pack: Pack, build: Build) -> None:
    c = build["characteristic"](9, "A1", lsl=None, strength=False)
    full = pack.characteristics[0]
    empty = replace(
        full, characteristic=c, figures=None, judged=replace(full.judged, name=""), refusal="There are no readings.",
        points=(), series=(), readings=(), used=(), signals=(), answer="unknown", requirement=None,
    )  # fmt: skip
    one = replace(
        pack,
        characteristics=(empty,),
        flags=(),
        lots=(),
        limits=(),
        gauges=(),
        recipes=(),
        batches=(),
        digests=(),
    )
    write_workbook(one, tmp_path / "p.xlsx")
    book = load_workbook(tmp_path / "p.xlsx")
    assert "There are no readings." in texts(book)
    assert all(name.startswith("qualrec_") for name in book.defined_names)
    assert not book["A1"]._charts


def test_unusual_codes_and_texts_survive_the_whole_book(tmp_path: Path, build: Build) -> None:
    """Codes that are cell addresses or hold signs of formulas give valid titles, names and formulas."""
    sheets = tuple(
        build["sheet"](build["characteristic"](at, code, name="=1+1", unit="N&m"), 4, 3, seed=at)
        for at, code in enumerate(("R1C1", "A1", "pull's/[x]", "cover", "RAW DATA", "=x"), 1)
    )
    write_workbook(build["pack"](sheets), tmp_path / "p.xlsx")
    book = load_workbook(tmp_path / "p.xlsx")
    assert len({n.casefold() for n in book.sheetnames}) == len(book.sheetnames) == 19 + len(sheets)
    assert all(len(name.split("_")) > 1 for name in book.defined_names)
    assert not any(
        c.value == "=1+1" and c.data_type == "f" for s in book for row in s.iter_rows() for c in row
    )


def test_the_raw_sheet_leaves_no_cell_where_there_is_nothing(written: Path, book: Workbook) -> None:
    number = book.sheetnames.index("Raw data") + 1
    with zipfile.ZipFile(written) as archive:
        rows = list(ElementTree.fromstring(archive.read(f"xl/worksheets/sheet{number}.xml")).iter(f"{NS}row"))
    assert all(len(cell) for row in rows[2:] for cell in row.iter(f"{NS}c"))
