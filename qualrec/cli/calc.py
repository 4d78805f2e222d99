"""`qualrec calc`: every figure the program prints, worked on typed figures or a CSV file, without a database."""

from __future__ import annotations

from typing import Annotated

import typer

from qualrec.cli import output

calc = typer.Typer(
    name="calc",
    help="Compute on typed figures or a CSV file, without a database, and show the working.",
    no_args_is_help=True,
    rich_markup_mode=None,
)


def add_to(app: typer.Typer) -> None:
    app.add_typer(calc)


@calc.callback()
def group() -> None:
    pass


@calc.command("describe", context_settings={"ignore_unknown_options": True})
def describe(
    figures: Annotated[list[float], typer.Argument(metavar="VALUE…")],
    as_json: Annotated[bool, typer.Option("--json", help="Data as JSON on stdout.")] = False,
) -> None:
    """Summary figures of a sample."""
    from qualrec.stats.describe import describe as compute

    found = compute(figures)
    if as_json:
        output.json_out(found)
        return
    for name in ("n", "mean", "sd", "min", "max", "median", "r1"):
        output.line(f"{name:7}{getattr(found, name):.10g}")
