"""Commands that keep records safe: copies of the database, and taking them back."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from qualrec.cli import diagnostics, output
from qualrec.cli.context import session

Json = Annotated[bool, typer.Option("--json", help="Data as JSON on stdout.")]


def back_up(
    to: Annotated[Path, typer.Argument(help="File to write; never over one that is there.")],
    as_json: Json = False,
) -> None:
    """Copy a SQLite database while it is in use; the copy is looked at again and gets a manifest beside it."""
    from qualrec.work import safekeeping

    with session() as s:
        made = safekeeping.back_up(s, to, diagnostics.say)
    if as_json:
        output.json_out(made)
        return
    for sentence in safekeeping.backup_sentences(made):
        output.line(sentence)


def restore(
    source: Annotated[Path, typer.Argument(metavar="FROM", help="Copy made by `db backup`.")],
    to: Annotated[Path, typer.Argument(help="Database file to write.")],
    replace: Annotated[
        bool, typer.Option("--replace", help="Put a database that is there aside; it is never removed.")
    ] = False,
    without_manifest: Annotated[
        bool, typer.Option("--without-manifest", help="Take a copy whose manifest is lost.")
    ] = False,
    as_json: Json = False,
) -> None:
    """Take a copy back, after its digest, counts, heads, chain and sums agree."""
    from qualrec.work import safekeeping

    done = safekeeping.restore(
        source, to, replace=replace, without_manifest=without_manifest, say=diagnostics.say
    )
    if as_json:
        output.json_out(done)
        return
    for sentence in safekeeping.restored_sentences(done):
        output.line(sentence)
