"""Gauge studies with their working and verdict, from plain columns: what `calc gauge` prints and a stored study keeps."""

from __future__ import annotations

import math
from collections.abc import Hashable, Sequence

from qualrec.errors import UsageError
from qualrec.judge.gauge_verdict import (
    AGAINST,
    MANUAL,
    add_verdict,
    bias_verdict,
    linearity_verdict,
    scatter_verdict,
)
from qualrec.stats import gauge as gg
from qualrec.stats import gauge_use as gu
from qualrec.stats.gauge import MULTIPLIER, GaugeStudy
from qualrec.stats.working import Working

WAYS = ("crossed", "average-range", "nested")
PART_WORDS = {
    "EV": "repeatability",
    "AV": "people",
    "INT": "interaction",
    "GRR": "gauge, GRR",
    "PV": "parts",
    "TV": "total",
}
Limits = tuple[float | None, float | None]


def scatter_working(
    way: str,
    values: Sequence[float],
    parts: Sequence[str],
    people: Sequence[str],
    limits: Limits = (None, None),
    *,
    pool_above: float = 0.05,
    multiplier: float = MULTIPLIER,
    rounded: bool = False,
    factors: tuple[float, float, float] | None = None,
    against: str = AGAINST[0],
) -> Working:
    """A crossed ('crossed' by analysis of variance, 'average-range') or a 'nested' study; `parts` of a nested one are batches.

    Data: ev, av, int, grr, pv, tv (standard deviations), pct_ev ... (% of study variation), contribution_ev ... (% of
    variance), tolerance_ev ..., study_ev ..., var_repeatability ..., ndc, ndc_raw, pooled, table, verdict. Raises ComputeError.
    """
    if not multiplier > 0:
        raise UsageError(f"The spread multiplier is {multiplier:g}.", "Usual are 6 and 5.15.")
    lsl, usl = limits
    if way == "crossed":
        found = gg.gauge_anova(values, parts, people, lsl, usl, pool_above)
    elif way == "nested":
        found = gg.gauge_nested(values, parts, people, lsl, usl)
    else:
        found = gg.gauge_average_range(values, parts, people, lsl, usl, factors)
    answer = Working(f"Gauge study: {found.method}", MANUAL, found.part("TV").sd)
    names = ("batches", "people", "pieces") if way == "nested" else ("parts", "people", "trials")
    answer.data |= dict(zip(names, found.counts, strict=True))
    answer.lines.append((", ".join(names), ", ".join(map(str, found.counts)), ""))
    _parts(answer, found, multiplier)
    if way == "average-range":
        _ranges(answer, values, parts, people)
    _categories(answer, found, rounded)
    answer.conventions += [f"Study variation = {multiplier:g} sd; negative variances are set to 0."]
    add_verdict(answer, scatter_verdict(found, against, multiplier, answer.data["ndc"]))
    answer.notes += found.notes
    return answer


def _parts(answer: Working, found: GaugeStudy, multiplier: float) -> None:
    scale = multiplier / MULTIPLIER
    rows = []
    for p in found.parts:
        key = p.name.lower()
        tolerance = p.tolerance * scale
        answer.data |= {key: p.sd, f"pct_{key}": p.study, f"contribution_{key}": p.contribution}
        answer.data |= {f"tolerance_{key}": tolerance, f"study_{key}": multiplier * p.sd}
        rows.append(
            (
                PART_WORDS[p.name],
                f"{p.sd:.6g}",
                f"{multiplier * p.sd:.5g}",
                f"{p.study:.2f}",
                f"{p.contribution:.2f}",
                "" if math.isnan(tolerance) else f"{tolerance:.2f}",
            )
        )
    heads = ("", "sd", f"{multiplier:g} sd", "% of study", "% of variance", "% of tolerance")
    answer.table("", heads, rows)
    v = found.variances
    answer.data |= {f"var_{name}": value for name, value in v.items()}
    answer.data["var_gauge"] = v["repeatability"] + v["person"] + v["interaction"]
    answer.data["pooled"] = found.pooled
    keys = ("source", "df", "ss", "ms", "f", "p")
    answer.data["table"] = [{k: getattr(row, k) for k in keys} for row in found.table]
    if found.table:
        answer.table(
            "Analysis of variance",
            keys,
            [
                (r.source, str(r.df), r.ss, *("" if math.isnan(v) else f"{v:.5g}" for v in (r.ms, r.f, r.p)))
                for r in found.table
            ],
        )
    for name, interval in found.intervals.items():
        answer.data |= {f"var_{name}_low": interval.low, f"var_{name}_high": interval.high}


def _categories(answer: Working, found: GaugeStudy, rounded: bool) -> None:
    count = round(found.ndc_raw) if rounded and math.isfinite(found.ndc_raw) else found.ndc
    answer.data |= {"ndc": count, "ndc_raw": found.ndc_raw}
    way = "rounded" if rounded else "truncated"
    answer.lines.append(
        ("categories told apart", str(count), f"ndc = 1.41 PV/GRR = {found.ndc_raw:.3f}, {way}")
    )


def _ranges(answer: Working, values: Sequence[float], parts: Sequence[str], people: Sequence[str]) -> None:
    """The averages of a study by averages and ranges."""
    cells = _groups(values, list(zip(parts, people, strict=True)))
    r_bar = sum(max(c) - min(c) for c in cells) / len(cells)
    means = [[sum(g) / len(g) for g in _groups(values, names)] for names in (people, parts)]
    answer.add("r_bar", r_bar, "mean range", "of the trials")
    answer.add("x_diff", max(means[0]) - min(means[0]), "range of people's means")
    answer.add("r_p", max(means[1]) - min(means[1]), "range of part means")


def _groups(values: Sequence[float], names: Sequence[Hashable]) -> list[list[float]]:
    found: dict[Hashable, list[float]] = {}
    for value, name in zip(values, names, strict=True):
        found.setdefault(name, []).append(value)
    return list(found.values())


def bias_working(
    values: Sequence[float], reference: float, width: float | None = None, level: float = 0.95
) -> Working:
    """Bias against a reference. Data: n, mean, bias, bias_low, bias_high, sd, t, p, shown, percent, verdict."""
    found = gu.bias(values, reference, width, level)
    answer = Working(f"Bias against {reference:g}", MANUAL, found.sd)
    answer.add("n", found.n, "readings")
    answer.data["mean"] = found.value + reference
    answer.add("bias", found.value, "bias", "mean of the readings - reference", "x")
    answer.interval("bias", found.interval, "its interval")
    answer.add("sd", found.sd, "repeatability")
    t = found.value / (found.sd / math.sqrt(found.n)) if found.sd > 0 else math.nan
    answer.add("t", t, "t", "bias / (sd / sqrt(n))")
    answer.add("p", found.p, "p-value", "", "p")
    answer.add("shown", found.shown, "bias shown", "0 lies outside the interval")
    if width is not None:
        answer.add("percent", found.percent, "bias in % of the width", f"of {width:g}")
    add_verdict(answer, bias_verdict(found))
    return answer


def linearity_working(readings: Sequence[float], references: Sequence[float], level: float = 0.95) -> Working:
    """Bias over references. Data: n, slope, intercept, slope_p, intercept_p, average_bias, r_squared, residual_sd, holds,
    verdict."""
    found = gu.linearity(references, readings, level)
    fit = found.fit
    answer = Working(f"Linearity: bias over reference, {fit.n} readings", MANUAL)
    intercept, slope = fit.coefficients
    answer.add("n", fit.n, "readings")
    answer.add("slope", slope.value, "slope", f"standard error {slope.standard_error:.5g}, t {slope.t:.4g}")
    answer.add("slope_p", found.slope_p, "p-value, slope 0", "", "p")
    answer.add("intercept", intercept.value, "intercept", f"standard error {intercept.standard_error:.5g}")
    answer.add("intercept_p", found.intercept_p, "p-value, intercept 0", "", "p")
    answer.add("average_bias", found.average_bias, "average bias")
    answer.add("r_squared", fit.r_squared, "R²")
    answer.add("residual_sd", fit.residual_sd, "residual sd", f"{fit.df} degrees of freedom")
    answer.add("holds", found.holds, "bias 0 inside the band", "over the whole range")
    add_verdict(answer, linearity_verdict(found))
    return answer


def drift_working(
    readings: Sequence[float], times: Sequence[float], unit: str = "unit of time", level: float = 0.95
) -> Working:
    """Drift of one master. Data: n, slope, slope_low, slope_high, p, shown."""
    found = gu.stability(times, readings, level)
    answer = Working(f"Stability of a master, {found.n} readings", MANUAL)
    answer.add("n", found.n, "readings")
    answer.add("slope", found.slope, "drift", f"per {unit}")
    answer.interval("slope", found.interval, "its interval", "g")
    answer.add("p", found.p, "p-value", "", "p")
    answer.add("shown", found.shown, "drift shown", "0 lies outside the interval")
    return answer


def levels_working(
    sds: Sequence[float], repeats: int, averages: Sequence[float], groups: Sequence[str]
) -> Working:
    """Repeatability and day-to-day scatter. Data: repeatability_sd, repeatability_df, level2_sd, level2_df."""
    found = gg.gauge_time_levels(sds, repeats, averages, groups)
    answer = Working(f"Gauge over days: {len(sds)} sets of {repeats} repeats", "NIST e-Handbook 2.4.5")
    answer.add("repeatability_sd", found.repeatability_sd, "repeatability", "root mean square of the sds")
    answer.add("repeatability_df", found.repeatability_df, "degrees of freedom")
    answer.add("level2_sd", found.level2_sd, "day to day", "pooled sd of the averages inside a standard")
    answer.add("level2_df", found.level2_df, "degrees of freedom")
    return answer
