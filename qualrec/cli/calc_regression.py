"""`calc regression`: least squares and logistic."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Annotated, Any

import typer

from qualrec.cli.calc_command import Answer, Level, chosen, command, family, num
from qualrec.cli.calc_input import Source, figures_in, split_columns
from qualrec.errors import UsageError

if TYPE_CHECKING:
    from qualrec.stats.logistic import LogisticFit
    from qualrec.stats.regression import LinearFit

app = family()


@command(app, "regression")
def regression(
    source: Source,
    x: Annotated[list[str] | None, typer.Option("--x", help="Columns of the settings.")] = None,
    model: Annotated[
        str, typer.Option("--model", help="line, polynomial, quadratic (all settings) or logistic.")
    ] = "line",
    degree: Annotated[int, typer.Option("--degree", help="Degree of a polynomial.")] = 2,
    at: Annotated[
        list[str] | None,
        typer.Option("--at", help="Settings to predict at, as '12 0.4' in the order of --x."),
    ] = None,
    band: Annotated[str, typer.Option("--band", help="prediction (one more value) or mean.")] = "prediction",
    least: Annotated[float | None, num("Requirement: least value, for the window.", "--least")] = None,
    most: Annotated[float | None, num("Requirement: largest value.", "--most")] = None,
    level: Level = 0.95,
) -> Answer:
    """Regression on settings: straight line, polynomial, quadratic surface, logistic. --column is the result.

    Logistic: the result is 1 or 0 (1 = failed).
    JSON: coefficients [{name, value, standard_error, t, p}], b (values), se_b, residual_sd, r_squared, f, p, df, n,
    fitted, residuals; stationary, stationary_kind (quadratic); predictions [{at, mean, low, high, outside, inside}];
    logistic: log_likelihood, log_likelihood_constant, p, failures, coefficients with z, low, high, odds_ratio.
    """
    kind = chosen("--model", model, ("line", "polynomial", "quadratic", "logistic"))
    names = split_columns(x or [])
    if not names:
        raise UsageError(
            "The settings are not named.", "Give an --x column for each, and --column for the result."
        )
    if not source.columns:
        raise UsageError("The result is not named.", "Give its --column.")
    figures, _ = source.table([source.columns[0], *names])
    y, *settings = list(figures.values())
    rows = list(zip(*settings, strict=True))
    points = [tuple(figures_in(text)) for text in at or []]
    if any(len(p) != len(names) for p in points):
        raise UsageError(f"--at needs {len(names)} figures.", f"In the order {', '.join(names)}.")
    if kind == "logistic":
        from qualrec.stats.logistic import logistic

        return _logistic(logistic(rows, y, names, level), points, level)
    from qualrec.stats import regression as rg

    if kind != "quadratic" and len(names) != 1:
        raise UsageError(f"The model {kind!r} takes one setting.", "Use --model quadratic for several.")
    fit = (
        rg.response_surface(rows, y, names)
        if kind == "quadratic"
        else rg.polynomial(settings[0], y, 1 if kind == "line" else degree)
    )
    return _linear(fit, kind, points, band, least, most, level)


def _linear(
    fit: LinearFit,
    kind: str,
    points: list[tuple[float, ...]],
    band: str,
    least: float | None,
    most: float | None,
    level: float,
) -> Answer:
    from qualrec.errors import ComputeError
    from qualrec.stats.regression import stationary_point

    answer = Answer(
        f"Regression, {kind}: {fit.n} values",
        "NIST StRD (Norris, Pontius); NIST e-Handbook 4.1.4",
        fit.residual_sd,
    )
    keys = ("name", "value", "standard_error", "t", "p")
    answer.data["coefficients"] = [{k: getattr(c, k) for k in keys} for c in fit.coefficients]
    answer.data |= {
        "b": [c.value for c in fit.coefficients],
        "se_b": [c.standard_error for c in fit.coefficients],
    }
    answer.table(
        "Coefficients",
        ("", "value", "standard error", "t", "p"),
        [
            (c.name, f"{c.value:.8g}", c.standard_error, f"{c.t:.4g}", answer.shown(c.p, "p"))
            for c in fit.coefficients
        ],
    )
    answer.add("n", fit.n, "n")
    answer.add("df", fit.df, "degrees of freedom")
    answer.add("residual_sd", fit.residual_sd, "residual sd")
    answer.add("r_squared", fit.r_squared, "R²")
    answer.add("f", fit.f, "F")
    answer.add("p", fit.p, "p-value", "against a constant", "p")
    answer.data |= {"fitted": fit.fitted, "residuals": fit.residuals}
    if kind == "quadratic":
        try:
            where, what = stationary_point(fit)
            answer.data |= {"stationary": where, "stationary_kind": what}
            shown = ", ".join(f"{n} {v:.5g}" for n, v in zip(fit.factors, where.tolist(), strict=True))
            answer.lines.append((what, shown, "all slopes 0"))
        except ComputeError as error:
            answer.notes.append(error.message)
    if points:
        bands = fit.predict(points, level, chosen("--band", band, ("prediction", "mean")))
        _predicted(answer, points, bands, level, least, most)
    return answer


def _predicted(
    answer: Answer,
    points: list[tuple[float, ...]],
    bands: Any,
    level: float,
    least: float | None,
    most: float | None,
) -> None:
    entries, rows = [], []
    for i, point in enumerate(points):
        mean, low, high = float(bands.mean[i]), float(bands.low[i]), float(bands.high[i])
        entry: dict[str, Any] = {"at": list(point), "mean": mean, "low": low, "high": high}
        entry["outside"] = bool(bands.outside[i])
        entry["inside"] = (least is None or low >= least) and (most is None or high <= most)
        entries.append(entry)
        row = [
            " ".join(f"{v:g}" for v in point),
            mean,
            low,
            high,
            "outside the range tried" if entry["outside"] else "",
        ]
        if least is not None or most is not None:
            row.append("yes" if entry["inside"] else "no")
        rows.append(row)
    answer.data["predictions"] = entries
    heads = ["at", "mean", "low", "high", "remark"] + (
        ["meets"] if least is not None or most is not None else []
    )
    answer.table(f"Predictions, {100 * level:g} % {bands.kind}", heads, rows)


def _logistic(fit: LogisticFit, points: list[tuple[float, ...]], level: float) -> Answer:
    answer = Answer(
        f"Logistic regression: {fit.failures} failures of {fit.n}",
        "maximum likelihood; Hosmer & Lemeshow (from memory)",
    )
    answer.data["coefficients"] = [
        {
            "name": c.name,
            "value": c.value,
            "standard_error": c.standard_error,
            "z": c.z,
            "p": c.p,
            "low": c.interval.low,
            "high": c.interval.high,
            "odds_ratio": math.exp(c.value) if abs(c.value) < 700 else None,
        }
        for c in fit.coefficients
    ]
    answer.data |= {
        "b": [c.value for c in fit.coefficients],
        "se_b": [c.standard_error for c in fit.coefficients],
    }
    answer.table(
        "Coefficients",
        ("", "value", "standard error", "z", "p"),
        [(c.name, c.value, c.standard_error, f"{c.z:.4g}", answer.shown(c.p, "p")) for c in fit.coefficients],
    )
    answer.add("n", fit.n, "n")
    answer.add("failures", fit.failures, "failures")
    answer.add(
        "log_likelihood", fit.log_likelihood, "ln L", f"constant share: {fit.log_likelihood_constant:.6g}"
    )
    answer.data["log_likelihood_constant"] = fit.log_likelihood_constant
    answer.add("p", fit.p, "p-value", "likelihood ratio against a constant share", "p")
    if points:
        _predicted(answer, points, fit.predict(points, level), level, None, None)
    return answer
