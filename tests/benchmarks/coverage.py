"""Prints how often the 95 % lower bounds of Ppk hold: independent bound, lot bound, one limit and two.

Run: python tests/benchmarks/coverage.py [samples] (2,000 by default; fixed seed). Values are normal, lots
random.
"""

from __future__ import annotations

import math
import sys

import numpy as np

from qualrec.stats.capability_batch import capability_batch

PLANS = ((25, 5), (25, 3), (50, 2), (100, 1), (10, 5), (5, 5), (3, 5), (25, 50), (2, 20))
RATIOS = (0.0, 0.1, 0.5, 1.0, 2.0, 10.0)
PPK = 1.33


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


def main(samples: int) -> None:
    print(f"95 % lower bound of Ppk {PPK}, {samples} samples; share of bounds that hold")
    print("lots x values  between/within  one limit: lots  independent   two limits: lots  independent")
    for k, m in PLANS:
        for ratio in RATIOS:
            a, b, c, d = covered(k, m, ratio, samples, seed=2024)
            print(f"{k:5d} x {m:3d}  {ratio:12.1f}  {a:16.3f}  {b:11.3f}  {c:17.3f}  {d:11.3f}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 2000)
