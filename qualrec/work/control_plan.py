"""Control plans: a first draft from the characteristics of a part, changes, approval with a signature, differences.

One plan of a part is in force at a moment. While one is, it alone says what samples a lot owes and how one reacts; before the
first one the revisions of the characteristics do (`qualrec.judge.control_plan.with_plan` is the one rule).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from qualrec.assess.loading import Conn
from qualrec.errors import Refused, UsageError
from qualrec.judge.control_plan import PHASES, frequency_words
from qualrec.records import lookups, registry
from qualrec.records.ledger import Writer
from qualrec.records.lookups import ControlPlan, PlanRow
from qualrec.values import Characteristic
from qualrec.work.days import moment_of
from qualrec.work.rights import require
from qualrec.work.session import Session
from qualrec.work.signing import ready_to_sign, sign

WELDING = "30"
"""Process number of the weld step in a first draft; people change it to that of their flow."""
TEXTS = (
    "process_number",
    "process_step",
    "machine",
    "technique",
    "sample_size",
    "frequency",
    "control_method",
    "reaction_plan",
    "owner",
)
SHOWN = (
    ("process_number", "process no."),
    ("process_step", "process step"),
    ("machine", "machine, device, tool"),
    ("code", "characteristic no."),
    ("name", "characteristic"),
    ("special_class", "class"),
    ("symbol", "symbol"),
    ("specification", "specification, tolerance"),
    ("technique", "measured by"),
    ("sample_size", "sample size"),
    ("frequency", "frequency"),
    ("control_method", "control method"),
    ("reaction_plan", "reaction plan"),
    ("owner", "owner of the reaction"),
)
"""Columns of a plan in their order: field and words (columns: AIAG control plan manual, from memory; our words)."""


@dataclass(frozen=True, slots=True)
class PlanPage:
    """A plan with what stands in the way of its approval, and characteristics revised since it became valid."""

    plan: ControlPlan
    in_force: bool
    obstacles: tuple[str, ...]
    revised: tuple[str, ...]


# Reading.


def plans_of(session: Session, part: str | None = None) -> tuple[ControlPlan, ...]:
    """All control plans (of a part). Raises UnknownRecord for an unknown part."""
    with session.store.read() as conn:
        return lookups.control_plans(conn, part)


def plan_named(
    conn: Conn, session: Session, part: str, phase: str | None = None, revision: int | None = None
) -> ControlPlan:
    """A plan by phase and revision. Without a phase the one in force, else the newest. Raises UnknownRecord."""
    plans = lookups.control_plans(conn, part)
    if phase is None and revision is not None:
        raise UsageError("The phase of the revision is not named.", f"Phases: {', '.join(PHASES)}.")
    if phase is not None:
        return lookups.find_plan(plans, part, phase, revision)
    now = session.store.clock()
    held = [p for p in plans if p.in_force_at(now)]
    if held or plans:
        return held[0] if held else plans[-1]
    return lookups.find_plan(plans, part, PHASES[-1])


def plan_page(session: Session, part: str, phase: str | None = None, revision: int | None = None) -> PlanPage:
    """A plan as it is read. Raises UnknownRecord."""
    with session.store.read() as conn:
        return _page(conn, session, plan_named(conn, session, part, phase, revision))


def page_of(session: Session, plan_id: int) -> PlanPage:
    """A plan by id."""
    with session.store.read() as conn:
        return _page(conn, session, lookups.control_plan_by_id(conn, plan_id))


def _page(conn: Conn, session: Session, plan: ControlPlan) -> PlanPage:
    now = session.store.clock()
    revised: tuple[str, ...] = ()
    if plan.state != "draft":
        ids = [row.characteristic_id for row in plan.rows if row.characteristic_id is not None]
        last = {i: held[-1] for i, held in lookups.load_revisions(conn, ids).items()}
        revised = tuple(
            f"{c.code}: revision {c.revision} since {session.moment(c.valid_from_us)[:10]}"
            for c in last.values()
            if c.valid_from_us > plan.valid_from_us
        )
    obstacles = _obstacles(conn, plan) if plan.state == "draft" else ()
    return PlanPage(plan, plan.in_force_at(now), obstacles, revised)


def _obstacles(conn: Conn, plan: ControlPlan) -> tuple[str, ...]:
    """What stands in the way of an approval: special and mandatory characteristics without a row, rows without a reaction."""
    named = {row.characteristic_id for row in plan.rows}
    own = _own_characteristics(conn, plan.part_id)
    found = [
        f"{c.code} is {c.special_class if c.special_class != 'standard' else 'mandatory'} and has no row."
        for c in own
        if (c.special_class != "standard" or (c.mandatory and c.samples)) and c.id not in named
    ]
    found += [
        f"Row {row.position} ({row.code or row.name}) is special and has no reaction plan."
        for row in plan.rows
        if row.special_class != "standard" and not row.steps
    ]
    return tuple(found)


def _own_characteristics(conn: Conn, part_id: int) -> tuple[Characteristic, ...]:
    """The characteristics of a part by their last revisions alone, without a control plan."""
    ids = [c.id for c in lookups.part_characteristics(conn, part_id)]
    held = lookups.load_revisions(conn, ids)
    return tuple(held[i][-1] for i in ids)


# Drafting.


def draft(session: Session, part: str, phase: str, *, number: str = "", start_from: str = "") -> ControlPlan:
    """A draft of the next revision of a phase.

    Made from the last plan of the same phase, or of the phase `start_from`; without one from the characteristics of the part,
    with a row for its approved recipe. Raises Refused where a draft of the phase is open already.
    """
    require(session.actor, "draft control plans")
    with session.store.write(session.actor, session.plant.id) as writer:
        conn = writer.conn
        found = lookups.part(conn, part)
        plans = lookups.control_plans(conn, part)
        base = [p for p in plans if p.phase == (start_from or phase) and p.state != "draft"]
        if start_from and not base:
            raise UsageError(
                f"Part {part} has no approved plan of phase {start_from!r}.", f"Phases: {', '.join(PHASES)}."
            )
        if base:
            rows, header = rows_of(base[-1]), dict(base[-1].header)
            header.pop("change", None)
            chosen = number or base[-1].number
        else:
            rows, header = _first_rows(conn, part), _first_header(session, conn, part)
            chosen = number or f"CP-{part}"
        plan_id = registry.add_control_plan(
            writer, found.id, number=chosen, phase=phase, rows=rows, header=header
        )
        return lookups.control_plan_by_id(conn, plan_id)


def _first_header(session: Session, conn: Conn, part: str) -> dict[str, str]:
    found = lookups.part(conn, part)
    return {
        "organisation": session.plant.name,
        "supplier_code": session.plant.code,
        "part_level": f"drawing {found.drawing}, revision {found.revision}" if found.drawing else "",
        "first_date": session.moment(session.store.clock())[:10],
    }


def _first_rows(conn: Conn, part: str) -> list[dict[str, Any]]:
    found = lookups.part(conn, part)
    rows: list[dict[str, Any]] = []
    approved = [r for r in lookups.recipe_revisions(conn, part) if r.state == "approved"]
    for recipe in approved:
        rows.append(
            {
                "process_number": WELDING,
                "process_step": f"Laser welding, {found.process}",
                "process_characteristic": f"Recipe {recipe.code}",
                "number": "P1",
                "specification": "settings of the approved revision",
                "technique": "comparison at the welder",
                "sample_size": "1",
                "frequency": "each set-up and each change of shift",
                "control_method": "approved recipe; first-off pulled and released",
                "reaction_plan": "Stop the welder.\nHold the parts since the last good first-off.\n"
                "Tell the process engineer.",
                "owner": "process engineer",
            }
        )
    for c in _own_characteristics(conn, found.id):
        moulded = c.hangs_on == "moulding lot"
        rows.append(
            {
                "process_number": "10" if moulded else WELDING,
                "process_step": "Moulding" if moulded else f"Laser welding, {found.process}",
                "characteristic_id": c.id,
                "technique": ", ".join(x for x in (c.method, c.gauge_family) if x),
                "sample_size": str(c.samples) if c.samples else "100 %" if c.kind == "counted" else "",
                "frequency": frequency_words(c.hangs_on, c.sample_positions) if c.samples else "",
                "control_method": c.control_method,
                "reaction_plan": "\n".join(c.reaction_plan),
                "owner": "quality engineer" if c.special_class != "standard" else "",
            }
        )
    return sorted(rows, key=lambda row: row["process_number"])


def rows_of(plan: ControlPlan) -> list[dict[str, Any]]:
    """The rows of a plan in the form in which they are written."""
    return [row_given(row) for row in plan.rows]


def row_given(row: PlanRow) -> dict[str, Any]:
    given: dict[str, Any] = {name: getattr(row, name) for name in TEXTS}
    if row.characteristic_id is not None:
        return {**given, "characteristic_id": row.characteristic_id}
    own = {"number": row.code, "specification": row.specification, "symbol": row.symbol}
    if row.special_class != "standard":
        own["special_class"] = row.special_class
    return {**given, "process_characteristic": row.name, **{k: v for k, v in own.items() if v}}


# Changing a draft.


def change_row(
    session: Session, part: str, phase: str, position: int | None, changes: Mapping[str, str]
) -> ControlPlan:
    """Change a row of the draft of a phase, or add one at the end (`position` None).

    `changes`: fields of a row; 'characteristic' names one by its code. Raises UsageError, UnknownRecord, Refused.
    """
    require(session.actor, "draft control plans")
    with session.store.write(session.actor, session.plant.id) as writer:
        plan = _draft(writer.conn, part, phase)
        rows = rows_of(plan)
        given = with_ids(writer.conn, part, changes)
        if position is None:
            rows.append(given)
        elif 1 <= position <= len(rows):
            rows[position - 1] = _merged(rows[position - 1], given)
        else:
            raise UsageError(f"The draft has no row {position}.", f"Rows: 1 to {len(rows)}.")
        registry.change_control_plan(writer, plan.id, rows=rows, header=plan.header)
        return lookups.control_plan_by_id(writer.conn, plan.id)


def _merged(row: Mapping[str, Any], given: Mapping[str, Any]) -> dict[str, Any]:
    """A row with changes; one of the product that becomes one of the process gives up its characteristic, and the reverse."""
    kept = dict(row)
    if "process_characteristic" in given:
        kept.pop("characteristic_id", None)
    if "characteristic_id" in given:
        for name in ("process_characteristic", "number", "specification", "special_class", "symbol"):
            kept.pop(name, None)
    return {**kept, **given}


def remove_row(session: Session, part: str, phase: str, position: int) -> ControlPlan:
    """Take a row out of the draft of a phase; the trail keeps it."""
    require(session.actor, "draft control plans")
    with session.store.write(session.actor, session.plant.id) as writer:
        plan = _draft(writer.conn, part, phase)
        rows = rows_of(plan)
        if not 1 <= position <= len(rows):
            raise UsageError(f"The draft has no row {position}.", f"Rows: 1 to {len(rows)}.")
        del rows[position - 1]
        registry.change_control_plan(writer, plan.id, rows=rows, header=plan.header)
        return lookups.control_plan_by_id(writer.conn, plan.id)


def change_head(session: Session, part: str, phase: str, changes: Mapping[str, str]) -> ControlPlan:
    """Change the head of the draft of a phase: fields of HEADER, and 'number'."""
    require(session.actor, "draft control plans")
    with session.store.write(session.actor, session.plant.id) as writer:
        plan = _draft(writer.conn, part, phase)
        given = dict(changes)
        number = given.pop("number", None)
        header = {**plan.header, **given}
        registry.change_control_plan(writer, plan.id, rows=rows_of(plan), header=header, number=number)
        return lookups.control_plan_by_id(writer.conn, plan.id)


def put_draft(
    writer: Writer,
    part: str,
    phase: str,
    rows: Sequence[Mapping[str, Any]],
    *,
    number: str = "",
    header: Mapping[str, str] | None = None,
) -> tuple[int, str]:
    """Rows from a file into the draft of a phase; a draft is opened where none is. Nothing happens where the last plan of the
    phase is the same. Returns the id of the plan and 'added', 'changed' or 'kept'."""
    conn = writer.conn
    given = [with_ids(conn, part, row) for row in rows]
    own = [p for p in lookups.control_plans(conn, part) if p.phase == phase]
    last = own[-1] if own else None
    head = dict(header) if header is not None else dict(last.header) if last is not None else {}
    chosen = number or (last.number if last is not None else f"CP-{part}")
    if last is not None and chosen == last.number and head == dict(last.header):
        same = [_filled(row) for row in given] == [_filled(row) for row in rows_of(last)]
        if same:
            return last.id, "kept"
    if last is not None and last.state == "draft":
        registry.change_control_plan(writer, last.id, rows=given, header=head, number=chosen)
        return last.id, "changed"
    found = lookups.part(conn, part)
    plan_id = registry.add_control_plan(writer, found.id, number=chosen, phase=phase, rows=given, header=head)
    return plan_id, "added"


def _filled(row: Mapping[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in row.items() if value not in ("", None)}


def with_ids(conn: Conn, part: str, given: Mapping[str, Any]) -> dict[str, Any]:
    """A row with the id of its characteristic in place of the code, steps of a reaction plan as lines."""
    row = dict(given)
    code = str(row.pop("characteristic", "") or "").strip()
    if code:
        row["characteristic_id"] = lookups.characteristic(conn, part, code).id
    steps = row.get("reaction_plan")
    if isinstance(steps, Sequence) and not isinstance(steps, str):
        row["reaction_plan"] = "\n".join(str(step) for step in steps)
    return row


def _draft(conn: Conn, part: str, phase: str) -> ControlPlan:
    plan = lookups.find_plan(lookups.control_plans(conn, part), part, phase)
    if plan.state != "draft":
        raise Refused(
            f"The last {phase} control plan of part {part} is {plan.state}.",
            f"Open a draft first: qualrec control-plan draft {part} --phase {phase!r}",
        )
    return plan


# Approval.


def approve(
    session: Session,
    part: str,
    phase: str,
    *,
    reason: str,
    valid_from: str = "",
    password: str | None = None,
) -> str:
    """Approve the draft of a phase with a signature: in force from now, or from a later moment ('2026-11-30 07:30').

    The plan in force before, of whatever phase, is superseded then. Raises Refused for a draft that leaves out a special or
    mandatory characteristic, or a special row without a reaction plan.
    """
    require(session.actor, "approve control plans")
    if not reason.strip():
        raise UsageError("A control plan is approved with a reason.", "Say why, in words: --reason.")
    since = moment_of(session, valid_from) if valid_from.strip() else None
    ready_to_sign(session, password)
    with session.store.write(session.actor, session.plant.id) as writer:
        plan = _draft(writer.conn, part, phase)
        obstacles = _obstacles(writer.conn, plan)
        if obstacles:
            raise Refused(
                f"{plan.label} cannot be approved. {' '.join(obstacles)}", "Add the rows to the draft."
            )
        signature = sign(writer, "approved", "control plan", plan.id, plan_content(plan), reason)
        registry.approve_control_plan(
            writer, plan.id, signature_id=signature, valid_from_us=since, why=reason
        )
        done = lookups.control_plan_by_id(writer.conn, plan.id)
    when = "from now on" if since is None else f"from {session.moment(done.valid_from_us)}"
    return f"{done.label} of part {part} approved by {session.actor.name}, in force {when}."


def plan_content(plan: ControlPlan) -> dict[str, Any]:
    """What a signature of a control plan covers: its head and every row, but not what the revisions of characteristics say."""
    return {
        "plan": plan.id,
        "number": plan.number,
        "phase": plan.phase,
        "revision": plan.revision,
        "header": dict(plan.header),
        "rows": [row_given(row) for row in plan.rows],
    }
