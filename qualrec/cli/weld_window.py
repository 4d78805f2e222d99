"""Commands on window studies of a recipe and on parent specimens."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from qualrec.cli import output
from qualrec.cli.context import OPTIONS, session
from qualrec.cli.weld_materials import fields_of
from qualrec.cli.weld_recipes import named
from qualrec.errors import ExitCode, UsageError

Json = Annotated[bool, typer.Option("--json", help="Data as JSON on stdout.")]
Number = Annotated[str, typer.Argument(metavar="STUDY", help="Number of the study, as WS-1.")]
Reason = Annotated[str, typer.Option(help="Why, in words.")]
Replace = Annotated[bool, typer.Option("--replace", help="Write over a file that is there.")]
Least = Annotated[str, typer.Option(help="Required strength; the lower specification limit if left out.")]
Most = Annotated[float, typer.Option("--most-interfacial", help="Largest chance of interfacial failure.")]
Mean = Annotated[bool, typer.Option("--mean", help="The mean must meet the requirement, not one more pull.")]
Order = Annotated[str, typer.Option(help="Surface: linear, interaction or quadratic.")]
At = Annotated[
    list[str] | None, typer.Option("--at", metavar="FACTOR=VALUE", help="A set point of your own, by factor.")
]


def add_to(app: typer.Typer) -> None:
    group = typer.Typer(
        help="Window studies: plan, run sheet, entries, fit and map, set point with what it proves.",
        no_args_is_help=True,
        rich_markup_mode=None,
    )
    group.command("plan")(plan)
    group.command("list")(list_studies)
    group.command("show")(show)
    group.command("sheet")(sheet)
    group.command("enter", context_settings={"ignore_unknown_options": True})(enter)
    group.command("import")(take)
    group.command("fit")(fit)
    group.command("choose")(choose)
    group.command("withdraw")(withdraw)
    app.add_typer(group, name="window")
    parents = typer.Typer(
        help="Unwelded specimens, which the weld factor is taken against.",
        no_args_is_help=True,
        rich_markup_mode=None,
    )
    parents.command("enter")(enter_parents)
    parents.command("list")(list_parents)
    app.add_typer(parents, name="parent")


def plan(
    recipe: Annotated[
        str, typer.Argument(metavar="RECIPE", help="Recipe to start from, as RC-2040 or RC-2040/2.")
    ],
    factor: Annotated[
        list[str],
        typer.Option(
            "--factor",
            metavar="NAME=LOW..HIGH",
            help="A setting, transmission or joint_energy, as power=180..220.",
        ),
    ],
    design: Annotated[
        str, typer.Option(help="face-centred, box-behnken, full or fractional.")
    ] = "face-centred",
    pulled: Annotated[
        str | None, typer.Option("--pulled", help="Code of the strength that is pulled.")
    ] = None,
    centre_runs: Annotated[int, typer.Option("--centre-runs", help="Runs at the centre.")] = 4,
    repeats: Annotated[int, typer.Option(help="Times each other run is made.")] = 1,
    levels: Annotated[int, typer.Option(help="Levels of a full factorial.")] = 2,
    seed: Annotated[int, typer.Option(help="Seed of the order of the runs.")] = 1,
    transmission: Annotated[
        str, typer.Option(help="Transmission of the parts in %; the last measured one if left out.")
    ] = "",
    title: Annotated[str, typer.Option(help="Title in words.")] = "",
    number: Annotated[str, typer.Option(help="Number of the study; the next free one if left out.")] = "",
) -> None:
    """Plan a window study around a recipe revision; the runs are stored in random order."""
    from qualrec.work.window_plan import plan_study

    code, revision = named(recipe)
    with session() as s:
        made = plan_study(
            s, code, factor, revision=revision, characteristic=pulled, design=design, centre_runs=centre_runs,
            repeats=repeats, levels=levels, seed=seed, transmission=transmission, title=title, number=number,
        )  # fmt: skip
    output.line(f"Study {made.study.number}: {made.study.title}, {made.design}, {len(made.runs)} runs.")
    for note in made.notes:
        output.line(note)


def list_studies(
    part: Annotated[str | None, typer.Option(help="Only of this part number.")] = None, as_json: Json = False
) -> None:
    """List window studies."""
    from qualrec.work.window_plan import window_studies_of

    with session() as s:
        rows = window_studies_of(s, part)
    if as_json:
        output.json_out(rows)
        return
    output.table(
        ("study", "part", "recipe", "design", "runs", "state", "title"),
        (
            (
                w.study.number, w.part.number, f"{w.revision.code} rev {w.revision.revision}", w.design,
                f"{w.done} of {len(w.runs)}", w.study.state, w.study.title,
            )
            for w in rows
        ),
    )  # fmt: skip


def show(number: Number, as_json: Json = False) -> None:
    """The runs of a study in their order, with what they gave."""
    from qualrec.cli.lot_text import figure
    from qualrec.work.window_files import sheet_heads, sheet_rows
    from qualrec.work.window_plan import window_study

    with session() as s:
        study = window_study(s, number)
        if as_json:
            output.json_out(study)
            return
        output.line(f"{study.study.number}: {study.study.title}, {study.design}, {study.study.state}")
        heads = sheet_heads(study)
        rows = [[figure(s, v) if isinstance(v, float) else v for v in row] for row in sheet_rows(study)]
        output.table(heads, rows, right=range(len(heads) - 1))


def sheet(
    number: Number,
    to: Annotated[
        Path,
        typer.Option(
            "-o", "--output", help="FILE.xlsx or FILE.pdf to print, FILE.csv to fill and give back."
        ),
    ],
    replace: Replace = False,
) -> None:
    """Write the run sheet of a study."""
    from qualrec.work.window_files import write_sheet

    with session() as s:
        output.line(write_sheet(s, number, to, replace=replace))


def enter(
    number: Number,
    run: Annotated[int, typer.Argument(help="Number of the run.")],
    strength: Annotated[str, typer.Argument(help="Strength, as 612,4; left out for a test fault.")] = "",
    mode: Annotated[str, typer.Option(help="Failure mode.")] = "",
    shares: Annotated[str, typer.Option(help="Mixed mode: interfacial/cohesive/tear/parent in %.")] = "",
    section: Annotated[
        list[str] | None,
        typer.Option(
            metavar="NAME=VALUE",
            help="melt_layer_upper, melt_layer_lower (µm), voids (%), flash, collapse (mm).",
        ),
    ] = None,
    reason: Annotated[str, typer.Option(help="Why, where a run that is entered is changed.")] = "",
) -> None:
    """Enter what a run gave."""
    from qualrec.work.window_plan import RunEntry, enter_run

    with session() as s:
        entry = RunEntry(run, strength, mode, shares, fields_of(section, "a measure"))
        output.line(enter_run(s, number, entry, why=reason))


def take(
    number: Number,
    file: Annotated[
        Path, typer.Argument(help="CSV with the columns run, strength, mode; shares and section if there.")
    ],
    reason: Annotated[str, typer.Option(help="Why, where runs that are entered are changed.")] = "",
) -> None:
    """Take a file of runs in: all of it or nothing. A file given twice changes nothing."""
    from qualrec.work.window_plan import import_runs

    with session() as s:
        for sentence in import_runs(s, number, file, why=reason):
            output.line(sentence)


def _points(at: list[str] | None) -> dict[str, float] | None:
    from qualrec.work.window_study import read_points

    return read_points("; ".join(at or []))


def _least(text: str) -> float | None:
    from qualrec.intake.numbers import parse_number

    return parse_number(text).value if text else None


def fit(
    number: Number,
    least: Least = "",
    most: Most = 0.05,
    mean: Mean = False,
    order: Order = "quadratic",
    at: At = None,
    to: Annotated[
        Path | None, typer.Option("-o", "--output", help="Also a workbook with result, runs and maps.")
    ] = None,
    replace: Replace = False,
    as_json: Json = False,
) -> None:
    """Fit a study, draw its map and propose a set point; nothing is stored. Exit 1 where no point meets the rule."""
    from qualrec.work.window_files import write_book
    from qualrec.work.window_picture import map_picture, report_lines
    from qualrec.work.window_study import analysis_of, fit_study

    with session() as s:
        report = fit_study(
            s, number, least=_least(least), most_interfacial=most, mean=mean, order=order, at=_points(at)
        )
        told = None if to is None else write_book(s, report, to, replace=replace)
    if as_json:
        output.json_out({**analysis_of(report), "refusal": report.refusal, "notes": report.notes})
    else:
        for region in report.maps:
            for text in map_picture(report, region, ascii_only=bool(OPTIONS.ascii)).all_lines:
                output.line(text)
            output.line()
        for text in report_lines(report):
            output.line(text)
        if told:
            output.line(told)
    if report.point is None:
        raise typer.Exit(int(ExitCode.BAD_ANSWER))


def choose(
    number: Number,
    reason: Reason,
    least: Least = "",
    most: Most = 0.05,
    mean: Mean = False,
    order: Order = "quadratic",
    at: At = None,
) -> None:
    """Choose the set point: keeps the analysis and drafts a recipe revision with the windows that it proves."""
    from qualrec.cli.weld_recipes import print_page
    from qualrec.work.recipes import named_page
    from qualrec.work.window_study import choose_set_point

    with session() as s:
        _, drafted = choose_set_point(
            s,
            number,
            reason=reason,
            least=_least(least),
            most_interfacial=most,
            mean=mean,
            order=order,
            at=_points(at),
        )
        output.line(f"{drafted.code} revision {drafted.revision} drafted. Somebody else has to approve it.")
        print_page(s, named_page(s, drafted.code, drafted.revision))


def withdraw(number: Number, reason: Reason) -> None:
    """Withdraw a study; it stays readable."""
    from qualrec.work.window_plan import withdraw_window

    with session() as s:
        output.line(withdraw_window(s, number, why=reason))


def enter_parents(
    part: Annotated[str, typer.Argument(metavar="PART", help="Part number whose welds are compared.")],
    label: Annotated[str, typer.Argument(help="Name of the set.")],
    values: Annotated[
        list[str], typer.Argument(metavar="FORCE…", help="Force of each specimen, at least 6.")
    ],
    material: Annotated[str, typer.Option(help="Code of the material, one of the part's two.")],
    pulled: Annotated[str | None, typer.Option("--pulled", help="Code of the strength.")] = None,
    tested: Annotated[str, typer.Option(help="When, as '2026-11-30 07:30'; now if left out.")] = "",
    remark: Annotated[str, typer.Option(help="Remark.")] = "",
) -> None:
    """Enter pulls of unwelded specimens of the same test, speed and moisture; `capability` then gives the weld factor."""
    from qualrec.work.parent import enter_parents as use

    if not values:
        raise UsageError("No value is given.", "Give the force of each specimen.")
    with session() as s:
        output.line(
            use(s, part, label, material, values, characteristic=pulled, tested=tested, remark=remark)
        )


def list_parents(
    part: Annotated[str | None, typer.Option(help="Only of this part number.")] = None, as_json: Json = False
) -> None:
    """List sets of parent specimens with their mean."""
    from qualrec.cli.lot_text import figure
    from qualrec.work.parent import listed_parents

    with session() as s:
        rows = listed_parents(s, part)
        if as_json:
            output.json_out(rows)
            return
        output.table(
            ("set", "part", "strength", "material", "tested", "n", "mean", "unit"),
            (
                (
                    r.parent.label, r.part_number, r.characteristic.code, r.parent.material,
                    s.moment(r.parent.tested_us), len(r.parent.values),
                    figure(s, sum(r.parent.values) / len(r.parent.values) if r.parent.values else None),
                    r.characteristic.unit,
                )
                for r in rows
            ),
            right=(5, 6),
        )  # fmt: skip
