"""`calc arl`, `design` and `drift`."""

from __future__ import annotations

from typing import Annotated

import typer

from qualrec.cli.calc_chart import RuleOption, RunLength, rules_named
from qualrec.cli.calc_command import Answer, Level, chosen, command, family, num
from qualrec.cli.calc_input import Source, figures_in

app = family()


@command(app, "arl", data=False)
def arl(
    scheme: Annotated[str, typer.Option("--scheme", help="limits, rules, ewma or cusum.")] = "limits",
    shift: Annotated[
        list[str] | None,
        typer.Option("--shift", help="Shift of the level in sigma of a point; several: '0 0.5 1'."),
    ] = None,
    width: Annotated[float | None, num("Limits at so many sigma (3; ewma 2.9).", "--width")] = None,
    weight: Annotated[float, num("EWMA weight.", "--weight")] = 0.2,
    point_width: Annotated[
        float | None, num("Limits on the points beside the EWMA, in sigma.", "--point-width")
    ] = None,
    time_varying: Annotated[
        bool, typer.Option("--time-varying", help="EWMA limits that vary with time (simulated).")
    ] = False,
    slack: Annotated[float, num("CUSUM slack k in sigma.", "--slack")] = 0.5,
    decision: Annotated[float, num("CUSUM decision interval h in sigma.", "--decision")] = 5.0,
    head_start: Annotated[float, num("CUSUM head start as a share of h.", "--head-start")] = 0.0,
    sides: Annotated[int, typer.Option("--sides", help="CUSUM: 1 or 2.")] = 2,
    scale: Annotated[float, num("True sigma over the sigma of the limits.", "--scale")] = 1.0,
    rule: RuleOption = None,
    run_length: RunLength = None,
    lots: Annotated[
        int | None,
        typer.Option("--lots", help="Also the scatter of the false-alarm rate, limits from so many lots."),
    ] = None,
) -> Answer:
    """Average run length: points until a chart signals, at each shift of the level.

    JSON: scheme, shift, arl, method, error (one figure for one shift, lists for several), arl_0, false_alarm_rate;
    with --lots scatter {k, known, low, median, high, too_often}.
    """
    from qualrec.stats import runlength as rl
    from qualrec.stats.limitscatter import rate_scatter

    kind = chosen("--scheme", scheme, ("limits", "rules", "ewma", "cusum"))
    shifts = [v for text in (shift or ["0"]) for v in figures_in(text)]
    wide = (2.9 if kind == "ewma" else 3.0) if width is None else width
    ewma = rl.Ewma(weight, wide, time_varying)
    named = rules_named(rule or [], run_length)

    def one(at: float) -> rl.RunLength:
        if kind == "limits":
            return rl.shewhart_arl(wide, at, scale)
        if kind == "ewma" and time_varying:
            return rl.rules_arl((), at, width=point_width or 3.0, ewma=ewma)
        if kind == "ewma":
            return rl.ewma_arl(ewma, at, point_width=point_width, scale=scale)
        if kind == "cusum":
            return rl.cusum_arl(slack, decision, at, head_start=head_start, sides=sides)
        return rl.rules_arl(named, at, width=wide)

    found = [one(at) for at in shifts]
    words = {
        "limits": f"limits at {wide:g} sigma",
        "rules": "; ".join(r.text for r in named),
        "ewma": f"EWMA, weight {weight:g}, limits {wide:g} sigma"
        + (f", points at {point_width:g} sigma" if point_width else ""),
        "cusum": f"CUSUM, k {slack:g}, h {decision:g} sigma, {sides}-sided"
        + (f", head start {head_start:g} of h" if head_start else ""),
    }
    answer = Answer(
        f"Average run length: {words[kind]}",
        "Montgomery; Lucas & Saccucci 1990; Brook & Evans 1972 (Markov chain)",
    )
    single = len(shifts) == 1
    answer.data |= {"scheme": kind, "shift": shifts[0] if single else shifts}
    for key, row in (
        ("arl", [r.value for r in found]),
        ("method", [r.method for r in found]),
        ("error", [r.error for r in found]),
    ):
        answer.data[key] = row[0] if single else row
    answer.table(
        "",
        ("shift in sigma", "points to a signal", "method"),
        [
            (f"{at:g}", f"{r.value:.5g}" + (f" -+ {r.error:.2g}" if r.error else ""), r.method)
            for at, r in zip(shifts, found, strict=True)
        ],
    )
    at_zero = one(0.0).value if 0.0 not in shifts else found[shifts.index(0.0)].value
    answer.add("arl_0", at_zero, "points to a false alarm", "level on the centre")
    answer.add("false_alarm_rate", 1.0 / at_zero, "false alarms per point", "1 / run length", "%")
    if lots is not None:
        s = rate_scatter(
            lots,
            width=wide if kind != "ewma" else (point_width or 3.5),
            ewma=ewma if kind == "ewma" else None,
        )
        answer.data["scatter"] = {
            n: getattr(s, n) for n in ("k", "known", "low", "median", "high", "too_often", "sets")
        }
        shown = f"{s.low:.4g} to {s.high:.4g}, median {s.median:.4g}"
        answer.lines.append((f"with limits from {lots} lots", shown, "90 % of limit sets, simulated"))
    answer.notes.append(
        "Independent normal points, known centre and sigma; the shift is there from the first point."
    )
    return answer


@command(app, "design", data=False)
def design(
    shift: Annotated[float, num("Drift to find, in the unit of --sigma.", "--shift")],
    within: Annotated[float, num("Lots within which it is to be found, on average.", "--within")],
    one_in: Annotated[float, num("One false alarm in so many lots.", "--one-in")],
    sigma: Annotated[float, num("Sigma of a lot mean; 1 where --shift is in sigma.", "--sigma")] = 1.0,
) -> Answer:
    """The chart of lot means that finds a drift soonest at one false alarm in so many lots.

    JSON: weight (1: lot means alone), width, point_width, in_control, to_find, met, shift_sigma, shift_found.
    """
    from qualrec.stats.chartdesign import design as best

    found = best(shift / sigma, within, one_in)
    answer = Answer(
        f"Chart design: find a drift of {shift:g} within {within:g} lots, one false alarm in {one_in:g}",
        "run lengths by Markov chain (Lucas & Saccucci 1990)",
    )
    answer.add("shift_sigma", shift / sigma, "drift in sigma", f"{shift:g} / {sigma:g}")
    answer.add("weight", found.weight, "EWMA weight", "1: the lot means alone")
    answer.add("width", found.width, "EWMA limits", "sigma of the EWMA")
    answer.add("point_width", found.point_width, "limits on the lot means", "sigma")
    answer.add("in_control", found.in_control, "lots to a false alarm")
    answer.add("to_find", found.to_find, "lots to find the drift", "on average")
    answer.add("met", found.met, "wish met")
    found_at = found.shift_found
    answer.add(
        "shift_found", found_at, "drift found in that time", f"{found_at * sigma:.4g} in the unit given"
    )
    if not found.met:
        answer.notes.append(
            "No scheme does it: allow more false alarms, more lots, or take more values per lot."
        )
    return answer


@command(app, "drift")
def drift(
    source: Source,
    time_column: Annotated[
        str | None, typer.Option("--time-column", help="Column of times (numbers).")
    ] = None,
    on_median: Annotated[
        str,
        typer.Option("--on-median", help="Runs test: values on the median count 'above' or are 'dropped'."),
    ] = "above",
    level: Level = 0.95,
) -> Answer:
    """Drift: most likely step with its interval, trend (Mann-Kendall, Theil-Sen) and runs about the median.

    JSON: n, change_first (from 1), change_low, change_high, change_p, before, after, points_since; trend_s, trend_z,
    trend_p, slope, slope_low, slope_high, intercept; runs, runs_expected, runs_z, runs_p, runs_above, runs_below.
    """
    from qualrec.stats import drift as dr

    times: list[float] | None = None
    if time_column:
        figures, _ = source.table([source.columns[0] if source.columns else "", time_column])
        x, times = list(figures.values())
    else:
        x = source.one()
    r = dr.runs_test(x, on_median=on_median)
    t = dr.trend(x, times, level=level)
    answer = Answer(
        f"Drift of {len(x)} values in their order", "NIST e-Handbook 1.3.5.13; Mann 1945; Sen 1968"
    )
    answer.add("n", len(x), "n")
    if len(x) >= 5:
        c = dr.change_point(x, level=level)
        answer.fine = c.sigma
        answer.gap("Step")
        answer.add(
            "change_first", c.first + 1, "first point after it", f"between {c.low + 1} and {c.high + 1}"
        )
        answer.data |= {"change_low": c.low + 1, "change_high": c.high + 1, "change_sigma": c.sigma}
        answer.add("before", c.before, "level before", "", "x")
        answer.add("after", c.after, "level after", "", "x")
        answer.add("change_p", c.p, "p-value", "by orders drawn at random", "p")
        since = dr.time_since(c, times if times is not None else list(range(len(x))))
        answer.add("points_since", since.points, "points since", f"{since.fewest} to {since.most}")
        answer.data["time_since"] = since.time
    answer.gap("Trend")
    answer.add("trend_s", t.s, "Mann-Kendall S")
    answer.add("trend_z", t.z, "Z", t.method)
    answer.add("trend_p", t.p, "p-value", "", "p")
    answer.add("slope", t.slope, "Theil-Sen slope", "per point" if times is None else "per unit of time")
    answer.interval("slope", t.slope_interval, "its interval", "g")
    answer.data["intercept"] = t.start
    answer.gap("Runs about the median")
    answer.add("runs", r.runs, "runs", f"{r.above} above, {r.below} below {r.median:g}")
    answer.add("runs_expected", r.expected, "expected")
    answer.add("runs_z", r.z, "Z")
    answer.add("runs_p", r.p, "p-value", "", "p")
    answer.data |= {"runs_above": r.above, "runs_below": r.below, "median": r.median}
    answer.conventions.append(
        f"Values on the median: {'counted above' if on_median == 'above' else on_median}."
    )
    return answer
