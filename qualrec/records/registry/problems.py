"""Problem reports by eight disciplines: opened, written to, linked, closed. What was written is never taken out."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from typing import Any

from qualrec.errors import Refused, UsageError
from qualrec.records.ledger import Writer
from qualrec.records.lookups.problems import ATTACHED, CLOSING, DISCIPLINE_DAYS, LINK_TABLES
from qualrec.records.registry import checks

_DIGEST = re.compile(r"[0-9a-f]{64}")


def add_problem(
    writer: Writer, number: str, title: str, *, part_id: int | None = None, due_us: Mapping[str, int]
) -> int:
    """Open a report. `due_us`: the moment by which each discipline is due; the last of them is the report's own."""
    checks.known_keys(due_us, DISCIPLINE_DAYS, "Discipline")
    moments = {code: checks.moment(at, f"Day of {code}") for code, at in due_us.items()}
    row = {
        "number": checks.name(number, "Number of the report"),
        "title": checks.name(title, "Title"),
        "part_id": part_id,
        "opened_us": writer.now_us,
        "due_us": max(moments.values(), default=None),
        "steps": _text({code: {"due_us": at} for code, at in moments.items()}),
    }
    checks.row_or_none(writer, "part", part_id, "part")
    what = f"Problem report {row['number']!r}"
    checks.new_name(writer, "problem_report", what, plant_id=writer.plant_id, number=row["number"])
    return writer.insert("problem_report", row, act="problem report opened")


def write_step(
    writer: Writer,
    problem_id: int,
    code: str,
    *,
    text: str = "",
    done: bool = False,
    due_us: int | None = None,
    owner_id: int | None = None,
) -> None:
    """Add words to a discipline, say that it is done, set its day or its owner. Words never replace words.

    Raises Refused for a closed report, for a discipline that is done, and for one said to be done without a word.
    """
    checks.one_of(code, DISCIPLINE_DAYS, "Discipline")
    words = checks.prose(text, "The text")
    found = _open(writer, problem_id)
    steps = json.loads(found.steps)
    step: dict[str, Any] = steps.get(code, {})
    if step.get("done_us") is not None:
        raise Refused(f"{code} of {found.number} is done.", "Write under the discipline that follows.")
    if not words and not done and due_us is None and owner_id is None:
        raise UsageError("Nothing is said.", "Give a text, a day or an owner, or say that it is done.")
    if words:
        entry = {"text": words, "at_us": writer.now_us, "person_id": writer.actor.person_id}
        step["entries"] = [*step.get("entries", ()), entry]
    if done and not step.get("entries"):
        raise Refused(
            f"Nothing is written under {code}.", "Say what was found or done; or why it is not needed."
        )
    if done:
        step |= {"done_us": writer.now_us, "done_by_id": writer.actor.person_id}
    if due_us is not None:
        step["due_us"] = checks.moment(due_us, f"Day of {code}")
    if owner_id is not None:
        step["owner_id"] = checks.row(writer, "person", owner_id, "person").id
    changes: dict[str, Any] = {"steps": _text({**steps, code: step})}
    if due_us is not None:
        days = [held.get("due_us") for held in {**steps, code: step}.values()]
        changes["due_us"] = max(day for day in days if day is not None)
    writer.update(
        "problem_report", problem_id, changes, act="problem report written to", why=f"{code}: {words[:200]}"
    )


def link_problem(writer: Writer, problem_id: int, kind: str, record_id: int) -> None:
    """Link a report to a lot, moulding lot, gauge or flag. Raises Refused where it is linked already."""
    checks.one_of(kind, LINK_TABLES, "Kind of link")
    found = _open(writer, problem_id)
    checks.row(writer, LINK_TABLES[kind][0], record_id, kind)
    links = json.loads(found.links)
    link = {"kind": kind, "id": record_id}
    if link in links:
        raise Refused(f"{found.number} is linked to that {kind} already.", "Link it to another record.")
    writer.update("problem_report", problem_id, {"links": _text([*links, link])}, act="problem report linked")


def add_evidence(writer: Writer, problem_id: int, name: str, *, digest: str, place: str) -> int:
    """File evidence with a report: the name, place and SHA-256 of a file that is kept elsewhere."""
    _open(writer, problem_id)
    if not _DIGEST.fullmatch(digest):
        raise UsageError("The evidence has no valid digest.", "Give its SHA-256 in lower-case hex.")
    row = {
        "what_kind": ATTACHED,
        "what_id": problem_id,
        "name": checks.name(name, "Name of the evidence"),
        "digest": digest,
        "place": checks.prose(place, "The place", filled=True),
        "at_us": writer.now_us,
        "person_id": writer.actor.person_id,
    }
    return writer.insert("attachment", row, act="evidence filed")


def close_problem(writer: Writer, problem_id: int, why: str) -> None:
    """Close a report. Raises Refused while a discipline is not done; the refusal names them."""
    words = checks.prose(why, "What was reached", filled=True)
    found = _open(writer, problem_id)
    steps = json.loads(found.steps)
    missing = [code for code in DISCIPLINE_DAYS if steps.get(code, {}).get("done_us") is None]
    if missing:
        raise Refused(
            f"{found.number} cannot be closed: {', '.join(missing)} not done.",
            "Write what was done under each and say so; where one is not needed, write why.",
        )
    entry = {"text": words, "at_us": writer.now_us, "person_id": writer.actor.person_id}
    changes = {"state": "closed", "steps": _text({**steps, CLOSING: {"entries": [entry]}})}
    writer.update("problem_report", problem_id, changes, act="problem report closed", why=words[:200])


def _open(writer: Writer, problem_id: int) -> Any:
    found = checks.row(writer, "problem_report", problem_id, "problem report")
    if found.state == "closed":
        raise Refused(f"{found.number} is closed.", "Open a new report and refer to it.")
    return found


def _text(value: Any) -> str:
    return json.dumps(value, ensure_ascii=False, sort_keys=True)
