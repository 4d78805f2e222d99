"""Commands on control plans."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from qualrec.cli import output
from qualrec.cli.context import session
from qualrec.errors import UsageError

Json = Annotated[bool, typer.Option("--json", help="Data as JSON on stdout.")]
Part = Annotated[str, typer.Argument(metavar="PART", help="Part number.")]
PHASES = "prototype, pre-launch, 'safe launch' or production"
Phase = Annotated[str, typer.Option(help=PHASES)]
AnyPhase = Annotated[str | None, typer.Option("--phase", help=f"{PHASES}; the plan in force if left out.")]
Revision = Annotated[int | None, typer.Option(help="Revision; the last of the phase if left out.")]


def add_to(app: typer.Typer) -> None:
    group = typer.Typer(
        help="Control plans: draft, change, approve, read, compare, files.",
        no_args_is_help=True,
        rich_markup_mode=None,
    )
    group.command("list")(list_plans)
    group.command("show")(show)
    group.command("draft")(draft)
    group.command("row")(row)
    group.command("head")(head)
    group.command("approve")(approve)
    group.command("compare")(compare)
    group.command("export")(export)
    group.command("import")(take)
    app.add_typer(group, name="control-plan")


def list_plans(
    part: Annotated[str | None, typer.Option(help="Only plans of this part number.")] = None,
    as_json: Json = False,
) -> None:
    """List control plans with phase, revision and state."""
    from qualrec.work import control_plan

    with session() as s:
        plans = control_plan.plans_of(s, part)
        now = s.store.clock()
        if as_json:
            output.json_out([{"plan": p, "in_force": p.in_force_at(now)} for p in plans])
            return
        output.table(
            ("part", "plan", "phase", "revision", "state", "in force from", "until", "rows", "approved by"),
            (
                (
                    p.part_number,
                    p.number,
                    p.phase,
                    p.revision,
                    "in force" if p.in_force_at(now) else p.state,
                    "" if p.state == "draft" else s.moment(p.valid_from_us),
                    s.moment(p.until_us),
                    len(p.rows),
                    p.approver,
                )
                for p in plans
            ),
            right=(3, 7),
        )


def show(part: Part, phase: AnyPhase = None, revision: Revision = None, as_json: Json = False) -> None:
    """Show a control plan, row by row; without a phase the one in force."""
    from qualrec.work import control_plan, plan_files

    with session() as s:
        page = control_plan.plan_page(s, part, phase, revision)
        if as_json:
            output.json_out(page)
            return
        output.line(plan_files.plan_text(s, page.plan).rstrip())
        output.line()
        output.line("In force now." if page.in_force else f"Not in force: {page.plan.state}.")
        for sentence in page.revised:
            output.line(f"Revised since the plan became valid: {sentence}")
        for sentence in page.obstacles:
            output.line(f"Before it can be approved: {sentence}")


def draft(
    part: Part,
    phase: Phase,
    number: Annotated[str, typer.Option(help="Number of the plan.")] = "",
    start_from: Annotated[
        str, typer.Option("--from", help="Begin with the plan of this phase instead.")
    ] = "",
) -> None:
    """Open a draft: from the last plan of the phase, else from the characteristics of the part."""
    from qualrec.work import control_plan

    with session() as s:
        plan = control_plan.draft(s, part, phase, number=number, start_from=start_from)
        output.line(f"{plan.label} of part {part} drafted with {len(plan.rows)} rows.")
        output.line(
            "Change it with 'qualrec control-plan row', or export, edit and import it; then approve it."
        )


def row(
    part: Part,
    phase: Phase,
    position: Annotated[
        int | None, typer.Option("--row", help="Number of the row; a new one if left out.")
    ] = None,
    changes: Annotated[
        list[str] | None,
        typer.Option("--set", metavar="FIELD=TEXT", help="As sample_size=5; a reaction step a line."),
    ] = None,
    remove: Annotated[bool, typer.Option("--remove", help="Take the row out.")] = False,
) -> None:
    """Change, add or remove a row of the draft of a phase."""
    from qualrec.work import control_plan
    from qualrec.work.plan_files import ROW_FIELDS

    given = _fields(changes or [], ROW_FIELDS)
    if remove == bool(given):
        raise UsageError("Nothing is asked of the row.", "Give --set FIELD=TEXT, or --remove with --row.")
    if remove and position is None:
        raise UsageError("The row to remove is not named.", "Give --row.")
    with session() as s:
        if remove and position is not None:
            plan = control_plan.remove_row(s, part, phase, position)
        else:
            plan = control_plan.change_row(s, part, phase, position, given)
        output.line(f"{plan.label} of part {part}: {len(plan.rows)} rows.")


def _fields(given: list[str], known: tuple[str, ...]) -> dict[str, str]:
    found = {}
    for text in given:
        name, sign, value = text.partition("=")
        name = name.strip().replace(" ", "_").replace("-", "_")
        if not sign or name not in known:
            raise UsageError(f"--set {text!r} names no field.", f"Fields: {', '.join(known)}.")
        found[name] = value
    return found


def head(
    part: Part,
    phase: Phase,
    changes: Annotated[
        list[str], typer.Option("--set", metavar="FIELD=TEXT", help="As team='quality, moulding'.")
    ],
) -> None:
    """Change the head of the draft of a phase: number, team, contact, approvals, change."""
    from qualrec.judge.control_plan import HEADER
    from qualrec.work import control_plan

    with session() as s:
        plan = control_plan.change_head(s, part, phase, _fields(changes, ("number", *HEADER)))
        output.line(f"{plan.label} of part {part}: head changed.")


def approve(
    part: Part,
    phase: Phase,
    reason: Annotated[str, typer.Option(help="Why, in words.")],
    valid_from: Annotated[
        str, typer.Option("--from", help="In force from, as '2026-11-30 07:30'; now if left out.")
    ] = "",
) -> None:
    """Approve the draft of a phase, signed; it takes over from the plan in force, of whatever phase."""
    from qualrec.work import control_plan

    with session() as s:
        output.line(control_plan.approve(s, part, phase, reason=reason, valid_from=valid_from))


def compare(
    part: Part,
    phase: Phase,
    revision: Annotated[int, typer.Option(help="Revision to compare.")],
    with_phase: Annotated[
        str | None, typer.Option("--with-phase", help="Phase of the other; the same if left out.")
    ] = None,
    with_revision: Annotated[
        int | None,
        typer.Option("--with-revision", help="Revision of the other; the last, or the one before."),
    ] = None,
    as_json: Json = False,
) -> None:
    """Show what changed between two plans, row by row."""
    from qualrec.work import control_plan
    from qualrec.work.plan_difference import difference

    with session() as s, s.store.read() as conn:
        after = control_plan.plan_named(conn, s, part, phase, revision)
        if with_phase is None and with_revision is None:
            with_revision = revision - 1 if revision > 1 else revision
        before = control_plan.plan_named(conn, s, part, with_phase or phase, with_revision)
        found = difference(before, after)
        if as_json:
            output.json_out({"before": before.label, "after": after.label, "changes": found})
        else:
            output.line(f"From {before.label} to {after.label}:")
            for change in found:
                output.line(_words(change.kind, change.where, change.field, change.before, change.after))
            if not found:
                output.line("No difference.")


def _words(kind: str, where: str, name: str, before: str, after: str) -> str:
    if kind != "changed":
        return f"  {kind}: {where}"
    return f"  {where}, {name.replace('_', ' ')}: {before or 'empty'!r} -> {after or 'empty'!r}"


def export(
    part: Part,
    to: Annotated[
        Path, typer.Option("-o", "--to", help="File ending in .toml or .csv to edit, .xlsx or .txt to read.")
    ],
    phase: AnyPhase = None,
    revision: Revision = None,
    replace: Annotated[bool, typer.Option("--replace", help="Replace a file that is there.")] = False,
) -> None:
    """Write a control plan to a file; .toml and .csv can be edited and taken back with import."""
    from qualrec.work import plan_files

    with session() as s:
        output.line(plan_files.write_plan(s, part, to, phase=phase, revision=revision, replace=replace))


def take(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="Control plan as .toml, or its rows as .csv.")],
    part: Annotated[str, typer.Option(help="Part number of a CSV file.")] = "",
    phase: Annotated[str, typer.Option(help="Phase of a CSV file.")] = "",
) -> None:
    """Take a control plan from a file into a draft."""
    from qualrec.work import plan_files

    with session() as s:
        for sentence in plan_files.take_plan(s, file, part=part, phase=phase):
            output.line(sentence)
