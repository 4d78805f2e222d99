"""The window of a recipe: where the fitted strength meets the requirement and interfacial failure is unlikely.

Strength over energy is hump-shaped (too cold: interfacial; plateau; too hot: voids, degradation), so the set
point belongs where the margin to the edge is largest on all sides. Calculations only: the recipe is released by
the authorised person, after confirmation runs at the set point.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from qualrec.errors import ComputeError, UsageError
from qualrec.weld.failure_modes import FailureMode, StrengthStatus, strength_status
from qualrec.weld.window_fit import InterfacialFit, StrengthFit, fit_interfacial, fit_strength

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from qualrec.stats.results import FloatArray
    from qualrec.weld.failure_modes import Shares
    from qualrec.weld.window_plan import Factor

MOST_POINTS = 60_000
"""Points of the search grid over all factors."""

EDGE_STEPS = 400
"""Steps along one axis when the margins are measured: a margin is known to 1/400 of the range."""


@dataclass(frozen=True, slots=True)
class WindowRule:
    """What a point must meet.

    `single_pull`: the lower bound is that of one further pull, else of the mean. `bound_on_mode`: the upper
    bound of the chance of interfacial failure must meet the limit, else the fitted chance; few runs rarely
    bring the bound low.
    """

    min_strength: float
    max_interfacial: float = 0.05
    level: float = 0.95
    single_pull: bool = True
    bound_on_mode: bool = False

    def __post_init__(self) -> None:
        if not (0.0 < self.max_interfacial < 1.0 and 0.5 <= self.level < 1.0):
            raise UsageError(
                f"Interfacial limit {self.max_interfacial!r} or level {self.level!r} is out of range.",
                "Give the limit as a chance between 0 and 1, the level from 0.5 to below 1.",
            )


@dataclass(frozen=True, slots=True, eq=False)
class WindowFit:
    """Both fits of one study with its factors."""

    factors: tuple[Factor, ...]
    strength: StrengthFit
    interfacial: InterfacialFit
    notes: tuple[str, ...]

    def inside(self, coded: FloatArray, rule: WindowRule) -> NDArray[np.bool_]:
        """Whether each coded point (m, k) meets the rule; a value on the limit does."""
        strong = self.strength.lower(coded, rule.level, single_pull=rule.single_pull) >= rule.min_strength
        chance = (
            self.interfacial.upper(coded, rule.level)
            if rule.bound_on_mode
            else self.interfacial.chance(coded)
        )
        return np.asarray(strong & (chance <= rule.max_interfacial))

    def coded(self, values: Mapping[str, float]) -> FloatArray:
        """One coded point (1, k) from values by factor name; a factor not named stands at its centre."""
        unknown = set(values) - {factor.name for factor in self.factors}
        if unknown:
            names = ", ".join(factor.name for factor in self.factors)
            raise UsageError(f"No factor {sorted(unknown)[0]!r} in this study.", f"Factors: {names}.")
        return np.array(
            [[factor.coded(values.get(factor.name, factor.centre)) for factor in self.factors]],
            dtype=np.float64,
        )


def fit_window(
    factors: Sequence[Factor],
    values: FloatArray,
    strength: FloatArray,
    modes: Sequence[FailureMode | str],
    shares: Sequence[Shares | None] | None = None,
    *,
    strength_order: str = "quadratic",
    mode_order: str = "linear",
) -> WindowFit:
    """Fit a study. `values` (n, k) in the factors' units, one strength and one mode per pull.

    Test faults are left out and counted; a parent-material break enters with its force, which understates the
    weld. A mixed failure counts as interfacial if that is at least half of its area. Raises UsageError or
    ComputeError.
    """
    values, strength = np.asarray(values, dtype=np.float64), np.asarray(strength, dtype=np.float64)
    listed = shares if shares is not None else [None] * len(modes)
    if not values.shape[0] == strength.shape[0] == len(modes) == len(listed):
        raise UsageError("Levels, strengths and modes differ in number.", "Give one of each per pull.")
    states = [strength_status(mode, share) for mode, share in zip(modes, listed, strict=True)]
    used = np.array([state is not StrengthStatus.NO_VALUE for state in states], dtype=np.bool_)
    failed = np.array(
        [
            mode == FailureMode.INTERFACIAL
            or (mode == FailureMode.MIXED and share is not None and share.interfacial >= 50.0)
            for mode, share in zip(modes, listed, strict=True)
        ],
        dtype=np.bool_,
    )
    names = [factor.name for factor in factors]
    centre = np.array([factor.centre for factor in factors])
    half = np.array([factor.half_range for factor in factors])
    coded = (values[used] - centre) / half
    notes = []
    if not used.all():
        notes.append(f"{int((~used).sum())} test faults left out.")
    censored = sum(state is StrengthStatus.CENSORED for state in states)
    if censored:
        notes.append(f"{censored} pulls held to the end: their force is a lower bound of the weld strength.")
    if not failed[used].any():
        notes.append("No interfacial failure in the study: its edge on the cold side was not reached.")
    surface = fit_strength(coded, strength[used], names, strength_order)
    if surface.lack_of_fit_p is not None and surface.lack_of_fit_p < 0.05:
        notes.append(
            f"The surface does not fit the runs well (p {surface.lack_of_fit_p:.3f}): narrow the ranges."
        )
    curve = fit_interfacial(coded, failed[used], names, mode_order)
    return WindowFit(tuple(factors), surface, curve, tuple(notes))


@dataclass(frozen=True, slots=True, eq=False)
class RegionMap:
    """A slice of the window over two factors; all grids have shape (y, x)."""

    x: Factor
    y: Factor
    x_values: FloatArray
    y_values: FloatArray
    held: Mapping[str, float]
    strength: FloatArray
    strength_lower: FloatArray
    interfacial: FloatArray
    inside: NDArray[np.bool_]
    share_inside: float


def map_region(
    fit: WindowFit,
    rule: WindowRule,
    x: str,
    y: str,
    held: Mapping[str, float] | None = None,
    *,
    steps: int = 41,
) -> RegionMap:
    """Map strength, chance of interfacial failure and the window over factors `x` and `y`.

    The other factors stand at the values in `held`, else at their centre.
    """
    by_name = {factor.name: place for place, factor in enumerate(fit.factors)}
    missing = [name for name in (x, y) if name not in by_name]
    if missing or x == y:
        raise UsageError(
            f"The map needs two factors, not {x!r} and {y!r}.", f"Factors: {', '.join(by_name)}."
        )
    if steps < 2:
        raise UsageError(f"A map of {steps} steps is asked for.", "Give at least 2 steps.")
    base = fit.coded(held or {})
    levels = np.linspace(-1.0, 1.0, steps)
    points = np.repeat(base, steps * steps, axis=0)
    grid_x, grid_y = np.meshgrid(levels, levels)
    points[:, by_name[x]], points[:, by_name[y]] = grid_x.ravel(), grid_y.ravel()
    shape = (steps, steps)
    inside = fit.inside(points, rule).reshape(shape)
    factor_x, factor_y = fit.factors[by_name[x]], fit.factors[by_name[y]]
    return RegionMap(
        x=factor_x,
        y=factor_y,
        x_values=factor_x.centre + factor_x.half_range * levels,
        y_values=factor_y.centre + factor_y.half_range * levels,
        held={
            factor.name: factor.actual(float(level))
            for factor, level in zip(fit.factors, base[0], strict=True)
            if factor.name not in (x, y)
        },
        strength=fit.strength.mean(points).reshape(shape),
        strength_lower=fit.strength.lower(points, rule.level, single_pull=rule.single_pull).reshape(shape),
        interfacial=fit.interfacial.chance(points).reshape(shape),
        inside=inside,
        share_inside=float(inside.mean()),
    )


@dataclass(frozen=True, slots=True)
class Margin:
    """Room of one factor at the set point, the others held: `low` to `high` lie inside the window."""

    factor: str
    unit: str
    set_value: float
    low: float
    high: float
    low_is_study_edge: bool
    """The study ends here: the window may reach further."""
    high_is_study_edge: bool


@dataclass(frozen=True, slots=True)
class SetPoint:
    """The point farthest from every edge of the window. Proposal only: confirm it by runs."""

    values: Mapping[str, float]
    smallest_margin: float
    """Distance to the nearest edge, 1 = half the range of a factor."""
    margins: tuple[Margin, ...]
    strength: float
    strength_lower: float
    interfacial: float
    interfacial_upper: float
    notes: tuple[str, ...]


def propose_set_point(fit: WindowFit, rule: WindowRule) -> SetPoint:
    """The grid point inside the window with the largest distance to its edge; the study's own edge counts too.

    Raises ComputeError with the best value found where no point meets the rule.
    """
    from scipy.ndimage import distance_transform_edt

    count = len(fit.factors)
    steps = max(5, min(61, int(MOST_POINTS ** (1.0 / count))))
    steps -= 1 - steps % 2
    levels = np.linspace(-1.0, 1.0, steps)
    axes = np.meshgrid(*[levels] * count, indexing="ij")
    points = np.column_stack([axis.ravel() for axis in axes])
    inside = fit.inside(points, rule)
    if not inside.any():
        best = float(fit.strength.lower(points, rule.level, single_pull=rule.single_pull).max())
        least = float(fit.interfacial.chance(points).min())
        raise ComputeError(
            f"No point of the study meets the rule: the best lower bound of strength is {best:.4g}, "
            f"the least chance of interfacial failure {least:.3f}.",
            "Check the requirement, extend the ranges or make more runs.",
        )
    grid = np.pad(inside.reshape((steps,) * count), 1)
    step = 2.0 / (steps - 1)
    distance = distance_transform_edt(grid, sampling=step)[(slice(1, -1),) * count].ravel()
    strength = fit.strength.mean(points)
    farthest = np.flatnonzero(distance >= distance.max() - 1e-9)
    chosen = points[farthest[np.argmax(strength[farthest])]][np.newaxis, :]
    note = "Proposal from the fitted study: confirm it by runs before a release."
    return _set_point(fit, rule, chosen, max(0.0, float(distance.max()) - step), note)


def set_point_at(fit: WindowFit, rule: WindowRule, values: Mapping[str, float]) -> SetPoint:
    """A point of one's own with its room along each factor. The smallest margin is that along one factor.

    Raises ComputeError where the point does not meet the rule, UsageError where it lies outside the study.
    """
    chosen = fit.coded(values)
    if (np.abs(chosen) > 1.0 + 1e-9).any():
        raise UsageError(
            "The point lies outside the study.", "Choose a point between the ends of every factor."
        )
    if not fit.inside(chosen, rule)[0]:
        lower = float(fit.strength.lower(chosen, rule.level, single_pull=rule.single_pull)[0])
        chance = float(fit.interfacial.chance(chosen)[0])
        raise ComputeError(
            f"The point does not meet the rule: lower bound of strength {lower:.4g}, chance of interfacial failure "
            f"{chance:.3f}.",
            "Choose a point inside the window.",
        )
    margins = [_margin(fit, rule, chosen, place) for place in range(len(fit.factors))]
    least = min(
        min(m.set_value - m.low, m.high - m.set_value) / factor.half_range
        for m, factor in zip(margins, fit.factors, strict=True)
    )
    note = "Point chosen by hand: confirm it by runs before a release."
    return _set_point(fit, rule, chosen, least, note)


def _set_point(fit: WindowFit, rule: WindowRule, chosen: FloatArray, smallest: float, note: str) -> SetPoint:
    return SetPoint(
        values={
            factor.name: factor.actual(float(level))
            for factor, level in zip(fit.factors, chosen[0], strict=True)
        },
        smallest_margin=smallest,
        margins=tuple(_margin(fit, rule, chosen, place) for place in range(len(fit.factors))),
        strength=float(fit.strength.mean(chosen)[0]),
        strength_lower=float(fit.strength.lower(chosen, rule.level, single_pull=rule.single_pull)[0]),
        interfacial=float(fit.interfacial.chance(chosen)[0]),
        interfacial_upper=float(fit.interfacial.upper(chosen, rule.level)[0]),
        notes=(*fit.notes, note),
    )


def _margin(fit: WindowFit, rule: WindowRule, chosen: FloatArray, place: int) -> Margin:
    factor, at = fit.factors[place], float(chosen[0, place])

    def reach(end: float) -> float:
        levels = np.linspace(at, end, EDGE_STEPS + 1)
        points = np.repeat(chosen, levels.size, axis=0)
        points[:, place] = levels
        outside = np.flatnonzero(~fit.inside(points, rule))
        return end if outside.size == 0 else float(levels[max(0, outside[0] - 1)])

    low, high = reach(-1.0), reach(1.0)
    return Margin(
        factor=factor.name,
        unit=factor.unit,
        set_value=factor.actual(at),
        low=factor.actual(low),
        high=factor.actual(high),
        low_is_study_edge=low == -1.0,
        high_is_study_edge=high == 1.0,
    )
