"""Commands on charts, limits and capability."""

from __future__ import annotations

from typing import Annotated

import typer

from qualrec.cli import output
from qualrec.cli.context import session
from qualrec.errors import ExitCode, UsageError

Json = Annotated[bool, typer.Option("--json", help="Data as JSON on stdout.")]
PartName = Annotated[str, typer.Argument(metavar="PART", help="Part number.")]
Code = Annotated[str, typer.Argument(metavar="CHARACTERISTIC", help="Code of the characteristic.")]


def add_to(app: typer.Typer) -> None:
    app.command("chart")(show_chart)
    app.command("limits")(set_limits)
    app.command("capability")(show_capability)


def show_chart(
    part: PartName,
    characteristic: Code,
    stream: Annotated[str | None, typer.Option(help="Cavity or nest; all together if left out.")] = None,
    as_json: Json = False,
) -> None:
    """Show the chart of lot means with its limits, their version, the signals and events."""
    from qualrec import assess

    with session() as s, s.store.read() as conn:
        view = assess.chart_view(conn, part, characteristic, stream=stream)
        if as_json:
            output.json_out(view)
            return
        from qualrec.cli import chart_text

        chart_text.print_view(s, view)


def set_limits(
    part: PartName,
    characteristic: Code,
    leave_out: Annotated[
        list[str] | None,
        typer.Option(help="A lot to leave out and why, as 'FM00038=wrong nest'. May be repeated."),
    ] = None,
    freeze: Annotated[
        bool, typer.Option("--freeze", help="Freeze the limits, superseding those in force.")
    ] = False,
    reason: Annotated[str, typer.Option(help="Why the limits are frozen.")] = "",
    until: Annotated[str | None, typer.Option(help="Last lot that the limits come from.")] = None,
    as_json: Json = False,
) -> None:
    """Work out trial limits from the lots there are; with --freeze, put them in force. Never done by itself."""
    from qualrec.work import review

    out: dict[str, str] = {}
    for pair in leave_out or []:
        lot, sign, why = pair.partition("=")
        if not sign or not lot.strip() or not why.strip():
            raise UsageError(f"--leave-out {pair!r} has no reason.", "Write LOT=reason.")
        out[lot.strip()] = why.strip()
    with session() as s:
        done = review.limits(
            s, part, characteristic, leave_out=out, until=until, freeze=freeze, reason=reason
        )
        if as_json:
            output.json_out(done)
        else:
            for sentence in done.sentences:
                output.line(sentence)


def show_capability(
    part: PartName,
    characteristic: Annotated[str | None, typer.Argument(help="Code; all of the part if left out.")] = None,
    as_json: Json = False,
) -> None:
    """Show how far an index may be quoted: the chain of evidence, the index with its lower bound, the requirement.

    Exit 1 where a requirement is not shown to be met.
    """
    from qualrec import assess
    from qualrec.records import lookups

    with session() as s, s.store.read() as conn:
        codes = [characteristic] if characteristic else [c.code for c in lookups.characteristics(conn, part)]
        reports = [assess.capability_report(conn, part, code) for code in codes]
        if as_json:
            output.json_out(reports[0] if characteristic else reports)
        else:
            from qualrec.cli import chart_text

            for report in reports:
                chart_text.print_capability(s, report)
    if any(report.answer == "no" for report in reports):
        raise typer.Exit(int(ExitCode.BAD_ANSWER))
