"""Published gauge and agreement cases through the commands that people call: plan, sheet, import, analyse, show.

Source and how each figure was obtained stand in the packaged case (qualrec/reference/cases.json). Where a case prints sums in
place of single values, runs with exactly these sums are entered, which is said beside it.
"""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import pytest

import qualrec.reference
from qualrec.reference import Case, case, load_cases

DATA = Path(qualrec.reference.__file__).parent / "data"
Program = Callable[..., tuple[int, str, str]]
Key = tuple[str, ...]
DONE = {
    "grr_aiag_average_range",
    "grr_houf_berman",
    "grr_nist_resistivity",
    "kappa_aiag_pairs",
    "kappa_fleiss_1971",
    "kappa_cohen_3x3",
}


@pytest.fixture(scope="module")
def plant(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """One plant with a gauge, for all cases."""
    from qualrec.records import registry
    from qualrec.records.database import open_store
    from qualrec.work.set_up import PROGRAM

    path = tmp_path_factory.mktemp("studies") / "plant.sqlite"
    with open_store(f"sqlite:///{path}", create=True) as store, store.write(PROGRAM) as writer:
        registry.add_plant(writer, "P", "Invented plant", "Europe/Berlin", "point", single_user=True)
        registry.add_person(
            writer, "Invented engineer", "E-1", roles=("process engineer", "quality engineer")
        )
        registry.add_gauge(writer, "G-1", "Invented gauge", "invented")
    return path


@pytest.fixture
def study(plant: Path, program: Program, tmp_path: Path) -> Callable[..., dict[str, Any]]:
    """Plans a study, fills its sheet in by the factors of each run, takes it back, and gives the analysis of `show`."""

    def run(design: str, number: str, values: Mapping[Key, str], *options: str) -> dict[str, Any]:
        gauge = () if design == "agreement" else ("--gauge", "G-1")
        code, out, err = program(plant, "gauge-study", "plan", design, "--number", number, *gauge, *options)
        assert code == 0, err
        sheet = tmp_path / f"{number}.csv"
        assert program(plant, "gauge-study", "sheet", number, "-o", str(sheet))[0] == 0
        with sheet.open(encoding="utf-8-sig", newline="") as file:
            head, *rows = list(csv.reader(file))
        assert len(rows) == len(values)
        factors = [h for h in head if h not in ("study", "run", "unit", "value", "class")]
        for row in rows:
            row[-1] = values[tuple(row[head.index(name)] for name in factors)]
        filled = tmp_path / "filled.csv"
        with filled.open("w", encoding="utf-8", newline="") as file:
            csv.writer(file).writerows([head, *rows])
        code, out, err = program(plant, "gauge-study", "import", number, str(filled))
        assert code == 0, err
        assert f"{len(rows)} runs entered" in out
        code, out, err = program(plant, "gauge-study", "analyse", number, "--json")
        assert code in (0, 1), err
        done = json.loads(out)
        assert (code == 1) == (done["verdict"] == "not acceptable")
        return dict(done["analysis"]["data"])

    return run


def rows_of(c: Case) -> list[dict[str, str]]:
    with (DATA / Path(c.inputs["file"]).name).open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def agree(c: Case, found: Mapping[str, Any]) -> None:
    """Every printed figure of the case within its printed tolerance."""
    assert c.expected.keys() <= found.keys()
    for name, wanted in c.expected.items():
        assert wanted.accepts(found[name]), (name, found[name], wanted.printed)


def test_no_gauge_or_agreement_case_is_left_out() -> None:
    assert {c.id for c in load_cases() if c.kind in ("gauge_rr", "attribute_agreement")} == DONE


def test_average_and_range(study: Callable[..., dict[str, Any]]) -> None:
    c = case("grr_aiag_average_range")
    values = {(r["part"], r["appraiser"], r["trial"]): r["value"] for r in rows_of(c)}
    k = f"{c.inputs['K1']} {c.inputs['K2']} {c.inputs['K3']}"
    found = study(
        "average-range", "R-1", values, "--parts", "1-10", "--people", "A,B,C", "--trials", "3", "--k", k
    )
    upper = {name: found[name.lower()] for name in ("EV", "AV", "GRR", "PV", "TV")}
    shares = {f"pct_{name}": found[f"pct_{name.lower()}"] for name in ("EV", "AV", "GRR", "PV")}
    agree(c, found | upper | shares | {"xbar_diff": found["x_diff"]})
    assert found["verdict"] == "conditional"


def test_analysis_of_variance(study: Callable[..., dict[str, Any]]) -> None:
    c = case("grr_houf_berman")
    values = {(r["part"], r["inspector"], r["trial"]): r["value"] for r in rows_of(c)}
    found = study("crossed", "R-2", values, "--parts", "1-10", "--people", "1,2,3", "--trials", "3")
    table = found["table"]
    names = {"var_inspector": "var_person", "var_repeat": "var_repeatability"}
    agree(
        c,
        found
        | {
            "ss": [row["ss"] for row in table],
            "ms": [row["ms"] for row in table[:-1]],
            "F": [row["f"] for row in table[:3]],
            **{name: found[key] for name, key in names.items()},
        },
    )


def test_a_kept_analysis_is_shown_and_comes_out_the_same_again(
    plant: Path, program: Program, study: Callable[..., dict[str, Any]]
) -> None:
    values = {(p, w, t): str(10 * int(p) + int(t) + (w == "B")) for p in "123" for w in "AB" for t in "12"}
    done = study("crossed", "K-1", values, "--parts", "1-3", "--people", "A,B", "--trials", "2")
    shown = json.loads(program(plant, "gauge-study", "show", "K-1", "--json")[1])
    assert shown["analysis"]["data"] == done
    assert shown["verdict"] == done["verdict"]
    assert shown["program_version"]
    code, out, _ = program(plant, "gauge-study", "show", "K-1", "--again")
    assert code == 0
    assert out.rstrip().endswith("The same as kept.")
    code, out, _ = program(plant, "gauge-study", "show", "K-1")
    assert "Convention: Verdict: GRR against the study variation" in out


def test_levels_in_time(study: Callable[..., dict[str, Any]]) -> None:
    """The case prints average and standard deviation of six repeats; entered are six values with exactly these."""
    c = case("grr_nist_resistivity")
    rows = [r for r in rows_of(c) if float(r["probe"]) == c.inputs["probe"]]
    step, values, days = math.sqrt(5.0 / 6.0), {}, {}
    for r in rows:
        master = f"{float(r['run']):g}.{float(r['wafer']):g}"
        days[master] = day = days.get(master, 0) + 1
        for n in range(6):
            value = float(r["average"]) + (-1) ** n * step * float(r["stddev"])
            values[str(day), master, str(n + 1)] = repr(value)
    masters = ",".join(sorted({key[1] for key in values}))
    sizes = ("--parts", masters, "--trials", "6", "--occasions", "1-6")
    agree(c, study("stability", "R-3", values, *sizes))


def calls_of(table: list[list[int]], names: tuple[str, str]) -> dict[Key, str]:
    """Calls of two people on single parts with exactly the counts of a table."""
    found: dict[Key, str] = {}
    part = 0
    for i, row in enumerate(table):
        for j, count in enumerate(row):
            for _ in range(count):
                part += 1
                found[str(part), names[0], "1"] = f"class {i}"
                found[str(part), names[1], "1"] = f"class {j}"
    return found


def kappa(
    study: Callable[..., dict[str, Any]],
    number: str,
    table: list[list[int]],
    names: tuple[str, str] = ("A", "B"),
) -> float:
    values = calls_of(table, names)
    parts = f"1-{len(values) // 2}"
    classes = ",".join(f"class {i}" for i in range(len(table)))
    options = ("--parts", parts, "--people", ",".join(names), "--trials", "1", "--classes", classes)
    return float(study("agreement", number, values, *options)["kappa"])


@pytest.mark.parametrize("pair", ["A_B", "B_C", "A_C"])
def test_pairs_of_appraisers(study: Callable[..., dict[str, Any]], pair: str) -> None:
    """The case prints the table of each pair of appraisers; entered are calls with these counts."""
    c = case("kappa_aiag_pairs")
    found = kappa(study, f"R-4{pair}", c.inputs["tables"][pair], (pair[0], pair[2]))
    assert c.expected[pair].accepts(found)


def test_a_table_of_three_classes(study: Callable[..., dict[str, Any]]) -> None:
    c = case("kappa_cohen_3x3")
    agree(c, {"kappa": kappa(study, "R-5", c.inputs["table"])})


def test_six_raters(study: Callable[..., dict[str, Any]]) -> None:
    """The case prints how many of six raters called each class; which of them does not matter to the figure."""
    c = case("kappa_fleiss_1971")
    values: dict[Key, str] = {}
    for row in rows_of(c):
        called = [name for name, n in row.items() if name.startswith("cat") for _ in range(int(n))]
        values |= {(row["subject"], str(at), "1"): name for at, name in enumerate(called, 1)}
    options = ("--parts", "1-30", "--people", "1-6", "--trials", "1", "--classes", "cat1,cat2,cat3,cat4,cat5")
    agree(c, study("agreement", "R-6", values, *options))
