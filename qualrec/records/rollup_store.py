"""Rollups, mode counts and shapes in the database: adding a batch to them, and rebuilding them from the readings."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from sqlalchemy import Connection, text

from qualrec.records.columns import Columns, Key3, join, scan
from qualrec.records.fast_insert import insert_rows
from qualrec.records.overlays import ACCEPTED, Overlay, apply_overlays, overlays_of, pull_counts
from qualrec.records.rollup import (
    BINS,
    SHAPE_FROM,
    GroupSums,
    Sums,
    group_sums,
    merge,
    shape_counts,
    shape_range,
    starts,
    subgroup_of,
)
from qualrec.values import FloatArray, IntArray

KEY3 = "subject_id = :subject AND characteristic_id = :characteristic AND stream_id = :stream"
ROLLUP_NAMES = ("subject_id", "characteristic_id", "stream_id", "condition_id", "subgroup", *Sums.__slots__)
RollupRows = dict[Key3, dict[tuple[int, int], Sums]]
"""Sums by subject, characteristic, stream, then by condition and subgroup."""


@dataclass(frozen=True, slots=True)
class Plan:
    """What sums need of a characteristic's revision."""

    from_us: int
    target: float | None
    size: int
    every: int
    bins: tuple[float, float] | None


Plans = Mapping[int, Sequence[Plan]]


def load_plans(connection: Connection, characteristic_ids: Iterable[int]) -> dict[int, list[Plan]]:
    """Revisions of characteristics by time."""
    found: dict[int, list[Plan]] = {int(c): [] for c in characteristic_ids}
    wanted = sorted(found)
    for i in range(0, len(wanted), 500):
        listed = ", ".join(str(c) for c in wanted[i : i + 500])
        query = text(
            "SELECT characteristic_id, valid_from_us, target, subgroup_size, subgroup_every, lsl, usl, plausible_low,"
            f" plausible_high FROM characteristic_revision WHERE characteristic_id IN ({listed})"
            " ORDER BY characteristic_id, valid_from_us, revision"
        )
        for row in connection.execute(query):
            bins = shape_range(row.lsl, row.usl, row.target, row.plausible_low, row.plausible_high)
            found[row.characteristic_id].append(
                Plan(row.valid_from_us, row.target, row.subgroup_size, row.subgroup_every, bins)
            )
    return found


def plan_at(plans: Plans, characteristic_id: int, at_us: int) -> Plan:
    """The revision in force at the first reading of a group; the earliest where none was in force yet."""
    chosen = None
    for plan in plans.get(characteristic_id, ()):
        if chosen is None or plan.from_us <= at_us:
            chosen = plan
    return chosen or Plan(0, None, 0, 0, None)


def _subgroups(columns: Columns, plans: Sequence[Plan]) -> IntArray | int:
    """Subgroup of each reading of a group, by the revision in force when it was taken; 0 for none."""
    if len({(plan.size, plan.every) for plan in plans}) < 2:
        plan = plans[0] if plans else None
        return subgroup_of(columns.sample, plan.size, plan.every) if plan is not None and plan.size else 0
    begin = np.array([plan.from_us for plan in plans], dtype=np.int64)
    chosen = np.maximum(0, np.searchsorted(begin, columns.at_us, side="right") - 1)
    found = np.zeros(len(columns), dtype=np.int64)
    for place in np.unique(chosen).tolist():
        rows = chosen == place
        found[rows] = subgroup_of(columns.sample[rows], plans[place].size, plans[place].every)
    return found


@dataclass(slots=True)
class Prepared:
    """What a batch adds: sums, first and last sample, and for the shape values or counts by group. Made before the short
    transaction that applies it."""

    rows: RollupRows = field(default_factory=dict)
    first_sample: dict[Key3, int] = field(default_factory=dict)
    last_sample: dict[Key3, int] = field(default_factory=dict)
    values: dict[Key3, FloatArray] = field(default_factory=dict)
    counts: dict[Key3, IntArray] = field(default_factory=dict)
    """Where there are many values: their counts in `bins` instead of them."""
    bins: dict[Key3, tuple[float, float]] = field(default_factory=dict)

    @classmethod
    def of(cls, columns: Columns, plans: Plans) -> Prepared:
        """From readings in key order."""
        prepared = cls()
        prepared.add(columns, plans)
        return prepared

    def add(self, columns: Columns, plans: Plans) -> None:
        """Take in readings in key order; no group may come in two pieces."""
        group = columns.groups()
        ends = np.append(group[1:], len(columns))
        target = np.full(len(columns), np.nan)
        subgroup = np.zeros(len(columns), dtype=np.int64)
        for low, high in zip(group.tolist(), ends.tolist(), strict=True):
            key, part = columns.key3(low), slice(low, high)
            plan = plan_at(plans, key[1], int(columns.at_us[low]))
            self.first_sample[key], self.last_sample[key] = (
                int(columns.sample[low]),
                int(columns.sample[high - 1]),
            )
            if plan.bins is not None:
                values = columns.value[part]
                self.values[key] = values[~np.isnan(values)]
                self.bins[key] = plan.bins
            if plan.target is not None:
                target[part] = plan.target
            subgroup[part] = _subgroups(columns.pick(part), plans.get(key[1], ()))
        counted = ~np.isnan(columns.value)
        self._add_level(columns, counted, np.zeros(len(columns), dtype=np.int64), target)
        self._add_level(columns, counted & (subgroup > 0), subgroup, target)

    def _add_level(self, columns: Columns, which: Any, subgroup: IntArray, target: FloatArray) -> None:
        part, sub, aim = columns.pick(which), subgroup[which], target[which]
        if not len(part):
            return
        order = np.lexsort((part.sample, sub, part.condition, part.stream, part.characteristic, part.subject))
        part, sub, aim = part.pick(order), sub[order], aim[order]
        start = starts(part.subject, part.characteristic, part.stream, part.condition, sub)
        found: GroupSums = group_sums(part.value, start, aim[start])
        names = ("shift", "s1", "s2", "low", "high", "first", "last", "sad", "sp")
        figures = zip(found.n.tolist(), *(getattr(found, name).tolist() for name in names), strict=True)
        keys = zip(
            part.subject[start].tolist(),
            part.characteristic[start].tolist(),
            part.stream[start].tolist(),
            part.condition[start].tolist(),
            sub[start].tolist(),
            strict=True,
        )
        for (subject, characteristic, stream, condition, level), row in zip(keys, figures, strict=True):
            self.rows.setdefault((subject, characteristic, stream), {})[condition, level] = Sums(*row)

    def follow(self, later: Prepared) -> bool:
        """Add what was prepared of rows staged later. False where a group does not stand behind what is here of it; then
        nothing was added."""
        if any(first <= self.last_sample.get(key, 0) for key, first in later.first_sample.items()):
            return False
        for key, first in later.first_sample.items():
            self.first_sample.setdefault(key, first)
        self.last_sample.update(later.last_sample)
        for key, rows in later.rows.items():
            here = self.rows.setdefault(key, {})
            for part, sums in rows.items():
                here[part] = merge(here[part], sums) if part in here else sums
        for key, values in later.values.items():
            self._more_values(key, values, later.bins[key])
        return True

    def _more_values(self, key: Key3, values: FloatArray, bins: tuple[float, float]) -> None:
        low, high = self.bins.setdefault(key, bins)
        if key not in self.counts:
            values = np.concatenate([self.values.pop(key), values]) if key in self.values else values
            if len(values) < SHAPE_FROM:
                self.values[key] = values
                return
            self.counts[key] = np.zeros(BINS + 2, dtype=np.int32)
        self.counts[key] += shape_counts(values, low, high).astype(np.int32)

    def shape(self, key: Key3, low: float, high: float) -> IntArray | None:
        """Counts of a group in bins from `low` to `high`; None where only counts in other bins are known."""
        if key in self.counts:
            return self.counts[key].astype(np.int64) if self.bins[key] == (low, high) else None
        return shape_counts(self.values[key], low, high)

    def shaped(self) -> dict[Key3, int]:
        """Number of values of each group that may have a shape."""
        few = {key: len(values) for key, values in self.values.items() if len(values)}
        return few | {key: int(counts.sum()) for key, counts in self.counts.items()}

    @property
    def far(self) -> bool:
        """Whether a sum has lost digits."""
        return any(sums.far for rows in self.rows.values() for sums in rows.values())


def apply_batch(connection: Connection, batch_id: int, prepared: Prepared, plans: Plans) -> None:
    """Add an accepted batch to rollups and shapes. Groups that cannot simply be continued are rebuilt from the readings.

    Its mode counts must be added before, because rebuilding makes them anew too.
    """
    there = load_rollups(connection, {key[0] for key in prepared.rows})
    fresh: list[tuple[Any, ...]] = []
    for key, rows in prepared.rows.items():
        known = there.get(key)
        if known is None:
            fresh += [_tuple(key, part, sums) for part, sums in rows.items()]
            continue
        merged = {part: merge(known[part], sums) if part in known else sums for part, sums in rows.items()}
        if any(s.far for s in merged.values()) or _comes_before(
            connection, key, batch_id, prepared.first_sample[key]
        ):
            rebuild(connection, key, plans)
            prepared.values.pop(key, None)
            prepared.counts.pop(key, None)
            continue
        _replace_rollups(connection, key, merged)
    insert_rows(connection, "rollup", ROLLUP_NAMES, fresh)
    _add_shapes(connection, prepared, there, plans)


def _comes_before(connection: Connection, key: Key3, batch_id: int, first_sample: int) -> bool:
    """Whether accepted readings of other batches lie behind the first sample of this one."""
    query = text(
        f"SELECT 1 FROM reading WHERE {KEY3} AND sample > :sample AND batch_id <> :batch AND {ACCEPTED} LIMIT 1"
    )
    return (
        connection.execute(query, {**_key(key), "sample": first_sample, "batch": batch_id}).first()
        is not None
    )


def _add_shapes(connection: Connection, prepared: Prepared, there: RollupRows, plans: Plans) -> None:
    shaped = prepared.shaped()
    stored = load_shapes(connection, {key[0] for key in shaped})
    fresh: list[tuple[Any, ...]] = []
    for key, n in shaped.items():
        low, high, counts = stored.get(key) or (*prepared.bins[key], None)
        more = prepared.shape(key, low, high)
        if counts is not None and more is not None:
            connection.execute(
                text(f"UPDATE shape SET counts = :counts WHERE {KEY3}"),
                {**_key(key), "counts": json.dumps((counts + more).tolist())},
            )
            continue
        before = sum(s.n for (_, level), s in there.get(key, {}).items() if level == 0)
        if before + n < SHAPE_FROM:
            continue
        if before or more is None:
            rebuild(connection, key, plans)
            continue
        fresh.append((*key, low, high, json.dumps(more.tolist())))
    names = ("subject_id", "characteristic_id", "stream_id", "low", "high", "counts")
    insert_rows(connection, "shape", names, fresh)


def load_rollups(connection: Connection, subject_ids: Iterable[int]) -> RollupRows:
    """All stored sums of subjects."""
    found: RollupRows = {}
    wanted = sorted(subject_ids)
    columns = ", ".join(ROLLUP_NAMES)
    for i in range(0, len(wanted), 500):
        listed = ", ".join(str(int(s)) for s in wanted[i : i + 500])
        for row in connection.execute(text(f"SELECT {columns} FROM rollup WHERE subject_id IN ({listed})")):
            found.setdefault((row[0], row[1], row[2]), {})[row[3], row[4]] = Sums(*row[5:])
    return found


def load_shapes(
    connection: Connection, subject_ids: Iterable[int]
) -> dict[Key3, tuple[float, float, IntArray]]:
    """Stored shapes of subjects: low, high and the 258 counts."""
    found: dict[Key3, tuple[float, float, IntArray]] = {}
    wanted = sorted(subject_ids)
    for i in range(0, len(wanted), 500):
        listed = ", ".join(str(int(s)) for s in wanted[i : i + 500])
        for row in connection.execute(text(f"SELECT * FROM shape WHERE subject_id IN ({listed})")):
            found[row[0], row[1], row[2]] = (row[3], row[4], np.array(json.loads(row[5]), dtype=np.int64))
    return found


def rebuild(connection: Connection, key: Key3, plans: Plans | None = None) -> None:
    """Make rollups, shape and mode counts of one group anew from its accepted, corrected readings."""
    plans = load_plans(connection, [key[1]]) if plans is None else plans
    overlays = overlays_of(connection, key)
    columns = list(scan(connection, f"{KEY3} AND {ACCEPTED}", _key(key)))
    prepared = Prepared()
    if columns:
        prepared.add(apply_overlays(join(columns), overlays), plans)
    for table in ("rollup", "shape", "mode_count"):
        connection.execute(text(f"DELETE FROM {table} WHERE {KEY3}"), _key(key))
    rows = [_tuple(key, part, sums) for part, sums in prepared.rows.get(key, {}).items()]
    insert_rows(connection, "rollup", ROLLUP_NAMES, rows)
    values = prepared.values.get(key)
    if values is not None and len(values) >= SHAPE_FROM:
        low, high = prepared.bins[key]
        connection.execute(
            text("INSERT INTO shape VALUES (:subject, :characteristic, :stream, :low, :high, :counts)"),
            {
                **_key(key),
                "low": low,
                "high": high,
                "counts": json.dumps(shape_counts(values, low, high).tolist()),
            },
        )
    add_modes(
        connection, {(key, mode): count for mode, count in count_modes(connection, key, overlays).items()}
    )


def count_modes(
    connection: Connection, key: Key3, overlays: Mapping[int, Overlay]
) -> dict[str, tuple[int, float]]:
    """Failure modes of the accepted, corrected pulls of one group: number and sum of the interfacial share in %."""
    query = text(
        "SELECT pull.sample, pull.mode, pull.interfacial_pct FROM pull JOIN reading"
        " USING (subject_id, characteristic_id, stream_id, sample)"
        f" WHERE {KEY3} AND {ACCEPTED}"
    )
    return pull_counts(connection.execute(query, _key(key)), overlays)


def add_modes(connection: Connection, counts: Mapping[tuple[Key3, str], tuple[int, float]]) -> None:
    """Add to the stored mode counts."""
    if not counts:
        return
    statement = text(
        "INSERT INTO mode_count (subject_id, characteristic_id, stream_id, mode, n, interfacial_sum_pct)"
        " VALUES (:subject, :characteristic, :stream, :mode, :n, :share)"
        " ON CONFLICT (subject_id, characteristic_id, stream_id, mode) DO UPDATE SET"
        " n = mode_count.n + excluded.n, interfacial_sum_pct = mode_count.interfacial_sum_pct + excluded.interfacial_sum_pct"
    )
    rows = [{**_key(key), "mode": mode, "n": n, "share": share} for (key, mode), (n, share) in counts.items()]
    connection.execute(statement, rows)


def _replace_rollups(connection: Connection, key: Key3, rows: Mapping[tuple[int, int], Sums]) -> None:
    delete = text(f"DELETE FROM rollup WHERE {KEY3} AND condition_id = :condition AND subgroup = :subgroup")
    connection.execute(delete, [{**_key(key), "condition": c, "subgroup": s} for c, s in rows])
    insert_rows(connection, "rollup", ROLLUP_NAMES, [_tuple(key, part, sums) for part, sums in rows.items()])


def _tuple(key: Key3, part: tuple[int, int], sums: Sums) -> tuple[Any, ...]:
    return (*key, *part, *(getattr(sums, name) for name in Sums.__slots__))


def _key(key: Key3) -> dict[str, Any]:
    return {"subject": key[0], "characteristic": key[1], "stream": key[2]}
