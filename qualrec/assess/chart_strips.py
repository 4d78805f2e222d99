"""Several characteristics of a part on one axis of lots, to find why strength moved.

Every strip has one value per welded lot, in time order. A characteristic of moulding lots gives each welded lot the mean of
the moulding lots that went into it, weighted by their readings; so a change of material stands under the lot that it
reached, not at the day it was moulded. The energy at the joint comes from `joint_energy`.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from qualrec.assess.causes import events_among
from qualrec.assess.charts import ChartView, chart_view
from qualrec.assess.joint_energy import joint_energy_series
from qualrec.assess.loading import Conn
from qualrec.errors import UnknownRecord, UsageError
from qualrec.records import lookups
from qualrec.values import BoolArray, Event, FloatArray, IntArray, LotRow, Segment

ENERGY = "joint energy"
"""Stands for the energy at the joint where codes of characteristics are given."""
MOST_STRIPS = 8
MOST_LOTS = 2000
"""Newest lots shown where no range is asked for."""


@dataclass(frozen=True, slots=True, eq=False)
class Strip:
    """One row of points over the axis. `lower`, `centre`, `upper`: limits of record at each lot, nan where there are none.

    `sides` is -1 or +1 where the point of record has a signal below or above, else 0; `left_out` marks lots left out of the
    limits. `r`: correlation with the first strip over `common` lots that have both, nan for fewer than 5.
    """

    code: str
    name: str
    unit: str
    decimals: int
    values: FloatArray
    lower: FloatArray
    centre: FloatArray
    upper: FloatArray
    sides: IntArray
    left_out: IntArray
    condition: str
    r: float
    common: int


@dataclass(frozen=True, slots=True, eq=False)
class Strips:
    """The strips over one axis. `before[i]` are the events since the lot before lot i."""

    part_number: str
    numbers: tuple[str, ...]
    lot_ids: IntArray
    at_us: IntArray
    strips: tuple[Strip, ...]
    before: tuple[tuple[Event, ...], ...]
    notes: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.numbers)


def usual_codes(conn: Conn, part_number: str) -> tuple[str, ...]:
    """What is shown unless something else is asked: strength first, the other measured ones with readings, the energy."""
    found = [c for c in lookups.characteristics(conn, part_number) if c.kind == "measured"]
    held = lookups.lot_series_many(conn, [c.id for c in found])
    found = [c for c in found if held.get(c.id)]
    found.sort(key=lambda c: not c.strength)
    return (*(c.code for c in found[: MOST_STRIPS - 1]), ENERGY)


def strips(
    conn: Conn,
    part_number: str,
    codes: Sequence[str] = (),
    *,
    since: str | None = None,
    until: str | None = None,
) -> Strips:
    """The characteristics `codes` of a part (none: `usual_codes`) over its lots from `since` to `until`, both included.

    Lots without any of the values are left out of the axis. Raises UnknownRecord for an unknown part, characteristic or
    lot, UsageError for more than MOST_STRIPS codes or for lots in the wrong order.
    """
    wanted = tuple(dict.fromkeys(codes)) or usual_codes(conn, part_number)
    if len(wanted) > MOST_STRIPS:
        raise UsageError(f"{len(wanted)} characteristics are too many to read.", f"At most {MOST_STRIPS}.")
    newest = MOST_LOTS if since is None and until is None else None
    lots = _between(lookups.lots_of_part(conn, part_number, newest), since, until)
    ids = np.array([lot.id for lot in lots], np.int64)
    segments = lookups.segments(conn, ids.tolist())
    rows = [
        _energy(conn, part_number, ids)
        if code == ENERGY
        else _row(chart_view(conn, part_number, code, price=False), ids, segments)
        for code in wanted
    ]
    full = newest is not None and len(lots) == newest
    known = np.any([np.isfinite(row.values) for row in rows], axis=0) if rows else np.zeros(ids.size, bool)
    rows = [_related(_kept(row, known), _kept(rows[0], known)) for row in rows]
    kept = [lot for lot, there in zip(lots, known.tolist(), strict=True) if there]
    ids, at_us = ids[known], np.array([lot.started_us for lot in kept], np.int64)
    numbers = tuple(lot.number for lot in kept)
    return Strips(
        part_number,
        numbers,
        ids,
        at_us,
        tuple(rows),
        _before(
            events_among(conn, numbers, at_us, {lot: segments.get(lot, ()) for lot in ids.tolist()}), at_us
        ),
        _notes(rows, full),
    )


def _between(lots: Sequence[LotRow], since: str | None, until: str | None) -> Sequence[LotRow]:
    numbers = [lot.number for lot in lots]
    for asked in (since, until):
        if asked is not None and asked not in numbers:
            raise UnknownRecord(f"Lot {asked!r} is not a lot of this part.", "'qualrec lots' lists them.")
    first = 0 if since is None else numbers.index(since)
    last = len(lots) - 1 if until is None else numbers.index(until)
    if lots and last < first:
        raise UsageError(f"Lot {until} comes before lot {since}.", "Give the earlier lot first.")
    return lots[first : last + 1]


def _row(view: ChartView, ids: IntArray, segments: Mapping[int, Sequence[Segment]]) -> Strip:
    """The chart of record of one characteristic, laid on the axis of lots."""
    c, series, track = view.characteristic, view.series, view.chart.tracks[0]
    place = {lot: at for at, lot in enumerate(series.lot_ids.tolist())}
    sides = np.zeros(len(series), np.int64)
    for signal in view.signals:
        sides[signal.points[-1]] = -1 if signal.side < 0 else 1
    gone = np.isin(series.lot_ids, [out.lot_id for out in view.left_out])
    sources: list[list[int]] = []
    for lot in ids.tolist():
        if c.hangs_on == "lot":
            owners: list[int] = [lot]
        else:
            sides_of = [(s.upper, s.lower) for s in segments.get(lot, ())]
            owners = list(dict.fromkeys(m.id for pair in sides_of for m in pair if m is not None))
        sources.append([place[owner] for owner in owners if owner in place])
    rows = {name: np.full(ids.size, np.nan) for name in ("values", "lower", "centre", "upper")}
    flags, out = np.zeros(ids.size, np.int64), np.zeros(ids.size, np.int64)
    for at, found in enumerate(sources):
        if not found:
            continue
        rows["values"][at] = np.average(track.values[found], weights=series.n[found])
        for name in ("lower", "centre", "upper"):
            rows[name][at] = getattr(track, name)[found[-1]]
        flags[at] = min((int(sides[k]) for k in found), key=lambda side: (side == 0, side))
        out[at] = int(gone[found].any())
    decimals = c.decimals + 1 if c.kind == "measured" else 4
    unit = c.unit if c.kind == "measured" else "found each"
    return Strip(
        c.code, c.name, unit, decimals, **rows, sides=flags, left_out=out, condition=view.choice.condition,
        r=float("nan"), common=0,
    )  # fmt: skip


def _energy(conn: Conn, part_number: str, ids: IntArray) -> Strip:
    """The energy at the joint with the window it was qualified for in place of limits."""
    found = joint_energy_series(conn, part_number)
    place = {lot: at for at, lot in enumerate(found.lot_ids.tolist())}
    own = np.array([place.get(lot, -1) for lot in ids.tolist()], np.int64)
    there = own >= 0

    def laid(values: FloatArray) -> FloatArray:
        row = np.full(ids.size, np.nan)
        row[there] = values[own[there]]
        return row

    sides = np.zeros(ids.size, np.int64)
    sides[there] = found.side[own[there]]
    return Strip(
        ENERGY, "energy at the joint (estimate)", found.unit, 4, laid(found.energy), laid(found.low),
        np.full(ids.size, np.nan), laid(found.high), sides, np.zeros(ids.size, np.int64), found.condition,
        float("nan"), 0,
    )  # fmt: skip


def _kept(row: Strip, known: BoolArray) -> Strip:
    names = ("values", "lower", "centre", "upper", "sides", "left_out")
    return replace(row, **{name: getattr(row, name)[known] for name in names})


def _related(row: Strip, first: Strip) -> Strip:
    """The strip with its correlation with the first one (product moment)."""
    both = np.isfinite(row.values) & np.isfinite(first.values)
    common = int(both.sum())
    x, y = row.values[both], first.values[both]
    if row.code == first.code or common < 5 or np.ptp(x) == 0 or np.ptp(y) == 0:
        return replace(row, common=common)
    return replace(row, r=float(np.corrcoef(x, y)[0, 1]), common=common)


def _before(events: Sequence[Event], at_us: IntArray) -> tuple[tuple[Event, ...], ...]:
    """Events by the first lot that began at or after them."""
    moments = at_us.tolist()
    held: list[list[Event]] = [[] for _ in moments]
    for event in events:
        at = bisect_left(moments, event.at_us)
        if at < len(held):
            held[at].append(event)
    return tuple(tuple(found) for found in held)


def _notes(rows: Sequence[Strip], full: bool) -> tuple[str, ...]:
    notes = [
        f"{row.code} and {rows[0].code}: r = {row.r:.2f} over {row.common} lots."
        for row in rows[1:]
        if np.isfinite(row.r)
    ]
    if notes:
        notes.append(
            "Two that move together need not be cause and effect: see what happened at the lot where it began."
        )
    if any(row.sides.any() for row in rows):
        notes.append(
            "A flagged point has a signal on its own chart: of the mean drawn here, of its EWMA or of the spread within lots."
        )
    notes += [f"{row.code} under: {row.condition}." for row in rows if row.condition]
    if any(row.code == ENERGY for row in rows):
        notes.append(
            "Energy at the joint: recipe settings times the transmission of the upper moulding lot, an estimate; its limits "
            "are the window that the recipe revision was qualified for."
        )
    if full:
        notes.append(f"The newest {MOST_LOTS} lots; give a range to see others.")
    return tuple(notes)
