"""`calc`: the options and the keys of every command, against figures worked by hand or by outside libraries."""

from __future__ import annotations

import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

Run = Callable[..., dict[str, Any]]
Program = Callable[..., tuple[int, str, str]]


def test_the_weld_energy_keys(calc_json: Run) -> None:
    """The worked case of the trade facts: 100 W, 1000 mm/s, 150 mm, 20 passes, 2 mm, 40 %."""
    settings = ["--power", 100, "--speed", 1000, "--length", 150, "--width", 2, "--passes", 20]
    found = calc_json("energy", "--process", "quasi-simultaneous", *settings, "--transmission", 40)
    assert found["laser_time_s"] == pytest.approx(3.0)
    assert found["line_energy_j_per_mm"] == pytest.approx(2.0)
    assert found["areal_energy_j_per_mm2"] == pytest.approx(1.0)
    assert found["joint_energy_j_per_mm2"] == pytest.approx(0.40)


def test_the_optics_keys(calc_json: Run) -> None:
    """13 % at 2 mm gives 0.979 per mm and 21.2 % at 1.5 mm (exp law with 4 % per face, by hand)."""
    found = calc_json("optics", "--transmission", 13, "--thickness", 2, "--reflection", 4, "--at", 1.5)
    assert found["extinction_per_mm"] == pytest.approx(-math.log(0.13 / 0.96**2) / 2)
    assert found["transmission_pct"] == pytest.approx(21.2, abs=0.05)


def test_optics_by_several_thicknesses_and_power_advice(calc_json: Run, tmp_path: Path) -> None:
    path = tmp_path / "t.csv"
    path.write_text(
        "mm,pct\n" + "\n".join(f"{d},{92 * math.exp(-0.8 * d):.6f}" for d in (1, 1.5, 2, 3)) + "\n"
    )
    found = calc_json("optics", path, "--column", "pct", "--thickness-column", "mm", "--at", 2.5)
    assert found["extinction_per_mm"] == pytest.approx(0.8, abs=1e-5)
    assert found["transmission_pct"] == pytest.approx(92 * math.exp(-2.0), rel=1e-5)
    advice = calc_json(
        "optics", "--power", 60, "--transmission", 24, "--transmission-now", 19, "--max-power", 70
    )
    assert advice["wanted_power_w"] == pytest.approx(60 * 24 / 19)
    assert advice["clipped"] is True


def test_melt_heat_and_pair(calc_json: Run) -> None:
    melt = calc_json("melt", "--upper", "PA6", "--lower", "PA6", "--joint-energy", 0.4, "--time", 3)
    assert melt["melt_depth_max_mm"] == pytest.approx(0.4 / melt["melt_energy_j_per_mm3"])
    parts = [
        "--upper",
        "PA6",
        "--lower",
        "PA6",
        "--upper-thickness",
        1,
        "--lower-thickness",
        1,
        "--extinction",
        20,
    ]
    heat = calc_json("heat", *parts, "--flux", 0.3, "--heating", 1, "--cells", 40, "--history")
    assert heat["absorbed_j_per_mm2"] == pytest.approx(0.3)
    assert heat["balance_error"] < 1e-6
    assert max(heat["joint_c"]) == heat["peak_joint_c"]
    pair = calc_json("pair", "--upper", "PA6-GF30", "--lower", "PA6", "--transmission", 25, "--absorbs")
    assert {f["topic"] for f in pair["findings"]} >= {"rating", "melt overlap", "upper optics"}


def test_window_plan_and_fit(calc_json: Run, tmp_path: Path) -> None:
    factors = ["--factor", "power=60..100", "--factor", "speed=800..1200"]
    plan = calc_json("window", *factors, "--repeats", 2)
    assert sorted(r["order"] for r in plan["runs"]) == list(range(1, len(plan["runs"]) + 1))
    lines = ["power,speed,strength,mode"]
    for i, r in enumerate(plan["runs"]):
        p, s = r["values"]["power"], r["values"]["speed"]
        strength = 600 - 0.2 * (p - 80) ** 2 - 0.001 * (s - 1000) ** 2 + (-1) ** i
        lines.append(f"{p},{s},{strength},{'interfacial' if p <= 60 else 'cohesive'}")
    path = tmp_path / "study.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    found = calc_json(
        "window", path, *factors, "--column", "strength", "--least", 540, "--most-interfacial", 0.5
    )
    assert found["set_point"]["power"] == pytest.approx(80, abs=8)
    assert found["strength_lower"] >= 540
    assert len(found["margins"]) == 2


def test_strength_with_columns_and_weld_factor(calc_json: Run, pulls_table: Path, tmp_path: Path) -> None:
    found = calc_json(
        "strength",
        pulls_table,
        "--column",
        "force",
        "--failed-column",
        "failed",
        "--lsl",
        100,
        "--parent",
        "150 155 160",
    )
    assert found["held"] == 12
    assert found["failures"] == 12
    assert found["weld_factor"] == pytest.approx(found["mean_plain"] / 155)
    assert found["kaplan_meier"]["stronger"][0] < 1
    path = tmp_path / "modes.csv"
    modes = ["interfacial", "cohesive", "parent material", "cohesive", "interfacial", "test fault"]
    path.write_text("force,mode\n" + "\n".join(f"{60 + 3 * i},{m}" for i, m in enumerate(modes)) + "\n")
    by_mode = calc_json("strength", path, "--column", "force", "--mode-column", "mode", "--by-mode")
    assert by_mode["modes"]["interfacial"]["failures"] == 2
    assert "1 test faults left out" in " ".join(by_mode["notes"])


def test_gauge_conventions(calc_json: Run, tmp_path: Path) -> None:
    rows = [
        (p, w, 10 * p + 0.3 * w + 0.1 * ((7 * p + 3 * w + 5 * k) % 4))
        for p in range(5)
        for w in range(2)
        for k in range(2)
    ]
    path = tmp_path / "g.csv"
    path.write_text("part,who,y\n" + "\n".join(f"{p},{w},{v}" for p, w, v in rows) + "\n")
    columns = ["--column", "y", "--part", "part", "--person", "who", "--lsl", 0, "--usl", 50]
    six, less = (
        calc_json("gauge", path, *columns),
        calc_json("gauge", path, *columns, "--multiplier", 5.15, "--ndc", "rounded"),
    )
    assert less["tolerance_grr"] == pytest.approx(six["tolerance_grr"] * 5.15 / 6)
    assert six["ndc"] == math.floor(six["ndc_raw"])
    assert less["ndc"] == round(less["ndc_raw"])
    assert calc_json("gauge", path, *columns, "--pool-above", 1)["pooled"] is False
    nested = calc_json("gauge", path, *columns, "--study", "nested")
    assert nested["grr"] > 0


def test_gauge_bias_linearity_stability_uncertainty_and_zones(calc_json: Run, tmp_path: Path) -> None:
    assert calc_json("gauge", 10.1, 10.2, 10.0, "--study", "bias", "--reference", 10)[
        "bias"
    ] == pytest.approx(0.1)
    path = tmp_path / "l.csv"
    path.write_text(
        "y,ref,day\n"
        + "\n".join(f"{1.01 * r + 0.01 * (i % 2)},{r},{i}" for i, r in enumerate((2, 4, 6, 8)))
        + "\n"
    )
    line = calc_json("gauge", path, "--study", "linearity", "--column", "y", "--reference-column", "ref")
    assert line["slope"] == pytest.approx(0.01, abs=0.002)
    drift = calc_json("gauge", path, "--study", "stability", "--column", "y", "--time-column", "day")
    assert drift["shown"] is True
    parts = calc_json("gauge", "--study", "uncertainty", "--contribution", "a=3", "--contribution", "b=4")
    assert parts["expanded"] == pytest.approx(10)
    zones = calc_json("gauge", 5, 10, 20, "--study", "zones", "--lsl", 10, "--expanded", 1)
    assert len(set(zones["zones"])) == 3


def test_agreement_from_raw_calls(calc_json: Run, tmp_path: Path) -> None:
    rows = ["i,i,c,i", "c,c,c,c", "i,c,c,i", "c,c,c,c", "i,i,i,i", "c,c,i,c"]
    path = tmp_path / "calls.csv"
    path.write_text("A,B,C,known\n" + "\n".join(rows) + "\n")
    two = calc_json("agreement", path, "--judge", "A", "--judge", "B")
    assert two["kappa"] == pytest.approx((5 / 6 - 0.5) / 0.5)
    three = calc_json("agreement", path, "--judge", "A,B,C", "--reference", "known", "--good", "c")
    assert three["method"] == "Fleiss"
    assert three["reference"]["A"]["share"] == 1
    assert three["reference"]["B"]["missed"][1] > 0
    assert set(three["pairs"]) == {"A and B", "A and C", "B and C"}


@pytest.mark.parametrize("test", ["t", "welch", "f", "levene", "bartlett", "mann-whitney"])
def test_two_groups(test: str, calc_json: Run) -> None:
    """scipy: ttest_ind, var ratio, levene(center='median'), bartlett, mannwhitneyu on the same six values."""
    from scipy import stats

    a, b = [1.0, 2.0, 3.0], [2.0, 3.0, 5.0]
    found = calc_json("compare", "--group", "A=1 2 3", "--group", "B=2 3 5", "--test", test)
    outside = {
        "t": stats.ttest_ind(a, b).statistic,
        "welch": stats.ttest_ind(a, b, equal_var=False).statistic,
        "f": 1.0 / (7.0 / 3.0),
        "levene": stats.levene(a, b, center="median").statistic,
        "bartlett": stats.bartlett(a, b).statistic,
        "mann-whitney": stats.mannwhitneyu(a, b).statistic,
    }
    assert found["statistic"] == pytest.approx(outside[test])
    assert set(found) >= {"p", "df", "critical_low", "critical_high", "groups"}


def test_equivalence_paired_pairs_and_components(calc_json: Run, pulls_table: Path) -> None:
    wide = calc_json("compare", "--group", "1 2 3", "--group", "2 3 4", "--test", "tost", "--margin", 5)
    assert wide["equivalent"] is True
    paired = calc_json("compare", "--group", "1 2 3", "--group", "2 3 5", "--test", "paired")
    assert paired["estimate"] == pytest.approx(-4 / 3)
    pairs = calc_json("compare", pulls_table, "--column", "force", "--by", "lot", "--test", "pairs")
    assert len(pairs["pairs"]) == 15
    for method in ("anova", "reml"):
        parts = calc_json(
            "components", pulls_table, "--column", "force", "--by", "lot,person", "--method", method
        )
        assert [p["name"] for p in parts["components"]] == ["lot", "person", "within"]
        assert parts["var_within"] == pytest.approx(0.5)


def test_regression_quadratic_and_logistic(calc_json: Run, tmp_path: Path) -> None:
    rows = [(a, b, 10 - (a - 1) ** 2 - (b + 0.5) ** 2) for a in (-1, 0, 1, 2) for b in (-1, 0, 1)]
    path = tmp_path / "s.csv"
    path.write_text(
        "a,b,y,fail\n" + "\n".join(f"{a},{b},{y},{int((a + b + a * b) % 2 == 0)}" for a, b, y in rows) + "\n"
    )
    found = calc_json(
        "regression",
        path,
        "--column",
        "y",
        "--x",
        "a,b",
        "--model",
        "quadratic",
        "--at",
        "1 -0.5",
        "--least",
        9,
    )
    assert found["stationary"] == pytest.approx([1, -0.5])
    assert found["stationary_kind"] == "maximum"
    assert found["predictions"][0]["mean"] == pytest.approx(10)
    chance = calc_json("regression", path, "--column", "fail", "--x", "a", "--model", "logistic", "--at", "0")
    assert 0 < chance["predictions"][0]["mean"] < 1
    assert chance["coefficients"][1]["odds_ratio"] == pytest.approx(math.exp(chance["b"][1]))


def test_charts_of_every_kind(calc_json: Run, pulls_table: Path, tmp_path: Path) -> None:
    from qualrec.cli.calc_chart_build import BUILDERS

    force = [pulls_table, "--column", "force"]
    path = tmp_path / "c.csv"
    lines = [f"{i % 4 + 1},{50 + i},{2 + i % 2},0.5,{i % 3},{i * i % 5}" for i in range(12)]
    path.write_text("bad,n,target,sd,a,b\n" + "\n".join(lines) + "\n")
    sizes = [path, "--column", "bad", "--size-column", "n"]
    args: dict[str, list[object]] = {
        "individuals": force,
        "xbar-r": [*force, "--by", "lot"],
        "xbar-s": [*force, "--by", "lot"],
        "lot-means": [*force, "--by", "lot"],
        "ewma": force,
        "cusum": [*force, "--head-start", 0.5],
        "p": sizes,
        "np": sizes,
        "u": sizes,
        "p-prime": sizes,
        "u-prime": sizes,
        "c": [path, "--column", "bad"],
        "zero": [0, 0, 1],
        "g": [3, 5, 100, 22, 17, 4, 8],
        "t": [3.5, 5, 100, 22, 17, 4, 8],
        "t2": [path, "--column", "a,b"],
        "deviation": [path, "--column", "bad", "--target-column", "target"],
        "standardised": [path, "--column", "bad", "--target-column", "target", "--sigma-column", "sd"],
    }
    assert set(args) == set(BUILDERS)
    for kind, given in args.items():
        found = calc_json("chart", *given, "--kind", kind)
        assert found["kind"] == kind
        assert found["n"] == len(found["tracks"][0]["values"])
        assert {"centre", "ucl", "lcl", "signals", "points_beyond"} <= set(found)


def test_subgroup_charts_from_means_and_ranges(calc_json: Run, pulls_table: Path, tmp_path: Path) -> None:
    path = tmp_path / "sums.csv"
    path.write_text("mean,range\n10.0,1.0\n10.4,1.4\n9.8,0.9\n")
    found = calc_json(
        "chart", path, "--kind", "xbar-r", "--column", "mean", "--spread-column", "range", "--size", 5
    )
    assert found["ucl"] == pytest.approx(30.2 / 3 + 0.5768193 * 1.1, rel=1e-6)  # A2 of n = 5, ISO 7870-2


def test_limits_from_averages_alone(calc_json: Run) -> None:
    """50.81 -+ 3 x 1.8778/1.128 = 55.8041 and 45.8159: NIST e-Handbook 6.3.2.2 (from memory)."""
    found = calc_json("chart", "--centre", 50.81, "--mean-spread", 1.8778, "--factors", "printed")
    assert found["ucl"] == pytest.approx(55.8041, abs=1e-4)
    assert found["lcl"] == pytest.approx(45.8159, abs=1e-4)
    means = calc_json("chart", "--kind", "xbar-r", "--centre", 74, "--mean-spread", 0.023, "--size", 5)
    assert means["ucl"] == pytest.approx(74 + 0.5768193 * 0.023, rel=1e-9)
    assert means["r_ucl"] == pytest.approx(2.1144991 * 0.023, rel=1e-6)
    assert means["n"] == 0


def test_left_out_points_known_limits_and_rules(calc_json: Run) -> None:
    x = [10, 11, 9, 10, 11, 9, 10, 30, 10, 11]
    whole = calc_json("chart", *x)
    less = calc_json("chart", *x, "--leave-out", "8=wrong gauge")
    assert less["ucl"] < whole["ucl"]
    assert less["points_beyond"] == [8]
    assert any("wrong gauge" in n for n in less["notes"])
    known = calc_json("chart", *x, "--centre", 10, "--sigma", 1, "--width", 2)
    assert known["ucl"] == 12
    rising = [1, 2, 3, 4, 5, 6, 7, 8, 9]
    found = calc_json(
        "rules", *rising, "--run-length", 9, "--rule", "rise-or-fall:7", "--centre", 0, "--sigma", 5
    )
    assert {s["rule"] for s in found["signals"]} == {"run on one side", "steady rise or fall"}
    assert found["first_signal"] == 7


def test_run_lengths_and_design(calc_json: Run) -> None:
    """370.4 at 3 sigma: 1/0.0027 by the normal distribution; 500 of EWMA 0.2, 2.962: Lucas & Saccucci 1990 (from memory)."""
    assert calc_json("arl")["arl_0"] == pytest.approx(370.398, rel=1e-5)
    assert calc_json("arl", "--scheme", "ewma", "--weight", 0.2, "--width", 2.962)["arl"] == pytest.approx(
        500, rel=0.02
    )
    assert calc_json("arl", "--scheme", "rules", "--run-length", 8)["arl"] == pytest.approx(152.73, rel=1e-3)
    scatter = calc_json("arl", "--lots", 25)["scatter"]
    assert scatter["low"] < scatter["median"] < scatter["high"]
    found = calc_json("design", "--shift", 20, "--sigma", 10, "--within", 5, "--one-in", 200)
    assert found["met"] is True
    assert found["to_find"] < 5


def test_capability_by_lots_and_claims(calc_json: Run, pulls_table: Path) -> None:
    found = calc_json(
        "capability",
        pulls_table,
        "--column",
        "force",
        "--lot",
        "lot",
        "--lsl",
        80,
        "--usl",
        150,
        "--claim",
        1.0,
    )
    assert found["k"] == 6
    assert found["ppk_lower"] < found["ppk_lower_independent"]
    assert found["between_p"] < 0.01
    assert any("Lots differ" in c for c in found["conventions"])
    chosen = calc_json(
        "capability", pulls_table, "--column", "force", "--lsl", 80, "--shape", "lognormal", "--samples", 100
    )
    assert chosen["ppk_lower"] <= chosen["ppk"]
    median = calc_json(
        "capability", pulls_table, "--column", "force", "--lsl", 80, "--within", "median-moving-range"
    )
    assert median["within_estimator"].startswith("median moving range")


def test_tolerance_from_data_and_without_shape(calc_json: Run, pulls_table: Path) -> None:
    found = calc_json("tolerance", pulls_table, "--column", "force", "--side", "lower", "--lsl", 95)
    assert found["high"] is None
    assert found["low"] == pytest.approx(found["mean"] - found["k_one_sided"] * found["sd"])
    assert 0 < found["share_beyond_lsl"] < 1
    values = [100 + k for k in range(100)]
    free = calc_json("tolerance", *values, "--method", "distribution-free", "--coverage", 0.9)
    assert free["confidence"] >= 0.95


def test_proportions_by_lot_and_sampling_plans(calc_json: Run, calc_program: Program) -> None:
    found = calc_json("proportion", 0, 1, 0, 5, 0, 0, "--size", 20)
    assert found["design_effect"] > 1
    assert found["n_effective"] < found["n"] == 120
    more = calc_json("proportion", "--failures", 0, "--n", 20, "--claim", 0.05)
    assert (more["needed_n"], more["more_needed"]) == (59, 39)
    plan = calc_json("sampling", "--good", 0.01, "--bad", 0.06)
    assert plan["pa_good"] >= 0.95
    assert plan["pa_bad"] <= 0.10
    by_values = calc_json("sampling", "--good", 0.01, "--bad", 0.06, "--variables")
    assert by_values["n"] < plan["n"]
    code, out, _ = calc_program("sampling", 197, 188, 184, 205, 208, "--usl", 209, "--k", 1.53)
    assert code == 1
    assert "accepted" in out


def test_outliers_are_named_and_not_left_out(calc_json: Run) -> None:
    x = [10.0, 10.1, 9.9, 10.2, 9.8, 10.05, 9.95, 14.0, 10.0, 10.1, 9.9, 10.0, 10.1, 9.9, 10.05, 3.0]
    found = calc_json("outliers", *x, "--test", "esd", "--most", 4)
    assert found["outlier_values"] == [3.0, 14.0]
    assert found["outliers"] == [16, 8]


def test_factors_as_printed_tables_have_them(calc_json: Run) -> None:
    assert calc_json("constants", 5, "--decimals", 3)["D4"] == 2.114
    assert calc_json("constants", 5)["D4"] == pytest.approx(2.114499145)


def test_a_share_far_out_in_a_tail_is_not_printed_as_a_figure(calc_json: Run, calc_program: Program) -> None:
    """Five values 12 s above the limit prove no share of 1e-29 ppm; --json keeps what the formula gives."""
    values = ("612.4", "598.1", "640.0", "655.5", "631.2")
    assert 0 < calc_json("capability", *values, "--lsl", 350)["estimated_below_ppm"] < 1e-20
    code, out, _ = calc_program("capability", *values, "--lsl", 350)
    line = next(row for row in out.splitlines() if row.startswith("estimated below"))
    assert (code, "less than 0.001" in line, "e-" in line) == (0, True, False)
