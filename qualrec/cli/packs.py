"""Commands that make files for a customer."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from qualrec.cli import output
from qualrec.cli.context import session


def add_to(app: typer.Typer) -> None:
    app.command("submission")(make_submission)


def make_submission(
    part: Annotated[str, typer.Argument(metavar="PART", help="Part number.")],
    to: Annotated[Path, typer.Option("-o", "--to", help="Workbook to write, as pack.xlsx.")],
    level: Annotated[str, typer.Option(help="Submission level 1 to 5, or 'agreed'.")] = "3",
    with_recipe: Annotated[
        bool,
        typer.Option(
            "--with-recipe/--without-recipe", help="Whether the recipe settings go to the customer."
        ),
    ] = False,
    replace: Annotated[bool, typer.Option("--replace", help="Replace a file that is there.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Data as JSON on stdout.")] = False,
) -> None:
    """Write the customer's workbook of one part number."""
    from qualrec.work import submission

    with session() as s:
        done = submission.make(s, part, to, level=level, with_recipe=with_recipe, replace=replace)
        if as_json:
            output.json_out(done)
        else:
            for sentence in done.sentences:
                output.line(sentence)
