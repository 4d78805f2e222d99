"""The capability report of one characteristic: the chain of evidence and all figures behind it."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from qualrec.assess.chart_data import FIXED, FROZEN, NO_LIMITS, TRIAL, BuiltChart, build_chart, counts_of
from qualrec.assess.loading import Choice, Conn, choose, series_of
from qualrec.assess.shape_choice import ShapeReport, shape_report
from qualrec.assess.standing import gauge_standing
from qualrec.assess.strength import StrengthReport, strength_report
from qualrec.assess.weld_factor import WeldFactorReport, weld_factors
from qualrec.errors import ComputeError
from qualrec.judge.evidence import SHAPE_ALPHA, Chain, Evidence, IndexStanding, ShapeStanding, evidence_chain
from qualrec.judge.process import requirement_of
from qualrec.records import lookups
from qualrec.values import Characteristic, FloatArray, IntArray, LotSeries, Values

if TYPE_CHECKING:
    from qualrec.stats.capability import Capability
    from qualrec.stats.components import Components
    from qualrec.stats.proportions import Proportion

SAMPLE = 5000
"""Most single values that shape, histogram and gauge standing are taken from."""
BOOTSTRAP_SAMPLES = 200
POPULATIONS_ALPHA = 0.01
MOST_BINS = 40


@dataclass(frozen=True, slots=True, eq=False)
class Histogram:
    """Counts between `edges`; `n` of `total` values (a systematic sample where n < total)."""

    edges: FloatArray
    counts: IntArray
    n: int
    total: int


@dataclass(frozen=True, slots=True, eq=False)
class CapabilityReport:
    """What may be said about the capability of a characteristic.

    `chain` decides; `index` is the one it judges. `capability` holds all indices by the normal shape with bounds from
    the lots, `shape` the fit and, where the values are not normal, indices by percentiles. `refusal` says why there is
    no index. `share` stands in for counted characteristics. `needed_n`, `needed_lots`: how many independent values or
    lots like these would show the requirement at the index found; None where it cannot be shown or is not asked.
    """

    part_number: str
    characteristic: Characteristic
    choice: Choice
    lots: int
    readings: int
    chain: Chain
    evidence: Evidence
    index: IndexStanding
    capability: Capability | None
    refusal: str
    shape: ShapeReport | None
    components: Components | None
    histogram: Histogram | None
    strength: StrengthReport | None
    share: Proportion | None
    needed_n: int | None
    needed_lots: int | None
    limits_state: str
    signals: tuple[str, ...]
    sentences: tuple[str, ...]
    weld_factors: tuple[WeldFactorReport, ...] = ()
    """Against each set of parent specimens; empty where none was pulled."""

    @property
    def answer(self) -> str:
        """The weakest answer of the chain: 'yes', 'no' or 'unknown'."""
        return self.chain.answer

    @property
    def remark(self) -> str:
        """What any printed index must carry: 'performance, not stable', 'too few data', or nothing."""
        return self.chain.remark


def capability_report(
    conn: Conn,
    part_number: str,
    code: str,
    *,
    stream: str | None = None,
    condition: int | None = None,
    samples: int = BOOTSTRAP_SAMPLES,
) -> CapabilityReport:
    """The report from all lots of one stream (None: pooled) and one group of conditions (None: the most used).

    `samples`: size of the bootstrap where the values are not normal. Raises UnknownRecord for an unknown part,
    characteristic, stream or condition; a figure that cannot be told is None and its reason is in words.
    """
    c = lookups.characteristic(conn, part_number, code)
    choice = choose(conn, c, stream, condition)
    series = series_of(conn, c, choice)
    history = lookups.limits(conn, c.id, choice.stream_id, choice.condition_id) if len(series) else ()
    built = build_chart(c, series, history)
    values = lookups.values(
        conn, c.id, limit=SAMPLE, stream_id=choice.series_stream, condition_ids=choice.condition_ids
    )
    found, refusal = _capability(c, series)
    share = _share(series) if c.kind == "counted" and len(series) else None
    shape = shape_report(c, values, found, samples) if found is not None else None
    index = _index(found, shape, refusal, _populations(c, series))
    evidence = _evidence(conn, part_number, c, series, built, values, index, shape, refusal)
    needed_n, needed_lots = _needed(evidence.requirement, index, found)
    factors = weld_factors(conn, part_number, c, choice, values)
    return CapabilityReport(
        part_number=part_number,
        characteristic=c,
        choice=choice,
        lots=evidence.lots,
        readings=evidence.readings,
        chain=evidence_chain(evidence),
        evidence=evidence,
        index=index,
        capability=found,
        refusal=refusal,
        shape=shape,
        components=_components(series) if c.kind == "measured" else None,
        histogram=_histogram(c, values, evidence.readings),
        strength=strength_report(values) if c.strength else None,
        share=share,
        needed_n=needed_n,
        needed_lots=needed_lots,
        limits_state=built.state,
        signals=evidence.signals,
        sentences=(
            *_sentences(c, choice, built, values, evidence.readings, found, share),
            *(sentence for one in factors for sentence in one.sentences),
        ),
        weld_factors=factors,
    )


def _evidence(
    conn: Conn,
    part_number: str,
    c: Characteristic,
    series: LotSeries,
    built: BuiltChart,
    values: Values,
    index: IndexStanding,
    shape: ShapeReport | None,
    refusal: str,
) -> Evidence:
    requirement, by_bound, source = requirement_of(c, lookups.part(conn, part_number).customer)
    return Evidence(
        lots=len(series),
        readings=int(series.n.sum()),
        gauge=gauge_standing(conn, c, values),
        limits_state={FROZEN: "frozen", TRIAL: "trial", FIXED: "fixed", NO_LIMITS: ""}[built.state],
        signals=signal_points(series, built),
        shape=ShapeStanding(note=refusal) if shape is None else shape.standing,
        index=index,
        requirement=requirement,
        by_bound=by_bound,
        requirement_source=source,
        populations=_populations(c, series),
    )


def _populations(c: Characteristic, series: LotSeries) -> str:
    """Words on two groups of lot means; '' where there is no sign of them or there are too few lots to tell."""
    if c.kind == "counted" or len(series) == 0:
        return ""
    from qualrec.stats.groups import two_groups

    try:
        found = two_groups(series.mean[np.isfinite(series.mean)])
    except ComputeError:
        return ""
    if found.p >= POPULATIONS_ALPHA:
        return ""
    return (
        f"The lot means fall into two groups, about {found.low_mean:.{c.decimals}f} ({found.low_count} lots) and "
        f"{found.high_mean:.{c.decimals}f} {c.unit} ({found.high_count} lots), p = {found.p:.2g}: two populations."
    )


def signal_points(series: LotSeries, built: BuiltChart) -> tuple[str, ...]:
    """Lots with a signal, in time order; lots left out with an assigned cause do not count."""
    gone = {out.lot_id for out in built.left_out}
    places = sorted({s.points[-1] for s in built.signals})
    return tuple(series.numbers[p] for p in places if int(series.lot_ids[p]) not in gone)


def _capability(c: Characteristic, series: LotSeries) -> tuple[Capability | None, str]:
    if len(series) == 0:
        return None, "There are no readings."
    if c.kind == "counted":
        return None, "A counted characteristic has no index; the share found stands in its place."
    from qualrec.stats.capability import LotSummary, capability

    try:
        return capability(LotSummary(series.n, series.mean, series.sd), c.lsl, c.usl, c.target), ""
    except ComputeError as error:
        return None, f"{error.message} {error.remedy}".strip()


def _index(
    found: Capability | None, shape: ShapeReport | None, refusal: str, populations: str
) -> IndexStanding:
    """The index that is judged: Ppk by percentiles where the values are not normal, else Ppk by the normal shape.

    Where no shape describes the values (the nearest is contradicted too, or they are two populations) neither of the two
    is shown to be right, and the lower one is judged (common practice, no source).
    """
    by_shape = None if shape is None else shape.index
    if found is None:
        return by_shape or IndexStanding(refusal=refusal)
    ppk = found.index("Ppk")
    if ppk is None:
        return by_shape or IndexStanding(refusal="There is no Ppk.")
    normal = IndexStanding("Ppk", ppk.value, ppk.bound.value, f"normal shape; {ppk.bound.method}")
    if shape is None or by_shape is None:
        return normal
    if (populations or shape.standing.p < SHAPE_ALPHA) and normal.value < by_shape.value:
        return replace(normal, method=f"no shape fits, the lower of two; {normal.method}")
    return by_shape


def _components(series: LotSeries) -> Components | None:
    from qualrec.stats.components import lot_components

    try:
        return lot_components(series.n, series.mean, series.sd)
    except ComputeError:
        return None


def _share(series: LotSeries) -> Proportion | None:
    """Share of a counted characteristic over its lots; None where counts are above the number looked at."""
    from qualrec.stats.proportions import proportion, proportion_by_lot

    found, n = counts_of(series).astype(np.int64), series.n
    if np.any(found > n):
        return None
    return proportion(int(found[0]), int(n[0])) if len(series) == 1 else proportion_by_lot(found, n)


def _needed(
    requirement: float | None, index: IndexStanding, found: Capability | None
) -> tuple[int | None, int | None]:
    if requirement is None or found is None or not index.value > requirement > 0:
        return None, None
    from qualrec.stats.capability import needed_lots, needed_n

    two_sided = found.lsl is not None and found.usl is not None
    try:
        values = needed_n(requirement, index.value, kind="two-sided" if two_sided else "one-sided")
    except ComputeError:
        values = None
    share = found.between_share
    if found.k < 2 or math.isnan(share) or share >= 1.0:
        return values, None
    try:
        return values, needed_lots(
            requirement, index.value, max(1, round(found.n / found.k)), share / (1.0 - share)
        )
    except ComputeError:
        return values, None


def _histogram(c: Characteristic, values: Values, total: int) -> Histogram | None:
    """Bins of equal width over the values and the limits, as many as the root of n, at most 40."""
    x = values.value
    if x.size == 0:
        return None
    ends = [float(x.min()), float(x.max()), *(limit for limit in (c.lsl, c.usl) if limit is not None)]
    low, high = min(ends), max(ends)
    if low == high:
        low, high = low - 0.5 * 10.0**-c.decimals, high + 0.5 * 10.0**-c.decimals
    bins = int(min(MOST_BINS, max(8, math.ceil(math.sqrt(x.size)))))
    counts, edges = np.histogram(x, bins=bins, range=(low, high))
    return Histogram(edges, counts.astype(np.int64), int(x.size), total)


def _sentences(
    c: Characteristic,
    choice: Choice,
    built: BuiltChart,
    values: Values,
    total: int,
    found: Capability | None,
    share: Proportion | None,
) -> tuple[str, ...]:
    said = list(found.notes) if found is not None else []
    if len(values.value) < total:
        said.append(
            f"Shape, picture and gauges: a systematic sample of {len(values.value)} of {total} values."
        )
    said += [
        f"Lot {out.lot_number} is left out of the limits ({out.reason}) but not of the indices."
        for out in built.left_out
    ]
    if choice.condition:
        said.append(f"Readings under: {choice.condition}.")
    said += [f"Kept apart, not in these figures: {other}." for other in choice.others]
    if choice.streams and not choice.stream:
        said.append(f"Pooled over {len(choice.streams)} streams; ask for one to see it alone.")
    if share is not None:
        said.append(
            f"Share found {share.share * 100:.2f} %, upper bound {share.upper.value * 100:.2f} % with 95 % confidence."
        )
    if c.strength:
        said.append(
            "A break in parent material enters the plain figures with its force: the weld is at least that strong."
        )
    return tuple(said)
