"""Control plans: drafts with their rows, and approval. An approved plan never changes; a change is a new revision."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import func, select

from qualrec.errors import Refused, UsageError
from qualrec.judge.control_plan import HEADER, PHASES, sampling_of
from qualrec.records.ledger import Writer
from qualrec.records.models import metadata
from qualrec.records.models.parts import CLASSES
from qualrec.records.registry import checks

LENGTHS = {
    "process_number": 20,
    "process_step": 120,
    "machine": 120,
    "process_characteristic": 120,
    "sample_size": 60,
    "frequency": 80,
    "owner": 80,
}
PROSE = ("technique", "control_method", "reaction_plan")
OWN = ("number", "specification", "special_class", "symbol")
"""Fields of a process characteristic; a product characteristic has them in its revisions."""
FIELDS = (*LENGTHS, *PROSE, *OWN, "characteristic_id")


def add_control_plan(
    writer: Writer,
    part_id: int,
    *,
    number: str,
    phase: str,
    rows: Sequence[Mapping[str, Any]],
    header: Mapping[str, str] | None = None,
) -> int:
    """Add a draft: the next revision of the part's plan of that phase. Returns its id.

    `rows`: fields of FIELDS; each has `characteristic_id` or `process_characteristic`. Raises UsageError for a row that cannot
    be, Refused where a draft of the phase is open already.
    """
    chosen = checks.one_of(phase, PHASES, "Phase")
    part = checks.row(writer, "part", part_id, "part")
    p = metadata.tables["control_plan"]
    same = [p.c.part_id == part_id, p.c.phase == chosen]
    if writer.conn.execute(select(p.c.id).where(*same, p.c.state == "draft")).first() is not None:
        raise Refused(
            f"A draft of the {chosen} control plan of part {part.number} is open already.",
            "Change that draft, or have it approved first.",
        )
    last = writer.conn.execute(select(func.max(p.c.revision)).where(*same)).scalar()
    kept, head = _checked(writer, part_id, rows, header or {})
    plan_id = writer.insert(
        "control_plan",
        {
            "part_id": part_id,
            "number": checks.name(number, "Number of the control plan"),
            "phase": chosen,
            "revision": (last or 0) + 1,
            "valid_from_us": writer.now_us,
            "header": _json(head),
        },
        act="control plan drafted",
    )
    _insert_rows(writer, plan_id, kept)
    return plan_id


def change_control_plan(
    writer: Writer,
    plan_id: int,
    *,
    rows: Sequence[Mapping[str, Any]],
    header: Mapping[str, str],
    number: str | None = None,
) -> None:
    """Put other rows and another head into a draft. Raises Refused for a plan that is approved, UsageError as above."""
    plan = draft_of(writer, plan_id)
    kept, head = _checked(writer, plan.part_id, rows, header)
    changes: dict[str, Any] = {"header": _json(head)}
    if number is not None:
        changes["number"] = checks.name(number, "Number of the control plan")
    writer.update("control_plan", plan_id, changes, act="control plan changed")
    r = metadata.tables["control_plan_row"]
    before = {
        row["position"]: dict(row)
        for row in writer.conn.execute(select(r).where(r.c.control_plan_id == plan_id)).mappings()
    }
    wanted = dict(enumerate(kept, 1))
    for position in before:
        if position not in wanted:
            key = {"control_plan_id": plan_id, "position": position}
            writer.remove("control_plan_row", key, act="control plan row removed")
    for position, row in wanted.items():
        if position in before:
            key = {"control_plan_id": plan_id, "position": position}
            writer.update("control_plan_row", key, row, act="control plan row changed")
        else:
            _insert_row(writer, plan_id, position, row)


def approve_control_plan(
    writer: Writer, plan_id: int, *, signature_id: int, valid_from_us: int | None = None, why: str = ""
) -> None:
    """Put a draft in force from now, or from a later moment; plans of the part before it are superseded.

    Raises Refused for a plan that is no draft, UsageError for a moment in the past.
    """
    plan = draft_of(writer, plan_id)
    since = writer.now_us if valid_from_us is None else checks.moment(valid_from_us, "Valid from")
    if since < writer.now_us:
        raise UsageError("An approval does not reach back in time.", "Give a moment from now on.")
    checks.row(writer, "signature", signature_id, "signature")
    p = metadata.tables["control_plan"]
    earlier = select(p.c.id).where(
        p.c.part_id == plan.part_id, p.c.state == "approved", p.c.valid_from_us <= since
    )
    for one in list(writer.conn.execute(earlier.order_by(p.c.id)).scalars()):
        writer.update("control_plan", one, {"state": "superseded"}, act="control plan superseded", why=why)
    approved = {"state": "approved", "valid_from_us": since, "signature_id": signature_id}
    writer.update("control_plan", plan_id, approved, act="control plan approved", why=why)


def draft_of(writer: Writer, plan_id: int) -> Any:
    """The row of a plan that is a draft. Raises Refused for another state."""
    plan = checks.row(writer, "control_plan", plan_id, "control plan")
    if plan.state != "draft":
        raise Refused(
            f"Revision {plan.revision} of control plan {plan.number} is {plan.state} and stays as it is.",
            "Make a new revision.",
        )
    return plan


def _checked(
    writer: Writer, part_id: int, rows: Sequence[Mapping[str, Any]], header: Mapping[str, str]
) -> tuple[list[dict[str, Any]], dict[str, Any]]:
    """Rows in the form of their table, and the head with what process characteristics have of their own."""
    if not rows:
        raise UsageError("A control plan needs a row.", "Give at least one.")
    checks.known_keys(header, HEADER, "Field of the head of a control plan")
    head: dict[str, Any] = {key: checks.prose(value, key) for key, value in header.items() if value}
    kept, extra = [], {}
    for position, given in enumerate(rows, 1):
        try:
            row, own = _row(writer, part_id, given)
        except UsageError as error:
            raise UsageError(f"Row {position}: {error.message}", error.remedy) from error
        kept.append(row)
        if own:
            extra[str(position)] = own
    _once(kept)
    if extra:
        head["rows"] = extra
    return kept, head


def _row(writer: Writer, part_id: int, given: Mapping[str, Any]) -> tuple[dict[str, Any], dict[str, str]]:
    checks.known_keys(given, FIELDS, "Field of a row")
    row: dict[str, Any] = {name: checks.line(given.get(name, ""), name.replace("_", " ")) for name in LENGTHS}
    for name, most in LENGTHS.items():
        if len(row[name]) > most:
            raise UsageError(
                f"{name.replace('_', ' ')} has {len(row[name])} signs; {most} are kept.", "Shorten it."
            )
    row |= {name: checks.prose(given.get(name, ""), name.replace("_", " ")) for name in PROSE}
    for name in ("process_number", "process_step"):
        checks.name(row[name], name.replace("_", " ").capitalize())
    sampling_of(row["sample_size"], row["frequency"])
    product = given.get("characteristic_id")
    if (product is None) == (not row["process_characteristic"]):
        raise UsageError(
            "A row has one characteristic, of the product or of the process.", "Name one of the two."
        )
    row["characteristic_id"] = product
    own = {name: checks.line(given.get(name, ""), name) for name in OWN}
    own = {name: text for name, text in own.items() if text}
    if product is not None:
        c = checks.row(writer, "characteristic", product, "characteristic")
        if c.part_id != part_id:
            raise UsageError(f"Characteristic {c.code} is of another part.", "Name one of this part.")
        if own:
            raise UsageError(
                f"{', '.join(own)} of {c.code} stand in its own revisions.",
                "Leave them out here; change them by a revision of the characteristic.",
            )
    elif "special_class" in own:
        checks.one_of(own["special_class"], CLASSES, "Class")
    return row, own


def _once(rows: Sequence[Mapping[str, Any]]) -> None:
    """One row at most of a characteristic asks samples of each lot, so that the number owed is certain."""
    seen: dict[int, int] = {}
    for position, row in enumerate(rows, 1):
        if row["characteristic_id"] is None or sampling_of(row["sample_size"], row["frequency"]) is None:
            continue
        first = seen.setdefault(row["characteristic_id"], position)
        if first != position:
            raise UsageError(
                f"Rows {first} and {position} both ask samples of each lot for one characteristic.",
                "Put them into one row with all positions.",
            )


def _insert_rows(writer: Writer, plan_id: int, rows: Sequence[Mapping[str, Any]]) -> None:
    for position, row in enumerate(rows, 1):
        _insert_row(writer, plan_id, position, row)


def _insert_row(writer: Writer, plan_id: int, position: int, row: Mapping[str, Any]) -> None:
    full = {"control_plan_id": plan_id, "position": position, **row}
    writer.insert("control_plan_row", full, act="control plan row")


def _json(value: Mapping[str, Any]) -> str:
    return json.dumps(value, ensure_ascii=False, sort_keys=True)
