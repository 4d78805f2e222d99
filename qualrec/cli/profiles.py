"""Commands on import profiles."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from qualrec.cli import output
from qualrec.cli.context import session

Json = Annotated[bool, typer.Option("--json", help="Data as JSON on stdout.")]
Name = Annotated[str, typer.Argument(metavar="NAME", help="Name of the profile, as 'pull bench'.")]
Revision = Annotated[int | None, typer.Option(help="A stored revision; the newest if left out.")]
Replace = Annotated[bool, typer.Option("--replace", help="Replace a file that is there.")]
To = Annotated[Path, typer.Option("-o", "--to", help="TOML file to write.")]


def add_to(app: typer.Typer) -> None:
    app.command("profiles")(list_profiles)
    group = typer.Typer(
        help="Import profiles: read, write to a file, keep, draft from a file of the machine.",
        no_args_is_help=True,
        rich_markup_mode=None,
    )
    group.command("show")(show)
    group.command("export")(export)
    group.command("keep")(keep)
    group.command("draft")(draft)
    app.add_typer(group, name="profile")


def list_profiles(as_json: Json = False) -> None:
    """List the import profiles with revision, kind and columns."""
    from qualrec.work import profiles

    with session() as s:
        lines = profiles.profile_lines(s)
        if as_json:
            output.json_out(lines)
            return
        output.table(
            ("profile", "revision", "kind", "readings of", "stored", "characteristics", "columns"),
            (
                (
                    p.name,
                    p.revision,
                    p.kind,
                    p.subject,
                    f"{s.moment(p.stored_us)} {p.person}".rstrip() if p.stored_us else p.origin,
                    ", ".join(p.characteristics),
                    ", ".join(p.columns),
                )
                for p in lines
            ),
            right=(1,),
        )


def show(name: Name, revision: Revision = None, as_json: Json = False) -> None:
    """Show a profile as TOML, the form that `profile keep` takes."""
    from qualrec.work import profiles

    with session() as s:
        if as_json:
            output.json_out(profiles.find_named(s, name, revision))
        else:
            output.line(profiles.profile_text(s, name, revision).rstrip("\n"))


def export(name: Name, to: To, revision: Revision = None, replace: Replace = False) -> None:
    """Write a profile to a TOML file, to be changed or carried to another plant."""
    from qualrec.work import profiles

    with session() as s:
        output.line(profiles.export_profile(s, name, to, revision=revision, replace=replace))


def keep(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="Profile as a TOML file.")],
) -> None:
    """Store a profile; where it says something else than the one of its name, as the next revision."""
    from qualrec.work import profiles

    with session() as s:
        output.line(profiles.save_profile(s, file))


def draft(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="File of a tester, meter or machine.")],
    to: To,
    part: Annotated[
        str | None,
        typer.Option(help="Part number whose characteristics are looked for in the column heads."),
    ] = None,
    sheet: Annotated[str, typer.Option(help="Sheet of a workbook that has several.")] = "",
    replace: Replace = False,
) -> None:
    """Look at a file and draft a profile for it; every guess is marked, what is not clear stays to be filled in."""
    from qualrec.work import profile_drafts

    if part is None:
        said = profile_drafts.draft_file(file, to, sheet=sheet, replace=replace)
    else:
        with session() as s:
            said = profile_drafts.draft_for_part(s, part, file, to, sheet=sheet, replace=replace)
    for sentence in said:
        output.line(sentence)
