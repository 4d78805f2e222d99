"""Plans of a window study: full and fractional factorial, face-centred and Box-Behnken.

Coded levels run from -1 (low) to +1 (high). Designs after NIST/SEMATECH e-Handbook of Statistical Methods,
5.3.3.3 to 5.3.3.6; Box and Behnken, Technometrics 2 (1960) 455.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np

from qualrec.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from qualrec.stats.results import FloatArray

LETTERS = "ABCDEFGH"
"""Factors are named by letter in generators, in their order."""

DEFAULT_GENERATORS: Mapping[tuple[int, int], tuple[str, ...]] = MappingProxyType(
    {
        (3, 1): ("C=AB",),
        (4, 1): ("D=ABC",),
        (5, 1): ("E=ABCD",),
        (5, 2): ("D=AB", "E=AC"),
        (6, 1): ("F=ABCDE",),
        (6, 2): ("E=ABC", "F=BCD"),
        (7, 3): ("E=ABC", "F=BCD", "G=ACD"),
        (7, 4): ("D=AB", "E=AC", "F=BC", "G=ABC"),
    }
)
"""Generators of 2^(k-p) by (k, p): NIST e-Handbook 5.3.3.4.7."""

MOST_RUNS = 512


@dataclass(frozen=True, slots=True)
class Factor:
    """One factor of the study with its range in `unit`. Raises UsageError unless low < high."""

    name: str
    low: float
    high: float
    unit: str = ""

    def __post_init__(self) -> None:
        if not (math.isfinite(self.low) and math.isfinite(self.high) and self.low < self.high):
            raise UsageError(
                f"Factor {self.name} runs from {self.low!r} to {self.high!r} {self.unit}.".replace(" .", "."),
                "Give a low end below the high end.",
            )

    @property
    def centre(self) -> float:
        return 0.5 * (self.low + self.high)

    @property
    def half_range(self) -> float:
        return 0.5 * (self.high - self.low)

    def actual(self, coded: float) -> float:
        """Value in the factor's unit of a coded level."""
        return self.centre + self.half_range * coded

    def coded(self, actual: float) -> float:
        """Coded level of a value; the inverse of `actual`."""
        return (actual - self.centre) / self.half_range


@dataclass(frozen=True, slots=True)
class PlannedRun:
    """One run: `order` in which it is made (from 1), its place in the standard order, and its levels."""

    order: int
    standard: int
    kind: str
    """corner, axial, edge, level or centre."""
    coded: tuple[float, ...]
    values: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class WindowPlan:
    """A plan with its runs in random order. `resolution` is None unless the plan is fractional."""

    kind: str
    factors: tuple[Factor, ...]
    runs: tuple[PlannedRun, ...]
    seed: int
    resolution: int | None = None
    defining_words: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def coded(self) -> FloatArray:
        """Coded levels in run order, shape (runs, factors)."""
        return np.array([run.coded for run in self.runs], dtype=np.float64)


def full_factorial(
    factors: Sequence[Factor], *, levels: int = 2, centre_runs: int = 3, repeats: int = 1, seed: int = 1
) -> WindowPlan:
    """All combinations of `levels` equally spaced levels, each `repeats` times, and `centre_runs`."""
    if not 2 <= levels <= 5:
        raise UsageError(f"{levels} levels are asked for.", "Choose 2 to 5 levels.")
    _check(factors, 1, 8, centre_runs, repeats)
    _fits(levels ** len(factors) * repeats + centre_runs)
    kind = "corner" if levels == 2 else "level"
    points = list(itertools.product(np.linspace(-1.0, 1.0, levels).tolist(), repeat=len(factors)))
    return _plan(f"full factorial, {levels} levels", factors, [(kind, points)], centre_runs, repeats, seed)


def fractional_factorial(
    factors: Sequence[Factor],
    generators: Sequence[str] | int = 1,
    *,
    centre_runs: int = 3,
    repeats: int = 1,
    seed: int = 1,
) -> WindowPlan:
    """Two-level fraction 2^(k-p). `generators` such as ('D=ABC',), or p for the table's generators.

    Raises UsageError: no table entry, a generator that cannot be read, uses a generated letter or confounds
    a factor with the mean.
    """
    _check(factors, 3, len(LETTERS), centre_runs, repeats)
    count = len(factors)
    if isinstance(generators, int):
        table = DEFAULT_GENERATORS.get((count, generators))
        if table is None:
            known = ", ".join(f"{k} factors with p {p}" for k, p in DEFAULT_GENERATORS)
            raise UsageError(
                f"No stored fraction 2^({count}-{generators}).", f"Give generators, or choose: {known}."
            )
        generators = table
    products = _read_generators(generators, count)
    basic = [letter for letter in LETTERS[:count] if letter not in products]
    points = []
    for levels in itertools.product((-1.0, 1.0), repeat=len(basic)):
        by_letter = dict(zip(basic, levels, strict=True))
        for letter, word in products.items():
            by_letter[letter] = math.prod(by_letter[part] for part in word)
        points.append(tuple(by_letter[letter] for letter in LETTERS[:count]))
    words = defining_relation([f"{letter}={''.join(word)}" for letter, word in products.items()])
    resolution = min(len(word) for word in words)
    notes = [f"Defining relation: I = {' = '.join(words)}; resolution {resolution}."]
    if resolution == 3:
        notes.append("Main effects are mixed with two-factor interactions: use it for screening only.")
    return _plan(
        f"fractional factorial 2^({count}-{len(products)})",
        factors,
        [("corner", points)],
        centre_runs,
        repeats,
        seed,
        resolution=resolution,
        defining_words=words,
        notes=tuple(notes),
    )


def face_centred(
    factors: Sequence[Factor], *, centre_runs: int = 4, repeats: int = 1, seed: int = 1
) -> WindowPlan:
    """Corners, face centres and centre runs: all quadratic terms can be fitted within the ranges."""
    _check(factors, 2, 6, centre_runs, repeats)
    count = len(factors)
    corners = list(itertools.product((-1.0, 1.0), repeat=count))
    faces = [
        tuple(level if index == place else 0.0 for index in range(count))
        for place in range(count)
        for level in (-1.0, 1.0)
    ]
    return _plan("face-centred", factors, [("corner", corners), ("axial", faces)], centre_runs, repeats, seed)


def box_behnken(
    factors: Sequence[Factor], *, centre_runs: int = 3, repeats: int = 1, seed: int = 1
) -> WindowPlan:
    """Edge middles (pairs of factors at both ends, the others centred) and centre runs; 3 to 5 factors.

    No run has all factors at an extreme: of use where corners burn or do not weld.
    """
    _check(factors, 3, 5, centre_runs, repeats)
    count = len(factors)
    edges = []
    for pair in itertools.combinations(range(count), 2):
        for levels in itertools.product((-1.0, 1.0), repeat=2):
            point = [0.0] * count
            point[pair[0]], point[pair[1]] = levels
            edges.append(tuple(point))
    return _plan("Box-Behnken", factors, [("edge", edges)], centre_runs, repeats, seed)


def defining_relation(generators: Sequence[str]) -> tuple[str, ...]:
    """All words of the defining relation of generators such as 'D=ABC', short ones first."""
    words = [frozenset(generator.replace("=", "")) for generator in generators]
    products = set()
    for size in range(1, len(words) + 1):
        for chosen in itertools.combinations(words, size):
            product: frozenset[str] = frozenset()
            for word in chosen:
                product = product ^ word
            products.add("".join(sorted(product)))
    return tuple(sorted(products, key=lambda word: (len(word), word)))


def _read_generators(generators: Sequence[str], count: int) -> dict[str, tuple[str, ...]]:
    letters = LETTERS[:count]
    products: dict[str, tuple[str, ...]] = {}
    for text in generators:
        left, _, right = text.replace(" ", "").upper().partition("=")
        sound = left and left in letters and len(left) == 1 and right and set(right) <= set(letters)
        if not sound or left in right or len(set(right)) != len(right) or len(right) < 2 or left in products:
            raise UsageError(
                f"Generator {text!r} cannot be read.",
                f"Write it as D=ABC with the letters {letters}, each once.",
            )
        products[left] = tuple(right)
    if not products or len(products) >= count - 1:
        raise UsageError(
            f"{len(products)} generators for {count} factors.", "Leave at least two free factors."
        )
    used = {part for word in products.values() for part in word}
    if used & set(products):
        raise UsageError("A generator uses a generated factor.", "Write every generator in the free factors.")
    if len(set(map(frozenset, products.values()))) != len(products):
        raise UsageError(
            "Two generators are the same product.", "Give each generated factor its own product."
        )
    return products


def _check(factors: Sequence[Factor], least: int, most: int, centre_runs: int, repeats: int) -> None:
    if not least <= len(factors) <= most:
        raise UsageError(f"{len(factors)} factors are given.", f"This plan takes {least} to {most} factors.")
    if len({factor.name for factor in factors}) != len(factors):
        raise UsageError("Two factors have the same name.", "Name every factor once.")
    if centre_runs < 0 or repeats < 1:
        raise UsageError(
            f"{centre_runs} centre runs and {repeats} repeats are asked for.",
            "Give at least 0 centre runs and 1 repeat.",
        )


def _fits(runs: int) -> None:
    if runs > MOST_RUNS:
        raise UsageError(
            f"The plan would have {runs} runs.", f"Choose fewer factors or levels, at most {MOST_RUNS}."
        )


def _plan(
    kind: str,
    factors: Sequence[Factor],
    groups: Sequence[tuple[str, Sequence[tuple[float, ...]]]],
    centre_runs: int,
    repeats: int,
    seed: int,
    *,
    resolution: int | None = None,
    defining_words: tuple[str, ...] = (),
    notes: tuple[str, ...] = (),
) -> WindowPlan:
    points = [(group, point) for _ in range(repeats) for group, chosen in groups for point in chosen]
    points += [("centre", (0.0,) * len(factors))] * centre_runs
    _fits(len(points))
    order = np.random.Generator(np.random.PCG64(seed)).permutation(len(points))
    runs = []
    for place, standard in enumerate(order.tolist(), start=1):
        group, point = points[standard]
        values = {factor.name: factor.actual(level) for factor, level in zip(factors, point, strict=True)}
        runs.append(PlannedRun(place, standard + 1, group, point, MappingProxyType(values)))
    if centre_runs == 0:
        notes = (*notes, "No centre runs: neither curvature nor pure error can be checked.")
    return WindowPlan(kind, tuple(factors), tuple(runs), seed, resolution, defining_words, notes)
