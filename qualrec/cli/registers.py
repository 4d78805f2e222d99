"""Commands that list what is defined: parts, recipes, gauges."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from qualrec.cli import output
from qualrec.cli.context import session
from qualrec.errors import ExitCode

if TYPE_CHECKING:
    from qualrec.values import Gauge
    from qualrec.work.gauges import Doubt, GaugePage
    from qualrec.work.session import Session

Json = Annotated[bool, typer.Option("--json", help="Data as JSON on stdout.")]


def add_to(app: typer.Typer) -> None:
    app.command("parts")(list_parts)
    app.command("recipes")(list_recipes)
    app.command("approve")(approve_recipe)
    app.command("gauges")(list_gauges)
    app.command("gauge")(show_gauge)
    app.command("in-doubt")(list_in_doubt)


def list_parts(as_json: Json = False) -> None:
    """List part numbers with their characteristics and limits."""
    from qualrec.cli.lot_text import figure
    from qualrec.records import lookups

    with session() as s, s.store.read() as conn:
        found = [(p, lookups.characteristics(conn, p.number)) for p in lookups.parts(conn)]
        if as_json:
            output.json_out([{"part": p, "characteristics": c} for p, c in found])
            return
        output.table(
            ("part", "", "process", "characteristic", "", "from", "to", "unit", "class"),
            (
                (
                    p.number,
                    p.name,
                    p.process,
                    c.code,
                    c.name,
                    figure(s, c.lsl),
                    figure(s, c.usl),
                    c.unit,
                    c.special_class,
                )
                for p, rows in found
                for c in rows
            ),
            right=(5, 6),
        )


def list_recipes(
    part: Annotated[str | None, typer.Option(help="Only recipes of this part number.")] = None,
    as_json: Json = False,
) -> None:
    """List recipe revisions with state, approval and settings."""
    from qualrec.cli.lot_text import figure
    from qualrec.records import lookups
    from qualrec.weld.units import unit_shown

    with session() as s, s.store.read() as conn:
        rows = lookups.recipe_revisions(conn, part)
        if as_json:
            output.json_out(rows)
            return
        for r in rows:
            approved = (
                f", approved {s.moment(r.approved_us)} by {r.approver}" if r.approved_us is not None else ""
            )
            output.line(
                f"{r.code} revision {r.revision}, {r.part_number}, {r.process}: {r.state}{approved}. {r.reason}"
            )
            for setting in r.settings:
                ends = (figure(s, setting.low), figure(s, setting.high))
                window = f"  ({ends[0]} to {ends[1]})" if any(ends) else ""
                output.line(
                    f"    {setting.name:<14} {figure(s, setting.value):>8} {unit_shown(setting.unit)}{window}"
                )
            for window_of in r.windows:
                low, high = figure(s, window_of.low) or "open", figure(s, window_of.high) or "open"
                output.line(
                    f"    qualified {window_of.quantity}: {low} to {high} {unit_shown(window_of.unit)}; {window_of.proof}"
                )


def approve_recipe(
    recipe: Annotated[str, typer.Argument(metavar="RECIPE", help="Code of the recipe.")],
    revision: Annotated[int, typer.Argument(help="Number of the draft revision.")],
    reason: Annotated[str, typer.Option(help="Why, in words.")],
) -> None:
    """Approve a draft recipe revision; the approved one before is superseded. What the change asks for is shown first."""
    from qualrec.cli.weld_recipes import print_triggers
    from qualrec.work import review
    from qualrec.work.recipes import named_page
    from qualrec.work.rights import require

    with session() as s:
        require(s.actor, "approve recipes")
        print_triggers(named_page(s, recipe, revision))
        output.line(review.approve_recipe(s, recipe, revision, reason=reason))


def list_gauges(
    due: Annotated[
        int | None, typer.Option("--due", metavar="DAYS", help="Only those due within so many days.")
    ] = None,
    as_json: Json = False,
) -> None:
    """List gauges by the day on which they are due, with their last check. Exit 1 where one in use is overdue."""
    from qualrec.work.gauges import due_list

    with session() as s:
        rows = due_list(s, due)
        withdrawn = _withdrawn(s) if due is None else ()
        overdue = [d for d in rows if d.gauge.state == "in use" and d.overdue]
        if as_json:
            found = [
                {"gauge": d.gauge, "overdue": d.overdue, "due_us": d.due_us, "last_check": d.checked,
                 "checked_today": d.checked_today}
                for d in rows
            ]  # fmt: skip
            output.json_out([*found, *({"gauge": g, "overdue": False} for g in withdrawn)])
        else:
            output.table(
                ("gauge", "", "family", "state", "calibration due", "last check", "place"),
                [
                    (
                        d.gauge.code,
                        d.gauge.name,
                        d.gauge.family,
                        "overdue" if d in overdue else d.gauge.state,
                        s.moment(d.due_us),
                        "" if d.checked is None else f"{s.moment(d.checked.at_us)} {d.checked.verdict}",
                        d.gauge.place,
                    )
                    for d in rows
                ]
                + [(g.code, g.name, g.family, g.state, "", "", g.place) for g in withdrawn],
            )
    if overdue:
        raise typer.Exit(int(ExitCode.BAD_ANSWER))


def _withdrawn(s: Session) -> tuple[Gauge, ...]:
    from qualrec.records import lookups

    with s.store.read() as conn:
        return lookups.gauges(conn, state="withdrawn")


def show_gauge(
    code: Annotated[str, typer.Argument(metavar="GAUGE", help="Code of the gauge.")], as_json: Json = False
) -> None:
    """Show a gauge with calibrations, checks, studies and lots in doubt. Exit 1 where it is overdue or found bad."""
    from qualrec.records import lookups
    from qualrec.work.gauges import gauge_page

    with session() as s:
        with s.store.read() as conn:
            gauge = lookups.gauge(conn, code)
        page = gauge_page(s, gauge.id)
        bad = gauge.state == "found bad" or (gauge.state == "in use" and gauge.overdue_at(s.store.clock()))
        if as_json:
            output.json_out(page)
        else:
            _tell_gauge(s, page)
    if bad:
        raise typer.Exit(int(ExitCode.BAD_ANSWER))


def _tell_gauge(s: Session, page: GaugePage) -> None:
    from qualrec.cli.lot_text import figure

    g = page.gauge
    output.line(f"{g.code} {g.name}, {g.family}, {g.state}, every {g.interval_days} days")
    facts = {"resolution": g.resolution, "expanded uncertainty": g.uncertainty}
    said = [f"{name} {figure(s, v)} {g.unit}" for name, v in facts.items() if v is not None]
    if g.verified_low is not None or g.verified_high is not None:
        said.append(f"verified {figure(s, g.verified_low)} to {figure(s, g.verified_high)} {g.unit}")
    if said:
        output.line(", ".join(said))
    output.line()
    output.table(
        ("calibrated", "due", "verdict", "as found", "as left", "certificate", "standard"),
        (
            (s.moment(c.at_us)[:10], s.moment(c.due_us)[:10], c.verdict, figure(s, c.as_found),
             figure(s, c.as_left), c.certificate, c.standard)
            for c in g.calibrations
        ),
        right=(3, 4),
    )  # fmt: skip
    if page.checks:
        output.line()
        output.table(
            ("checked", "reference", "found", "tolerance", "verdict", "by", "remark"),
            (
                (s.moment(c.at_us), figure(s, c.reference), figure(s, c.found), figure(s, c.tolerance),
                 c.verdict, c.person, c.remark)
                for c in page.checks
            ),
            right=(1, 2, 3),
        )  # fmt: skip
    output.line()
    for study in page.studies:
        output.line(f"Study {study.number}, {study.kind}: {study.verdict or study.state}")
    if not page.studies:
        output.line("No study of this gauge is on record.")
    output.line(f"{len(page.lots)} lots measured since its last good calibration.")
    for doubt in page.doubts:
        _tell_doubt(s, doubt)


def list_in_doubt(
    code: Annotated[
        str | None, typer.Argument(metavar="[GAUGE]", help="Code of a gauge; all if left out.")
    ] = None,
    as_json: Json = False,
) -> None:
    """List the lots measured while a gauge was in doubt, and where each stands. Exit 1 where one is not settled."""
    from qualrec.work.gauges import in_doubt

    with session() as s:
        found = in_doubt(s, code)
        if as_json:
            output.json_out(found)
        elif not found:
            output.line("No gauge is or was in doubt." if code is None else f"{code} was never in doubt.")
        else:
            for doubt in found:
                _tell_doubt(s, doubt)
    if any(doubt.open_lots for doubt in found):
        raise typer.Exit(int(ExitCode.BAD_ANSWER))


def _tell_doubt(s: Session, doubt: Doubt) -> None:
    since = s.moment(doubt.from_us) or "the beginning"
    until = s.moment(doubt.until_us) or "now"
    output.line()
    output.line(f"{doubt.gauge} in doubt from {since} to {until}: {doubt.why}")
    output.table(
        ("", "number", "part", "state", "made", "shipped", "to", "standing"),
        (
            (
                lot.kind,
                lot.number,
                lot.part,
                lot.state,
                s.moment(lot.at_us)[:10],
                lot.shipped or "",
                ", ".join(lot.customers),
                lot.standing,
            )
            for lot in doubt.lots
        ),
        right=(5,),
    )
