"""`calc chart` and `calc rules`."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Annotated, Any

import typer

from qualrec.cli.calc_command import Answer, chosen, command, family, num
from qualrec.cli.calc_input import Source
from qualrec.errors import UsageError

if TYPE_CHECKING:
    from qualrec.cli.calc_chart_wish import Built
    from qualrec.stats.results import Chart, Signal, Track
    from qualrec.stats.rules import Rule

app = family()
KINDS = (
    "individuals, xbar-r, xbar-s, lot-means, ewma, cusum, p, np, c, u, p-prime, u-prime, zero, g, t, t2, "
    "deviation, standardised"
)
SOURCES = {
    "lot-means": "ISO 7870-2 for the charts; the use of lot means as individuals: common practice",
    "ewma": "ISO 7870-6; Lucas & Saccucci 1990",
    "cusum": "ISO 7870-4; Montgomery",
    "p-prime": "Laney 2002",
    "u-prime": "Laney 2002",
    "g": "Benneyan 2001 (from memory)",
    "t": "Montgomery; Nelson 1994 (from memory)",
    "t2": "Montgomery; NIST e-Handbook 6.5.4.3",
    "deviation": "Montgomery, short runs",
    "standardised": "ISO 7870-8",
}
SHOWN_POINTS = 40

RuleOption = Annotated[
    list[str] | None,
    typer.Option(
        "--rule",
        help="Rule to look for, also with its count, as one-side:7; 'all'. Usual: beyond-limit.",
    ),
]
RunLength = Annotated[
    int | None, typer.Option("--run-length", help="Also the rule of 7, 8 or 9 points on one side.")
]


@command(app, "chart")
def chart(
    source: Source,
    kind: Annotated[str, typer.Option("--kind", help=KINDS)] = "individuals",
    by: Annotated[str | None, typer.Option("--by", help="Column of the subgroups or lots.")] = None,
    size: Annotated[
        int | None, typer.Option("--size", help="Fixed size of subgroups or of samples (p, np, u).")
    ] = None,
    size_column: Annotated[
        str | None, typer.Option("--size-column", help="Column of sample sizes, exposures, subgroup sizes.")
    ] = None,
    spread_column: Annotated[
        str | None,
        typer.Option(
            "--spread-column", help="Column of ranges or standard deviations; --column holds means."
        ),
    ] = None,
    centre: Annotated[float | None, num("Known centre (second phase).", "--centre")] = None,
    sigma: Annotated[float | None, num("Known sigma (second phase).", "--sigma")] = None,
    mean_spread: Annotated[
        float | None,
        num(
            "Known mean range, mean standard deviation or mean moving range, in place of --sigma.",
            "--mean-spread",
        ),
    ] = None,
    target: Annotated[float | None, num("Target (cusum, ewma, deviation, standardised).", "--target")] = None,
    target_column: Annotated[str | None, typer.Option("--target-column", help="Column of targets.")] = None,
    sigma_column: Annotated[
        str | None, typer.Option("--sigma-column", help="Column of known sigmas.")
    ] = None,
    part_column: Annotated[
        str | None, typer.Option("--part-column", help="Column of part numbers (deviation).")
    ] = None,
    width: Annotated[
        float | None, num("Limits at so many sigma (3; lot-means 3.5; ewma 2.9).", "--width")
    ] = None,
    estimator: Annotated[
        str, typer.Option("--estimator", help="moving-range, median-moving-range or overall-s.")
    ] = "moving-range",
    weight: Annotated[float | None, num("EWMA weight of the newest value (0.2).", "--weight")] = None,
    steady: Annotated[
        bool, typer.Option("--steady", help="EWMA limits of the steady state, not time-varying.")
    ] = False,
    slack: Annotated[float, num("CUSUM slack k in sigma.", "--slack")] = 0.5,
    decision: Annotated[float, num("CUSUM decision interval h in sigma.", "--decision")] = 5.0,
    head_start: Annotated[float, num("CUSUM head start as a share of h.", "--head-start")] = 0.0,
    alpha: Annotated[float, num("T2: false-alarm rate of a point.", "--alpha")] = 0.0027,
    method: Annotated[
        str | None,
        typer.Option("--method", help="g: probability, three-sigma; t: exponential, power."),
    ] = None,
    leave_out: Annotated[
        list[str] | None,
        typer.Option("--leave-out", metavar="POINT[=REASON]", help="Limits without this point (from 1)."),
    ] = None,
    first: Annotated[
        int | None, typer.Option("--first", help="Limits from the first so many points only.")
    ] = None,
    factors: Annotated[
        str, typer.Option("--factors", help="full (precision) or printed (3 decimals).")
    ] = "full",
    factor: Annotated[
        list[str] | None, typer.Option("--factor", metavar="NAME=VALUE", help="Factor to use, as D4=2.115.")
    ] = None,
    rule: RuleOption = None,
    run_length: RunLength = None,
) -> Answer:
    """Limits of a control chart, its points, and what the rules find.

    JSON: kind, n, centre, lcl, ucl (a list where limits differ from point to point), sigma, tracks [{name, values,
    centre, lcl, ucl}], points_beyond (from 1), signals [{rule, track, point, points, side, text}], first_signal;
    individuals, deviation: mr_bar, mr_ucl, mr_lcl; xbar-r, xbar-s: grand_mean, r_bar or s_bar, r_ucl …;
    ewma: ewma, ucl_steady, lcl_steady; cusum: c_plus, c_minus, k, h, shift_first, shift_level; p_bar, np_bar,
    c_bar, u_bar, sigma_z; t2: t2, mean, covariance, contributions.
    """
    from qualrec.cli.calc_chart_build import BUILDERS
    from qualrec.cli.calc_chart_wish import Wish

    name = chosen("--kind", kind, BUILDERS)
    out, reasons = _left_out(leave_out or [])
    wish = Wish(
        kind=name,
        by=by,
        size=size,
        size_column=size_column,
        spread_column=spread_column,
        target=target,
        target_column=target_column,
        sigma_column=sigma_column,
        part_column=part_column,
        centre=centre,
        sigma=sigma,
        mean_spread=mean_spread,
        width=width,
        estimator=estimator.replace("-", " "),
        weight=weight,
        steady=steady,
        slack=slack,
        decision=decision,
        head_start=head_start,
        alpha=alpha,
        method=method,
        left_out=out,
        first=first,
        printed=chosen("--factors", factors, ("full", "printed")) == "printed",
        factor=tuple(factor or ()),
    )
    if not (name in ("individuals", "xbar-r", "xbar-s") and centre is not None):
        source.need("values")
    built = BUILDERS[name](source, wish)
    answer = _answer(name, built, rules_named(rule or [], run_length))
    if wish.has_factors:
        answer.conventions.append("Factors rounded or given, in place of full precision.")
    answer.notes += [
        f"Point {p} is left out of the limits: {reasons.get(p) or 'no reason given'}." for p in out
    ]
    return answer


def _left_out(texts: list[str]) -> tuple[tuple[int, ...], dict[int, str]]:
    places, reasons = [], {}
    for text in texts:
        left, sign, reason = text.partition("=")
        for part in left.split(","):
            if not part.strip().isdigit():
                raise UsageError(
                    f"--leave-out {text!r} is not a point.", "As in --leave-out 15='wrong gauge'."
                )
            places.append(int(part))
            if sign:
                reasons[int(part)] = reason
    return tuple(places), reasons


def rules_named(names: list[str], run_length: int | None = None) -> list[Rule]:
    """Rules from names as 'one-side:7'; the default rules where nothing is named."""
    from qualrec.stats import rules

    found = []
    for name in names:
        if name.casefold() == "all":
            found += list(rules.ALL_RULES)
            continue
        word, sign, count = name.partition(":")
        if sign and not count.isdigit():
            raise UsageError(f"--rule {name!r} has no count.", "As in --rule one-side:7.")
        found.append(rules.rule(chosen("--rule", word, rules.RULE_KINDS), int(count) if sign else None))
    if run_length is not None:
        found = [r for r in found if r.kind != "one_side"] or list(rules.DEFAULT_RULES)
        found.append(rules.rule("one_side", run_length))
    return found or list(rules.DEFAULT_RULES)


def _short(rule: Rule) -> str:
    return rule.kind.replace("_", "-") + (f":{rule.k}" if rule.k > 1 else "")


def _signal(s: Signal) -> dict[str, Any]:
    return {
        "rule": s.rule,
        "track": s.track,
        "point": s.points[-1] + 1,
        "points": [i + 1 for i in s.points],
        "side": s.side,
        "text": s.text,
    }


def _track(t: Track) -> dict[str, Any]:
    return {"name": t.name, "values": t.values, "centre": t.centre, "lcl": t.lower, "ucl": t.upper}


def _answer(kind: str, built: Built, rules: list[Rule]) -> Answer:
    from qualrec.cli.calc_chart_wish import flat
    from qualrec.stats.rules import evaluate_chart

    c = built.chart
    first = c.tracks[0]
    signals = evaluate_chart(c, rules)
    answer = Answer(
        f"Chart: {c.method} ({f'{len(built.names)} points' if built.names else 'limits only'})",
        SOURCES.get(kind, "ISO 7870-2; Montgomery"),
        _scale(c),
    )
    answer.data |= {"kind": kind, "n": len(built.names), "method": c.method}
    for key, value, label, how in built.figures:
        form = "x" if key.endswith(("ucl", "lcl", "mean", "level", "steady")) else "g"
        if isinstance(value, list):
            answer.data[key] = value
            answer.lines.append((label, "see points", how))
        else:
            answer.add(key, value, label, how, form)
    answer.gap()
    differ = isinstance(flat(first.upper), list) or isinstance(flat(first.lower), list)
    for key, row, label in (("ucl", first.upper, "upper limit"), ("centre", first.centre, "centre"),
                            ("lcl", first.lower, "lower limit")):  # fmt: skip
        value = flat(row)
        if value is not None and differ and key != "centre":
            value = row.tolist()
        answer.data[key] = value
        if value is None:
            continue
        shown = "differs, see points" if isinstance(value, list) else answer.shown(value, "x")
        answer.lines.append((f"{label}, {first.name}", shown, ""))
    _signals(answer, c, signals, rules)
    answer.data |= built.data
    answer.data["tracks"] = [_track(t) for t in c.tracks]
    _points(answer, built, {s.points[-1] for s in signals})
    answer.conventions.append("A point on a limit is not beyond it.")
    answer.notes += c.notes
    return answer


def _signals(answer: Answer, c: Chart, signals: tuple[Signal, ...], rules: list[Rule]) -> None:
    answer.data["rules"] = [{"kind": r.kind, "k": r.k, "text": r.text, "source": r.source} for r in rules]
    answer.data["signals"] = [_signal(s) for s in signals]
    beyond = [s for s in signals if s.rule == "beyond limit" or s.rule == "beyond_limit"]
    answer.data["points_beyond"] = sorted({s.points[-1] + 1 for s in beyond if s.track == c.tracks[0].name})
    answer.data["first_signal"] = min((s.points[-1] + 1 for s in signals), default=None)
    answer.lines.append(("signals", str(len(signals)), "rules: " + ", ".join(_short(r) for r in rules)))
    if signals:
        answer.table(
            "What the rules found",
            ("point", "track", "finding"),
            [(str(s.points[-1] + 1), s.track, s.text) for s in signals[:SHOWN_POINTS]],
        )


def _scale(c: Chart) -> float:
    """A spread that sets the decimals shown."""
    import numpy as np

    for row in (c.tracks[0].sigma, c.tracks[0].upper - c.tracks[0].centre, c.tracks[0].upper):
        here = row[np.isfinite(row) & (row > 0)]
        if here.size:
            return float(here.min())
    return math.nan


def _points(answer: Answer, built: Built, marked: set[int]) -> None:
    tracks = built.chart.tracks
    places = range(len(built.names))
    shown = list(places) if len(built.names) <= SHOWN_POINTS else [i for i in places if i in marked]
    if len(built.names) > SHOWN_POINTS:
        answer.notes.append(f"{len(built.names)} points; shown are those that signal. --json has all.")
    if not shown:
        return
    t = tracks[0]
    heads = ["point", t.name, "lower", "upper", *(u.name for u in tracks[1:]), "signal"]
    rows = [
        [
            built.names[i],
            *(answer.shown(float(v[i]), "x") for v in (t.values, t.lower, t.upper)),
            *(answer.shown(float(u.values[i]), "x") for u in tracks[1:]),
            "*" if i in marked else "",
        ]
        for i in shown
    ]
    answer.table("Points", heads, rows)


@command(app, "rules")
def rules_on(
    source: Source,
    centre: Annotated[float | None, num("Centre; else the mean of the values.", "--centre")] = None,
    sigma: Annotated[float | None, num("Sigma of a point; else mean moving range/d2.", "--sigma")] = None,
    width: Annotated[float, num("Limits at so many sigma.", "--width")] = 3.0,
    rule: RuleOption = None,
    run_length: RunLength = None,
    price: Annotated[
        bool, typer.Option("--price/--no-price", help="Also the average run length of the rules.")
    ] = True,
) -> Answer:
    """Rules that find non-random patterns, on values in their order; without values: the list of rules.

    JSON: n, centre, sigma, rules [{kind, k, text, source}], signals [{rule, point, points, side, text}],
    arl (points to a false alarm of the set), false_alarm_rate, arl_method.
    """
    from qualrec.stats import rules as rl
    from qualrec.stats.charts import individuals
    from qualrec.stats.runlength import rules_arl

    found = (
        list(rl.ALL_RULES)
        if not (rule or run_length or source.given)
        else rules_named(rule or [], run_length)
    )
    answer = Answer(
        "Rules for patterns of points", "Western Electric 1956; Nelson 1984; ISO 7870-2 (from memory)"
    )
    answer.data["rules"] = [{"kind": r.kind, "k": r.k, "text": r.text, "source": r.source} for r in found]
    answer.table("", ("rule", "finds"), [(_short(r), r.text) for r in found])
    answer.notes += [f"{_short(r)}: {r.source}." for r in found]
    if source.given:
        x = source.one(gaps=True)
        if centre is None or sigma is None:
            frozen = individuals(x).frozen
            assert frozen is not None
            centre = frozen.centre if centre is None else centre
            sigma = frozen.sigma if sigma is None else sigma
        answer.title = f"Rules on {len(x)} points"
        answer.fine = sigma
        track = _level(x, centre, sigma, width)
        signals = rl.evaluate(track, found)
        answer.add("n", len(x), "n")
        answer.add("centre", centre, "centre", "", "x")
        answer.add("sigma", sigma, "sigma of a point")
        answer.add("lcl", centre - width * sigma, "lower limit", f"centre - {width:g} sigma", "x")
        answer.add("ucl", centre + width * sigma, "upper limit", f"centre + {width:g} sigma", "x")
        answer.data["signals"] = [_signal(s) for s in signals]
        answer.data["first_signal"] = min((s.points[-1] + 1 for s in signals), default=None)
        answer.lines.append(("signals", str(len(signals)), ""))
        if signals:
            rows = [(str(s.points[-1] + 1), s.rule, s.text) for s in signals[:SHOWN_POINTS]]
            answer.table("What the rules found", ("point", "rule", "finding"), rows)
    if price:
        arl = rules_arl(found, width=width)
        answer.add("arl", arl.value, "points to a false alarm", f"average run length, {arl.method}", "g")
        answer.add("false_alarm_rate", 1.0 / arl.value, "false alarms per point", "1 / run length", "%")
        answer.data |= {"arl_method": arl.method, "arl_error": arl.error}
        answer.notes.append("The run length holds for independent normal points with known centre and sigma.")
    return answer


def _level(x: list[float], centre: float, sigma: float, width: float) -> Track:
    import numpy as np

    from qualrec.stats.results import Track

    shape = (len(x),)
    level, spread = np.full(shape, centre), np.full(shape, sigma)
    return Track("value", np.asarray(x), level, level - width * spread, level + width * spread, spread)
