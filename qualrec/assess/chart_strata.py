"""The points of a chart told apart by what was behind them: cavity, station, moulding lot, material delivery, recipe."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from qualrec.assess.chart_notes import differ_words
from qualrec.assess.charts import ChartView
from qualrec.assess.loading import Conn
from qualrec.errors import UsageError
from qualrec.records import lookups
from qualrec.values import FloatArray, MouldingLot, Segment

MOST = 6
"""Groups with a sign of their own, those with most points and of these the newest; the others go together as OTHERS."""
SEVERAL, OTHERS, UNKNOWN = "several in one lot", "others", "not on record"


@dataclass(frozen=True, slots=True)
class Division:
    """A way to tell points apart: its id, the name of the groups, and what one of them is called."""

    id: str
    plural: str
    single: str


DIVISIONS = (
    Division("stream", "streams", "stream"),
    Division("station", "stations", "station"),
    Division("upper lot", "upper moulding lots", "upper moulding lot"),
    Division("lower lot", "lower moulding lots", "lower moulding lot"),
    Division("upper material", "deliveries of the upper material", "delivery"),
    Division("lower material", "deliveries of the lower material", "delivery"),
    Division("recipe", "recipe revisions", "recipe revision"),
    Division("material", "deliveries of the material", "delivery"),
    Division("tool", "moulding tools", "tool"),
)
OF_LOTS = ("station", "upper lot", "lower lot", "upper material", "lower material", "recipe")
OF_MOULDING_LOTS = ("material", "tool")


@dataclass(frozen=True, slots=True, eq=False)
class Stratum:
    """One group. `values` has one entry per point of the chart, nan where the point is of another group."""

    name: str
    values: FloatArray
    lots: int
    n: int
    mean: float
    """Of its readings."""


@dataclass(frozen=True, slots=True, eq=False)
class Strata:
    """The groups in order of first appearance, OTHERS and UNKNOWN last. `sentence`: whether they differ; '' if not to tell."""

    division: Division
    groups: tuple[Stratum, ...]
    sentence: str

    def names_at(self, index: int) -> tuple[str, ...]:
        """The groups with a value at a point."""
        return tuple(g.name for g in self.groups if np.isfinite(g.values[index]))


def divisions_for(view: ChartView) -> tuple[Division, ...]:
    """The ways in which the points of a chart can be told apart."""
    ids = [*OF_LOTS] if view.characteristic.hangs_on == "lot" else [*OF_MOULDING_LOTS]
    if view.choice.streams and not view.choice.stream_id:
        ids.insert(0, "stream")
    return tuple(d for d in DIVISIONS if d.id in ids)


def stratify(conn: Conn, view: ChartView, by: str) -> Strata:
    """The points of a chart by `by`, an id of `divisions_for`. Raises UsageError for another."""
    allowed = divisions_for(view)
    division = next((d for d in allowed if d.id == by), None)
    if division is None:
        listed = ", ".join(d.id for d in allowed) or "none"
        raise UsageError(f"The points of {view.characteristic.code} cannot be told apart by {by!r}.", listed)
    groups, means = _by_stream(conn, view) if by == "stream" else _by_label(view, _labels(conn, view, by))
    sentence = ""
    if view.characteristic.kind == "measured":
        able = {name: x for name, x in means.items() if x.size >= 2 and np.ptp(x) > 0}
        if len(able) >= 2:
            sentence = differ_words(view.characteristic, able, division.plural)
    return Strata(division, groups, sentence)


def _by_stream(conn: Conn, view: ChartView) -> tuple[tuple[Stratum, ...], dict[str, FloatArray]]:
    c, choice, series = view.characteristic, view.choice, view.series
    condition = choice.condition_id if c.separating and choice.condition_id else None
    held = []
    for stream in lookups.streams_of(conn, c.id):
        if stream.label not in choice.streams:
            continue
        one = lookups.lot_series(conn, c.id, stream_id=stream.id, condition_id=condition)
        values = np.full(len(series), np.nan)
        place = {lot: at for at, lot in enumerate(series.lot_ids.tolist())}
        own = [(place[lot], at) for at, lot in enumerate(one.lot_ids.tolist()) if lot in place]
        if own:
            to, of = (np.array(side) for side in zip(*own, strict=True))
            values[to] = one.mean[of]
            n = one.n[of]
            held.append(
                Stratum(
                    stream.label, values, to.size, int(n.sum()), float((n * one.mean[of]).sum() / n.sum())
                )
            )
    held.sort(key=lambda g: -g.lots)
    means = {g.name: g.values[np.isfinite(g.values)] for g in held}
    most = len(held) if len(held) == MOST + 1 else MOST
    rest = held[most:]
    shown = sorted(held[:most], key=lambda g: view.choice.streams.index(g.name))
    if rest:
        stack = np.array([g.values for g in rest])
        there = np.isfinite(stack)
        many = there.sum(axis=0)
        with np.errstate(invalid="ignore", divide="ignore"):
            values = np.where(there, stack, 0.0).sum(axis=0) / many
        n = sum(g.n for g in rest)
        mean = sum(g.n * g.mean for g in rest) / n
        shown.append(Stratum(OTHERS, values, int((many > 0).sum()), n, mean))
    return tuple(shown), means


def _by_label(view: ChartView, labels: Sequence[str]) -> tuple[tuple[Stratum, ...], dict[str, FloatArray]]:
    series, drawn = view.series, view.chart.tracks[0].values
    newest_first = [label for label in reversed(labels) if label not in (UNKNOWN, SEVERAL)]
    counted = Counter(newest_first)
    most = {label for label, _ in counted.most_common(len(counted) if len(counted) == MOST + 1 else MOST)}
    every = np.array(labels, dtype=object)
    means = {
        label: drawn[(every == label) & np.isfinite(drawn)] for label in dict.fromkeys(newest_first[::-1])
    }
    shown = [label if label in most or label in (UNKNOWN, SEVERAL) else OTHERS for label in labels]
    order = [
        *(name for name in dict.fromkeys(shown) if name in most),
        *(name for name in (SEVERAL, OTHERS, UNKNOWN) if name in shown),
    ]
    named = np.array(shown, dtype=object)
    groups = []
    for name in order:
        own = named == name
        n = series.n[own]
        groups.append(
            Stratum(
                name,
                np.where(own, drawn, np.nan),
                int(own.sum()),
                int(n.sum()),
                float((n * series.mean[own]).sum() / n.sum()),
            )
        )
    return tuple(groups), means


def _labels(conn: Conn, view: ChartView, by: str) -> list[str]:
    """The group of each point."""
    lots = view.series.lot_ids.tolist()
    if by in OF_MOULDING_LOTS:
        moulded = lookups.load_moulding_lots(conn, lots)
        return [_one([_moulded(moulded.get(lot), by)]) for lot in lots]
    segments: Mapping[int, Sequence[Segment]] = lookups.segments(conn, lots)
    return [_one([_welded(segment, by) for segment in segments.get(lot, ())]) for lot in lots]


def _one(names: Sequence[str]) -> str:
    found = set(names) - {""}
    return UNKNOWN if not found else found.pop() if len(found) == 1 else SEVERAL


def _welded(segment: Segment, by: str) -> str:
    if by == "station":
        return segment.station
    if by == "recipe":
        return "" if segment.recipe is None else f"{segment.recipe.code} rev {segment.recipe.revision}"
    side = segment.upper if by.startswith("upper") else segment.lower
    if by.endswith("lot"):
        return "" if side is None else side.number
    return _moulded(side, "material")


def _moulded(lot: MouldingLot | None, by: str) -> str:
    if lot is None:
        return ""
    return lot.tool if by == "tool" else " + ".join(lot.deliveries)
