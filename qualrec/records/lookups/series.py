"""Running figures of characteristics from rollups: the cost follows lots, not readings."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from sqlalchemy import Connection, Select, func, literal, select

from qualrec.errors import UnknownRecord
from qualrec.records.lookups.base import chunks, plain_rows, rows_for, table
from qualrec.records.lookups.conditions import (
    conditions_of,
    group_ids,
    group_key,
    members,
    separating_of,
    several_groups,
    stored_conditions,
)
from qualrec.records.lookups.merge import RollupRows, merge_rows
from qualrec.records.lookups.parts import Stream
from qualrec.values import NO_CONDITION, NO_STREAM, Condition, IntArray, LotSeries, ModeCount

WHOLE = ("lot_id", "at_us", "position", "stream_id", "condition_id", "n")
REAL = ("shift", "s1", "s2", "low", "high", "first", "last", "sp")


@dataclass(frozen=True, slots=True, eq=False)
class Shape:
    """Counts in equal bins from `low` to `high`; `under` and `over` lie outside."""

    low: float
    high: float
    counts: IntArray
    under: int
    over: int


def _statement(hangs_on: str) -> Select[Any]:
    """Rollup rows with the lot or moulding lot they belong to, without order: `_series` sorts them."""
    u = table("rollup")
    sums = [u.c[name] for name in ("stream_id", "condition_id", "n", *REAL)]
    if hangs_on == "lot":
        o, s = table("lot"), table("lot_segment")
        place = [
            o.c.number,
            o.c.id.label("lot_id"),
            o.c.started_us.label("at_us"),
            s.c.position,
        ]
        joined = u.join(s, s.c.id == u.c.subject_id).join(o, o.c.id == s.c.lot_id)
    else:
        m = table("moulding_lot")
        place = [
            m.c.number,
            m.c.id.label("lot_id"),
            m.c.moulded_us.label("at_us"),
            literal(0).label("position"),
        ]
        joined = u.join(m, m.c.id == u.c.subject_id)
    return select(*place, *sums).select_from(joined).where(u.c.subgroup == 0, u.c.n > 0)


def _corrected(
    conn: Connection, characteristic_ids: Sequence[int], stream_id: int | None
) -> dict[int, set[int]]:
    """Lots or moulding lots with a corrected reading, by characteristic."""
    k, s = table("correction"), table("lot_segment")
    owner = func.coalesce(s.c.lot_id, k.c.subject_id).label("owner")
    asked = select(k.c.characteristic_id, owner).outerjoin(s, s.c.id == k.c.subject_id).distinct()
    if stream_id is not None:
        asked = asked.where(k.c.stream_id == stream_id)
    found: dict[int, set[int]] = {}
    for row in rows_for(conn, asked, k.c.characteristic_id, characteristic_ids):
        found.setdefault(row.characteristic_id, set()).add(row.owner)
    return found


def _columns(rows: Sequence[Any]) -> dict[str, Any]:
    """Arrays by name out of rows (number, whole numbers .., real numbers .., perhaps the characteristic)."""
    names = ("number", *WHOLE, *REAL, "characteristic_id")
    held = zip(*rows, strict=True) if rows else [()] * len(names)
    kinds = {"number": object, **dict.fromkeys(REAL, np.float64)}
    return {
        name: np.fromiter(one, kinds.get(name, np.int64), len(one))
        for name, one in zip(names, held, strict=False)
    }


def _series(columns: dict[str, Any], key: tuple[int, int, int], corrected: Iterable[int]) -> LotSeries:
    """One point per lot in time order out of rows of one characteristic. `key`: characteristic, stream, condition."""
    c = columns
    order = np.lexsort((c["position"], c["condition_id"], c["stream_id"], c["lot_id"], c["at_us"]))
    c = {name: held[order] for name, held in c.items()}
    run = np.cumsum(
        np.concatenate(([0], (np.diff(c["stream_id"]) != 0) | (np.diff(c["condition_id"]) != 0)))[
            : len(order)
        ]
    )
    sums = {name: c[name] for name in ("n", *REAL)}
    points = merge_rows(RollupRows(point=c["lot_id"], run=run, **sums))
    first = points.start
    lots = c["lot_id"][first]
    return LotSeries(
        characteristic_id=key[0],
        stream_id=key[1],
        condition_id=key[2],
        lot_ids=lots,
        numbers=tuple(c["number"][first].tolist()),
        at_us=c["at_us"][first],
        n=points.n,
        mean=points.mean,
        sd=points.sd,
        low=points.low,
        high=points.high,
        corrected=np.isin(lots, np.fromiter(corrected, np.int64)),
        r1=points.r1,
    )


def _identity(conn: Connection, characteristic_ids: Iterable[int]) -> dict[int, Any]:
    c = table("characteristic")
    asked = select(c.c.id, c.c.code, c.c.hangs_on, c.c.part_id).order_by(c.c.id)
    return {row.id: row for row in rows_for(conn, asked, c.c.id, characteristic_ids)}


def identity(conn: Connection, characteristic_id: int) -> Any:
    """Row (id, code, hangs_on, part_id) of a characteristic. Raises UnknownRecord."""
    found = _identity(conn, [characteristic_id])
    if characteristic_id not in found:
        raise UnknownRecord(
            f"There is no characteristic with id {characteristic_id}.", "See the characteristics of the part."
        )
    return found[characteristic_id]


def lot_series(
    conn: Connection,
    characteristic_id: int,
    *,
    stream_id: int | None = None,
    condition_id: int | None = None,
    until_us: int | None = None,
) -> LotSeries:
    """Running figures of a characteristic, one point per lot (or moulding lot) in time order; accepted and corrected only.

    `stream_id` None pools all streams. `condition_id` None pools all conditions, and is refused (UsageError) where readings
    exist under conditions that the characteristic keeps apart: then give an id of `conditions_of` (any condition of the
    group will do). `until_us`: only lots begun by that moment. Segments of a lot are merged exactly. `at_us` is the start
    of the lot, or the moulding moment.
    """
    row = identity(conn, characteristic_id)
    separating = separating_of(conn, [characteristic_id]).get(characteristic_id, ())
    group, wanted = _chosen(conn, row, separating, condition_id)
    u = table("rollup")
    asked = _statement(row.hangs_on).where(u.c.characteristic_id == characteristic_id)
    if stream_id is not None:
        asked = asked.where(u.c.stream_id == stream_id)
    if until_us is not None:
        moment = table("lot").c.started_us if row.hangs_on == "lot" else table("moulding_lot").c.moulded_us
        asked = asked.where(moment <= until_us)
    if wanted is not None:
        asked = asked.where(u.c.condition_id.in_(sorted(wanted)))
    columns = _columns(plain_rows(conn, asked))
    corrected = _corrected(conn, [characteristic_id], stream_id).get(characteristic_id, set())
    stream = NO_STREAM if stream_id is None else stream_id
    return _series(columns, (characteristic_id, stream, group), corrected)


def _chosen(
    conn: Connection, row: Any, separating: Sequence[str], condition_id: int | None
) -> tuple[int, frozenset[int] | None]:
    """The id of the group of conditions to show and its conditions; None: all."""
    if condition_id is not None:
        return members(conn, separating, condition_id)
    if not separating:
        return NO_CONDITION, None
    groups = conditions_of(conn, row.id)
    if len(groups) > 1:
        raise several_groups(row.code, separating, [g.label for g in groups])
    return (groups[0].id if groups else NO_CONDITION), None


def lot_series_many(
    conn: Connection, characteristic_ids: Iterable[int], *, until_us: int | None = None
) -> dict[int, tuple[LotSeries, ...]]:
    """Series of many characteristics, pooled over streams: one for each group of conditions that is kept apart.

    Most characteristics have one; the group with most points comes first. A characteristic without readings has none. The
    number of queries does not grow with characteristics.
    """
    ids = sorted(set(characteristic_ids))
    known = _identity(conn, ids)
    separating: dict[int, tuple[str, ...]] = {}
    corrected: dict[int, set[int]] = _corrected(conn, ids, None)
    for chunk in chunks(ids):
        separating.update(separating_of(conn, chunk))
    stored = stored_conditions(conn) if any(separating.values()) else {}
    found: dict[int, tuple[LotSeries, ...]] = dict.fromkeys(ids, ())
    u = table("rollup")
    for hangs_on in ("lot", "moulding lot"):
        wanted = [one for one in ids if one in known and known[one].hangs_on == hangs_on]
        asked = _statement(hangs_on)
        if until_us is not None:
            moment = table("lot").c.started_us if hangs_on == "lot" else table("moulding_lot").c.moulded_us
            asked = asked.where(moment <= until_us)
        asked = asked.add_columns(u.c.characteristic_id)
        for chunk in chunks(wanted):
            columns = _columns(plain_rows(conn, asked.where(u.c.characteristic_id.in_(chunk))))
            of_row = columns.pop("characteristic_id")
            order = np.argsort(of_row, kind="stable")
            present, first = np.unique(of_row[order], return_index=True)
            for one, picked in zip(present.tolist(), np.split(order, first[1:]), strict=False):
                held = {name: values[picked] for name, values in columns.items()}
                apart = separating.get(one, ())
                found[one] = _by_group(stored, held, one, apart, corrected.get(one, set()))
    return found


def _by_group(
    stored: Mapping[int, Condition],
    columns: dict[str, Any],
    characteristic_id: int,
    separating: Sequence[str],
    corrected: set[int],
) -> tuple[LotSeries, ...]:
    if not separating:
        return (_series(columns, (characteristic_id, NO_STREAM, NO_CONDITION), corrected),)
    present = np.unique(columns["condition_id"]).tolist()
    lowest = group_ids(stored, separating)
    group = {one: lowest[group_key(stored[one], separating)] for one in present}
    of_row = np.array([group[one] for one in columns["condition_id"].tolist()], np.int64)
    series = [
        _series(
            {name: held[of_row == one] for name, held in columns.items()},
            (characteristic_id, NO_STREAM, int(one)),
            corrected,
        )
        for one in np.unique(of_row)
    ]
    return tuple(sorted(series, key=lambda s: (-len(s), s.condition_id)))


def streams_of(conn: Connection, characteristic_id: int) -> tuple[Stream, ...]:
    """The streams in which a characteristic has readings, in the order of entry; stream 0 is readings not divided."""
    u, t = table("rollup"), table("stream")
    used = select(u.c.stream_id).where(u.c.characteristic_id == characteristic_id, u.c.subgroup == 0)
    found = conn.execute(select(t).where(t.c.id.in_(used)).order_by(t.c.id))
    return tuple(
        Stream(row.id, row.part_id, row.label, row.nest, row.upper_cavity_id, row.lower_cavity_id)
        for row in found
    )


def mode_counts(
    conn: Connection, characteristic_id: int, lot_ids: Sequence[int] | None = None
) -> tuple[ModeCount, ...]:
    """Failure modes of a characteristic by lot, pooled over streams, lots in time order, modes by the alphabet."""
    m, s, o = table("mode_count"), table("lot_segment"), table("lot")
    asked = (
        select(
            o.c.id,
            o.c.started_us,
            m.c.mode,
            func.sum(m.c.n).label("n"),
            func.sum(m.c.interfacial_sum_pct).label("interfacial"),
        )
        .select_from(m.join(s, s.c.id == m.c.subject_id).join(o, o.c.id == s.c.lot_id))
        .where(m.c.characteristic_id == characteristic_id)
        .group_by(o.c.id, o.c.started_us, m.c.mode)
    )
    rows = list(conn.execute(asked)) if lot_ids is None else rows_for(conn, asked, o.c.id, lot_ids)
    return tuple(
        ModeCount(row.id, characteristic_id, row.mode, int(row.n), float(row.interfacial))
        for row in sorted(rows, key=lambda r: (r.started_us, r.id, r.mode))
        if row.n
    )


def shape(
    conn: Connection,
    characteristic_id: int,
    *,
    stream_id: int | None = None,
    lot_ids: Sequence[int] | None = None,
) -> Shape | None:
    """Binned values of a characteristic summed over lots; None where none are kept.

    Where limits changed, only counts over the range of the newest subject are summed: bins of another range do not add.
    """
    h, s, m = table("shape"), table("lot_segment"), table("moulding_lot")
    owner = func.coalesce(s.c.lot_id, m.c.id)
    asked = (
        select(h.c.subject_id, h.c.low, h.c.high, h.c.counts)
        .select_from(h.outerjoin(s, s.c.id == h.c.subject_id).outerjoin(m, m.c.id == h.c.subject_id))
        .where(h.c.characteristic_id == characteristic_id)
        .order_by(h.c.subject_id, h.c.stream_id)
    )
    if stream_id is not None:
        asked = asked.where(h.c.stream_id == stream_id)
    rows = list(conn.execute(asked)) if lot_ids is None else rows_for(conn, asked, owner, lot_ids)
    if not rows:
        return None
    low, high = max(rows, key=lambda r: r.subject_id)[1:3]
    alike = [json.loads(r.counts) for r in rows if (r.low, r.high) == (low, high)]
    counts = np.array(alike, np.int64).sum(axis=0)
    under, *inside, over = counts.tolist()
    return Shape(low, high, np.array(inside, np.int64), under, over)
