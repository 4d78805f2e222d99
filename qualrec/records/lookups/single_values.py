"""Single values of a characteristic as arrays."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from sqlalchemy import ColumnElement, Connection, Select, Subquery, and_, false, func, or_, select

from qualrec.records.lookups.base import chunks, plain_rows, table
from qualrec.records.lookups.readings import Standing, same_key, standings
from qualrec.records.lookups.series import identity
from qualrec.values import FloatArray, Values


def values(
    conn: Connection,
    characteristic_id: int,
    lot_ids: Sequence[int] | None = None,
    limit: int | None = None,
    *,
    stream_id: int | None = None,
    condition_ids: Sequence[int] | None = None,
) -> Values:
    """Single values as they count now, lots in time order, then stream and sample; voids and test faults left out.

    `lot_ids` are moulding lots where the characteristic hangs on them. `limit`: a systematic sample of at most so many, every
    k-th value with k = `sample_step(number of values, limit)`, beginning with the first; places are counted by sample
    numbers. `condition_ids`: the `ids` of a group of `conditions_of`. Shares are nan where a mixed failure has none, or no
    mode was recorded. Raises UnknownRecord.
    """
    row = identity(conn, characteristic_id)
    subjects = _subjects(row, lot_ids)
    r, u = table("reading"), table("rollup")
    step = 1
    if limit is not None:
        places = _places(subjects, characteristic_id, _chosen(u, stream_id, condition_ids))
        total = conn.execute(select(func.coalesce(func.sum(places.c.n), 0))).scalar_one()
        step = sample_step(int(total), limit)
    asked = _statement(subjects, characteristic_id).where(*_chosen(r, stream_id, condition_ids))
    if step > 1:
        same = and_(places.c.subject_id == r.c.subject_id, places.c.stream_id == r.c.stream_id)
        asked = asked.join(places, same).where((places.c.before + r.c.sample - 1) % step == 0)
    rows = plain_rows(conn, asked)
    found = _columns(characteristic_id, rows, standings(conn, characteristic_id=characteristic_id))
    return found if limit is None or len(found.value) <= limit else _evenly(found, limit)


def sample_step(n: int, limit: int | None) -> int:
    """Step of the systematic sample that `values` takes of `n` values."""
    return 1 if limit is None or n <= limit else -(-n // max(1, limit))


def _evenly(found: Values, limit: int) -> Values:
    """At most `limit` of the values, spread evenly: where gaps in sample numbers let a few too many through."""
    kept = np.unique(np.linspace(0, len(found.value) - 1, limit).round().astype(int))
    arrays = (
        "lot_ids",
        "sample",
        "stream_id",
        "condition_id",
        "at_us",
        "value",
        "interfacial_pct",
        "cohesive_pct",
    )
    given = {name: getattr(found, name)[kept] for name in (*arrays, "corrected")}
    return replace(found, mode=tuple(found.mode[i] for i in kept), **given)


def _chosen(t: Any, stream_id: int | None, condition_ids: Sequence[int] | None) -> list[ColumnElement[bool]]:
    chosen: list[ColumnElement[bool]] = []
    if stream_id is not None:
        chosen.append(t.c.stream_id == stream_id)
    if condition_ids is not None:
        chosen.append(t.c.condition_id.in_(sorted(condition_ids)))
    return chosen


def _subjects(row: Any, lot_ids: Sequence[int] | None) -> Subquery:
    """(id, owner, since_us, position) of what the readings of a characteristic hang on."""
    if row.hangs_on == "lot":
        o, s = table("lot"), table("lot_segment")
        owner = o.c.id
        asked = select(s.c.id, owner.label("owner"), o.c.started_us.label("since_us"), s.c.position)
        asked = asked.join(o, o.c.id == s.c.lot_id).where(o.c.part_id == row.part_id)
    else:
        m, p = table("moulding_lot"), table("part")
        owner = m.c.id
        sides = select(p.c.upper_id).where(p.c.id == row.part_id)
        sides_too = select(p.c.lower_id).where(p.c.id == row.part_id)
        asked = select(
            m.c.id, owner.label("owner"), m.c.moulded_us.label("since_us"), m.c.id.label("position")
        )
        asked = asked.where(or_(m.c.component_part_id.in_(sides), m.c.component_part_id.in_(sides_too)))
    if lot_ids is not None:
        asked = asked.where(or_(false(), *(owner.in_(chunk) for chunk in chunks(lot_ids))))
    return asked.subquery("subjects")


def _places(subjects: Subquery, characteristic_id: int, chosen: list[ColumnElement[bool]]) -> Subquery:
    """(subject_id, stream_id, n, before): how many values stand before those of a subject and stream."""
    x, u = subjects, table("rollup")
    n = func.sum(u.c.n)
    order = (x.c.since_us, x.c.owner, x.c.position, u.c.subject_id, u.c.stream_id)
    before = func.sum(n).over(order_by=order, rows=(None, 0)) - n
    return (
        select(u.c.subject_id, u.c.stream_id, n.label("n"), before.label("before"))
        .join(x, x.c.id == u.c.subject_id)
        .where(u.c.characteristic_id == characteristic_id, u.c.subgroup == 0, *chosen)
        .group_by(*order)
        .subquery("places")
    )


def _statement(subjects: Subquery, characteristic_id: int) -> Select[Any]:
    x, r, b, u = subjects, table("reading"), table("batch"), table("pull")
    return (
        select(
            x.c.owner,
            r.c.subject_id,
            r.c.stream_id,
            r.c.sample,
            r.c.condition_id,
            r.c.at_us,
            r.c.value,
            u.c.mode,
            u.c.interfacial_pct,
            u.c.cohesive_pct,
        )
        .select_from(
            x.join(r, and_(r.c.subject_id == x.c.id, r.c.characteristic_id == characteristic_id))
            .join(b, and_(b.c.id == r.c.batch_id, b.c.state == "accepted"))
            .outerjoin(u, same_key(u, r))
        )
        .order_by(x.c.since_us, x.c.owner, x.c.position, r.c.subject_id, r.c.stream_id, r.c.sample)
    )


def _columns(characteristic_id: int, rows: Sequence[Any], changed: dict[Any, Standing]) -> Values:
    kept: list[tuple[Any, ...]] = []
    corrected: list[bool] = []
    for owner, subject, stream, sample, condition, at_us, value, mode, interfacial, cohesive in rows:
        standing = changed.get((subject, characteristic_id, stream, sample)) if changed else None
        if standing is not None:
            value = standing.overlay.value_of(value, mode or "")
            mode = mode if standing.overlay.mode is None else standing.overlay.mode
        if value is None:
            continue
        kept.append((owner, sample, stream, condition, at_us, value, mode or "", interfacial, cohesive))
        corrected.append(standing is not None)
    held: list[tuple[Any, ...]] = list(zip(*kept, strict=True)) or [()] * 9
    return Values(
        characteristic_id=characteristic_id,
        lot_ids=np.array(held[0], np.int64),
        sample=np.array(held[1], np.int64),
        stream_id=np.array(held[2], np.int64),
        condition_id=np.array(held[3], np.int64),
        at_us=np.array(held[4], np.int64),
        value=np.array(held[5], float),
        mode=held[6],
        interfacial_pct=_shares("interfacial", held[6], held[7]),
        cohesive_pct=_shares("cohesive", held[6], held[8]),
        corrected=np.array(corrected, bool),
    )


def _shares(kind: str, modes: Sequence[str], entered: Sequence[float | None]) -> FloatArray:
    """Share of the joint area in %: as entered for a mixed failure, else 100 or 0 by the mode; nan where not known."""
    given = {"": np.nan, kind: 100.0}
    shares = [
        (np.nan if share is None else share) if mode == "mixed" else given.get(mode, 0.0)
        for mode, share in zip(modes, entered, strict=True)
    ]
    return np.array(shares, float)
