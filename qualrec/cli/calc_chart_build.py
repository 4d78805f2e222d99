"""The charts behind `calc chart`: one builder per kind, from figures and options to a chart with its key figures."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from qualrec.cli.calc_factors import read_factors
from qualrec.cli.calc_groups import Subgrouped, subgroups_of
from qualrec.cli.calc_input import Source
from qualrec.errors import UsageError
from qualrec.stats.printed_factors import with_factors
from qualrec.stats.results import Chart, Frozen


@dataclass(frozen=True, slots=True)
class Wish:
    """Options of `calc chart`; None or empty where not given."""

    kind: str
    by: str | None = None
    size: int | None = None
    size_column: str | None = None
    spread_column: str | None = None
    target: float | None = None
    target_column: str | None = None
    sigma_column: str | None = None
    part_column: str | None = None
    centre: float | None = None
    sigma: float | None = None
    width: float | None = None
    estimator: str = "moving range"
    weight: float | None = None
    steady: bool = False
    slack: float = 0.5
    decision: float = 5.0
    head_start: float = 0.0
    alpha: float = 0.0027
    method: str | None = None
    left_out: tuple[int, ...] = ()
    first: int | None = None
    printed: bool = False
    factor: tuple[str, ...] = ()

    @property
    def has_factors(self) -> bool:
        return self.printed or bool(self.factor)

    def wide(self, usual: float) -> float:
        return usual if self.width is None else self.width

    def used(self, n: int) -> Any:
        """Mask of the points that limits come from; None for all."""
        if not self.left_out and self.first is None:
            return None
        mask = np.ones(n, dtype=np.bool_)
        for place in self.left_out:
            if not 1 <= place <= n:
                raise UsageError(f"There is no point {place} to leave out.", f"There are {n} points.")
            mask[place - 1] = False
        if self.first is not None:
            mask[self.first :] = False
        return mask


@dataclass(slots=True)
class Built:
    """A chart, the names of its points, and key figures as (JSON key, value, words, formula)."""

    chart: Chart
    names: list[str]
    figures: list[tuple[str, Any, str, str]] = field(default_factory=list)
    data: dict[str, Any] = field(default_factory=dict)


def _names(n: int) -> list[str]:
    return [str(i + 1) for i in range(n)]


def _known(wish: Wish, kind: str, usual: float) -> Frozen | None:
    """Limits put in force, where centre and sigma are given. Raises UsageError where one lacks."""
    if wish.sigma is None and wish.centre is None:
        return None
    if wish.sigma is None or wish.centre is None:
        raise UsageError("Known limits need both --centre and --sigma.", "Give both, or neither.")
    return Frozen(kind, wish.centre, wish.sigma, "given", width=wish.wide(usual))


def _individuals(source: Source, wish: Wish) -> Built:
    from qualrec.stats.charts import apply_frozen, individuals

    x = source.one(gaps=True)
    known = _known(wish, "individuals", 3.0)
    if known is not None:
        chart = apply_frozen(known, x)
    else:
        chart = individuals(x, used=wish.used(len(x)), width=wish.wide(3.0), estimator=wish.estimator)
    if wish.has_factors:
        chart = with_factors(chart, 2, read_factors(wish.printed, wish.factor, 2))
    return _with_ranges(chart, _names(len(x)))


def _with_ranges(chart: Chart, names: list[str]) -> Built:
    assert chart.frozen is not None
    moving = chart.tracks[1]
    used = chart.used if chart.used.any() else np.ones(len(names), dtype=np.bool_)
    values = chart.tracks[0].values[used & ~np.isnan(chart.tracks[0].values)]
    bar = float(np.mean(np.abs(np.diff(values)))) if values.size > 1 else math.nan
    rows = [
        ("mr_bar", bar, "mean moving range", "mean of |x[i] - x[i-1]|"),
        ("sigma", chart.frozen.sigma, "sigma", f"by {chart.frozen.estimator}"),
        ("mr_ucl", float(moving.upper[0]), "upper limit, moving range", "D4 MRbar"),
        ("mr_lcl", float(moving.lower[0]), "lower limit, moving range", "D3 MRbar"),
    ]
    return Built(chart, names, rows)


def _rows_of(source: Source, wish: Wish) -> tuple[Any, Any, Any, list[str], Subgrouped | None]:
    """Means, spreads (ranges and sds, or the one given), sizes and names of subgroups."""
    from qualrec.stats.charts import subgroups

    if wish.spread_column is not None:
        columns = [source.columns[0] if source.columns else "", wish.spread_column]
        extra = [wish.size_column] if wish.size_column else []
        figures, _ = source.table([*columns, *extra])
        means, spreads, *rest = list(figures.values())
        if not rest and wish.size is None:
            raise UsageError(
                "Means and spreads need the size of their subgroups.", "Give --size or --size-column."
            )
        sizes = rest[0] if rest else [float(wish.size or 0)] * len(means)
        return means, (spreads, spreads), sizes, _names(len(means)), None
    data = subgroups_of(source, wish.by, wish.size)
    if not data.grouped:
        raise UsageError(
            f"A chart of kind {wish.kind} needs subgroups.", "Give --by, --size, or several --column."
        )
    g = subgroups(data.rows)
    return g.means, (g.ranges, g.sds), g.sizes, data.names, data


def _subgroups(source: Source, wish: Wish) -> Built:
    from qualrec.stats.charts import apply_frozen, xbar_r, xbar_s

    kind = wish.kind.replace("-", "_")
    ranged = kind == "xbar_r"
    means, spreads, sizes, names, _ = _rows_of(source, wish)
    spread = spreads[0] if ranged else spreads[1]
    known = _known(wish, kind, 3.0)
    if known is not None:
        chart = apply_frozen(known, means, sizes=sizes, spreads=spread)
    else:
        make = xbar_r if ranged else xbar_s
        chart = make(means, spread, sizes, used=wish.used(len(names)), width=wish.wide(3.0))
    used = chart.used if chart.used.any() else np.ones(len(names), dtype=np.bool_)
    if wish.has_factors:
        whole = sorted({int(n) for n in np.asarray(sizes)[used]})
        if len(whole) != 1:
            raise UsageError(
                "Printed factors are for subgroups of one size.", f"Sizes here: {whole}; leave --factors out."
            )
        chart = with_factors(chart, whole[0], read_factors(wish.printed, wish.factor, whole[0]))
    assert chart.frozen is not None
    track, key, word = chart.tracks[1], *(("r", "range") if ranged else ("s", "standard deviation"))
    bar = float(np.mean(np.asarray(spread, dtype=np.float64)[used]))
    rows: list[tuple[str, Any, str, str]] = [
        ("grand_mean", chart.frozen.centre, "grand mean", "weighted by subgroup size"),
        (f"{key}_bar", bar, f"mean {word}", ""),
        ("sigma", chart.frozen.sigma, "sigma within", "Rbar/d2" if ranged else "sbar/c4"),
        (f"{key}_ucl", flat(track.upper), f"upper limit, {word}", "D4 Rbar" if ranged else "B4 sbar"),
        (f"{key}_lcl", flat(track.lower), f"lower limit, {word}", "D3 Rbar" if ranged else "B3 sbar"),
    ]
    return Built(chart, names, rows, {"sizes": flat(np.asarray(sizes))})


def flat(row: Any) -> Any:
    """One figure where a row is constant, else the list."""
    x = np.asarray(row, dtype=np.float64)
    here = x[~np.isnan(x)]
    if here.size == 0:
        return None
    return float(here[0]) if np.ptp(here) == 0 else x.tolist()


def _lot_means(source: Source, wish: Wish) -> Built:
    from qualrec.stats.charts import LOT_MEAN_WIDTH, lot_means
    from qualrec.stats.ewma import WEIGHT

    means, (_, sds), sizes, names, _ = _rows_of(source, wish)
    chart = lot_means(
        sizes,
        means,
        sds,
        used=wish.used(len(names)),
        estimator=wish.estimator,
        width=wish.wide(LOT_MEAN_WIDTH),
        weight=WEIGHT if wish.weight is None else wish.weight,
    )
    assert chart.frozen is not None
    rows: list[tuple[str, Any, str, str]] = [
        ("sigma", chart.frozen.sigma, "sigma of lot means", f"by {chart.frozen.estimator}"),
        ("sigma_within", chart.frozen.within, "sigma within lots", "sbar/c4"),
    ]
    for track in chart.tracks[1:]:
        key = "s" if track.name == "standard deviation" else "ewma"
        rows.append((f"{key}_ucl", flat(track.upper), f"upper limit, {track.name}", ""))
        rows.append((f"{key}_lcl", flat(track.lower), f"lower limit, {track.name}", ""))
    return Built(chart, names, rows)


def _series(source: Source, wish: Wish) -> tuple[Any, list[str]]:
    """Single values, or the means of subgroups where these are asked for."""
    if wish.by or wish.size or len(source.columns) > 1:
        means, _, _, names, _ = _rows_of(source, wish)
        return np.asarray(means), names
    x = source.one(gaps=True)
    return np.asarray(x), _names(len(x))


def _ewma(source: Source, wish: Wish) -> Built:
    from qualrec.stats import ewma
    from qualrec.stats.spread import Sigma

    x, names = _series(source, wish)
    weight, width = ewma.WEIGHT if wish.weight is None else wish.weight, wish.wide(ewma.WIDTH)
    if wish.sigma is not None:
        centre = wish.centre if wish.centre is not None else wish.target
        if centre is None:
            raise UsageError("A known --sigma needs a --centre.", "Give the target or the known mean.")
        given = Sigma(wish.sigma, "given", math.inf, 0, 0)
        chart = ewma.apply(ewma.frozen_ewma(centre, given, weight=weight, width=width, steady=wish.steady), x)
    else:
        chart = ewma.ewma_chart(x, used=wish.used(len(names)), weight=weight, width=width, steady=wish.steady)
        if wish.centre is not None and chart.frozen is not None:
            chart = ewma.apply(replace(chart.frozen, centre=wish.centre), x, used=chart.used)
    assert chart.frozen is not None
    half = width * chart.frozen.sigma * math.sqrt(weight / (2.0 - weight))
    rows = [
        ("sigma", chart.frozen.sigma, "sigma of a value", f"by {chart.frozen.estimator}"),
        ("ucl_steady", chart.frozen.centre + half, "upper limit, steady", "m + L s sqrt(w / (2 - w))"),
        ("lcl_steady", chart.frozen.centre - half, "lower limit, steady", "m - L s sqrt(w / (2 - w))"),
    ]
    return Built(chart, names, rows, {"ewma": chart.tracks[0].values, "weight": weight, "width": width})


def _cusum(source: Source, wish: Wish) -> Built:
    from qualrec.stats import cusum

    x, names = _series(source, wish)
    slack, decision, start = wish.slack, wish.decision, wish.head_start
    centre = wish.target if wish.target is not None else wish.centre
    if wish.sigma is not None:
        if centre is None:
            raise UsageError("A known --sigma needs a --target.", "Give the target.")
        given = Frozen("cusum", centre, wish.sigma, slack=slack, decision=decision, head_start=start)
        chart = cusum.apply(given, x)
    else:
        chart = cusum.cusum_chart(
            x, used=wish.used(len(names)), target=centre, slack=slack, decision=decision, head_start=start
        )
    assert chart.frozen is not None
    shift = cusum.shift_of(chart)
    sigma = chart.frozen.sigma
    rows: list[tuple[str, Any, str, str]] = [
        ("sigma", sigma, "sigma", f"by {chart.frozen.estimator}"),
        ("k", wish.slack * sigma, "slack K", f"{wish.slack:g} sigma"),
        ("h", wish.decision * sigma, "decision interval H", f"{wish.decision:g} sigma"),
    ]
    if shift is not None:
        rows.append(("shift_first", shift.first + 1, "shift since point", "where the sum last left 0"))
        rows.append(("shift_level", shift.level, "level since then", "target -+ (K + C/N)"))
    data = {"c_plus": chart.tracks[0].values, "c_minus": np.abs(chart.tracks[1].values)}
    return Built(chart, names, rows, data)


def _counts(source: Source, wish: Wish) -> tuple[list[float], Any, list[str]]:
    if wish.size_column is not None:
        figures, _ = source.table([source.columns[0] if source.columns else "", wish.size_column], gaps=True)
        counts, sizes = list(figures.values())
        return counts, sizes, _names(len(counts))
    counts = source.one("counts", gaps=True)
    if wish.size is None and wish.kind in ("p", "np", "u", "p-prime", "u-prime"):
        raise UsageError(
            f"A chart of kind {wish.kind} needs the size of its samples.", "Give --size or --size-column."
        )
    return counts, 1.0 if wish.size is None else float(wish.size), _names(len(counts))


def _attributes(source: Source, wish: Wish) -> Built:
    from qualrec.stats import attributes as at

    counts, sizes, names = _counts(source, wish)
    used, width = wish.used(len(names)), wish.wide(3.0)
    if wish.centre is not None:
        chart = at.apply(Frozen(wish.kind, wish.centre, width=width), counts, sizes)
    elif wish.kind == "c":
        chart = at.c_chart(counts, used=used, width=width)
    else:
        make = {"p": at.p_chart, "np": at.np_chart, "u": at.u_chart}[wish.kind]
        chart = make(counts, sizes, used=used, width=width)
    words = {
        "p": ("p_bar", "sum of defectives / sum of sizes"),
        "np": ("np_bar", "mean number of defectives"),
        "c": ("c_bar", "mean number of defects"),
        "u": ("u_bar", "sum of defects / sum of exposures"),
    }
    key, how = words[wish.kind]
    rows: list[tuple[str, Any, str, str]] = [(key, flat(chart.tracks[0].centre), key.replace("_", " "), how)]
    if wish.kind == "np" and chart.frozen is not None:
        rows.append(("p_bar", chart.frozen.centre, "p bar", "sum of defectives / sum of sizes"))
    return Built(chart, names, rows)


def _over_dispersed(source: Source, wish: Wish) -> Built:
    from qualrec.stats import laney

    counts, sizes, names = _counts(source, wish)
    make = laney.p_prime_chart if wish.kind == "p-prime" else laney.u_prime_chart
    chart = make(counts, sizes, used=wish.used(len(names)), width=wish.wide(3.0))
    assert chart.frozen is not None
    key = "p_bar" if wish.kind == "p-prime" else "u_bar"
    rows = [
        (key, chart.frozen.centre, key.replace("_", " "), "sum of counts / sum of sizes"),
        ("sigma_z", chart.frozen.sigma, "sigma z", "mean moving range of the standardised counts / d2"),
    ]
    return Built(chart, names, rows)


def _zero(source: Source, wish: Wish) -> Built:
    from qualrec.stats.attributes import zero_tolerance

    counts = source.one("counts", gaps=True)
    return Built(zero_tolerance(counts), _names(len(counts)))


def _rare(source: Source, wish: Wish) -> Built:
    from qualrec.stats import rare

    x = source.one("gaps" if wish.kind == "g" else "times", gaps=True)
    used, width = wish.used(len(x)), wish.wide(3.0)
    if wish.kind == "g":
        chart = rare.g_chart(
            x, used=used, width=width, method=(wish.method or "probability").replace("-", " ")
        )
    else:
        chart = rare.t_chart(x, used=used, width=width, method=wish.method or "exponential")
    assert chart.frozen is not None
    used_values = np.asarray(x)[chart.used]
    rows = [
        (
            "mean",
            float(np.nanmean(used_values)),
            "mean",
            "of the gaps" if wish.kind == "g" else "of the times",
        ),
        ("median", float(chart.tracks[0].centre[0]), "centre (median)", chart.frozen.estimator),
    ]
    return Built(chart, _names(len(x)), rows)


def _t2(source: Source, wish: Wish) -> Built:
    from qualrec.stats import hotelling as ht

    if len(source.columns) < 2:
        raise UsageError("T2 needs two or more characteristics.", "Name a file and a --column for each.")
    texts: dict[str, list[str]] = {}
    figures, texts = source.table(source.columns, [wish.by] if wish.by else [])
    rows = np.column_stack(list(figures.values()))
    names = _names(rows.shape[0])
    if wish.by:
        labels = next(iter(texts.values()))
        names = list(dict.fromkeys(labels))
        parts = [rows[[i for i, b in enumerate(labels) if b == name]] for name in names]
        if len({p.shape[0] for p in parts}) != 1:
            raise UsageError("T2 needs subgroups of one size.", "Leave incomplete subgroups out with --only.")
        rows = np.stack(parts)
    elif wish.size:
        if rows.shape[0] % wish.size:
            raise UsageError(f"{rows.shape[0]} rows do not divide by {wish.size}.", "Check --size.")
        rows = rows.reshape(-1, wish.size, rows.shape[1])
        names = _names(rows.shape[0])
    used = wish.used(len(names))
    frozen = ht.freeze_t2(rows, used=used, alpha=wish.alpha)
    second = wish.first is not None
    chart = ht.apply_t2(frozen, rows) if second else ht.t2_chart(rows, used=used, alpha=wish.alpha)
    data = {"mean": frozen.mean, "covariance": frozen.covariance, "t2": chart.tracks[0].values}
    data["contributions"] = ht.contributions(frozen, rows)
    return Built(chart, names, [("alpha", wish.alpha, "false-alarm rate", "of one point")], data)


def _short_run(source: Source, wish: Wish) -> Built:
    from qualrec.stats import shortrun

    extra = [c for c in (wish.target_column, wish.sigma_column, wish.size_column) if c]
    parts: list[str] | None = None
    target: Any = wish.target
    found: dict[str, list[float]] = {}
    if source.path is None:
        x: Any = source.one(gaps=True)
    else:
        figures, texts = source.table(
            [source.columns[0] if source.columns else "", *extra],
            [wish.part_column] if wish.part_column else [],
            gaps=True,
        )
        x, *more = list(figures.values())
        found = dict(zip(extra, more, strict=True))
        parts = next(iter(texts.values())) if texts else None
    if wish.target_column:
        target = found[wish.target_column]
    if target is None:
        raise UsageError("This chart needs targets.", "Give --target or --target-column.")
    if wish.kind == "deviation":
        chart = shortrun.deviation_chart(
            x, target, parts=parts, used=wish.used(len(x)), width=wish.wide(3.0), estimator=wish.estimator
        )
        return _with_ranges(chart, _names(len(x)))
    sigma = found[wish.sigma_column] if wish.sigma_column else wish.sigma
    if sigma is None:
        raise UsageError("A standardised chart needs known sigmas.", "Give --sigma or --sigma-column.")
    sizes: Any = found[wish.size_column] if wish.size_column else float(wish.size or 1)
    chart = shortrun.standardised_chart(x, target, sigma, sizes=sizes, width=wish.wide(3.0))
    return Built(chart, _names(len(x)), [], {"z": chart.tracks[0].values})


BUILDERS: dict[str, Callable[[Source, Wish], Built]] = {
    "individuals": _individuals,
    "xbar-r": _subgroups,
    "xbar-s": _subgroups,
    "lot-means": _lot_means,
    "ewma": _ewma,
    "cusum": _cusum,
    "p": _attributes,
    "np": _attributes,
    "c": _attributes,
    "u": _attributes,
    "p-prime": _over_dispersed,
    "u-prime": _over_dispersed,
    "zero": _zero,
    "g": _rare,
    "t": _rare,
    "t2": _t2,
    "deviation": _short_run,
    "standardised": _short_run,
}
