"""`qualrec selfcheck`: the published cases run on this machine, as a dated validation record."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from qualrec.cli import diagnostics, output
from qualrec.errors import ExitCode, UsageError

if TYPE_CHECKING:
    from qualrec.work.selfcheck import SelfCheck

ENDINGS = (".txt", ".json", ".xlsx")


def add_to(app: typer.Typer) -> None:
    app.command("selfcheck")(selfcheck)


def selfcheck(
    as_json: Annotated[bool, typer.Option("--json", help="The record as JSON on stdout.")] = False,
    to: Annotated[
        Path | None, typer.Option("-o", "--output", help="Write the record to a .txt, .json or .xlsx file.")
    ] = None,
) -> None:
    """Run the packaged published cases and show the validation record. Exit 1 where one fails.

    JSON: {passed, failed, environment, cases: [{id, kind, title, source, how_obtained, from_memory, table_unchecked,
    quantities: [{name, expected, printed, computed, tolerance, passed}], verdict, error, remark}]}.
    """
    if to is not None and to.suffix.casefold() not in ENDINGS:
        raise UsageError(f"{to.name} has no known ending.", "End it in .txt, .json or .xlsx.")
    from qualrec.work.selfcheck import run_selfcheck

    record = run_selfcheck()
    if to is not None:
        _write(record, to)
        diagnostics.say(f"Record written to {to}.")
    if as_json:
        output.json_out(record)
    else:
        _summary(record)
    if record.failed:
        raise typer.Exit(int(ExitCode.BAD_ANSWER))


def _write(record: SelfCheck, to: Path) -> None:
    import json

    from qualrec.work.selfcheck import UNCHECKED_REMARK, heading_rows, record_text

    try:
        if to.suffix.casefold() == ".xlsx":
            from qualrec.export.selfcheck_book import write_record

            write_record(to, heading_rows(record), _rows(record), UNCHECKED_REMARK)
        elif to.suffix.casefold() == ".json":
            to.write_text(
                json.dumps(output.plain(record), ensure_ascii=False, indent=2) + "\n", encoding="utf-8"
            )
        else:
            to.write_text(record_text(record), encoding="utf-8")
    except OSError as error:
        raise UsageError(
            f"{to} cannot be written: {error.strerror or error}.", "Check the folder and your rights."
        ) from error


def _rows(record: SelfCheck) -> list[tuple[str | float, ...]]:
    """A row for every figure of every case, in the order of the workbook."""
    from qualrec.work.selfcheck import figure_text, how_text

    rows: list[tuple[str | float, ...]] = []
    for r in record.cases:
        if r.error:
            rows.append((r.id, r.title, "", "", r.error, "", r.verdict, r.source, how_text(r)))
        for q in r.quantities:
            shown: list[str | float] = [
                v if isinstance(v, int | float) and not isinstance(v, bool) else figure_text(v, 1000)
                for v in (q.expected, q.computed)
            ]
            verdict = "passed" if q.passed else "failed"
            rows.append((r.id, r.title, q.name, *shown, q.tolerance, verdict, r.source, how_text(r)))
    return rows


def _summary(record: SelfCheck) -> None:
    from qualrec.work.selfcheck import UNCHECKED_REMARK, figure_text, heading_rows

    for name, value in heading_rows(record):
        output.line(f"{name:<14}{value}")
    output.line()
    marks = {True: "from memory", False: ""}
    output.table(
        ("verdict", "case", "figures", "remark"),
        [
            (
                r.verdict,
                r.id,
                len(r.quantities),
                "table unchecked" if r.table_unchecked else marks[r.from_memory],
            )
            for r in record.cases
        ],
        right=(2,),
    )
    for r in record.cases:
        if r.error:
            output.line(f"{r.id}: {r.error}")
        for q in r.quantities:
            if not q.passed:
                output.line(f"{r.id}, {q.name}: expected {figure_text(q.expected)}, computed {figure_text(q.computed)}, "
                            f"tolerance {q.tolerance}")  # fmt: skip
    output.line()
    output.line(
        "from memory: the published figure was recalled, not read. -o FILE gives sources and every figure."
    )
    output.line(f"table unchecked: {UNCHECKED_REMARK[0].lower()}{UNCHECKED_REMARK[1:]}")
