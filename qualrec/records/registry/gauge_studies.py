"""Studies of gauges and of people who judge: the plan with its runs in their order, entries, and the analysis kept."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import select

from qualrec.errors import Refused, UsageError
from qualrec.records.ledger import Writer
from qualrec.records.models import metadata
from qualrec.records.registry import checks

KINDS = ("gauge crossed", "gauge nested", "bias", "linearity", "stability", "agreement")
OPEN = ("planned", "running")
MOST_RUNS = 20_000


def add_gauge_study(
    writer: Writer,
    *,
    number: str,
    kind: str,
    title: str,
    plan: Mapping[str, Any],
    runs: Sequence[Mapping[str, str]],
    gauge_id: int | None = None,
    part_id: int | None = None,
    characteristic_id: int | None = None,
) -> int:
    """Add a planned study with its runs: `runs` are the factors of each in the order in which they are made.

    A study of a gauge names the gauge; an agreement study needs none. Raises UsageError, Refused where the number is taken.
    """
    chosen = checks.one_of(kind, KINDS, "Kind of study")
    if not 1 <= len(runs) <= MOST_RUNS:
        raise UsageError(f"{len(runs)} runs cannot be kept.", f"Plan 1 to {MOST_RUNS}.")
    if chosen != "agreement" and gauge_id is None:
        raise UsageError("A study of a gauge names the gauge.", "Give the code of the gauge.")
    row = {
        "number": checks.name(number, "Number of the study"),
        "kind": chosen,
        "title": checks.name(title, "Title of the study"),
        "part_id": part_id,
        "characteristic_id": characteristic_id,
        "gauge_id": gauge_id,
        "plan": _json(plan),
        "person_id": writer.actor.person_id,
    }
    checks.row_or_none(writer, "gauge", gauge_id, "gauge")
    checks.row_or_none(writer, "part", part_id, "part")
    checks.row_or_none(writer, "characteristic", characteristic_id, "characteristic")
    checks.new_name(
        writer, "study", f"Study {row['number']!r}", plant_id=writer.plant_id, number=row["number"]
    )
    study_id = writer.insert("study", row, act="study planned")
    for position, factors in enumerate(runs, 1):
        run_id = writer.new_subject("study run")
        full = {"id": run_id, "study_id": study_id, "position": position, "factors": _json(factors)}
        writer.insert("study_run", full, act="study run planned")
    return study_id


def enter_run(
    writer: Writer, run_id: int, *, value: float | None = None, mode: str = "", why: str = ""
) -> None:
    """Enter what a run gave: a value, or the class called (`mode`). A second entry of a run needs a reason.

    The trail keeps both. Raises Refused for a study that is analysed or withdrawn, UsageError for an entry that is none.
    """
    run = checks.row(writer, "study_run", run_id, "run of a study")
    study = open_study(writer, run.study_id)
    row: dict[str, Any] = {
        "value": checks.number_or_none(value, "Value"),
        "mode": checks.line(mode, "Class"),
        "done_us": writer.now_us,
        "person_id": writer.actor.person_id,
    }
    if (row["value"] is None) == (not row["mode"]):
        raise UsageError("A run has a value or a class.", "Enter one of the two.")
    reason = checks.prose(why, "The reason")
    if run.done_us is not None:
        if (run.value, run.mode) == (row["value"], row["mode"]):
            return
        if not reason:
            raise Refused(
                f"Run {run.position} of study {study.number} has an entry already.",
                "Give a reason to change it; both entries are kept.",
            )
    act = "study run entered" if run.done_us is None else "study run changed"
    writer.update("study_run", run_id, row, act=act, why=reason)
    if study.state == "planned":
        writer.update("study", study.id, {"state": "running"}, act="study begun")


def keep_analysis(
    writer: Writer, study_id: int, *, analysis: Mapping[str, Any], method: str, version: str, verdict: str
) -> None:
    """Keep the analysis of a study with its method, the program's version and the verdict; its entries stay as they are."""
    study = open_study(writer, study_id)
    changes = {
        "state": "analysed",
        "analysis": _json(analysis),
        "method": checks.prose(method, "Method", filled=True),
        "program_version": checks.name(version, "Version of the program"),
        "verdict": checks.name(verdict, "Verdict"),
        "done_us": writer.now_us,
        "person_id": writer.actor.person_id,
    }
    writer.update("study", study.id, changes, act="study analysed")


def withdraw_study(writer: Writer, study_id: int, *, why: str) -> None:
    """Withdraw a study, also an analysed one: it counts no longer, and stays readable."""
    reason = checks.prose(why, "The reason", filled=True)
    study = checks.row(writer, "study", study_id, "study")
    if study.state == "withdrawn":
        raise Refused(f"Study {study.number} is withdrawn already.", "Nothing has to be done.")
    writer.update("study", study_id, {"state": "withdrawn"}, act="study withdrawn", why=reason)


def open_study(writer: Writer, study_id: int) -> Any:
    """The row of a study that takes entries. Raises Refused for another."""
    s = metadata.tables["study"]
    study = writer.conn.execute(select(s).where(s.c.id == study_id)).one()
    if study.state not in OPEN:
        raise Refused(
            f"Study {study.number} is {study.state}; its entries stay as they are.", "Plan a new study."
        )
    return study


def _json(value: Mapping[str, Any]) -> str:
    return json.dumps(value, ensure_ascii=False, sort_keys=True)
