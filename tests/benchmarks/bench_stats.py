"""Statistics against plain code with general libraries, both measured in this run: lots of many characteristics, run
rules on a long row, and the censored Weibull fit.

The reference code of this file is frozen: it is what a careful person writes with pandas, numpy and scipy.
"""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable
from typing import Any

import numpy as np
import pandas as pd
from scipy import optimize, stats

from qualrec.stats.batch import lot_limits, lot_signals
from qualrec.stats.capability_batch import capability_batch
from qualrec.stats.censored import fit
from qualrec.stats.rules import ALL_RULES, matches

NAMES = ("stats-lots", "stats-rules", "stats-weibull", "stats-weibull-censored")
CHARACTERISTICS, LOTS, VALUES = 2000, 100, 5
POINTS = 1_000_000
D2_OF_2, C4_OF_5 = 1.1283791670955126, 0.9399856029866254
LSL, USL = -4.5, 5.0
FITS = 20


def raw_values() -> pd.DataFrame:
    """Values of all characteristics with the number of their lot; lots differ."""
    rng = np.random.default_rng(31)
    shape = (CHARACTERISTICS, LOTS, VALUES)
    values = rng.standard_normal(shape) + 0.7 * rng.standard_normal((*shape[:2], 1))
    return pd.DataFrame(
        {
            "characteristic": np.repeat(np.arange(CHARACTERISTICS), LOTS * VALUES),
            "lot": np.tile(np.repeat(np.arange(LOTS), VALUES), CHARACTERISTICS),
            "value": values.ravel(),
        }
    )


def plain_characteristic(rows: pd.DataFrame) -> pd.Series:
    """Limits of lot means, indices, exact one-sided bounds and four rules of one characteristic, from its values."""
    x = rows["value"].to_numpy().reshape(LOTS, VALUES)
    means, sds = x.mean(axis=1), x.std(axis=1, ddof=1)
    centre = means.mean()
    sigma = np.abs(np.diff(means)).mean() / D2_OF_2
    within = sds.mean() / C4_OF_5
    lower, upper = centre - 3.5 * sigma, centre + 3.5 * sigma
    z, average = centre, np.empty(LOTS)
    for i, mean in enumerate(means):
        z = 0.2 * mean + 0.8 * z
        average[i] = z
    t = np.arange(1, LOTS + 1)
    reach = 2.9 * sigma * np.sqrt(0.2 / 1.8 * (1.0 - 0.8 ** (2 * t)))
    side = np.sign(means - centre)
    run = np.convolve(side, np.ones(8), "valid")
    step = np.sign(np.diff(means))
    trend = np.convolve(step, np.ones(6), "valid")
    far = np.convolve(means > centre + 2 * sigma, np.ones(3), "valid")
    low_far = np.convolve(means < centre - 2 * sigma, np.ones(3), "valid")
    signals = (
        int(((means > upper) | (means < lower)).sum())
        + int((np.abs(average - centre) > reach).sum())
        + int((np.abs(run) == 8).sum())
        + int((np.abs(trend) == 6).sum())
        + int((far >= 2).sum())
        + int((low_far >= 2).sum())
    )
    n, all_sd, grand = x.size, x.std(ddof=1), x.mean()
    ppl, ppu = (grand - LSL) / (3 * all_sd), (USL - grand) / (3 * all_sd)
    cpl, cpu = (grand - LSL) / (3 * within), (USL - grand) / (3 * within)
    bounds = []
    for index, df in ((ppl, n - 1), (ppu, n - 1), (cpl, n - LOTS), (cpu, n - LOTS)):
        root = 3 * np.sqrt(n)
        d = optimize.brentq(
            lambda d, i=index, f=df, r=root: stats.nct.cdf(i * r, f, d) - 0.95,
            0.5 * index * root,
            index * root,
        )
        bounds.append(d / root)
    pp, cp = (USL - LSL) / (6 * all_sd), (USL - LSL) / (6 * within)
    return pd.Series([centre, sigma, within, signals, cp, min(cpl, cpu), pp, min(ppl, ppu), *bounds])


def ours_lots(n: Any, mean: Any, sd: Any) -> tuple[Any, Any, Any]:
    limits = lot_limits(n, mean, sd)
    return limits, lot_signals(n, mean, sd, limits, rules=ALL_RULES), capability_batch(n, mean, sd, LSL, USL)


def seconds(work: Callable[[], Any], rounds: int) -> float:
    """Median wall time, one round of warming before."""
    times = []
    for _ in range(rounds + 1):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return statistics.median(times[1:])


def bench_lots() -> dict[str, Any]:
    """Both do all characteristics; the reference once, without warming: one of its runs takes many seconds."""
    frame = raw_values()
    x = frame["value"].to_numpy().reshape(CHARACTERISTICS, LOTS, VALUES)
    n = np.full((CHARACTERISTICS, LOTS), VALUES)
    mean, sd = x.mean(axis=2), x.std(axis=2, ddof=1)
    ours = seconds(lambda: ours_lots(n, mean, sd), 3)
    start = time.perf_counter()
    plain = frame.groupby("characteristic")[["lot", "value"]].apply(plain_characteristic)
    theirs = time.perf_counter() - start
    limits, _, found = ours_lots(n, mean, sd)
    ours_of = (limits.centre, limits.sigma, limits.within, found.values["Pp"], found.values["Ppk"])
    same = all(np.allclose(one, plain[column]) for one, column in zip(ours_of, (0, 1, 2, 6, 7), strict=True))
    return entry(
        "stats-lots", ours, theirs, theirs / ours, ">= 10", theirs / ours >= 10 and same, same=bool(same)
    )


def bench_rules() -> dict[str, Any]:
    values = np.random.default_rng(3).standard_normal(POINTS)
    ours = seconds(lambda: matches(values, 0.0, 1.0, -3.0, 3.0, ALL_RULES), 5)

    def twenty() -> None:
        for _ in range(20):
            np.cumsum(values)

    theirs = seconds(twenty, 5)
    return entry("stats-rules", ours, theirs, ours / theirs, "< 3", ours / theirs < 3.0)


def score(x: Any, failed: Any, shape: float, scale: float) -> float:
    """Largest derivative of the mean log-likelihood in ln shape and ln scale; 0 at the optimum."""
    y = np.log(x / scale)
    power = np.exp(shape * y)
    by_scale = shape * (power.sum() - failed.sum())
    by_shape = failed.sum() + shape * (y[failed].sum() - (power * y).sum())
    return float(max(abs(by_scale), abs(by_shape)) / x.size)


def bench_weibull() -> list[dict[str, Any]]:
    """Complete values against weibull_min.fit, and half of them censored against CensoredData."""
    rng = np.random.default_rng(8)
    samples = [
        stats.weibull_min.rvs(rng.uniform(2, 15), scale=500.0, size=1000, random_state=rng)
        for _ in range(FITS)
    ]
    found = []
    for name in ("stats-weibull", "stats-weibull-censored"):
        ours, theirs, behind, largest = [], [], -np.inf, 0.0
        for x in samples:
            failed = np.ones(x.size, dtype=bool)
            if name.endswith("censored"):
                ends = rng.permutation(x)
                failed, x = x <= ends, np.minimum(x, ends)
            data = x if failed.all() else stats.CensoredData.right_censored(x, ~failed)
            start = time.perf_counter()
            mine = fit("weibull", x, failed)
            ours.append(time.perf_counter() - start)
            start = time.perf_counter()
            shape, _, scale = stats.weibull_min.fit(data, floc=0)
            theirs.append(time.perf_counter() - start)
            other = stats.weibull_min.logpdf(x[failed], shape, scale=scale).sum()
            other += stats.weibull_min.logsf(x[~failed], shape, scale=scale).sum()
            behind = max(behind, float(other - mine.log_likelihood))
            largest = max(largest, score(x, failed, mine.parameters["shape"], mine.parameters["scale"]))
        a, b = statistics.median(ours), statistics.median(theirs)
        ok = b / a >= 5.0 and behind <= 1e-9 and largest <= 1e-10
        found.append(entry(name, a, b, b / a, ">= 5", ok, likelihood_behind=behind, largest_score=largest))
    return found


def entry(
    name: str, ours: float, reference: float, ratio: float, goal: str, ok: bool, **more: Any
) -> dict[str, Any]:
    return {
        "name": name,
        "ours": ours,
        "reference": reference,
        "ratio": ratio,
        "goal": goal,
        "ok": bool(ok),
        **more,
    }


def run() -> list[dict[str, Any]]:
    return [bench_lots(), bench_rules(), *bench_weibull()]
