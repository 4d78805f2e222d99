"""Acceptance sampling: what a plan does, and the plan for two points.

Attributes, n parts, accept up to c nonconforming:
    hypergeometric (lot of N with N p nonconforming), binomial, Poisson AOQ = Pa p, or Pa p (N - n) / N with
    `replaced` (nonconforming parts of the sample replaced, rejected lots sorted) ATI = n + (1 - Pa) (N - n)
Variables, k-method with unknown sigma: accept where (mean - lsl)/s >= k or (usl - mean)/s >= k;
    Pa = P(T(n - 1; z_p sqrt(n)) >= k sqrt(n)), z_p the upper p point of the normal distribution.

Source: NIST/SEMATECH e-Handbook 6.2; ISO 2859-1 and ISO 3951 for the kinds of plan. Table plans are those of
`qualrec.reference` (how each was obtained stands there).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import bdtr, betaln, ndtri, pdtr

from qualrec.errors import ComputeError
from qualrec.stats.capability_bounds import noncentral_t
from qualrec.stats.inputs import check_counts, check_share, spread
from qualrec.stats.results import FloatArray

MODELS = ("binomial", "hypergeometric", "poisson")
_MOST = 1_000_000


@dataclass(frozen=True, slots=True)
class AttributePlan:
    """Accept a lot with at most `c` nonconforming parts among `n`; Pa at the two points asked for."""

    n: int
    c: int
    pa_good: float
    pa_bad: float
    model: str


@dataclass(frozen=True, slots=True)
class VariablesPlan:
    """Accept where the distance of the mean from the limit is at least `k` standard deviations of `n`
    values."""

    n: int
    k: float
    pa_good: float
    pa_bad: float


@dataclass(frozen=True, slots=True, eq=False)
class OperatingCurve:
    """Chance of acceptance, average outgoing quality and average total inspection at the shares `p`."""

    p: FloatArray
    pa: FloatArray
    aoq: FloatArray
    ati: FloatArray
    aoql: float
    """Largest AOQ at any share (searched on 0 to 1)."""
    note: str


@dataclass(frozen=True, slots=True)
class VariablesVerdict:
    """`q` is (mean - lsl)/s or (usl - mean)/s, the smaller one with two limits."""

    n: int
    mean: float
    sd: float
    q: float
    k: float
    accept: bool
    note: str


def acceptance(n: int, c: int, p: ArrayLike, model: str = "binomial", lot: int | None = None) -> FloatArray:
    """Chance of acceptance at shares `p` (array of any shape, 0 to 1).

    Hypergeometric: the lot holds round(lot * p) nonconforming parts. Raises ComputeError for n < 1, c < 0, c
    >= n, shares outside 0 to 1, an unknown model, or a hypergeometric lot that is missing or smaller than n.
    """
    share = np.asarray(p, float)
    _check_plan(n, c, model, lot)
    if not ((share >= 0) & (share <= 1)).all():
        raise ComputeError("A share lies outside 0 to 1.", "Give shares, not percent.")
    if model == "binomial":
        return np.asarray(bdtr(c, n, share))
    if model == "poisson":
        return np.asarray(pdtr(c, n * share))
    return _hypergeometric(n, c, np.rint(share * (lot or 0)), int(lot or 0))


def operating_curve(
    n: int,
    c: int,
    p: ArrayLike,
    lot: int | None = None,
    model: str = "binomial",
    replaced: bool = False,
) -> OperatingCurve:
    """Pa, AOQ and ATI of a plan. Without `lot` ATI is nan and AOQ is Pa p. Raises as `acceptance`."""
    share = np.asarray(p, float)
    pa = acceptance(n, c, share, model, lot)
    if replaced and lot is None:
        raise ComputeError("Replacement needs the size of the lot.", "Give the lot size.")
    factor = (lot - n) / lot if replaced and lot is not None else 1.0
    ati = n + (1.0 - pa) * (lot - n) if lot is not None else np.full(share.shape, np.nan)
    note = "AOQ = Pa p (N - n)/N" if replaced else "AOQ = Pa p, without the (N - n)/N factor"
    return OperatingCurve(
        share, pa, pa * share * factor, np.asarray(ati), factor * _aoql(n, c, model, lot), note
    )


def find_plan(
    good: float, bad: float, producer_risk: float = 0.05, consumer_risk: float = 0.10,
    model: str = "binomial", lot: int | None = None,
) -> AttributePlan:  # fmt: skip
    """Plan with the smallest n: Pa(good) >= 1 - producer_risk and Pa(bad) <= consumer_risk.

    Raises ComputeError unless 0 < good < bad < 1 and both risks lie between 0 and 1, or where no plan exists.
    """
    _check_points(good, bad, producer_risk, consumer_risk)
    _check_plan(1, 0, model, lot)
    most = min(lot, _MOST) if model == "hypergeometric" and lot else _MOST
    for c in range(0, 2000):
        n = _smallest_n(c, bad, consumer_risk, model, lot, most)
        if n is None:
            break
        pa_good = float(acceptance(n, c, good, model, lot))
        if pa_good >= 1.0 - producer_risk:
            return AttributePlan(n, c, pa_good, float(acceptance(n, c, bad, model, lot)), model)
    raise ComputeError("No single plan meets both points.", "Move the points apart or accept larger risks.")


def variables_acceptance(n: int, k: float, p: ArrayLike) -> FloatArray:
    """Chance of acceptance of the k-method (one limit, sigma unknown) at shares `p`, 0 < p < 1."""
    if n < 2 or not np.isfinite(k):
        raise ComputeError(
            f"A plan of {n} values with k {k}.", "At least 2 values and a number k are needed."
        )
    share = np.asarray(p, float)
    if not ((share > 0) & (share < 1)).all():
        raise ComputeError("A share lies outside 0 to 1.", "Give shares above 0 and below 1.")
    root = np.sqrt(n)
    return np.asarray(1.0 - noncentral_t(n - 1, -ndtri(share) * root, k * root))


def find_variables_plan(
    good: float, bad: float, producer_risk: float = 0.05, consumer_risk: float = 0.10
) -> VariablesPlan:
    """k-method plan with the smallest n: for each n, k puts Pa(bad) at the consumer's risk."""
    from qualrec.stats.tolerance import k_one_sided

    _check_points(good, bad, producer_risk, consumer_risk)

    def pa_good(n: int) -> float:
        k = k_one_sided(n, 1.0 - bad, 1.0 - consumer_risk)
        return float(variables_acceptance(n, k, good))

    low = high = 2
    while pa_good(high) < 1.0 - producer_risk:
        low, high = high + 1, high * 2
        if low > _MOST:
            raise ComputeError(
                "No plan of fewer than a million values meets both points.", "Move the points apart."
            )
    while low < high:
        middle = (low + high) // 2
        low, high = (middle + 1, high) if pa_good(middle) < 1.0 - producer_risk else (low, middle)
    k = k_one_sided(low, 1.0 - bad, 1.0 - consumer_risk)
    return VariablesPlan(low, k, pa_good(low), float(variables_acceptance(low, k, bad)))


def judge_variables(
    values: ArrayLike, k: float, lsl: float | None = None, usl: float | None = None
) -> VariablesVerdict:
    """Accept where the smaller distance q >= k. With two limits each side must pass (no maximum-sd
    condition).

    Raises ComputeError without a limit, for crossed limits, fewer than 2 values, nan or inf, or no spread.
    """
    if lsl is None and usl is None:
        raise ComputeError("There is no specification limit.", "Give a lower limit, an upper limit, or both.")
    if lsl is not None and usl is not None and lsl >= usl:
        raise ComputeError("The lower limit is not below the upper limit.", "Check the two limits.")
    x = spread(values)
    mean, sd = float(x.mean()), float(x.std(ddof=1))
    sides = [(mean - lsl) / sd] if lsl is not None else []
    sides += [(usl - mean) / sd] if usl is not None else []
    q = min(sides)
    note = "One limit." if len(sides) == 1 else "Two limits: the smaller distance decides."
    return VariablesVerdict(int(x.size), mean, sd, q, float(k), q >= k, note)


def _hypergeometric(n: int, c: int, bad: FloatArray, lot: int) -> FloatArray:
    """P(at most c nonconforming in the sample), summed from log terms."""
    x = np.arange(c + 1.0)
    d = np.asarray(bad, float)[..., None]
    possible = (x <= d) & (n - x <= lot - d)
    safe_x, good = np.minimum(x, d), lot - d

    def choose(a: FloatArray, b: FloatArray) -> FloatArray:
        return np.asarray(-np.log1p(a) - betaln(a - b + 1.0, b + 1.0))

    rest = np.minimum(n - safe_x, good)
    terms = choose(d, safe_x) + choose(good, rest) - choose(np.asarray(float(lot)), np.asarray(float(n)))
    return np.asarray(np.minimum(np.where(possible, np.exp(terms), 0.0).sum(axis=-1), 1.0))


def _smallest_n(c: int, bad: float, risk: float, model: str, lot: int | None, most: int) -> int | None:
    """Smallest n with Pa(bad) <= risk; None where none up to `most`."""
    low, high = c + 1, c + 1
    while float(acceptance(high, c, bad, model, lot)) > risk:
        if high >= most:
            return None
        low, high = high + 1, min(high * 2, most)
    while low < high:
        middle = (low + high) // 2
        low, high = (
            (middle + 1, high) if float(acceptance(middle, c, bad, model, lot)) > risk else (low, middle)
        )
    return low


def _aoql(n: int, c: int, model: str, lot: int | None) -> float:
    """Largest Pa p, on a grid and then finer about its best point."""
    low, high = 0.0, 1.0
    for _ in range(4):
        p = np.linspace(low, high, 401)
        aoq = acceptance(n, c, p, model, lot) * p
        best = int(aoq.argmax())
        low, high = float(p[max(best - 1, 0)]), float(p[min(best + 1, 400)])
    return float(aoq.max())


def _check_plan(n: int, c: int, model: str, lot: int | None) -> None:
    check_counts(c, n, "allowed nonconforming")
    if c >= n:
        raise ComputeError(f"A plan of {n} parts that allows {c} accepts every lot.", "Allow fewer.")
    if model not in MODELS:
        raise ComputeError(f"Unknown model {model!r}.", f"Use one of {', '.join(MODELS)}.")
    if model == "hypergeometric" and (lot is None or lot < n):
        raise ComputeError(f"A sample of {n} from a lot of {lot}.", "Give a lot size of at least the sample.")


def _check_points(good: float, bad: float, producer_risk: float, consumer_risk: float) -> None:
    for value, name in ((good, "good share"), (bad, "bad share"), (producer_risk, "producer's risk"),
                        (consumer_risk, "consumer's risk")):  # fmt: skip
        check_share(value, name)
    if good >= bad:
        raise ComputeError("The good share is not below the bad share.", "Give good < bad.")
