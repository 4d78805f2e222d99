"""What a picture of a chart holds: from the views of `assess` to panels, marks and words."""

from __future__ import annotations

from collections.abc import Sequence
from math import isfinite
from typing import TYPE_CHECKING

import numpy as np

from qualrec.cli.chart_picture import Group, Level, Panel, Picture
from qualrec.cli.lot_text import figure
from qualrec.weld.trade_rules import event_kinds

if TYPE_CHECKING:
    from qualrec.assess import ChartView
    from qualrec.assess.chart_kinds import KindView
    from qualrec.assess.chart_strata import Strata
    from qualrec.assess.chart_strips import Strip, Strips
    from qualrec.stats.results import Signal, Track
    from qualrec.values import Event
    from qualrec.work.session import Session

REST_SIGNS = {"others": 7, "several in one lot": 8, "not on record": 9}


def chart_picture(session: Session, view: ChartView, kind: KindView | None, strata: Strata | None) -> Picture:
    """The chart of record, or its points as another kind; with groups told apart where asked."""
    c, series = view.characteristic, view.series
    chart = view.chart if kind is None else kind.chart
    signals = view.signals if kind is None else kind.signals
    base = ["left out" if p.left_out else "corrected" if p.corrected else "" for p in view.points]
    panels = []
    for at, track in enumerate(chart.tracks):
        marks = _flagged(
            base if at == 0 else [""] * len(series), [s for s in signals if s.track == track.name]
        )
        own = track.name in (view.chart.tracks[0].name, "lot mean")
        title = f"{track.name}, {c.unit}" if c.unit and c.kind == "measured" else track.name
        spec = _spec(session, view) if own and at == 0 else ()
        groups = _groups(strata) if strata is not None and own and at == 0 else ()
        panels.append(
            Panel(title, track.values, marks, _levels(session, track, c.decimals + 1), spec, groups)
        )
    state = _limits_state(session, view) if kind is None else (
        f"VIEW: {kind.kind.name}. Not the chart of record, raises no flag. {kind.basis}."
    )  # fmt: skip
    title = f"{view.part_number} {c.code}  {c.name}" + (
        f"  stream {view.choice.stream}" if view.choice.stream else ""
    )
    events = [(p.index, _letter(e)) for p in view.points for e in p.events]
    versions = (
        [(s.first, f"v{s.version}") for s in view.spans if s.limits is not None] if kind is None else []
    )
    flagged = list(dict.fromkeys(series.numbers[s.points[-1]] for s in signals))
    return Picture(
        title=_invented(session, title),
        state=state,
        names=series.numbers,
        panels=panels,
        events=events,
        versions=versions,
        foot=_foot(session, view, flagged, kind, strata),
        describes=f"{title}: {len(series)} points, {len(flagged)} with a signal"
        + (f": {', '.join(flagged[-12:])}" if flagged else "")
        + f". {state}",
    )


def strips_picture(session: Session, found: Strips) -> Picture:
    """Several characteristics over one axis of lots."""
    title = f"{found.part_number}  {', '.join(s.code for s in found.strips)}"
    events = [(at, _letter(event)) for at, held in enumerate(found.before) for event in held]
    foot = [*_event_words([event for held in found.before for event in held]), *found.notes]
    return Picture(
        title=_invented(session, title),
        state=f"{len(found)} lots on one axis, with the limits of record of each characteristic",
        names=found.numbers,
        panels=[_strip(session, strip) for strip in found.strips],
        events=events,
        foot=foot,
        describes=f"{title} over {len(found)} lots.",
    )


def _strip(session: Session, strip: Strip) -> Panel:
    marks = [
        "high" if side > 0 else "low" if side < 0 else "left out" if out else ""
        for side, out in zip(strip.sides.tolist(), strip.left_out.tolist(), strict=True)
    ]
    levels = [
        Level(name, _last(session, values, strip.decimals), values, centre=name == "centre")
        for name, values in (("lower", strip.lower), ("centre", strip.centre), ("upper", strip.upper))
        if np.isfinite(values).any()
    ]
    return Panel(f"{strip.code}  {strip.name}, {strip.unit}", strip.values, marks, levels)


def _levels(session: Session, track: Track, decimals: int) -> list[Level]:
    rows = (("lower limit", track.lower), ("centre", track.centre), ("upper limit", track.upper))
    return [
        Level(name, _last(session, values, decimals), values, centre=name == "centre")
        for name, values in rows
        if np.isfinite(values).any()
    ]


def _last(session: Session, values: np.ndarray[tuple[int], np.dtype[np.float64]], decimals: int) -> str:
    known = values[np.isfinite(values)]
    last = float(known[-1]) if known.size else float("nan")
    more = "" if known.size == 0 or np.ptp(known) == 0 else " (last)"
    digits = decimals if abs(last) >= 1.0 or last == 0.0 else max(decimals, 4)
    return f"{figure(session, last, digits)}{more}"


def _spec(session: Session, view: ChartView) -> list[tuple[str, float]]:
    c = view.characteristic
    if c.kind != "measured":
        return []
    rows = (("spec lower", c.lsl), ("spec upper", c.usl))
    return [
        (f"{name} {figure(session, value, c.decimals)}", value) for name, value in rows if value is not None
    ]


def _groups(strata: Strata) -> list[Group]:
    found, own = [], 0
    for group in strata.groups:
        sign = REST_SIGNS.get(group.name)
        if sign is None:
            sign, own = own, own + 1
        found.append(Group(group.name, sign, group.values))
    return found


def _flagged(marks: Sequence[str], signals: Sequence[Signal]) -> list[str]:
    found = list(marks)
    for signal in signals:
        at = signal.points[-1]
        found[at] = "high" if signal.side >= 0 or found[at] == "high" else "low"
    return found


def _limits_state(session: Session, view: ChartView) -> str:
    last = view.spans[-1].limits if view.spans else None
    if last is None:
        return f"Limits: {view.state}. {view.chart.method}."
    return (
        f"Limits version {last.version}, frozen {session.moment(last.frozen_us)} by {last.person}, "
        f"from {len(last.used_lots)} lots: {last.reason}"
    )


def _foot(
    session: Session, view: ChartView, flagged: Sequence[str], kind: KindView | None, strata: Strata | None
) -> list[str]:
    c = view.characteristic
    lines = [f"Points with a signal: {', '.join(flagged) or 'none'}." if kind is None else ""]
    for span in view.spans if kind is None else ():
        made = span.limits
        if made is not None:
            ends = " to ".join(
                figure(session, end, c.decimals + 1) for end in (made.lower, made.upper) if end is not None
            )
            lines.append(
                f"v{made.version}: centre {figure(session, made.centre, c.decimals + 1)}"
                + (f", limits {ends} {c.unit}".rstrip() if ends else "")
                + f", {len(made.used_lots)} lots, sigma by {made.estimator}."
            )
    lines += [f"Left out of the limits: {out.lot_number}: {out.reason}." for out in view.left_out]
    lines += _event_words([e for p in view.points for e in p.events])
    if view.choice.condition:
        lines.append(f"Readings under: {view.choice.condition}.")
    lines += [f"Kept apart, not in this picture: {other}." for other in view.choice.others]
    lines += [] if kind is None else [f"Method: {kind.chart.method}.", *kind.notes]
    if strata is not None:
        means = ", ".join(
            f"{g.name} {figure(session, g.mean, c.decimals + 1)} ({g.lots})"
            for g in strata.groups
            if isfinite(g.mean)
        )
        lines += [f"By {strata.division.single}, mean (points): {means}.", strata.sentence]
    return [line for line in lines if line]


def _event_words(events: Sequence[Event]) -> list[str]:
    words = list(dict.fromkeys(f"{_letter(e)} {_word(e)}" for e in events))
    return [f"Events before a point: {', '.join(words)}."] if words else []


def _letter(event: Event) -> str:
    kind = event_kinds().get(event.kind)
    return "*" if kind is None else kind.marker


def _word(event: Event) -> str:
    kind = event_kinds().get(event.kind)
    return event.kind if kind is None else kind.word


def _invented(session: Session, title: str) -> str:
    return f"{title}   (invented data)" if session.plant.invented else title
