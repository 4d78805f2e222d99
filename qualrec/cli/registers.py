"""Commands that list what is defined: parts, recipes, gauges."""

from __future__ import annotations

from typing import Annotated

import typer

from qualrec.cli import output
from qualrec.cli.context import session
from qualrec.errors import ExitCode

Json = Annotated[bool, typer.Option("--json", help="Data as JSON on stdout.")]


def add_to(app: typer.Typer) -> None:
    app.command("parts")(list_parts)
    app.command("recipes")(list_recipes)
    app.command("approve")(approve_recipe)
    app.command("gauges")(list_gauges)


def list_parts(as_json: Json = False) -> None:
    """List part numbers with their characteristics and limits."""
    from qualrec.cli.lot_text import figure
    from qualrec.records import lookups

    with session() as s, s.store.read() as conn:
        found = [(p, lookups.characteristics(conn, p.number)) for p in lookups.parts(conn)]
        if as_json:
            output.json_out([{"part": p, "characteristics": c} for p, c in found])
            return
        output.table(
            ("part", "", "process", "characteristic", "", "from", "to", "unit", "class"),
            (
                (
                    p.number,
                    p.name,
                    p.process,
                    c.code,
                    c.name,
                    figure(s, c.lsl),
                    figure(s, c.usl),
                    c.unit,
                    c.special_class,
                )
                for p, rows in found
                for c in rows
            ),
            right=(5, 6),
        )


def list_recipes(
    part: Annotated[str | None, typer.Option(help="Only recipes of this part number.")] = None,
    as_json: Json = False,
) -> None:
    """List recipe revisions with state, approval and settings."""
    from qualrec.cli.lot_text import figure
    from qualrec.records import lookups

    with session() as s, s.store.read() as conn:
        rows = lookups.recipe_revisions(conn, part)
        if as_json:
            output.json_out(rows)
            return
        for r in rows:
            approved = (
                f", approved {s.moment(r.approved_us)} by {r.approver}" if r.approved_us is not None else ""
            )
            output.line(
                f"{r.code} revision {r.revision}, {r.part_number}, {r.process}: {r.state}{approved}. {r.reason}"
            )
            for setting in r.settings:
                ends = (figure(s, setting.low), figure(s, setting.high))
                window = f"  ({ends[0]} to {ends[1]})" if any(ends) else ""
                output.line(f"    {setting.name:<14} {figure(s, setting.value):>8} {setting.unit}{window}")
            for window_of in r.windows:
                low, high = figure(s, window_of.low) or "open", figure(s, window_of.high) or "open"
                output.line(
                    f"    qualified {window_of.quantity}: {low} to {high} {window_of.unit}; {window_of.proof}"
                )


def approve_recipe(
    recipe: Annotated[str, typer.Argument(metavar="RECIPE", help="Code of the recipe.")],
    revision: Annotated[int, typer.Argument(help="Number of the draft revision.")],
    reason: Annotated[str, typer.Option(help="Why, in words.")],
) -> None:
    """Approve a draft recipe revision; the approved one before is superseded."""
    from qualrec.work import review

    with session() as s:
        output.line(review.approve_recipe(s, recipe, revision, reason=reason))


def list_gauges(as_json: Json = False) -> None:
    """List gauges with their calibration as of now. Exit 1 where one in use is overdue."""
    from qualrec.records import lookups

    with session() as s, s.store.read() as conn:
        rows = lookups.gauges(conn)
        now = s.store.clock()
        overdue = [g for g in rows if g.state == "in use" and g.overdue_at(now)]
        if as_json:
            output.json_out([{"gauge": g, "overdue": g in overdue} for g in rows])
        else:
            output.table(
                ("gauge", "", "family", "state", "calibration due", "place"),
                (
                    (
                        g.code,
                        g.name,
                        g.family,
                        "overdue" if g in overdue else g.state,
                        s.moment(
                            max((c.due_us for c in g.calibrations if c.verdict == "good"), default=None)
                        ),
                        g.place,
                    )
                    for g in rows
                ),
            )
    if overdue:
        raise typer.Exit(int(ExitCode.BAD_ANSWER))
