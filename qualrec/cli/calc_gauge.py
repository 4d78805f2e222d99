"""`calc gauge`."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated

import typer

from qualrec.cli.calc_command import Answer, Level, Lower, Upper, chosen, command, family, num
from qualrec.cli.calc_input import Source, figures_in
from qualrec.errors import UsageError

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
    against: Annotated[
        str, typer.Option("--against", help="What GRR is judged against: study variation or tolerance.")
    ] = "study variation",
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
    zones. Studies, bias and linearity: verdict, verdict_reasons.
    """
    kind = chosen("--study", study, STUDIES)
    if kind in ("crossed", "average-range", "nested"):
        factors = tuple(figures_in(k)) if k else None
        if factors is not None and len(factors) != 3:
            raise UsageError(f"--k has {len(factors)} figures.", "Give K1, K2 and K3.")
        return _study(source, kind, part, person, (lsl, usl), pool_above, multiplier, ndc, factors, against)
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
    against: str,
) -> Answer:
    from qualrec.judge.gauge_verdict import AGAINST
    from qualrec.judge.gauge_working import scatter_working

    if part is None or person is None:
        raise UsageError(
            "A study needs its parts and people.", "Give --part and --person, columns of the file."
        )
    way = chosen("--ndc", ndc, ("truncated", "rounded"))
    figures, texts = source.table(source.columns or ["value"], [part, person])
    y, (parts, people) = next(iter(figures.values())), list(texts.values())
    return Answer.of(
        scatter_working(
            kind,
            y,
            parts,
            people,
            limits,
            pool_above=pool_above,
            multiplier=multiplier,
            rounded=way == "rounded",
            factors=None if factors is None else (factors[0], factors[1], factors[2]),
            against=chosen("--against", against, AGAINST),
        )
    )


def _bias(source: Source, reference: float | None, width: float | None, level: float) -> Answer:
    from qualrec.judge.gauge_working import bias_working

    if reference is None:
        raise UsageError("Bias needs the reference value.", "Give --reference.")
    return Answer.of(bias_working(source.one("readings"), reference, width, level))


def _linearity(source: Source, reference_column: str | None, level: float) -> Answer:
    from qualrec.judge.gauge_working import linearity_working

    if reference_column is None:
        raise UsageError("Linearity needs a reference for each reading.", "Give --reference-column.")
    figures, _ = source.table([source.columns[0] if source.columns else "", reference_column])
    readings, references = list(figures.values())
    return Answer.of(linearity_working(readings, references, level))


def _stability(source: Source, time_column: str | None, level: float) -> Answer:
    from qualrec.judge.gauge_working import drift_working

    if time_column is None:
        x = source.one("readings")
        times = [float(i) for i in range(len(x))]
        return Answer.of(drift_working(x, times, "reading", level))
    figures, _ = source.table([source.columns[0] if source.columns else "", time_column])
    x, times = list(figures.values())
    return Answer.of(drift_working(x, times, level=level))


def _levels(source: Source, sd_column: str | None, by: list[str], repeats: int | None) -> Answer:
    from qualrec.judge.gauge_working import levels_working

    if sd_column is None or not by or repeats is None:
        raise UsageError(
            "Levels need standard deviations, check standards and repeats.",
            "Give --sd-column, --by and --repeats.",
        )
    figures, texts = source.table([source.columns[0] if source.columns else "", sd_column], by)
    averages, sds = list(figures.values())
    groups = [" / ".join(names) for names in zip(*texts.values(), strict=True)]
    return Answer.of(levels_working(sds, repeats, averages, groups))


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
