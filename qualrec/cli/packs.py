"""Commands on what a customer gets: the workbook of a part, and submissions as records."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import typer
from typer.core import TyperGroup

from qualrec.cli import output
from qualrec.cli.context import session
from qualrec.errors import ExitCode

Json = Annotated[bool, typer.Option("--json", help="Data as JSON on stdout.")]
Number = Annotated[str, typer.Argument(metavar="NUMBER", help="Number of the submission, as S-0001.")]
Part = Annotated[str, typer.Argument(metavar="PART", help="Part number.")]
To = Annotated[Path, typer.Option("-o", "--to", help="Workbook to write, as pack.xlsx.")]
Reason = Annotated[str, typer.Option(help="Why, in words.")]
WithRecipe = Annotated[
    bool,
    typer.Option("--with-recipe/--without-recipe", help="Whether the recipe settings go to the customer."),
]
Replace = Annotated[bool, typer.Option("--replace", help="Replace a file that is there.")]
PLAIN = "workbook"


class PartOrCommand(TyperGroup):
    """`submission PART -o FILE` is `submission workbook PART -o FILE`: what names no command is a part number."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        if args and args[0] not in self.commands and args[0] not in ("-h", "--help"):
            args = [PLAIN, *args]
        return list(super().parse_args(ctx, args))


def add_to(app: typer.Typer) -> None:
    group = typer.Typer(
        cls=PartOrCommand,
        help="What a customer gets. `submission PART -o FILE` writes the workbook of a part without a record.",
        no_args_is_help=True,
        rich_markup_mode=None,
    )
    group.command(PLAIN)(make_submission)
    group.command("open")(open_submission)
    group.command("list")(list_submissions)
    group.command("show")(show_submission)
    group.command("element")(set_element)
    group.command("declare")(declare)
    group.command("make")(make_file)
    group.command("sign")(sign)
    group.command("verify")(verify)
    app.add_typer(group, name="submission")


def make_submission(
    part: Part,
    to: To,
    level: Annotated[str, typer.Option(help="Submission level 1 to 5, or 'agreed'.")] = "3",
    with_recipe: WithRecipe = False,
    replace: Replace = False,
    as_json: Json = False,
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


def open_submission(
    part: Part,
    level: Annotated[str, typer.Option(help="Submission level 1 to 5.")] = "3",
    elements: Annotated[
        str, typer.Option(help="Agreed list in place of a level: numbers of elements, as 1,7,9-11,18.")
    ] = "",
    customer: Annotated[str | None, typer.Option(help="Code of the customer, if not the part's own.")] = None,
    number: Annotated[str | None, typer.Option(help="Number, if not the next free one.")] = None,
) -> None:
    """Open a submission of a part; prints its number."""
    from qualrec.work import submission_records
    from qualrec.work.warrant import element_numbers

    with session() as s:
        asked = element_numbers(elements) if elements else ()
        made = submission_records.open_submission(
            s, part, level="agreed" if asked else level, asked=asked, customer=customer, number=number
        )
        output.line(made)


def list_submissions(
    part: Annotated[str | None, typer.Option(help="Only of this part.")] = None, as_json: Json = False
) -> None:
    """List submissions, newest first."""
    from qualrec.work import submission_records

    with session() as s:
        rows = submission_records.submissions(s, part)
        if as_json:
            output.json_out(rows)
            return
        output.table(
            ("number", "part", "customer", "level", "state", "file", "opened", "signed", "by"),
            (
                (
                    r.number,
                    r.part_number,
                    r.customer,
                    r.level,
                    r.standing,
                    r.file_name,
                    s.moment(r.made_us),
                    s.moment(r.signed_us),
                    r.signer,
                )
                for r in rows
            ),
        )


def show_submission(number: Number, as_json: Json = False) -> None:
    """Show elements, declaration and what stands against signing. Exit 1 where something does."""
    from qualrec.cli.pack_text import submission_lines
    from qualrec.work import submission_records

    with session() as s:
        page = submission_records.page(s, number)
        if as_json:
            output.json_out(page)
        else:
            for line in submission_lines(s, page):
                output.line(line)
    if page.stands and page.submission.signature_id is None:
        raise typer.Exit(int(ExitCode.BAD_ANSWER))


def set_element(
    number: Number,
    element: Annotated[int, typer.Argument(metavar="ELEMENT", help="Number of the element, 1 to 18.")],
    state: Annotated[str, typer.Argument(metavar="STATE", help="supplied, referenced, kept or missing.")],
    reason: Annotated[str, typer.Option(help="Where it is, or why it is not needed.")],
) -> None:
    """Set the state of an element that the records cannot know."""
    from qualrec.work import submission_records

    with session() as s:
        output.line(submission_records.set_element(s, number, element, state, reason))


def declare(
    number: Number,
    data: Annotated[
        list[str] | None,
        typer.Argument(metavar="KEY=VALUE...", help="As weight=0.0412; without any: list the keys."),
    ] = None,
) -> None:
    """Fill in the declaration; without data list what is asked and what is filled in."""
    from qualrec.cli.pack_text import declaration_lines
    from qualrec.work import submission_records
    from qualrec.work.warrant import pairs

    with session() as s:
        if data:
            output.line(submission_records.fill_in(s, number, pairs(data)))
            return
        for line in declaration_lines(submission_records.record(s, number)):
            output.line(line)


def make_file(
    number: Number, to: To, with_recipe: WithRecipe = False, replace: Replace = False, as_json: Json = False
) -> None:
    """Write the workbook of a submission and record what it rests on."""
    from qualrec.cli import diagnostics
    from qualrec.work import submission_records

    with session() as s:
        done = submission_records.make_file(
            s, number, to, with_recipe=with_recipe, replace=replace, progress=diagnostics.say
        )
        if as_json:
            output.json_out(done)
        else:
            for sentence in done.sentences:
                output.line(sentence)


def sign(
    number: Number,
    file: Annotated[Path, typer.Argument(metavar="FILE", help="The workbook as it was made.")],
    reason: Reason,
) -> None:
    """Sign a submission; its workbook then shows the signature."""
    from qualrec.work import submission_records

    with session() as s:
        output.line(submission_records.sign_file(s, number, file, reason=reason))


def verify(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A workbook that this program wrote.")],
    records: Annotated[
        bool, typer.Option("--records/--file-only", help="Whether the records are asked as well.")
    ] = True,
    as_json: Json = False,
) -> None:
    """Recompute the content of a workbook and name each changed cell. Exit 1 where one is changed."""
    from qualrec.work.submission_verify import verify_file

    if records:
        with session() as s:
            done = verify_file(s, file)
    else:
        done = verify_file(None, file)
    if as_json:
        output.json_out(done)
    else:
        for sentence in done.sentences:
            output.line(sentence)
    if not done.sound:
        raise typer.Exit(int(ExitCode.BAD_ANSWER))
