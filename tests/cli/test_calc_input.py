"""`calc`: reading of figures and files, text for the reader, help, and errors that name what is needed."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import openpyxl
import pytest

from qualrec.cli.calc import MODULES

Run = Callable[..., dict[str, Any]]
Program = Callable[..., tuple[int, str, str]]

ERRORS: dict[str, tuple[tuple[str, ...], str]] = {
    "describe": ((), "No values given"),
    "constants": (("1",), "2"),
    "spread": (("1", "2", "3", "--size", "2"), "subgroups of 2"),
    "normality": (("1", "2"), "at least 8"),
    "outliers": (("1", "2"), "at least 3"),
    "chart": (("1", "2", "3", "--kind", "pareto"), "xbar-r"),
    "rules": (("1", "2", "3", "--rule", "one-side:12"), "7 to 9"),
    "arl": (("--scheme", "none"), "cusum"),
    "design": (("--shift", "0", "--within", "5", "--one-in", "200"), "shift"),
    "drift": (("1", "2"), "at least"),
    "capability": (("1", "2", "3"), "limit"),
    "distribution": (("1", "2", "3", "4", "--shape", "cauchy"), "weibull"),
    "strength": (("5", "--held", "a"), "not a number"),
    "tolerance": (("1", "1", "1"), "the same"),
    "proportion": (("--failures", "5", "--n", "3"), "not possible"),
    "gauge": (("1", "2", "3"), "--part"),
    "agreement": (("--table", "1 2 / 3"), "rows of the table"),
    "components": (("1", "2", "3"), "--by"),
    "compare": (("1", "2", "3"), "not told apart"),
    "regression": (("1", "2", "3"), "--x"),
    "sampling": (("--n", "50"), "--accept"),
    "optics": (("--transmission", "99", "--thickness", "2"), "99"),
    "energy": (("--process", "contour", "--power", "50"), "speed"),
    "pair": (("--upper", "PA6", "--lower", "wood"), "wood"),
    "melt": (("--upper", "PA6", "--lower", "PA6", "--joint-energy", "1", "--flux", "1"), "--time"),
    "heat": (
        ("--upper", "PA6", "--lower", "PA6", "--upper-thickness", "0", "--lower-thickness", "2", "--flux", "0.1",
         "--heating", "1", "--extinction", "20"),
        "upper thickness",
    ),
    "window": (("--factor", "power=60"), "LOW..HIGH"),
}  # fmt: skip


def test_every_command_has_an_error_test() -> None:
    assert set(ERRORS) == set(MODULES)


@pytest.mark.parametrize("name", list(MODULES))
def test_an_error_names_what_is_needed_and_ends_with_2(name: str, calc_program: Program) -> None:
    args, needed = ERRORS[name]
    code, out, err = calc_program(name, *args)
    assert code == 2
    assert out == ""
    assert needed.casefold() in err.casefold()
    assert "Traceback" not in err


@pytest.mark.parametrize("name", list(MODULES))
def test_the_help_says_what_is_computed_and_names_the_keys(name: str, calc_program: Program) -> None:
    code, out, _ = calc_program(name, "--help")
    assert code == 0
    assert "JSON" in out
    assert "--json" in out


def test_the_list_of_commands(calc_program: Program) -> None:
    code, out, _ = calc_program("--help")
    assert code == 0
    assert all(f"\n  {name} " in out for name in MODULES)


def test_an_unknown_command_is_refused(calc_program: Program) -> None:
    code, _, err = calc_program("pareto")
    assert code == 2
    assert "pareto" in err


# Reading of figures.


@pytest.mark.parametrize(
    "figures",
    [["1.5", "2.25", "-3"], ["1,5", "2,25", "-3"], ["1.5", "2.25", "-3.0"]],
)
def test_decimal_point_or_comma(figures: list[str], calc_json: Run) -> None:
    assert calc_json("describe", *figures)["mean"] == pytest.approx(0.25)


def test_a_typed_comma_with_three_digits_is_ambiguous_and_an_option_settles_it(
    calc_program: Program, calc_json: Run
) -> None:
    code, _, err = calc_program("describe", "1,234", "2,345")
    assert code == 2
    assert "can be read as" in err
    assert calc_json("describe", "1,234", "2,345", "--decimal", "comma")["mean"] == pytest.approx(1.7895)
    assert calc_json("describe", "1.234", "2.345")["mean"] == pytest.approx(1.7895)


def test_options_take_a_decimal_comma(calc_json: Run) -> None:
    found = calc_json("capability", "--mean", "16,0", "--sd", "2", "--lsl", "8", "--usl", "20", "--n", "30")
    assert found["cpk"] == pytest.approx(2 / 3)


def test_a_misspelled_option_is_no_value(calc_program: Program) -> None:
    code, _, err = calc_program("describe", "1", "2", "--colum", "x")
    assert code == 2
    assert "no option --colum" in err


@pytest.mark.parametrize(
    ("text", "options"),
    [
        ("y;lot\n1,5;A\n2,25;B\n", []),
        ("y\tlot\n1.5\tA\n2.25\tB\n", []),
        ("remark\nmade on Monday\ny;lot\n1,5;A\n2,25;B\n", []),
        ("1.5,A\n2.25,B\n", ["--header-row", "0", "--column", "A"]),
        ('y,lot\n"1,5",A\n"2,25",B\n', []),
        ("y,lot\n1.5,A\n2.25,B\n9,C\n", ["--only", "lot=A", "--only", "lot=A"]),
    ],
)
def test_files_of_several_kinds(text: str, options: list[str], calc_json: Run, tmp_path: Path) -> None:
    path = tmp_path / "figures.csv"
    path.write_text(text, encoding="utf-8")
    column = [] if "--column" in options else ["--column", "y"]
    decimal = ["--decimal", "comma"] if '"' in text else []
    found = calc_json("describe", path, *column, *options, *decimal)
    assert found["mean"] == pytest.approx(1.5 if "--only" in options else 1.875)


def test_a_column_of_numbers_alone_needs_no_name_and_three_decimals_in_a_csv_are_decimals(
    calc_json: Run, tmp_path: Path
) -> None:
    path = tmp_path / "rings.csv"
    path.write_text("74.030\n74.002\n", encoding="utf-8")
    found = calc_json("describe", path, "--decimal", "point")
    assert found["mean"] == pytest.approx(74.016)
    assert "no header" in " ".join(found["notes"])


def test_a_workbook(calc_json: Run, tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    for row in (("force", "lot"), (1.5, "A"), (2.25, "B")):
        book.active.append(row)
    book.save(tmp_path / "f.xlsx")
    assert calc_json("describe", tmp_path / "f.xlsx", "--column", "force")["mean"] == pytest.approx(1.875)


def test_cells_that_are_no_numbers_are_refused_with_their_place(
    calc_program: Program, tmp_path: Path
) -> None:
    path = tmp_path / "f.csv"
    path.write_text("force,lot\n1.5,A\nabc,B\n,C\n", encoding="utf-8")
    code, _, err = calc_program("describe", path, "--column", "force")
    assert code == 2
    assert "row 3, column force" in err
    assert "row 4, column force: The cell is empty" in err


def test_empty_cells_are_counted_on_request_only(
    calc_json: Run, calc_program: Program, tmp_path: Path
) -> None:
    path = tmp_path / "f.csv"
    path.write_text("force,lot\n1.5,A\n,B\n2.5,\n3.5,C\n", encoding="utf-8")
    assert calc_program("describe", path, "--column", "force")[0] == 2
    found = calc_json("describe", path, "--column", "force", "--missing", "count")
    assert found["n"] == 3
    assert "1 of 4 rows" in " ".join(found["notes"])
    by_lot = calc_json("describe", path, "--column", "force", "--by", "lot", "--missing", "count")
    assert by_lot["n"] == 2
    gaps = calc_json("chart", path, "--column", "force", "--missing", "count")
    assert gaps["tracks"][0]["values"] == [1.5, None, 2.5, 3.5]


def test_a_missing_file_or_column_is_named(calc_program: Program, pulls_table: Path, tmp_path: Path) -> None:
    code, _, err = calc_program("describe", tmp_path / "none.csv")
    assert code == 2
    assert "none.csv" in err
    code, _, err = calc_program("describe", pulls_table, "--column", "Force ")
    assert code == 0
    code, _, err = calc_program("describe", pulls_table, "--column", "strength")
    assert code == 2
    assert "lot, person, force, failed" in err


# Text for the reader.


@pytest.mark.parametrize(
    "args",
    [
        ("capability", "{table}", "--column", "force", "--lot", "lot", "--lsl", "95"),
        ("capability", "--mean", "16", "--sd", "2", "--lsl", "8", "--usl", "20", "--n", "30"),
        ("capability", "--index", "1.33", "--n", "30"),
        (
            "capability",
            "{table}",
            "--column",
            "force",
            "--lsl",
            "95",
            "--shape",
            "normal",
            "--samples",
            "100",
        ),
    ],
)
def test_no_index_without_its_lower_bound(
    args: tuple[str, ...], calc_program: Program, pulls_table: Path
) -> None:
    code, out, _ = calc_program(*(a.replace("{table}", str(pulls_table)) for a in args))
    assert code == 0
    indices = [line for line in out.splitlines() if line.startswith(("Cp", "Pp"))]
    assert all("lower bound" in line for line in indices)
    assert "lower bound" in out


def test_without_n_the_answer_says_that_the_bounds_are_missing(calc_json: Run) -> None:
    found = calc_json("capability", "--mean", 16, "--sd", 2, "--lsl", 8, "--usl", 20)
    assert found["cpk_lower"] is None
    assert "proves nothing" in " ".join(found["notes"])


def test_text_fits_a_screen_and_shows_source_and_convention(calc_program: Program, pulls_table: Path) -> None:
    force = [pulls_table, "--column", "force"]
    energy = [
        "--process",
        "contour",
        "--power",
        "50",
        "--speed",
        "40",
        "--width",
        "2",
        "--transmission",
        "30",
    ]
    commands: list[list[object]] = [
        ["describe", *force, "--by", "lot"],
        ["spread", *force, "--by", "lot"],
        ["chart", *force],
        ["energy", *energy],
    ]
    for args in commands:
        code, out, _ = calc_program(*args)
        assert code == 0
        assert "Source:" in out
        assert max(map(len, out.splitlines())) <= 120
