"""The sample files are what their generator makes, and the ceramic strengths are the published ones."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from statistics import mean

import pytest
from openpyxl import load_workbook

from qualrec.errors import UsageError
from qualrec.intake.files import read_file
from qualrec.intake.profiles import BUILT_IN, choose_profile
from qualrec.reference import case
from qualrec.work.sample_files import CERAMIC_PROFILE, GENERATED, TESTER_WORKBOOK, locate, write
from qualrec.work.sample_plan import make_plan

ZONE = "Europe/Berlin"
BY_PROFILE = {"tester_pulls.xlsx": TESTER_WORKBOOK, "ceramic_strength.csv": CERAMIC_PROFILE}


def cells(content: bytes) -> list[list[tuple[object, str, str]]]:
    sheet = load_workbook(io.BytesIO(content)).active
    assert sheet is not None
    return [[(c.value, c.data_type, c.number_format) for c in row] for row in sheet.iter_rows()]


@pytest.mark.parametrize("name", list(GENERATED))
def test_the_generator_makes_the_files_that_are_there(name: str) -> None:
    there, made = locate(name).read_bytes(), GENERATED[name]()
    if name.endswith(".xlsx"):  # the parts of a workbook hang on the version of the library, its cells do not
        assert cells(there) == cells(made)
    else:
        assert there == made


def test_the_same_bytes_come_out_again(tmp_path: Path) -> None:
    first = {p.name: p.read_bytes() for p in write(tmp_path / "a")}
    assert first == {p.name: p.read_bytes() for p in write(tmp_path / "b")}
    assert first.keys() == GENERATED.keys()


def test_an_unknown_name_is_said() -> None:
    with pytest.raises(UsageError, match="no sample file"):
        locate("x.csv")


@pytest.mark.parametrize("name", [n for n in GENERATED if not n.endswith(".toml") and "bad" not in n])
def test_every_file_reads_without_a_problem(name: str) -> None:
    path = locate(name)
    profile = BY_PROFILE.get(name) or choose_profile(path, BUILT_IN)
    found = read_file(path, profile, plant_zone=ZONE)
    rows = list(found.rows)
    assert rows
    assert not found.problems


def test_the_bad_file_has_one_problem() -> None:
    path = locate("tester_pulls_bad.csv")
    found = read_file(path, choose_profile(path), plant_zone=ZONE)
    assert len(list(found.rows)) == 1
    (problem,) = found.problems.kept
    assert (problem.row, problem.column) == (8, "Peak force")


def test_no_row_collides_with_the_sample_plant() -> None:
    planned = {
        (owner.number, r.code, str(r.cavity or ""), r.sample)
        for part in make_plan().parts
        for owner in (*part.lots, *part.mouldings)
        for r in owner.readings
    }
    for name in ("tester_pulls.csv", "transmission_meter.txt"):
        path = locate(name)
        for row in read_file(path, choose_profile(path), plant_zone=ZONE).rows:
            assert (row.lot, row.characteristic_code, row.stream, row.sample) not in planned


def test_the_ceramic_strengths_are_the_published_ones() -> None:
    """NIST/SEMATECH e-Handbook 1.4.2.10: 480 strengths; batch means 688.9986 and 611.1560."""
    with locate("ceramic_strength.csv").open(encoding="ascii", newline="") as text:
        rows = list(csv.DictReader(text))
    assert len(rows) == 480
    assert len({r["lot"] for r in rows}) == 16
    published = case("ftest_nist_ceramic").expected["means"]
    means = [mean(float(r["strength"]) for r in rows if r["lot"].endswith(f"B{b}")) for b in (1, 2)]
    assert published.accepts(means)
