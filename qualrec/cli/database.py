"""Commands on the database itself."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from qualrec.cli import diagnostics, output, safekeeping
from qualrec.cli.context import OPTIONS, session
from qualrec.errors import ExitCode, UsageError

Json = Annotated[bool, typer.Option("--json", help="Data as JSON on stdout.")]
Anchor = Annotated[
    list[str] | None,
    typer.Option(
        help="A head written down outside, as `trail anchor` prints it, or a manifest; may be repeated."
    ),
]


def add_to(app: typer.Typer) -> None:
    group = typer.Typer(
        help="Create, upgrade, copy, take back and look at the database.",
        no_args_is_help=True,
        rich_markup_mode=None,
    )
    group.command("create")(create)
    group.command("upgrade")(upgrade)
    group.command("status")(status)
    group.command("verify")(verify)
    group.command("backup")(safekeeping.back_up)
    group.command("restore")(safekeeping.restore)
    group.command("move")(carry_over)
    group.command("grants")(grants)
    app.add_typer(group, name="db")


def create(
    code: Annotated[str, typer.Option(help="Short code of the plant.")] = "PLANT",
    name: Annotated[str, typer.Option(help="Name of the plant.")] = "Plant",
    zone: Annotated[str, typer.Option(help="Time zone, as Europe/Berlin.")] = "UTC",
    decimal_style: Annotated[str, typer.Option(help="point or comma.")] = "point",
    person: Annotated[str, typer.Option(help="Name of the first administrator, or of the single user.")] = "",
    administrator: Annotated[
        str, typer.Option(metavar="BADGE", help="Badge of the first administrator.")
    ] = "ADMIN",
    stdin: Annotated[
        bool, typer.Option("--stdin", help="Take the administrator's password from stdin.")
    ] = False,
    single_user: Annotated[
        bool,
        typer.Option("--single-user", help="One person without accounts; every screen and export says so."),
    ] = False,
) -> None:
    """Create an empty database for one plant, with its first administrator or for one person without accounts."""
    from qualrec.cli import secret_entry
    from qualrec.work import set_up

    url = OPTIONS.settings().database_url
    set_up.check_empty(url)
    said = {"code": code, "name": name, "zone": zone, "decimal_style": decimal_style}
    if single_user:
        output.line(set_up.create(url, **said, person=person or "Single user"))
        return
    if not (stdin or sys.stdin.isatty()):
        raise UsageError(
            "The first administrator needs a password, and there is no terminal to ask at.",
            "Give it on stdin with --stdin, or choose one person without accounts: --single-user",
        )
    secret = secret_entry.new("password", administrator, from_stdin=stdin)
    output.line(
        set_up.create(url, **said, person=person or "Administrator", badge=administrator, password=secret)
    )


def upgrade(
    dry_run: Annotated[
        bool, typer.Option("--dry-run", help="Say what would be done; change nothing.")
    ] = False,
) -> None:
    """Bring a database of an older program up to this one; a SQLite file is copied first."""
    from qualrec.records import migrate

    done = migrate.upgrade(OPTIONS.settings().database_url, dry_run=dry_run)
    if done.before == done.after:
        output.line(f"Revision {done.after}: nothing to do.")
        return
    if done.copy is not None:
        output.line(f"Copied first to {done.copy}")
    word = "Would go" if done.dry_run else "Went"
    output.line(f"{word} from revision {done.before or 'none'} to {done.after}: {', '.join(done.steps)}")
    if done.remark:
        output.line(done.remark)


def status(as_json: Json = False) -> None:
    """Show revision, plant, counts and the head of the trail."""
    from qualrec.work import set_up

    found = set_up.status(OPTIONS.settings().database_url)
    if as_json:
        output.json_out(found)
    else:
        output.table(("", ""), found.lines)
    if not found.ready:
        raise typer.Exit(int(ExitCode.DATABASE))


def verify(anchor: Anchor = None, as_json: Json = False) -> None:
    """Recompute trail, digests, references and running sums. Exit 1 where something does not agree."""
    tell_verdict(anchor or [], sums=True, as_json=as_json)


def carry_over(
    source: Annotated[str, typer.Argument(metavar="FROM", help="SQLite file or postgresql:// URL.")],
    to: Annotated[
        str,
        typer.Argument(help="Empty database: a new SQLite file, or the postgresql:// URL of an empty one."),
    ],
    as_json: Json = False,
) -> None:
    """Carry everything over into another database: all of it, compared and verified, or nothing."""
    from qualrec import config
    from qualrec.cli import secret_entry
    from qualrec.work import move
    from qualrec.work.session import open_session

    with open_session(OPTIONS.settings(source), secret_entry.ask) as s:
        for remark in s.remarks:
            diagnostics.say(remark)
        moved = move.carry_over(s, config.database_url(to), diagnostics.say)
        if as_json:
            output.json_out(moved)
            return
        for sentence in move.moved_sentences(s, moved):
            output.line(sentence)


def grants(
    owner: Annotated[str, typer.Option(help="Role that owns the tables and upgrades.")] = "qualrec_owner",
    app: Annotated[str, typer.Option(help="Role of the stations.")] = "qualrec_app",
    reader: Annotated[str, typer.Option(help="Role that only reads.")] = "qualrec_reader",
    schema: Annotated[str, typer.Option(help="Schema of the tables.")] = "public",
) -> None:
    """Print SQL that gives the rights on a PostgreSQL server: an owner, a role that works, one that reads."""
    from qualrec.work import move

    output.line(move.grants_script(move.Roles(owner, app, reader, schema)))


def tell_verdict(anchors: list[str], *, sums: bool, as_json: bool) -> None:
    """Verify and say what was found; exit 1 where it is not sound."""
    from qualrec.work import safekeeping

    given = [head for text in anchors for head in safekeeping.read_anchor(text)]
    with session() as s:
        found = safekeeping.verify(s, diagnostics.say, sums=sums, anchors=given)
    if as_json:
        output.json_out(found)
    else:
        for sentence in safekeeping.verdict_sentences(found):
            output.line(sentence)
    if not found.ok:
        raise typer.Exit(int(ExitCode.BAD_ANSWER))
