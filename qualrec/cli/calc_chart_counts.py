"""The charts of counts and of rare failures behind `calc chart`."""

from __future__ import annotations

from typing import Any

import numpy as np

from qualrec.cli.calc_chart_wish import Built, Wish, flat, point_names
from qualrec.cli.calc_input import Source
from qualrec.errors import UsageError
from qualrec.stats.results import Frozen


def _counts(source: Source, wish: Wish) -> tuple[list[float], Any, list[str]]:
    if wish.size_column is not None:
        figures, _ = source.table([source.columns[0] if source.columns else "", wish.size_column], gaps=True)
        counts, sizes = list(figures.values())
        return counts, sizes, point_names(len(counts))
    counts = source.one("counts", gaps=True)
    if wish.size is None and wish.kind in ("p", "np", "u", "p-prime", "u-prime"):
        raise UsageError(
            f"A chart of kind {wish.kind} needs the size of its samples.", "Give --size or --size-column."
        )
    return counts, 1.0 if wish.size is None else float(wish.size), point_names(len(counts))


def attributes(source: Source, wish: Wish) -> Built:
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


def over_dispersed(source: Source, wish: Wish) -> Built:
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


def zero(source: Source, wish: Wish) -> Built:
    from qualrec.stats.attributes import zero_tolerance

    counts = source.one("counts", gaps=True)
    return Built(zero_tolerance(counts), point_names(len(counts)))


def rare_failures(source: Source, wish: Wish) -> Built:
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
    return Built(chart, point_names(len(x)), rows)
