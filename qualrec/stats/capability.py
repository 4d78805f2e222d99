"""Capability and performance indices of one characteristic, lots first.

The figures are those of `capability_batch`; here they get their bounds, names, counts and conventions in
words.

A within-lot index (Cp, Cpk) says what the process could do if lots did not differ; an overall index (Pp,
Ppk) says what the customer receives. The bound of an overall index is taken from the lot means and the
variance components: with 25 lots of five and a between/within variance ratio of 0.5 to 2 the bound for
independent values covers only 79 to 90 % (tests/benchmarks/coverage.py prints the table).

Source: ISO 22514-2, ISO 22514-4; bounds as in `capability_bounds`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import fdtrc, ndtr

from qualrec.errors import ComputeError
from qualrec.stats import capability_batch as batch
from qualrec.stats import capability_bounds as cb
from qualrec.stats.inputs import check_level, codes, finite
from qualrec.stats.results import Bound, FloatArray, Index, IntArray
from qualrec.stats.spread import Sigma


@dataclass(frozen=True, slots=True, eq=False)
class LotSummary:
    """Counts, means and standard deviations of lots, arrays of one length; `sd` is nan where n < 2."""

    n: IntArray
    mean: FloatArray
    sd: FloatArray


@dataclass(frozen=True, slots=True)
class Capability:
    """Indices of one characteristic with their bounds; `notes` says the conventions in words.

    `within` and `overall` hold only the indices that exist: with one limit there is no Cp or Pp.
    """

    n: int
    k: int
    mean: float
    sd_within: float
    sd_overall: float
    within_estimator: str
    lsl: float | None
    usl: float | None
    target: float | None
    within: tuple[Index, ...]
    overall: tuple[Index, ...]
    cpm: Index | None
    bound_lots: Bound | None
    """Bound of Ppk from the lots; None with one lot."""
    bound_independent: Bound
    """Bound of Ppk as if all values were independent; for comparison only."""
    n_effective: float
    df_effective: float
    between_share: float
    """Between-lot variance over total variance, 0 to 1; nan where it cannot be told (one lot, lots of one
    value)."""
    between_p: float
    """p-value of the F test that lots do not differ; nan where it cannot be told."""
    found_below: int | None
    found_above: int | None
    """Values beyond the limit (a value on a limit is not beyond it); None from rollups or without that
    limit."""
    estimated_below: float | None
    estimated_above: float | None
    """Share beyond the limit of a normal shape with the mean and the overall standard deviation."""
    notes: tuple[str, ...]

    def index(self, name: str) -> Index | None:
        """The index of that name (Cp, Cpk, Cpl, Cpu, Pp, Ppk, Ppl, Ppu, Cpm), or None where it does not
        exist."""
        for item in (*self.within, *self.overall, self.cpm):
            if item is not None and item.name == name:
                return item
        return None


def lot_summary(values: ArrayLike, lot_ids: ArrayLike | None = None) -> LotSummary:
    """Counts, means and standard deviations per lot, lots in order of first appearance.

    `values` 1-D; `lot_ids` of the same length (texts or numbers), None = one lot. Means and squares are
    summed about the first value of each lot, so data far from zero keep their digits. Raises ComputeError
    for nan or inf, for unequal lengths and for no values.
    """
    x = finite(values)
    lot = np.zeros(x.size, dtype=np.int64) if lot_ids is None else codes(lot_ids, x.size, "lot")[0]
    n = np.bincount(lot)
    first = x[np.unique(lot, return_index=True)[1]]
    away = x - first[lot]
    centre = np.bincount(lot, weights=away) / n
    squares = np.bincount(lot, weights=np.square(away - centre[lot]))
    with np.errstate(invalid="ignore", divide="ignore"):
        sd = np.where(n > 1, np.sqrt(squares / (n - 1.0)), np.nan)
    return LotSummary(n.astype(np.int64), first + centre, sd)


def capability(
    lots: LotSummary,
    lsl: float | None,
    usl: float | None,
    target: float | None = None,
    level: float = 0.95,
    within: Sigma | None = None,
) -> Capability:
    """Indices from lot summaries; formulas in `capability_batch`. `within`: another estimate of sigma within
    lots.

    Raises ComputeError where there is no limit, the limits are crossed, a limit, target or lot figure is not
    finite, fewer than two values, or no spread. Documented answers: one lot gives no lot bound (`bound_lots`
    None) and says so; lots without spread inside give no within-lot index; a mean beyond a limit gives a
    negative index.
    """
    b = _one_row(lots, lsl, usl, target, level, within)
    m, k, n, f = b.moments, int(b.moments.k[0]), int(b.moments.n[0]), float(b.moments.f_ratio[0])
    mean, sd = float(m.mean[0]), float(b.sd_overall[0])
    name = "mean moving range/d2" if b.moving_range[0] else "pooled s/c4"
    within_name = name if within is None else within.estimator
    overall = _indices(b, (*batch.OVERALL, "Cpm"), "overall s", float(m.df_total[0]))
    known = k > 1 and m.df_within[0] > 0
    return Capability(
        n=n,
        k=k,
        mean=mean,
        sd_within=float(b.sd_within[0]),
        sd_overall=sd,
        within_estimator=within_name,
        lsl=lsl,
        usl=usl,
        target=target,
        within=_indices(b, batch.WITHIN, within_name, float(b.df_within[0])),
        overall=tuple(i for i in overall if i.name != "Cpm"),
        cpm=next((i for i in overall if i.name == "Cpm"), None),
        bound_lots=next(i.bound for i in overall if i.name == "Ppk") if k > 1 else None,
        bound_independent=Bound(float(b.independent[0]), level, "lower", _method(b, lots_first=False)),
        n_effective=float(m.n_effective[0]),
        df_effective=float(m.df_total[0]),
        between_share=float(m.var_between[0] / m.var_total[0]) if known else float("nan"),
        between_p=float(fdtrc(k - 1, n - k, f)) if known and np.isfinite(f) else float("nan"),
        found_below=None,
        found_above=None,
        estimated_below=None if lsl is None else float(ndtr((lsl - mean) / sd)),
        estimated_above=None if usl is None else float(ndtr((mean - usl) / sd)),
        notes=_notes(b, within_name, lsl, usl),
    )


def _one_row(
    lots: LotSummary,
    lsl: float | None,
    usl: float | None,
    target: float | None,
    level: float,
    within: Sigma | None,
) -> batch.CapabilityBatch:
    """The batch of one characteristic; a row that cannot be computed raises ComputeError."""
    low, high, goal = (np.nan if x is None else float(x) for x in (lsl, usl, target))
    if any(x is not None and not np.isfinite(x) for x in (lsl, usl, target)):
        raise ComputeError("A limit or the target is not a number.", "Leave a limit that does not exist out.")
    given = None if within is None else (within.value, within.df)
    rollups = (lots.n[None, :], lots.mean[None, :], lots.sd[None, :])
    b = batch.capability_batch(*rollups, low, high, goal, level, given)
    if b.problem[0]:
        raise _refusal(b.problem[0], int(b.moments.n[0]))
    return b


def capability_of_values(
    values: ArrayLike,
    lsl: float | None,
    usl: float | None,
    target: float | None = None,
    lot_ids: ArrayLike | None = None,
    level: float = 0.95,
    within: Sigma | None = None,
) -> Capability:
    """`capability` of plain values, with the values found beyond the limits counted. Without `lot_ids`:
    one lot."""
    x = finite(values)
    result = capability(lot_summary(x, lot_ids), lsl, usl, target, level, within)
    return replace(
        result,
        found_below=None if lsl is None else int((x < lsl).sum()),
        found_above=None if usl is None else int((x > usl).sum()),
    )


def _indices(b: batch.CapabilityBatch, names: Sequence[str], estimator: str, df: float) -> tuple[Index, ...]:
    """Row 0 of the batch as Index objects; those without a value are left out."""
    overall = names is not batch.WITHIN
    found = []
    for name in names:
        value = float(b.values[name][0])
        if np.isfinite(value):
            method = _method(b, lots_first=overall and b.moments.k[0] > 1, name=name)
            bound = Bound(float(b.bounds[name][0]), b.level, "lower", method)
            found.append(Index(name, value, bound, estimator, int(b.moments.n[0]), int(b.moments.k[0]), df))
    return tuple(found)


def _method(b: batch.CapabilityBatch, *, lots_first: bool, name: str = "Ppk") -> str:
    """How the bound was obtained, in words."""
    two = bool(np.isfinite(b.values["Pp"][0])) and name in ("Cpk", "Ppk")
    if name in ("Cp", "Pp", "Cpm"):
        way = "chi-square"
    elif two and not lots_first and (b.moments.k[0] == 1 or name == "Ppk"):
        way = "Bissell normal approximation"
    else:
        way = "smaller of two non-central t bounds" if two else "non-central t"
    if lots_first:
        f, m = float(b.moments.df_total[0]), float(b.moments.n_effective[0])
        return f"from the lots: {way}, {f:.1f} effective degrees of freedom, {m:.1f} effective values"
    return f"{way}, values within a lot independent" if name in batch.WITHIN else f"{way}, independent values"


def _notes(
    b: batch.CapabilityBatch, within_name: str, lsl: float | None, usl: float | None
) -> tuple[str, ...]:
    """The conventions used and what the reader must know."""
    m = b.moments
    notes = [
        f"Cp, Cpk use the {within_name}; Pp, Ppk use the standard deviation of all values.",
        f"Every bound is a one-sided {b.level * 100:g} % lower bound.",
    ]
    if lsl is None or usl is None:
        notes.append("One limit only: no Cp and no Pp; Cpk and Ppk are the index against that limit.")
    if m.k[0] == 1:
        notes.append("One lot: the spread between lots is not seen, and within and overall are the same.")
    elif b.moving_range[0]:
        notes.append("Lots of one value: the within-lot spread is taken from successive lots.")
    elif not np.isfinite(b.sd_within[0]):
        notes.append("No spread inside any lot: no Cp, no Cpk. Look at the resolution of the gauge.")
    elif fdtrc(m.k[0] - 1.0, m.df_within[0], m.f_ratio[0]) < 0.05:
        notes.append(
            "Lots differ: Cp and Cpk leave that out and do not stand alone; read Ppk and its lot bound."
        )
    if float(b.values["Ppk"][0]) < 0:
        notes.append("The mean lies beyond a limit: the index is negative.")
    return tuple(notes)


_REFUSALS = {
    batch.NO_LIMIT: ("There is no specification limit.", "Give a lower limit, an upper limit, or both."),
    batch.CROSSED: ("The lower limit is not below the upper limit.", "Check the two limits."),
    batch.NOT_FINITE: (
        "A lot figure is missing, infinite, too large to square, or negative.",
        "Rebuild the lot's figures.",
    ),
    batch.TOO_FEW: ("An index needs at least 2 values; {n} found.", "Wait for more readings."),
    batch.NO_SPREAD: (
        "All {n} values are the same, so no index can be told.",
        "Check the resolution of the gauge and whether the readings were copied.",
    ),
}


def _refusal(word: str, n: int) -> ComputeError:
    message, remedy = _REFUSALS[word]
    return ComputeError(message.format(n=n), remedy)


def needed_n(claimed: float, observed: float, level: float = 0.95, kind: str = "one-sided") -> int:
    """Smallest n of independent values at which the lower bound of an index `observed` reaches `claimed`.

    `kind`: "one-sided" (non-central t), "two-sided" (Bissell), "spread" (Cp, Pp; chi-square). The bound
    rises with n. Raises ComputeError unless observed > claimed > 0, or where more than 10 million values
    would be needed.
    """
    check_level(level)
    if not (np.isfinite(claimed) and np.isfinite(observed) and observed > claimed > 0):
        raise ComputeError(
            f"No number of values shows {claimed:g} from an observed index of {observed:g}.",
            "The observed index must lie above the claimed one, and both above 0.",
        )
    forms = {"one-sided": cb.bound_one_sided, "two-sided": cb.bound_two_sided}
    if kind not in (*forms, "spread"):
        raise ComputeError(f"Unknown kind {kind!r}.", "Use 'one-sided', 'two-sided' or 'spread'.")

    def short(n: int) -> bool:
        if kind == "spread":
            return float(cb.bound_spread(observed, n - 1, level)) < claimed
        return float(forms[kind](observed, n, n - 1, level)) < claimed

    return _smallest(short, 2, 10_000_000)


def needed_lots(claimed: float, observed: float, per_lot: int, ratio: float, level: float = 0.95) -> int:
    """Smallest number of lots of `per_lot` values at which the lot bound of a one-sided index reaches
    `claimed`.

    `ratio` = between-lot variance / within-lot variance, as expected or as estimated. The lots are taken to
    show exactly these variances. Raises ComputeError as `needed_n`, and for per_lot < 1 or a negative ratio.
    """
    check_level(level)
    if not (np.isfinite(claimed) and np.isfinite(observed) and observed > claimed > 0):
        raise ComputeError(
            f"No number of lots shows {claimed:g} from an observed index of {observed:g}.",
            "The observed index must lie above the claimed one, and both above 0.",
        )
    if per_lot < 1 or not (np.isfinite(ratio) and ratio >= 0):
        raise ComputeError(
            f"{per_lot} values per lot and a variance ratio of {ratio} were given.",
            "Give at least 1 value per lot and a ratio of 0 or more.",
        )
    return _smallest(lambda k: lots_bound(observed, k, per_lot, ratio, level) < claimed, 2, 10_000_000)


def lots_bound(observed: float, k: int, per_lot: int, ratio: float, level: float = 0.95) -> float:
    """Lower bound of a one-sided index that `k` lots of `per_lot` values show at the index `observed`.

    `ratio` = between-lot variance / within-lot variance; the lots are taken to show exactly these variances. Degrees of
    freedom by `effective_df`. Raises ComputeError for k < 2, per_lot < 1 and a negative ratio.
    """
    if k < 2 or per_lot < 1 or not (np.isfinite(ratio) and ratio >= 0):
        raise ComputeError(
            f"{k} lots of {per_lot} values and a variance ratio of {ratio} were given.",
            "Give at least 2 lots, 1 value per lot and a ratio of 0 or more.",
        )
    means, rest = ratio + 1.0 / per_lot, 1.0 - 1.0 / per_lot
    df = cb.effective_df(means, k - 1, rest, k * (per_lot - 1), level)
    return float(cb.bound_one_sided(observed, k * (means + rest) / means, df, level))


def _smallest(short: Callable[[int], bool], low: int, most: int) -> int:
    """Smallest count from `low` on that is not `short`; `short` must turn from True to False once."""
    high = low
    while short(high):
        low, high = high + 1, high * 2
        if low > most:
            raise ComputeError(f"More than {most} would be needed.", "Claim less, or raise the index first.")
    while low < high:
        middle = (low + high) // 2
        low, high = (middle + 1, high) if short(middle) else (low, middle)
    return low
