"""Drafts of import profiles: what is clear is read as by hand-made profiles, what is not stays to be filled in."""

from __future__ import annotations

import csv
import re
import tomllib
from datetime import datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from qualrec.errors import FileRefused, QualrecError, UsageError
from qualrec.intake.draft_guess import time_of
from qualrec.intake.file_look import look_at
from qualrec.intake.files import read_file
from qualrec.intake.moments import Clock, read_moment
from qualrec.intake.profile_draft import draft_text
from qualrec.intake.profile_text import from_toml
from qualrec.intake.profiles import BUILT_IN, Profile, choose_profile
from qualrec.work.sample_files import locate

PLAIN = ("lot,specimen,tested_at,force_N", "L1,1,2026-05-14 06:42,612.5", "L1,2,2026-05-14 06:43,600.25")


def put(path: Path, *lines: str, encoding: str = "utf-8") -> Path:
    path.write_text("\n".join(lines) + "\n", encoding=encoding)
    return path


def completed(text: str, *codes: str) -> Profile:
    """The draft with codes filled in, in their order."""
    left = iter(codes)
    return from_toml(re.sub(r'characteristic = ""', lambda _: f'characteristic = "{next(left)}"', text))


@pytest.mark.parametrize(
    ("name", "codes", "ignored"),
    [
        ("tester_pulls.csv", ("PULL", "BREAK"), "BREAK"),
        ("transmission_meter.txt", ("TRN",), ""),
        ("welding_machine.csv", ("COL", "TTP", "ENERGY"), ""),
    ],
)
def test_a_draft_reads_the_sample_files_as_the_profiles_made_by_hand(
    name: str, codes: tuple[str, ...], ignored: str
) -> None:
    path = locate(name)
    text = draft_text(look_at(path))
    with pytest.raises(UsageError, match="characteristic has no name"):
        from_toml(text)
    drafted, by_hand = completed(text, *codes), choose_profile(path, BUILT_IN)
    assert (drafted.kind, drafted.subject) == (by_hand.kind, by_hand.subject)
    read = read_file(path, drafted, plant_zone="Europe/Berlin")
    rows = [row for row in read.rows if row.characteristic_code != ignored]
    expected = list(read_file(path, by_hand, plant_zone="Europe/Berlin").rows)
    assert [(r.row_number, r.lot, r.stream, r.sample, r.serial, r.at_us, r.value, r.unit, r.mode) for r in rows] == [
        (r.row_number, r.lot, r.stream, r.sample, r.serial, r.at_us, r.value, r.unit, r.mode) for r in expected
    ]  # fmt: skip
    assert not read.problems


def test_every_line_that_was_concluded_says_so() -> None:
    sure = ("form", "revision", "file_format", "column", "condition")
    for name in ("tester_pulls.csv", "transmission_meter.txt", "tester_pulls.xlsx"):
        for line in draft_text(look_at(locate(name))).splitlines():
            key, equals, _ = line.partition(" = ")
            if equals and key not in sure and not key.startswith("#"):
                assert "# guess" in line or "# fill in" in line, line


@pytest.mark.parametrize("name", ["tester_pulls.csv", "welding_machine.csv"])
def test_the_delimiter_is_the_one_that_the_standard_library_finds(name: str) -> None:
    """Against csv.Sniffer of the Python standard library, on the lines of the table."""
    look = look_at(locate(name))
    lines = locate(name).read_text(encoding="utf-8").splitlines()[look.header_row - 1 :][:6]
    sniffed = csv.Sniffer().sniff("\n".join(lines), delimiters=",;\t|").delimiter
    assert {"semicolon": ";", "comma": ","}[look.delimiter] == sniffed


@pytest.mark.parametrize(
    ("texts", "form", "strptime"),
    [
        (("28.10.2026 07:36:15", "01.11.2026 08:00:00"), "DD.MM.YYYY hh:mm:ss", "%d.%m.%Y %H:%M:%S"),
        (("10/28/2026 7:36 AM", "11/01/2026 12:05 PM"), "MM/DD/YYYY hh:mm AM", "%m/%d/%Y %I:%M %p"),
        (("2026/10/28 07:36", "2026/11/01 08:00"), "YYYY/MM/DD hh:mm", "%Y/%m/%d %H:%M"),
        (("2026-10-28T07:36:15+00:00", "2026-11-01T08:00:00+00:00"), "iso", "%Y-%m-%dT%H:%M:%S%z"),
    ],
)
def test_a_clear_time_is_read_as_the_standard_library_reads_it(
    tmp_path: Path, texts: tuple[str, ...], form: str, strptime: str
) -> None:
    rows = [f"L1;{n};{text};600,5" for n, text in enumerate(texts, 1)]
    guess = time_of(look_at(put(tmp_path / "a.csv", "lot;specimen;at;force N", *rows)))
    assert (guess.columns, guess.form) == (("at",), form)
    for text in texts:
        expected = datetime.strptime(text, strptime).replace(
            tzinfo=datetime.fromisoformat("2026-01-01T00Z").tzinfo
        )
        assert read_moment(text, guess.form, Clock("UTC")) == round(expected.timestamp() * 1e6)


@pytest.mark.parametrize("texts", [("03.04.2026 07:36", "05.06.2026 08:00"), ("13/04/26 07:36", "14/04/26 08:00"),
                                   ("28.10.2026", "29.10.2026")])  # fmt: skip
def test_a_time_that_is_not_clear_is_left_open(tmp_path: Path, texts: tuple[str, ...]) -> None:
    rows = [f"L1;{n};{text};600,5" for n, text in enumerate(texts, 1)]
    text = draft_text(look_at(put(tmp_path / "a.csv", "lot;specimen;at;force N", *rows)))
    assert 'pattern = ""  # fill in' in text
    with pytest.raises(UsageError, match=r"time pattern|time needs one column"):
        completed(text, "PULL")


def test_numbers_that_tell_no_decimal_sign_leave_the_style_open(tmp_path: Path) -> None:
    path = put(tmp_path / "a.csv", PLAIN[0], "L1,1,2026-05-14 06:42,1.234", "L1,2,2026-05-14 06:43,600")
    look = look_at(path)
    assert (look.style, look.style_why) == ("auto", "no number tells its decimal sign")
    assert look_at(put(tmp_path / "b.csv", *PLAIN)).style == "point"


def test_what_names_no_lot_and_no_sample_is_asked(tmp_path: Path) -> None:
    text = draft_text(look_at(put(tmp_path / "a.csv", "order,at,force_N", "L1,2026-05-14 06:42,612.5")))
    assert 'lot = ""  # fill in: the column that names the lot; columns: order, at, force_N' in text
    assert 'sample = ""  # fill in' in text
    with pytest.raises(UsageError, match="has no name"):
        completed(text, "PULL")


def test_a_file_without_heads_names_its_columns_by_letters(tmp_path: Path) -> None:
    path = put(
        tmp_path / "a.csv", "made by a bench", "L1,1,2026-05-14 06:42,612.5", "L1,2,2026-05-14 06:43,600.25"
    )
    found = tomllib.loads(draft_text(look_at(path)))
    assert (found["header_row"], found["lead_rows"], found["time"]["columns"]) == (0, 1, ["C"])


def test_heads_of_any_signs_make_toml_that_can_be_read(tmp_path: Path) -> None:
    path = put(
        tmp_path / "a #1.csv",
        'lot,specimen,at,"force [N]","re""mark\n# = ""x""",\u00e9\\',
        "L1,1,2026-05-14 06:42,6.5,x,y",
    )
    found = tomllib.loads(draft_text(look_at(path)))
    assert found["ignore"] == ['re"mark\n# = "x"', "\u00e9\\"]
    assert found["values"][0] == {"column": "force [N]", "characteristic": "", "unit": "N"}


def test_json_lines_and_workbooks_are_looked_at(tmp_path: Path) -> None:
    line = '{"lot": "L1", "serial": "S%d", "at": "2026-05-14 06:42", "force_N": 612.5}'
    path = put(tmp_path / "a.jsonl", line % 1, line % 2)
    profile = completed(draft_text(look_at(path)), "PULL")
    assert (profile.file_format, profile.kind, profile.serial) == ("json lines", "machine", "serial")
    assert [r.value for r in read_file(path, profile, plant_zone="UTC").rows] == [612.5, 612.5]
    book = locate("tester_pulls.xlsx")
    drafted = completed(draft_text(look_at(book)), "PULL", "BREAK")
    read = read_file(book, drafted, plant_zone="Europe/Berlin")
    assert [r.value for r in read.rows if r.characteristic_code == "PULL"] == [
        599.5,
        635.4,
        572.9,
        630.5,
        599.6,
    ]


@pytest.mark.parametrize("text", ["", "one column\nonly\n", "lot,force\n", "\x00\x01"])
def test_what_is_no_table_is_refused_in_words(tmp_path: Path, text: str) -> None:
    path = tmp_path / "a.csv"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(FileRefused):
        look_at(path)
    with pytest.raises(UsageError, match="does not exist"):
        look_at(tmp_path / "none.csv")


def test_a_workbook_with_several_sheets_asks_for_one(tmp_path: Path) -> None:
    from openpyxl import load_workbook

    book = load_workbook(locate("tester_pulls.xlsx"))
    name = book.sheetnames[0]
    book.create_sheet("Notes")
    book.save(tmp_path / "two.xlsx")
    with pytest.raises(FileRefused, match="2 sheets"):
        look_at(tmp_path / "two.xlsx")
    text = draft_text(look_at(tmp_path / "two.xlsx", name), sheet=name)
    assert completed(text, "PULL", "BREAK").sheet == name


CELLS = st.one_of(
    st.sampled_from(
        ["", "lot", "Nest", "N", "Force [N]", "1,5", "2.5", "28.10.2026", "07:30", "mixed", "failure mode"]
    ),
    st.text(max_size=6),
)

TABLE = (("lot", "specimen", "at", "force N"), ("L1", "1", "2026-05-14 06:42", "6.5"))


@given(st.lists(st.lists(CELLS, min_size=1, max_size=6), min_size=1, max_size=12))
def test_whatever_stands_in_a_file_the_draft_is_toml_or_the_file_is_refused(
    tmp_path_factory: pytest.TempPathFactory, rows: list[list[str]]
) -> None:
    path = tmp_path_factory.getbasetemp() / "drafted.csv"
    try:
        with path.open("w", encoding="utf-8", newline="") as file:
            csv.writer(file, delimiter=";").writerows([*TABLE, *rows])
        text = draft_text(look_at(path))
    except (QualrecError, UnicodeEncodeError, csv.Error):
        return
    found = tomllib.loads(text)
    assert found["form"] == 1
    with pytest.raises(UsageError):  # no characteristic is named yet
        from_toml(text)
