"""Every packaged published case, run through the `calc` command that expresses it, within its printed tolerance.

Source and how each figure was obtained stand in the packaged case (qualrec/reference/cases.json).
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import qualrec.reference
from qualrec.errors import ComputeError
from qualrec.reference import Case, case, load_cases

DATA = Path(qualrec.reference.__file__).parent / "data"
Found = dict[str, Any]


Run = Callable[..., Found]


def file_of(c: Case) -> Path:
    return DATA / Path(c.inputs["file"]).name


def constants(run: Run, c: Case) -> Found:
    if c.id == "constants_d2star":
        star = run("constants", *c.inputs["n"], "--groups", 1)
        return {
            "d2star_g1": star["d2_star"],
            "K1_trials_2_3": [1 / v for v in star["d2"][:2]],
            "K2_appraisers_2_3": star["K"][:2],
            "K3_parts_2_to_10": star["K"],
        }
    return run("constants", *c.inputs["n"])


def descriptive(run: Run, c: Case) -> Found:
    found = run("describe", file_of(c), "--column", "y")
    return {"mean": found["mean"], "stdev_n_minus_1": found["sd"], "lag1_autocorrelation": found["r1"]}


def anova(run: Run, c: Case) -> Found:
    y, by = ("diameter", "batch") if "gear" in c.id else ("y", "treatment")
    found = run("compare", file_of(c), "--test", "anova", "--column", y, "--by", by)
    return found | {"F": found["f"]}


def norris(run: Run, c: Case) -> Found:
    return run("regression", file_of(c), "--column", "y", "--x", "x")


def individuals(run: Run, c: Case) -> Found:
    printed = ["--factors", "printed"] if isinstance(c.inputs["d2"], float) else []
    found = run("chart", *c.inputs["x"], "--kind", "individuals", *printed)
    return found | {"center": found["centre"]}


def subgroups(run: Run, c: Case) -> Found:
    if "montgomery" in c.id:
        options = ["--kind", "xbar-r", "--column", "x1..x5", "--factors", "printed"]
        found = run("chart", file_of(c), *options, "--factor", f"D4={c.inputs['D4']}")
        return found | {"xbar_ucl": found["ucl"], "xbar_lcl": found["lcl"], "sigma_hat": found["sigma"]}
    options = ["--column", "diameter", "--by", "batch"]
    ranged, deviating = (run("chart", file_of(c), "--kind", k, *options) for k in ("xbar-r", "xbar-s"))
    found = {f"xbar_{k}_r": ranged[k] for k in ("ucl", "lcl")} | {
        f"xbar_{k}_s": deviating[k] for k in ("ucl", "lcl")
    }
    return deviating | ranged | found


def counts(run: Run, c: Case) -> Found:
    kind = c.id.partition("_")[0]
    if kind == "c":
        return run("chart", *c.inputs["counts"], "--kind", "c")
    if c.id == "p_montgomery_revised":
        return run("chart", *c.inputs["defectives"], "--kind", "p", "--size", c.inputs["n"])
    columns = ("defects", "length_m") if kind == "u" else ("defective", "n")
    return run("chart", file_of(c), "--kind", kind, "--column", columns[0], "--size-column", columns[1])


def ewma(run: Run, c: Case) -> Found:
    i = c.inputs
    if "shift_sigma" in i:
        shifts = " ".join(map(str, i["shift_sigma"]))
        return run("arl", "--scheme", "ewma", "--weight", i["lambda"], "--width", i["L"], "--shift", shifts)
    known = [
        "--centre",
        i["target"],
        "--sigma",
        i["sigma"],
        "--weight",
        i["lambda"],
        "--width",
        i["L"],
        "--steady",
    ]
    return run("chart", *i["x"], "--kind", "ewma", *known)


def cusum(run: Run, c: Case) -> Found:
    i = c.inputs
    if "shift_sigma" in i:
        shifts = " ".join(map(str, i["shift_sigma"]))
        return run("arl", "--scheme", "cusum", "--slack", i["k"], "--decision", i["h"], "--shift", shifts)
    known = ["--target", i["target"], "--sigma", 1, "--slack", i["k"], "--decision", i["h"]]
    found = run("chart", *i["x"], "--kind", "cusum", *known)
    return found | {"s_hi": found["c_plus"], "s_lo": found["c_minus"]}


def multivariate(run: Run, c: Case, tmp_path: Path) -> Found:
    if "x" in c.inputs:
        path = tmp_path / "rows.csv"
        path.write_text("a,b,c\n" + "\n".join(",".join(map(str, row)) for row in c.inputs["x"]) + "\n")
        with pytest.raises(ComputeError):
            run("chart", path, "--kind", "t2", "--column", "a,b,c", "--leave-out", "1")
        found = run("chart", path, "--kind", "t2", "--column", "a,b,c")
        return {"mean": found["mean"], "cov": found["covariance"]}
    found = run("chart", file_of(c), "--kind", "t2", "--column", "y1,y2", "--by", "subgroup")
    return {"mean": found["mean"], "pooled_cov": found["covariance"], "T2": found["t2"]}


def capability(run: Run, c: Case) -> Found:
    i = c.inputs
    if c.id == "cap_nist_example":
        found = run("capability", "--mean", i["mean"], "--sd", i["s"], "--lsl", i["lsl"], "--usl", i["usl"])
        return found | {"k": found["k_offset"]}
    if c.id == "cap_ppm_table":
        each = [run("capability", "--sd", 1, "--lsl", -3 * v, "--usl", 3 * v) for v in i["cp"]]
        return {
            "one_sided_ppm": [e["estimated_above_ppm"] for e in each],
            "two_sided_ppm": [e["estimated_ppm"] for e in each],
        }
    found = run("capability", file_of(c), "--column", "x1..x5", "--lsl", i["lsl"], "--within", "rbar")
    names = {
        "ppl_overall": "ppl",
        "cpl_within": "cpl",
        "sigma_within": "sd_within",
        "s_overall": "sd_overall",
    }
    return found | {name: found[key] for name, key in names.items()}


def bounds(run: Run, c: Case) -> Found:
    i = c.inputs
    if c.id == "capci_cp_montgomery":
        found = run("capability", "--sd", i["s"], "--lsl", i["lsl"], "--usl", i["usl"], "--n", i["n"])
        return {"cp": found["cp"], "lower": found["cp_low"], "upper": found["cp_high"]}
    if c.id == "capci_cpk_bissell_a":
        each = [run("capability", "--index", v, "--n", n) for v, n in zip(i["cpk"], i["n"], strict=True)]
        return {"lower": [e["cpk_low"] for e in each], "upper": [e["cpk_high"] for e in each]}
    if c.id == "capci_cpu_exact_n30":
        lower = run("capability", "--index", i["index"], "--n", i["n"])["one_sided_lower"]
        return {"lower": lower}
    each = [run("capability", "--index", v, "--n", n) for v, n in zip(i["cp"], i["n"], strict=True)]
    return {"lower": [e["cp_lower"] for e in each]}


def percentile(run: Run, c: Case) -> Found:
    i = c.inputs
    known = ["--parameter", f"log_mean={i['mu']}", "--parameter", f"log_sd={i['sigma']}"]
    found = run("distribution", "--shape", i["dist"], *known, "--lsl", i["lsl"], "--usl", i["usl"])
    return found | {"x_0135": found["x_low"], "x_50": found["x_median"], "x_99865": found["x_high"]}


def gauge(run: Run, c: Case) -> Found:
    i = c.inputs
    if c.id == "grr_nist_resistivity":
        columns = [
            "--column",
            "average",
            "--sd-column",
            "stddev",
            "--by",
            "run",
            "--by",
            "wafer",
            "--repeats",
            6,
        ]
        return run("gauge", file_of(c), "--study", "levels", *columns, "--only", f"probe={i['probe']}")
    if c.id == "grr_houf_berman":
        found = run("gauge", file_of(c), "--column", "value", "--part", "part", "--person", "inspector")
        table = found["table"]
        names = {"var_inspector": "var_person", "var_repeat": "var_repeatability"}
        return found | {
            "ss": [row["ss"] for row in table],
            "ms": [row["ms"] for row in table[:-1]],
            "F": [row["f"] for row in table[:3]],
            **{name: found[key] for name, key in names.items()},
        }
    k = f"{i['K1']} {i['K2']} {i['K3']}"
    columns = ["--column", "value", "--part", "part", "--person", "appraiser", "--k", k]
    found = run("gauge", file_of(c), "--study", "average-range", *columns)
    upper = {name: found[name.lower()] for name in ("EV", "AV", "GRR", "PV", "TV")}
    shares = {f"pct_{name}": found[f"pct_{name.lower()}"] for name in ("EV", "AV", "GRR", "PV")}
    return found | upper | shares | {"xbar_diff": found["x_diff"]}


def agreement(run: Run, c: Case) -> Found:
    def table(rows: list[list[int]]) -> float:
        return run("agreement", "--table", " / ".join(" ".join(map(str, r)) for r in rows))["kappa"]

    if c.id == "kappa_aiag_pairs":
        return {name: table(rows) for name, rows in c.inputs["tables"].items()}
    if c.id == "kappa_cohen_3x3":
        return {"kappa": table(c.inputs["table"])}
    return run("agreement", file_of(c), "--count-column", "cat1..cat5")


def tolerance(run: Run, c: Case) -> Found:
    i = c.inputs
    if c.id == "tol_nist_wafers":
        shares = ["--coverage", i["coverage"], "--confidence", i["conf"]]
        summary = ["--n", i["n"], "--mean", i["mean"], "--sd", i["s"]]
        two = run("tolerance", *summary, *shares, "--method", "approximate")
        upper = run("tolerance", *summary, *shares, "--side", "upper")
        return {
            "k2_howe": two["k_howe"],
            "k1_natrella": two["k_natrella"],
            "k1_noncentral_t": two["k_one_sided"],
            "two_sided_lower": two["low"],
            "two_sided_upper": two["high"],
            "upper_one_sided": upper["high"],
        }
    if c.id == "tol_k1_95_95":
        sizes = [v for n in i["n"] for v in ("--n", n)]
        return {"k1": run("tolerance", *sizes, "--coverage", 0.95, "--confidence", 0.95)["k_one_sided"]}
    rows = zip(i["n"], i["coverage"], i["conf"], strict=True)
    each = [run("tolerance", "--n", n, "--coverage", p, "--confidence", q) for n, p, q in rows]
    return {"k1": [e["k_one_sided"] for e in each], "k2_exact": [e["k_two_sided"] for e in each]}


def sample_size(run: Run, c: Case) -> Found:
    if "conf_reliability" in c.inputs:
        rows = c.inputs["conf_reliability"]
        each = [run("proportion", "--reliability", r, "--confidence", q) for q, r in rows]
        return {"n": [e["needed_n"] for e in each]}
    rows = c.inputs["coverage_conf"]
    each = [run("tolerance", "--smallest-n", "--coverage", p, "--confidence", q) for p, q in rows]
    return {"n": [e["smallest_n"] for e in each]}


def binomial(run: Run, c: Case) -> Found:
    i = c.inputs
    if "x_n_conf" in i:
        each = [run("proportion", "--failures", x, "--n", n, "--level", q) for x, n, q in i["x_n_conf"]]
        return {"lower": [e["wilson_low"] for e in each], "upper": [e["wilson_high"] for e in each]}
    found = run("proportion", "--failures", i["x"], "--n", i["n"], "--level", i["conf"])
    return {"lower": found["exact_low"], "upper": found["exact_high"]}


def fit(run: Run, c: Case) -> Found:
    i = c.inputs
    if "failures" in i:
        found = run("strength", *i["failures"], "--held", f"{i['censored_at']}x{i['n_censored']}")
    else:
        found = run("strength", *i["x"]) | run("distribution", *i["x"], "--shape", "weibull")
    points = {"x_0135": found.get("x_low"), "x_50": found.get("x_median"), "x_99865": found.get("x_high")}
    return found["parameters"] | points


def normality(run: Run, c: Case) -> Found:
    found = run("normality", *(c.inputs["x"] if "x" in c.inputs else [file_of(c)]))
    return {"A2": found["a2"], "W": found["w"]}


def outliers(run: Run, c: Case) -> Found:
    i = c.inputs
    values = i["x"] if "x" in i else [file_of(c)]
    if c.id.startswith("grubbs"):
        found = run("outliers", *values, "--side", i["side"], "--alpha", i["alpha"])
        return {"G": found["statistic"], "critical": found["critical_value"]}
    return {"E2": run("outliers", *values, "--test", "tietjen-moore", "--most", i["k"])["e"]}


def hypothesis(run: Run, c: Case) -> Found:
    path = file_of(c)
    if c.id == "bartlett_nist_gear":
        found = run("compare", path, "--test", "bartlett", "--column", "diameter", "--by", "batch")
        return {"T": found["statistic"], "critical_0.05": found["critical_high"]}
    if c.id == "chisq_sd_nist_gear":
        options = ["--column", "diameter", "--reference", c.inputs["sigma0"]]
        found = run("compare", path, "--test", "chi-square-sd", *options)
        ends = {"lower_tail_critical": found["critical_low"], "upper_tail_critical": found["critical_high"]}
        return {"s": found["estimate"], "T": found["statistic"], **ends}
    if c.id == "ftest_nist_ceramic":
        f, t = (
            run("compare", path, "--test", k, "--column", "strength", "--by", "batch") for k in ("f", "t")
        )
        groups = f["groups"].values()
        return {
            "means": [g["mean"] for g in groups],
            "sds": [g["sd"] for g in groups],
            "F": f["statistic"],
            "F_critical": [f["critical_low"], f["critical_high"]],
            "t": t["statistic"],
        }
    found = run("compare", path, "--test", "mean", "--reference", c.inputs["mu0"])
    ends = {"lower": found["estimate_low"], "upper": found["estimate_high"]}
    return found | ends | {"s": found["sd"], "t": found["statistic"]}


def runs(run: Run, c: Case) -> Found:
    return {"Z": run("drift", file_of(c))["runs_z"]}


def sampling(run: Run, c: Case) -> Found:
    i = c.inputs
    if c.id == "oc_nist_52_3":
        plan = ["--n", i["n"], "--accept", i["c"], "--lot", i["N"], "--p"]
        short, long = (run("sampling", *plan, " ".join(map(str, i[k]))) for k in ("p", "ati_p"))
        return {"Pa": short["pa"], "AOQ": short["aoq"], "ATI": long["ati"]}
    if "lot_upper_bounds" in i:
        sizes = [10**7 if b is None else b for b in i["lot_upper_bounds"]]
        return {
            level: "".join(run("sampling", "--lot", b, "--level", level)["letter"] for b in sizes)
            for level in c.expected
        }
    variables = ["--variables"] if c.kind == "acceptance_variables" else []
    if "letter" in i:
        aqls = i["AQL"] if isinstance(i["AQL"], list) else [i["AQL"]] * len(i["letter"])
        each = [
            run("sampling", "--letter", letter, "--aql", aql, *variables)
            for letter, aql in zip(i["letter"], aqls, strict=True)
        ]
        names = {"n": "n", "Ac": "ac", "Re": "re", "Pa_at_AQL": "pa_at_aql", "k": "k"}
        return {name: [e.get(key) for e in each] for name, key in names.items()}
    found = run("sampling", *i["x"], "--usl", i["usl"], "--k", i["k"])
    return found | {"s": found["sd"], "Q_U": found["q"]}


COMMANDS: dict[str, Callable[..., Found]] = {
    "chart_constants": constants,
    "descriptive": descriptive,
    "anova_oneway": anova,
    "regression": norris,
    "control_chart_individuals": individuals,
    "control_chart_subgroups": subgroups,
    "control_chart_attributes": counts,
    "ewma": ewma,
    "cusum": cusum,
    "multivariate": multivariate,
    "capability": capability,
    "capability_ci": bounds,
    "capability_nonnormal": percentile,
    "gauge_rr": gauge,
    "attribute_agreement": agreement,
    "tolerance_interval": tolerance,
    "sample_size": sample_size,
    "binomial_ci": binomial,
    "distribution_fit": fit,
    "normality": normality,
    "outlier": outliers,
    "hypothesis_test": hypothesis,
    "runs_test": runs,
    "acceptance_attributes": sampling,
    "acceptance_variables": sampling,
}
NOT_SHOWN = {("capci_cpu_exact_n30", "nct_cdf_at_solution")}
"""A check of the solution itself, which no command prints; the bound is compared."""


def test_every_kind_of_case_has_a_command() -> None:
    assert {c.kind for c in load_cases()} == set(COMMANDS)


@pytest.mark.parametrize("case_id", [c.id for c in load_cases()])
def test_published_case_through_the_command(case_id: str, calc_json: Run, tmp_path: Path) -> None:
    c = case(case_id)
    found = (
        multivariate(calc_json, c, tmp_path) if c.kind == "multivariate" else COMMANDS[c.kind](calc_json, c)
    )
    for name, expected in c.expected.items():
        if (case_id, name) not in NOT_SHOWN:
            assert expected.accepts(found[name]), (name, found[name], expected.value)
