"""Charts and capability as text on stdout."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from qualrec.cli import output
from qualrec.cli.lot_text import figure
from qualrec.weld.trade_rules import event_kinds

if TYPE_CHECKING:
    from collections.abc import Iterable

    from qualrec.assess import CapabilityReport, ChartView
    from qualrec.assess.chart_kinds import KindView
    from qualrec.assess.chart_strata import Strata
    from qualrec.assess.chart_strips import Strips
    from qualrec.stats.results import Index, Track
    from qualrec.work.session import Session


def print_view(session: Session, view: ChartView) -> None:
    """The chart as a table: every point with its limits, signals and events."""
    c = view.characteristic
    output.line(f"{view.part_number} {c.code} {c.name}, {c.unit}: {view.chart.method}")
    output.line(f"Limits: {view.state}")
    for span in view.spans:
        if span.limits is not None:
            made = span.limits
            output.line(
                f"  version {span.version}: centre {figure(session, made.centre)}, "
                f"{figure(session, made.lower)} to {figure(session, made.upper)}, from {len(made.used_lots)} lots, "
                f"frozen {session.moment(made.frozen_us)} by {made.person}: {made.reason}"
            )
    for out in view.left_out:
        output.line(f"  left out: {out.lot_number}: {out.reason}")
    if view.rules:
        output.line(f"Rules: {'; '.join(view.rules)}")
    output.line()
    tracks = view.chart.tracks
    heads = ["lot", "at", "n"]
    for track in tracks:
        heads += [track.name, "limits"]
    heads.append("signals and events")
    output.table(heads, (_point(session, view, tracks, i) for i in range(len(view.series))))
    for note in view.notes:
        output.line(note)


def _point(session: Session, view: ChartView, tracks: tuple[Track, ...], i: int) -> list[object]:
    series = view.series
    row: list[object] = [series.numbers[i], session.moment(int(series.at_us[i])), int(series.n[i])]
    for track in tracks:
        row += [
            _number(session, track.values[i]),
            f"{_number(session, track.lower[i])}..{_number(session, track.upper[i])}",
        ]
    found = [s.text for s in view.signals_at(i)]
    point = view.points[i]
    words = event_kinds()
    found += [f"event: {words[e.kind].word if e.kind in words else e.kind}" for e in point.events]
    if any(restart.index == i for restart in view.restarts):
        found.append("EWMA begins anew here")
    if point.left_out:
        found.append(f"left out: {point.left_out}")
    if point.corrected:
        found.append("holds a corrected reading")
    row.append("; ".join(found))
    return row


def print_other(session: Session, view: ChartView, kind: KindView | None, strata: Strata | None) -> None:
    """The points as another kind of chart, and the groups they fall into."""
    c = view.characteristic
    output.line(f"{view.part_number} {c.code} {c.name}, {c.unit}")
    if kind is not None:
        output.line(f"View, not the chart of record; it raises no flag: {kind.chart.method}")
        output.line(f"Limits from: {kind.basis}")
    if strata is not None:
        output.table(
            (strata.division.single, "points", "n", "mean"),
            ((g.name, g.lots, g.n, figure(session, g.mean)) for g in strata.groups),
            right=(1, 2, 3),
        )
        if strata.sentence:
            output.line(strata.sentence)
    output.line()
    tracks = view.chart.tracks[:1] if kind is None else kind.chart.tracks
    heads = ["lot", "at", "n"]
    for track in tracks:
        heads += [track.name, "limits"]
    heads += ["beyond"] if kind is not None else []
    heads += [strata.division.single] if strata is not None else []
    rows = []
    for i, number in enumerate(view.series.numbers):
        row: list[object] = [number, session.moment(int(view.series.at_us[i])), int(view.series.n[i])]
        for track in tracks:
            row += [
                _number(session, track.values[i]),
                f"{_number(session, track.lower[i])}..{_number(session, track.upper[i])}",
            ]
        if kind is not None:
            row.append("; ".join(s.text for s in kind.signals if s.points[-1] == i))
        if strata is not None:
            row.append(", ".join(strata.names_at(i)))
        rows.append(row)
    output.table(heads, rows)
    for note in kind.notes if kind is not None else ():
        output.line(note)


def print_strips(session: Session, found: Strips) -> None:
    """Several characteristics over one axis of lots, one line per lot."""
    words = event_kinds()
    heads = [
        "lot",
        "at",
        *(f"{strip.code} {strip.unit}".rstrip() for strip in found.strips),
        "signals and events",
    ]
    rows = []
    for i, number in enumerate(found.numbers):
        said = [
            f"{strip.code} {'high' if strip.sides[i] > 0 else 'low'}"
            for strip in found.strips
            if strip.sides[i] != 0
        ]
        said += [f"event: {words[e.kind].word if e.kind in words else e.kind}" for e in found.before[i]]
        values = [_number(session, strip.values[i]) for strip in found.strips]
        rows.append([number, session.moment(int(found.at_us[i])), *values, "; ".join(said)])
    output.table(heads, rows)
    for note in found.notes:
        output.line(note)


def _number(session: Session, value: float) -> str:
    return "" if math.isnan(value) else figure(session, float(value))


def print_capability(session: Session, report: CapabilityReport) -> None:
    """The chain of evidence, the indices with their bounds, what stands beside them."""
    c = report.characteristic
    output.line(f"{report.part_number} {c.code} {c.name}: {report.lots} lots, {report.readings} readings")
    output.table(
        ("link", "answer", "why"), ((link.question, link.answer, link.why) for link in report.chain.links)
    )
    output.line(report.chain.sentence)
    if report.remark:
        output.line(f"Any index here carries the remark: {report.remark}.")
    if report.refusal:
        output.line(f"No index: {report.refusal}")
    if report.capability is not None:
        found = report.capability
        output.line(
            f"Mean {figure(session, found.mean)} {c.unit}; limits {figure(session, c.lsl) or 'none'} to "
            f"{figure(session, c.usl) or 'none'}; requirement {figure(session, report.evidence.requirement) or 'none'}"
        )
        output.table(
            ("index", "value", "95 % lower bound", "sigma", "n", "lots", "bound by"),
            _indices(session, (*found.within, *found.overall)),
            right=(1, 2),
        )
    percent = report.shape.percentiles if report.shape is not None else None
    if percent is not None:
        output.line("By percentiles, as the values are not normal:")
        output.table(
            ("index", "value", "95 % lower bound", "shape", "n", "lots", "bound by"),
            _indices(session, percent.indices),
            right=(1, 2),
        )
    for sentence in report.sentences:
        output.line(sentence)
    output.line()


def _indices(session: Session, indices: Iterable[Index]) -> list[tuple[object, ...]]:
    return [
        (
            i.name,
            f"{figure(session, i.value, 2)}",
            f"{figure(session, i.bound.value, 2)}",
            i.estimator,
            i.n,
            i.k,
            i.bound.method,
        )
        for i in indices
    ]
