"""The charts behind `calc chart`: one builder per kind, from figures and options to a chart with its key figures."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np

from qualrec.cli import calc_chart_counts as counts
from qualrec.cli.calc_chart_wish import Built, Wish, flat, known_limits, point_names
from qualrec.cli.calc_factors import read_factors
from qualrec.cli.calc_groups import Subgrouped, subgroups_of
from qualrec.cli.calc_input import Source
from qualrec.errors import UsageError
from qualrec.stats.printed_factors import with_factors
from qualrec.stats.results import Chart, Frozen


def _individuals(source: Source, wish: Wish) -> Built:
    from qualrec.stats.charts import apply_frozen, individuals

    x = source.one(gaps=True) if source.given else [math.nan]
    known = known_limits(wish, "individuals", 3.0)
    if known is not None:
        chart = apply_frozen(known, x)
    else:
        chart = individuals(x, used=wish.used(len(x)), width=wish.wide(3.0), estimator=wish.estimator)
    if wish.has_factors:
        chart = with_factors(chart, 2, read_factors(wish.printed, wish.factor, 2))
    return _with_ranges(chart, point_names(len(x)) if source.given else [], wish.mean_spread)


def _with_ranges(chart: Chart, names: list[str], given: float | None = None) -> Built:
    assert chart.frozen is not None
    moving = chart.tracks[1]
    used = chart.used if chart.used.any() else np.ones(chart.used.size, dtype=np.bool_)
    values = chart.tracks[0].values[used & ~np.isnan(chart.tracks[0].values)]
    found = float(np.mean(np.abs(np.diff(values)))) if values.size > 1 else math.nan
    bar = found if given is None else given
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
        return means, (spreads, spreads), sizes, point_names(len(means)), None
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
    if source.given:
        means, spreads, sizes, names, _ = _rows_of(source, wish)
    else:
        if wish.size is None:
            raise UsageError("Limits without values need the subgroup size.", "Give --size.")
        means, spreads, sizes, names = [math.nan], ([math.nan], [math.nan]), [float(wish.size)], []
    spread = spreads[0] if ranged else spreads[1]
    known = known_limits(wish, kind, 3.0, int(max(sizes)))
    if known is not None:
        chart = apply_frozen(known, means, sizes=sizes, spreads=spread)
    else:
        make = xbar_r if ranged else xbar_s
        chart = make(means, spread, sizes, used=wish.used(len(names)), width=wish.wide(3.0))
    used = chart.used if chart.used.any() else np.ones(len(sizes), dtype=np.bool_)
    if wish.has_factors:
        whole = sorted({int(n) for n in np.asarray(sizes)[used]})
        if len(whole) != 1:
            raise UsageError(
                "Printed factors are for subgroups of one size.", f"Sizes here: {whole}; leave --factors out."
            )
        chart = with_factors(chart, whole[0], read_factors(wish.printed, wish.factor, whole[0]))
    assert chart.frozen is not None
    track, key, word = chart.tracks[1], *(("r", "range") if ranged else ("s", "standard deviation"))
    bar = (
        float(np.mean(np.asarray(spread, dtype=np.float64)[used]))
        if wish.mean_spread is None
        else wish.mean_spread
    )
    rows: list[tuple[str, Any, str, str]] = [
        ("grand_mean", chart.frozen.centre, "grand mean", "weighted by subgroup size"),
        (f"{key}_bar", bar, f"mean {word}", ""),
        ("sigma", chart.frozen.sigma, "sigma within", "Rbar/d2" if ranged else "sbar/c4"),
        (f"{key}_ucl", flat(track.upper), f"upper limit, {word}", "D4 Rbar" if ranged else "B4 sbar"),
        (f"{key}_lcl", flat(track.lower), f"lower limit, {word}", "D3 Rbar" if ranged else "B3 sbar"),
    ]
    return Built(chart, names, rows, {"sizes": flat(np.asarray(sizes))})


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
    return np.asarray(x), point_names(len(x))


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


def _t2(source: Source, wish: Wish) -> Built:
    from qualrec.stats import hotelling as ht

    if len(source.columns) < 2:
        raise UsageError("T2 needs two or more characteristics.", "Name a file and a --column for each.")
    texts: dict[str, list[str]] = {}
    figures, texts = source.table(source.columns, [wish.by] if wish.by else [])
    rows = np.column_stack(list(figures.values()))
    names = point_names(rows.shape[0])
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
        names = point_names(rows.shape[0])
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
        return _with_ranges(chart, point_names(len(x)))
    sigma = found[wish.sigma_column] if wish.sigma_column else wish.sigma
    if sigma is None:
        raise UsageError("A standardised chart needs known sigmas.", "Give --sigma or --sigma-column.")
    sizes: Any = found[wish.size_column] if wish.size_column else float(wish.size or 1)
    chart = shortrun.standardised_chart(x, target, sigma, sizes=sizes, width=wish.wide(3.0))
    return Built(chart, point_names(len(x)), [], {"z": chart.tracks[0].values})


BUILDERS: dict[str, Callable[[Source, Wish], Built]] = {
    "individuals": _individuals,
    "xbar-r": _subgroups,
    "xbar-s": _subgroups,
    "lot-means": _lot_means,
    "ewma": _ewma,
    "cusum": _cusum,
    "p": counts.attributes,
    "np": counts.attributes,
    "c": counts.attributes,
    "u": counts.attributes,
    "p-prime": counts.over_dispersed,
    "u-prime": counts.over_dispersed,
    "zero": counts.zero,
    "g": counts.rare_failures,
    "t": counts.rare_failures,
    "t2": _t2,
    "deviation": _short_run,
    "standardised": _short_run,
}
