"""`calc strength`, `tolerance` and `proportion`."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Annotated, Any

import typer

from qualrec.cli.calc_command import Answer, Level, Lower, Upper, chosen, command, family, num
from qualrec.cli.calc_input import Source, figures_in, number
from qualrec.errors import UsageError

if TYPE_CHECKING:
    from qualrec.stats.results import Bound, Interval
    from qualrec.stats.strength import StrengthFit
    from qualrec.stats.tolerance import Tolerance

app = family()
YES = ("1", "yes", "true", "y", "x", "failed", "failure")
NO = ("0", "no", "false", "n", "censored", "held", "survived")


@command(app, "strength")
def strength(
    source: Source,
    failed_column: Annotated[
        str | None,
        typer.Option(
            "--failed-column", help="Column: 1 or yes where the weld failed, 0 or no where it held."
        ),
    ] = None,
    mode_column: Annotated[
        str | None,
        typer.Option("--mode-column", help="Column of failure modes; parent material counts as held."),
    ] = None,
    held: Annotated[
        list[str] | None,
        typer.Option("--held", help="Strengths of welds that held, as 500x10 for ten of 500."),
    ] = None,
    by_mode: Annotated[bool, typer.Option("--by-mode", help="One fit per mode (competing risks).")] = False,
    shape: Annotated[str, typer.Option("--shape", help="weibull, lognormal or normal.")] = "weibull",
    share: Annotated[
        list[str] | None, typer.Option("--share", help="Shares whose strength to give, as 0.01 (B1).")
    ] = None,
    lsl: Annotated[float | None, num("Required strength: the share below it.", "--lsl")] = None,
    parent: Annotated[
        str | None,
        typer.Option("--parent", help="Strengths of the parent material, as '61 63 60': weld factor."),
    ] = None,
    level: Level = 0.95,
) -> Answer:
    """Strength of welds with pulls that held: censored fit, percentiles, Kaplan-Meier, weld factor.

    JSON: n, failures, held, shape, parameters {name: value}, for Weibull shape_parameter and scale_parameter;
    intervals {name: [low, high]}, percentiles [{share, value, low, high}], log_likelihood, mean_plain, sd_plain,
    share_below; kaplan_meier {x, at_risk, failures, stronger, low, high}; modes {mode: fit or reason};
    weld_factor, weld_factor_low, weld_factor_high.
    """
    from qualrec.stats import strength as st

    x, failed, modes = _pulls(source, failed_column, mode_column, held or [])
    kind = chosen("--shape", shape, ("weibull", "lognormal", "normal"))
    shares = tuple(v for text in share or [] for v in figures_in(text)) or (0.001, 0.01, 0.1, 0.5)
    answer = Answer(
        f"Strength of {len(x)} welds, {kind}", "NIST e-Handbook 8.4.1.2; Nelson 1982; Meeker & Escobar"
    )
    if by_mode:
        return _modes(answer, x, modes, kind, level, lsl)
    found = st.fit_strength(x, failed, kind, shares, level)
    _fit_lines(answer, found, x)
    if lsl is not None:
        answer.add("share_below", found.fit.share_below(lsl), f"share below {lsl:g}", "by the fit", "%")
    survival = st.kaplan_meier(x, failed, level)
    keys = ("x", "at_risk", "failures", "stronger", "low", "high")
    answer.data["kaplan_meier"] = {k: getattr(survival, k) for k in keys}
    if parent is not None:
        factor = st.weld_factor(x, figures_in(parent), failed, level)
        answer.add("weld_factor", factor.value, "weld factor", "mean of welds / mean of parent material", "i")
        answer.interval("weld_factor", factor.interval, "its interval", "i")
        answer.notes += factor.notes
    answer.notes += found.notes
    return answer


def _pulls(
    source: Source, failed_column: str | None, mode_column: str | None, held: list[str]
) -> tuple[list[float], list[bool], list[str]]:
    """Strengths, whether the weld failed, and the modes (empty without a column of them)."""
    from qualrec.weld.failure_modes import StrengthStatus, find_mode, strength_status

    source.need("strengths")
    texts = [c for c in (failed_column, mode_column) if c]
    modes: list[str] = []
    if not texts:
        x = source.one("strengths")
        failed = [True] * len(x)
    else:
        figures, words = source.table([source.columns[0] if source.columns else ""], texts)
        x = next(iter(figures.values()))
        columns = list(words.values())
        failed = [_failed(w, i) for i, w in enumerate(columns[0])] if failed_column else [True] * len(x)
        if mode_column:
            found = [find_mode(w) for w in columns[-1]]
            # A mixed failure without shares counts as a failure of the weld.
            states = [StrengthStatus.EVENT if m.value == "mixed" else strength_status(m) for m in found]
            keep = [s is not StrengthStatus.NO_VALUE for s in states]
            if not all(keep):
                source.notes.append(f"{keep.count(False)} test faults left out and counted.")
            x = [v for v, k in zip(x, keep, strict=True) if k]
            failed = [s is StrengthStatus.EVENT for s, k in zip(states, keep, strict=True) if k]
            modes = [m.value for m, k in zip(found, keep, strict=True) if k]
    for text in held:
        value, times, count = text.replace("×", "x").partition("x")
        if times and not count.isdigit():
            raise UsageError(f"--held {text!r} is not a strength.", "As in --held 500 or --held 500x10.")
        repeats = int(count) if times else 1
        x += [number(value)] * repeats
        failed += [False] * repeats
        modes += ["parent material"] * repeats if modes else []
    return x, failed, modes


def _failed(word: str, place: int) -> bool:
    if word.casefold() in YES:
        return True
    if word.casefold() in NO:
        return False
    raise UsageError(
        f"Value {place + 1}: {word!r} does not say whether the weld failed.", "Use 1 or 0, yes or no."
    )


def _fit_lines(answer: Answer, found: StrengthFit, x: list[float]) -> None:
    import numpy as np

    values = np.asarray(x)
    answer.add("n", found.n, "pulls")
    answer.add("failures", found.failures, "weld failed")
    answer.add("held", found.censored_count, "held: parent material broke", "right-censored")
    answer.add("mean_plain", float(values.mean()), "plain mean", "all pulls, as if all had failed")
    answer.add("sd_plain", float(values.std(ddof=1)), "plain standard deviation")
    answer.gap("Fit by maximum likelihood")
    answer.data |= {
        "shape": found.shape,
        "parameters": found.parameters,
        "log_likelihood": found.log_likelihood,
    }
    answer.data["intervals"] = {k: [i.low, i.high] for k, i in found.intervals.items()}
    for name, value in found.parameters.items():
        answer.data[f"{name}_parameter"] = value
        interval = found.intervals.get(name)
        how = (
            "" if interval is None else f"{answer.both(interval.low, interval.high, 'g')}, {interval.method}"
        )
        answer.lines.append((name.replace("_", " "), answer.shown(value), how))
    answer.data["percentiles"] = [
        {"share": p.share, "value": p.value, "low": p.interval.low, "high": p.interval.high}
        for p in found.percentiles
    ]
    rows = [(f"{100 * p.share:g} %", p.value, p.interval.low, p.interval.high) for p in found.percentiles]
    answer.table(
        "Strength that a share of the welds does not reach", ("share", "strength", "low", "high"), rows
    )
    if found.censored_count:
        answer.notes.append(
            "The plain mean takes a break in parent material as the strength of the weld; it is at least that."
        )


def _modes(
    answer: Answer, x: list[float], modes: list[str], shape: str, level: float, lsl: float | None
) -> Answer:
    from qualrec.stats import strength as st

    if not modes:
        raise UsageError("Fits per mode need the modes.", "Give --mode-column.")
    found = st.fit_modes(x, modes, shape, level)
    answer.add("n", len(x), "pulls")
    answer.data |= {"shape": shape, "modes": {}}
    rows: list[tuple[object, ...]] = []
    for mode, fit in found.items():
        if isinstance(fit, str):
            answer.data["modes"][mode] = fit
            rows.append((mode, str(modes.count(mode)), fit, "", ""))
            continue
        p = fit.percentiles[1]
        answer.data["modes"][mode] = {
            "failures": fit.failures,
            "parameters": fit.parameters,
            "percentiles": [
                {"share": q.share, "value": q.value, "low": q.interval.low} for q in fit.percentiles
            ],
        }
        shown = ", ".join(f"{k} {v:.5g}" for k, v in fit.parameters.items())
        rows.append((mode, str(fit.failures), shown, f"{p.value:.5g}", f"{p.interval.low:.5g}"))
    answer.table("", ("mode", "failures", "parameters", "B1", "B1 low"), rows)
    if lsl is not None:
        answer.add(
            "share_below", st.share_below_all_modes(found, lsl), f"share below {lsl:g}", "any mode", "%"
        )
    answer.notes.append(st.INDEPENDENCE)
    return answer


@command(app, "tolerance")
def tolerance(
    source: Source,
    coverage: Annotated[float, num("Share of the parts to be covered, as 0.95.", "--coverage")] = 0.95,
    confidence: Annotated[float, num("Confidence, as 0.95.", "--confidence")] = 0.95,
    side: Annotated[str, typer.Option("--side", help="two, lower or upper.")] = "two",
    n: Annotated[list[int] | None, typer.Option("--n", help="Number of values: the factors k alone.")] = None,
    mean: Annotated[float | None, num("Mean, with --sd and --n.", "--mean")] = None,
    sd: Annotated[float | None, num("Standard deviation, with --mean and --n.", "--sd")] = None,
    method: Annotated[
        str, typer.Option("--method", help="exact, approximate (Howe, Natrella) or distribution-free.")
    ] = "exact",
    smallest_n: Annotated[
        bool, typer.Option("--smallest-n", help="Distribution-free: the n whose extreme values reach it.")
    ] = False,
    lsl: Lower = None,
    usl: Upper = None,
) -> Answer:
    """Tolerance intervals: with this confidence at least this share of all parts lies inside.

    JSON: n, coverage, confidence, side, k_one_sided, k_two_sided, k_howe, k_natrella (one figure for one n, lists for
    several), k (of the method), mean, sd, low, high; share_beyond_lsl, share_beyond_usl (lower bounds of the share on the
    good side) with --lsl, --usl; smallest_n.
    """
    from qualrec.stats import tolerance as tol

    way = chosen("--method", method, ("exact", "approximate", "distribution-free"))
    which = chosen("--side", side, ("two", "lower", "upper"))
    answer = Answer(
        f"Tolerance interval: {100 * coverage:g} % of the parts with {100 * confidence:g} % confidence",
        "ISO 16269-6; NIST e-Handbook 7.2.6.3",
    )
    answer.data |= {"coverage": coverage, "confidence": confidence, "side": which, "method": way}
    if smallest_n:
        found = tol.distribution_free_n(coverage, confidence, which)
        what = "smallest and largest value" if which == "two" else "extreme value"
        answer.add("smallest_n", found, "values needed", f"for the {what} to reach it, any shape")
        return answer
    x: list[float] | None = None
    if source.given:
        x = source.one()
        sizes = [len(x)]
    elif n:
        sizes = list(n)
    else:
        raise UsageError("No values given.", "Type values, name a file, or give --n (with --mean and --sd).")
    if way == "distribution-free":
        if x is None:
            raise UsageError("Ordered values are needed.", "Give the values, or ask for --smallest-n.")
        _interval_lines(answer, tol.distribution_free(x, coverage, confidence, which))
        _beyond(answer, x, lsl, usl, confidence, free=True)
        return answer
    k = _factors(answer, sizes, coverage, confidence, which, way)
    if x is not None:
        import numpy as np

        mean, sd = float(np.mean(x)), float(np.std(x, ddof=1))
        if not sd > 0:
            raise UsageError(f"All {len(x)} values are the same; there is no spread.", "Check the gauge.")
        _beyond(answer, x, lsl, usl, confidence, free=False)
    if mean is not None and sd is not None and len(sizes) == 1:
        answer.fine = sd
        answer.add("mean", mean, "mean", "", "x")
        answer.add("sd", sd, "standard deviation")
        low = mean - k * sd if which in ("two", "lower") else -math.inf
        high = mean + k * sd if which in ("two", "upper") else math.inf
        answer.add("low", low, "lower limit", f"mean - {k:.5g} sd" if math.isfinite(low) else "", "x")
        answer.add("high", high, "upper limit", f"mean + {k:.5g} sd" if math.isfinite(high) else "", "x")
    return answer


def _factors(
    answer: Answer, sizes: list[int], coverage: float, confidence: float, side: str, way: str
) -> float:
    """All factors as figures or lists; the k of the side and method asked for."""
    from qualrec.errors import ComputeError
    from qualrec.stats import tolerance as tol

    rows: dict[str, list[float]] = {
        "k_two_sided": [tol.k_two_sided(s, coverage, confidence) for s in sizes],
        "k_one_sided": [tol.k_one_sided(s, coverage, confidence) for s in sizes],
        "k_howe": [tol.k_howe(s, coverage, confidence) for s in sizes],
        "k_natrella": [],
    }
    for s in sizes:
        try:
            rows["k_natrella"].append(tol.k_natrella(s, coverage, confidence))
        except ComputeError:
            rows["k_natrella"].append(math.nan)
    words = ("two-sided, exact", "one-sided, exact", "two-sided, Howe", "one-sided, Natrella")
    single = len(sizes) == 1
    answer.data["n"] = sizes[0] if single else sizes
    answer.data |= {name: row[0] if single else row for name, row in rows.items()}
    heads = ("n", *words)
    answer.table(
        "Factors k", heads, [(str(s), *(f"{rows[r][i]:.5f}" for r in rows)) for i, s in enumerate(sizes)]
    )
    exact = "k_two_sided" if side == "two" else "k_one_sided"
    rough = "k_howe" if side == "two" else "k_natrella"
    k = rows[exact if way == "exact" else rough]
    answer.data["k"] = k[0] if single else k
    answer.conventions.append(
        "Two-sided exact by integration, one-sided by the non-central t."
        if way == "exact"
        else "Approximate factors: Howe two-sided, Natrella one-sided."
    )
    return k[0]


def _interval_lines(answer: Answer, found: Tolerance) -> None:
    answer.fine = found.sd
    answer.add("n", found.n, "n")
    answer.add("low", found.low, "lower limit", "an ordered value", "x")
    answer.add("high", found.high, "upper limit", "an ordered value", "x")
    answer.data["confidence"] = found.confidence
    answer.lines.append(("confidence reached", answer.shown(found.confidence, "%"), found.method))


def _beyond(
    answer: Answer, x: list[float], lsl: float | None, usl: float | None, confidence: float, *, free: bool
) -> None:
    """With this confidence at least so many parts lie on the good side of each limit."""
    from qualrec.stats import tolerance as tol

    for key, limit, side in (("share_beyond_lsl", lsl, "lower"), ("share_beyond_usl", usl, "upper")):
        if limit is not None:
            bound = (tol.free_share_beyond if free else tol.share_beyond)(x, limit, side, confidence)
            word = "above" if side == "lower" else "below"
            how = f"with {100 * confidence:g} % confidence; {bound.method}"
            answer.add(key, bound.value, f"at least so many {word} {limit:g}", how, "%")


@command(app, "proportion")
def proportion(
    source: Source,
    failures: Annotated[int | None, typer.Option("--failures", help="Number of failures.")] = None,
    n: Annotated[int | None, typer.Option("--n", help="Number of parts.")] = None,
    size_column: Annotated[
        str | None,
        typer.Option("--size-column", help="Column of parts per lot; --column holds the failures."),
    ] = None,
    size: Annotated[int | None, typer.Option("--size", help="Parts per lot, the same for all.")] = None,
    reliability: Annotated[
        float | None, num("Share of good parts claimed: how many parts?", "--reliability")
    ] = None,
    confidence: Annotated[
        float | None, num("Confidence of the claim (--level if left out).", "--confidence")
    ] = None,
    allowed: Annotated[int, typer.Option("--allowed", help="Failures allowed in that test.")] = 0,
    claim: Annotated[
        float | None, num("Claimed upper share of failures: how many more parts?", "--claim")
    ] = None,
    level: Level = 0.95,
) -> Answer:
    """Share of failures with exact and score intervals, over lots too; parts needed for a claim.

    JSON: failures, n, share, exact_low, exact_high, wilson_low, wilson_high, upper (one-sided bound), reliability_lower;
    by lot: lots, design_effect, n_effective; claims: needed_n (with --reliability, or --claim), more_needed.
    """
    from qualrec.stats import proportions as pr

    sure = level if confidence is None else confidence
    answer = Answer("Share of failures", "NIST e-Handbook 7.2.4.1; Clopper & Pearson 1934; Wilson 1927")
    if reliability is not None:
        answer.title = (
            f"Parts needed to show {100 * reliability:g} % good parts with {100 * sure:g} % confidence"
        )
        answer.data |= {"reliability": reliability, "confidence": sure, "allowed": allowed}
        how = "n = ln(1 - C) / ln(R), rounded up" if allowed == 0 else "binomial sum <= 1 - C"
        answer.add(
            "needed_n",
            pr.success_run_n(sure, reliability, allowed),
            f"parts, {allowed} failures allowed",
            how,
        )
        if failures is None and not source.given:
            return answer
    if source.given:
        counts, sizes = _by_lot(source, size_column, size)
        found = pr.proportion_by_lot(counts, sizes, level)
    elif failures is None or n is None:
        if claim is not None:
            answer.add(
                "needed_n",
                pr.success_run_n(sure, 1.0 - claim, allowed),
                "parts needed",
                f"{allowed} failures allowed",
            )
            return answer
        raise UsageError("No counts given.", "Give --failures and --n, or failures per lot with their sizes.")
    else:
        found = pr.proportion(failures, n, level)
    if not answer.data:
        answer.title = f"Share of failures: {found.failures} of {found.n}"
    answer.add("failures", found.failures, "failures")
    answer.add("n", found.n, "parts")
    answer.add("share", found.share, "share", "failures / parts", "%")
    exact = pr.clopper_pearson(found.failures, found.n, level)
    if found.lots > 1:
        answer.interval("lots", found.interval, "interval over lots", "%")
    _limits(answer, "exact", exact, "interval, exact")
    _limits(answer, "wilson", pr.wilson(found.failures, found.n, level), "interval, score")
    answer.add(
        "upper", found.upper.value, "upper bound", f"one-sided {100 * level:g} %, {found.upper.method}", "%"
    )
    bound: Bound = pr.reliability_shown(found.n, found.failures, level)
    answer.add(
        "reliability_lower", bound.value, "good parts, lower bound", f"one-sided {100 * level:g} %", "%"
    )
    if found.lots > 1:
        answer.add("lots", found.lots, "lots")
        answer.add("design_effect", found.design_effect, "design effect", "how unlike the lots are")
        answer.add("n_effective", found.n_effective, "effective parts", "n / design effect")
    if claim is not None:
        needed = pr.success_run_n(sure, 1.0 - claim, found.failures)
        answer.add(
            "needed_n", needed, "parts needed", f"to show fewer than {100 * claim:g} %, no further failure"
        )
        answer.add("more_needed", max(0, needed - found.n), "more than now")
    answer.notes += found.notes
    return answer


def _limits(answer: Answer, key: str, found: Interval, label: str) -> None:
    answer.interval(key, found, label, "%")


def _by_lot(source: Source, size_column: str | None, size: int | None) -> tuple[list[int], Any]:
    if size_column is not None:
        figures, _ = source.table([source.columns[0] if source.columns else "", size_column])
        counts, sizes = list(figures.values())
    else:
        if size is None:
            raise UsageError("Failures per lot need the sizes of the lots.", "Give --size-column or --size.")
        counts = source.one("failures")
        sizes = [float(size)] * len(counts)
    if any(v != int(v) for v in (*counts, *sizes)):
        raise UsageError("A count is not a whole number.", "Give whole numbers of failures and parts.")
    return [int(v) for v in counts], [int(v) for v in sizes]
