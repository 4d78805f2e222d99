"""Commands on the trail: who did what, whether the chain holds, and its head for a report."""

from __future__ import annotations

from typing import Annotated

import typer

from qualrec.cli import output
from qualrec.cli.context import session
from qualrec.cli.database import Anchor, Json, tell_verdict


def add_to(app: typer.Typer) -> None:
    group = typer.Typer(
        help="Show and verify who did what; print the head of the chain.",
        no_args_is_help=True,
        rich_markup_mode=None,
    )
    group.command("show")(show_trail)
    group.command("verify")(verify)
    group.command("anchor")(anchor)
    app.add_typer(group, name="trail")


def verify(anchor: Anchor = None, as_json: Json = False) -> None:
    """Recompute the chain and compare rows and readings with it. Exit 1 where something was changed, removed or put in."""
    tell_verdict(anchor or [], sums=False, as_json=as_json)


def anchor(
    record: Annotated[
        str | None,
        typer.Option(metavar="PLACE", help="Keep the head with the place where it is written down outside."),
    ] = None,
    as_json: Json = False,
) -> None:
    """Print the head of the chain for the weekly report."""
    from qualrec.work import safekeeping

    with session() as s:
        head = safekeeping.head_now(s) if record is None else safekeeping.record_anchor(s, record)
        if as_json:
            output.json_out(head)
            return
        for sentence in safekeeping.anchor_sentences(s, head):
            output.line(sentence)
    if record is not None:
        output.line(f"Kept with the place {record!r}; verifying compares it from now on.")


def show_trail(
    most: Annotated[int, typer.Option(help="How many entries, newest first.")] = 40, as_json: Json = False
) -> None:
    """Show who did what, newest first. `qualrec trail verify` recomputes the chain."""
    from qualrec.records import lookups
    from qualrec.work.signed import standing

    with session() as s, s.store.read() as conn:
        rows = lookups.trail_rows(conn, limit=most)
        marks = {
            r.seq: standing(conn, lookups.signature_by_id(conn, r.what_id)).words
            for r in rows
            if r.what_table == "signature" and not as_json
        }
    if as_json:
        output.json_out(rows)
        return
    output.table(
        ("entry", "at", "by", "what", "record", "number", "digest"),
        (
            (
                r.seq,
                s.moment(r.at_us),
                r.person or "the program",
                f"{r.act} ({marks[r.seq]})" if marks.get(r.seq) else r.act,
                r.what_table,
                s.short_id(r.what_id),
                r.digest[:12],
            )
            for r in rows
        ),
        right=(0, 5),
    )
