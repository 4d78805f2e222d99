"""Commands that set a plant up: the sample plant, and definitions from a file."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from qualrec.cli import diagnostics, output
from qualrec.cli.context import OPTIONS, session


def add_to(app: typer.Typer) -> None:
    app.command("demo")(demo)
    app.command("define")(define)


def demo(
    db: Annotated[
        str | None, typer.Option(help="Where to; a file in the temporary folder if left out.")
    ] = None,
    no_ui: Annotated[bool, typer.Option("--no-ui", help="Only write the database.")] = False,
    seed: Annotated[int, typer.Option(help="Another seed gives another sample plant.")] = 1,
) -> None:
    """Write the invented sample plant into a new database and open it."""
    from qualrec.work import sample_plant

    url = sample_plant.target(db or OPTIONS.db)
    done = sample_plant.write(url, seed=seed, progress=diagnostics.say)
    for sentence in done.sentences:
        output.line(sentence)
    if not no_ui:
        from qualrec.cli.main import open_screens

        open_screens(url)


def define(
    file: Annotated[
        Path, typer.Argument(help="Definitions in TOML; sample_data/sample_plant.toml is the pattern.")
    ],
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Check only; write nothing.")] = False,
) -> None:
    """Add materials, parts, characteristics, recipes, gauges and stations from a file: all of it or nothing."""
    from qualrec.work import definitions

    with session() as s:
        done = definitions.define_file(s, file, dry_run=dry_run)
    for sentence in done.sentences:
        output.line(sentence)
