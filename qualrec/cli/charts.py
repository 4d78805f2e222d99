"""Commands on charts, limits and capability."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from qualrec.cli import diagnostics, output
from qualrec.cli.context import session
from qualrec.errors import ExitCode, Refused, UsageError

if TYPE_CHECKING:
    from qualrec.cli.chart_picture import Picture

KIND_NAMES = "single values, subgroups, cusum, p, p', u, u', np"

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
    kind: Annotated[
        str | None,
        typer.Option(help="Another kind of chart of the same points, as a view: " + KIND_NAMES + "."),
    ] = None,
    by: Annotated[
        str | None,
        typer.Option(
            help="Tell points apart by: stream, station, recipe, 'upper lot', 'lower lot', 'upper material', "
            "'lower material', material, tool."
        ),
    ] = None,
    together: Annotated[
        list[str] | None,
        typer.Option(
            help="Also this characteristic of the part, all over one axis of lots; 'joint energy' is the energy at the "
            "joint. May be repeated."
        ),
    ] = None,
    svg: Annotated[Path | None, typer.Option(help="Write the chart as a picture to this SVG file.")] = None,
    png: Annotated[Path | None, typer.Option(help="Write the chart as a picture to this PNG file.")] = None,
    as_json: Json = False,
) -> None:
    """Show the chart of lot means with its limits, their version, the signals and events; as text, JSON or picture."""
    if together and (kind or by or stream):
        raise UsageError(
            "Strips over one axis have no other kind, groups or stream.", "Leave the one or the other."
        )
    from qualrec import assess
    from qualrec.assess.chart_kinds import kind_view
    from qualrec.assess.chart_strata import stratify
    from qualrec.assess.chart_strips import strips
    from qualrec.cli import chart_text

    with session() as s, s.store.read() as conn:
        if together:
            rows = strips(conn, part, (characteristic, *together))
            if svg or png:
                from qualrec.cli.chart_panels import strips_picture

                _pictures(strips_picture(s, rows), svg, png)
            elif as_json:
                output.json_out(rows)
            else:
                chart_text.print_strips(s, rows)
            return
        view = assess.chart_view(conn, part, characteristic, stream=stream, price=not (svg or png))
        other = None if kind is None else kind_view(view, kind)
        groups = None if by is None else stratify(conn, view, by)
        if svg or png:
            from qualrec.cli.chart_panels import chart_picture

            if len(view.series) == 0:
                raise Refused(
                    f"{part} {characteristic} has no readings, so there is no picture.", "Enter readings."
                )
            _pictures(chart_picture(s, view, other, groups), svg, png)
        elif as_json:
            output.json_out(view if other is None and groups is None else {"view": other, "groups": groups})
        elif other is None and groups is None:
            chart_text.print_view(s, view)
        else:
            chart_text.print_other(s, view, other, groups)


def _pictures(picture: Picture, svg: Path | None, png: Path | None) -> None:
    from qualrec.cli.chart_picture import write

    for path in write(picture, svg, png):
        diagnostics.say(f"Written: {path}")


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
