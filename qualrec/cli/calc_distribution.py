"""`calc distribution`: shapes, their choice and their points."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Annotated

import typer

from qualrec.cli.calc_capability import shape_lines
from qualrec.cli.calc_command import Answer, Lower, Upper, chosen, command, family
from qualrec.cli.calc_input import Source
from qualrec.errors import UsageError

if TYPE_CHECKING:
    from qualrec.stats.distributions import ShapeFit

app = family()


@command(app, "distribution")
def distribution(
    source: Source,
    shape: Annotated[
        str, typer.Option("--shape", help="A shape, 'choose' (usual ones) or 'all'.")
    ] = "choose",
    parameters: Annotated[
        list[str] | None,
        typer.Option("--parameter", metavar="NAME=VALUE", help="Known parameters, no values needed."),
    ] = None,
    lsl: Lower = None,
    usl: Upper = None,
    quantile: Annotated[
        list[str] | None, typer.Option("--quantile", help="Shares whose points to give, as 0.01.")
    ] = None,
) -> Answer:
    """Shapes fitted by maximum likelihood, the choice between them, and their points.

    Shapes: normal, lognormal, weibull, weibull3, gamma, folded normal, rayleigh, johnson su, johnson sb, smallest extreme
    value, box-cox normal, yeo-johnson normal.
    JSON: shape, n, parameters {name: value}, log_likelihood, aicc, a2, distance, x_low (0.135 %), x_median, x_high
    (99.865 %), quantiles {share: value}, fits [{name, parameters, log_likelihood, aicc, a2, distance}], failed; with
    limits pp, ppk, ppl, ppu, share_below, share_above.
    """
    from qualrec.stats import distributions as ds
    from qualrec.stats.shapes import SHAPES

    if parameters:
        fit = _known_shape(shape, parameters)
        fits: tuple[ShapeFit, ...] = (fit,)
        failed: dict[str, str] = {}
    else:
        x = source.one()
        if shape in ("choose", "all"):
            choice = ds.choose_shape(x, ds.DEFAULT if shape == "choose" else tuple(SHAPES))
            fit, fits, failed = choice.chosen, choice.fits, choice.failed
        else:
            fit = ds.fit_shape(x, chosen("--shape", shape, SHAPES))
            fits, failed = (fit,), {}
    low, middle, high = fit.quantile(ds.TAIL), fit.quantile(0.5), fit.quantile(1.0 - ds.TAIL)
    how = "known parameters" if parameters else f"{fit.n} values"
    answer = Answer(
        f"Distribution: {fit.name}, {how}", "ISO 22514-2; fits by maximum likelihood", abs(high - low) / 6.0
    )
    shape_lines(answer, fit)
    for key, value, words in (("x_low", low, "0.135 % point"), ("x_median", middle, "50 % point"),
                              ("x_high", high, "99.865 % point")):  # fmt: skip
        answer.add(key, value, words, "", "x")
    from qualrec.cli.calc_input import figures_in

    shares = [v for text in quantile or [] for v in figures_in(text)]
    answer.data["quantiles"] = {f"{p:g}": fit.quantile(p) for p in shares}
    answer.lines += [(f"{100 * p:g} % point", answer.shown(fit.quantile(p), "x"), "") for p in shares]
    _against_limits(answer, fit, (low, middle, high), lsl, usl)
    if len(fits) > 1:
        rows = [(f.name, f"{f.aicc:.2f}", f.a2, f.distance) for f in fits]
        answer.table("Shapes, best first", ("shape", "AICc", "A²", "distance"), rows)
    keys = ("name", "parameters", "log_likelihood", "aicc", "a2", "distance")
    answer.data["fits"] = [{k: getattr(f, k) for k in keys} for f in fits]
    answer.data["failed"] = failed
    answer.notes += [f"{name}: {reason}" for name, reason in failed.items()]
    answer.conventions.append(
        "Choice: the smallest A² among the shapes within 2 of the least AICc. Tails Phi(-3) = 0.135 %."
    )
    return answer


def _against_limits(
    answer: Answer, fit: ShapeFit, points: tuple[float, float, float], lsl: float | None, usl: float | None
) -> None:
    if lsl is None and usl is None:
        return
    from qualrec.stats.distributions import index_of_points

    for name, value in index_of_points(points, lsl, usl).items():
        answer.add(name.lower(), value, name, "percentile method; no bound, see calc capability --shape", "i")
    if lsl is not None:
        answer.add("share_below", fit.share_below(lsl), "share below lsl", "", "%")
    if usl is not None:
        answer.add("share_above", fit.share_above(usl), "share above usl", "", "%")


def _known_shape(shape: str, texts: list[str]) -> ShapeFit:
    from qualrec.cli.calc_input import number
    from qualrec.stats.distributions import ShapeFit
    from qualrec.stats.shapes import SHAPES

    name = chosen("--shape", shape, SHAPES)
    given = {}
    for text in texts:
        key, sign, value = text.partition("=")
        if not sign:
            raise UsageError(f"--parameter {text!r} is not NAME=VALUE.", "As in --parameter log_sd=0.3.")
        given[key.strip()] = number(value)
    wanted = SHAPES[name].parameters
    if set(given) != set(wanted):
        raise UsageError(
            f"The shape {name} has the parameters {', '.join(wanted)}.", "Give each by --parameter."
        )
    none = math.nan
    return ShapeFit(name, {k: given[k] for k in wanted}, none, none, none, none, 0)
