"""Window studies of a recipe: the plan with its runs in random order, and what each run gave."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

from sqlalchemy import select

from qualrec.errors import Refused, UsageError
from qualrec.records.ledger import Writer
from qualrec.records.models import metadata
from qualrec.records.registry import checks
from qualrec.records.registry.gauge_studies import open_study

KIND = "window"


def add_window_study(
    writer: Writer,
    *,
    number: str,
    title: str,
    part_id: int,
    characteristic_id: int,
    plan: Mapping[str, Any],
    runs: Sequence[Mapping[str, float | str]],
) -> int:
    """Add a planned window study; `runs` are the settings of each run in the order in which they are made.

    Raises UsageError, UnknownRecord, Refused where the number is taken.
    """
    row = {
        "number": checks.name(number, "Number of the study"),
        "kind": KIND,
        "title": checks.name(title, "Title of the study"),
        "part_id": part_id,
        "characteristic_id": characteristic_id,
        "plan": _json(plan),
        "person_id": writer.actor.person_id,
    }
    checks.row(writer, "part", part_id, "part")
    checks.row(writer, "characteristic", characteristic_id, "characteristic")
    what = f"Study {row['number']!r}"
    checks.new_name(writer, "study", what, plant_id=writer.plant_id, number=row["number"])
    study_id = writer.insert("study", row, act="study planned")
    for position, factors in enumerate(runs, 1):
        run_id = writer.new_subject("study run")
        full = {"id": run_id, "study_id": study_id, "position": position, "factors": _json(factors)}
        writer.insert("study_run", full, act="study run planned")
    return study_id


def enter_window_run(
    writer: Writer,
    run_id: int,
    *,
    value: float | None,
    mode: str,
    more: Mapping[str, float | str] | None = None,
    why: str = "",
) -> bool:
    """Enter strength and failure mode of a run; `more`: shares of a mixed mode, measures of the section.

    A second entry of a run needs a reason; the trail keeps both. Returns whether anything changed. Raises Refused for a study
    that is analysed or withdrawn, UsageError for a value without a mode or none without a test fault.
    """
    run = checks.row(writer, "study_run", run_id, "run of a study")
    study = open_study(writer, run.study_id)
    if study.kind != KIND:
        raise Refused(f"Study {study.number} is no window study.", "Enter its runs where it was planned.")
    chosen, read = checks.name(mode, "Failure mode"), checks.number_or_none(value, "Strength", least=0.0)
    if (read is None) != (chosen == "test fault"):
        raise UsageError(
            f"Run {run.position}: a run has a strength and a failure mode; a test fault has no strength.",
            "Enter both, or the mode 'test fault' alone.",
        )
    planned = dict(json.loads(run.factors))
    kept = {k: v for k, v in planned.items() if not k.startswith(("section ", "shares"))}
    factors = _json({**kept, **(more or {})})
    if run.done_us is not None:
        if (run.value, run.mode, run.factors) == (read, chosen, factors):
            return False
        if not checks.prose(why, "The reason"):
            raise Refused(
                f"Run {run.position} of study {study.number} has an entry already.",
                "Give a reason to change it; both entries are kept.",
            )
    changes = {
        "value": read,
        "mode": chosen,
        "factors": factors,
        "done_us": writer.now_us,
        "person_id": writer.actor.person_id,
    }
    act = "study run entered" if run.done_us is None else "study run changed"
    writer.update("study_run", run_id, changes, act=act, why=checks.prose(why, "The reason"))
    if study.state == "planned":
        writer.update("study", study.id, {"state": "running"}, act="study begun")
    return True


def next_number(writer: Writer, prefix: str = "WS-") -> str:
    """A number that no study has yet: WS-1, WS-2, .."""
    t = metadata.tables["study"]
    taken = set(writer.conn.execute(select(t.c.number).where(t.c.plant_id == writer.plant_id)).scalars())
    count = 1
    while f"{prefix}{count}" in taken:
        count += 1
    return f"{prefix}{count}"


def _json(value: Mapping[str, Any]) -> str:
    return json.dumps(value, ensure_ascii=False, sort_keys=True)
