"""What `calc chart` is asked for and what a builder gives back."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from qualrec.errors import UsageError
from qualrec.stats.constants import factors
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
    mean_spread: float | None = None
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


def point_names(n: int) -> list[str]:
    return [str(i + 1) for i in range(n)]


def known_limits(wish: Wish, kind: str, usual: float, n: int = 2) -> Frozen | None:
    """Limits put in force, where the centre and sigma (or the mean spread of subgroups of n) are given.

    Raises UsageError where one lacks.
    """
    sigma, how = wish.sigma, "given"
    if wish.mean_spread is not None:
        if sigma is not None:
            raise UsageError("Both --sigma and --mean-spread are given.", "Give one of them.")
        f = factors(n)
        sigma = wish.mean_spread / (f.c4 if kind == "xbar_s" else f.d2)
        how = "mean spread given"
    if sigma is None and wish.centre is None:
        return None
    if sigma is None or wish.centre is None:
        raise UsageError(
            "Known limits need --centre, and --sigma or --mean-spread.", "Give both, or neither."
        )
    return Frozen(kind, wish.centre, sigma, how, width=wish.wide(usual))


def flat(row: Any) -> Any:
    """One figure where a row is constant, else the list."""
    x = np.asarray(row, dtype=np.float64)
    here = x[~np.isnan(x)]
    if here.size == 0:
        return None
    return float(here[0]) if np.ptp(here) == 0 else x.tolist()
