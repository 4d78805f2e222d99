"""`calc capability`."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Annotated, Any

import typer

from qualrec.cli.calc_command import Answer, Level, Lower, Upper, chosen, command, family, num
from qualrec.cli.calc_groups import Subgrouped, subgroups_of
from qualrec.cli.calc_input import Source
from qualrec.errors import UsageError

if TYPE_CHECKING:
    import numpy as np

    from qualrec.stats.capability import Capability
    from qualrec.stats.distributions import PercentileCapability, ShapeFit
    from qualrec.stats.results import Index
    from qualrec.stats.spread import Sigma

app = family()
LEAST_PPM = 0.001
"""Smallest share printed as a figure (common practice, no source)."""
WITHIN = ("pooled", "rbar", "sbar", "moving-range", "median-moving-range")


@command(app, "capability")
def capability(
    source: Source,
    lsl: Lower = None,
    usl: Upper = None,
    target: Annotated[float | None, num("Target, for Cpm.", "--target")] = None,
    lot: Annotated[str | None, typer.Option("--lot", help="Column of the lots.")] = None,
    size: Annotated[int | None, typer.Option("--size", help="Lots of this size, values in order.")] = None,
    mean: Annotated[float | None, num("Mean, in place of values.", "--mean")] = None,
    sd: Annotated[float | None, num("Standard deviation, in place of values.", "--sd")] = None,
    n: Annotated[int | None, typer.Option("--n", help="Number of values behind --mean and --sd.")] = None,
    sd_within: Annotated[float | None, num("Known sigma within lots, beside --sd.", "--sd-within")] = None,
    index: Annotated[float | None, num("Index alone with --n: its bounds.", "--index")] = None,
    within: Annotated[
        str,
        typer.Option(
            "--within", help="Sigma within lots: pooled, rbar, sbar, moving-range, median-moving-range."
        ),
    ] = "pooled",
    printed: Annotated[
        bool, typer.Option("--printed", help="d2, c4 rounded to 3 decimals, as in tables.")
    ] = False,
    shape: Annotated[
        str | None,
        typer.Option("--shape", help="Percentile method: a shape such as lognormal or weibull, or 'choose'."),
    ] = None,
    samples: Annotated[
        int, typer.Option("--samples", help="Bootstrap samples of the percentile method.")
    ] = 500,
    seed: Annotated[int, typer.Option("--seed", help="Seed of the bootstrap.")] = 1,
    claim: Annotated[float | None, num("Claimed index: how many values show it?", "--claim")] = None,
    level: Level = 0.95,
) -> Answer:
    """Capability and performance indices with their lower bounds, from values, lots, or mean, sd and n.

    JSON: n, k (lots), mean, sd_within, sd_overall, within_estimator; cp, cpk, cpl, cpu, pp, ppk, ppl, ppu, cpm and for
    each …_lower (one-sided bound) and …_low, …_high (two-sided interval, independent values); ppk_lower_independent,
    n_effective, df_effective, between_share, between_p, found_below, found_above, estimated_below_ppm,
    estimated_above_ppm, estimated_ppm, k_offset; needed_n with --claim; with --shape pp, ppk … of the percentile method
    (percentile), x_low, x_median, x_high. Without --n the bounds are missing.
    """
    if index is not None:
        return _index_alone(index, n, level, claim)
    if source.given and (mean is not None or sd is not None):
        raise UsageError("Both values and --mean or --sd are given.", "Give the values, or mean, sd and n.")
    if not source.given:
        return _from_summary(mean, sd, n, sd_within, lsl, usl, target, level, claim)
    data = subgroups_of(source, lot, size)
    if shape is not None:
        return _percentile(data.values, lsl, usl, shape, samples, seed, level)
    from dataclasses import replace

    from qualrec.stats import capability as cp
    from qualrec.stats.charts import subgroups

    g = subgroups(data.rows)
    lots = cp.LotSummary(g.sizes.astype("int64"), g.means, g.sds)
    found = cp.capability(lots, lsl, usl, target, level, _within(within, data, printed))
    x = data.values
    found = replace(
        found,
        found_below=None if lsl is None else sum(v < lsl for v in x),
        found_above=None if usl is None else sum(v > usl for v in x),
    )
    answer = _answer(found, level, "values" if data.grouped else "values, one lot")
    answer.data["percent_found"] = 100.0 * ((found.found_below or 0) + (found.found_above or 0)) / len(x)
    _needed(answer, claim, found, level)
    return answer


def _within(name: str, data: Subgrouped, printed: bool) -> Sigma | None:
    """The sigma within lots asked for; None leaves it to the pooled standard deviation."""
    from dataclasses import replace

    import numpy as np

    from qualrec.stats import spread as sp
    from qualrec.stats.charts import subgroups
    from qualrec.stats.constants import factors

    kind = chosen("--within", name, WITHIN)
    if kind in ("moving-range", "median-moving-range"):
        found = (sp.moving_range if kind == "moving-range" else sp.median_moving_range)(
            np.asarray(data.values)
        )
        n, key = 2, "d2"
    elif kind == "pooled":
        return None
    else:
        g = subgroups(data.rows)
        inner = g.sizes >= 2
        row = g.ranges if kind == "rbar" else g.sds
        found = (sp.from_ranges if kind == "rbar" else sp.from_sds)(row[inner], g.sizes[inner])
        sizes = {int(v) for v in g.sizes[inner]}
        n, key = sizes.pop(), "d2" if kind == "rbar" else "c4"
        if printed and sizes:
            raise UsageError("Printed factors are for lots of one size.", "Leave --printed out.")
    if printed:
        exact = float(getattr(factors(n), key))
        found = replace(found, value=found.value * exact / round(exact, 3))
    return found


def _answer(found: Capability, level: float, what: str) -> Answer:
    lots = f" in {found.k} lots" if found.k > 1 else ""
    answer = Answer(
        f"Capability: {found.n} {what}{lots}, limits {_limits(found.lsl, found.usl)}",
        "ISO 22514-2, -4; Chou, Owen & Borrego 1990; Bissell 1990; NIST e-Handbook 6.1.6",
        found.sd_overall,
    )
    answer.add("n", found.n, "n")
    answer.add("k", found.k, "lots")
    answer.add("mean", found.mean, "mean", "", "x")
    answer.add("sd_within", found.sd_within, "sigma within lots", found.within_estimator)
    answer.add("sd_overall", found.sd_overall, "s, all values")
    answer.data |= {"lsl": found.lsl, "usl": found.usl, "target": found.target, "level": level}
    answer.data["within_estimator"] = found.within_estimator
    answer.gap()
    cpm = (found.cpm,) if found.cpm is not None else ()
    for item in (*found.within, *found.overall, *cpm):
        _index(answer, item, found)
    if found.k > 1:
        answer.add("ppk_lower_independent", found.bound_independent.value, "bound if values were independent",
                   "not valid where lots differ", "i")  # fmt: skip
        answer.add("n_effective", found.n_effective, "effective values")
        answer.add("df_effective", found.df_effective, "effective degrees of freedom")
        answer.add("between_share", found.between_share, "spread between lots", "of the variance", "%")
        answer.add("between_p", found.between_p, "p-value, lots alike", "", "p")
    else:
        answer.data["ppk_lower_independent"] = found.bound_independent.value
    _shares(answer, found)
    answer.conventions += found.notes
    if found.k == 1:
        answer.notes.append("Stability is not looked at here: see calc chart.")
    return answer


def _limits(lsl: float | None, usl: float | None) -> str:
    low = "none" if lsl is None else f"{lsl:g}"
    return f"{low} to {'none' if usl is None else f'{usl:g}'}"


FORMULAS = {
    "Cp": "(usl - lsl) / 6 sigma",
    "Pp": "(usl - lsl) / 6 s",
    "Cpk": "smaller of Cpl, Cpu",
    "Ppk": "smaller of Ppl, Ppu",
    "Cpl": "(mean - lsl) / 3 sigma",
    "Ppl": "(mean - lsl) / 3 s",
    "Cpu": "(usl - mean) / 3 sigma",
    "Ppu": "(usl - mean) / 3 s",
    "Cpm": "(usl - lsl) / 6 sqrt(s² + (mean - target)²)",
}


def _index(answer: Answer, item: Index, found: Capability) -> None:
    key = item.name.lower()
    answer.data |= {key: item.value, f"{key}_lower": item.bound.value}
    interval = two_sided(item.name, item.value, item.n, item.df if item.name.startswith("C") else found.n - 1,
                         item.bound.level)  # fmt: skip
    answer.data |= {f"{key}_low": interval[0], f"{key}_high": interval[1]}
    bound = f"{item.value:.3f}  lower bound {item.bound.value:.3f}"
    answer.lines.append((item.name, bound, FORMULAS[item.name]))


def two_sided(name: str, value: float, n: float, df: float, level: float) -> tuple[float, float]:
    """Two-sided interval of an index from independent values: chi-square for Cp and Pp, Bissell for the rest."""
    from scipy.special import chdtri, ndtri

    if not df > 0 or not math.isfinite(df):
        return math.nan, math.nan
    tail = (1.0 - level) / 2.0
    if name in ("Cp", "Pp"):
        return value * math.sqrt(chdtri(df, 1.0 - tail) / df), value * math.sqrt(chdtri(df, tail) / df)
    half = float(ndtri(1.0 - tail)) * math.sqrt(1.0 / (9.0 * n) + value * value / (2.0 * df))
    return value - half, value + half


def _ppm(answer: Answer, key: str, share: float, words: str, how: str) -> None:
    """A share in ppm; the tail of a shape says nothing as far out as one in a thousand million."""
    ppm = share * 1e6
    answer.data[key] = ppm
    answer.lines.append((words, f"{ppm:.6g}" if ppm >= LEAST_PPM else f"less than {LEAST_PPM:g}", how))


def _shares(answer: Answer, found: Capability) -> None:
    below, above = found.estimated_below, found.estimated_above
    answer.gap()
    for key, share, words in (
        ("estimated_below_ppm", below, "estimated below"),
        ("estimated_above_ppm", above, "estimated above"),
    ):
        if share is not None:
            _ppm(answer, key, share, words, "ppm, normal shape, s of all values")
    answer.data["estimated_ppm"] = ((below or 0.0) + (above or 0.0)) * 1e6
    answer.data |= {"found_below": found.found_below, "found_above": found.found_above}
    if found.found_below is not None or found.found_above is not None:
        answer.lines.append(
            ("found beyond limits", f"{found.found_below or 0} below, {found.found_above or 0} above", "")
        )
    if found.lsl is not None and found.usl is not None:
        middle = (found.lsl + found.usl) / 2.0
        answer.data["k_offset"] = abs(middle - found.mean) / ((found.usl - found.lsl) / 2.0)


def _needed(answer: Answer, claim: float | None, found: Capability, level: float) -> None:
    if claim is None:
        return
    from qualrec.stats.capability import needed_lots, needed_n

    ppk = found.index("Ppk")
    if ppk is None:
        raise UsageError("There is no Ppk to claim from.", "Leave --claim out.")
    kind = "two-sided" if found.lsl is not None and found.usl is not None else "one-sided"
    answer.add("needed_n", needed_n(claim, ppk.value, level, kind), "values needed",
               f"to show {claim:g} at {ppk.value:.3f}, independent")  # fmt: skip
    if found.k > 1 and found.between_share == found.between_share and found.between_share < 1:
        per = max(1, round(found.n / found.k))
        ratio = found.between_share / (1.0 - found.between_share)
        lots = needed_lots(claim, ppk.value, per, ratio, level)
        answer.add("needed_lots", lots, "lots needed", f"of {per} values, at this spread between lots")


def _from_summary(
    mean: float | None,
    sd: float | None,
    n: int | None,
    sd_within: float | None,
    lsl: float | None,
    usl: float | None,
    target: float | None,
    level: float,
    claim: float | None,
) -> Answer:
    from dataclasses import replace

    from qualrec.stats import capability as cp
    from qualrec.stats.spread import Sigma

    if sd is None and sd_within is None:
        raise UsageError("No values given.", "Type values, name a file, or give --mean, --sd and --n.")
    spread = sd if sd is not None else sd_within
    assert spread is not None
    if not spread > 0:
        raise UsageError(f"The standard deviation is {spread:g}.", "It must be above 0.")
    if n is not None and n < 2:
        raise UsageError(f"An index needs at least 2 values; --n is {n}.", "Wait for more readings.")
    centre = mean
    if centre is None:
        if lsl is None or usl is None:
            raise UsageError("The mean is missing.", "Give --mean.")
        centre = (lsl + usl) / 2.0
    lots = cp.LotSummary(*_arrays(n or 2, centre, spread))
    given = Sigma(spread if sd_within is None else sd_within, "the sigma given", (n or 2) - 1.0, n or 2, 1)
    found = cp.capability(lots, lsl, usl, target, level, given)
    if sd_within is None or sd is None:
        found = replace(found, within=tuple(_bound_as(item, found) for item in found.within))
    answer = _answer(found, level, "values (figures typed)")
    if mean is None:
        answer.notes.append("No mean given: taken as centred, so Cpk and Ppk equal Cp and Pp.")
    if n is None:
        answer.title = f"Capability from figures typed, limits {_limits(lsl, usl)}"
        _without_bounds(answer)
    else:
        _needed(answer, claim, found, level)
    return answer


def _bound_as(item: Index, found: Capability) -> Index:
    """One sigma for both kinds of index: the bound of Cp.. is that of Pp.., without a correction by c4."""
    from dataclasses import replace

    other = found.index("P" + item.name[1:])
    assert other is not None
    return replace(item, bound=other.bound)


def _arrays(
    n: int, mean: float, sd: float
) -> tuple[np.ndarray[Any, Any], np.ndarray[Any, Any], np.ndarray[Any, Any]]:
    import numpy as np

    return np.array([n]), np.array([mean]), np.array([sd])


def _without_bounds(answer: Answer) -> None:
    """No n was given: the indices stand without bounds, and the answer says so."""
    for key in [
        k for k in answer.data if k.endswith(("_lower", "_low", "_high", "_independent")) or k == "n"
    ]:
        answer.data[key] = None
    answer.lines = [(a, b.split("  lower bound")[0], c) for a, b, c in answer.lines if a not in ("n", "lots")]
    answer.conventions = [c for c in answer.conventions if "lower bound" not in c]
    answer.notes.append(
        "No n given: the lower bounds are missing. An index without its bound proves nothing."
    )


def _index_alone(index: float, n: int | None, level: float, claim: float | None) -> Answer:
    from qualrec.stats import capability_bounds as cb
    from qualrec.stats.capability import needed_n

    if claim is None and n is None:
        raise UsageError("An index alone has no bound.", "Give --n, or --claim.")
    answer = Answer(
        f"Bounds of an index of {index:g}", "Chou, Owen & Borrego 1990; Bissell 1990; NIST e-Handbook 6.1.6"
    )
    answer.data |= {"index": index, "n": n, "level": level}
    if n is not None:
        if n < 2:
            raise UsageError(f"A bound needs at least 2 values; --n is {n}.", "Wait for more readings.")
        answer.add("n", n, "n", "independent values, one lot")
        answer.add(
            "cp_lower",
            float(cb.bound_spread(index, n - 1, level)),
            "lower bound as Cp, Pp",
            "chi-square",
            "i",
        )
        answer.add("one_sided_lower", float(cb.bound_one_sided(index, n, n - 1, level)),
                   "lower bound, one limit", "non-central t, exact", "i")  # fmt: skip
        answer.add("cpk_lower", float(cb.bound_two_sided(index, n, n - 1, level)),
                   "lower bound as Cpk, Ppk", "index - z sqrt(1/(9n) + index²/(2(n - 1)))", "i")  # fmt: skip
        for key, name in (("cp", "Cp"), ("cpk", "Cpk")):
            low, high = two_sided(name, index, n, n - 1, level)
            answer.data |= {f"{key}_low": low, f"{key}_high": high}
            answer.lines.append(
                (f"interval as {name}", answer.both(low, high, "i"), f"two-sided, {100 * level:g} %")
            )
    if claim is not None:
        for key, kind in (
            ("needed_n", "one-sided"),
            ("needed_n_two_sided", "two-sided"),
            ("needed_n_cp", "spread"),
        ):
            answer.add(key, needed_n(claim, index, level, kind), f"n to show {claim:g}, {kind}")
    answer.conventions.append(f"Lower bounds are one-sided at {100 * level:g} %.")
    return answer


def _percentile(
    x: list[float], lsl: float | None, usl: float | None, shape: str, samples: int, seed: int, level: float
) -> Answer:
    from qualrec.stats import distributions as ds
    from qualrec.stats.shapes import SHAPES

    names = ds.DEFAULT if shape == "choose" else (chosen("--shape", shape, SHAPES),)
    found = ds.percentile_capability(x, lsl, usl, names, samples, seed, level)
    answer = Answer(
        f"Capability by percentiles: {len(x)} values, {found.fit.name}, limits {_limits(lsl, usl)}",
        "ISO 22514-2, percentile method",
        abs(found.x_high - found.x_low) / 6.0,
    )
    answer.data["percentile"] = True
    shape_lines(answer, found.fit)
    _percentile_lines(answer, found)
    return answer


def _percentile_lines(answer: Answer, found: PercentileCapability) -> None:
    for key, value, place, interval in zip(
        ("x_low", "x_median", "x_high"),
        (found.x_low, found.x_median, found.x_high),
        ("0.135 %", "50 %", "99.865 %"),
        found.intervals,
        strict=True,
    ):
        answer.add(key, value, f"{place} point", answer.both(interval.low, interval.high), "x")
        answer.data |= {f"{key}_low": interval.low, f"{key}_high": interval.high}
    answer.gap()
    for item in found.indices:
        key = item.name.lower()
        answer.data |= {key: item.value, f"{key}_lower": item.bound.value}
        text = f"{item.value:.3f}  lower bound {item.bound.value:.3f}"
        answer.lines.append((item.name, text, "percentiles in place of mean -+ 3 s"))
    for key, share, words in (
        ("estimated_below_ppm", found.below, "estimated below"),
        ("estimated_above_ppm", found.above, "estimated above"),
    ):
        if share is not None:
            _ppm(answer, key, share, words, "ppm, by the shape")
    answer.add("p_anderson", found.p_anderson, "p-value of the shape", "Anderson-Darling, bootstrap", "p")
    answer.data |= {"chosen_share": found.chosen_share, "samples": found.samples, "seed": found.seed}
    answer.conventions.append(
        "Points at 0.135, 50 and 99.865 %; the choice of shape is inside the bootstrap."
    )
    answer.notes += found.notes


def shape_lines(answer: Answer, fit: ShapeFit) -> None:
    answer.data |= {"n": fit.n, "shape": fit.name, "parameters": fit.parameters}
    for name, value in fit.parameters.items():
        answer.lines.append((name.replace("_", " "), answer.shown(value), "maximum likelihood"))
    answer.data |= {
        "log_likelihood": fit.log_likelihood,
        "aicc": fit.aicc,
        "a2": fit.a2,
        "distance": fit.distance,
    }
