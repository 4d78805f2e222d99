"""Judging one lot: load what it hangs on, judge readings, samples, recipe, material, gauges, station and charts."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from qualrec.assess.causes import causes_of, events_of, restarts_of, segments_of
from qualrec.assess.changes import described, newest_change
from qualrec.assess.chart_data import BuiltChart, build_chart, part_of
from qualrec.assess.energy_story import lot_story
from qualrec.assess.loading import Conn, revisions_at, zone_of
from qualrec.judge.charting import ChartPoint, change_finding, chart_findings
from qualrec.judge.equipment import CLEANING_EVENTS
from qualrec.judge.facts import LotFacts, MouldingReadings, Summary, readings_of
from qualrec.judge.findings import lot_findings
from qualrec.judge.gate import Gate, Leave, release_gate
from qualrec.judge.kinds import (
    EWMA,
    INTERFACIAL,
    INTERFACIAL_SHARE,
    LOT_MEAN,
    OUTSIDE_SPECIFICATION,
    OUTSIDE_WINDOW,
    RULES_VERSION,
    RUN_RULE,
)
from qualrec.judge.restarts import ClosedFlag, Restart
from qualrec.judge.temporary import change_findings
from qualrec.judge.verdict import CharacteristicVerdict, judge_characteristic, overall_answer
from qualrec.judge.windows import JointEnergy, joint_energies, window_findings
from qualrec.records import lookups
from qualrec.values import (
    Characteristic,
    Condition,
    Finding,
    Gauge,
    Limits,
    Lot,
    LotSeries,
    MouldingLot,
    ReadingRow,
)

NEWEST_EVENTS = 500
MANY_READINGS = 200
LAST_READINGS = 25
MOVED_KINDS = (OUTSIDE_SPECIFICATION, INTERFACIAL, INTERFACIAL_SHARE, LOT_MEAN, EWMA, RUN_RULE)
"""Findings that tell of a moved strength or time to path. A change of level names its own nearest causes."""


@dataclass(frozen=True, slots=True)
class LotJudgement:
    """What is found about a lot now. Nothing of it is stored yet.

    `answer` is the worst verdict; `verdicts` one for each characteristic; `energies` the joint energy of each segment.
    """

    lot: Lot
    answer: str
    verdicts: tuple[CharacteristicVerdict, ...]
    findings: tuple[Finding, ...]
    gate: Gate
    energies: tuple[JointEnergy, ...]
    characteristics: tuple[Characteristic, ...]
    energy_story: str = ""
    """What moved the energy at the joint, where a strength or the energy itself gave a finding; else empty."""
    rules_version: str = RULES_VERSION

    def verdict(self, code: str) -> CharacteristicVerdict | None:
        """The verdict of a characteristic by code; None where the lot has none."""
        return next((v for v in self.verdicts if v.code == code), None)


def judge_lot(conn: Conn, lot_number: str, *, now_us: int | None = None) -> LotJudgement:
    """Judge a lot as it stands. `now_us` decides what is due; None: the clock of the machine.

    Readings are judged by the revision in force when their segment began. Only frozen limits raise findings. Raises
    UnknownRecord for an unknown lot.
    """
    if now_us is None:
        from qualrec.records.database import now_us as clock

        now_us = clock()
    lot = lookups.lot(conn, lot_number)
    pooled = _pooled(conn, lot)
    facts = load_facts(conn, lot, now_us, pooled)
    owed = {c: tuple(o for o in lot.owed if o.characteristic_id == c) for c in facts.characteristics}
    verdicts = tuple(
        judge_characteristic(c, readings_of(facts, c), owed[c.id], facts.summaries.get(c.id))
        for c in facts.characteristics.values()
    )
    findings = (
        *lot_findings(facts),
        *window_findings(facts),
        *change_findings(facts),
        *_charts(conn, facts, pooled),
    )
    story = _story(conn, lot, facts.characteristics, findings)
    findings = tuple(_told(f, story, facts.characteristics) for f in findings)
    flags = lookups.flags(conn, lot=lot.number)
    gate = release_gate(lot, verdicts, flags, findings, _leaves(conn, lot), now_us)
    return LotJudgement(
        lot=lot,
        answer=overall_answer(verdicts),
        verdicts=verdicts,
        findings=findings,
        gate=gate,
        energies=joint_energies(facts),
        characteristics=tuple(facts.characteristics.values()),
        energy_story=story,
    )


def _story(
    conn: Conn, lot: Lot, characteristics: Mapping[int, Characteristic], findings: Sequence[Finding]
) -> str:
    """What moved the energy at the joint; asked only where a finding may come of it, since it looks at the lots before."""
    wanted = any(f.kind == OUTSIDE_WINDOW or _by_energy(f, characteristics) for f in findings)
    return lot_story(conn, lot) if wanted else ""


def _by_energy(finding: Finding, characteristics: Mapping[int, Characteristic]) -> bool:
    """Whether a finding may come of the energy at the joint: one on a strength or on the time to path."""
    c = characteristics.get(finding.characteristic_id or 0)
    return c is not None and (c.strength or c.quantity == "time to path") and finding.kind in MOVED_KINDS


def _told(finding: Finding, story: str, characteristics: Mapping[int, Characteristic]) -> Finding:
    if not story or not _by_energy(finding, characteristics):
        return finding
    return replace(finding, sentence=f"{finding.sentence} {story}")


Pooled = Mapping[int, Sequence[LotSeries]]


def _pooled(conn: Conn, lot: Lot) -> Pooled:
    """Series of every characteristic of the part up to the lot, one for each group of conditions."""
    ids = [c.id for c in lookups.characteristics(conn, lot.part.number)]
    return lookups.lot_series_many(conn, ids, until_us=lot.started_us)


def load_facts(conn: Conn, lot: Lot, now_us: int, pooled: Pooled) -> LotFacts:
    """All that is judged about a lot, charts excepted."""
    moments = {lot.started_us, *(s.from_us for s in lot.segments)}
    held = revisions_at(conn, lot.part.number, moments)
    base = held[lot.started_us]
    mouldings = {m.id: m for s in lot.segments for m in (s.upper, s.lower) if m is not None}
    summaries = _summaries(lot, base, pooled)
    readings = _readings(conn, lot, base, summaries)
    moulded: dict[int, list[ReadingRow]] = {m: [] for m in mouldings}
    for row in lookups.readings_of_subjects(conn, list(mouldings)) if mouldings else ():
        if row.key.characteristic_id in base:
            moulded[row.key.subject_id].append(row)
    conditions = {r.condition_id for r in readings} | {
        r.condition_id for rows in moulded.values() for r in rows
    }
    known = lookups.load_conditions(conn, conditions)
    stations = {s.station_id for s in lot.segments if s.station_id is not None}
    corrected = lookups.corrections(conn, lot=lot.number) if lot.shipments else ()
    return LotFacts(
        lot=lot,
        characteristics=base,
        readings=readings,
        moulding=tuple(MouldingReadings(mouldings[m], tuple(rows)) for m, rows in moulded.items()),
        by_segment={s.id: held[s.from_us] for s in lot.segments if held[s.from_us] != base},
        gauges=_gauges(conn, known),
        conditions=known,
        stations={s: lookups.station_by_id(conn, s) for s in stations},
        cleanings=_cleanings(conn, stations, now_us),
        corrected_us={c.key: c.at_us for c in corrected},
        summaries=summaries,
        changes=lookups.temporary_changes(conn, part_id=lot.part.id),
        now_us=now_us,
    )


def _summaries(lot: Lot, base: Mapping[int, Characteristic], pooled: Pooled) -> dict[int, Summary]:
    """Figures of characteristics with more readings than are worth loading, all within the limits."""
    found: dict[int, Summary] = {}
    if len(lot.segments) > 1:
        return found
    for c in base.values():
        points = [(s, int(p)) for s in pooled.get(c.id, ()) for p in np.flatnonzero(s.lot_ids == lot.id)]
        if c.hangs_on != "lot" or c.strength or len(points) != 1:
            continue
        series, p = points[0]
        low, high = float(series.low[p]), float(series.high[p])
        inside = (c.lsl is None or low >= c.lsl) and (c.usl is None or high <= c.usl)
        if inside and series.n[p] > MANY_READINGS:
            found[c.id] = Summary(int(series.n[p]), float(series.mean[p]), float(series.sd[p]), low, high)
    return found


def _readings(
    conn: Conn, lot: Lot, base: Mapping[int, Characteristic], summaries: Mapping[int, Summary]
) -> tuple[ReadingRow, ...]:
    """All readings of a lot; of a summed-up characteristic the last ones, which tell gauge and person."""
    if not summaries:
        return lookups.readings_of_lot(conn, lot.id)
    rows: list[ReadingRow] = []
    for c in base.values():
        if c.hangs_on == "lot":
            limit = LAST_READINGS if c.id in summaries else None
            rows += lookups.readings_of_lot(conn, lot.id, c.code, limit)
    return tuple(rows)


def _gauges(conn: Conn, known: Mapping[int, Condition]) -> dict[int, Gauge]:
    """Gauges by condition id."""
    gauges = {g: lookups.gauge_by_id(conn, g) for g in {c.gauge_id for c in known.values()} if g is not None}
    return {i: gauges[c.gauge_id] for i, c in known.items() if c.gauge_id is not None}


def _cleanings(conn: Conn, stations: set[int], until_us: int) -> dict[int, tuple[int, ...]]:
    """Moments of cleaning by station."""
    found = {}
    for station in stations:
        events = lookups.events(conn, station_id=station, until_us=until_us, newest=NEWEST_EVENTS)
        found[station] = tuple(e.at_us for e in events if e.kind in CLEANING_EVENTS)
    return found


def _leaves(conn: Conn, lot: Lot) -> tuple[Leave, ...]:
    """Concessions for the lot or its part; what was shipped under one is used up."""
    return tuple(
        Leave(
            c.reference,
            None if c.quantity is None else max(0, c.quantity - c.used),
            c.until_us,
            c.reason,
            c.signature_id is not None,
        )
        for c in lookups.concessions(conn, lot.number)
    )


def _charts(conn: Conn, facts: LotFacts, pooled: Pooled) -> tuple[Finding, ...]:
    """Findings on the charts of the lot and of its moulding lots, per stream where limits are kept per stream."""
    lot, found = facts.lot, []
    in_force = lookups.all_limits_in_force(
        conn, lot.started_us, characteristic_ids=list(facts.characteristics)
    )
    wanted = {c.id: c for c in facts.characteristics.values() if _charted(c, in_force)}
    closed = lookups.closed_flags(conn, EWMA, list(wanted))
    for c in wanted.values():
        for series in pooled.get(c.id, ()):
            key = (c.id, 0, series.condition_id)
            if key in in_force or c.chart == "zero count":
                found += _chart(conn, facts, c, series, in_force.get(key), closed.get(c.id, ()))
        for key in in_force:
            if key[0] == c.id and key[1]:
                series = lookups.lot_series(
                    conn, c.id, stream_id=key[1], condition_id=key[2] or None, until_us=lot.started_us
                )
                found += _chart(conn, facts, c, series, in_force[key], closed.get(c.id, ()))
    return tuple(found)


def _charted(c: Characteristic, in_force: dict[tuple[int, int, int], Limits]) -> bool:
    return c.chart == "zero count" or (c.chart != "none" and any(key[0] == c.id for key in in_force))


def _chart(
    conn: Conn,
    facts: LotFacts,
    c: Characteristic,
    series: LotSeries,
    in_force: Limits | None,
    closed: Sequence[ClosedFlag],
) -> list[Finding]:
    """Findings at the points of one series that belong to the lot."""
    owners: dict[int, MouldingLot | None] = {facts.lot.id: None}
    if c.hangs_on != "lot":
        owners = {m.lot.id: m.lot for m in facts.moulding}
    places = [int(p) for p in np.flatnonzero(np.isin(series.lot_ids, list(owners)))]
    if not places:
        return []
    history = (
        lookups.limits(conn, c.id, series.stream_id, series.condition_id) if in_force is not None else ()
    )
    built = build_chart(c, series, history, _restarts(conn, c, series, history, closed))
    found: list[Finding] = []
    for place in places:
        point = _point(facts.lot, series, place, built, owners[int(series.lot_ids[place])])
        found += chart_findings(c, built.chart, built.signals, point)
        found += _change(conn, c, series, place, built, point)
    return found


def _point(
    lot: Lot, series: LotSeries, place: int, built: BuiltChart, moulding: MouldingLot | None
) -> ChartPoint:
    span = built.span_of(place)
    limits = None if span is None else span.limits
    return ChartPoint(
        index=place,
        number=series.numbers[place],
        at_us=int(series.at_us[place]),
        lot_id=lot.id,
        moulding_lot_id=None if moulding is None else moulding.id,
        limits_id=None if limits is None else limits.id,
        limits_version=0 if limits is None else limits.version,
        stream_id=series.stream_id,
    )


def _restarts(
    conn: Conn,
    c: Characteristic,
    series: LotSeries,
    history: Sequence[Limits],
    closed: Sequence[ClosedFlag],
) -> tuple[Restart, ...]:
    """Where the EWMA begins anew; nothing is loaded where no flag of it was closed under these limits."""
    if not {flag.limits_id for flag in closed} & {limits.id for limits in history}:
        return ()
    segments = segments_of(conn, c, series)
    causes = causes_of(conn, c, series, segments, events_of(conn, series, segments))
    return restarts_of(series, history, closed, causes, segments)


def _change(
    conn: Conn, c: Characteristic, series: LotSeries, place: int, built: BuiltChart, point: ChartPoint
) -> tuple[Finding, ...]:
    """A change of level under the limits of the point, where the point is the first to show it."""
    span = built.span_of(place)
    if span is None or span.limits is None or c.chart != "lot means":
        return ()
    under = part_of(series, slice(span.first, place + 1))
    gone = np.isin(under.lot_ids, [out.lot_id for out in span.limits.left_out])
    found = newest_change(np.where(gone, np.nan, under.mean))
    if found is None:
        return ()
    segments = segments_of(conn, c, under)
    causes = causes_of(conn, c, under, segments, events_of(conn, under, segments))
    return (change_finding(c, described(found, under, causes, zone_of(conn, c)), point),)
