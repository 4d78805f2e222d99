"""Gauge studies: crossed (ANOVA; average and range), nested for destructive pulls, and levels in time.

EV repeatability, AV reproducibility (people), INT people by parts, GRR = sqrt(EV^2 + AV^2 + INT^2), PV parts,
TV = sqrt(GRR^2 + PV^2); all standard deviations. %study = 100 x / TV, %contribution = 100 x^2 / TV^2.
%tolerance = 100 * 6 x / (usl - lsl). With one limit half a tolerance is taken as |mean of the parts - limit|:
%tolerance = 100 * 3 x / |mean - limit| (stated convention, no source; it depends on the parts of the study).
ndc = 1.41 PV / GRR, truncated.

Crossed ANOVA, random parts and people, balanced: interaction pooled with repeatability where its p > 0.05
(option); negative components set to 0 and said so. Average and range: EV = Rbar K1, AV = sqrt((Xdiff K2)^2 -
EV^2/(parts trials)), PV = Rp K3; K = 1/d2*(size, groups), d2*^2 = d2^2 + d3^2/groups (K1: d2, many groups);
full precision.

Source: AIAG MSA 4 (from memory); NIST/SEMATECH e-Handbook 2.4; d2*: Duncan, Quality Control and Industrial
Statistics.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import fdtrc

from qualrec.errors import ComputeError
from qualrec.stats.components import Components, nested_components
from qualrec.stats.constants import d2, d3
from qualrec.stats.inputs import codes, finite, spread
from qualrec.stats.results import FloatArray, Interval

MULTIPLIER = 6.0
"""Standard deviations that a study variation or a tolerance is compared with."""


@dataclass(frozen=True, slots=True)
class AnovaRow:
    """One line of the analysis; F and p are nan where there is no test."""

    source: str
    df: int
    ss: float
    ms: float
    f: float
    p: float


@dataclass(frozen=True, slots=True)
class GaugePart:
    """One part of the variation as standard deviation; `tolerance` is nan without a limit."""

    name: str
    sd: float
    study: float
    contribution: float
    tolerance: float


@dataclass(frozen=True, slots=True)
class GaugeStudy:
    """Result of a study; `variances` holds part, person, interaction, repeatability before roots are
    taken."""

    method: str
    parts: tuple[GaugePart, ...]
    ndc_raw: float
    ndc: int
    table: tuple[AnovaRow, ...]
    variances: dict[str, float]
    intervals: dict[str, Interval]
    pooled: bool
    counts: tuple[int, int, int]
    """Parts, people, trials."""
    notes: tuple[str, ...]

    def part(self, name: str) -> GaugePart:
        """EV, AV, INT, GRR, PV or TV; KeyError for another name."""
        for item in self.parts:
            if item.name == name:
                return item
        raise KeyError(name)


def gauge_anova(
    values: ArrayLike,
    parts: ArrayLike,
    people: ArrayLike,
    lsl: float | None = None,
    usl: float | None = None,
    pool_above: float = 0.05,
) -> GaugeStudy:
    """Crossed study by analysis of variance; every person measures every part equally often, at least twice.

    `pool_above`: the interaction is pooled where its p-value lies above this (1 = never pool). Raises
    ComputeError for a study that is not balanced, fewer than 2 parts, people or trials, nan or inf, no
    spread.
    """
    cells = _cells(values, parts, people)
    a, b, r = cells.shape
    ss_part, ss_person, ss_cross, ss_repeat = _sums(cells)
    df = (a - 1, b - 1, (a - 1) * (b - 1), a * b * (r - 1))
    ms = [s / d for s, d in zip((ss_part, ss_person, ss_cross, ss_repeat), df, strict=True)]
    f_cross = ms[2] / ms[3] if ms[3] > 0 else math.inf
    p_cross = float(fdtrc(df[2], df[3], f_cross)) if math.isfinite(f_cross) else 0.0
    pooled = p_cross > pool_above
    error, error_df = ((ss_cross + ss_repeat) / (df[2] + df[3]), df[2] + df[3]) if pooled else (ms[2], df[2])
    rows = _anova_rows(df, (ss_part, ss_person, ss_cross, ss_repeat), pooled, f_cross, p_cross)
    repeat = error if pooled else ms[3]
    raw = {
        "part": (ms[0] - error) / (b * r),
        "person": (ms[1] - error) / (a * r),
        "interaction": 0.0 if pooled else (ms[2] - ms[3]) / r,
        "repeatability": repeat,
    }
    notes = [f"Interaction p = {p_cross:.3f}: " + ("pooled with repeatability." if pooled else "kept.")]
    notes += [f"The {name} variance came out negative and is set to 0." for name, v in raw.items() if v < 0]
    variances = {name: max(v, 0.0) for name, v in raw.items()}
    intervals = {"repeatability": _chi_square(repeat, error_df if pooled else df[3])}
    return _study("crossed, analysis of variance", variances, intervals, rows, pooled, (a, b, r), float(cells.mean()),
                  (lsl, usl), notes)  # fmt: skip


def _sums(cells: FloatArray) -> tuple[float, float, float, float]:
    """Sums of squares: parts, people, people by parts, repeatability."""
    a, b, r = cells.shape
    mean, by_part, by_person = cells.mean(), cells.mean(axis=(1, 2)), cells.mean(axis=(0, 2))
    by_cell = cells.mean(axis=2)
    rest = by_cell - by_part[:, None] - by_person[None, :] + mean
    return (
        b * r * float(np.square(by_part - mean).sum()),
        a * r * float(np.square(by_person - mean).sum()),
        r * float(np.square(rest).sum()),
        float(np.square(cells - by_cell[:, :, None]).sum()),
    )


def _anova_rows(
    df: tuple[int, int, int, int], ss: tuple[float, float, float, float], pooled: bool, f: float, p: float
) -> tuple[AnovaRow, ...]:
    """Lines of the analysis; parts and people are tested against the interaction, or the pooled error."""
    error_df = df[2] + df[3] if pooled else df[2]
    error = (ss[2] + ss[3] if pooled else ss[2]) / error_df
    rows = [_row("parts", df[0], ss[0], error, error_df), _row("people", df[1], ss[1], error, error_df)]
    if pooled:
        rows.append(AnovaRow("repeatability, pooled", error_df, ss[2] + ss[3], error, math.nan, math.nan))
    else:
        rows.append(AnovaRow("people by parts", df[2], ss[2], ss[2] / df[2], f, p))
        rows.append(AnovaRow("repeatability", df[3], ss[3], ss[3] / df[3], math.nan, math.nan))
    rows.append(AnovaRow("total", sum(df), sum(ss), math.nan, math.nan, math.nan))
    return tuple(rows)


def gauge_average_range(
    values: ArrayLike,
    parts: ArrayLike,
    people: ArrayLike,
    lsl: float | None = None,
    usl: float | None = None,
    factors: tuple[float, float, float] | None = None,
) -> GaugeStudy:
    """Crossed study by averages and ranges. `factors`: K1, K2, K3 of a printed table, to redo a printed
    study; else they are computed at full precision. Raises ComputeError as `gauge_anova`."""
    cells = _cells(values, parts, people)
    a, b, r = cells.shape
    k1, k2, k3 = factors or (1.0 / d2(r), 1.0 / _d2_star(b), 1.0 / _d2_star(a))
    ev = float(np.ptp(cells, axis=2).mean()) * k1
    x_diff = float(np.ptp(cells.mean(axis=(0, 2))))
    r_p = float(np.ptp(cells.mean(axis=(1, 2))))
    av2 = (x_diff * k2) ** 2 - ev * ev / (a * r)
    notes = ["No interaction is told apart by this method."]
    if av2 < 0:
        notes.append("The person variance came out negative and is set to 0.")
    variances = {
        "part": (r_p * k3) ** 2,
        "person": max(av2, 0.0),
        "interaction": 0.0,
        "repeatability": ev**2,
    }
    return _study("crossed, average and range", variances, {}, (), False, (a, b, r), float(cells.mean()),
                  (lsl, usl), notes)  # fmt: skip


def gauge_nested(
    values: ArrayLike,
    batches: ArrayLike,
    people: ArrayLike,
    lsl: float | None = None,
    usl: float | None = None,
) -> GaugeStudy:
    """Destructive study: each person tests own pieces of batches that are as alike as they can be; counts
    may differ.

    Repeatability then holds the differences of the pieces inside a batch, so GRR is an upper figure; said in
    a note. Raises ComputeError as `nested_components`.
    """
    y = spread(values)
    found = nested_components(y, {"person": people, "batch": batches})
    variances = {
        "part": found.part("batch").variance,
        "person": found.part("person").variance,
        "interaction": 0.0,
        "repeatability": found.part("within").variance,
    }
    names = {"part": "batch", "person": "person", "repeatability": "within"}
    intervals = {name: found.part(level).interval for name, level in names.items()}
    notes = [
        *found.notes,
        "Repeatability holds the differences of the pieces inside a batch: GRR is at most this.",
    ]
    counts = (found.part("batch").groups, found.part("person").groups, int(y.size))
    return _study("nested, destructive", variances, intervals, _nested_rows(found), False, counts, float(y.mean()),
                  (lsl, usl), notes)  # fmt: skip


@dataclass(frozen=True, slots=True)
class TimeLevels:
    """Short-term and day-to-day standard deviations of a gauge measured over days (NIST 2.4)."""

    repeatability_sd: float
    repeatability_df: float
    level2_sd: float
    level2_df: float


def gauge_time_levels(sds: ArrayLike, repeats: int, averages: ArrayLike, groups: ArrayLike) -> TimeLevels:
    """Pooled short-term sd of `sds` (each from `repeats` values) and the pooled sd of `averages` inside
    `groups`.

    Root mean squares weighted with degrees of freedom, no c4. Raises ComputeError for unequal lengths, nan
    or inf, fewer than 2 repeats or no group with two averages.
    """
    s, x = finite(sds, "standard deviations"), finite(averages, "averages")
    if s.size != x.size or repeats < 2 or (s < 0).any():
        raise ComputeError(
            f"{s.size} sds of {repeats} repeats, {x.size} averages.", "Give one sd per average, >= 2 repeats."
        )
    code, _ = codes(groups, x.size)
    n = np.bincount(code)
    df = float(x.size - n.size)
    if df < 1:
        raise ComputeError("No group holds two averages.", "Measure each check standard on several days.")
    away = x - x[0]
    mean = np.bincount(code, weights=away) / n
    level2 = math.sqrt(float(np.square(away - mean[code]).sum()) / df)
    return TimeLevels(math.sqrt(float((s * s).mean())), float(s.size * (repeats - 1)), level2, df)


def _cells(values: ArrayLike, parts: ArrayLike, people: ArrayLike) -> FloatArray:
    """Values as an array of shape (parts, people, trials)."""
    y = spread(values)
    part, part_names = codes(parts, y.size, "part")
    person, person_names = codes(people, y.size, "person")
    a, b = len(part_names), len(person_names)
    count = np.bincount(part * b + person, minlength=a * b).reshape(a, b)
    if a < 2 or b < 2:
        raise ComputeError(f"{a} parts and {b} people.", "At least two of each are needed.")
    if count.min() != count.max():
        i, j = (int(v) for v in np.argwhere(count != count.max())[0])
        raise ComputeError(
            f"Part {part_names[i]}, person {person_names[j]}: {count[i, j]} values, others {count.max()}.",
            "Every person must measure every part equally often.",
        )
    if count.max() < 2:
        raise ComputeError("One trial only.", "At least two trials are needed to see repeatability.")
    return y[np.lexsort((np.arange(y.size), person, part))].reshape(a, b, -1)


def _row(source: str, df: int, ss: float, error: float, error_df: int) -> AnovaRow:
    ms = ss / df
    f = ms / error if error > 0 else math.inf
    return AnovaRow(source, df, ss, ms, f, float(fdtrc(df, error_df, f)) if math.isfinite(f) else 0.0)


def _nested_rows(found: Components) -> tuple[AnovaRow, ...]:
    rows = []
    for i, (part, ms, df) in enumerate(zip(found.parts, found.mean_squares, found.df, strict=True)):
        last = i == len(found.parts) - 1
        below = math.nan if last else found.mean_squares[i + 1]
        f = ms / below if not last and below > 0 else math.nan
        p = float(fdtrc(df, found.df[i + 1], f)) if math.isfinite(f) else math.nan
        rows.append(AnovaRow(part.name, df, ms * df, ms, f, p))
    return tuple(rows)


def _chi_square(variance: float, df: int, level: float = 0.95) -> Interval:
    from scipy.special import chdtri

    a = (1.0 - level) / 2.0
    return Interval(
        df * variance / float(chdtri(df, a)), df * variance / float(chdtri(df, 1.0 - a)), level, "chi-square"
    )


def _d2_star(size: int) -> float:
    """d2* of one group: root of the mean square of a range."""
    return math.hypot(d2(size), d3(size))


def _study(
    method: str,
    variances: dict[str, float],
    intervals: dict[str, Interval],
    table: tuple[AnovaRow, ...],
    pooled: bool,
    counts: tuple[int, int, int],
    mean: float,
    limits: tuple[float | None, float | None],
    notes: list[str],
) -> GaugeStudy:
    sds = {
        "EV": math.sqrt(variances["repeatability"]),
        "AV": math.sqrt(variances["person"]),
        "INT": math.sqrt(variances["interaction"]),
        "PV": math.sqrt(variances["part"]),
    }
    sds["GRR"] = math.sqrt(sds["EV"] ** 2 + sds["AV"] ** 2 + sds["INT"] ** 2)
    sds["TV"] = math.hypot(sds["GRR"], sds["PV"])
    width, note = _tolerance(limits, mean)
    notes.append(note)
    tv = sds["TV"]
    parts = tuple(
        GaugePart(n, sds[n], 100 * sds[n] / tv, 100 * (sds[n] / tv) ** 2, 100 * MULTIPLIER * sds[n] / width)
        for n in ("EV", "AV", "INT", "GRR", "PV", "TV")
    )
    raw = 1.41 * sds["PV"] / sds["GRR"] if sds["GRR"] > 0 else math.inf
    ndc = math.floor(raw) if math.isfinite(raw) else 0
    if not math.isfinite(raw):
        notes.append("No gauge variation was seen, so ndc cannot be told (0 is given).")
    return GaugeStudy(method, parts, raw, ndc, table, variances, intervals, pooled, counts, tuple(notes))


def _tolerance(limits: tuple[float | None, float | None], mean: float) -> tuple[float, str]:
    """Width that 6 standard deviations are compared with, and the convention in words."""
    low, high = limits
    if any(x is not None and not math.isfinite(x) for x in limits):
        raise ComputeError("A limit is not a number.", "Leave a limit that does not exist out.")
    if low is not None and high is not None:
        if low >= high:
            raise ComputeError("The lower limit is not below the upper limit.", "Check the two limits.")
        return high - low, "%tolerance = 6 sd / (usl - lsl)."
    limit = low if low is not None else high
    if limit is None:
        return math.nan, "No limit: no %tolerance."
    half = abs(mean - limit)
    text = "One limit: %tolerance = 3 sd / |mean of the study - limit|, our convention."
    return (
        (2.0 * half, text)
        if half > 0
        else (math.nan, "The mean of the study lies on the limit: no %tolerance.")
    )
