"""Commands on problem reports by eight disciplines."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from qualrec.cli import output
from qualrec.cli.context import session
from qualrec.errors import ExitCode, UsageError

Json = Annotated[bool, typer.Option("--json", help="Data as JSON on stdout.")]
Number = Annotated[str, typer.Argument(metavar="REPORT", help="Number of the report, as PR-2026-001.")]


def add_to(app: typer.Typer) -> None:
    group = typer.Typer(
        help="Problem reports by eight disciplines, linked to lots, flags and evidence.",
        no_args_is_help=True,
        rich_markup_mode=None,
    )
    group.command("open")(open_report)
    group.command("list")(list_reports)
    group.command("show")(show_report)
    group.command("step")(write_step)
    group.command("link")(link_report)
    group.command("close")(close_report)
    group.command("export")(export_report)
    app.add_typer(group, name="problem")


def open_report(
    title: Annotated[str, typer.Argument(help="What is wrong, in one line.")],
    lot: Annotated[str | None, typer.Option(help="Lot that it is about.")] = None,
    flag: Annotated[int | None, typer.Option(help="Number of a flag that it is about.")] = None,
    part: Annotated[
        str | None, typer.Option(help="Part number; that of the lot or flag if left out.")
    ] = None,
    number: Annotated[
        str | None, typer.Option(help="Number of the report; the next free one if left out.")
    ] = None,
    due: Annotated[
        list[str] | None, typer.Option(help="Day of a discipline, as D3=2026-11-30; may come again.")
    ] = None,
) -> None:
    """Open a report; each discipline gets a day by which it is due."""
    from qualrec.work import problems

    days = {}
    for one in due or ():
        code, sign, day = one.partition("=")
        if not sign:
            raise UsageError(f"{one!r} is no day of a discipline.", "Write it as D3=2026-11-30.")
        days[code] = day
    with session() as s:
        flag_id = None if flag is None else s.full_id(flag)
        output.line(
            problems.open_report(s, title, number=number, part=part, lot=lot, flag_id=flag_id, due=days)
        )


def list_reports(
    state: Annotated[str | None, typer.Option(help="open or closed.")] = None,
    lot: Annotated[str | None, typer.Option(help="Only reports linked to this lot or its flags.")] = None,
    as_json: Json = False,
) -> None:
    """List reports, open ones first. Exit 1 where a discipline is past its day."""
    from qualrec.records import lookups

    with session() as s, s.store.read() as conn:
        if state not in (None, "open", "closed"):
            raise UsageError(f"{state!r} is no state of a report.", "Use open or closed.")
        lot_id = None if lot is None else lookups.lot(conn, lot).id
        rows = lookups.problems(conn, state=state, lot_id=lot_id)
        overdue = {r.number: r.overdue(s.store.clock()) for r in rows}
        if as_json:
            output.json_out(rows)
        else:
            output.table(
                ("report", "state", "part", "title", "opened", "due", "next", "overdue"),
                (
                    (
                        r.number,
                        r.state,
                        r.part,
                        r.title,
                        s.moment(r.opened_us)[:10],
                        s.moment(r.due_us)[:10],
                        "" if r.next_step is None else r.next_step.code,
                        ", ".join(overdue[r.number]),
                    )
                    for r in rows
                ),
            )
    if any(overdue.values()):
        raise typer.Exit(int(ExitCode.BAD_ANSWER))


def show_report(number: Number, as_json: Json = False) -> None:
    """Show a report: what it is about, its evidence looked at now, and every discipline with what was written."""
    from qualrec.records import lookups
    from qualrec.work import problems

    with session() as s:
        if as_json:
            with s.store.read() as conn:
                output.json_out(lookups.problem(conn, number, plant_id=s.plant.id))
            return
        from qualrec.cli.document_text import print_document

        print_document(problems.document(s, number))


def write_step(
    number: Number,
    discipline: Annotated[str, typer.Argument(metavar="DISCIPLINE", help="D0 to D8.")],
    text: Annotated[str, typer.Option(help="What was found, decided or done.")] = "",
    done: Annotated[bool, typer.Option("--done", help="The discipline is done.")] = False,
    due: Annotated[str | None, typer.Option(help="Day by which it is due, as 2026-11-30.")] = None,
    owner: Annotated[str | None, typer.Option(help="Badge of the person who sees to it.")] = None,
) -> None:
    """Write under a discipline, set its day or owner, or say that it is done."""
    from qualrec.work import problems

    with session() as s:
        output.line(problems.write_step(s, number, discipline, text=text, done=done, due=due, owner=owner))


def link_report(
    number: Number,
    lot: Annotated[str | None, typer.Option(help="Lot number.")] = None,
    moulding_lot: Annotated[str | None, typer.Option(help="Moulding lot number.")] = None,
    gauge: Annotated[str | None, typer.Option(help="Code of a gauge.")] = None,
    flag: Annotated[int | None, typer.Option(help="Number of a flag.")] = None,
    evidence: Annotated[Path | None, typer.Option(help="File of evidence; it stays where it is.")] = None,
    name: Annotated[str, typer.Option(help="What the evidence shows; the file's name if left out.")] = "",
) -> None:
    """Link a report to a lot, moulding lot, gauge or flag, or file evidence with it."""
    from qualrec.work import problems

    with session() as s:
        if any(x is not None for x in (lot, moulding_lot, gauge, flag)) or evidence is None:
            flag_id = None if flag is None else s.full_id(flag)
            output.line(
                problems.link(s, number, lot=lot, moulding_lot=moulding_lot, gauge=gauge, flag_id=flag_id)
            )
        if evidence is not None:
            output.line(problems.file_evidence(s, number, evidence, name=name))


def close_report(
    number: Number, reached: Annotated[str, typer.Option(help="What was reached, in words.")]
) -> None:
    """Close a report. Refused while a discipline is not done."""
    from qualrec.work import problems

    with session() as s:
        output.line(problems.close(s, number, reached))


def export_report(
    number: Number,
    to: Annotated[Path, typer.Option("-o", "--to", help="File to write, .xlsx or .pdf.")],
    language: Annotated[str, typer.Option(help="Language: en or de.")] = "en",
    replace: Annotated[bool, typer.Option("--replace", help="Replace a file that is there.")] = False,
    as_json: Json = False,
) -> None:
    """Write a report as a workbook or a PDF file."""
    from qualrec.work import problems

    with session() as s:
        done = problems.export(s, number, to, language=language, replace=replace)
        if as_json:
            output.json_out(done)
            return
        for sentence in done.sentences:
            output.line(sentence)
