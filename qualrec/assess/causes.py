"""Events and changes of recipe and material behind the points of a chart, and where they let the EWMA begin anew."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from qualrec.assess.loading import Conn, moment_text
from qualrec.judge.causes import Cause, event_causes, moulding_causes, segment_causes
from qualrec.judge.restarts import ClosedFlag, Restart, restarts
from qualrec.records import lookups
from qualrec.values import Characteristic, Event, IntArray, Limits, LotSeries, Segment

Segments = Mapping[int, tuple[Segment, ...]]


def segments_of(conn: Conn, c: Characteristic, series: LotSeries) -> Segments:
    """Segments of the lots on a chart; none where the points are moulding lots."""
    return lookups.segments(conn, series.lot_ids.tolist()) if c.hangs_on == "lot" else {}


def events_of(conn: Conn, series: LotSeries, segments: Segments) -> tuple[Event, ...]:
    """Events from the first point on, of the stations and lots on the chart; of no station or lot at all as well."""
    return events_among(conn, series.numbers, series.at_us, segments)


def events_among(conn: Conn, lots: Sequence[str], at_us: IntArray, segments: Segments) -> tuple[Event, ...]:
    """The same for lots by their numbers and moments, in time order."""
    if len(lots) == 0:
        return ()
    stations = {s.station_id for held in segments.values() for s in held if s.station_id is not None}
    numbers = set(lots)
    last_us = max([int(at_us[-1]), *(s.from_us for held in segments.values() for s in held)])
    return tuple(
        e
        for e in lookups.events(conn, from_us=int(at_us[0]), until_us=last_us)
        if e.station_id in stations or e.lot_number in numbers or (e.station_id is None and not e.lot_number)
    )


def causes_of(
    conn: Conn, c: Characteristic, series: LotSeries, segments: Segments, events: Sequence[Event]
) -> tuple[Cause, ...]:
    """The events, and the changes of recipe, resin delivery and moulding lot that the points show, in time order."""
    if c.hangs_on == "lot":
        ids = zip(series.numbers, series.lot_ids.tolist(), strict=True)
        derived = segment_causes((number, segments.get(lot, ())) for number, lot in ids)
    else:
        held = lookups.load_moulding_lots(conn, series.lot_ids.tolist())
        derived = moulding_causes(held[i] for i in series.lot_ids.tolist() if i in held)
    return tuple(sorted((*event_causes(events), *derived), key=lambda cause: cause.at_us))


def restarts_of(
    series: LotSeries,
    history: Sequence[Limits],
    flags: Sequence[ClosedFlag],
    causes: Sequence[Cause],
    segments: Segments,
) -> tuple[Restart, ...]:
    """Where the EWMA of the chart with these limits begins anew."""
    own = {limits.id for limits in history}
    stations = {
        lot: {s.station_id for s in held if s.station_id is not None} for lot, held in segments.items()
    }
    return restarts(
        series.lot_ids.tolist(),
        series.at_us.tolist(),
        [flag for flag in flags if flag.limits_id in own],
        causes,
        stations,
    )


def cause_words(cause: Cause, zone: str) -> str:
    """The cause with its moment in plant time."""
    return f"{cause.text}, {moment_text(cause.at_us, zone)}"


def restart_words(found: Restart, series: LotSeries, zone: str) -> str:
    """Why the EWMA begins anew at a point, from the records."""
    by = f" by {found.flag.closed_by}" if found.flag.closed_by else ""
    return (
        f"The EWMA begins anew from the centre at {series.numbers[found.index]}: its flag on "
        f"{series.numbers[found.flagged]} was closed {moment_text(found.flag.closed_us, zone)}{by} "
        f"('{found.flag.action}'), after {cause_words(found.cause, zone)}"
        + ("." if found.cause.recorded else " (seen from the lots, no event entered).")
    )
