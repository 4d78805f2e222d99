"""`calc agreement`: kappa of people who call a class."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from qualrec.cli.calc_command import Answer, Level, command, family
from qualrec.cli.calc_input import Source, figures_in, split_columns
from qualrec.errors import UsageError

if TYPE_CHECKING:
    from qualrec.stats.agreement import Kappa

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
    pairs {judges: kappa}, reference {judge: {kappa, share, share_low, share_high, missed, false_alarm}}.
    """
    from qualrec.stats import agreement as ag

    answer = Answer("Agreement of calls", "Cohen 1960; Fleiss 1971; AIAG MSA, 4th edition (from memory)")
    if table is not None:
        rows = [figures_in(row) for row in table.split("/")]
        if len({len(r) for r in rows}) != 1:
            raise UsageError("The rows of the table differ in length.", "As in --table '44 6 / 3 97'.")
        return _kappa(answer, ag.cohen_table(rows, level), "Cohen, table")
    source.need("calls")
    if counts:
        figures, _ = source.table(split_columns(counts))
        grid = list(zip(*figures.values(), strict=True))
        return _fleiss(answer, grid, list(figures), level)
    names = split_columns(judges or []) or source.columns
    if not names:
        raise UsageError("The judges are not named.", "Give a --judge column for each, or --table.")
    _, texts = source.table([], [*names, *([reference] if reference else [])])
    calls = {name: texts[key] for name, key in zip(names, list(texts), strict=False)}
    if len(names) == 2:
        first, second = list(calls.values())
        _kappa(answer, ag.cohen(first, second, level), f"Cohen, {names[0]} and {names[1]}")
    elif len(names) > 2:
        grid_counts, classes = ag.counts_of(list(zip(*calls.values(), strict=True)))
        _fleiss(answer, grid_counts, list(classes), level)
        _pairs(answer, calls, level)
    if reference:
        _against(answer, calls, list(texts.values())[-1], good, level)
    return answer


def _kappa(answer: Answer, k: Kappa, method: str) -> Answer:
    answer.data["method"] = method
    answer.add("n", k.n, "parts")
    answer.add("kappa", k.value, "kappa", method, "i")
    answer.interval("kappa", k.interval, "its interval", "i")
    answer.add("standard_error", k.standard_error, "standard error")
    answer.add("observed", k.found, "agreement found", "", "%")
    answer.add("expected", k.expected, "expected by chance", "", "%")
    answer.notes += [k.note] if k.note else []
    return answer


def _fleiss(answer: Answer, grid: Any, classes: list[str], level: float) -> Answer:
    from qualrec.errors import ComputeError
    from qualrec.stats import agreement as ag

    _kappa(answer, ag.fleiss(grid, level), "Fleiss")
    try:
        each = ag.fleiss_per_class(grid, level)
    except ComputeError as error:
        answer.notes.append(f"No kappa per class: {error.message}")
        return answer
    answer.data["per_class"] = {name: k.value for name, k in zip(classes, each, strict=True)}
    rows = [(name, f"{k.value:.3f}", answer.both(k.interval.low, k.interval.high, "i"))
            for name, k in zip(classes, each, strict=True)]  # fmt: skip
    answer.table("Each class against all others", ("class", "kappa", "interval"), rows)
    return answer


def _pairs(answer: Answer, calls: dict[str, list[str]], level: float) -> None:
    from itertools import combinations

    from qualrec.errors import ComputeError
    from qualrec.stats import agreement as ag

    found: dict[str, float] = {}
    for a, b in combinations(calls, 2):
        try:
            found[f"{a} and {b}"] = ag.cohen(calls[a], calls[b], level).value
        except ComputeError as error:
            answer.notes.append(f"{a} and {b}: {error.message}")
    answer.data["pairs"] = found
    answer.table("Pairs", ("judges", "kappa"), [(k, f"{v:.3f}") for k, v in found.items()])


def _against(
    answer: Answer, calls: dict[str, list[str]], known: list[str], good: str | None, level: float
) -> None:
    from qualrec.stats import agreement as ag

    answer.data["reference"] = {}
    rows = []
    for judge, each in calls.items():
        r = ag.against_reference(judge, each, known, good, level)
        entry: dict[str, Any] = {"kappa": r.kappa.value, "right": r.right, "n": r.n}
        entry |= {"share": r.right / r.n, "share_low": r.share.low, "share_high": r.share.high}
        for key, i in (("missed", r.missed), ("false_alarm", r.false_alarm)):
            entry[key] = None if i is None else [i.low, i.high]
        answer.data["reference"][judge] = entry
        rows.append((judge, f"{r.kappa.value:.3f}", f"{r.right} of {r.n}", answer.both(r.share.low, r.share.high, "%"),
                     "" if r.missed is None else f"up to {100 * r.missed.high:.3g} %"))  # fmt: skip
    answer.table("Against the reference", ("judge", "kappa", "right", "interval", "missed failures"), rows)
