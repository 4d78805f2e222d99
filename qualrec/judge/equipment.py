"""Findings on what a lot was measured and welded with: gauges and the cleaning of stations."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

from qualrec.judge import kinds
from qualrec.judge.facts import LotFacts
from qualrec.judge.kinds import make_finding
from qualrec.values import Finding, Gauge, Lot, MouldingLot, ReadingRow

CLEANING_EVENTS = ("glass_cleaned", "glass_changed", "optics_cleaned")


def gauge_findings(facts: LotFacts) -> tuple[Finding, ...]:
    """One finding for each gauge and characteristic with readings taken overdue or on a gauge found bad."""
    groups: dict[tuple[str, int, int], list[tuple[ReadingRow, MouldingLot | None]]] = {}
    for reading, moulding in facts.all_readings():
        gauge = facts.gauges.get(reading.condition_id)
        if gauge is None or facts.spec(reading) is None:
            continue
        for kind in gauge_problems(gauge, reading.at_us):
            key = (kind, gauge.id, reading.key.characteristic_id)
            groups.setdefault(key, []).append((reading, moulding))
    found = []
    for (kind, _, _), rows in groups.items():
        first, moulding = rows[0]
        gauge, characteristic = facts.gauges[first.condition_id], facts.spec(first)
        assert characteristic is not None
        why = "overdue for calibration" if kind == kinds.GAUGE_OVERDUE else "found bad"
        found.append(
            make_finding(
                kind,
                f"gauge {gauge.code}",
                f"{characteristic.name}: {_counted(facts, characteristic.id, len(rows))} "
                f"on gauge {gauge.code}, {why}.",
                {"gauge": gauge.code, "readings": len(rows), "first reading_us": first.at_us},
                characteristic,
                lot_id=facts.lot.id,
                moulding_lot_id=None if moulding is None else moulding.id,
                at_us=first.at_us,
            )
        )
    return tuple(found)


def _counted(facts: LotFacts, characteristic_id: int, n: int) -> str:
    if characteristic_id in facts.summaries:
        return f"at least {n} readings"
    return "1 reading" if n == 1 else f"{n} readings"


def gauge_problems(gauge: Gauge, moment_us: int) -> tuple[str, ...]:
    """The kinds of finding that a reading on a gauge at a moment raises.

    Overdue: no good calibration covers the moment. Found bad: the last calibration before it or the next one after it
    is bad (as found, all readings since the last good one are in doubt), or the gauge is marked bad and no good
    calibration came after the reading.
    """
    found = [kinds.GAUGE_OVERDUE] if gauge.overdue_at(moment_us) else []
    ordered = sorted(gauge.calibrations, key=lambda c: c.at_us)
    before = [c for c in ordered if c.at_us <= moment_us]
    after = [c for c in ordered if c.at_us > moment_us]
    bad = bool(before and before[-1].verdict == "bad") or bool(after and after[0].verdict == "bad")
    if bad or (gauge.state == "found bad" and not after):
        found.append(kinds.GAUGE_BAD)
    return tuple(found)


def cleaning_findings(facts: LotFacts) -> tuple[Finding, ...]:
    """Segments during which the cleaning interval of the station was passed."""
    lot, found = facts.lot, []
    for segment, end_us in zip(lot.segments, segment_ends(lot), strict=True):
        station = None if segment.station_id is None else facts.stations.get(segment.station_id)
        if station is None or station.clean_every_hours <= 0:
            continue
        hours = _longest_hours(facts.cleanings.get(station.id, ()), segment.from_us, end_us)
        if hours <= station.clean_every_hours:
            continue
        since = (
            "no cleaning is recorded before"
            if math.isinf(hours)
            else f"{hours:.1f} h after the last cleaning"
        )
        found.append(
            make_finding(
                kinds.CLEANING_OVERDUE,
                f"segment {segment.position}, station {station.code}",
                f"Station {station.code}, segment {segment.position}: {since}, "
                f"the interval is {station.clean_every_hours} h.",
                {
                    "hours": None if math.isinf(hours) else round(hours, 2),
                    "interval h": station.clean_every_hours,
                },
                lot_id=lot.id,
                at_us=segment.from_us,
            )
        )
    return tuple(found)


def segment_ends(lot: Lot) -> tuple[int, ...]:
    """When each segment ended: the start of the next, else the end of the lot; while that is not known its own start."""
    last = lot.segment.from_us if lot.ended_us is None else max(lot.ended_us, lot.segment.from_us)
    return (*(s.from_us for s in lot.segments[1:]), last)


def _longest_hours(cleanings: Sequence[int], from_us: int, end_us: int) -> float:
    """Longest time since a cleaning at any moment of [from, end] in hours; inf where none came before `from`."""
    before = [c for c in cleanings if c <= from_us]
    if not before:
        return math.inf
    moments = [max(before), *sorted(c for c in cleanings if from_us < c <= end_us), end_us]
    return max(b - a for a, b in pairwise(moments)) / 3.6e9
