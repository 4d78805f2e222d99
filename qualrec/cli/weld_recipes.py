"""Commands on one recipe revision, its drafts and temporary changes."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from qualrec.cli import diagnostics, output
from qualrec.cli.context import session
from qualrec.errors import ExitCode, UsageError

if TYPE_CHECKING:
    from qualrec.values import RecipeSetting, Window
    from qualrec.work.recipes import Difference, RecipePage
    from qualrec.work.session import Session

Json = Annotated[bool, typer.Option("--json", help="Data as JSON on stdout.")]
Recipe = Annotated[
    str, typer.Argument(metavar="RECIPE", help="Code of the recipe, with a revision as RC-2040/2.")
]
Reason = Annotated[str, typer.Option(help="Why, in words.")]


def add_to(app: typer.Typer) -> None:
    app.command("recipe")(show_recipe)
    app.command("draft")(draft)
    group = typer.Typer(
        help="Temporary changes of a recipe: with a last day and extra checks.",
        no_args_is_help=True,
        rich_markup_mode=None,
    )
    group.command("begin")(begin)
    group.command("list")(list_changes)
    group.command("end")(end)
    app.add_typer(group, name="temporary")


def named(text: str) -> tuple[str, int | None]:
    """'RC-2040/2' or 'RC-2040'. Raises UsageError."""
    code, sign, number = text.partition("/")
    if not sign:
        return code, None
    if not number.isdigit():
        raise UsageError(f"{text!r} names no revision.", "Write it as RC-2040/2.")
    return code, int(number)


def show_recipe(
    recipe: Recipe,
    against: Annotated[
        int | None, typer.Option(help="Revision to compare with; the one in force or before it if left out.")
    ] = None,
    as_json: Json = False,
) -> None:
    """One recipe revision: settings, what changed, what the change asks for, rules of thumb, energy at the joint."""
    from qualrec.work.recipes import named_page

    code, number = named(recipe)
    with session() as s:
        page = named_page(s, code, number, against=against)
        if as_json:
            output.json_out(page)
        else:
            print_page(s, page)


def print_page(s: Session, page: RecipePage) -> None:
    from qualrec.cli.lot_text import figure
    from qualrec.values import Window
    from qualrec.weld.cautions import find_caution

    r = page.revision
    output.line(f"{r.code} revision {r.revision}, {r.part_number}, {r.process}: {r.state}. {r.reason}")
    for setting in r.settings:
        output.line(f"    {setting.name:<14} {words(s, setting)}")
    for window in r.windows:
        output.line(f"    qualified {window.quantity}: {words(s, window)}; {window.proof}")
    if page.compared is not None:
        output.line(f"From revision {page.compared}:")
        for d in page.changes:
            ends = [
                words(s, one) + (f" [{one.proof}]" if isinstance(one, Window) else "")
                for one in (d.was, d.now)
            ]
            output.line(f"    {d.kind} {d.name.replace('_', ' ')}: {ends[0]} > {ends[1]}{_range_gone(d)}")
        if not page.changes:
            output.line("    no difference")
    print_triggers(page)
    for remark in page.remarks:
        output.line(f"{remark.level}: {remark.sentence} Source: {remark.source} ({remark.how_obtained})")
    if page.budget is not None and page.budget.areal_joint is not None:
        output.line(f"Energy at the joint (estimate): {figure(s, page.budget.areal_joint.value)} J/mm²")
    elif page.note:
        output.line(page.note)
    output.line(find_caution("estimate").text)
    output.line(find_caution("no_laser_control").text)


def _range_gone(change: Difference) -> str:
    """A remark where a setting had a range allowed at the machine and has none any more."""
    was, now = change.was, change.now
    if was is None or now is None or (was.low is None and was.high is None):
        return ""
    return ", no range allowed at the machine any more" if now.low is None and now.high is None else ""


def print_triggers(page: RecipePage) -> None:
    """The checklist of a change."""
    if page.triggers:
        output.line(f"What the change from revision {page.compared} asks for:")
    for one in page.triggers:
        mark = "must" if one.need == "yes" else "ask "
        output.line(f"    {mark} {one.topic}: {one.text} Because of {one.because}. Source: {one.source}")


def words(s: Session, one: RecipeSetting | Window | None) -> str:
    """A setting or window with its range."""
    from qualrec.cli.lot_text import figure
    from qualrec.values import RecipeSetting
    from qualrec.weld.units import unit_shown

    if one is None:
        return "none"
    ends = [f"{w} {figure(s, v)}" for w, v in (("from", one.low), ("to", one.high)) if v is not None]
    span = " ".join(ends)
    if isinstance(one, RecipeSetting):
        value = f"{figure(s, one.value)} {unit_shown(one.unit)}".rstrip()
        return f"{value} ({span})" if span else value
    return f"{span} {unit_shown(one.unit)}".rstrip()


def draft(
    recipe: Recipe,
    change: Annotated[
        list[str],
        typer.Option(
            "--set",
            metavar="NAME=VALUE",
            help="As power=205 or 'power=205 from 195 to 215'; NAME= takes it out.",
        ),
    ],
    reason: Reason,
) -> None:
    """Draft a new revision from one (the one in force if none is named), and show what the change asks for."""
    from qualrec.work.recipes import draft_texts

    code, number = named(recipe)
    with session() as s:
        page = draft_texts(s, code, number, change, reason)
        output.line(
            f"{page.revision.code} revision {page.revision.revision} drafted. Somebody else has to approve it."
        )
        print_page(s, page)


def begin(
    recipe: Recipe,
    what: Annotated[str, typer.Option(help="What is done otherwise, and why.")],
    checks: Annotated[str, typer.Option(help="What is tested more while it lasts.")],
    until: Annotated[str, typer.Option(help="Last day, as 2026-11-30.")],
) -> None:
    """Begin a temporary change of a recipe revision, signed. Lots welded under it say so; past its end they are flagged."""
    from qualrec.work.recipes import begin_change, revision_number

    code, number = named(recipe)
    with session() as s:
        chosen = revision_number(s, code) if number is None else number
        output.line(begin_change(s, code, chosen, what=what, extra_checks=checks, until=until))


def list_changes(
    part: Annotated[str | None, typer.Option(help="Only of this part number.")] = None,
    every: Annotated[bool, typer.Option("--all", help="Also those that have ended.")] = False,
    as_json: Json = False,
) -> None:
    """List temporary changes. Exit 1 where one is past its last day and still open."""
    from qualrec.work.recipes import changes_of

    with session() as s:
        now = s.store.clock()
        rows = [c for c in changes_of(s, part) if every or c.state == "open"]
        late = [c for c in rows if c.expired_at(now)]
        if as_json:
            output.json_out([{"change": c, "number": s.short_id(c.id), "past": c in late} for c in rows])
        else:
            output.table(
                ("number", "part", "state", "from", "last day", "what", "extra checks", "by"),
                (
                    (
                        s.short_id(c.id), c.part_number, "PAST ITS END" if c in late else c.state,
                        s.moment(c.from_us)[:10], s.moment(c.until_us)[:10], c.what, c.extra_checks, c.person,
                    )
                    for c in rows
                ),
                right=(0,),
            )  # fmt: skip
            if late:
                diagnostics.say(
                    f"{len(late)} past the last day: end them with `qualrec temporary end NUMBER`."
                )
    if late:
        raise typer.Exit(int(ExitCode.BAD_ANSWER))


def end(
    number: Annotated[int, typer.Argument(metavar="NUMBER", help="Number as `temporary list` shows it.")],
    reason: Reason,
) -> None:
    """End a temporary change."""
    from qualrec.work.recipes import end_change

    with session() as s:
        output.line(end_change(s, s.full_id(number), why=reason))
