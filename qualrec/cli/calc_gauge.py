"""`calc gauge`."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Annotated

import typer

from qualrec.cli.calc_command import Answer, Level, Lower, Upper, chosen, command, family, num
from qualrec.cli.calc_input import Source, figures_in
from qualrec.errors import UsageError

if TYPE_CHECKING:
    from qualrec.stats.gauge import GaugeStudy

app = family()
STUDIES = (
    "crossed",
    "average-range",
    "nested",
    "bias",
    "linearity",
    "stability",
    "levels",
    "uncertainty",
    "zones",
)


@command(app, "gauge")
def gauge(
    source: Source,
    study: Annotated[str, typer.Option("--study", help=", ".join(STUDIES))] = "crossed",
    part: Annotated[str | None, typer.Option("--part", help="Column of parts (nested: of batches).")] = None,
    person: Annotated[str | None, typer.Option("--person", help="Column of the people who measured.")] = None,
    reference: Annotated[float | None, num("Reference value (bias).", "--reference")] = None,
    reference_column: Annotated[
        str | None, typer.Option("--reference-column", help="Column of reference values (linearity).")
    ] = None,
    time_column: Annotated[
        str | None, typer.Option("--time-column", help="Column of times (stability).")
    ] = None,
    sd_column: Annotated[
        str | None,
        typer.Option("--sd-column", help="Column of standard deviations (levels); --column: averages."),
    ] = None,
    by: Annotated[
        list[str] | None, typer.Option("--by", help="Columns of the check standards (levels).")
    ] = None,
    repeats: Annotated[
        int | None, typer.Option("--repeats", help="Repeats behind each average (levels).")
    ] = None,
    process_width: Annotated[
        float | None, num("Tolerance or process spread for %bias.", "--process-width")
    ] = None,
    pool_above: Annotated[
        float, num("Pool the interaction where its p lies above this; 1: never.", "--pool-above")
    ] = 0.05,
    multiplier: Annotated[
        float, num("Spread multiplier of study variation: 6 or 5.15.", "--multiplier")
    ] = 6.0,
    ndc: Annotated[
        str, typer.Option("--ndc", help="Number of categories: truncated or rounded.")
    ] = "truncated",
    k: Annotated[
        str | None,
        typer.Option("--k", help="Printed K1, K2, K3 of average-range, as '0.5908 0.5231 0.3146'."),
    ] = None,
    expanded: Annotated[float | None, num("Expanded uncertainty (zones).", "--expanded")] = None,
    coverage_factor: Annotated[float, num("Coverage factor (uncertainty).", "--coverage-factor")] = 2.0,
    contribution: Annotated[
        list[str] | None,
        typer.Option("--contribution", metavar="NAME=SD", help="Standard uncertainties by name."),
    ] = None,
    lsl: Lower = None,
    usl: Upper = None,
    level: Level = 0.95,
) -> Answer:
    """Gauge studies: crossed and nested, bias, linearity, stability, uncertainty and guard bands.

    JSON, crossed, average-range, nested: ev, av, int, grr, pv, tv (standard deviations), pct_ev … pct_tv (of study
    variation), contribution_ev … (of variance), tolerance_ev … (of the tolerance), ndc, ndc_raw, var_repeatability,
    var_person, var_interaction, var_part, var_gauge, pooled, table [{source, df, ss, ms, f, p}], parts, people, trials;
    average-range: r_bar, x_diff, r_p.
    Bias: bias, bias_low, bias_high, t, p, sd, shown, percent. Linearity: slope, intercept, slope_p, intercept_p,
    average_bias, r_squared, residual_sd, holds. Stability: slope, slope_low, slope_high, p, shown. Levels:
    repeatability_sd, repeatability_df, level2_sd, level2_df. Uncertainty: standard, expanded, shares. Zones: low, high,
    zones.
    """
    kind = chosen("--study", study, STUDIES)
    if kind in ("crossed", "average-range", "nested"):
        factors = tuple(figures_in(k)) if k else None
        if factors is not None and len(factors) != 3:
            raise UsageError(f"--k has {len(factors)} figures.", "Give K1, K2 and K3.")
        return _study(source, kind, part, person, (lsl, usl), pool_above, multiplier, ndc, factors)
    if kind == "bias":
        return _bias(source, reference, process_width, level)
    if kind == "linearity":
        return _linearity(source, reference_column, level)
    if kind == "stability":
        return _stability(source, time_column, level)
    if kind == "levels":
        return _levels(source, sd_column, by or [], repeats)
    if kind == "uncertainty":
        return _uncertainty(contribution or [], coverage_factor)
    return _zones(source, lsl, usl, expanded)


def _study(
    source: Source,
    kind: str,
    part: str | None,
    person: str | None,
    limits: tuple[float | None, float | None],
    pool_above: float,
    multiplier: float,
    ndc: str,
    factors: Sequence[float] | None,
) -> Answer:
    from qualrec.stats import gauge as gg

    if part is None or person is None:
        raise UsageError(
            "A study needs its parts and people.", "Give --part and --person, columns of the file."
        )
    if not multiplier > 0:
        raise UsageError(f"--multiplier is {multiplier:g}.", "Usual are 6 and 5.15.")
    figures, texts = source.table(source.columns or ["value"], [part, person])
    y, (parts, people) = next(iter(figures.values())), list(texts.values())
    lsl, usl = limits
    if kind == "crossed":
        found = gg.gauge_anova(y, parts, people, lsl, usl, pool_above)
    elif kind == "nested":
        found = gg.gauge_nested(y, parts, people, lsl, usl)
    else:
        given = None if factors is None else (factors[0], factors[1], factors[2])
        found = gg.gauge_average_range(y, parts, people, lsl, usl, given)
    answer = Answer(
        f"Gauge study: {found.method}", "AIAG MSA, 4th edition (from memory)", found.part("TV").sd
    )
    names = ("batches", "people", "pieces") if kind == "nested" else ("parts", "people", "trials")
    answer.data |= dict(zip(names, found.counts, strict=True))
    answer.lines.append((", ".join(names), ", ".join(map(str, found.counts)), ""))
    _study_parts(answer, found, multiplier)
    if kind == "average-range":
        _ranges(answer, y, parts, people)
    _categories(answer, found, ndc)
    answer.conventions += [f"Study variation = {multiplier:g} sd; negative variances are set to 0."]
    answer.notes += found.notes
    return answer


def _study_parts(answer: Answer, found: GaugeStudy, multiplier: float) -> None:
    from qualrec.stats.gauge import MULTIPLIER

    scale = multiplier / MULTIPLIER
    words = {
        "EV": "repeatability",
        "AV": "people",
        "INT": "interaction",
        "GRR": "gauge, GRR",
        "PV": "parts",
        "TV": "total",
    }
    rows = []
    for p in found.parts:
        key = p.name.lower()
        tolerance = p.tolerance * scale
        answer.data |= {key: p.sd, f"pct_{key}": p.study, f"contribution_{key}": p.contribution}
        answer.data |= {f"tolerance_{key}": tolerance, f"study_{key}": multiplier * p.sd}
        shown = "" if math.isnan(tolerance) else f"{tolerance:.2f}"
        rows.append(
            (
                words[p.name],
                f"{p.sd:.6g}",
                f"{multiplier * p.sd:.5g}",
                f"{p.study:.2f}",
                f"{p.contribution:.2f}",
                shown,
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


def _categories(answer: Answer, found: GaugeStudy, ndc: str) -> None:
    way = chosen("--ndc", ndc, ("truncated", "rounded"))
    count = found.ndc if way == "truncated" or math.isinf(found.ndc_raw) else round(found.ndc_raw)
    answer.data |= {"ndc": count, "ndc_raw": found.ndc_raw}
    answer.lines.append(
        ("categories told apart", str(count), f"ndc = 1.41 PV/GRR = {found.ndc_raw:.3f}, {way}")
    )


def _ranges(answer: Answer, y: list[float], parts: list[str], people: list[str]) -> None:
    """The averages of a study by averages and ranges."""
    from qualrec.cli.calc_input import groups_of

    cells = groups_of(y, list(zip(parts, people, strict=True)))
    r_bar = sum(max(c) - min(c) for c in cells.values()) / len(cells)
    means = [[sum(g) / len(g) for g in groups_of(y, names).values()] for names in (people, parts)]
    answer.add("r_bar", r_bar, "mean range", "of the trials")
    answer.add("x_diff", max(means[0]) - min(means[0]), "range of people's means")
    answer.add("r_p", max(means[1]) - min(means[1]), "range of part means")


def _bias(source: Source, reference: float | None, width: float | None, level: float) -> Answer:
    from qualrec.stats.gauge_use import bias

    if reference is None:
        raise UsageError("Bias needs the reference value.", "Give --reference.")
    x = source.one("readings")
    found = bias(x, reference, width, level)
    answer = Answer(f"Bias against {reference:g}", "AIAG MSA, 4th edition (from memory)", found.sd)
    answer.add("n", found.n, "readings")
    answer.data["mean"] = found.value + reference
    answer.add("bias", found.value, "bias", "mean of the readings - reference", "x")
    answer.interval("bias", found.interval, "its interval")
    answer.add("sd", found.sd, "repeatability")
    answer.add("t", found.value / (found.sd / math.sqrt(found.n)), "t", "bias / (sd / sqrt(n))")
    answer.add("p", found.p, "p-value", "", "p")
    answer.add("shown", found.shown, "bias shown", "0 lies outside the interval")
    if width is not None:
        answer.add("percent", found.percent, "bias in % of the width", f"of {width:g}")
    return answer


def _linearity(source: Source, reference_column: str | None, level: float) -> Answer:
    from qualrec.stats.gauge_use import linearity

    if reference_column is None:
        raise UsageError("Linearity needs a reference for each reading.", "Give --reference-column.")
    figures, _ = source.table([source.columns[0] if source.columns else "", reference_column])
    readings, references = list(figures.values())
    found = linearity(references, readings, level)
    fit = found.fit
    answer = Answer(
        f"Linearity: bias over reference, {fit.n} readings", "AIAG MSA, 4th edition (from memory)"
    )
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
    return answer


def _stability(source: Source, time_column: str | None, level: float) -> Answer:
    from qualrec.stats.gauge_use import stability

    if time_column is None:
        x = source.one("readings")
        times = [float(i) for i in range(len(x))]
    else:
        figures, _ = source.table([source.columns[0] if source.columns else "", time_column])
        x, times = list(figures.values())
    found = stability(times, x, level)
    answer = Answer(f"Stability of a master, {found.n} readings", "AIAG MSA, 4th edition (from memory)")
    answer.add("n", found.n, "readings")
    answer.add("slope", found.slope, "drift", "per reading" if time_column is None else "per unit of time")
    answer.interval("slope", found.interval, "its interval", "g")
    answer.add("p", found.p, "p-value", "", "p")
    answer.add("shown", found.shown, "drift shown", "0 lies outside the interval")
    return answer


def _levels(source: Source, sd_column: str | None, by: list[str], repeats: int | None) -> Answer:
    from qualrec.stats.gauge import gauge_time_levels

    if sd_column is None or not by or repeats is None:
        raise UsageError(
            "Levels need standard deviations, check standards and repeats.",
            "Give --sd-column, --by and --repeats.",
        )
    figures, texts = source.table([source.columns[0] if source.columns else "", sd_column], by)
    averages, sds = list(figures.values())
    groups = [" / ".join(names) for names in zip(*texts.values(), strict=True)]
    found = gauge_time_levels(sds, repeats, averages, groups)
    answer = Answer(f"Gauge over days: {len(sds)} sets of {repeats} repeats", "NIST e-Handbook 2.4.5")
    answer.add("repeatability_sd", found.repeatability_sd, "repeatability", "root mean square of the sds")
    answer.add("repeatability_df", found.repeatability_df, "degrees of freedom")
    answer.add("level2_sd", found.level2_sd, "day to day", "pooled sd of the averages inside a standard")
    answer.add("level2_df", found.level2_df, "degrees of freedom")
    return answer


def _uncertainty(contributions: list[str], factor: float) -> Answer:
    from qualrec.cli.calc_input import number
    from qualrec.stats.gauge_use import uncertainty

    parts = {}
    for text in contributions:
        name, sign, value = text.partition("=")
        if not sign:
            raise UsageError(
                f"--contribution {text!r} is not NAME=SD.", "As in --contribution resolution=0.03."
            )
        parts[name.strip()] = number(value)
    found = uncertainty(parts, factor)
    answer = Answer("Measurement uncertainty", "ISO/IEC Guide 98-3 (from memory); ISO 14253-2")
    answer.add("standard", found.standard, "combined standard", "root of the sum of squares")
    answer.add("expanded", found.expanded, "expanded", f"factor {found.factor:g}")
    answer.data["shares"] = found.shares
    answer.table(
        "",
        ("contribution", "sd", "% of variance"),
        [(k, parts[k], f"{100 * v:.1f}") for k, v in found.shares.items()],
    )
    return answer


def _zones(source: Source, lsl: float | None, usl: float | None, expanded: float | None) -> Answer:
    from qualrec.stats.gauge_use import acceptance_limits, zone

    if expanded is None:
        raise UsageError("Zones need the expanded uncertainty.", "Give --expanded.")
    low, high = acceptance_limits(lsl, usl, expanded)
    answer = Answer("Limits with guard bands", "ISO 14253-1")
    answer.add("low", low, "conforming from", "lsl + U")
    answer.add("high", high, "conforming up to", "usl - U")
    if source.given:
        x = source.one("readings")
        zones = [zone(v, lsl, usl, expanded).value for v in x]
        answer.data |= {"values": x, "zones": zones}
        answer.table("", ("reading", "zone"), [(f"{v:g}", z) for v, z in zip(x, zones, strict=True)])
    return answer
