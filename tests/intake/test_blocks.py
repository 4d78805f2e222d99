"""Machine files by blocks: the same readings and problems as row by row, and the exact doubles of the text."""

from __future__ import annotations

import io
import random
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from qualrec.errors import UsageError
from qualrec.intake import fast
from qualrec.intake.files import fits_blocks, read_blocks, read_file
from qualrec.intake.profile_text import from_toml, to_toml
from qualrec.intake.profiles import PULL_BENCH, WELD_CELL, TimeColumns, ValueColumn
from qualrec.intake.readers import open_table

SAMPLED = replace(
    WELD_CELL, name="sampled", sample="energy_J", values=WELD_CELL.values[:2], stop_words=("end",)
)
COMMA = replace(WELD_CELL, name="comma", delimiter="semicolon", decimal_style="comma")


def both(path, profile, zone="Europe/Vienna"):
    """Rows and problems by rows and by blocks."""
    strict = read_file(path, profile, plant_zone=zone)
    rows = list(strict.rows)
    quick = read_blocks(path, profile, plant_zone=zone)
    blocks = list(quick.blocks)
    expanded = [row for block in blocks for row in block.rows(profile)]
    return rows, strict, expanded, quick, blocks


def same(path, profile, zone="Europe/Vienna"):
    rows, strict, expanded, quick, _ = both(path, profile, zone)
    assert repr(expanded) == repr(rows)
    assert quick.problems == strict.problems
    assert quick.notes == strict.notes
    return rows


@pytest.fixture
def small_pieces(monkeypatch):
    """Files in pieces of 700 bytes, so that a small file has many stretches."""
    monkeypatch.setattr(fast, "PIECE_BYTES", 700)


@pytest.mark.parametrize("offset", ["", "Z", "+02:00", "-05:30"])
def test_clean_files(put, forms, small_pieces, offset):
    path = put(forms.machine(200, offset))
    assert len(same(path, WELD_CELL)) == 600


def test_clean_stretches_are_converted_by_columns(put, forms, small_pieces, monkeypatch):
    path = put(forms.machine(200))
    monkeypatch.setattr(fast, "_strict", None)  # called for a stretch that is not clean
    assert sum(map(len, read_blocks(path, WELD_CELL, plant_zone="UTC").blocks)) == 200


def test_comma_style(put, forms, small_pieces):
    text = forms.machine(100).replace(",", ";").replace(".", ",").replace("\n", "\r\n")
    assert len(same(put(text), COMMA)) == 300


def test_mark_and_missing_last_line_end(put, forms, small_pieces):
    assert len(same(put(forms.machine(50)[:-1], encoding="utf-8-sig"), WELD_CELL)) == 150


def test_a_line_longer_than_a_piece(put, forms, small_pieces):
    text = forms.machine(30).replace(",path", ",path " + "x" * 3000, 1)
    same(put(text), WELD_CELL)
    same(put(forms.machine(30).replace(",path", ",path " + "x" * 70_000, 1)), WELD_CELL)


HEADER = "lot,serial,nest,welded_at,collapse_mm,path_time_s,energy_J,stopped_by"
CELLS = {
    "number": [
        *(
            "0.281",
            "-0.281",
            "5.",
            ".5",
            "1e3",
            "1.5e-3",
            "1,5",
            "+0.3",
            "nan",
            "inf",
            "-",
            "",
            " 0.3",
            "0.3 ",
            "1_0",
        ),
        *(
            "0x1F",
            "1234567890123456",
            "123456789012345.5",
            "1 234",
            "\u22120.3",
            "00.5",
            "0." + "3" * 40,
            "-0.0",
        ),
    ],
    "id": [
        "L1",
        " L1",
        "L 1",
        "",
        "1.23E+11",
        "1E+5",
        "00012",
        "Ä1",
        "x" * 61,
        "a\tb",
        "end",
        "END ",
        "#N/A",
        "NA",
    ],
    "time": [
        *(
            "2026-05-14T06:42:10",
            "2026-05-14 06:42:10.5",
            "2026-05-14T06:42:10Z",
            "2026-05-14T06:42:10+02:00",
        ),
        *(
            "2026-05-14T06:42",
            "2026-02-30T06:42:10",
            "2026-03-29T02:30:00",
            "2026-10-25T02:30:00",
            "1899-01-01T00:00:00",
            "0000-05-14T06:42:10Z",
            "2026-05-14T06:42:10-00:30",
        ),
        *(
            "2026-05-14T24:00:00",
            "2026-05-14T06:42:60",
            "2026-05-14T06:42:10+15:00",
            "2026-05-14T06:42:10,25",
            "",
        ),
    ],
    "sample": ["1", "007", "0", "-1", "1.0", "999999999", "1234567890", "", "a"],
}


def kinds_of(profile):
    return ["id", "id", "id", "time", "number", "number", "sample" if profile.sample else "number", "id"]


def file_of(profile, cells, offset=""):
    sign = "," if profile.delimiter == "comma" else ";"
    header = HEADER.replace(",", sign)
    before = ["0047", "00001", "A", f"2026-05-14T06:42:10{offset}", "2", "3", "7", "path"]
    after = ["0047", "00003", "A", f"2026-05-14T06:42:11.5{offset}", "2", "3", "9", "path"]
    return "\n".join([header, *map(sign.join, (before, cells, after))]) + "\n"


@pytest.mark.parametrize("profile", [WELD_CELL, SAMPLED, COMMA], ids=lambda p: p.name)
def test_each_odd_cell_alone_gives_the_same_both_ways(put, profile):
    for column, kind in enumerate(kinds_of(profile)):
        for text in CELLS[kind]:
            cells = ["0047", "00002", "A", "2026-05-14T06:42:10", "2", "3", "8", "path"]
            cells[column] = text.replace(".", ",") if profile is COMMA and kind == "number" else text
            for offset in ("", "Z", "+02:00") if kind == "time" else ("",):
                same(put(file_of(profile, cells, offset)), profile)


def test_quotes_over_the_edge_of_a_piece(put, forms, small_pieces):
    text = forms.machine(30)
    place = text.rindex(",path", 0, 700)
    same(put(text[:place] + ',"pa' + "\n" * 80 + 'th"' + text[place + 5 :]), WELD_CELL)


def rows_of(profile):
    kinds = kinds_of(profile)
    plain = ["0047", None, "A", "2026-05-14T06:42:10", "0.281", "2.31", None, "path"]

    def build(changes, count):
        lines = []
        for k in range(count):
            cells = list(plain)
            cells[1], cells[6] = f"{k:05d}", str(k + 1)
            for row, column, choice in changes:
                if row % count == k:
                    options = CELLS[kinds[column]]
                    cells[column] = options[choice % len(options)]
            lines.append(("," if profile.delimiter == "comma" else ";").join(cells))
        return lines

    change = st.tuples(st.integers(0, 40), st.integers(0, 7), st.integers(0, 99))
    return st.builds(build, st.lists(change, max_size=4), st.integers(1, 40))


lines_to_insert = st.lists(
    st.tuples(
        st.integers(0, 40), st.sampled_from(["", ",,,,,,,", "end", "End,,,,,,,", "x,y", '"', "\r", '"a","b"'])
    ),
    max_size=2,
)


@pytest.mark.parametrize("profile", [WELD_CELL, SAMPLED, COMMA], ids=lambda p: p.name)
def test_any_file_gives_the_same_both_ways(put, small_pieces, profile):
    @given(rows_of(profile), lines_to_insert, st.sampled_from(["\n", "\r\n"]))
    @settings(max_examples=150)
    def check(lines, inserted, ending):
        header = HEADER if profile.delimiter == "comma" else HEADER.replace(",", ";")
        for place, line in inserted:
            lines.insert(place % (len(lines) + 1), line)
        same(put(ending.join([header, *lines]) + ending), profile)

    check()


@given(st.lists(st.floats(0, 9e14).map(lambda x: f"{x:.17f}"), min_size=1, max_size=50))
def test_the_c_parser_gives_the_nearest_double(texts):
    frame = pd.read_csv(io.StringIO("\n".join(texts)), header=None, dtype=np.float64, na_filter=False)
    assert frame[0].tolist() == [float(t) for t in texts]


def test_the_c_parser_gives_the_nearest_double_many_times():
    # Every digit string must give the same double as Python's float (correctly rounded, IEEE 754).
    rng = random.Random(5)
    texts = [repr(rng.uniform(-1e4, 1e4)) for _ in range(20_000)]
    texts += [f"{rng.uniform(0, 1e15):.20f}" for _ in range(5_000)]
    for sign in (".", ","):
        content = "\n".join(t.replace(".", sign) for t in texts)
        frame = pd.read_csv(
            io.StringIO(content), header=None, sep=";", dtype=np.float64, na_filter=False, decimal=sign
        )
        assert frame[0].tolist() == [float(t) for t in texts]


def test_repeats_are_found_across_stretches(put, forms, small_pieces):
    lines = forms.machine(100).splitlines()
    path = put("\n".join([*lines, lines[5], lines[60]]) + "\n")
    same(path, WELD_CELL)
    intake = read_blocks(path, WELD_CELL, plant_zone="UTC")
    list(intake.blocks)
    assert [(p.row, p.message.split(":")[0]) for p in intake.problems.kept] == [
        (102, "Repeats row 6"),
        (103, "Repeats row 61"),
    ]


def test_memory_does_not_grow_with_the_file(put, forms):
    import tracemalloc

    def peak(rows):
        path = put(forms.machine(rows), f"{rows}.csv")
        tracemalloc.start()
        with open_table(path, WELD_CELL.layout) as table:
            for _ in table.rows:
                pass
        found = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        return found

    assert peak(40_000) < 1.5 * peak(20_000)


def test_what_cannot_be_read_by_blocks(put, forms):
    assert not fits_blocks(PULL_BENCH)
    with pytest.raises(UsageError, match="by blocks"):
        read_blocks(put(forms.pull), PULL_BENCH, plant_zone="UTC")


def test_other_time_patterns_go_the_strict_way(put, forms):
    profile = replace(WELD_CELL, time=TimeColumns(("welded_at",), "YYYY-MM-DDThh:mm:ss"))
    assert len(same(put(forms.machine(20, "")), profile)) == 60


RATE = replace(
    WELD_CELL,
    name="rate",
    values=(*WELD_CELL.values, ValueColumn("collapse_mm", "RATE", "mm/s", per="path_time_s")),
)


def test_a_quotient_of_two_columns(put, forms, small_pieces):
    """Collapse rate = collapse / time to path, read both ways alike; a division by 0 is named."""
    path = put(forms.machine(120))
    rows = {(r.row_number, r.characteristic_code): r.value for r in same(path, RATE)}
    assert len(rows) == 480
    for (row, code), value in rows.items():
        if code == "RATE":
            assert value == rows[row, "COL"] / rows[row, "TTP"]
    lines = forms.machine(40).splitlines()
    cells = lines[20].split(",")
    cells[HEADER.split(",").index("path_time_s")] = "0"
    lines[20] = ",".join(cells)
    zero = put("\n".join(lines) + "\n", name="zero.csv")
    same(zero, RATE)
    intake = read_file(zero, RATE, plant_zone="UTC")
    assert len(list(intake.rows)) == 4 * 39
    assert [(p.row, p.column) for p in intake.problems.kept] == [(21, "path_time_s")]


@pytest.mark.parametrize(
    "changes",
    [
        {"kind": "tester"},
        {"values": (ValueColumn("collapse_mm", "RATE", "mm/s", per="collapse_mm"),)},
        {"values": (ValueColumn("collapse_mm", "RATE", "mm/s", per="lot"),)},
    ],
)
def test_a_quotient_that_makes_no_sense_is_refused(changes):
    with pytest.raises(UsageError, match="ivide"):
        replace(RATE, **changes)
    assert from_toml(to_toml(RATE)) == RATE
