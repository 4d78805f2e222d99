"""Other kinds of chart of the same points: views, never verdicts. Loads nothing.

The chart of record is the one whose limits are frozen and whose points raise flags. A view draws the same points another
way; its limits are worked out for the view from the lots that the limits of record rest on (all points where none are
frozen), are never stored, and raise nothing.

    single values   lot means as single values, limits 3 sigma, and their moving ranges
    subgroups       lot means with limits from the spread within lots, 3 sigma/sqrt(n), and S: shows whether lots differ
                    more than the parts in them; its limits are too narrow to judge lots where they do
    cusum           cumulative sums up and down, k 0.5, h 5, from centre and sigma of record
    p u np          share, rate or number found; p' and u' with limits widened by the scatter between lots

Source: ISO 7870-2 and ISO 7870-4; Laney 2002 (from memory), see `qualrec.stats`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from qualrec.assess.chart_data import FROZEN, counts_of
from qualrec.assess.charts import ChartView
from qualrec.errors import UsageError
from qualrec.stats import attributes, charts, cusum, laney
from qualrec.stats.results import Chart, Frozen, Signal, Track
from qualrec.stats.rules import evaluate_chart, rule
from qualrec.values import BoolArray, Characteristic, Limits, LotSeries

RECORD = "record"
LIMIT_RULE = (rule("beyond_limit"),)


@dataclass(frozen=True, slots=True)
class Kind:
    """A kind of view: its id, its name, and the question it answers."""

    id: str
    name: str
    question: str


MEASURED = (
    Kind("single values", "single values and moving ranges", "Does one lot jump away from the one before?"),
    Kind("subgroups", "limits from the spread within lots", "Do lots differ more than the parts in them?"),
    Kind("cusum", "cumulative sums", "When did the level begin to move, and to where?"),
)
COUNTED = (
    Kind("p", "share found (p)", "Is the share of parts found beyond chance?"),
    Kind("p'", "share found, limits widened (p')", "The same where lots scatter more than counting does."),
    Kind("u", "found per unit (u)", "Is the rate beyond chance where a part may have several?"),
    Kind("u'", "found per unit, limits widened (u')", "The same where lots scatter more than counting does."),
    Kind("np", "number found (np)", "How many were found, beside how many were to be expected?"),
)
KINDS: Mapping[str, Kind] = {kind.id: kind for kind in (*MEASURED, *COUNTED)}


@dataclass(frozen=True, slots=True, eq=False)
class KindView:
    """A view of the points: `main` and `below` are names of tracks of `chart`; `signals` are points beyond its limits."""

    kind: Kind
    chart: Chart
    signals: tuple[Signal, ...]
    main: str
    below: str
    basis: str
    """What the limits of the view rest on, in words."""
    notes: tuple[str, ...] = ()

    def track(self, name: str) -> Track | None:
        return next((t for t in self.chart.tracks if t.name == name), None)


def kinds_for(c: Characteristic, series: LotSeries) -> tuple[Kind, ...]:
    """The views that the data allow, in a fixed order; none for fewer than 2 points."""
    if len(series) < 2:
        return ()
    if c.kind == "counted":
        fits = bool(np.all(counts_of(series) <= series.n))
        record = {"p": "p", "u": "u"}.get(c.chart, "")
        return tuple(k for k in COUNTED if k.id != record and (fits or k.id.startswith("u")))
    many = int(np.sum((series.n >= 2) & np.isfinite(series.sd))) >= 2
    return tuple(k for k in MEASURED if many or k.id != "subgroups")


def kind_view(view: ChartView, kind: str) -> KindView:
    """The points as a chart of another kind.

    Raises UsageError for a kind that the data do not allow, ComputeError where its limits cannot be worked out.
    """
    c, series = view.characteristic, view.series
    allowed = kinds_for(c, series)
    found = next((k for k in allowed if k.id == kind), None)
    if found is None:
        listed = ", ".join(k.id for k in allowed) or "none"
        raise UsageError(f"{c.code} has no view of kind {kind!r}.", f"Views of its points: {listed}.")
    used, basis = _used(view)
    chart = _MAKERS[kind](view, used)
    names = [track.name for track in chart.tracks]
    if kind == "cusum" and view.state == FROZEN:
        basis = "Centre and sigma of record"
    signals = evaluate_chart(chart, LIMIT_RULE)
    below = names[1] if len(names) > 1 else ""
    return KindView(found, chart, signals, names[0], below, basis, _notes(chart, kind))


def _notes(chart: Chart, kind: str) -> tuple[str, ...]:
    notes = list(chart.notes)
    if kind == "subgroups":
        notes.append(
            "Limits from the spread within lots call lots out of limits that differ from each other in the usual way: "
            "use them to see the spread between lots, not to judge a lot."
        )
    if kind == "cusum":
        found = cusum.shift_of(chart)
        notes.append(
            "Neither sum is beyond its limit at the last point."
            if found is None
            else f"The sum that is beyond its limit began at point {found.first + 1}; level since then {found.level:.5g}."
        )
    return tuple(notes)


def _used(view: ChartView) -> tuple[BoolArray, str]:
    """The points that the limits of a view come from: those of the limits of record, where they are on the chart."""
    record, series = _last_limits(view), view.series
    if record is not None:
        used = np.isin(series.lot_ids, record.used_lots)
        if int(used.sum()) >= 2:
            return used, f"The {int(used.sum())} lots of limits version {record.version}"
    gone = {out.lot_id for out in view.left_out}
    used = ~np.isin(series.lot_ids, sorted(gone)) if gone else np.ones(len(series), bool)
    return used, f"All {int(used.sum())} points shown"


def _last_limits(view: ChartView) -> Limits | None:
    return view.spans[-1].limits if view.state == FROZEN and view.spans else None


def _single_values(view: ChartView, used: BoolArray) -> Chart:
    series = view.series
    chart = charts.individuals(series.mean, used=used)
    return replace(chart, tracks=(replace(chart.tracks[0], name="lot mean"), *chart.tracks[1:]))


def _subgroups(view: ChartView, used: BoolArray) -> Chart:
    series = view.series
    several = used & (series.n >= 2) & np.isfinite(series.sd)
    chart = charts.xbar_s(series.mean, series.sd, series.n, used=several)
    return replace(chart, tracks=(replace(chart.tracks[0], name="lot mean"), *chart.tracks[1:]))


def _cusum(view: ChartView, used: BoolArray) -> Chart:
    series = view.series
    record = _last_limits(view)
    if record is None or not record.sigma > 0:
        return cusum.cusum_chart(series.mean, used=used)
    frozen = Frozen(
        "cusum",
        record.centre,
        record.sigma,
        record.estimator,
        k=len(record.used_lots),
        slack=cusum.SLACK,
        decision=cusum.DECISION,
    )
    gone = np.isin(series.lot_ids, [out.lot_id for out in view.left_out])
    return cusum.apply(frozen, np.where(gone, np.nan, series.mean), used=used)


def _counts(make: Callable[..., Chart]) -> Callable[..., Chart]:
    def made(view: ChartView, used: BoolArray) -> Chart:
        return make(counts_of(view.series), view.series.n, used=used)

    return made


_MAKERS: Mapping[str, Callable[[ChartView, BoolArray], Chart]] = {
    "single values": _single_values,
    "subgroups": _subgroups,
    "cusum": _cusum,
    "p": _counts(attributes.p_chart),
    "np": _counts(attributes.np_chart),
    "u": _counts(attributes.u_chart),
    "p'": _counts(laney.p_prime_chart),
    "u'": _counts(laney.u_prime_chart),
}
