"""Submissions to customers, what a customer asks, and the steps owed because of a change."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import select

from qualrec.errors import Refused, UsageError
from qualrec.records.ledger import Writer
from qualrec.records.models import metadata
from qualrec.records.registry import checks

ELEMENT_STATES = ("supplied", "referenced", "kept", "missing")
LAST_ELEMENT = 18
LEVELS = ("1", "2", "3", "4", "5", "agreed")


def add_submission(
    writer: Writer,
    part_id: int,
    *,
    level: str,
    asked: Sequence[int] = (),
    customer_id: int | None = None,
    number: str | None = None,
) -> int:
    """Open a submission of a part at a level, or by an agreed list of elements (`asked`, only with 'agreed').

    The customer is that of the part unless said otherwise; the number is the next free one (S-0001) unless given.
    """
    chosen = checks.one_of(level, LEVELS, "Level")
    listed = sorted({checks.whole(n, "Number of an element", least=1, most=LAST_ELEMENT) for n in asked})
    if (chosen == "agreed") != bool(listed):
        raise UsageError(
            "An agreed list names its elements, a level does not.",
            "Give the numbers of the elements with 'agreed', and only there.",
        )
    part = checks.row(writer, "part", part_id, "part")
    checks.row_or_none(writer, "customer", customer_id, "customer")
    name = _next_number(writer) if number is None else checks.name(number, "Number of the submission")
    checks.new_name(writer, "submission", f"Submission {name!r}", plant_id=writer.plant_id, number=name)
    row = {
        "number": name,
        "part_id": part_id,
        "customer_id": part.customer_id if customer_id is None else customer_id,
        "level": chosen,
        "elements": _json({"asked": listed} if listed else {}),
        "made_us": writer.now_us,
        "person_id": writer.actor.person_id,
    }
    return writer.insert("submission", row, act="submission opened")


def _next_number(writer: Writer) -> str:
    t = metadata.tables["submission"]
    held = set(writer.conn.execute(select(t.c.number).where(t.c.plant_id == writer.plant_id)).scalars())
    return next(name for n in range(1, 1_000_000) if (name := f"S-{n:04d}") not in held)


def _json(value: Any) -> str:
    return json.dumps(value, sort_keys=True, ensure_ascii=False)


def set_element(writer: Writer, submission_id: int, element: int, state: str, *, reason: str) -> None:
    """Set the state of an element by hand. A workbook made before is no longer the one of this submission."""
    chosen = checks.one_of(state, ELEMENT_STATES, "State")
    at = checks.whole(element, "Number of the element", least=1, most=LAST_ELEMENT)
    why = checks.prose(reason, "The reason", filled=True)
    held = _unsigned(writer, submission_id)
    by_hand = dict(held.get("by_hand", {}))
    by_hand[str(at)] = {
        "state": chosen,
        "reason": why,
        "person_id": writer.actor.person_id,
        "at_us": writer.now_us,
    }
    _revise(writer, submission_id, {**held, "by_hand": by_hand}, f"element {at} {chosen}", why)


def set_warrant(writer: Writer, submission_id: int, given: Mapping[str, str]) -> None:
    """Fill in data of the declaration; an empty text takes a datum away. Texts as they are to stand there."""
    held = _unsigned(writer, submission_id)
    now = {**held.get("warrant", {}), **{k: checks.prose(v, f"Datum {k!r}") for k, v in given.items()}}
    kept = {key: text for key, text in now.items() if text}
    _revise(writer, submission_id, {**held, "warrant": kept}, "declaration filled in", "")


def _unsigned(writer: Writer, submission_id: int) -> dict[str, Any]:
    """The elements of a submission that may still change."""
    row = checks.row(writer, "submission", submission_id, "submission")
    if row.signature_id is not None:
        raise Refused(
            f"Submission {row.number} is signed and does not change.", "Open a new one; it supersedes this."
        )
    return dict(json.loads(row.elements))


def _revise(writer: Writer, submission_id: int, elements: Mapping[str, Any], act: str, why: str) -> None:
    changes = {"elements": _json(elements), "file_name": "", "file_digest": "", "manifest": "{}"}
    writer.update("submission", submission_id, changes, act=f"submission: {act}", why=why)


def store_made(
    writer: Writer, submission_id: int, file_name: str, file_digest: str, manifest: Mapping[str, Any]
) -> None:
    """Record the workbook that was written: its name, the digest of the file and what it rests on."""
    _unsigned(writer, submission_id)
    changes = {
        "file_name": checks.name(file_name, "Name of the file"),
        "file_digest": file_digest,
        "manifest": _json(manifest),
    }
    writer.update("submission", submission_id, changes, act="submission made")


def store_signed(writer: Writer, submission_id: int, signature_id: int, file_digest: str) -> None:
    """Record the signature and the digest of the file that now shows it."""
    _unsigned(writer, submission_id)
    checks.row(writer, "signature", signature_id, "signature")
    changes = {"state": "signed", "signature_id": signature_id, "file_digest": file_digest}
    writer.update("submission", submission_id, changes, act="submission signed")


CUSTOMER_FIELDS = (
    "name",
    "language",
    "index_standard",
    "index_special",
    "uses_bound",
    "run_length",
    "retention_years",
    "requalify_months",
    "symbols",
    "notices",
)


def revise_customer(writer: Writer, customer_id: int, changes: Mapping[str, Any], *, why: str) -> None:
    """Change what a customer asks; fields as in `add_customer`. The trail keeps before and after."""
    reason = checks.prose(why, "The reason", filled=True)
    checks.known_keys(changes, CUSTOMER_FIELDS, "Field")
    checks.row(writer, "customer", customer_id, "customer")
    full = {key: _customer_value(key, value) for key, value in changes.items()}
    writer.update("customer", customer_id, full, act="customer revised", why=reason)


def _customer_value(key: str, value: Any) -> Any:
    if key == "name":
        return checks.name(value, "Customer name")
    if key == "language":
        return checks.one_of(value, ("en", "de"), "Language")
    if key in ("index_standard", "index_special"):
        return checks.number_or_none(value, "Required index", above=0)
    if key == "uses_bound":
        return checks.yes_no(value, "Uses the lower bound")
    if key == "run_length":
        return checks.whole_or_none(value, "Run length", least=2)
    if key in ("retention_years", "requalify_months"):
        return checks.whole_or_none(value, "Years or months", least=1)
    held = {checks.name(k, "Name"): checks.line(v, "Text") for k, v in value.items()}
    return _json({k: v for k, v in held.items() if v})


def add_notice(writer: Writer, part_id: int, kind: str, what: str, steps: Sequence[str]) -> int:
    """Owe the steps of a change of a part; returns the number of the notice within the plant."""
    chosen = checks.name(kind, "Kind of change")
    words = checks.prose(what, "What changes", filled=True)
    listed = [checks.prose(step, "Step", filled=True) for step in steps]
    if not listed:
        raise UsageError("A change without steps owes nothing.", "Name at least one step.")
    checks.row(writer, "part", part_id, "part")
    t = metadata.tables["checklist"]
    held = writer.conn.execute(
        select(t.c.step).where(t.c.kind == "change notice", t.c.plant_id == writer.plant_id)
    ).scalars()
    number = 1 + max((int(json.loads(step)["notice"]) for step in held), default=0)
    for position, step in enumerate(listed, 1):
        content = {
            "part": part_id,
            "notice": number,
            "kind": chosen,
            "what": words,
            "begun_us": writer.now_us,
            "step": step,
        }
        row = {"kind": "change notice", "position": position, "step": _json(content)}
        writer.insert("checklist", row, act="change notice begun", why=words)
    return number


def close_notice_step(writer: Writer, step_id: int, remark: str) -> None:
    """Record that a step of a change notice is done, with what came of it. Raises Refused where it is done already."""
    words = checks.prose(remark, "The remark", filled=True)
    found = checks.row(writer, "checklist", step_id, "step")
    if found.done_us is not None:
        raise Refused("This step is done already.", "See: qualrec notice list")
    changes = {"done_us": writer.now_us, "person_id": writer.actor.person_id, "remark": words}
    writer.update("checklist", step_id, changes, act="change notice step done", why=words)


def add_comparison(
    writer: Writer,
    *,
    title: str,
    part_id: int,
    characteristic_id: int,
    plan: Mapping[str, Any],
    analysis: Mapping[str, Any],
    method: str,
    verdict: str,
    program_version: str,
) -> str:
    """Keep a comparison of before and after a change as an analysed study; returns its number (E-0001 and on)."""
    t = metadata.tables["study"]
    held = set(writer.conn.execute(select(t.c.number).where(t.c.plant_id == writer.plant_id)).scalars())
    number = next(name for n in range(1, 1_000_000) if (name := f"E-{n:04d}") not in held)
    checks.row(writer, "part", part_id, "part")
    checks.row(writer, "characteristic", characteristic_id, "characteristic")
    row = {
        "number": number,
        "kind": "comparison",
        "title": checks.name(title, "Title"),
        "state": "analysed",
        "part_id": part_id,
        "characteristic_id": characteristic_id,
        "plan": _json(plan),
        "analysis": json.dumps(analysis, ensure_ascii=False),
        "method": method,
        "verdict": verdict,
        "program_version": program_version,
        "done_us": writer.now_us,
        "person_id": writer.actor.person_id,
    }
    writer.insert("study", row, act="comparison kept")
    return number
