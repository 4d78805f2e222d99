"""Flags with their findings and actions, control limits, judgements."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from sqlalchemy import ColumnElement, Connection, Row, Select, func, select

from qualrec.errors import UnknownRecord, UsageError
from qualrec.judge.restarts import ClosedFlag
from qualrec.records.lookups.base import find, mapping, rows_for, table, words
from qualrec.records.lookups.conditions import members, separating_of
from qualrec.records.lookups.parts import part_id_of
from qualrec.values import NO_CONDITION, NO_STREAM, Flag, FlagAction, FlagFinding, LeftOut, Limits

LEVELS = ("H", "R", "I")
FLAG_STATES = ("open", "acknowledged", "closed")


@dataclass(frozen=True, slots=True)
class Judgement:
    """A stored verdict with the versions that made it."""

    id: int
    lot_id: int
    characteristic_id: int | None
    characteristic_revision_id: int | None
    code: str
    verdict: str
    figures: Mapping[str, Any]
    rules_version: str
    program_version: str
    at_us: int
    rejudged: str


def _flag_statement() -> Select[Any]:
    f, p, o = table("flag"), table("part"), table("lot")
    m, c, s = table("moulding_lot"), table("characteristic"), table("stream")
    return (
        select(
            f,
            p.c.number.label("part_number"),
            o.c.number.label("lot_number"),
            m.c.number.label("moulding_lot"),
            c.c.code,
            s.c.label.label("stream"),
        )
        .join(p, p.c.id == f.c.part_id)
        .outerjoin(o, o.c.id == f.c.lot_id)
        .outerjoin(m, m.c.id == f.c.moulding_lot_id)
        .outerjoin(c, c.c.id == f.c.characteristic_id)
        .outerjoin(s, s.c.id == f.c.stream_id)
        .order_by(f.c.opened_us.desc(), f.c.id.desc())
    )


def _flags(conn: Connection, rows: Sequence[Row[Any]]) -> tuple[Flag, ...]:
    x, a, p = table("flag_finding"), table("flag_action"), table("person")
    ids = [row.id for row in rows]
    findings: dict[int, list[FlagFinding]] = defaultdict(list)
    for row in rows_for(conn, select(x).order_by(x.c.flag_id, x.c.at_us, x.c.id), x.c.flag_id, ids):
        findings[row.flag_id].append(FlagFinding(row.what, row.sentence, mapping(row.figures), row.at_us))
    actions: dict[int, list[FlagAction]] = defaultdict(list)
    asked = select(a, p.c.name.label("person")).outerjoin(p, p.c.id == a.c.person_id)
    for row in rows_for(conn, asked.order_by(a.c.flag_id, a.c.at_us, a.c.id), a.c.flag_id, ids):
        actions[row.flag_id].append(FlagAction(row.kind, row.what, row.at_us, row.person or ""))
    return tuple(
        Flag(
            id=row.id,
            kind=row.kind,
            level=row.level,
            scope=row.scope,
            state=row.state,
            part_number=row.part_number,
            lot_id=row.lot_id,
            lot_number=row.lot_number or "",
            moulding_lot=row.moulding_lot or "",
            characteristic_id=row.characteristic_id,
            code=row.code or "",
            stream=(row.stream or "") if row.stream_id != NO_STREAM else "",
            rule=row.rule,
            source=row.source,
            reaction_plan=words(row.reaction_plan),
            findings=tuple(findings[row.id]),
            actions=tuple(actions[row.id]),
            opened_us=row.opened_us,
            closed_us=row.closed_us,
            rules_version=row.rules_version,
            program_version=row.program_version,
        )
        for row in rows
    )


def _known(value: str | None, known: Sequence[str], what: str) -> None:
    if value is not None and value not in known:
        raise UsageError(f"{what} {value!r} is not known.", f"Use one of: {', '.join(known)}.")


def flags(
    conn: Connection,
    state: str | None = None,
    part: str | None = None,
    lot: str | None = None,
    level: str | None = None,
    limit: int = 500,
    *,
    not_closed: bool = False,
    scope: str | None = None,
    characteristic_id: int | None = None,
) -> tuple[Flag, ...]:
    """Flags with findings and actions, newest first; at most five queries.

    `part` and `lot` are numbers. `not_closed`: open and acknowledged ones. Raises UsageError for an unknown state or level,
    UnknownRecord for an unknown part or lot.
    """
    _known(state, FLAG_STATES, "Flag state")
    _known(level, LEVELS, "Level")
    f = table("flag")
    asked = _flag_statement().limit(limit)
    exact = (
        (f.c.state, state),
        (f.c.level, level),
        (f.c.scope, scope),
        (f.c.characteristic_id, characteristic_id),
    )
    for column, wanted in exact:
        if wanted is not None:
            asked = asked.where(column == wanted)
    if not_closed:
        asked = asked.where(f.c.state != "closed")
    if part is not None:
        asked = asked.where(f.c.part_id == part_id_of(conn, part))
    if lot is not None:
        row = find(conn, "lot", "number", lot, what="lot", remedy="'qualrec lots' lists them.")
        asked = asked.where(f.c.lot_id == row.id)
    return _flags(conn, conn.execute(asked).all())


def flags_of_lots(conn: Connection, lot_ids: Sequence[int]) -> dict[int, tuple[Flag, ...]]:
    """All flags of lots by lot id, newest first; three queries."""
    found: dict[int, list[Flag]] = defaultdict(list)
    for one in _flags(conn, rows_for(conn, _flag_statement(), table("flag").c.lot_id, lot_ids)):
        if one.lot_id is not None:
            found[one.lot_id].append(one)
    return {key: tuple(held) for key, held in found.items()}


def flags_where(conn: Connection, *conditions: ColumnElement[bool]) -> tuple[Flag, ...]:
    """Flags that meet conditions on their table, newest first; for the lookups of this room."""
    return _flags(conn, conn.execute(_flag_statement().where(*conditions)).all())


def closed_flags(
    conn: Connection, kind: str, characteristic_ids: Sequence[int]
) -> dict[int, tuple[ClosedFlag, ...]]:
    """Closed flags of a kind that stand on limits and on a lot or moulding lot, by characteristic id, in order of closing;
    each with its last closing words and the person."""
    f, a, p = table("flag"), table("flag_action"), table("person")
    asked = select(
        f.c.id, f.c.characteristic_id, f.c.limits_id, f.c.lot_id, f.c.moulding_lot_id, f.c.closed_us
    ).where(f.c.kind == kind, f.c.state == "closed", f.c.closed_us.is_not(None), f.c.limits_id.is_not(None))
    rows = rows_for(conn, asked, f.c.characteristic_id, characteristic_ids)
    done = (
        select(a.c.flag_id, a.c.what, p.c.name)
        .outerjoin(p, p.c.id == a.c.person_id)
        .where(a.c.kind == "closed")
        .order_by(a.c.at_us, a.c.id)
    )
    words_of = {row.flag_id: row for row in rows_for(conn, done, a.c.flag_id, [row.id for row in rows])}
    found: dict[int, list[ClosedFlag]] = defaultdict(list)
    for row in sorted(rows, key=lambda r: (r.closed_us, r.id)):
        said = words_of.get(row.id)
        owner = row.moulding_lot_id if row.moulding_lot_id is not None else row.lot_id
        if said is None or owner is None:
            continue
        found[row.characteristic_id].append(
            ClosedFlag(row.id, row.limits_id, owner, row.closed_us, said.name or "", said.what)
        )
    return {key: tuple(held) for key, held in found.items()}


def flag(conn: Connection, flag_id: int) -> Flag:
    found = _flags(conn, conn.execute(_flag_statement().where(table("flag").c.id == flag_id)).all())
    if not found:
        raise UnknownRecord(f"There is no flag {flag_id}.", "'qualrec flags' lists them with their numbers.")
    return found[0]


def _load_limits(conn: Connection, rows: Sequence[Row[Any]]) -> tuple[Limits, ...]:
    x, o, m = table("limits_lot"), table("lot"), table("moulding_lot")
    number = func.coalesce(o.c.number, m.c.number, "").label("number")
    since = func.coalesce(o.c.started_us, m.c.moulded_us, 0)
    asked = (
        select(x, number)
        .outerjoin(o, o.c.id == x.c.lot_id)
        .outerjoin(m, m.c.id == x.c.lot_id)
        .order_by(x.c.limits_id, since, x.c.lot_id)
    )
    used: dict[int, list[int]] = defaultdict(list)
    left_out: dict[int, list[LeftOut]] = defaultdict(list)
    for row in rows_for(conn, asked, x.c.limits_id, [row.id for row in rows]):
        if row.used:
            used[row.limits_id].append(row.lot_id)
        else:
            left_out[row.limits_id].append(LeftOut(row.lot_id, row.number, row.reason))
    held = ("person", "used_lots", "left_out")
    plain = [name for name in Limits.__dataclass_fields__ if name not in held]
    return tuple(
        Limits(
            **{name: getattr(row, name) for name in plain},
            person=row.person or "",
            used_lots=tuple(used[row.id]),
            left_out=tuple(left_out[row.id]),
        )
        for row in rows
    )


def _limits_statement() -> Select[Any]:
    t, p = table("limits"), table("person")
    return select(t, p.c.name.label("person")).outerjoin(p, p.c.id == t.c.person_id)


def limits(
    conn: Connection, characteristic_id: int, stream_id: int = NO_STREAM, condition_id: int = NO_CONDITION
) -> tuple[Limits, ...]:
    """The history of control limits of a characteristic, in order of version: trial, frozen and superseded ones.

    `condition_id`: any condition of the group that the chart shows (`conditions_of`); 0 where nothing separates.
    """
    t = table("limits")
    separating = separating_of(conn, [characteristic_id]).get(characteristic_id, ())
    _, ids = members(conn, separating, condition_id)
    asked = _limits_statement().where(t.c.characteristic_id == characteristic_id, t.c.stream_id == stream_id)
    asked = asked.where(
        t.c.condition_id.in_(sorted(ids)) if ids is not None else t.c.condition_id == NO_CONDITION
    )
    return _load_limits(conn, conn.execute(asked.order_by(t.c.version, t.c.id)).all())


def limits_by_id(conn: Connection, limits_id: int) -> Limits:
    rows = conn.execute(_limits_statement().where(table("limits").c.id == limits_id)).all()
    if not rows:
        raise UnknownRecord(
            f"There are no control limits with id {limits_id}.", "See the limits of the chart."
        )
    return _load_limits(conn, rows)[0]


def limits_in_force(
    conn: Connection,
    characteristic_id: int,
    at_us: int | None = None,
    *,
    stream_id: int = NO_STREAM,
    condition_id: int = NO_CONDITION,
) -> Limits | None:
    """The frozen limits in force at a moment (None: the last frozen); None where none were frozen by then.

    Trial limits are never in force. Limits are in force from their `from_us` until the next frozen ones begin.
    """
    held = [
        one
        for one in limits(conn, characteristic_id, stream_id, condition_id)
        if one.frozen_us is not None and (at_us is None or one.from_us <= at_us)
    ]
    return max(held, key=lambda one: (one.from_us, one.version)) if held else None


def all_limits_in_force(
    conn: Connection, at_us: int | None = None, *, characteristic_ids: Sequence[int] | None = None
) -> dict[tuple[int, int, int], Limits]:
    """The frozen limits in force at a moment, by (characteristic, stream, condition) as stored; two queries.

    `characteristic_ids`: only those of these characteristics.
    """
    t = table("limits")
    asked = _limits_statement().where(t.c.frozen_us.is_not(None)).order_by(t.c.from_us, t.c.version, t.c.id)
    if at_us is not None:
        asked = asked.where(t.c.from_us <= at_us)
    found = (
        list(conn.execute(asked))
        if characteristic_ids is None
        else rows_for(conn, asked, t.c.characteristic_id, characteristic_ids)
    )
    last = {(row.characteristic_id, row.stream_id, row.condition_id): row for row in found}
    held = _load_limits(conn, list(last.values()))
    return {(one.characteristic_id, one.stream_id, one.condition_id): one for one in held}


def judgements(conn: Connection, lot_id: int, characteristic_id: int | None = None) -> tuple[Judgement, ...]:
    """The stored verdicts of a lot, oldest first."""
    j, c = table("judgement"), table("characteristic")
    asked = (
        select(j, c.c.code)
        .outerjoin(c, c.c.id == j.c.characteristic_id)
        .where(j.c.lot_id == lot_id)
        .order_by(j.c.at_us, j.c.id)
    )
    if characteristic_id is not None:
        asked = asked.where(j.c.characteristic_id == characteristic_id)
    return tuple(
        Judgement(
            id=row.id,
            lot_id=row.lot_id,
            characteristic_id=row.characteristic_id,
            characteristic_revision_id=row.characteristic_revision_id,
            code=row.code or "",
            verdict=row.verdict,
            figures=mapping(row.figures),
            rules_version=row.rules_version,
            program_version=row.program_version,
            at_us=row.at_us,
            rejudged=row.rejudged,
        )
        for row in conn.execute(asked)
    )
