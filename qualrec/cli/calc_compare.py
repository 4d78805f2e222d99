"""`calc components` and `calc compare`."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TYPE_CHECKING, Annotated, Any

import typer

from qualrec.cli.calc_command import Answer, Level, chosen, command, family, num
from qualrec.cli.calc_groups import subgroups_of
from qualrec.cli.calc_input import Source, figures_in, split_columns
from qualrec.errors import UsageError

if TYPE_CHECKING:
    from qualrec.stats.compare import TestResult

app = family()
TESTS = ("mean", "chi-square-sd", "t", "welch", "paired", "f", "anova", "welch-anova", "levene", "bartlett",
         "mann-whitney", "tost", "pairs")  # fmt: skip
TEST_SOURCES = {
    "mean": "NIST e-Handbook 1.3.5.2",
    "chi-square-sd": "NIST e-Handbook 1.3.5.8",
    "f": "NIST e-Handbook 1.3.5.9",
    "anova": "NIST e-Handbook 1.3.5.4",
    "levene": "NIST e-Handbook 1.3.5.10; Brown & Forsythe 1974",
    "bartlett": "NIST e-Handbook 1.3.5.7",
    "mann-whitney": "NIST e-Handbook 7.3.5",
    "tost": "Schuirmann 1987 (from memory)",
    "welch-anova": "Welch 1951",
    "pairs": "NIST e-Handbook 1.3.5.3; Holm 1979",
}


@command(app, "components")
def components(
    source: Source,
    levels: Annotated[
        list[str] | None,
        typer.Option("--by", help="Columns of the levels from the outermost on, as lot, cavity."),
    ] = None,
    method: Annotated[str, typer.Option("--method", help="anova or reml.")] = "anova",
    level: Level = 0.95,
) -> Answer:
    """Variance components of nested levels: lot, then cavity, station …, then within.

    JSON: n, mean, total, components [{name, variance, sd, share, low, high, groups}], mean_squares, df,
    var_<level>, sd_<level>; with one level also ss_between, ss_within, df_between, df_within, f, p, r_squared, residual_sd.
    """
    from qualrec.stats.components import anova_oneway, nested_components

    names = split_columns(levels or [])
    if not names:
        raise UsageError("The levels are not named.", "Give a --by column for each, the outermost first.")
    figures, texts = source.table(source.columns or [""], names)
    y = next(iter(figures.values()))
    way = chosen("--method", method, ("anova", "reml"))
    found = nested_components(y, texts, way, level)
    answer = Answer(f"Variance components of {found.n} values, {way}", "NIST StRD (analysis of variance); ISO 5725-2",
                    math.sqrt(found.total))  # fmt: skip
    answer.add("n", found.n, "n")
    answer.add("mean", found.mean, "mean", "", "x")
    answer.add("total", found.total, "total variance", "sum of the components")
    keys = ("name", "variance", "sd", "share", "groups")
    answer.data["components"] = [
        {**{k: getattr(p, k) for k in keys}, "low": p.interval.low, "high": p.interval.high}
        for p in found.parts
    ]
    for p in found.parts:
        answer.data |= {f"var_{p.name}": p.variance, f"sd_{p.name}": p.sd}
    answer.data |= {"mean_squares": found.mean_squares, "df": found.df, "method": way}
    answer.table(
        "",
        ("level", "groups", "variance", "sd", "share", f"variance, {100 * level:g} % interval"),
        [
            (
                p.name,
                str(p.groups),
                p.variance,
                p.sd,
                f"{100 * p.share:.1f} %",
                answer.both(p.interval.low, p.interval.high, "g"),
            )
            for p in found.parts
        ],
    )
    if len(names) == 1:
        table = anova_oneway(y, next(iter(texts.values())))
        _anova(answer, table)
    answer.notes += found.notes
    return answer


def _anova(answer: Answer, table: Any) -> None:
    for key in ("ss_between", "ss_within", "ms_between", "ms_within", "df_between", "df_within", "f", "p"):
        answer.data[key] = getattr(table, key)
    answer.data |= {"r_squared": table.r_squared, "residual_sd": table.residual_sd}
    p = answer.shown(table.p, "p")
    rows = [
        ("between", str(table.df_between), table.ss_between, table.ms_between, f"{table.f:.6g}", p),
        ("within", str(table.df_within), table.ss_within, table.ms_within, "", ""),
    ]
    answer.table("Analysis of variance", ("", "df", "sum of squares", "mean square", "F", "p"), rows)


@command(app, "compare")
def compare(
    source: Source,
    test: Annotated[str, typer.Option("--test", help=", ".join(TESTS))] = "welch",
    by: Annotated[str | None, typer.Option("--by", help="Column of the groups.")] = None,
    groups: Annotated[
        list[str] | None, typer.Option("--group", help="A group typed, as 'A=1.2 1.3 1.1'; one for each.")
    ] = None,
    reference: Annotated[
        float | None, num("Value to test against (mean, chi-square-sd).", "--reference")
    ] = None,
    margin: Annotated[
        float | None, num("Equivalence: largest difference that does not matter.", "--margin")
    ] = None,
    low: Annotated[float | None, num("Equivalence: lower margin, in place of --margin.", "--low")] = None,
    high: Annotated[float | None, num("Equivalence: upper margin.", "--high")] = None,
    centre: Annotated[str, typer.Option("--centre", help="Levene: median or mean.")] = "median",
    level: Level = 0.95,
) -> Answer:
    """Tests of one mean or spread, of two groups, or of more.

    Groups: --by a column, several --column, or typed by --group. 't' pools the standard deviations, 'welch' does not;
    'paired' takes two columns of one length.
    JSON: test, statistic, df, p, critical_low, critical_high, estimate, estimate_low, estimate_high, level, shown
    (difference shown); groups {name: {n, mean, sd}}; anova: f, ss_between, ss_within, ms_between, ms_within, df_between,
    df_within, r_squared, residual_sd; tost: equivalent; pairs: pairs [{first, second, difference, p, p_adjusted}].
    """
    from qualrec.stats import compare as cp

    kind = chosen("--test", test, TESTS)
    answer = Answer(f"Test: {kind}", TEST_SOURCES.get(kind, "NIST e-Handbook 1.3.5.3"))
    answer.data |= {"test": kind, "level": level}
    if kind in ("mean", "chi-square-sd"):
        x = source.one() if not groups else figures_in(groups[0])
        found = (cp.mean_test if kind == "mean" else cp.sd_test)(x, reference, level)
        _named(answer, {"values": x})
        return _result(answer, found, "mean" if kind == "mean" else "standard deviation")
    data = _groups(source, by, groups or [], pair=kind == "paired")
    _named(answer, data)
    rows = list(data.values())
    if kind == "anova":
        from qualrec.stats.components import anova_oneway

        labels = [name for name, row in data.items() for _ in row]
        _anova(answer, anova_oneway([v for row in rows for v in row], labels))
        answer.data["statistic"] = answer.data["f"]
        _critical_f(answer, level)
        return answer
    many: dict[str, Callable[[], TestResult]] = {
        "welch-anova": lambda: cp.welch_anova(rows, level),
        "levene": lambda: cp.levene(rows, chosen("--centre", centre, ("median", "mean")), level),
        "bartlett": lambda: cp.bartlett(rows, level),
    }
    if kind in many:
        return _result(answer, many[kind](), "")
    if kind == "pairs":
        return _pairs(answer, data, level)
    if len(rows) != 2:
        raise UsageError(
            f"The test {kind!r} takes two groups; {len(rows)} given.",
            "Choose two with --only, or another test.",
        )
    return _two(answer, kind, rows, _margins(kind, margin, low, high), level)


def _two(
    answer: Answer, kind: str, rows: list[list[float]], margins: tuple[float, float], level: float
) -> Answer:
    from qualrec.stats import compare as cp

    first, second = rows
    if kind == "tost":
        e = cp.equivalence(first, second, *margins, level)
        answer.add("estimate", e.difference, "difference of means", "first - second")
        answer.interval("estimate", e.interval, "its interval", "g")
        answer.add("p", e.p, "larger p-value", "of the two one-sided tests", "p")
        answer.add(
            "equivalent", e.equivalent, "equivalent", f"interval inside {margins[0]:g} to {margins[1]:g}"
        )
        answer.data["margins"] = list(margins)
        answer.notes += [e.note] if e.note else []
        return answer
    if kind == "paired":
        differences = [a - b for a, b in zip(first, second, strict=True)]
        return _result(answer, cp.mean_test(differences, 0.0, level), "mean difference")
    tests: dict[str, tuple[Callable[[], TestResult], str]] = {
        "t": (lambda: cp.welch_t(first, second, level, pooled=True), "difference of means"),
        "welch": (lambda: cp.welch_t(first, second, level), "difference of means"),
        "f": (lambda: cp.f_test(first, second, level), "ratio of variances"),
        "mann-whitney": (lambda: cp.mann_whitney(first, second, level), "median difference"),
    }
    run, label = tests[kind]
    return _result(answer, run(), label)


def _margins(kind: str, margin: float | None, low: float | None, high: float | None) -> tuple[float, float]:
    if kind != "tost":
        return (0.0, 0.0)
    if margin is not None:
        return (-margin, margin)
    if low is None or high is None:
        raise UsageError(
            "Equivalence needs margins.", "Give --margin, or --low and --high, set before the data are seen."
        )
    return (low, high)


def _groups(source: Source, by: str | None, typed: list[str], *, pair: bool) -> dict[str, list[float]]:
    """Groups by name: typed, by a column, or one column each."""
    if not typed and by is None and len(source.columns) > 1:
        figures, _ = source.table(source.columns, gaps=True)
        found = {k: [v for v in row if not math.isnan(v)] for k, row in figures.items()}
    else:
        data = subgroups_of(source, by, None, groups=typed)
        if not data.grouped:
            raise UsageError(
                "The groups are not told apart.", "Give --by, several --column, or --group for each."
            )
        found = dict(zip(data.names, data.rows, strict=True))
    if len(found) < 2:
        raise UsageError(f"{len(found)} group given, at least 2 needed.", "Check --by and --only.")
    if pair and len({len(r) for r in found.values()}) != 1:
        raise UsageError("Paired groups differ in length.", "Give one value of each for every pair.")
    return found


def _named(answer: Answer, data: dict[str, list[float]]) -> None:
    import numpy as np

    rows, entries = [], {}
    for name, x in data.items():
        n, mean = len(x), float(np.mean(x)) if x else math.nan
        sd = float(np.std(x, ddof=1)) if n > 1 else math.nan
        entries[name] = {"n": n, "mean": mean, "sd": sd}
        rows.append((name, str(n), mean, sd))
    answer.data["groups"] = entries
    if len(data) == 1:
        answer.data |= next(iter(entries.values()))
    shown = rows if len(rows) <= 30 else rows[:30]
    answer.table("", ("group", "n", "mean", "sd"), shown)


def _result(answer: Answer, found: TestResult, estimate: str) -> Answer:
    df = found.df[0] if len(found.df) == 1 else list(found.df)
    answer.title = found.name
    answer.data["df"] = df
    answer.add(
        "statistic",
        found.statistic,
        "statistic",
        f"degrees of freedom {', '.join(f'{v:.6g}' for v in found.df)}",
    )
    answer.data |= {"critical_low": found.critical[0], "critical_high": found.critical[1]}
    low, high = found.critical
    beyond = " or ".join(
        t
        for t in (
            f"below {low:.6g}" if math.isfinite(low) else "",
            f"above {high:.6g}" if math.isfinite(high) else "",
        )
        if t
    )
    answer.lines.append(("critical", beyond or "none", f"{100 * (1 - found.level):g} %"))
    answer.add("p", found.p, "p-value", "", "p")
    answer.data["shown"] = found.shown
    if not math.isnan(found.p):
        answer.lines.append(("difference shown", answer.shown(found.shown), f"p below {1 - found.level:g}"))
    if estimate:
        answer.add("estimate", found.estimate, estimate)
    if found.interval is not None:
        answer.interval("estimate", found.interval, "its interval", "g")
    answer.notes += [found.note] if found.note else []
    return answer


def _critical_f(answer: Answer, level: float) -> None:
    from scipy.special import fdtri

    critical = float(fdtri(answer.data["df_between"], answer.data["df_within"], level))
    answer.add("critical_high", critical, "critical F", f"{100 * (1 - level):g} %")
    answer.add("shown", answer.data["p"] < 1 - level, "difference shown", f"p below {1 - level:g}")


def _pairs(answer: Answer, data: dict[str, list[float]], level: float) -> Answer:
    from qualrec.stats.compare import pairs

    found = pairs(data, level)
    answer.data["pairs"] = [
        {
            "first": p.first,
            "second": p.second,
            "difference": p.test.estimate,
            "low": p.test.interval.low if p.test.interval else None,
            "high": p.test.interval.high if p.test.interval else None,
            "p": p.test.p,
            "p_adjusted": p.p_adjusted,
        }
        for p in found
    ]
    rows = [(f"{p.first} - {p.second}", p.test.estimate, answer.shown(p.test.p, "p"), answer.shown(p.p_adjusted, "p"))
            for p in found]  # fmt: skip
    answer.table("Welch t of every pair", ("pair", "difference", "p", "p adjusted (Holm)"), rows)
    return answer
