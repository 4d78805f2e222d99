"""Agreement of people who call a class, e.g. the failure mode of a weld: kappa with intervals.

    kappa = (found - expected by chance) / (1 - expected by chance)
Cohen (two judges, each with own shares): variance of Fleiss, Cohen & Everitt (1969). Fleiss (several judges
per part, shares common): variance by leaving out one part at a time (jackknife), because the usual formula
holds only where agreement is by chance. 0 means no better than chance, 1 complete agreement.

Source: Cohen, Educ. Psych. Measurement 20 (1960) 37; Fleiss, Cohen & Everitt, Psych. Bulletin 72 (1969) 323;
Fleiss, Psych. Bulletin 76 (1971) 378.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import ndtri, stdtrit

from qualrec.errors import ComputeError
from qualrec.stats.inputs import check_level
from qualrec.stats.proportions import clopper_pearson
from qualrec.stats.results import FloatArray, IntArray, Interval


@dataclass(frozen=True, slots=True)
class Kappa:
    """Agreement in one figure. `standard_error` 0 where agreement is complete."""

    value: float
    standard_error: float
    interval: Interval
    found: float
    expected: float
    n: int
    note: str


@dataclass(frozen=True, slots=True)
class AgainstReference:
    """One judge against the known class. `missed`: called good though bad; `false_alarm`: the other way
    round.

    Both are given only where one class is named as the good one.
    """

    judge: str
    kappa: Kappa
    right: int
    n: int
    share: Interval
    missed: Interval | None
    false_alarm: Interval | None


MOST_CLASSES = 200


def cohen_table(table: ArrayLike, level: float = 0.95) -> Kappa:
    """Kappa of a square table of counts, rows = first judge, columns = second.

    Raises ComputeError for a table that is not square, negative or no counts, or one class only (chance
    agreement is then complete and kappa is not defined).
    """
    check_level(level, 0.0)
    t = np.asarray(table, float)
    if t.ndim != 2 or t.shape[0] != t.shape[1] or not np.isfinite(t).all() or (t < 0).any() or t.sum() <= 0:
        raise ComputeError("The table is not a square table of counts.", "One row and column per class.")
    n = float(t.sum())
    p = t / n
    row, column = p.sum(axis=1), p.sum(axis=0)
    found, expected = float(np.trace(p)), float((row * column).sum())
    if expected >= 1.0:
        raise ComputeError("Both judges used one class only.", "Show parts of at least two classes.")
    k = (found - expected) / (1.0 - expected)
    own = (np.diag(p) * (1.0 - (row + column) * (1.0 - k)) ** 2).sum()
    cross = p * (column[:, None] + row[None, :]) ** 2
    other = (1.0 - k) ** 2 * (cross.sum() - np.trace(cross))
    variance = (own + other - (k - expected * (1.0 - k)) ** 2) / (n * (1.0 - expected) ** 2)
    se = float(np.sqrt(max(variance, 0.0)))
    half = float(ndtri(0.5 + level / 2.0)) * se
    interval = Interval(
        max(k - half, -1.0), min(k + half, 1.0), level, "normal approximation, Fleiss et al. 1969"
    )
    return Kappa(k, se, interval, found, expected, int(n), _word(k))


def cohen(first: ArrayLike, second: ArrayLike, level: float = 0.95) -> Kappa:
    """Kappa of two judges from their calls, one label per part. Raises ComputeError as `cohen_table`."""
    a, b, classes = _two(first, second)
    size = len(classes)
    if size > MOST_CLASSES:
        raise ComputeError(
            f"{size} different calls are no classes.", "Give the class of each call, not a value."
        )
    table = np.bincount(a * size + b, minlength=size * size).reshape(size, size)
    return cohen_table(table, level)


def fleiss(counts: ArrayLike, level: float = 0.95) -> Kappa:
    """Kappa of parts (rows) by classes (columns); each entry counts the judges who called that class.

    The number of calls may differ from part to part but must be 2 or more. Interval by jackknife over parts
    with Student's t. Raises ComputeError for fewer than 3 parts, a part with fewer than 2 calls, one class
    only.
    """
    check_level(level, 0.0)
    t = np.asarray(counts, float)
    if t.ndim != 2 or t.shape[0] < 3 or not np.isfinite(t).all() or (t < 0).any():
        raise ComputeError("The table is not a table of counts of 3 parts or more.", "One row per part.")
    calls = t.sum(axis=1)
    if (calls < 2).any():
        bad = int(np.flatnonzero(calls < 2)[0]) + 1
        raise ComputeError(f"Part {bad} has fewer than 2 calls.", "Leave it out, or have it judged again.")
    if (t.sum(axis=0) > 0).sum() < 2:
        raise ComputeError("All judges used one class only.", "Show parts of at least two classes.")
    agree = ((t * (t - 1.0)).sum(axis=1)) / (calls * (calls - 1.0))
    n = t.shape[0]
    k, found, expected = _fleiss_value(agree.sum(), t.sum(axis=0), n)
    left = np.array([_fleiss_value(agree.sum() - agree[i], t.sum(axis=0) - t[i], n - 1)[0] for i in range(n)])
    pseudo = n * k - (n - 1) * left
    se = float(pseudo.std(ddof=1) / np.sqrt(n)) if np.isfinite(pseudo).all() else float("nan")
    half = float(stdtrit(n - 1, 0.5 + level / 2.0)) * se
    interval = Interval(max(k - half, -1.0), min(k + half, 1.0), level, "jackknife over parts")
    return Kappa(float(k), se, interval, float(found), float(expected), n, _word(float(k)))


def fleiss_per_class(counts: ArrayLike, level: float = 0.95) -> tuple[Kappa, ...]:
    """Kappa of each class against all others, in the order of the columns; a class never called is
    refused."""
    t = np.asarray(counts, float)
    if t.ndim != 2:
        raise ComputeError("The table is not a table of counts.", "One row per part, one column per class.")
    return tuple(
        fleiss(np.stack([t[:, j], t.sum(axis=1) - t[:, j]], axis=1), level) for j in range(t.shape[1])
    )


def counts_of(calls: ArrayLike) -> tuple[FloatArray, tuple[str, ...]]:
    """Table for `fleiss` from labels of shape (parts, calls per part), and the class names in sorted
    order."""
    labels = np.asarray(calls)
    if labels.ndim != 2:
        raise ComputeError("The calls are not a table.", "One row per part, one column per judge or trial.")
    classes, code = np.unique(labels, return_inverse=True)
    code = code.reshape(labels.shape)
    table = np.stack([(code == j).sum(axis=1) for j in range(classes.size)], axis=1)
    return table.astype(float), tuple(str(c) for c in classes)


def against_reference(
    judge: str, calls: ArrayLike, reference: ArrayLike, good: str | None = None, level: float = 0.95
) -> AgainstReference:
    """One judge's calls against the known classes, one label per part.

    `good` names the class that is not a failure; then the shares of missed failures and of false alarms are
    given. Raises ComputeError as `cohen_table`.
    """
    a, b, classes = _two(calls, reference)
    kappa = cohen(calls, reference, level)
    right = int((a == b).sum())
    missed = false_alarm = None
    if good is not None:
        if good not in classes:
            raise ComputeError(f"No part is called {good!r}.", f"Known classes: {', '.join(classes)}.")
        g = classes.index(good)
        bad, fine = b != g, b == g
        if bad.any():
            missed = clopper_pearson(int((a[bad] == g).sum()), int(bad.sum()), level)
        if fine.any():
            false_alarm = clopper_pearson(int((a[fine] != g).sum()), int(fine.sum()), level)
    share = clopper_pearson(right, a.size, level)
    return AgainstReference(judge, kappa, right, int(a.size), share, missed, false_alarm)


def _fleiss_value(agree: float, totals: FloatArray, n: int) -> tuple[float, float, float]:
    found = agree / n
    share = totals / totals.sum()
    expected = float((share * share).sum())
    return (found - expected) / (1.0 - expected) if expected < 1.0 else float("nan"), found, expected


def _two(first: ArrayLike, second: ArrayLike) -> tuple[IntArray, IntArray, tuple[str, ...]]:
    a, b = np.asarray(first).astype(str), np.asarray(second).astype(str)
    if a.shape != b.shape or a.ndim != 1 or a.size == 0:
        raise ComputeError(f"{a.size} calls against {b.size}.", "Give one call of each judge per part.")
    classes, code = np.unique(np.concatenate([a, b]), return_inverse=True)
    code = code.astype(np.int64)
    return code[: a.size], code[a.size :], tuple(str(c) for c in classes)


def _word(k: float) -> str:
    """AIAG MSA 4 (from memory): above 0.75 good agreement, below 0.40 poor."""
    if k > 0.75:
        return "good agreement (above 0.75; AIAG MSA 4, from memory)"
    return (
        "poor agreement (below 0.40; AIAG MSA 4, from memory)"
        if k < 0.40
        else "neither good nor poor agreement"
    )
