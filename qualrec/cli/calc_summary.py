"""`calc describe`, `constants`, `spread`, `normality` and `outliers`."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Annotated, Any

import typer

from qualrec.cli.calc_command import Answer, chosen, command, family, num
from qualrec.cli.calc_groups import subgroups_of
from qualrec.cli.calc_input import Source
from qualrec.errors import UsageError

if TYPE_CHECKING:
    from qualrec.stats.describe import Description
    from qualrec.stats.outliers import OutlierTest
    from qualrec.stats.spread import Sigma

app = family()
By = Annotated[str | None, typer.Option("--by", help="Column of lots, batches or other groups.")]


def named(source: Source) -> str:
    """Where the figures came from, for a title."""
    if source.path is None:
        return "typed"
    column = f", column {', '.join(source.columns)}" if source.columns else ""
    return f"{source.path.name}{column}"


@command(app, "describe")
def describe_values(source: Source, by: By = None) -> Answer:
    """Summary figures, also by group.

    JSON: n, mean, sd, min, max, median, r1 (lag-1 autocorrelation), sum, range, variance, standard_error;
    groups {name: the same} with --by.
    """
    from qualrec.cli.calc_input import groups_of
    from qualrec.stats.describe import describe

    groups: dict[str, list[float]] = {}
    if by is None:
        values = source.one()
    else:
        source.need()
        figures, texts = source.table(source.columns or [""], [by])
        values = next(iter(figures.values()))
        groups = groups_of(values, next(iter(texts.values())))
    found = describe(values)
    answer = Answer(
        f"Summary figures: {found.n} values ({named(source)})", "NIST StRD (certified sets)", found.sd
    )
    _describe_lines(answer, found)
    if groups:
        each = {name: describe(v) for name, v in groups.items()}
        answer.data["groups"] = {name: _plain(d) for name, d in each.items()}
        answer.table(
            "",
            (by or "", "n", "mean", "sd", "min", "max"),
            [
                (k, d.n, *(answer.shown(v, "x") for v in (d.mean, d.sd, d.min, d.max)))
                for k, d in each.items()
            ],
        )
    return answer


def _plain(d: Description) -> dict[str, float]:
    return {k: getattr(d, k) for k in ("n", "mean", "sd", "min", "max", "median", "r1")}


def _describe_lines(answer: Answer, d: Description) -> None:
    answer.add("n", d.n, "n", "count")
    answer.add("mean", d.mean, "mean", "sum of values / n", "x")
    answer.add("sd", d.sd, "standard deviation", "sqrt(sum (x - mean)² / (n - 1))")
    answer.add("min", d.min, "smallest", "", "x")
    answer.add("max", d.max, "largest", "", "x")
    answer.add("median", d.median, "median", "middle value, or mean of the two middle ones", "x")
    answer.add("r1", d.r1, "lag-1 autocorrelation", "sum (x[i] - m)(x[i-1] - m) / sum (x - m)²")
    answer.data |= {"sum": d.mean * d.n, "range": d.max - d.min, "variance": d.sd**2}
    answer.data["standard_error"] = d.sd / math.sqrt(d.n)
    answer.conventions.append("n - 1 in the standard deviation; sums in two passes about the mean.")


FACTORS = ("d2", "d3", "c4", "A", "A2", "A3", "B3", "B4", "B5", "B6", "D1", "D2", "D3", "D4", "E2", "E3")


@command(app, "constants", data=False)
def constants(
    n: Annotated[list[int], typer.Argument(metavar="N…", help="Subgroup sizes, as 2 3 4 5.")],
    groups: Annotated[
        int | None, typer.Option("--groups", help="Number of subgroups, for d2* of an average range.")
    ] = None,
    decimals: Annotated[
        int | None, typer.Option("--decimals", help="Round as printed tables do, as 3. Else full precision.")
    ] = None,
) -> Answer:
    """Control chart factors of any subgroup size.

    JSON: n, d2, d3, c4, A, A2, A3, B3 … B6, D1 … D4, E2, E3: one figure for one N, lists for several;
    d2_star, K (= 1/d2*) with --groups.
    """
    from qualrec.stats.constants import d2_star, factors

    found = [factors(size) for size in n]
    table: dict[str, list[float]] = {name: [getattr(f, name) for f in found] for name in FACTORS}
    if groups is not None:
        table["d2_star"] = [d2_star(size, groups) for size in n]
        table["K"] = [1.0 / v for v in table["d2_star"]]
    if decimals is not None:
        table = {k: [round(v, decimals) for v in row] for k, row in table.items()}
    answer = Answer("Factors of control charts, limits at 3 sigma", "ISO 7870-2, ASTM E2587 (definitions)")
    answer.data |= {"n": n if len(n) > 1 else n[0]}
    answer.data |= {k: row if len(n) > 1 else row[0] for k, row in table.items()}
    places = 6 if decimals is None else decimals
    answer.table(
        "",
        ("factor", *(f"n = {size}" for size in n)),
        [(k, *(f"{v:.{places}f}" for v in row)) for k, row in table.items()],
    )
    answer.conventions.append(
        "From the integral definitions at full precision; lower factors are not below 0."
        if decimals is None
        else f"Rounded to {decimals} decimals, as printed tables are."
    )
    if groups is not None:
        answer.conventions.append("d2* = sqrt(d2² + d3² / subgroups); K1 takes d2, K2 and K3 take d2*.")
    return answer


@command(app, "spread")
def spread_values(
    source: Source,
    by: By = None,
    size: Annotated[int | None, typer.Option("--size", help="Fixed subgroup size, values in order.")] = None,
) -> Answer:
    """Estimates of sigma: overall, from moving ranges, and inside subgroups (--by, --size or several --column).

    JSON: n, k, sd_overall, sigma_overall (s/c4), sigma_moving_range, sigma_median_moving_range, mr_bar;
    with subgroups r_bar, s_bar, sigma_rbar_d2, sigma_sbar_c4, sd_pooled, sigma_pooled_c4, df_within, sd_between.
    """
    import numpy as np

    from qualrec.stats import spread as sp
    from qualrec.stats.constants import c4, d2

    data = subgroups_of(source, by, size)
    x = np.asarray(data.values)
    whole = sp.overall(x)
    answer = Answer(f"Spread of {x.size} values ({named(source)})", "ISO 7870-2, ISO 22514-2", whole.value)
    answer.add("n", int(x.size), "n")
    answer.add("k", data.k, "subgroups")
    answer.add("sd_overall", whole.value, "s, all values", "sqrt(sum (x - mean)² / (n - 1))")
    answer.add("sigma_overall", whole.value / c4(int(x.size)), "s/c4, all values", f"c4 = {c4(x.size):.6f}")
    moving, middle = sp.moving_range(x), sp.median_moving_range(x)
    answer.data["mr_bar"] = moving.value * d2(2)
    answer.add(
        "sigma_moving_range", moving.value, "mean moving range/d2", f"{answer.data['mr_bar']:.6g} / 1.128379"
    )
    answer.add("sigma_median_moving_range", middle.value, "median moving range", "median MR / 0.953873")
    if data.k > 1 and data.grouped:
        _within(answer, data.rows)
    answer.conventions.append("Factors at full precision; the pooled s is weighted by degrees of freedom.")
    return answer


def _within(answer: Answer, rows: list[list[float]]) -> None:
    import numpy as np

    from qualrec.stats import spread as sp
    from qualrec.stats.charts import subgroups

    g = subgroups(rows)
    inner = g.sizes >= 2
    if not inner.any():
        return
    answer.gap("Inside subgroups")
    ranges, sds, sizes = g.ranges[inner], g.sds[inner], g.sizes[inner]
    answer.add("r_bar", float(np.mean(ranges)), "mean range", "Rbar")
    answer.add("s_bar", float(np.mean(sds)), "mean standard deviation", "sbar")
    found: list[tuple[str, Sigma, str]] = [
        ("sigma_rbar_d2", sp.from_ranges(ranges, sizes), "Rbar/d2"),
        ("sigma_sbar_c4", sp.from_sds(sds, sizes), "sbar/c4"),
        ("sigma_pooled_c4", sp.pooled(sds, sizes), "pooled s/c4"),
    ]
    for key, sigma, words in found:
        answer.add(key, sigma.value, words, f"{sigma.df:.4g} degrees of freedom")
    df = float(np.sum(sizes - 1))
    answer.data["df_within"] = df
    pooled = math.sqrt(float(np.sum((sizes - 1) * sds**2)) / df)
    answer.add("sd_pooled", pooled, "pooled s", "sqrt(sum (n_i - 1) s_i² / sum (n_i - 1))")
    from qualrec.stats.components import lot_components

    parts = lot_components(g.sizes, g.means, g.sds)
    answer.add("sd_between", parts.parts[0].sd, "between subgroups", "variance component, by ANOVA")
    answer.notes += parts.notes


@command(app, "normality")
def normality_of(
    source: Source,
    points: Annotated[
        bool, typer.Option("--points", help="Also the points of the probability plot.")
    ] = False,
) -> Answer:
    """Tests of normality: Anderson-Darling and Shapiro-Wilk, and the distance from the normal shape.

    JSON: n, mean, sd, a2, a2_adjusted, p_anderson, w, p_shapiro, skewness, excess_kurtosis, distance, at;
    plot {quantiles, values, slope, intercept, r}.
    """
    from qualrec.stats import normality as nm

    x = source.one()
    if 3 <= len(x) < 8:
        w, p = nm.shapiro_wilk(x)
        answer = Answer(f"Normality: {len(x)} values ({named(source)})", "NIST e-Handbook 7.2.1.3")
        answer.add("n", len(x), "n")
        answer.add("w", w, "Shapiro-Wilk W", "coefficients of Royston 1995")
        answer.add("p_shapiro", p, "its p-value", "", "p")
        answer.notes.append("Fewer than 8 values: no Anderson-Darling test.")
        return answer
    r = nm.normality(x)
    answer = Answer(f"Normality: {r.n} values ({named(source)})", "NIST e-Handbook 1.3.5.14, 7.2.1.3", r.sd)
    answer.add("n", r.n, "n")
    answer.add("mean", r.mean, "mean", "", "x")
    answer.add("sd", r.sd, "standard deviation")
    answer.add("a2", r.a2, "Anderson-Darling A²", "mean and sd estimated")
    answer.add("a2_adjusted", r.a2_adjusted, "A² adjusted", "A² (1 + 0.75/n + 2.25/n²); beyond 0.752 at 5 %")
    answer.add("p_anderson", r.p_anderson, "its p-value", "", "p")
    answer.add("w", r.w, "Shapiro-Wilk W", "coefficients of Royston 1995")
    answer.add("p_shapiro", r.p_shapiro, "its p-value", "", "p")
    answer.add("skewness", r.skewness, "skewness")
    answer.add("excess_kurtosis", r.excess_kurtosis, "excess kurtosis")
    answer.add("distance", r.distance, "largest distance", f"between shares, at {r.at:.6g}")
    answer.data["at"] = r.at
    if r.note:
        answer.notes.append(r.note)
    plot = nm.probability_plot(x)
    answer.add("plot_correlation", plot.r, "correlation of the plot", "values against normal quantiles")
    if points:
        shown: dict[str, Any] = {k: getattr(plot, k) for k in ("quantiles", "values", "positions")}
        answer.data["plot"] = {**shown, "slope": plot.slope, "intercept": plot.intercept, "r": plot.r}
        answer.table(
            "", ("quantile", "value"), zip(plot.quantiles.tolist(), plot.values.tolist(), strict=True)
        )
    return answer


@command(app, "outliers")
def outliers_of(
    source: Source,
    test: Annotated[str, typer.Option("--test", help="grubbs, esd or tietjen-moore.")] = "grubbs",
    side: Annotated[str, typer.Option("--side", help="two, upper or lower (grubbs, tietjen-moore).")] = "two",
    most: Annotated[
        int, typer.Option("--most", help="Suspected outliers (esd: at most; tietjen-moore: k).")
    ] = 1,
    alpha: Annotated[float, num("Significance level.", "--alpha")] = 0.05,
    seed: Annotated[int, typer.Option("--seed", help="Seed of the simulated critical value.")] = 1,
) -> Answer:
    """Tests for values that do not belong. They report; nothing is left out.

    JSON: test, n, alpha, statistics, critical, suspects (places from 1), suspect_values, outliers (places
    from 1), outlier_values, statistic and critical_value (of the first).
    """
    from qualrec.stats import outliers as ot

    x = source.one()
    kind = chosen("--test", test, ("grubbs", "esd", "tietjen-moore"))
    if kind == "grubbs":
        found: OutlierTest = ot.grubbs(x, alpha, side)
    elif kind == "esd":
        if side != "two":
            raise UsageError("The ESD test is two-sided.", "Leave --side out.")
        found = ot.esd(x, most, alpha)
    else:
        found = ot.tietjen_moore(x, most, alpha, side, seed)
    sources = {
        "grubbs": "NIST e-Handbook 1.3.5.17.1",
        "esd": "NIST e-Handbook 1.3.5.17.3; Rosner 1983",
        "tietjen-moore": "NIST e-Handbook 1.3.5.17.2",
    }
    answer = Answer(f"{found.test}: {found.n} values ({named(source)})", sources[kind])
    answer.add("n", found.n, "n")
    answer.add("alpha", alpha, "significance level")
    answer.data |= {"test": kind, "side": side, "statistics": found.statistics, "critical": found.critical}
    answer.data |= {"statistic": found.statistics[0], "critical_value": found.critical[0]}
    answer.data["suspects"] = [i + 1 for i in found.suspects]
    answer.data["suspect_values"] = [x[i] for i in found.suspects]
    answer.data["outliers"] = [i + 1 for i in found.outliers]
    answer.data["outlier_values"] = [x[i] for i in found.outliers]
    if kind == "tietjen-moore":
        answer.add("e", found.statistics[0], "statistic E", "small values speak for outliers")
        answer.lines.append(
            ("critical value", answer.shown(found.critical[0]), f"{alpha:g} point, simulated")
        )
        answer.lines.append(("values looked at", ", ".join(f"{x[i]:g}" for i in found.suspects), ""))
    else:
        answer.table(
            "",
            ("step", "value", "place", "statistic", "critical"),
            [
                (str(k + 1), f"{x[i]:.6g}", i + 1, s, c)
                for k, (i, s, c) in enumerate(
                    zip(found.suspects, found.statistics, found.critical, strict=False)
                )
            ],
        )
    words = ", ".join(f"{x[i]:g} (value {i + 1})" for i in found.outliers) or "none"
    answer.lines.append(("named as outliers", words, ""))
    answer.notes += [found.note] if found.note else []
    answer.notes.append("A value is left out only for a cause that is known and written down.")
    return answer
