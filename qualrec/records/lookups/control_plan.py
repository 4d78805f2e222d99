"""Control plans: revisions by phase with their rows, and which plan was in force at a moment.

One plan of a part is in force at a moment, whatever its phase: the one approved with the latest 'valid from' not after
it. So the phase of a lot is the phase of the plan in force when its welding began.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from sqlalchemy import Connection, Row, select

from qualrec.errors import UnknownRecord, UsageError
from qualrec.judge.control_plan import PlanRule, Sampling, sampling_of, steps_of
from qualrec.records.lookups.base import mapping, rows_for, table

ROW_TEXTS = (
    "process_number",
    "process_step",
    "machine",
    "process_characteristic",
    "technique",
    "sample_size",
    "frequency",
    "control_method",
    "reaction_plan",
    "owner",
)
"""Columns of a row that are plain text."""
EXTRA = ("number", "specification", "special_class", "symbol")
"""What a process characteristic has of its own; a product characteristic has it in its revisions."""


@dataclass(frozen=True, slots=True)
class PlanRow:
    """One row. `code`: number of the characteristic. `product`: one of the part's characteristics, else of the process.

    `reaction_plan`: one step a line. `specification` of a product characteristic is that of the revision in force when the
    plan became valid (of a draft: the last one).
    """

    position: int
    process_number: str
    process_step: str
    machine: str
    characteristic_id: int | None
    code: str
    name: str
    special_class: str
    symbol: str
    specification: str
    technique: str
    sample_size: str
    frequency: str
    control_method: str
    reaction_plan: str
    owner: str

    @property
    def product(self) -> bool:
        return self.characteristic_id is not None

    @property
    def sampling(self) -> Sampling | None:
        return sampling_of(self.sample_size, self.frequency)

    @property
    def steps(self) -> tuple[str, ...]:
        return steps_of(self.reaction_plan)


@dataclass(frozen=True, slots=True)
class ControlPlan:
    """A revision of a control plan of one phase. `until_us`: when another plan took over; None while none has.

    `header`: part level, organisation, supplier code, team, contact, approvals by the customer and others, change.
    """

    id: int
    part_id: int
    part_number: str
    part_name: str
    number: str
    phase: str
    revision: int
    state: str
    valid_from_us: int
    until_us: int | None
    header: Mapping[str, str]
    rows: tuple[PlanRow, ...]
    signature_id: int | None
    approver: str
    approved_us: int | None
    reason: str

    @property
    def label(self) -> str:
        return f"{self.number} {self.phase} revision {self.revision}"

    def in_force_at(self, moment_us: int) -> bool:
        return (
            self.state != "draft"
            and self.valid_from_us <= moment_us
            and (self.until_us is None or moment_us < self.until_us)
        )


def plan_rules(conn: Connection, part_id: int) -> tuple[tuple[int, dict[int, PlanRule]], ...]:
    """What approved plans of a part ask, by 'valid from' in order of time: rules by characteristic id; one query."""
    p, r = table("control_plan"), table("control_plan_row")
    asked = (
        select(
            p.c.id, p.c.valid_from_us, r.c.characteristic_id, r.c.sample_size, r.c.frequency, r.c.control_method,
            r.c.reaction_plan,
        )
        .outerjoin(r, r.c.control_plan_id == p.c.id)
        .where(p.c.part_id == part_id, p.c.state != "draft")
        .order_by(p.c.valid_from_us, p.c.id, r.c.position)
    )  # fmt: skip
    found: dict[int, tuple[int, dict[int, PlanRule]]] = {}
    for row in conn.execute(asked):
        _, rules = found.setdefault(row.id, (row.valid_from_us, {}))
        if row.characteristic_id is not None:
            rules[row.characteristic_id] = _joined(rules.get(row.characteristic_id), row)
    return tuple(found.values())


def _joined(before: PlanRule | None, row: Any) -> PlanRule:
    """The rule of a characteristic with one row more: the row that asks samples of each lot decides about samples."""
    own = PlanRule(
        sampling_of(row.sample_size, row.frequency), row.control_method, steps_of(row.reaction_plan)
    )
    if before is None:
        return own
    return PlanRule(
        before.sampling or own.sampling,
        before.control_method or own.control_method,
        tuple(dict.fromkeys((*before.reaction_plan, *own.reaction_plan))),
    )


def rules_at(
    plans: Sequence[tuple[int, dict[int, PlanRule]]], at_us: int | None
) -> dict[int, PlanRule] | None:
    """The rules in force at a moment (None: the last) out of `plan_rules`; None where no plan was in force."""
    held = [rules for since, rules in plans if at_us is None or since <= at_us]
    return held[-1] if held else None


def control_plans(
    conn: Connection, part_number: str | None = None, *, plant_id: int | None = None
) -> tuple[ControlPlan, ...]:
    """All control plans (of a part), by part, then in the order of their making, with their rows."""
    from qualrec.records.lookups.parts import part_id_of

    p, t = table("control_plan"), table("part")
    asked = select(p, t.c.number.label("part_number"), t.c.name.label("part_name")).join(
        t, t.c.id == p.c.part_id
    )
    if part_number is not None:
        asked = asked.where(p.c.part_id == part_id_of(conn, part_number, plant_id))
    found = list(conn.execute(asked.order_by(t.c.number, p.c.id)))
    return _load(conn, found)


def control_plan_by_id(conn: Connection, plan_id: int) -> ControlPlan:
    """One control plan by id. Raises UnknownRecord."""
    for plan in control_plans(conn):
        if plan.id == plan_id:
            return plan
    raise UnknownRecord(f"There is no control plan with id {plan_id}.", "See the list of control plans.")


def plan_in_force(conn: Connection, part_number: str, at_us: int) -> ControlPlan | None:
    """The control plan of a part in force at a moment; None where there was none."""
    return next((p for p in control_plans(conn, part_number) if p.in_force_at(at_us)), None)


def _load(conn: Connection, found: Sequence[Row[Any]]) -> tuple[ControlPlan, ...]:
    ids = [row.id for row in found]
    r = table("control_plan_row")
    rows: dict[int, list[Row[Any]]] = defaultdict(list)
    asked = select(r).order_by(r.c.control_plan_id, r.c.position)
    for row in rows_for(conn, asked, r.c.control_plan_id, ids):
        rows[row.control_plan_id].append(row)
    known = _Known(conn, [row.characteristic_id for each in rows.values() for row in each])
    signed = _signatures(conn, found)
    ends = _ends(found)
    plans = []
    for row in found:
        header = mapping(row.header)
        extra = dict(header.pop("rows", {}))
        at_us = None if row.state == "draft" else row.valid_from_us
        who, when, why = signed.get(row.signature_id, ("", None, ""))
        plans.append(
            ControlPlan(
                id=row.id,
                part_id=row.part_id,
                part_number=row.part_number,
                part_name=row.part_name,
                number=row.number,
                phase=row.phase,
                revision=row.revision,
                state=row.state,
                valid_from_us=row.valid_from_us,
                until_us=ends.get(row.id),
                header={str(k): str(v) for k, v in header.items()},
                rows=tuple(
                    known.row(one, dict(extra.get(str(one.position), {})), row.part_id, at_us)
                    for one in rows[row.id]
                ),
                signature_id=row.signature_id,
                approver=who,
                approved_us=when,
                reason=why,
            )
        )
    return tuple(plans)


def _ends(found: Sequence[Row[Any]]) -> dict[int, int]:
    """When each plan that was in force was taken over by the next one of its part."""
    ends: dict[int, int] = {}
    by_part: dict[int, list[Row[Any]]] = defaultdict(list)
    for row in found:
        if row.state != "draft":
            by_part[row.part_id].append(row)
    for held in by_part.values():
        ordered = sorted(held, key=lambda row: (row.valid_from_us, row.id))
        for one, following in pairwise(ordered):
            ends[one.id] = following.valid_from_us
    return ends


def _signatures(conn: Connection, found: Iterable[Row[Any]]) -> dict[int | None, tuple[str, int | None, str]]:
    s, p = table("signature"), table("person")
    ids = [row.signature_id for row in found if row.signature_id is not None]
    asked = select(s.c.id, s.c.at_us, s.c.reason, p.c.name).join(p, p.c.id == s.c.person_id)
    return {row.id: (row.name, row.at_us, row.reason) for row in rows_for(conn, asked, s.c.id, ids)}


class _Known:
    """What the rows say of product characteristics comes from their revisions."""

    def __init__(self, conn: Connection, ids: Iterable[int | None]) -> None:
        from qualrec.records.lookups.characteristics import load_revisions

        self.revisions = load_revisions(conn, {i for i in ids if i is not None})
        self.symbols = _customer_symbols(conn)

    def row(self, row: Row[Any], extra: Mapping[str, str], part_id: int, at_us: int | None) -> PlanRow:
        from qualrec.records.lookups.characteristics import in_force

        given = {name: getattr(row, name) for name in ROW_TEXTS if name != "process_characteristic"}
        if row.characteristic_id is None:
            return PlanRow(
                position=row.position,
                characteristic_id=None,
                code=extra.get("number", ""),
                name=row.process_characteristic,
                special_class=extra.get("special_class", "standard"),
                symbol=extra.get("symbol", ""),
                specification=extra.get("specification", ""),
                **given,
            )
        held = self.revisions[row.characteristic_id]
        c = in_force(held, at_us) or held[0]
        return PlanRow(
            position=row.position,
            characteristic_id=c.id,
            code=c.code,
            name=c.name,
            special_class=c.special_class,
            symbol=c.symbol or self.symbols.get(part_id, {}).get(c.special_class, ""),
            specification=specification_words(c.lsl, c.usl, c.target, c.unit),
            **given,
        )


def _customer_symbols(conn: Connection) -> dict[int, dict[str, str]]:
    """By part id: the symbol of its customer for each class."""
    t, c = table("part"), table("customer")
    asked = select(t.c.id, c.c.symbols).join(c, c.c.id == t.c.customer_id)
    found = {row.id: mapping(row.symbols) for row in conn.execute(asked)}
    return {part: {str(k): str(v) for k, v in signs.items()} for part, signs in found.items()}


def specification_words(lsl: float | None, usl: float | None, target: float | None, unit: str) -> str:
    """'0.2 to 0.36 mm, target 0.28', 'at least 350 N', 'at most 2 %'; empty without a limit."""
    aim = "" if target is None else f", target {target:g}"
    if lsl is not None and usl is not None:
        return f"{lsl:g} to {usl:g} {unit}{aim}"
    if lsl is not None:
        return f"at least {lsl:g} {unit}{aim}"
    return f"at most {usl:g} {unit}{aim}" if usl is not None else ""


def find_plan(
    plans: Sequence[ControlPlan], part: str, phase: str, revision: int | None = None
) -> ControlPlan:
    """A plan of a part by phase and revision (None: the last one of the phase). Raises UnknownRecord."""
    own = [p for p in plans if p.part_number == part and p.phase == phase]
    if not own:
        raise UnknownRecord(
            f"Part {part} has no control plan of phase {phase!r}.",
            "See 'qualrec control-plan list'; 'qualrec control-plan draft' makes one.",
        )
    chosen = [p for p in own if revision is None or p.revision == revision]
    if not chosen:
        listed = ", ".join(str(p.revision) for p in own)
        raise UsageError(f"There is no revision {revision} of it.", f"Revisions: {listed}.")
    return max(chosen, key=lambda p: p.revision)
