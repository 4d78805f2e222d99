"""Judging the process of a part: capability, shape, autocorrelation, lots, agreement. Stands on the part, blocks no lot."""

from __future__ import annotations

import math

import numpy as np

from qualrec.assess.capability import CapabilityReport, capability_report
from qualrec.assess.loading import Conn, series_of
from qualrec.assess.standing import agreement_shown
from qualrec.judge.process import ProcessFacts, process_findings
from qualrec.records import lookups
from qualrec.values import Finding, FloatArray, LotSeries, Values

SHAPE_SAMPLE = 5000
FEWEST_FOR_R1 = 3


def judge_process(conn: Conn, part_number: str, code: str | None = None) -> tuple[Finding, ...]:
    """Findings on every measured characteristic of a part (or on one). Raises UnknownRecord."""
    found: list[Finding] = []
    for c in lookups.characteristics(conn, part_number, code=code):
        if c.kind == "measured":
            found += process_findings(process_facts(conn, capability_report(conn, part_number, c.code)))
    return tuple(found)


def process_facts(conn: Conn, report: CapabilityReport) -> ProcessFacts:
    """What the process is judged by, from a capability report."""
    c = report.characteristic
    series = series_of(conn, c, report.choice)
    p, sizes = _shape_change(conn, report, series)
    return ProcessFacts(
        characteristic=c,
        evidence=report.evidence,
        chain=report.chain,
        r1=_r1(series),
        shape_p=p,
        shape_n=sizes,
        agreement=agreement_shown(conn, c),
        at_us=int(series.at_us[-1]) if len(series) else 0,
    )


def _r1(series: LotSeries) -> float:
    if len(series) < FEWEST_FOR_R1:
        return math.nan
    from qualrec.stats.describe import describe

    return describe(series.mean).r1


def _shape_change(conn: Conn, report: CapabilityReport, series: LotSeries) -> tuple[float, tuple[int, int]]:
    """p that values about their lot means are alike in the lots of the frozen limits and in those after them."""
    c, choice = report.characteristic, report.choice
    frozen = lookups.limits_in_force(
        conn, c.id, None, stream_id=choice.stream_id, condition_id=choice.condition_id
    )
    if frozen is None:
        return math.nan, (0, 0)
    later = series.lot_ids[series.at_us >= frozen.from_us]
    first = _residuals(_load(conn, report, np.array(frozen.used_lots, dtype=np.int64)))
    second = _residuals(_load(conn, report, later))
    if first.size == 0 or second.size == 0:
        return math.nan, (first.size, second.size)
    return _two_sample(first, second), (int(first.size), int(second.size))


def _load(conn: Conn, report: CapabilityReport, lots: np.ndarray[tuple[int], np.dtype[np.int64]]) -> Values:
    choice = report.choice
    return lookups.values(
        conn,
        report.characteristic.id,
        lots.tolist(),
        SHAPE_SAMPLE,
        stream_id=choice.series_stream,
        condition_ids=choice.condition_ids,
    )


def _residuals(values: Values) -> FloatArray:
    """Values less the mean of their lot, widened by sqrt(n/(n - 1)) so that lots of any size scatter alike."""
    if values.value.size == 0:
        return values.value
    _, lot = np.unique(values.lot_ids, return_inverse=True)
    n = np.bincount(lot)
    start = values.value[0]
    mean = start + np.bincount(lot, weights=values.value - start) / n
    many = n[lot] > 1
    scale = np.sqrt(n[lot][many] / (n[lot][many] - 1.0))
    return np.asarray((values.value[many] - mean[lot][many]) * scale)


def _two_sample(a: FloatArray, b: FloatArray) -> float:
    """p of the two-sample Kolmogorov-Smirnov statistic, large-sample (for 50 values and more on each side)."""
    from scipy.special import kolmogorov

    points = np.concatenate([a, b])
    below_a = np.searchsorted(np.sort(a), points, side="right") / a.size
    below_b = np.searchsorted(np.sort(b), points, side="right") / b.size
    distance = float(np.abs(below_a - below_b).max())
    return float(kolmogorov(distance * math.sqrt(a.size * b.size / (a.size + b.size))))
