"""What the product computes for each packaged published case, by kind of case, with the functions it uses itself."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np

from qualrec.reference import Case, read_columns

Found = dict[str, Any]


def compute(case: Case) -> Found:
    """The computed quantities of a case by name. Raises KeyError for a kind or a case that is not known."""
    return COMPUTE[case.kind](case)


def _values(case: Case) -> Any:
    return case.inputs["x"] if "x" in case.inputs else read_columns(case.inputs["file"])["y"]


def _grouped(file: str, value: str, group: str) -> list[Any]:
    columns = read_columns(file)
    x, labels = np.asarray(columns[value]), np.asarray(columns[group])
    return [x[labels == name] for name in dict.fromkeys(labels.tolist())]


def _constants(case: Case) -> Found:
    from qualrec.stats.constants import d2, d2_star, factors

    sizes = case.inputs["n"]
    if case.id == "constants_d2star":
        star = [d2_star(n, case.inputs["subgroups"]) for n in sizes]
        return {
            "d2star_g1": star,
            "K1_trials_2_3": [1.0 / d2(n) for n in (2, 3)],
            "K2_appraisers_2_3": [1.0 / d2_star(n, 1) for n in (2, 3)],
            "K3_parts_2_to_10": [1.0 / d2_star(n, 1) for n in range(2, 11)],
        }
    return {name: [getattr(factors(n), name) for n in sizes] for name in case.expected}


def _descriptive(case: Case) -> Found:
    from qualrec.stats.describe import describe

    found = describe(_values(case))
    return {"mean": found.mean, "stdev_n_minus_1": found.sd, "lag1_autocorrelation": found.r1}


def _anova(case: Case) -> Found:
    from qualrec.stats.components import anova_oneway

    columns = read_columns(case.inputs["file"])
    value, group = ("diameter", "batch") if "diameter" in columns else ("y", "treatment")
    table = anova_oneway(columns[value], columns[group])
    names = ("df_between", "df_within", "ss_between", "ss_within", "r_squared", "residual_sd")
    return {"F": table.f, **{name: getattr(table, name) for name in names}}


def _regression(case: Case) -> Found:
    from qualrec.stats.regression import line

    columns = read_columns(case.inputs["file"])
    fit = line(columns["x"], columns["y"])
    return {
        "b": [c.value for c in fit.coefficients],
        "se_b": [c.standard_error for c in fit.coefficients],
        "residual_sd": fit.residual_sd,
        "r_squared": fit.r_squared,
    }


def _individuals(case: Case) -> Found:
    from qualrec.stats.charts import individuals
    from qualrec.stats.printed_factors import with_factors

    chart = individuals(case.inputs["x"])
    printed = case.inputs["d2"]
    if isinstance(printed, float):
        chart = with_factors(chart, 2, {"d2": printed})
    level, moving = chart.tracks
    return {
        "center": level.centre[0],
        "mr_bar": np.nanmean(moving.values),
        "ucl": level.upper[0],
        "lcl": level.lower[0],
        "mr_ucl": moving.upper[0],
    }


def _subgroups(case: Case) -> Found:
    from qualrec.stats.charts import subgroups, xbar_r, xbar_s
    from qualrec.stats.printed_factors import with_factors

    columns, n = read_columns(case.inputs["file"]), int(case.inputs["subgroup_size"])
    if "x1" in columns:
        rows = np.column_stack([columns[f"x{i + 1}"] for i in range(n)])
    else:
        rows = np.reshape(columns["diameter"], (-1, n))
    g = subgroups(rows)
    ranged, deviating = xbar_r(g.means, g.ranges, g.sizes), xbar_s(g.means, g.sds, g.sizes)
    printed = {k: float(case.inputs[k]) for k in ("A2", "D3", "D4", "d2") if k in case.inputs}
    if printed:
        ranged = with_factors(ranged, n, printed)
    level, spread = ranged.tracks
    by_sd, sds = deviating.tracks
    assert ranged.frozen is not None
    return {
        "grand_mean": level.centre[0],
        "r_bar": float(np.mean(g.ranges)),
        "s_bar": float(np.mean(g.sds)),
        "sigma_hat": ranged.frozen.sigma,
        "xbar_ucl": level.upper[0],
        "xbar_lcl": level.lower[0],
        "xbar_ucl_r": level.upper[0],
        "xbar_lcl_r": level.lower[0],
        "xbar_ucl_s": by_sd.upper[0],
        "xbar_lcl_s": by_sd.lower[0],
        "r_ucl": spread.upper[0],
        "r_lcl": spread.lower[0],
        "s_ucl": sds.upper[0],
        "s_lcl": sds.lower[0],
    }


def _attributes(case: Case) -> Found:
    from qualrec.stats import attributes as at
    from qualrec.stats.rules import evaluate_chart

    inputs = case.inputs
    columns = read_columns(inputs["file"]) if "file" in inputs else {}
    kind = case.id.partition("_")[0]
    if kind == "c":
        chart = at.c_chart(inputs["counts"])
    elif kind == "u":
        chart = at.u_chart(columns["defects"], columns["length_m"])
    else:
        make = at.np_chart if kind == "np" else at.p_chart
        counts, sizes = (
            (columns["defective"], columns["n"]) if columns else (inputs["defectives"], inputs["n"])
        )
        chart = make(counts, sizes)
    track = chart.tracks[0]
    many = isinstance(case.expected["ucl"].value, list)
    return {
        f"{kind}_bar": track.centre[0],
        "ucl": track.upper if many else track.upper[0],
        "lcl": track.lower if many else track.lower[0],
        "points_beyond": [signal.points[-1] + 1 for signal in evaluate_chart(chart)],
    }


def _ewma(case: Case) -> Found:
    from qualrec.stats.ewma import apply
    from qualrec.stats.results import Frozen
    from qualrec.stats.runlength import Ewma, ewma_arl

    i = case.inputs
    if "shift_sigma" in i:
        return {"arl": [ewma_arl(Ewma(i["lambda"], i["L"]), shift).value for shift in i["shift_sigma"]]}
    frozen = Frozen("ewma", i["target"], i["sigma"], weight=i["lambda"], ewma_width=i["L"], steady=True)
    track = apply(frozen, i["x"]).tracks[0]
    return {"ewma": track.values, "ucl_steady": track.upper[0], "lcl_steady": track.lower[0]}


def _cusum(case: Case) -> Found:
    from qualrec.stats.cusum import apply
    from qualrec.stats.results import Frozen
    from qualrec.stats.rules import evaluate_chart
    from qualrec.stats.runlength import cusum_arl

    i = case.inputs
    if "shift_sigma" in i:
        return {"arl": [cusum_arl(i["k"], i["h"], shift).value for shift in i["shift_sigma"]]}
    chart = apply(Frozen("cusum", i["target"], 1.0, slack=i["k"], decision=i["h"]), i["x"])
    signals = [signal.points[-1] + 1 for signal in evaluate_chart(chart)]
    return {
        "s_hi": chart.tracks[0].values,
        "s_lo": np.abs(chart.tracks[1].values),
        "first_signal": min(signals, default=None),
    }


def _multivariate(case: Case) -> Found:
    from qualrec.stats.hotelling import freeze_t2, t2_values

    if "x" in case.inputs:
        frozen = freeze_t2(case.inputs["x"])
        return {"mean": frozen.mean, "cov": frozen.covariance}
    columns = read_columns(case.inputs["file"])
    rows = np.column_stack([columns["y1"], columns["y2"]]).reshape(-1, case.inputs["subgroup_size"], 2)
    frozen = freeze_t2(rows)
    return {"mean": frozen.mean, "pooled_cov": frozen.covariance, "T2": t2_values(frozen, rows)}


def _capability(case: Case) -> Found:
    from qualrec.stats import capability as cp
    from qualrec.stats import spread
    from qualrec.stats.capability_batch import index_values

    i = case.inputs
    if case.id == "cap_nist_example":
        indices = [float(v) for v in index_values(i["mean"], i["s"], i["lsl"], i["usl"])]
        off = abs(i["mean"] - (i["usl"] + i["lsl"]) / 2.0) / ((i["usl"] - i["lsl"]) / 2.0)
        return dict(zip(("cp", "cpk", "cpl", "cpu", "k"), (*indices, off), strict=True))
    if case.id == "cap_ppm_table":
        one, two = [], []
        for index in i["cp"]:
            lots = cp.LotSummary(np.array([2]), np.array([0.0]), np.array([1.0]))
            found = cp.capability(lots, -3.0 * index, 3.0 * index)
            one.append(1e6 * (found.estimated_above or 0.0))
            two.append(1e6 * ((found.estimated_below or 0.0) + (found.estimated_above or 0.0)))
        return {"one_sided_ppm": one, "two_sided_ppm": two}
    columns = read_columns(i["file"])
    table = np.column_stack([columns[f"x{j}"] for j in range(1, 6)])
    sigma = spread.from_ranges(np.ptp(table, axis=1), 5)
    lots_of = np.repeat(np.arange(len(table)), 5)
    found = cp.capability_of_values(table.ravel(), i["lsl"], None, None, lots_of, within=sigma)
    ppl, cpl = found.index("Ppl"), found.index("Cpl")
    assert ppl is not None
    assert cpl is not None
    return {
        "mean": found.mean,
        "s_overall": found.sd_overall,
        "sigma_within": found.sd_within,
        "ppl_overall": ppl.value,
        "cpl_within": cpl.value,
    }


def _capability_bounds(case: Case) -> Found:
    from qualrec.stats import capability_bounds as cb

    i = case.inputs
    if case.id == "capci_cp_montgomery":
        cp, df = (i["usl"] - i["lsl"]) / (6.0 * i["s"]), i["n"] - 1
        tail = (1.0 - i["conf"]) / 2.0
        low, high = (float(cb.bound_spread(cp, df, level)) for level in (1.0 - tail, tail))
        return {"cp": cp, "lower": low, "upper": high}
    if case.id == "capci_cpk_bissell_a":
        n, tail = np.asarray(i["n"]), (1.0 - i["conf"]) / 2.0
        bounds = [cb.bound_two_sided(i["cpk"], n, n - 1, level) for level in (1.0 - tail, tail)]
        return {"lower": bounds[0], "upper": bounds[1]}
    if case.id == "capci_cpu_exact_n30":
        n, root = i["n"], 3.0 * math.sqrt(i["n"])
        lower = float(cb.bound_one_sided(i["index"], n, n - 1, i["conf"]))
        return {
            "lower": lower,
            "nct_cdf_at_solution": float(cb.noncentral_t(n - 1, root * lower, root * i["index"])),
        }
    return {"lower": cb.bound_spread(i["cp"], np.asarray(i["n"]) - 1, i["conf"])}


def _percentile(case: Case) -> Found:
    from qualrec.stats.distributions import TAIL, index_of_points
    from qualrec.stats.shapes import SHAPES

    i = case.inputs
    points = SHAPES[i["dist"]].quantile(np.array([TAIL, 0.5, 1.0 - TAIL]), (i["mu"], i["sigma"]))
    low, middle, high = (float(p) for p in points)
    index = index_of_points((low, middle, high), i["lsl"], i["usl"])
    return {"x_0135": low, "x_50": middle, "x_99865": high, **{k.lower(): v for k, v in index.items()}}


def _gauge(case: Case) -> Found:
    from qualrec.stats import gauge as gg

    i, d = case.inputs, read_columns(case.inputs["file"])
    if case.id == "grr_nist_resistivity":
        own = [p == i["probe"] for p in d["probe"]]
        rows = [
            r
            for r, keep in zip(
                zip(d["run"], d["wafer"], d["stddev"], d["average"], strict=True), own, strict=True
            )
            if keep
        ]
        groups = [f"{run}/{wafer}" for run, wafer, _, _ in rows]
        levels = gg.gauge_time_levels([r[2] for r in rows], 6, [r[3] for r in rows], groups)
        return {"repeatability_sd": levels.repeatability_sd, "level2_sd": levels.level2_sd}
    if case.id == "grr_houf_berman":
        study = gg.gauge_anova(d["value"], d["part"], d["inspector"])
        v = study.variances
        return {
            "ss": [row.ss for row in study.table],
            "ms": [row.ms for row in study.table[:-1]],
            "F": [row.f for row in study.table[:3]],
            "var_part": v["part"],
            "var_inspector": v["person"],
            "var_interaction": v["interaction"],
            "var_repeat": v["repeatability"],
            "var_gauge": v["person"] + v["interaction"] + v["repeatability"],
        }
    factors = (i["K1"], i["K2"], i["K3"])
    study = gg.gauge_average_range(d["value"], d["part"], d["appraiser"], factors=factors)
    found: Found = {p.name: p.sd for p in study.parts} | {f"pct_{p.name}": p.study for p in study.parts}
    # The averages behind the parts, from the parts themselves.
    ev, av, (a, _, r) = study.part("EV").sd, study.part("AV").sd, study.counts
    return found | {
        "ndc_raw": study.ndc_raw,
        "ndc": study.ndc,
        "r_bar": ev / i["K1"],
        "xbar_diff": math.sqrt(av**2 + ev**2 / (a * r)) / i["K2"],
        "r_p": study.part("PV").sd / i["K3"],
    }


def _agreement(case: Case) -> Found:
    from qualrec.stats import agreement as ag

    if case.id == "kappa_aiag_pairs":
        return {name: ag.cohen_table(table).value for name, table in case.inputs["tables"].items()}
    if case.id == "kappa_cohen_3x3":
        return {"kappa": ag.cohen_table(case.inputs["table"]).value}
    columns = read_columns(case.inputs["file"])
    table = np.column_stack([row for name, row in columns.items() if name.startswith("cat")])
    return {"kappa": ag.fleiss(table).value}


def _tolerance(case: Case) -> Found:
    from qualrec.stats import tolerance as tol

    i = case.inputs
    if case.id == "tol_nist_wafers":
        n, p, c = i["n"], i["coverage"], i["conf"]
        howe, exact = tol.k_howe(n, p, c), tol.k_one_sided(n, p, c)
        return {
            "k2_howe": howe,
            "k1_natrella": tol.k_natrella(n, p, c),
            "k1_noncentral_t": exact,
            "two_sided_lower": i["mean"] - howe * i["s"],
            "two_sided_upper": i["mean"] + howe * i["s"],
            "upper_one_sided": i["mean"] + exact * i["s"],
        }
    sizes = i["n"]
    shares = i["coverage"] if isinstance(i["coverage"], list) else [i["coverage"]] * len(sizes)
    levels = i["conf"] if isinstance(i["conf"], list) else [i["conf"]] * len(sizes)
    rows = list(zip(sizes, shares, levels, strict=True))
    return {
        "k1": [tol.k_one_sided(*row) for row in rows],
        "k2_exact": [tol.k_two_sided(*row) for row in rows] if "k2_exact" in case.expected else [],
    }


def _sample_size(case: Case) -> Found:
    from qualrec.stats.proportions import success_run_n
    from qualrec.stats.tolerance import distribution_free_n

    if "conf_reliability" in case.inputs:
        return {"n": [success_run_n(c, r) for c, r in case.inputs["conf_reliability"]]}
    return {"n": [distribution_free_n(p, c) for p, c in case.inputs["coverage_conf"]]}


def _binomial(case: Case) -> Found:
    from qualrec.stats.proportions import clopper_pearson, wilson

    i = case.inputs
    if "x_n_conf" in i:
        found = [wilson(*row) for row in i["x_n_conf"]]
        return {"lower": [v.low for v in found], "upper": [v.high for v in found]}
    one = clopper_pearson(i["x"], i["n"], i["conf"])
    return {"lower": one.low, "upper": one.high}


def _fit(case: Case) -> Found:
    from qualrec.stats.distributions import TAIL
    from qualrec.stats.strength import fit_strength

    i = case.inputs
    if "failures" in i:
        x = [*i["failures"], *[i["censored_at"]] * i["n_censored"]]
        fit = fit_strength(x, [k < len(i["failures"]) for k in range(len(x))])
        return dict(fit.parameters)
    fit = fit_strength(i["x"], shares=(TAIL, 0.5, 1.0 - TAIL))
    points = [p.value for p in fit.percentiles]
    return {**fit.parameters, **dict(zip(("x_0135", "x_50", "x_99865"), points, strict=True))}


def _normality(case: Case) -> Found:
    from qualrec.stats.normality import anderson_darling, shapiro_wilk

    x = _values(case)
    return {"W": shapiro_wilk(x)[0]} if "W" in case.expected else {"A2": anderson_darling(x)[0]}


def _outlier(case: Case) -> Found:
    from qualrec.stats.outliers import grubbs, tietjen_moore

    if case.id.startswith("grubbs"):
        found = grubbs(_values(case), case.inputs["alpha"], case.inputs["side"])
        return {"G": found.statistics[0], "critical": found.critical[0]}
    return {"E2": tietjen_moore(_values(case), case.inputs["k"]).statistics[0]}


def _test(case: Case) -> Found:
    from qualrec.stats import compare as cp

    if case.id == "bartlett_nist_gear":
        found = cp.bartlett(_grouped(case.inputs["file"], "diameter", "batch"))
        return {"T": found.statistic, "critical_0.05": found.critical[1]}
    if case.id == "chisq_sd_nist_gear":
        t = cp.sd_test(read_columns(case.inputs["file"])["diameter"], case.inputs["sigma0"])
        critical = dict(zip(("lower_tail_critical", "upper_tail_critical"), t.critical, strict=True))
        return {"s": t.estimate, "T": t.statistic, **critical}
    if case.id == "ftest_nist_ceramic":
        first, second = _grouped(case.inputs["file"], "strength", "batch")
        f = cp.f_test(first, second)
        return {
            "means": [cp.mean_test(v).estimate for v in (first, second)],
            "sds": [cp.sd_test(v).estimate for v in (first, second)],
            "F": f.statistic,
            "F_critical": f.critical,
            "t": cp.welch_t(first, second, pooled=True).statistic,
        }
    x = _values(case)
    t = cp.mean_test(x, case.inputs["mu0"])
    assert t.interval is not None
    return {
        "mean": t.estimate,
        "s": cp.sd_test(x).estimate,
        "lower": t.interval.low,
        "upper": t.interval.high,
        "t": t.statistic,
    }


def _runs(case: Case) -> Found:
    from qualrec.stats.drift import runs_test

    return {"Z": runs_test(_values(case)).z}


def _attribute_sampling(case: Case) -> Found:
    from qualrec.stats import sampling as sp
    from qualrec.stats.table_plans import attribute_plan, code_letter

    i = case.inputs
    if case.id == "oc_nist_52_3":
        curve = sp.operating_curve(i["n"], i["c"], i["p"], i["N"])
        return {
            "Pa": curve.pa,
            "AOQ": curve.aoq,
            "ATI": sp.operating_curve(i["n"], i["c"], i["ati_p"], i["N"]).ati,
        }
    if "lot_upper_bounds" in i:
        bounds = [10_000_000 if b is None else b for b in i["lot_upper_bounds"]]
        return {level: "".join(code_letter(b, level) for b in bounds) for level in case.expected}
    plans = [attribute_plan(letter, aql) for letter, aql in zip(i["letter"], i["AQL"], strict=True)]
    pa = [float(sp.acceptance(p.n, p.accept or 0, [p.aql / 100.0])[0]) for p in plans]
    return {
        "n": [p.n for p in plans],
        "Ac": [p.accept for p in plans],
        "Re": [p.reject for p in plans],
        "Pa_at_AQL": pa,
    }


def _variables_sampling(case: Case) -> Found:
    from qualrec.stats.sampling import judge_variables
    from qualrec.stats.table_plans import variables_plan

    i = case.inputs
    if "letter" in i:
        plans = [variables_plan(letter, i["AQL"]) for letter in i["letter"]]
        return {"n": [p.n for p in plans], "k": [p.k for p in plans]}
    v = judge_variables(i["x"], i["k"], usl=i["usl"])
    return {"n": v.n, "mean": v.mean, "s": v.sd, "Q_U": v.q, "accept": v.accept}


COMPUTE: dict[str, Callable[[Case], Found]] = {
    "chart_constants": _constants,
    "descriptive": _descriptive,
    "anova_oneway": _anova,
    "regression": _regression,
    "control_chart_individuals": _individuals,
    "control_chart_subgroups": _subgroups,
    "control_chart_attributes": _attributes,
    "ewma": _ewma,
    "cusum": _cusum,
    "multivariate": _multivariate,
    "capability": _capability,
    "capability_ci": _capability_bounds,
    "capability_nonnormal": _percentile,
    "gauge_rr": _gauge,
    "attribute_agreement": _agreement,
    "tolerance_interval": _tolerance,
    "sample_size": _sample_size,
    "binomial_ci": _binomial,
    "distribution_fit": _fit,
    "normality": _normality,
    "outlier": _outlier,
    "hypothesis_test": _test,
    "runs_test": _runs,
    "acceptance_attributes": _attribute_sampling,
    "acceptance_variables": _variables_sampling,
}
