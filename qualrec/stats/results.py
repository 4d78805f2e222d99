"""Result types shared by the method families.

A result carries what it was computed from (n, estimator, method, convention), so that a printed figure can be traced.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


@dataclass(frozen=True, slots=True)
class Interval:
    """A two-sided interval; `level` is its confidence, `method` names how it was obtained."""

    low: float
    high: float
    level: float
    method: str


@dataclass(frozen=True, slots=True)
class Bound:
    """A one-sided bound; `side` is 'lower' or 'upper'."""

    value: float
    level: float
    side: str
    method: str


@dataclass(frozen=True, slots=True, eq=False)
class Track:
    """One plotted sequence of a chart with its centre and limits.

    All arrays have the length of `values`; nan in `lower` or `upper` means no limit on that side,
    nan in `values` a point without a value. `sigma` is the standard deviation of a plotted point.
    `run_rules` is False where points depend on each other or scatter unevenly (EWMA, ranges): only its limits count.
    """

    name: str
    values: FloatArray
    centre: FloatArray
    lower: FloatArray
    upper: FloatArray
    sigma: FloatArray
    run_rules: bool = True


@dataclass(frozen=True, slots=True)
class Signal:
    """One finding of a rule on a track: `points` are the indices of the run that fulfils it, the last one signals."""

    rule: str
    track: str
    points: tuple[int, ...]
    side: int
    """+1 above the centre, -1 below, 0 without a side."""
    text: str


@dataclass(frozen=True, slots=True)
class Frozen:
    """Limits put in force: all that a chart of the second phase needs to judge new points.

    `sigma` is that of a plotted value on charts of individuals, lot means and EWMA, that of a single value on
    charts of subgroup means, and the over-dispersion factor on corrected p and u charts (nan on plain ones).
    `within` is sigma inside a lot. `width`, `within_width` and `ewma_width` are multiples of sigma.
    `n` values in `k` points gave the limits, `df` are the degrees of freedom of `sigma`.
    """

    kind: str
    centre: float
    sigma: float = math.nan
    estimator: str = "given"
    n: int = 0
    k: int = 0
    df: float = math.inf
    width: float = 3.0
    within: float = math.nan
    within_width: float = 3.0
    weight: float = math.nan
    """Weight lambda of the newest value in an EWMA."""
    ewma_width: float = math.nan
    steady: bool = False
    """EWMA limits of the steady state in place of the time-varying ones."""
    slack: float = math.nan
    """Reference value k of a CUSUM, in sigma."""
    decision: float = math.nan
    """Decision interval h of a CUSUM, in sigma."""
    head_start: float = 0.0
    """Start of a CUSUM as a share of its decision interval."""


@dataclass(frozen=True, slots=True, eq=False)
class Chart:
    """Tracks on one axis of points. `used` marks the points the limits came from; `method` names kind and estimator.

    `frozen` are the limits drawn, ready to be put in force; None where a chart has no such limits.
    """

    kind: str
    tracks: tuple[Track, ...]
    used: NDArray[np.bool_]
    method: str
    notes: tuple[str, ...] = ()
    frozen: Frozen | None = None


@dataclass(frozen=True, slots=True)
class Index:
    """A capability or performance index with its one-sided lower bound.

    `estimator` names the sigma; `n` values in `k` lots; `df` effective degrees of freedom of sigma.
    """

    name: str
    value: float
    bound: Bound
    estimator: str
    n: int
    k: int
    df: float
