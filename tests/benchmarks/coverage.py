"""Prints how often intervals and bounds of 95 % hold, the whole table by class; fixed seeds.

Run: python tests/benchmarks/coverage.py [samples] (10,000 by default, about two minutes on one core). Bootstrap bounds of
the percentile method take far longer and are printed by coverage_shapes.py. Exit 1 where a goal is missed.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Iterator

import numpy as np
from coverage_classes import CLASSES, Row

from qualrec.stats.capability_batch import capability_batch

PLANS = ((25, 5), (25, 3), (50, 2), (100, 1), (10, 5), (5, 5), (3, 5), (25, 50), (2, 20))
RATIOS = (0.0, 0.1, 0.5, 1.0, 2.0, 10.0)
PPK = 1.33
GOAL_LOTS = 25
"""The goal for bounds from lots is set for this many lots; fewer are printed as found."""


def covered(k: int, m: int, ratio: float, samples: int, seed: int) -> tuple[float, float, float, float]:
    """Shares covered with one limit (lots, independent) and with two centred limits (lots, independent)."""
    rng = np.random.default_rng(seed)
    mean = rng.normal(0, math.sqrt(ratio), (samples, k)) + rng.normal(0, 1 / math.sqrt(m), (samples, k))
    sd = np.sqrt(rng.chisquare(m - 1, (samples, k)) / (m - 1)) if m > 1 else np.full((samples, k), np.nan)
    n = np.full((samples, k), m)
    low = -3 * PPK * math.sqrt(1 + ratio)
    shares = []
    for high in (math.nan, -low):
        found = capability_batch(n, mean, sd, low, high)
        shares += [float(np.mean(found.bounds["Ppk"] <= PPK)), float(np.mean(found.independent <= PPK))]
    return shares[0], shares[1], shares[2], shares[3]


def ppk_rows(samples: int) -> Iterator[Row]:
    """The bound of Ppk from the lots, and as if all values were independent: what it costs to take it so."""
    for k, m in PLANS:
        for ratio in RATIOS:
            names = (
                "one limit, lots",
                "one limit, as independent",
                "two limits, lots",
                "two limits, as independent",
            )
            for name, held in zip(names, covered(k, m, ratio, samples, seed=2024), strict=True):
                goal = 0.93 if name.endswith("lots") and k >= GOAL_LOTS and ratio <= 2.0 else 0.0
                yield Row("lots", f"Ppk {PPK}, {name}", f"{k} x {m}, ratio {ratio}", held, samples, goal)


def main(samples: int) -> int:
    print(
        "class        method                                 situation                    samples    held  goal"
    )
    missed = 0
    for rows in (*(make(samples) for make in CLASSES), ppk_rows(max(samples // 5, 100))):
        for row in rows:
            goal = "as found" if row.low == 0.0 else f">= {row.low:.3f}"
            goal += f", <= {row.high:.3f}" if row.high < 1.0 else ""
            mark = "" if row.ok else "  MISSED"
            missed += not row.ok
            print(
                f"{row.kind:11s}  {row.method:38s} {row.situation:28s} {row.samples:7d}  {row.held:.4f}  {goal}{mark}",
                flush=True,
            )
    return 1 if missed else 0


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 10_000))
