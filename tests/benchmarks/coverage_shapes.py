"""Prints how often the 95 % bootstrap bound of Ppk by the percentile method holds (500 samples x 200 by
default).

Run: python tests/benchmarks/coverage_shapes.py [samples] [bootstrap]; fixed seed; one core, minutes.
"""

from __future__ import annotations

import math
import sys

import numpy as np
from scipy import stats

from qualrec.stats.capability import capability_of_values
from qualrec.stats.distributions import TAIL, index_of_points, percentile_capability
from qualrec.stats.percentile_lots import with_lots

NAMES = ("normal", "lognormal", "weibull", "gamma", "smallest extreme value")
TRUE = {
    "normal": stats.norm(10, 1),
    "lognormal": stats.lognorm(0.3),
    "weibull": stats.weibull_min(3, scale=10),
    "gamma": stats.gamma(4),
}


def covered(name: str, side: str, n: int, samples: int, bootstrap: int, only: bool) -> float:
    """Share of bounds at or below the true index; `only`: the true shape is fitted without choice."""
    shape = TRUE[name]
    low, middle, high = (float(v) for v in shape.ppf([TAIL, 0.5, 1 - TAIL]))
    lsl = middle - 1.33 * (middle - low) if side == "lower" else None
    usl = middle + 1.33 * (high - middle) if side == "upper" else None
    true = index_of_points((low, middle, high), lsl, usl)["Ppk"]
    rng = np.random.default_rng(5)
    held = 0
    for _ in range(samples):
        x = shape.rvs(n, random_state=rng)
        found = percentile_capability(x, lsl, usl, (name,) if only else NAMES, bootstrap)
        held += next(i for i in found.indices if i.name == "Ppk").bound.value <= true + 1e-12
    return held / samples


def covered_lots(ratio: float, side: str, samples: int, bootstrap: int) -> tuple[float, float]:
    """Lognormal values of 25 lots of five: shares held by the bound that respects lots and by the plain one."""
    low, middle, high = (float(np.exp(0.3 * stats.norm.ppf(p))) for p in (TAIL, 0.5, 1 - TAIL))
    lsl = middle - 1.33 * (middle - low) if side == "lower" else None
    usl = middle + 1.33 * (high - middle) if side == "upper" else None
    true = index_of_points((low, middle, high), lsl, usl)["Ppk"]
    rng, lots = np.random.default_rng(5), np.repeat(np.arange(25), 5)
    held = np.zeros(2)
    for _ in range(samples):
        y = math.sqrt(ratio) * rng.standard_normal((25, 1)) + rng.standard_normal((25, 5))
        x = np.exp(0.3 * y / math.sqrt(1 + ratio)).ravel()
        plain = percentile_capability(x, lsl, usl, NAMES, bootstrap)
        for i, found in enumerate((with_lots(plain, capability_of_values(x, lsl, usl, lot_ids=lots)), plain)):
            held[i] += next(j for j in found.indices if j.name == "Ppk").bound.value <= true + 1e-12
    return float(held[0] / samples), float(held[1] / samples)


def main(samples: int, bootstrap: int) -> None:
    print(
        f"95 % lower bound of Ppk 1.33, percentile method, {samples} samples x {bootstrap} bootstrap samples"
    )
    print("shape       limit   n    shape known  shape chosen")
    for name in TRUE:
        for side in ("lower", "upper"):
            for n in (50, 125):
                known = covered(name, side, n, samples, bootstrap, True)
                free = covered(name, side, n, samples, bootstrap, False)
                print(f"{name:10s}  {side:6s}  {n:3d}  {known:11.3f}  {free:12.3f}", flush=True)
    print("lognormal, 25 lots of five   limit   between/within  lots respected  as independent")
    for ratio in (0.0, 0.5, 1.0, 2.0):
        for side in ("lower", "upper"):
            own, plain = covered_lots(ratio, side, samples, bootstrap)
            print(f"{side:>34s}  {ratio:14.1f}  {own:14.3f}  {plain:14.3f}", flush=True)


if __name__ == "__main__":
    given = [int(a) for a in sys.argv[1:3]]
    main(*(given + [500, 200][len(given) :]))
