"""Studies of gauges and of people who judge: planned, carried out run by run, worked out, kept with method and version."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from qualrec import __version__
from qualrec.assess.gauge_study import Entry, analyse
from qualrec.errors import Refused, UnknownRecord, UsageError
from qualrec.export.run_sheet import RunSheet, sheet_text, write_run_sheet
from qualrec.intake.numbers import understand
from qualrec.judge.equipment import gauge_problems
from qualrec.judge.study_plan import DESIGNS, StudyPlan, advice, checked, plan_from, runs_of
from qualrec.records import lookups, registry
from qualrec.records.lookups import Study, StudyRun
from qualrec.records.registry.gauge_studies import KINDS, open_study
from qualrec.stats.working import Working
from qualrec.work.rights import require
from qualrec.work.session import Session
from qualrec.work.study_plans import Wanted, no_names, plan_of, title_of
from qualrec.work.study_sheets import Row, read_sheet


@dataclass(frozen=True, slots=True)
class StudyLine:
    """A study in a list: runs planned and entered."""

    study: Study
    gauge: str
    part: str
    code: str
    runs: int
    entered: int


@dataclass(frozen=True, slots=True)
class StudyPage:
    """One study. `plan` None: it was planned elsewhere and holds a stored analysis only. `working`: the stored analysis."""

    line: StudyLine
    plan: StudyPlan | None
    runs: tuple[StudyRun, ...]
    working: Working | None
    advice: tuple[str, ...]

    @property
    def open_runs(self) -> tuple[StudyRun, ...]:
        return tuple(r for r in self.runs if not r.entered)


# Reading.


def study_lines(session: Session) -> tuple[StudyLine, ...]:
    """All studies of gauges and judges, newest first."""
    with session.store.read() as conn:
        found = [s for s in lookups.studies(conn) if s.kind in KINDS]
        return _lines(conn, found)


def _lines(conn: Any, found: Sequence[Study]) -> tuple[StudyLine, ...]:
    progress = lookups.study_progress(conn)
    gauges = {g.id: g.code for g in lookups.gauges(conn)}
    parts = {p.id: p.number for p in lookups.parts(conn)}
    lines = []
    for s in found:
        code = ""
        if s.characteristic_id is not None:
            code = lookups.characteristic_by_id(conn, s.characteristic_id).code
        runs, entered = progress.get(s.id, (0, 0))
        gauge = gauges.get(s.gauge_id or 0, "")
        lines.append(StudyLine(s, gauge, parts.get(s.part_id or 0, ""), code, runs, entered))
    return tuple(lines)


def study_page(session: Session, number: str) -> StudyPage:
    """One study with its plan, runs and stored analysis. Raises UnknownRecord."""
    with session.store.read() as conn:
        return _page(conn, number)


def _page(conn: Any, number: str) -> StudyPage:
    study = lookups.study(conn, number)
    if study.kind not in KINDS:
        raise UnknownRecord(
            f"Study {number} is a {study.kind} study.", "It is none of a gauge or of people who judge."
        )
    plan = plan_from(study.plan) if study.plan else None
    runs = lookups.study_runs(conn, study.id)
    working = working_from(study.analysis) if "lines" in study.analysis else None
    return StudyPage(_lines(conn, [study])[0], plan, runs, working, advice(plan) if plan else ())


def working_from(stored: Mapping[str, Any]) -> Working:
    """A stored analysis as it was worked out."""
    return Working(
        title=str(stored["title"]),
        source=str(stored["source"]),
        lines=[(str(a), str(b), str(c)) for a, b, c in stored["lines"]],
        data=dict(stored["data"]),
        blocks=[(str(t), list(h), [list(r) for r in rows]) for t, h, rows in stored["blocks"]],
        conventions=list(stored["conventions"]),
        notes=list(stored["notes"]),
    )


# Planning.


def plan_study(session: Session, wanted: Wanted) -> StudyPage:
    """Plan a study: its runs in their random order are fixed now. Without a seed its number is the seed.

    Limits and unit are those of the characteristic, else of the gauge. Raises UsageError for a plan that cannot be carried out.
    """
    require(session.actor, "plan studies")
    with session.store.write(session.actor, session.plant.id) as writer:
        conn = writer.conn
        number = wanted.number.strip() or _free_number(conn)
        gauge = lookups.gauge(conn, wanted.gauge) if wanted.gauge else None
        part = lookups.part(conn, wanted.part) if wanted.part else None
        if wanted.code and part is None:
            raise UsageError("The part of the characteristic is not named.", "Name the part number too.")
        c = lookups.characteristic(conn, wanted.part, wanted.code) if wanted.code else None
        no_names(conn, wanted.people)
        plan = checked(plan_of(wanted, number, gauge, c))
        registry.add_gauge_study(
            writer,
            number=number,
            kind=DESIGNS[plan.design].kind,
            title=wanted.title.strip() or title_of(plan, gauge, c),
            plan=plan.as_mapping(),
            runs=runs_of(plan),
            gauge_id=None if gauge is None else gauge.id,
            part_id=None if part is None else part.id,
            characteristic_id=None if c is None else c.id,
        )
        return _page(conn, number)


def _free_number(conn: Any) -> str:
    taken = {s.number for s in lookups.studies(conn)}
    return next(n for n in (f"GS-{at:03d}" for at in range(1, len(taken) + 2)) if n not in taken)


# The run sheet.


def run_sheet(session: Session, page: StudyPage) -> RunSheet:
    """The sheet of a study with what is entered already. Raises UsageError for a study that was planned elsewhere."""
    plan = _own(page)
    study = page.line.study
    filled = "class" if plan.calls_classes else "value"
    unit = () if plan.calls_classes or not plan.unit else ("unit",)
    rows = []
    for run in page.runs:
        found = run.mode if plan.calls_classes else "" if run.value is None else _figure(session, run.value)
        units = (plan.unit,) if unit else ()
        rows.append((study.number, run.position, *(run.factors[f] for f in plan.factors), *units, found))
    head = [("Study", f"{study.number}, {study.title}")]
    if page.line.gauge:
        head.append(("Gauge", page.line.gauge))
    if page.line.code:
        head.append(("Characteristic", f"{page.line.part} {page.line.code}"))
    head.append(("Order", f"as drawn by the seed {plan.seed!r}; keep to it"))
    return RunSheet(
        title=f"Run sheet of study {study.number}",
        head=tuple(head),
        columns=("study", "run", *plan.factors, *unit, filled),
        rows=tuple(rows),
        choices=plan.classes if plan.calls_classes else (),
        semicolon=session.style == "comma",
    )


def _figure(session: Session, value: float) -> str:
    text = repr(value)
    return text.replace(".", ",") if session.style == "comma" else text


def write_sheet(session: Session, number: str, to: Path, *, replace: bool = False) -> str:
    """Write the run sheet of a study as text, CSV or workbook, by the ending of the file."""
    page = study_page(session, number)
    write_run_sheet(run_sheet(session, page), to, replace=replace)
    return f"Run sheet of {number} with {len(page.runs)} runs: {to}"


def sheet_lines(session: Session, number: str) -> str:
    """The run sheet as text."""
    return sheet_text(run_sheet(session, study_page(session, number)))


def _own(page: StudyPage) -> StudyPlan:
    if page.plan is None:
        raise UsageError(
            f"Study {page.line.study.number} was planned elsewhere; it has no runs.",
            "Look at its stored analysis.",
        )
    return page.plan


# Entries.


def enter(session: Session, number: str, given: Mapping[int, str], *, reason: str = "") -> tuple[str, ...]:
    """Enter what runs gave, as typed, by the number of the run. All or nothing. A changed entry needs a reason.

    Raises UsageError for an unknown run or a text that is no value or class, Refused for a study that is closed.
    """
    require(session.actor, "enter studies")
    if not given:
        raise UsageError("Nothing is entered.", "Write run and value, as 7=5.31.")
    with session.store.write(session.actor, session.plant.id) as writer:
        page = _page(writer.conn, number)
        plan = _own(page)
        runs = {r.position: r for r in page.runs}
        rows = []
        for position, text in given.items():
            if position not in runs:
                raise UsageError(f"Study {number} has no run {position}.", f"Runs: 1 to {len(runs)}.")
            rows.append(_typed(plan, position, text))
        for row in rows:
            registry.enter_run(writer, runs[row.position].id, value=row.value, mode=row.called, why=reason)
        after = _page(writer.conn, number)
    return (_told(after, len(rows)),)


def _typed(plan: StudyPlan, position: int, text: str) -> Row:
    if plan.calls_classes:
        return Row(position, None, class_named(plan, text))
    return Row(position, understand(text, plan.unit).value, "")


def class_named(plan: StudyPlan, text: str) -> str:
    """One of the classes of a plan, whatever the case of the letters. Raises UsageError."""
    plain = " ".join(text.split()).casefold()
    for name in plan.classes:
        if name.casefold() == plain:
            return name
    raise UsageError(f"{text!r} is none of the classes.", f"Classes: {', '.join(plan.classes)}.")


def _told(page: StudyPage, entered: int) -> str:
    left = len(page.open_runs)
    more = f"{left} of {len(page.runs)} are open" if left else "all runs are entered: analyse the study"
    return f"Study {page.line.study.number}: {entered} {'run' if entered == 1 else 'runs'} entered, {more}."


def take_sheet(session: Session, number: str, path: Path, *, decimal: str | None = None) -> tuple[str, ...]:
    """Take a filled-in run sheet (CSV or workbook): every row is checked, and all are taken or none.

    Raises FileRefused with every problem by row and column: another study or run, changed part or person, a run twice, what is
    no value or class, a run that holds something else already.
    """
    require(session.actor, "enter studies")
    with session.store.write(session.actor, session.plant.id) as writer:
        page = _page(writer.conn, number)
        taken = read_sheet(path, _own(page), page, decimal=decimal)
        runs = {r.position: r for r in page.runs}
        for row in taken.rows:
            registry.enter_run(writer, runs[row.position].id, value=row.value, mode=row.called)
        after = _page(writer.conn, number)
    said = [_told(after, len(taken.rows))]
    if taken.known:
        said.append(f"{taken.known} rows hold what is entered already.")
    if taken.empty:
        said.append(f"{taken.empty} rows are empty.")
    return (*said, *taken.notes)


# Working out.


def work_out(session: Session, number: str, *, leave_open: bool = False) -> StudyPage:
    """Work a study out and keep the result with method, verdict and the program's version. Its entries are closed then.

    Raises Refused while runs are open, unless `leave_open` leaves them out (counted in a note); ComputeError.
    """
    require(session.actor, "plan studies")
    with session.store.write(session.actor, session.plant.id) as writer:
        page = _page(writer.conn, number)
        open_study(writer, page.line.study.id)
        open_runs = page.open_runs
        if open_runs and not leave_open:
            first = ", ".join(str(r.position) for r in open_runs[:10])
            raise Refused(
                f"{len(open_runs)} of {len(page.runs)} runs are open: {first}{' and more' if len(open_runs) > 10 else ''}.",
                "Enter them, or leave them out on purpose; they are counted.",
            )
        found = _worked(writer.conn, page)
        registry.keep_analysis(
            writer,
            page.line.study.id,
            analysis=_stored(found),
            method=found.title,
            version=__version__,
            verdict=str(found.data.get("verdict", "no verdict")),
        )
        return _page(writer.conn, number)


def _worked(conn: Any, page: StudyPage) -> Working:
    plan = _own(page)
    entries = [Entry(r.factors, r.value, r.mode) for r in page.runs if r.entered]
    found = analyse(plan, entries)
    if page.open_runs:
        found.notes.append(f"{len(page.open_runs)} of {len(page.runs)} runs are open and left out.")
    found.notes += page.advice
    if page.line.study.gauge_id is not None:
        gauge = lookups.gauge_by_id(conn, page.line.study.gauge_id)
        problems = {p for r in page.runs if r.done_us is not None for p in gauge_problems(gauge, r.done_us)}
        found.notes += [f"Of gauge {gauge.code} at the time of the runs: {p}." for p in sorted(problems)]
    return found


def worked_again(session: Session, number: str) -> tuple[Working, bool]:
    """A stored study worked out anew by this program, and whether figures and verdict are the same to 1e-9."""
    with session.store.read() as conn:
        page = _page(conn, number)
        if page.working is None:
            raise UsageError(f"Study {number} is not analysed.", "Analyse it first.")
        found = _worked(conn, page)
    return found, _same(_plain(found.data), page.working.data)


def _same(a: Any, b: Any) -> bool:
    if isinstance(a, Mapping) and isinstance(b, Mapping):
        return a.keys() == b.keys() and all(_same(a[k], b[k]) for k in a)
    if isinstance(a, list) and isinstance(b, list):
        return len(a) == len(b) and all(_same(x, y) for x, y in zip(a, b, strict=True))
    if isinstance(a, float) and isinstance(b, int | float):
        return math.isclose(a, b, rel_tol=1e-9, abs_tol=1e-12)
    return bool(a == b)


def _stored(found: Working) -> dict[str, Any]:
    data = _plain(found.data)
    kept = {name: data[name] for name in ("grr_pct", "ndc", "kappa") if data.get(name) is not None}
    return {
        **kept,
        "title": found.title,
        "source": found.source,
        "lines": [list(line) for line in found.lines],
        "data": data,
        "blocks": [[title, list(heads), [list(r) for r in rows]] for title, heads, rows in found.blocks],
        "conventions": list(found.conventions),
        "notes": list(found.notes),
    }


def _plain(value: Any) -> Any:
    """As JSON holds it: nan and infinity as null."""
    return json.loads(json.dumps(_finite(value)))


def _finite(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {str(k): _finite(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(v) for v in value]
    if isinstance(value, bool | str | int) or value is None:
        return value
    figure = float(value)
    return figure if math.isfinite(figure) else None


def withdraw(session: Session, number: str, *, reason: str) -> str:
    """Withdraw a study: it counts no longer and stays readable."""
    require(session.actor, "plan studies")
    with session.store.write(session.actor, session.plant.id) as writer:
        page = _page(writer.conn, number)
        registry.withdraw_study(writer, page.line.study.id, why=reason)
    return f"Study {number} is withdrawn: {reason}"
