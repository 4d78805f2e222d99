"""Commands on studies of gauges and of people who judge."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from qualrec.cli import output
from qualrec.cli.calc_command import Answer, num
from qualrec.cli.context import session
from qualrec.errors import ExitCode, UsageError

if TYPE_CHECKING:
    from qualrec.work.gauge_studies import StudyPage

Json = Annotated[bool, typer.Option("--json", help="Data as JSON on stdout.")]
Number = Annotated[str, typer.Argument(metavar="STUDY", help="Number of the study.")]
DESIGNS = "crossed, average-range, nested, bias, linearity, stability or agreement"


def add_to(app: typer.Typer) -> None:
    group = typer.Typer(
        help="Studies of gauges and of people who judge: plan, run sheet, entries, analysis.",
        no_args_is_help=True,
        rich_markup_mode=None,
    )
    group.command("plan")(plan)
    group.command("sheet")(sheet)
    group.command("enter", context_settings={"ignore_unknown_options": True})(enter)
    group.command("import")(take)
    group.command("analyse")(analyse)
    group.command("list")(list_studies)
    group.command("show")(show)
    group.command("withdraw")(withdraw)
    app.add_typer(group, name="gauge-study")


def plan(
    design: Annotated[str, typer.Argument(metavar="DESIGN", help=DESIGNS)],
    gauge: Annotated[str, typer.Option(help="Code of the gauge.")] = "",
    part: Annotated[str, typer.Option(help="Part number.")] = "",
    characteristic: Annotated[str, typer.Option(help="Characteristic; unit and limits come from it.")] = "",
    title: Annotated[str, typer.Option(help="What the study is about.")] = "",
    number: Annotated[str, typer.Option(help="Number of the study; the next free one if left out.")] = "",
    parts: Annotated[
        str, typer.Option(help="Parts, masters, or batches of each person: 1-10 or names with commas.")
    ] = "",
    people: Annotated[str, typer.Option(help="Badges or letters, with commas; no names.")] = "",
    trials: Annotated[int | None, typer.Option(help="Trials, or pieces of a batch.")] = None,
    occasions: Annotated[str, typer.Option(help="Occasions of a study of stability: 1-20 or days.")] = "",
    reference: Annotated[
        list[str] | None,
        typer.Option(metavar="PART=VALUE", help="Known value or class; may be repeated."),
    ] = None,
    classes: Annotated[str, typer.Option(help="Classes of an agreement study; else the failure modes.")] = "",
    good: Annotated[str, typer.Option(help="The class that is no failure.")] = "",
    seed: Annotated[str, typer.Option(help="Seed of the run order; else the number of the study.")] = "",
    lsl: Annotated[float | None, num("Lower specification limit.", "--lsl")] = None,
    usl: Annotated[float | None, num("Upper specification limit.", "--usl")] = None,
    against: Annotated[str, typer.Option(help="Judge against study variation or tolerance.")] = "",
    pool_above: Annotated[
        float, num("Pool the interaction where its p lies above this; 1: never.", "--pool-above")
    ] = 0.05,
    multiplier: Annotated[float, num("Spread multiplier: 6 or 5.15.", "--multiplier")] = 6.0,
    k: Annotated[str, typer.Option("--k", help="Printed K1 K2 K3 of average-range.")] = "",
    as_json: Json = False,
) -> None:
    """Plan a study with a random run order; what is left out has its usual size."""
    from qualrec.work.gauge_studies import plan_study
    from qualrec.work.study_plans import Wanted, blank, named

    usual = blank(design)
    wanted = Wanted(
        design=design,
        title=title,
        number=number,
        gauge=gauge,
        part=part,
        code=characteristic,
        parts=named(parts) or usual.parts,
        people=named(people) or usual.people,
        trials=usual.trials if trials is None else trials,
        occasions=named(occasions) or usual.occasions,
        seed=seed,
        references=_pairs(reference or []),
        classes=named(classes),
        good=good,
        lsl=lsl,
        usl=usl,
        against=against,
        printed_factors=_three(k),
        pool_above=pool_above,
        multiplier=multiplier,
    )
    with session() as s:
        page = plan_study(s, wanted)
        if as_json:
            output.json_out(_data(page))
            return
        found = page.line.study
        output.line(f"Study {found.number} planned: {found.title}, {len(page.runs)} runs.")
        for sentence in page.advice:
            output.line(sentence)
        output.line(f"Its run sheet: qualrec gauge-study sheet {found.number} -o sheet.xlsx")


def _pairs(given: list[str]) -> dict[str, str]:
    found = {}
    for text in given:
        name, sign, value = text.partition("=")
        if not sign or not name.strip() or not value.strip():
            raise UsageError(f"--reference {text!r} is not PART=VALUE.", "As in --reference 3=25.02.")
        found[name.strip()] = value.strip()
    return found


def _three(text: str) -> tuple[float, float, float] | None:
    from qualrec.cli.calc_input import figures_in

    if not text.strip():
        return None
    found = figures_in(text)
    if len(found) != 3:
        raise UsageError(f"--k has {len(found)} figures.", "Give K1, K2 and K3.")
    return found[0], found[1], found[2]


def sheet(
    number: Number,
    to: Annotated[
        Path | None, typer.Option("-o", "--to", help="File ending in .txt, .csv or .xlsx; else stdout.")
    ] = None,
    replace: Annotated[bool, typer.Option("--replace", help="Replace a file that is there.")] = False,
) -> None:
    """Write the run sheet of a study, to be filled in and taken back."""
    from qualrec.work import gauge_studies

    with session() as s:
        if to is None:
            output.line(gauge_studies.sheet_lines(s, number).rstrip())
        else:
            output.line(gauge_studies.write_sheet(s, number, to, replace=replace))


def enter(
    number: Number,
    entries: Annotated[list[str], typer.Argument(metavar="RUN=VALUE…", help="As 7=5.31, or 7=interfacial.")],
    reason: Annotated[str, typer.Option(help="Why an entry is changed.")] = "",
) -> None:
    """Enter what runs gave. An entry that is changed needs a reason; both are kept."""
    from qualrec.work import gauge_studies

    given: dict[int, str] = {}
    for text in entries:
        run, sign, value = text.partition("=")
        if not sign or not run.strip().isdigit():
            raise UsageError(f"{text!r} is not RUN=VALUE.", "As in 7=5.31.")
        if int(run) in given:
            raise UsageError(f"Run {run.strip()} is given twice.", "Give it once.")
        given[int(run)] = value
    with session() as s:
        for sentence in gauge_studies.enter(s, number, given, reason=reason):
            output.line(sentence)


def take(
    number: Number,
    file: Annotated[Path, typer.Argument(metavar="FILE", help="Filled-in run sheet, .csv or .xlsx.")],
    decimal: Annotated[
        str | None, typer.Option("--decimal", help="Decimal sign of the file: point or comma.")
    ] = None,
) -> None:
    """Take a filled-in run sheet back; every row is checked, all are taken or none."""
    from qualrec.work import gauge_studies

    with session() as s:
        for sentence in gauge_studies.take_sheet(s, number, file, decimal=decimal):
            output.line(sentence)


def analyse(
    number: Number,
    leave_open: Annotated[
        bool, typer.Option("--leave-open", help="Leave open runs out; they are counted.")
    ] = False,
    as_json: Json = False,
) -> None:
    """Work a study out and keep the result. Exit 1 where the verdict is 'not acceptable'."""
    from qualrec.work import gauge_studies

    with session() as s:
        page = gauge_studies.work_out(s, number, leave_open=leave_open)
        _tell(page, as_json, s.moment(page.line.study.done_us))
    if page.line.study.verdict == "not acceptable":
        raise typer.Exit(int(ExitCode.BAD_ANSWER))


def show(
    number: Number,
    again: Annotated[
        bool, typer.Option("--again", help="Work it out anew and compare with what is kept.")
    ] = False,
    as_json: Json = False,
) -> None:
    """Show a study: plan, runs, and the kept analysis. With --again exit 1 where it comes out otherwise now."""
    from qualrec.work import gauge_studies

    same = True
    with session() as s:
        page = gauge_studies.study_page(s, number)
        if again:
            found, same = gauge_studies.worked_again(s, number)
            if as_json:
                output.json_out({"study": number, "same": same, **found.data})
            else:
                Answer.of(found).print()
                output.line()
                output.line("The same as kept." if same else "NOT the same as kept.")
        else:
            _tell(page, as_json, s.moment(page.line.study.done_us))
    if not same:
        raise typer.Exit(int(ExitCode.BAD_ANSWER))


def _data(page: StudyPage) -> dict[str, Any]:
    study = page.line.study
    return {
        "study": study.number,
        "kind": study.kind,
        "title": study.title,
        "state": study.state,
        "gauge": page.line.gauge,
        "part": page.line.part,
        "characteristic": page.line.code,
        "verdict": study.verdict,
        "method": study.method,
        "program_version": study.program_version,
        "plan": page.plan,
        "runs": page.runs,
        "analysis": study.analysis,
        "advice": page.advice,
    }


def _tell(page: StudyPage, as_json: bool, done: str) -> None:
    if as_json:
        output.json_out(_data(page))
        return
    study = page.line.study
    where = [x for x in (page.line.gauge, f"{page.line.part} {page.line.code}".strip()) if x]
    output.line(f"Study {study.number}: {study.title} ({', '.join(where)}), {study.state}")
    if page.plan is not None:
        done_runs = len(page.runs) - len(page.open_runs)
        order = f"in the order of the seed {page.plan.seed!r}"
        output.line(f"{page.plan.design}, {len(page.runs)} runs {order}, {done_runs} entered")
    output.line()
    if page.working is not None:
        Answer.of(page.working).print()
        output.line()
        output.line(f"Worked out {done} by {study.person} with version {study.program_version}.")
    elif page.runs and page.plan is not None:
        factors = page.plan.factors
        heads = ("run", *factors, "found", "by")
        output.table(
            heads,
            (
                (r.position, *(r.factors[f] for f in factors), r.mode or _value(r.value), r.person)
                for r in page.runs
            ),
            right=(0,),
        )


def _value(value: float | None) -> str:
    return "" if value is None else f"{value:g}"


def list_studies(as_json: Json = False) -> None:
    """List studies with state, runs and verdict."""
    from qualrec.work import gauge_studies

    with session() as s:
        lines = gauge_studies.study_lines(s)
        if as_json:
            output.json_out(lines)
            return
        output.table(
            ("study", "kind", "gauge", "characteristic", "state", "runs", "verdict", "done", "title"),
            (
                (
                    line.study.number,
                    line.study.kind,
                    line.gauge,
                    f"{line.part} {line.code}".strip(),
                    line.study.state,
                    f"{line.entered}/{line.runs}" if line.runs else "",
                    line.study.verdict,
                    s.moment(line.study.done_us)[:10],
                    line.study.title,
                )
                for line in lines
            ),
        )


def withdraw(number: Number, reason: Annotated[str, typer.Option(help="Why, in words.")]) -> None:
    """Withdraw a study: it counts no longer and stays readable."""
    from qualrec.work import gauge_studies

    with session() as s:
        output.line(gauge_studies.withdraw(s, number, reason=reason))
