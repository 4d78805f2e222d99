"""Trial limits of the first phase: from which lots, which were left out and why. Freezing is stored elsewhere."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from qualrec.assess.chart_data import CHART_KINDS, first_phase, part_of
from qualrec.assess.loading import Choice, Conn, choose, series_of
from qualrec.errors import ComputeError, UnknownRecord, UsageError
from qualrec.records import lookups
from qualrec.stats.constants import c4
from qualrec.stats.results import Chart, Frozen
from qualrec.values import Characteristic, LeftOut, LotSeries

FEWEST_LOTS_ADVISED = 25


@dataclass(frozen=True, slots=True, eq=False)
class TrialLimits:
    """Limits worked out from lots, ready to be stored and frozen.

    `chart` holds all points of `series`; `fields` are what `records.findings.store_limits` takes beside the lots (chart,
    centre, sigma, lower, upper, ewma_lambda, ewma_width, spread_centre, spread_sigma, estimator, from_us, stream_id,
    condition_id). `spread_centre` is the expected S of a lot of the usual size, `spread_sigma` is sigma within lots.
    `sentences` say it all in words.
    """

    characteristic: Characteristic
    choice: Choice
    series: LotSeries
    chart: Chart
    frozen: Frozen
    used_lots: tuple[int, ...]
    used_numbers: tuple[str, ...]
    left_out: tuple[LeftOut, ...]
    from_us: int
    fields: Mapping[str, float | int | str | None]
    notes: tuple[str, ...]
    sentences: tuple[str, ...]


def trial_limits(
    conn: Conn,
    part_number: str,
    code: str,
    leave_out: Mapping[str, str] | None = None,
    *,
    since: str | None = None,
    until: str | None = None,
    stream: str | None = None,
    condition: int | None = None,
) -> TrialLimits:
    """Limits of the first phase from the lots `since` to `until` (both included; None: from the first, to the last).

    `leave_out`: lot number -> reason. The limits are meant for lots after the last one looked at. Raises UsageError for
    a lot without a reason or a chart that needs no limits, UnknownRecord for a lot that is not on the chart,
    ComputeError where the lots cannot give limits.
    """
    c = lookups.characteristic(conn, part_number, code)
    if CHART_KINDS.get(c.chart) in (None, "zero"):
        raise UsageError(
            f"{code} has chart {c.chart!r}, which takes no limits from data.", "Revise its chart first."
        )
    choice = choose(conn, c, stream, condition)
    series = _range(series_of(conn, c, choice), code, since, until)
    left_out = _left_out(series, code, leave_out or {})
    used = ~np.isin(series.lot_ids, [out.lot_id for out in left_out])
    chart = first_phase(c, series, used)
    assert chart.frozen is not None
    from_us = int(series.at_us[-1]) + 1
    numbers = tuple(number for number, mark in zip(series.numbers, chart.used, strict=True) if mark)
    return TrialLimits(
        characteristic=c,
        choice=choice,
        series=series,
        chart=chart,
        frozen=chart.frozen,
        used_lots=tuple(series.lot_ids[chart.used].tolist()),
        used_numbers=numbers,
        left_out=left_out,
        from_us=from_us,
        fields={
            **_fields(c, chart.frozen, series, used, from_us),
            "stream_id": choice.stream_id,
            "condition_id": choice.condition_id,
        },
        notes=(*chart.notes, *(f"Other readings are kept apart and not used: {o}." for o in choice.others)),
        sentences=_sentences(c, chart, numbers, left_out),
    )


def _range(series: LotSeries, code: str, since: str | None, until: str | None) -> LotSeries:
    first = 0 if since is None else _place(series, code, since)
    last = len(series) - 1 if until is None else _place(series, code, until)
    if last < first:
        if len(series) == 0:
            raise ComputeError(f"{code} has no readings.", "Enter readings of at least 2 lots.")
        raise UsageError(f"Lot {until} comes before lot {since}.", "Give the earlier lot first.")
    return part_of(series, slice(first, last + 1))


def _place(series: LotSeries, code: str, number: str) -> int:
    if number not in series.numbers:
        shown = ", ".join(series.numbers[-3:]) or "none"
        raise UnknownRecord(
            f"Lot {number!r} is not on the chart of {code}.", f"The last lots on it: {shown}."
        )
    return series.numbers.index(number)


def _left_out(series: LotSeries, code: str, leave_out: Mapping[str, str]) -> tuple[LeftOut, ...]:
    found = []
    for number, reason in leave_out.items():
        if not reason.strip():
            raise UsageError(f"Lot {number} is to be left out without a reason.", "Give the assigned cause.")
        found.append(LeftOut(int(series.lot_ids[_place(series, code, number)]), number, reason.strip()))
    return tuple(found)


def _fields(
    c: Characteristic,
    frozen: Frozen,
    series: LotSeries,
    used: np.ndarray[tuple[int], np.dtype[np.bool_]],
    from_us: int,
) -> dict[str, float | int | str | None]:
    fields: dict[str, float | int | str | None] = {
        "chart": c.chart,
        "centre": frozen.centre,
        "sigma": 0.0,
        "lower": None,
        "upper": None,
        "ewma_lambda": None,
        "ewma_width": None,
        "spread_centre": None,
        "spread_sigma": None,
        "estimator": frozen.estimator,
        "from_us": from_us,
    }
    if frozen.kind != "lot_means":
        return fields
    half = frozen.width * frozen.sigma
    fields |= {
        "sigma": frozen.sigma,
        "lower": frozen.centre - half,
        "upper": frozen.centre + half,
        "ewma_lambda": frozen.weight,
        "ewma_width": frozen.ewma_width,
    }
    if np.isfinite(frozen.within):
        usual = int(np.median(series.n[used & (series.n >= 2)]))
        fields |= {"spread_centre": c4(usual) * frozen.within, "spread_sigma": frozen.within}
    return fields


def _sentences(
    c: Characteristic, chart: Chart, numbers: tuple[str, ...], left_out: tuple[LeftOut, ...]
) -> tuple[str, ...]:
    frozen = chart.frozen
    assert frozen is not None
    shown = [f"{c.name} ({c.code}): {chart.method}."]
    if frozen.kind == "lot_means":
        half = frozen.width * frozen.sigma
        digits = c.decimals + 1
        shown.append(
            f"Centre {frozen.centre:.{digits}f}, limits {frozen.centre - half:.{digits}f} and "
            f"{frozen.centre + half:.{digits}f} {c.unit}, sigma of a lot mean {frozen.sigma:.{digits}f}."
        )
        if np.isfinite(frozen.within):
            shown.append(f"Sigma within lots {frozen.within:.{digits}f} {c.unit}.")
    else:
        shown.append(f"Centre {frozen.centre:.6g}; the limits follow from the size of each lot.")
    shown.append(f"From {len(numbers)} lots, {numbers[0]} to {numbers[-1]}.")
    shown += [f"Left out: {out.lot_number} ({out.reason})." for out in left_out]
    if len(numbers) < FEWEST_LOTS_ADVISED:
        shown.append(f"Fewer than {FEWEST_LOTS_ADVISED} lots: trial limits, work them out again later.")
    return tuple(shown)
