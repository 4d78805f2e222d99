"""The chart of one characteristic with everything that belongs on it: limits by version, signals, events, words."""

from __future__ import annotations

from dataclasses import dataclass, replace

from qualrec.assess.causes import causes_of, events_of, restarts_of, segments_of
from qualrec.assess.chart_data import BuiltChart, LimitsSpan, build_chart
from qualrec.assess.chart_notes import (
    autocorrelation_notes,
    change_notes,
    restart_notes,
    spread_notes,
    stream_notes,
)
from qualrec.assess.energy_story import lot_stories
from qualrec.assess.loading import Choice, Conn, choose, moment_text, series_of, zone_of
from qualrec.assess.points import PointText, point_texts
from qualrec.assess.price import price_notes
from qualrec.judge.charting import chosen_rules
from qualrec.judge.kinds import EWMA
from qualrec.judge.restarts import Restart
from qualrec.records import lookups
from qualrec.stats.results import Chart, Signal
from qualrec.values import Characteristic, Event, LeftOut, Limits, LotSeries


@dataclass(frozen=True, slots=True, eq=False)
class ChartView:
    """All that a chart shows. Arrays of the tracks have one entry for each point of `series`.

    `state`: 'frozen' (limits in force, each point by the version it began under), 'trial, not frozen', 'fixed' (a count
    of which none is accepted) or 'no limits'. `spans` are the versions with the points they judge, `history` all stored
    limits, trial ones too. `points` say in words all that is known about each point.
    """

    part_number: str
    characteristic: Characteristic
    choice: Choice
    series: LotSeries
    chart: Chart
    signals: tuple[Signal, ...]
    state: str
    spans: tuple[LimitsSpan, ...]
    history: tuple[Limits, ...]
    left_out: tuple[LeftOut, ...]
    restarts: tuple[Restart, ...]
    """Where the EWMA begins anew, and by which records."""
    events: tuple[Event, ...]
    points: tuple[PointText, ...]
    rules: tuple[str, ...]
    notes: tuple[str, ...]
    zone: str

    @property
    def limit_lots(self) -> int:
        """Number of lots that the last limits drawn rest on; 0 without limits."""
        if not self.spans:
            return 0
        limits = self.spans[-1].limits
        return int(self.chart.used.sum()) if limits is None else len(limits.used_lots)

    def signals_at(self, index: int) -> tuple[Signal, ...]:
        """The signals that end at a point."""
        return tuple(s for s in self.signals if s.points[-1] == index)


def chart_view(
    conn: Conn,
    part_number: str,
    code: str,
    *,
    stream: str | None = None,
    condition: int | None = None,
    until: str | None = None,
    price: bool = True,
) -> ChartView:
    """The chart of a characteristic.

    `stream`: label of one stream; None pools all. `condition`: id of a group of conditions that is kept apart; None
    takes the most used and lists the others. `until`: number of the last lot to show. `price`: add the
    run lengths of the chosen rules to the notes (up to a second the first time). Raises UnknownRecord for an
    unknown part, characteristic, stream or condition.
    """
    c = lookups.characteristic(conn, part_number, code)
    choice = choose(conn, c, stream, condition)
    until_us = None
    if until is not None:
        found = lookups.lot(conn, until) if c.hangs_on == "lot" else None
        until_us = found.started_us if found is not None else lookups.moulding_lot(conn, until).moulded_us
    series = series_of(conn, c, choice, until_us)
    history = lookups.limits(conn, c.id, choice.stream_id, choice.condition_id) if len(series) else ()
    segments = segments_of(conn, c, series)
    zone = zone_of(conn, c)
    events = events_of(conn, series, segments)
    causes = causes_of(conn, c, series, segments, events)
    closed = lookups.closed_flags(conn, EWMA, [c.id]).get(c.id, ())
    built = build_chart(c, series, history, restarts_of(series, history, closed, causes, segments))
    modes = lookups.mode_counts(conn, c.id) if c.strength else ()
    points = _with_energy(conn, part_number, c, point_texts(c, series, built, segments, events, modes, zone))
    view = ChartView(
        part_number=part_number,
        characteristic=c,
        choice=choice,
        series=series,
        chart=built.chart,
        signals=built.signals,
        state=built.state,
        spans=built.spans,
        history=history,
        left_out=built.left_out,
        restarts=built.restarts,
        events=events,
        points=points,
        rules=tuple(f"{r.name}: {r.text} ({r.source})" for r in chosen_rules(c)),
        notes=(
            *built.notes,
            *_notes(choice, built, zone),
            *restart_notes(series, built, zone),
            *change_notes(c, series, built, causes, zone),
            *spread_notes(c, series),
            *autocorrelation_notes(c, series),
            *stream_notes(conn, c, choice, until_us),
        ),
        zone=zone,
    )
    return replace(view, notes=(*view.notes, *price_notes(view))) if price else view


def _with_energy(
    conn: Conn, part_number: str, c: Characteristic, points: tuple[PointText, ...]
) -> tuple[PointText, ...]:
    """Points of a strength or time to path say what moved the energy at the joint, where something did."""
    if not (c.strength or c.quantity == "time to path"):
        return points
    told = lot_stories(conn, part_number)
    return tuple(replace(p, lines=(*p.lines, told[p.lot_id])) if p.lot_id in told else p for p in points)


def _notes(choice: Choice, built: BuiltChart, zone: str) -> tuple[str, ...]:
    notes = []
    if built.state == "trial, not frozen":
        notes.append("Trial limits from all lots shown, not frozen: they raise no flag.")
    if choice.condition:
        notes.append(f"Readings under: {choice.condition}.")
    notes += [f"Kept apart, not on this chart: {other}." for other in choice.others]
    if choice.streams and not choice.stream:
        notes.append(f"Pooled over {len(choice.streams)} streams: {', '.join(choice.streams)}.")
    for span in built.spans:
        if span.limits is not None:
            frozen_us = span.limits.frozen_us
            when = (
                ""
                if frozen_us is None
                else f", frozen {moment_text(frozen_us, zone)} by {span.limits.person}"
            )
            notes.append(
                f"Limits version {span.version} from {len(span.limits.used_lots)} lots{when}: {span.limits.reason}"
            )
    return tuple(notes)
