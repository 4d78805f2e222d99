"""`calc agreement`: kappa of people who call a class."""

from __future__ import annotations

from typing import Annotated

import typer

from qualrec.cli.calc_command import Answer, Level, command, family
from qualrec.cli.calc_input import Source, figures_in, split_columns
from qualrec.errors import UsageError

app = family()


@command(app, "agreement")
def agreement(
    source: Source,
    judges: Annotated[
        list[str] | None, typer.Option("--judge", help="Columns of calls, one for each judge (or trial).")
    ] = None,
    reference: Annotated[str | None, typer.Option("--reference", help="Column of the known class.")] = None,
    good: Annotated[str | None, typer.Option("--good", help="The class that is no failure.")] = None,
    table: Annotated[
        str | None, typer.Option("--table", help="Counts of two judges by rows, as '44 6 / 3 97'.")
    ] = None,
    counts: Annotated[
        list[str] | None,
        typer.Option("--count-column", help="Columns of counts per class, a row for each part."),
    ] = None,
    level: Level = 0.95,
) -> Answer:
    """Agreement of people who call a class: Cohen's kappa of two, Fleiss' of more, per class, against a reference.

    JSON: kappa, kappa_low, kappa_high, standard_error, observed, expected, n, method; per_class {class: kappa},
    pairs {judges: kappa}, reference {judge: {kappa, share, share_low, share_high, missed, false_alarm}};
    verdict, verdict_reasons.
    """
    from qualrec.judge.agreement_working import calls_working, counts_working, table_working

    if table is not None:
        rows = [figures_in(row) for row in table.split("/")]
        if len({len(r) for r in rows}) != 1:
            raise UsageError("The rows of the table differ in length.", "As in --table '44 6 / 3 97'.")
        return Answer.of(table_working(rows, level))
    source.need("calls")
    if counts:
        figures, _ = source.table(split_columns(counts))
        grid = list(zip(*figures.values(), strict=True))
        return Answer.of(counts_working(grid, list(figures), level))
    names = split_columns(judges or []) or source.columns
    if not names:
        raise UsageError("The judges are not named.", "Give a --judge column for each, or --table.")
    _, texts = source.table([], [*names, *([reference] if reference else [])])
    calls = {name: texts[key] for name, key in zip(names, list(texts), strict=False)}
    known = list(texts.values())[-1] if reference else None
    return Answer.of(calls_working(calls, known, good, level))
