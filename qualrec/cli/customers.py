"""Commands on customers: what they ask, when parts are qualified again, what is owed when something changes."""

from __future__ import annotations

from typing import Annotated, Any

import typer

from qualrec.cli import output
from qualrec.cli.context import session
from qualrec.errors import ExitCode

Json = Annotated[bool, typer.Option("--json", help="Data as JSON on stdout.")]
Code = Annotated[str, typer.Argument(metavar="CUSTOMER", help="Code of the customer.")]
Part = Annotated[str, typer.Argument(metavar="PART", help="Part number.")]
Figure = "A figure, or 'none' for no rule."


def add_to(app: typer.Typer) -> None:
    app.command("customers")(list_customers)
    group = typer.Typer(help="What a customer asks.", no_args_is_help=True, rich_markup_mode=None)
    group.command("show")(show_customer)
    group.command("revise")(revise_customer)
    app.add_typer(group, name="customer")
    app.command("requalification")(list_due)
    notices = typer.Typer(
        help="Changes that a customer is told of, step by step.", no_args_is_help=True, rich_markup_mode=None
    )
    notices.command("begin")(begin_notice)
    notices.command("done")(close_step)
    notices.command("list")(list_notices)
    app.add_typer(notices, name="notice")
    app.command("equivalence")(compare)


def list_customers(as_json: Json = False) -> None:
    """List customers with their index requirements."""
    from qualrec.records import lookups

    with session() as s, s.store.read() as conn:
        rows = lookups.customers(conn)
        if as_json:
            output.json_out(rows)
            return
        output.table(
            ("code", "name", "index", "special", "judged by", "requalify", "language"),
            (
                (
                    c.code,
                    c.name,
                    c.index_standard,
                    c.index_special,
                    "bound" if c.uses_bound else "index",
                    "" if c.requalify_months is None else f"{c.requalify_months} months",
                    c.language,
                )
                for c in rows
            ),
            right=(2, 3),
        )


def show_customer(code: Code, as_json: Json = False) -> None:
    """Show what a customer asks."""
    from qualrec.work import customers

    with session() as s:
        found = customers.profile(s, code)
        if as_json:
            output.json_out(found)
        else:
            output.table(("what", found.code), customers.rows(found))


def revise_customer(
    code: Code,
    reason: Annotated[str, typer.Option(help="Why, in words.")],
    index_standard: Annotated[
        str | None, typer.Option(help=f"Index of standard characteristics. {Figure}")
    ] = None,
    index_special: Annotated[
        str | None, typer.Option(help=f"Index of special characteristics. {Figure}")
    ] = None,
    bound: Annotated[
        bool | None, typer.Option("--bound/--no-bound", help="Whether the lower bound must reach the index.")
    ] = None,
    run_length: Annotated[str | None, typer.Option(help=f"Parts of a production run. {Figure}")] = None,
    retention_years: Annotated[
        str | None, typer.Option(help=f"Years that records are kept. {Figure}")
    ] = None,
    requalify_months: Annotated[str | None, typer.Option(help=f"Months to requalify. {Figure}")] = None,
    language: Annotated[str | None, typer.Option(help="en or de.")] = None,
    symbol: Annotated[
        list[str] | None, typer.Option(help="CLASS=SIGN, as critical=C; may be repeated.")
    ] = None,
    notice: Annotated[list[str] | None, typer.Option(help="KIND=RULE of a change; may be repeated.")] = None,
) -> None:
    """Revise what a customer asks; the trail keeps before and after."""
    from qualrec.work import customers
    from qualrec.work.warrant import pairs

    given: dict[str, Any] = {
        "index_standard": index_standard,
        "index_special": index_special,
        "uses_bound": bound,
        "run_length": run_length,
        "retention_years": retention_years,
        "requalify_months": requalify_months,
        "language": language,
        "symbols": pairs(symbol) if symbol else None,
        "notices": pairs(notice) if notice else None,
    }
    with session() as s:
        changes = {key: value for key, value in given.items() if value is not None}
        output.line(customers.revise(s, code, changes, reason=reason))


def list_due(as_json: Json = False) -> None:
    """List when each part is to be qualified again. Exit 1 where one is overdue."""
    from qualrec.work import requalification

    with session() as s:
        rows = requalification.due_list(s)
        if as_json:
            output.json_out(rows)
        else:
            output.table(
                ("state", "due", "part", "name", "customer", "months", "counted from"),
                (
                    (
                        r.state,
                        s.moment(r.due_us)[:10],
                        r.part,
                        r.name,
                        r.customer,
                        r.months,
                        f"{s.moment(r.since_us)[:10]} {r.since}".strip(),
                    )
                    for r in rows
                ),
                right=(5,),
            )
    if any(r.state == "overdue" for r in rows):
        raise typer.Exit(int(ExitCode.BAD_ANSWER))


def begin_notice(
    part: Part,
    kind: Annotated[str, typer.Option(help="Kind of change, as 'laser source or optics'.")],
    what: Annotated[str, typer.Option(help="What changes, in words.")],
) -> None:
    """Owe the steps of a change of a part."""
    from qualrec.work import requalification

    with session() as s:
        output.line(requalification.begin_notice(s, part, kind, what))


def close_step(
    notice: Annotated[int, typer.Argument(metavar="NOTICE", help="Number as `notice list` shows it.")],
    step: Annotated[int, typer.Argument(metavar="STEP", help="Number of the step.")],
    remark: Annotated[str, typer.Option(help="What came of it, with the reference.")],
) -> None:
    """Record what came of a step."""
    from qualrec.work import requalification

    with session() as s:
        output.line(requalification.close_step(s, notice, step, remark))


def list_notices(
    part: Annotated[str | None, typer.Option(help="Only of this part.")] = None, as_json: Json = False
) -> None:
    """List changes with their steps. Exit 1 where a step is open."""
    from qualrec.work import requalification

    with session() as s:
        rows = requalification.notices(s, part)
        if as_json:
            output.json_out(rows)
        else:
            output.table(
                ("no.", "part", "kind", "step", "what", "done", "what came of it"),
                (
                    (r.notice, r.part_number, r.kind, r.position, r.step, s.moment(r.done_us)[:10], r.remark)
                    for r in rows
                ),
                right=(0, 3),
            )
    if any(r.done_us is None for r in rows):
        raise typer.Exit(int(ExitCode.BAD_ANSWER))


def compare(
    part: Part,
    code: Annotated[str, typer.Argument(metavar="CHARACTERISTIC", help="Code of the characteristic.")],
    change: Annotated[str, typer.Option(help="Moment of the change, as 2026-03-01 or '2026-03-01 14:00'.")],
    margin: Annotated[
        str, typer.Option(help="Largest difference that does not matter, in the unit of the values.")
    ],
    by: Annotated[str, typer.Option(help="Compare 'lots' by their means, or single 'readings'.")] = "lots",
    before: Annotated[int | None, typer.Option(help="Only so many lots next before the change.")] = None,
    after: Annotated[int | None, typer.Option(help="Only so many lots next after it.")] = None,
    leave_out: Annotated[list[str] | None, typer.Option(help="LOT=REASON; may be repeated.")] = None,
    level: Annotated[float, typer.Option(help="Confidence of each of the two tests.")] = 0.95,
    keep: Annotated[str, typer.Option(help="Keep it as a study under this title.")] = "",
    as_json: Json = False,
) -> None:
    """Show whether before and after a change are equal within a margin. Exit 1 where it is not shown."""
    from qualrec.work import equivalence
    from qualrec.work.warrant import pairs

    with session() as s:
        found = equivalence.compare(
            s, part, code, change=change, margin=margin, by=by, lots_before=before, lots_after=after,
            leave_out=pairs(leave_out) if leave_out else None, level=level, keep=keep,
        )  # fmt: skip
        if as_json:
            output.json_out(found)
        else:
            for sentence in found.sentences:
                output.line(sentence)
    if not found.equivalent:
        raise typer.Exit(int(ExitCode.BAD_ANSWER))
