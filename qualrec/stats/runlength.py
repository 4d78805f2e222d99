"""Average run length (ARL): points until a chart signals, for normal independent points with known parameters.

    Shewhart      1/P(beyond a limit)
    EWMA          Markov chain over the average between its limits, alone or together with limits on the points
                  themselves; asymptotic limits, or time-varying ones by a chain that changes from point to point
    CUSUM         Markov chain over the sum; two-sided from both one-sided ones (Lucas & Crosier 1982)
    zone, side    rules that look at zones and sides: Markov chain over what the rules remember (Champ & Woodall 1987)
    others        sets with a steady rise or fall, alternation, or an EWMA beside rules: simulation, and said so

Chains with m states have an error of order 1/m^2, which the step from m to 2m takes away (Richardson).
Sources: Brook & Evans, Biometrika 59(3), 1972; Lucas & Saccucci, Technometrics 32(1), 1990; Champ & Woodall,
Technometrics 29(4), 1987; Lucas & Crosier, Technometrics 24(3), 1982 (all from memory). Limits from few lots make
the true run length scatter: see `limitscatter`.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from qualrec.errors import ComputeError
from qualrec.stats.results import FloatArray
from qualrec.stats.rules import Rule, matches

STATES = 60
RUNS = 4000
_SEED = 1_931
_SIMULATED = ("rise_or_fall", "alternation")


@dataclass(frozen=True, slots=True)
class RunLength:
    """Average run length in points; `error` is its standard error where simulated, else 0."""

    value: float
    method: str
    error: float = 0.0


@dataclass(frozen=True, slots=True)
class Ewma:
    """An EWMA scheme: weight of the newest value, width of its limits in sigma, time-varying or not."""

    weight: float
    width: float
    time_varying: bool = False


def shewhart_arl(width: float, shift: float = 0.0, scale: float = 1.0) -> RunLength:
    """ARL of limits at -+ width sigma when the level is off by `shift` sigma and the true sigma is `scale` of it."""
    _check(width > 0 and scale > 0, "The width and the sigma must be above 0.")
    out = float(ndtr((-width - shift) / scale) + ndtr((shift - width) / scale))
    return RunLength(1.0 / out, "exact")


def ewma_arl(
    scheme: Ewma,
    shift: float = 0.0,
    *,
    point_width: float | None = None,
    scale: float = 1.0,
    states: int = STATES,
) -> RunLength:
    """ARL of an EWMA started at the centre, with limits at -+ `point_width` sigma on the points too where given.

    The level is off by `shift` sigma from the first point on; the true sigma is `scale` times the one of the limits.
    """
    _check(
        0 < scheme.weight <= 1 and scheme.width > 0 and scale > 0, "Weight in 0..1, width and sigma above 0."
    )
    _check(point_width is None or point_width > 0, "The width of the limits on points must be above 0.")
    if scheme.weight == 1.0:
        return shewhart_arl(min(scheme.width, point_width or math.inf), shift, scale)
    chain = _varying_ewma if scheme.time_varying else _steady_ewma
    reach = math.inf if point_width is None else point_width

    def arl(m: int) -> float:
        return chain(scheme, shift, scale, reach, m)

    kind = "time-varying" if scheme.time_varying else "asymptotic"
    return RunLength(_extrapolated(arl, states), f"Markov chain, {kind} limits")


def cusum_arl(
    slack: float,
    decision: float,
    shift: float = 0.0,
    *,
    head_start: float = 0.0,
    sides: int = 2,
    states: int = STATES,
) -> RunLength:
    """ARL of a tabular CUSUM, k = slack and h = decision in sigma; head start as a share of h.

    `sides` 1: the upper sum alone; 2: both.
    """
    _check(slack >= 0 and decision > 0 and 0 <= head_start < 1, "k >= 0, h > 0 and 0 <= head start < 1.")
    _check(sides in (1, 2), "A CUSUM has 1 or 2 sides.")

    def one_side(level: float, start: float) -> float:
        return _extrapolated(lambda m: _cusum(slack, decision, level, start, m), states)

    at = head_start * decision
    up, up_zero = one_side(shift, at), one_side(shift, 0.0)
    if sides == 1:
        return RunLength(up, "Markov chain")
    down, down_zero = one_side(-shift, at), one_side(-shift, 0.0)
    both = (up * down_zero + down * up_zero - up_zero * down_zero) / (up_zero + down_zero)
    return RunLength(both, "Markov chain")


def rules_arl(
    rules: Sequence[Rule],
    shift: float = 0.0,
    *,
    width: float = 3.0,
    ewma: Ewma | None = None,
    runs: int = RUNS,
    seed: int = _SEED,
) -> RunLength:
    """ARL of a set of rules on one track with limits at -+ width sigma, and of an EWMA beside it where given.

    By Markov chain where the rules look at limits, zones and sides only; else by `runs` simulated runs.
    Raises ComputeError for an empty set without an EWMA.
    """
    _check(len(rules) > 0 or ewma is not None, "Choose at least one rule.")
    _check(width > 0, "The width must be above 0.")
    if ewma is not None and {rule.kind for rule in rules} <= {"beyond_limit"}:
        return ewma_arl(ewma, shift, point_width=width if rules else None)
    if ewma is None and not any(rule.kind in _SIMULATED for rule in rules):
        return RunLength(_zone_chain(tuple(rules), shift, width), "Markov chain")
    return simulated_arl(rules, shift, width=width, ewma=ewma, runs=runs, seed=seed)


def simulated_arl(
    rules: Sequence[Rule],
    shift: float = 0.0,
    *,
    width: float = 3.0,
    ewma: Ewma | None = None,
    runs: int = RUNS,
    seed: int = _SEED,
) -> RunLength:
    """ARL of the set by simulated runs, each until its first signal. `error` is the standard error."""
    rng = np.random.default_rng(seed)
    block, keep = 128, max((rule.k for rule in rules), default=1) - 1
    lengths: list[FloatArray] = []
    tail, average = np.zeros((runs, 0)), np.zeros(runs)
    done = 0
    while average.size:
        fresh = rng.standard_normal((average.size, block)) + shift
        seen = np.concatenate([tail, fresh], axis=1)
        hit = np.zeros(fresh.shape, dtype=np.bool_)
        if rules:
            found = np.any(matches(seen, 0.0, 1.0, -width, width, rules), axis=0)
            hit |= np.asarray(found)[:, tail.shape[1] :]
        if ewma is not None:
            beyond, average = _ewma_hits(ewma, fresh, average, done)
            hit |= beyond
        ended = hit.any(axis=1)
        lengths.append(done + 1.0 + np.argmax(hit[ended], axis=1))
        tail, average = seen[~ended, seen.shape[1] - min(keep, seen.shape[1]) :], average[~ended]
        done += block
    every = np.concatenate(lengths)
    error = float(every.std(ddof=1)) / math.sqrt(runs)
    return RunLength(float(every.mean()), f"simulation, {runs} runs", error)


def _ewma_hits(
    scheme: Ewma, x: FloatArray, start: FloatArray, done: int
) -> tuple[NDArray[np.bool_], FloatArray]:
    from qualrec.stats.ewma import ewma_spread, ewma_values

    z, steps = ewma_values(x, start, scheme.weight)
    spread = ewma_spread(steps + done, scheme.weight, steady=not scheme.time_varying)
    return np.abs(z) > scheme.width * spread, z[:, -1]


def _extrapolated(arl: Callable[[int], float], states: int) -> float:
    """The value for infinitely many states from `states` and twice as many, the error being of order 1/m^2."""
    rough, fine = arl(states), arl(2 * states)
    return fine + (fine - rough) / 3.0


def _steps(
    start: FloatArray,
    low: FloatArray,
    high: FloatArray,
    scheme: Ewma,
    shift: float,
    scale: float,
    reach: float,
) -> FloatArray:
    """P(the average goes from start_i into (low_j, high_j) and the point stays within -+ reach)."""
    kept = (1.0 - scheme.weight) * start[:, None]
    a = np.clip((low[None, :] - kept) / scheme.weight, -reach, reach)
    b = np.clip((high[None, :] - kept) / scheme.weight, -reach, reach)
    return np.asarray(ndtr((b - shift) / scale) - ndtr((a - shift) / scale))


def _bins(limit: float, m: int) -> tuple[FloatArray, FloatArray, FloatArray]:
    edges = np.linspace(-limit, limit, 2 * m + 2)
    return 0.5 * (edges[1:] + edges[:-1]), edges[:-1], edges[1:]


def _steady_ewma(scheme: Ewma, shift: float, scale: float, reach: float, m: int) -> float:
    limit = scheme.width * math.sqrt(scheme.weight / (2.0 - scheme.weight))
    middle, low, high = _bins(limit, m)
    inside = _steps(middle, low, high, scheme, shift, scale, reach)
    left = np.linalg.solve(np.eye(middle.size) - inside, np.ones(middle.size))
    first = _steps(np.zeros(1), low, high, scheme, shift, scale, reach)[0]
    return 1.0 + float(first @ left)


def _varying_ewma(scheme: Ewma, shift: float, scale: float, reach: float, m: int) -> float:
    """Survivors are carried from limit to limit until the limits have settled; the steady chain takes the rest."""
    settled = scheme.width * math.sqrt(scheme.weight / (2.0 - scheme.weight))
    spent = (1.0 - scheme.weight) ** 2
    length, alive, at = 1.0, np.ones(1), np.zeros(1)
    gone = spent
    while gone > 1e-9:
        middle, low, high = _bins(settled * math.sqrt(1.0 - gone), m)
        alive = alive @ _steps(at, low, high, scheme, shift, scale, reach)
        at = middle
        length += float(alive.sum())
        gone *= spent
    middle, low, high = _bins(settled, m)
    inside = _steps(middle, low, high, scheme, shift, scale, reach)
    left = np.linalg.solve(np.eye(middle.size) - inside, np.ones(middle.size))
    return length + float(alive @ _steps(at, low, high, scheme, shift, scale, reach) @ left)


def _cusum(slack: float, decision: float, shift: float, start: float, m: int) -> float:
    """Brook & Evans: the sum in m + 1 classes, the first one the class about 0."""
    width = 2.0 * decision / (2 * m + 1)
    middle = width * np.arange(m + 1, dtype=np.float64)

    def steps(at: FloatArray) -> FloatArray:
        edges = width * (np.arange(m + 1) + 0.5)
        upper = ndtr(edges[None, :] - at[:, None] + slack - shift)
        return np.asarray(np.diff(upper, axis=1, prepend=0.0))

    left = np.linalg.solve(np.eye(m + 1) - steps(middle), np.ones(m + 1))
    return 1.0 + float(steps(np.array([start]))[0] @ left)


State = tuple[int, ...]


def _zone_chain(rules: tuple[Rule, ...], shift: float, width: float) -> float:
    """Mean time to the first signal of a chain whose states are what the rules remember of past zones."""
    from scipy import sparse
    from scipy.sparse.linalg import spsolve

    edges = sorted({-width, -2.0, -1.0, 0.0, 1.0, 2.0, width})
    chances = np.diff(ndtr(np.array([-np.inf, *edges, np.inf]) - shift))
    middles = [
        edges[0] - 1.0,
        *(0.5 * (a + b) for a, b in pairwise(edges)),
        edges[-1] + 1.0,
    ]
    start: State = (0,) * len(rules)
    number, todo = {start: 0}, [start]
    rows, columns, weights = [], [], []
    for state in todo:
        for point, chance in zip(middles, chances.tolist(), strict=True):
            after = _remember(rules, state, point, width)
            if after is None:
                continue
            if after not in number:
                number[after] = len(number)
                todo.append(after)
            rows.append(number[state])
            columns.append(number[after])
            weights.append(chance)
    size = len(number)
    stay = sparse.csc_matrix((weights, (rows, columns)), shape=(size, size))
    left = spsolve(sparse.identity(size, format="csc") - stay, np.ones(size))
    return float(np.atleast_1d(left)[0])


def _remember(rules: tuple[Rule, ...], state: State, point: float, width: float) -> State | None:
    """The memory of each rule after a point in the middle of its zone; None where a rule signals."""
    after = []
    for rule, memory in zip(rules, state, strict=True):
        new = _memory(rule, memory, point, width)
        if new is None:
            return None
        after.append(new)
    return tuple(after)


def _memory(rule: Rule, memory: int, point: float, width: float) -> int | None:
    """Side: signed length of the run. Near, far: length of the run. m of k: marks of the last k - 1 points, by side."""
    if rule.kind == "beyond_limit":
        return None if abs(point) > width else 0
    if rule.kind == "one_side":
        side = 1 if point > 0 else -1
        run = memory + side if memory * side > 0 else side
        return None if abs(run) >= rule.k else run
    if rule.kind in ("near_centre", "far_from_centre"):
        marked = (abs(point) < 1.0) == (rule.kind == "near_centre")
        run = memory + 1 if marked else 0
        return None if run >= rule.k else run
    return _marks(rule.k, memory, point, 2.0 if rule.kind == "two_of_three" else 1.0)


def _marks(k: int, memory: int, point: float, edge: float) -> int | None:
    """Marks above and below of the last k - 1 points as two binary numbers; marks that cannot matter are dropped."""
    past = k - 1
    above, below = memory >> past, memory & ((1 << past) - 1)
    window = (1 << past) - 1
    packed = []
    for marks, marked in ((above, point > edge), (below, point < -edge)):
        if marked and marks.bit_count() + 1 >= k - 1:
            return None
        packed.append(((marks << 1) | int(marked)) & window)
    return (packed[0] << past) | packed[1]


def _check(right: bool, message: str) -> None:
    if not right:
        raise ComputeError(message, "Give figures within these bounds.")
