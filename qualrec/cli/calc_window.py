"""`calc window`: plan of a process-window study, and its fit with a proposed set point."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from qualrec.cli.calc_command import Answer, Level, chosen, command, family, num
from qualrec.cli.calc_input import Source, number, split_columns
from qualrec.errors import UsageError

if TYPE_CHECKING:
    from qualrec.weld.window_plan import Factor, WindowPlan

app = family()
PLANS = ("full", "fractional", "face-centred", "box-behnken")


@command(app, "window")
def window(
    source: Source,
    factor: Annotated[
        list[str] | None,
        typer.Option("--factor", metavar="NAME=LOW..HIGH", help="Factor with its range, as power=60..100."),
    ] = None,
    plan: Annotated[str, typer.Option("--plan", help="Without a file: " + ", ".join(PLANS))] = "face-centred",
    levels: Annotated[int, typer.Option("--levels", help="Levels of a full factorial.")] = 2,
    generator: Annotated[
        list[str] | None, typer.Option("--generator", help="Generators of a fraction, as D=ABC.")
    ] = None,
    centre_runs: Annotated[int, typer.Option("--centre-runs", help="Runs at the centre.")] = 3,
    repeats: Annotated[int, typer.Option("--repeats", help="Times each run is made.")] = 1,
    seed: Annotated[int, typer.Option("--seed", help="Seed of the order of the runs.")] = 1,
    mode_column: Annotated[str, typer.Option("--mode-column", help="Column of failure modes.")] = "mode",
    least: Annotated[float | None, num("Required strength.", "--least")] = None,
    most_interfacial: Annotated[
        float, num("Largest chance of interfacial failure.", "--most-interfacial")
    ] = 0.05,
    mean: Annotated[
        bool, typer.Option("--mean", help="The mean must meet the requirement, not one more pull.")
    ] = False,
    order: Annotated[
        str, typer.Option("--order", help="Surface: linear, interaction or quadratic.")
    ] = "quadratic",
    level: Level = 0.95,
) -> Answer:
    """Process window: without a file the plan of the runs, with a file of the runs its fit and a set point.

    The file holds a column for each factor, the strength (--column) and the failure mode.
    JSON, plan: plan, runs [{order, kind, values}], resolution, defining_words. Fit: coefficients {term: value}, sigma, df,
    r_squared, lack_of_fit_p, mode_coefficients, failures, n; with --least set_point {factor: value}, margins
    [{factor, low, high}], strength, strength_lower, interfacial, interfacial_upper, share_inside.
    """
    factors = [_factor(text) for text in factor or []]
    if not factors:
        raise UsageError("No factors given.", "As in --factor power=60..100 --factor speed=800..1200.")
    if source.given:
        return _fit(source, factors, mode_column, least, most_interfacial, mean, order, level)
    from qualrec.weld import window_plan as wp

    kind = chosen("--plan", plan, PLANS)
    more: dict[str, Any] = {"centre_runs": centre_runs, "repeats": repeats, "seed": seed}
    if kind == "full":
        made = wp.full_factorial(factors, levels=levels, **more)
    elif kind == "fractional":
        made = wp.fractional_factorial(factors, generator or 1, **more)
    elif kind == "face-centred":
        made = wp.face_centred(factors, **more)
    else:
        made = wp.box_behnken(factors, **more)
    return _plan(made)


def _factor(text: str) -> Factor:
    from qualrec.weld.window_plan import Factor

    name, sign, ends = text.partition("=")
    low, dots, high = ends.partition("..")
    if not sign or not dots:
        raise UsageError(f"--factor {text!r} is not NAME=LOW..HIGH.", "As in --factor power=60..100.")
    return Factor(name.strip(), number(low.strip()), number(high.strip()))


def _plan(made: WindowPlan) -> Answer:
    answer = Answer(
        f"Plan of a window study: {made.kind}, {len(made.runs)} runs",
        "NIST e-Handbook 5.3.3; Box & Behnken 1960",
    )
    answer.data |= {"plan": made.kind, "seed": made.seed, "resolution": made.resolution}
    answer.data["defining_words"] = made.defining_words
    answer.data["runs"] = [
        {"order": r.order, "standard": r.standard, "kind": r.kind, "coded": r.coded, "values": r.values}
        for r in made.runs
    ]
    names = [f.name for f in made.factors]
    answer.table(
        "",
        ("run", "kind", *names),
        [(str(r.order), r.kind, *(f"{r.values[n]:g}" for n in names)) for r in made.runs],
    )
    answer.conventions.append(f"Order of the runs drawn at random, seed {made.seed}.")
    answer.notes += made.notes
    return answer


def _fit(
    source: Source,
    factors: list[Factor],
    mode_column: str,
    least: float | None,
    most_interfacial: float,
    mean: bool,
    order: str,
    level: float,
) -> Answer:
    import numpy as np

    from qualrec.weld.failure_modes import find_mode
    from qualrec.weld.window import WindowRule, fit_window, map_region, propose_set_point

    strength = split_columns(source.columns or ["strength"])[:1]
    figures, texts = source.table([*strength, *(f.name for f in factors)], [mode_column])
    y, *settings = [np.asarray(v) for v in figures.values()]
    modes = [find_mode(w) for w in next(iter(texts.values()))]
    found = fit_window(factors, np.column_stack(settings), y, modes, strength_order=order)
    s, m = found.strength, found.interfacial
    answer = Answer(
        f"Window study: {len(y)} pulls",
        "least squares; logistic with Firth's penalty; NIST e-Handbook 5",
        s.sigma,
    )
    answer.data |= {"coefficients": dict(zip(s.terms, s.coefficients.tolist(), strict=True)), "df": s.df}
    answer.data["mode_coefficients"] = dict(zip(m.terms, m.coefficients.tolist(), strict=True))
    answer.add("n", m.n, "pulls")
    answer.add("failures", m.failures, "interfacial failures")
    answer.add("sigma", s.sigma, "scatter about the surface", f"{s.df} degrees of freedom")
    answer.add("r_squared", s.r_squared, "R²")
    answer.add("lack_of_fit_p", s.lack_of_fit_p, "p-value, lack of fit", "against repeated runs", "p")
    rows = [
        (t, c, e)
        for t, c, e in zip(s.terms, s.coefficients.tolist(), s.standard_errors.tolist(), strict=True)
    ]
    answer.table("Strength, factors coded -1 to 1", ("term", "coefficient", "standard error"), rows)
    if least is not None:
        rule = WindowRule(least, most_interfacial, level, not mean)
        if len(factors) > 1:
            area = map_region(found, rule, factors[0].name, factors[1].name)
            answer.add(
                "share_inside", area.share_inside, "share of the slice inside", "first two factors", "%"
            )
        point = propose_set_point(found, rule)
        answer.data |= {"set_point": dict(point.values), "smallest_margin": point.smallest_margin}
        answer.add("strength", point.strength, "strength at the set point", "", "x")
        what = "of the mean" if mean else "of one more pull"
        answer.add("strength_lower", point.strength_lower, "lower bound", f"{100 * level:g} %, {what}", "x")
        answer.add("interfacial", point.interfacial, "chance of interfacial failure", "", "%")
        answer.add("interfacial_upper", point.interfacial_upper, "its upper bound", f"{100 * level:g} %", "%")
        keys = ("factor", "set_value", "low", "high", "low_is_study_edge", "high_is_study_edge")
        answer.data["margins"] = [{k: getattr(g, k) for k in keys} for g in point.margins]
        answer.table(
            "Proposed set point and its room, the other factors held",
            ("factor", "set", "low", "high"),
            [(g.factor, g.set_value, g.low, g.high) for g in point.margins],
        )
        answer.notes += point.notes
    else:
        answer.notes += found.notes
    return answer
