"""Prints how often the 95 % bootstrap bound of Ppk by the percentile method holds (500 samples x 200 by
default).

Run: python tests/benchmarks/coverage_shapes.py [samples] [bootstrap]; fixed seed; one core, minutes.
"""

from __future__ import annotations

import sys

import numpy as np
from scipy import stats

from qualrec.stats.distributions import TAIL, index_of_points, percentile_capability

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


if __name__ == "__main__":
    given = [int(a) for a in sys.argv[1:3]]
    main(*(given + [500, 200][len(given) :]))
