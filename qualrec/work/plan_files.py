"""Control plans as files of our own: TOML with head and rows (the form of a definition file), CSV with the rows alone."""

from __future__ import annotations

import csv
import io
import tomllib
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from qualrec.errors import FileRefused, Problem, QualrecError, Refused, UsageError
from qualrec.intake.readers import open_table
from qualrec.intake.tables import Layout, cell_text
from qualrec.judge.control_plan import HEADER
from qualrec.records import lookups
from qualrec.records.ledger import Writer
from qualrec.records.lookups import ControlPlan
from qualrec.work.control_plan import SHOWN, TEXTS, plan_named, put_draft
from qualrec.work.rights import require
from qualrec.work.session import Session

COLUMNS = ("characteristic", "process_characteristic", "number", "specification", "special_class", "symbol")
ROW_FIELDS = (*TEXTS[:3], *COLUMNS, *TEXTS[3:])
"""Columns of the CSV form and fields of a row in TOML."""
BETWEEN = " | "
"""Divides the steps of a reaction plan in the CSV form."""
ENDINGS = (".toml", ".csv", ".xlsx", ".txt")


def write_plan(
    session: Session,
    part: str,
    to: Path,
    *,
    phase: str | None = None,
    revision: int | None = None,
    replace: bool = False,
) -> str:
    """Write a plan to a file: .toml and .csv can be edited and taken back, .xlsx and .txt are to be read."""
    with session.store.read() as conn:
        plan = plan_named(conn, session, part, phase, revision)
    ending = to.suffix.casefold()
    if ending not in ENDINGS:
        raise UsageError(f"{to.name} has no known ending.", f"Name a file that ends in {', '.join(ENDINGS)}.")
    if to.exists() and not replace:
        raise Refused(f"{to.name} is there already.", "Choose another name, or give --replace.")
    try:
        if ending == ".xlsx":
            from qualrec.export.control_plan import write_control_plan

            heads, rows = table_of(plan)
            write_control_plan(to, title_of(plan), head_of(session, plan), heads, rows)
        elif ending == ".csv":
            to.write_text(
                plan_csv(plan, semicolon=session.style == "comma"), encoding="utf-8-sig", newline=""
            )
        else:
            text = plan_toml(plan) if ending == ".toml" else plan_text(session, plan)
            to.write_text(text, encoding="utf-8", newline="\n")
    except OSError as error:
        raise Refused(f"{to} cannot be written: {error.strerror}.", "Check the folder.") from error
    return f"{plan.label} of part {part}, {len(plan.rows)} rows: {to}"


def title_of(plan: ControlPlan) -> str:
    return f"Control plan {plan.number}, {plan.phase}, revision {plan.revision}"


def head_of(session: Session, plan: ControlPlan) -> tuple[tuple[str, str], ...]:
    """The head in words: part, level, organisation, team, contact, dates, approvals."""
    signed = (
        f"{plan.approver}, {session.moment(plan.approved_us)}: {plan.reason}"
        if plan.approver
        else "not signed"
    )
    valid = session.moment(plan.valid_from_us) if plan.state != "draft" else "not in force"
    given = plan.header
    rows = (
        ("part", f"{plan.part_number} {plan.part_name}"),
        ("part level", given.get("part_level", "")),
        (
            "organisation",
            " ".join(x for x in (given.get("organisation", ""), given.get("supplier_code", "")) if x),
        ),
        ("team", given.get("team", "")),
        ("key contact", given.get("contact", "")),
        ("first issued", given.get("first_date", "")),
        ("state", plan.state),
        ("in force from", valid),
        ("change", given.get("change", "")),
        ("approved", signed),
        ("customer's approvals", given.get("customer_approvals", "")),
        ("other approvals", given.get("other_approvals", "")),
    )
    return tuple((name, value) for name, value in rows if value)


def table_of(plan: ControlPlan) -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
    """Heads and rows of a plan as it is read."""
    heads = tuple(words for _, words in SHOWN)
    return heads, [tuple(str(getattr(row, name)) for name, _ in SHOWN) for row in plan.rows]


def plan_text(session: Session, plan: ControlPlan) -> str:
    """A plan as text: the head, then each row field by field."""
    lines = [title_of(plan), "", *(f"{name}: {value}" for name, value in head_of(session, plan))]
    for row in plan.rows:
        lines += ["", f"{row.position}. {row.process_number} {row.process_step}".rstrip()]
        for name, words in SHOWN[2:]:
            value = str(getattr(row, name))
            if name == "reaction_plan":
                steps = [f"      {at}. {step}" for at, step in enumerate(row.steps, 1)]
                lines += [f"   {words}:", *steps] if steps else []
            elif value and (name, value) != ("special_class", "standard"):
                lines.append(f"   {words}: {value}")
    return "\n".join(lines) + "\n"


def plan_csv(plan: ControlPlan, *, semicolon: bool = False) -> str:
    """The rows of a plan; steps of a reaction plan are divided by ' | '."""
    out = io.StringIO()
    writer = csv.writer(out, delimiter=";" if semicolon else ",", lineterminator="\r\n")
    writer.writerow(ROW_FIELDS)
    for at, row in enumerate(_file_rows(plan), 1):
        if any(BETWEEN in step for step in row["reaction_plan"]):
            raise Refused(
                f"A step in row {at} holds {BETWEEN.strip()!r}, which divides steps in CSV.",
                "Write the plan as .toml.",
            )
        cells = {**row, "reaction_plan": BETWEEN.join(row["reaction_plan"])}
        writer.writerow([cells.get(name, "") for name in ROW_FIELDS])
    return out.getvalue()


def plan_toml(plan: ControlPlan) -> str:
    """A plan as a section of a definition file."""
    lines = ["[[control_plan]]"]
    head = {"part": plan.part_number, "phase": plan.phase, "number": plan.number, **plan.header}
    lines += [f"{name} = {_quoted(value)}" for name, value in head.items() if value]
    for row in _file_rows(plan):
        lines += ["", "[[control_plan.row]]"]
        for name in ROW_FIELDS:
            value = row.get(name)
            if isinstance(value, tuple):
                if value:
                    lines += ["reaction_plan = [", *(f"  {_quoted(step)}," for step in value), "]"]
            elif value:
                lines.append(f"{name} = {_quoted(value)}")
    return "\n".join(lines) + "\n"


def _file_rows(plan: ControlPlan) -> list[dict[str, Any]]:
    """Rows by the fields of a file: the characteristic by its code, the reaction plan as steps."""
    rows = []
    for row in plan.rows:
        given: dict[str, Any] = {name: getattr(row, name) for name in TEXTS}
        given["reaction_plan"] = row.steps
        if row.product:
            given["characteristic"] = row.code
        else:
            given |= {"process_characteristic": row.name, "number": row.code}
            given |= {"specification": row.specification, "symbol": row.symbol}
            if row.special_class != "standard":
                given["special_class"] = row.special_class
        rows.append(given)
    return rows


def _quoted(text: str) -> str:
    """A TOML basic string."""
    marks = {"\\": "\\\\", '"': '\\"', "\n": "\\n", "\t": "\\t", "\r": ""}
    return '"' + "".join(marks.get(sign, sign) for sign in text) + '"'


# Taking files back.


def take_plan(session: Session, path: Path, *, part: str = "", phase: str = "") -> tuple[str, ...]:
    """Take a plan from a file into a draft: TOML says part and phase itself, a CSV file of rows needs them.

    All or nothing. Raises FileRefused with row and column, UsageError.
    """
    require(session.actor, "draft control plans")
    ending = path.suffix.casefold()
    if ending == ".toml":
        tables = _toml(path)
    elif ending in (".csv", ".txt"):
        if not part or not phase:
            raise UsageError("A CSV file does not say part and phase.", "Give --part and --phase.")
        tables = [{"part": part, "phase": phase, "row": _csv_rows(path)}]
    else:
        raise UsageError(f"{path.name} has no known ending.", "Give a .toml or a .csv file.")
    return take_tables(session, tables, path.name)


def take_tables(session: Session, tables: Sequence[Mapping[str, Any]], file: str) -> tuple[str, ...]:
    """Take `[[control_plan]]` tables of a file into drafts, all or none. Raises FileRefused that names the place."""
    require(session.actor, "draft control plans")
    said = []
    with session.store.write(session.actor, session.plant.id) as writer:
        for table in tables:
            plan, done = put_table(writer, table, file)
            said.append(f"{plan.label} of part {plan.part_number}: {_done(done)}, {len(plan.rows)} rows.")
    return tuple(said)


def _done(done: str) -> str:
    return {
        "added": "draft opened",
        "changed": "draft changed",
        "kept": "the same as before, nothing changed",
    }[done]


def put_table(writer: Writer, table: Mapping[str, Any], file: str) -> tuple[ControlPlan, str]:
    """One `[[control_plan]]` of a file into a draft. Raises FileRefused that names the place."""
    head = {k: v for k, v in table.items() if k not in ("part", "phase", "number", "row")}
    part, phase = str(table.get("part", "")), str(table.get("phase", ""))
    where = f"[[control_plan]] {part} {phase}".rstrip()
    try:
        if not part or not phase:
            raise UsageError("Part or phase is missing.", "Give both.")
        strange = [name for name in head if name not in HEADER]
        if strange:
            raise UsageError(f"Field {strange[0]!r} is not known.", f"Fields: {', '.join(HEADER)}.")
        rows = table.get("row", [])
        if not isinstance(rows, list) or not all(isinstance(row, Mapping) for row in rows):
            raise UsageError("Its rows are no tables.", "Write [[control_plan.row]] with two brackets.")
        header = {str(k): str(v) for k, v in head.items()} if head else None
        plan_id, done = put_draft(
            writer, part, phase, rows, number=str(table.get("number", "")), header=header
        )
    except FileRefused:
        raise
    except QualrecError as error:
        problem = Problem(f"{error.message} {error.remedy}".strip(), file, column=where)
        raise FileRefused(
            f"{file} was not taken; nothing was written.", (problem,), "Correct the file."
        ) from error
    return lookups.control_plan_by_id(writer.conn, plan_id), done


def _toml(path: Path) -> list[Mapping[str, Any]]:
    try:
        found = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except OSError as error:
        raise FileRefused(f"{path}: {error.strerror}.", remedy="Check the path.") from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise FileRefused(f"{path.name}: {error}", remedy="Correct the file; it is TOML in UTF-8.") from error
    tables = found.get("control_plan")
    if not isinstance(tables, list) or not tables:
        raise FileRefused(
            f"{path.name} holds no control plan.", remedy="Write [[control_plan]] with its rows."
        )
    return tables


def _csv_rows(path: Path) -> list[dict[str, Any]]:
    problems: list[Problem] = []
    rows: list[dict[str, Any]] = []
    with open_table(path, Layout(wanted=("process_number", "process_step"))) as table:
        strange = [h for h in table.header if h and h not in ROW_FIELDS]
        problems += [
            Problem("This column is not known.", table.name, table.header_row, name) for name in strange
        ]
        for row in table.rows:
            if isinstance(row, Problem):
                problems.append(row)
                continue
            given: dict[str, Any] = {
                name: cell_text(cell)
                for name, cell in zip(table.header, row.cells, strict=True)
                if name in ROW_FIELDS
            }
            given["reaction_plan"] = [
                s.strip() for s in given.get("reaction_plan", "").split("|") if s.strip()
            ]
            rows.append({name: value for name, value in given.items() if value})
    if problems:
        raise FileRefused(
            f"{path.name} was not taken: {len(problems)} problems.",
            tuple(problems),
            f"Columns: {', '.join(ROW_FIELDS)}.",
        )
    return rows
