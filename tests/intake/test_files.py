"""Whole files by profile: the right values with their row numbers, or problems located by row and column."""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace
from datetime import datetime, time

import openpyxl
import pytest

from qualrec.errors import FileRefused, UsageError
from qualrec.intake.files import read_file
from qualrec.intake.profiles import PULL_BENCH, TRANSMISSION_BENCH, WELD_CELL, TimeColumns, ValueColumn
from qualrec.intake.readers import file_digest
from qualrec.intake.tables import Limits

BOOK = replace(
    WELD_CELL,
    name="weld book",
    file_format="workbook",
    delimiter="auto",
    decimal_style="comma",
    kind="tester",
    time=TimeColumns(("welded_at",), "DD.MM.YYYY hh:mm:ss"),
    header_row=None,
)
JSON = replace(WELD_CELL, name="weld lines", file_format="json lines", header_row=None)


@pytest.fixture
def take(put, forms):
    def read(content, profile, encoding="utf-8", **options):
        path = content if hasattr(content, "stat") else put(content, encoding=encoding)
        intake = read_file(path, profile, plant_zone=forms.zone, **options)
        return list(intake.rows), intake

    return read


@pytest.fixture
def problem(take):
    """The one problem of a file."""

    def read(content, profile, encoding="utf-8", **options):
        _, intake = take(content, profile, encoding, **options)
        assert intake.problems.count == 1, intake.problems.kept
        return intake.problems.kept[0]

    return read


def test_pull_file(take, forms):
    rows, intake = take(forms.pull, PULL_BENCH, "cp1252")
    assert not intake.problems
    assert [(r.row_number, r.lot, r.sample, r.stream, r.value, r.mode) for r in rows] == [
        (7, "0047-118", 1, "A", 1234.5, "near-surface tear"),
        (8, "0047-118", 2, "A", 612.0, "mixed"),
        (9, "0047-118", 3, "B", None, "test fault"),
        (10, "0047-118", 4, "B", 701.4, "parent material"),
    ]
    assert rows[1].shares == (20.0, 50.0, 30.0, 0.0)
    assert (rows[0].text, rows[0].decimals, rows[0].displacement_mm) == ("1.234,5", 1, 2.31)
    assert rows[2].text == "88,2"
    assert datetime.fromtimestamp(rows[0].at_us / 1e6).timestamp() == 1778733730  # 04:42:10 UTC, date -d


def test_transmission_file(take, forms):
    rows, intake = take(forms.transmission, TRANSMISSION_BENCH, "utf-16")
    assert not intake.problems
    assert [(r.row_number, r.subject_kind, r.lot, r.stream, r.sample, r.value) for r in rows] == [
        (3, "moulding lot", "U0001", "1", 1, 24.31),
        (4, "moulding lot", "U0001", "1", 2, 24.02),
        (5, "moulding lot", "U0001", "3", 1, 22.4),
    ]
    assert rows[0].conditions == (("wavelength_nm", 980.0), ("thickness_mm", 1.5), ("position", "gate"))
    hours = [(r.at_us - 1778709600_000_000) / 3.6e9 for r in rows]  # from local midnight
    assert [int(h) for h in hours] == [6, 12, 0]


def test_machine_file(take, forms):
    rows, intake = take(forms.machine(3), WELD_CELL)
    assert not intake.problems
    assert [(r.row_number, r.serial, r.characteristic_code, r.value) for r in rows[:4]] == [
        (2, "000000", "COL", 0.27),
        (2, "000000", "TTP", 2.0),
        (2, "000000", "ENERGY", 150.0),
        (3, "000001", "COL", 0.271),
    ]


@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_line_ends_and_encodings_change_nothing(take, forms, ending, encoding):
    plain, _ = take(forms.pull, PULL_BENCH)
    text = forms.pull.replace("edge", "Überlänge")
    rows, intake = take(text.replace("\n", ending), PULL_BENCH, encoding)
    assert rows == plain
    assert not intake.problems
    assert intake.notes.count == (1 if encoding == "cp1252" else 0)


def test_quoted_cells_over_two_lines_keep_the_row_numbers(take, forms):
    text = forms.pull.replace(";edge", ';"edge;\nof the part"')
    rows, intake = take(text, PULL_BENCH)
    assert not intake.problems
    assert [r.row_number for r in rows] == [7, 8, 10, 11]


@pytest.mark.parametrize(
    ("old", "new", "row", "column", "words"),
    [
        ("1.234,5;", "1.234.5;", 7, "Peak force", "not a number"),
        ("612,0;", "612.0;", 8, "Peak force", "decimal comma"),
        ("612,0;", ";", 8, "Peak force", "empty"),
        ("612,0;", "nan;", 8, "Peak force", "not a number"),
        ("612,0;", "=612;", 8, "Peak force", "not a number"),
        ("14.05.2026;06:48:55", "05/14/2026;06:48:55", 8, "Time", "not a time"),
        ("14.05.2026;06:48:55", "29.03.2026;02:48:55", 8, "Time", "does not exist"),
        ("mixed", "sticky", 8, "Failure", "not one of"),
        ("mixed", "", 8, "Failure", "not one of"),
        ("20;50;30;0", "20;50;40;0", 8, "Failure", "sum to 110"),
        ("20;50;30;0", ";;;", 8, "Failure", "needs the share"),
        ("near-surface;;", "near-surface;100;", 7, "Failure", "contradict"),
        ("118;2;A", "118;0;A", 8, "Specimen", "sample number"),
        ("118;2;A", "118;2a;A", 8, "Specimen", "sample number"),
        ("118;2;A", "118;1;A", 8, "", "Repeats row 7"),
        ("118;2;A", "118;2;", 8, "Nest", "empty"),
        ("0047-118;2", "1.23E+11;2", 8, "Lot", "spreadsheet"),
        ("0047-118;2", ";2", 8, "Lot", "empty"),
        ("0047-118;2;A;", "0047-118;2;A", 8, "", "13 cells"),
        ("edge", "edge;more", 8, "", "15 cells"),
        ("edge", 'edge"', None, "", ""),
        ("edge", '"edge', 8, "", "Quotes"),
        ("edge", "ed\x00ge", 8, "", "control character"),
        (";;;;;N;N;mm", ";;;;;kN;N;mm", 6, "Peak force", '"kN"'),
        (";;;;;N;N;mm", ";;;;;;N;mm", 6, "Peak force", '""'),
        ("Remark", "Comment", 5, "Comment", "neither taken nor ignored"),
        ("Peak force", "Peak", None, "", "missing: Peak force"),
        ("Remark", "Peak force", 5, "Peak force", "twice"),
        ("Mean;;", "0047-118;9;A;14.05.2026;07:10:00;600,0;;;parent;;;;;\nMean;;", None, "", ""),
        ("Smallest;;;;;88,2;;;;;;;;", "0047-118;9;A;14.05.2026;07:10:00;6,0;;;parent;;;;;", 12, "", "row 11"),
    ],
)
def test_each_fault_is_located(take, forms, old, new, row, column, words):
    assert old in forms.pull
    _, intake = take(forms.pull.replace(old, new, 1), PULL_BENCH)
    if not words:
        assert not intake.problems
        return
    assert intake.problems.count == 1, intake.problems.kept
    found = intake.problems.kept[0]
    assert words in found.message
    assert (found.row, found.column, found.file) == (row, column, "file.csv")


def test_all_problems_are_counted_and_two_hundred_kept(take, forms):
    text = forms.machine(500).replace(",0.", ",0..")
    rows, intake = take(text, WELD_CELL)
    assert rows == []
    assert (intake.problems.count, len(intake.problems.kept)) == (500, 200)
    error = intake.problems.refused(intake.name)
    assert isinstance(error, FileRefused)
    assert "500 problems" in error.message
    assert error.remedy


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "empty"),
        (b"\n\n\n", "No header"),
        (b"PK\x03\x04rest", "workbook"),
        (b"\xd0\xcf\x11\xe0rest", "old or a locked"),
        (b"\xff\xfe\x00\x00l\x00\x00\x00", "UTF-32"),
        (b"\xef\xbb\xbflot\xff", "not UTF-8"),
        ("lot,serial".encode("utf-16-le"), "control character"),
        (b"lot,serial,nest,welded_at,collapse_mm,path_time_s,energy_J,stopped_by\n", "no data"),
        (b"x" * 70_000, "more than 65,536 characters"),
    ],
)
def test_files_that_are_no_table(problem, content, words):
    assert words in problem(content, replace(WELD_CELL, encoding="auto")).message


def test_a_wrong_character_is_located(problem, forms):
    lines = forms.machine(5).encode().split(b"\n")
    lines[3] = lines[3].replace(b"path", b"p\xe4th")
    found = problem(b"\n".join(lines), WELD_CELL)
    assert (found.row, "UTF-8" in found.message) == (4, True)


def test_an_identifier_does_not_hang_on_a_guessed_encoding(take, forms):
    text = forms.machine(2).replace("0047-000", "Ä47-000")
    profile = replace(WELD_CELL, encoding="auto")
    assert not take(text, profile)[1].problems
    assert take(text, profile, "cp1252")[1].problems.count == 2
    assert not take(text, replace(WELD_CELL, encoding="cp1252"), "cp1252")[1].problems


def test_limits(problem, forms):
    assert "bytes" in problem(forms.machine(2), WELD_CELL, limits=Limits(file_bytes=10)).message
    assert "columns" in problem(forms.machine(2), WELD_CELL, limits=Limits(columns=3)).message


def test_missing_files_are_a_usage_error(tmp_path, forms):
    for path in (tmp_path, tmp_path / "none.csv", tmp_path / "bad\0name"):
        with pytest.raises(UsageError) as caught:
            read_file(path, WELD_CELL, plant_zone=forms.zone)
        assert caught.value.remedy


def test_a_file_that_grows_meanwhile_is_noticed(put, forms):
    path = put(forms.machine(3))
    intake = read_file(path, WELD_CELL, plant_zone=forms.zone)
    next(intake.rows)
    with path.open("a") as handle:
        handle.write("more\n")
    list(intake.rows)
    assert any("changed while" in p.message for p in intake.problems.kept)


def test_digest_is_that_of_the_bytes(put):
    content = bytes(range(256)) * 9000
    assert file_digest(put(content)) == hashlib.sha256(content).hexdigest()


def test_auto_style_refuses_what_reads_in_two_ways_unless_plausible(take, forms):
    auto = replace(PULL_BENCH, decimal_style="auto")
    text = forms.pull.replace("1.234,5", "1.234")
    assert "can be read as" in take(text, auto)[1].problems.kept[0].message
    rows, intake = take(text, auto, plausible={"PULL": (0.0, 10.0)})
    assert rows[0].value == 1.234
    assert intake.notes.kept[0].row == 7


def test_no_header_columns_by_letter(take):
    profile = replace(
        WELD_CELL,
        header_row=0,
        lead_rows=1,
        lot="A",
        serial="B",
        stream=(),
        time=TimeColumns(("C",), "iso"),
        values=(ValueColumn("D", "COL", "mm"),),
        ignore=(),
    )
    rows, intake = take("made up\nL1,0001,2026-05-14T06:00:00Z,0.281\n", profile)
    assert not intake.problems
    assert [(r.row_number, r.lot, r.serial, r.value) for r in rows] == [(2, "L1", "0001", 0.281)]


def book(tmp_path, rows, sheets=("values",), formats=()):
    path = tmp_path / "book.xlsx"
    made = openpyxl.Workbook()
    made.active.title = sheets[0]
    for name in sheets[1:]:
        made.create_sheet(name)
    for row in rows:
        made[sheets[0]].append(row)
    for place, number_format in formats:
        made[sheets[0]][place].number_format = number_format
    made.save(path)
    return path


HEAD = ["lot", "serial", "nest", "welded_at", "collapse_mm", "path_time_s", "energy_J", "stopped_by"]
GOOD = ["0047-118", "000001", "A", datetime(2026, 5, 14, 6, 42, 10), 0.281, 2, "151,25", "path"]


def test_workbook(take, tmp_path):
    rows, intake = take(book(tmp_path, [["made up"], [], HEAD, GOOD]), BOOK)
    assert not intake.problems
    assert [(r.row_number, r.value, r.text) for r in rows] == [
        (4, 0.281, "0.281"),
        (4, 2.0, "2"),
        (4, 151.25, "151,25"),
    ]
    assert rows[0].at_us == 1778733730_000_000
    assert [(n.row, n.column) for n in intake.notes.kept] == [(4, "energy_J")]


@pytest.mark.parametrize(
    ("column", "value", "words"),
    [
        ("lot", 47118, "leading zeros"),
        ("lot", 1.23e11, "leading zeros"),
        ("serial", True, "logic"),
        ("serial", datetime(2026, 5, 1), "time"),
        ("collapse_mm", "=A1", "formula"),
        ("collapse_mm", datetime(1900, 1, 5), "time"),
        ("collapse_mm", True, "logic"),
        ("collapse_mm", None, "empty"),
        ("collapse_mm", "#DIV/0!", "error"),
        ("welded_at", 46156.279, "number"),
        ("welded_at", time(6, 0), "clock"),
        ("welded_at", "2026-05-14", "not a time"),
    ],
)
def test_workbook_cells_that_are_not_what_they_should_be(problem, tmp_path, column, value, words):
    row = list(GOOD)
    row[HEAD.index(column)] = value
    found = problem(book(tmp_path, [HEAD, row]), BOOK)
    assert words in found.message
    assert (found.row, found.column) == (2, column)


def test_percent_cells_are_the_figure_shown(take, problem, tmp_path):
    share = replace(BOOK, values=(ValueColumn("energy_J", "TRN", "%"),), ignore=("*",))
    row = [*GOOD[:6], 0.2431, "path"]
    path = book(tmp_path, [HEAD, row], formats=[("G2", "0.00%")])
    rows, intake = take(path, share)
    assert not intake.problems
    assert rows[0].value == 24.31
    assert "percent" in problem(path, BOOK).message


def test_numeric_ids_only_where_the_profile_says_so(take, tmp_path):
    row = [47118, *GOOD[1:]]
    rows, intake = take(book(tmp_path, [HEAD, row]), replace(BOOK, numeric_ids=True))
    assert not intake.problems
    assert rows[0].lot == "47118"


def test_which_sheet_must_be_certain(take, problem, tmp_path):
    path = book(tmp_path, [HEAD, GOOD], sheets=("values", "notes"))
    assert "2 sheets" in problem(path, BOOK).message
    assert not take(path, replace(BOOK, sheet="values"))[1].problems
    assert "no sheet" in problem(path, replace(BOOK, sheet="pulls")).message


def test_a_date_and_a_clock_cell_make_one_time(take, tmp_path):
    two = replace(BOOK, time=TimeColumns(("nest", "welded_at"), "DD.MM.YYYY hh:mm:ss"), stream=())
    row = [*GOOD[:2], datetime(2026, 5, 14), time(6, 42, 10), *GOOD[4:]]
    rows, intake = take(book(tmp_path, [HEAD, row]), two)
    assert not intake.problems
    assert rows[0].at_us == 1778733730_000_000


def test_damaged_workbooks_are_worded(problem, put, tmp_path):
    whole = book(tmp_path, [HEAD, GOOD]).read_bytes()
    for content in (whole[:500], whole[:-40], b"PK\x03\x04" + b"\0" * 300):
        assert "damaged" in problem(put(content, "cut.xlsx"), BOOK).message
    assert "not a workbook" in problem(put("lot,serial", "text.xlsx"), BOOK).message
    assert "unpacked" in problem(put(whole, "big.xlsx"), BOOK, limits=Limits(workbook_bytes=100)).message


LINE = {
    "lot": "0047-118",
    "serial": "000001",
    "nest": "A",
    "welded_at": "2026-05-14T06:42:10+02:00",
    "collapse_mm": 0.281,
    "path_time_s": 2,
    "energy_J": 151.25,
    "stopped_by": "path",
}


def test_json_lines(take):
    text = json.dumps(LINE) + "\n\n" + json.dumps({**LINE, "serial": "000002", "energy_J": 1.5e2}) + "\n"
    rows, intake = take(text, JSON)
    assert not intake.problems
    assert [(r.row_number, r.value) for r in rows[::3]] == [(1, 0.281), (3, 0.281)]
    assert rows[5].value == 150.0


@pytest.mark.parametrize(
    ("line", "column", "words"),
    [
        (json.dumps({**LINE, "serial": 2}), "serial", "leading zeros"),
        (json.dumps({**LINE, "serial": "2", "collapse_mm": None}), "collapse_mm", "empty"),
        (json.dumps({**LINE, "serial": "2", "collapse_mm": [1]}), "collapse_mm", "nested"),
        (json.dumps({**LINE, "serial": "2", "collapse_mm": True}), "collapse_mm", "logic"),
        (json.dumps({**LINE, "serial": "2"}).replace("0.281", "NaN"), "", "not a JSON object"),
        (json.dumps({**LINE, "serial": "2"}).replace("0.281", "1e999"), "collapse_mm", "too large"),
        (json.dumps({**LINE, "serial": "2"})[:-1] + ',"lot":"x"}', "", "twice"),
        (json.dumps({**LINE, "serial": "2", "more": 1}), '"more"', "no such key"),
        (json.dumps({k: v for k, v in LINE.items() if k != "nest"}), "nest", "missing"),
        ("[1, 2]", "", "not a JSON object"),
        ("[" * 5000, "", "not a JSON object"),
        ("{", "", "not a JSON object"),
    ],
)
def test_json_lines_that_are_not_as_the_first(problem, line, column, words):
    found = problem(json.dumps(LINE) + "\n" + line + "\n", JSON)
    assert words in found.message
    assert (found.row, found.column) == (2, column)
