"""Commands on lots, readings and flags."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from qualrec.cli import diagnostics, output
from qualrec.cli.context import session
from qualrec.errors import ExitCode, UsageError

Json = Annotated[bool, typer.Option("--json", help="Data as JSON on stdout.")]
LotName = Annotated[str, typer.Argument(metavar="LOT", help="Lot number.")]
Code = Annotated[str, typer.Argument(metavar="CHARACTERISTIC", help="Code of the characteristic, as PULL.")]
Reason = Annotated[str, typer.Option(help="Why, in words.")]


def add_to(app: typer.Typer) -> None:
    app.command("lots")(list_lots)
    app.command("lot")(show_lot)
    app.command("log", context_settings={"ignore_unknown_options": True})(log_readings)
    app.command("correct")(correct_reading)
    app.command("import")(import_file)
    app.command("flags")(list_flags)
    app.command("close-flag")(close_flag)
    app.command("dispose")(dispose_lot)
    app.command("event")(log_event)


def list_lots(
    state: Annotated[str | None, typer.Option(help="Only lots in this state, as 'on hold'.")] = None,
    part: Annotated[str | None, typer.Option(help="Only lots of this part number.")] = None,
    most: Annotated[int, typer.Option(help="How many, newest first.")] = 50,
    as_json: Json = False,
) -> None:
    """List lots, newest first."""
    from qualrec.records import lookups

    with session() as s, s.store.read() as conn:
        rows = lookups.lots_page(conn, state=state, part=part, limit=most)
        total = lookups.count_lots(conn, state=state, part=part)
    if as_json:
        output.json_out(rows)
        return
    output.table(
        ("lot", "part", "state", "welded", "recipe", "station", "readings", "flags H/R/I"),
        (
            (
                r.number,
                r.part_number,
                r.state,
                s.moment(r.started_us),
                r.recipe,
                r.station,
                r.readings,
                f"{r.open_holding}/{r.open_review}/{r.open_informing}",
            )
            for r in rows
        ),
        right=(6,),
    )
    if total > len(rows):
        diagnostics.say(f"{len(rows)} of {total} lots shown; --most {total} shows all.")


def show_lot(lot: LotName, as_json: Json = False) -> None:
    """Show one lot: materials, recipe, readings, flags, and what blocks its release. Exit 1 where it is on hold."""
    from qualrec.work import lots as work

    with session() as s:
        page = work.lot_page(s, lot)
        if as_json:
            output.json_out(page)
        else:
            from qualrec.cli import lot_text

            lot_text.print_page(s, page)
    if page.lot.state in ("on hold", "suspect, shipped"):
        raise typer.Exit(int(ExitCode.BAD_ANSWER))


def log_readings(
    lot: LotName,
    characteristic: Code,
    values: Annotated[list[str], typer.Argument(metavar="VALUE…", help="Values, as 612,4 or '0.61 kN'.")],
    mode: Annotated[
        list[str] | None,
        typer.Option(help="Failure mode of a pull; once for all values, or once for each."),
    ] = None,
    shares: Annotated[
        str | None,
        typer.Option(help="Mixed mode: % of the joint area interfacial/cohesive/tear/parent, as 0/60/10/30."),
    ] = None,
    stream: Annotated[str | None, typer.Option(help="Cavity or nest, as 'cavity 3'.")] = None,
    gauge: Annotated[str | None, typer.Option(help="Code of the gauge used.")] = None,
    serial: Annotated[list[str] | None, typer.Option(help="Serial number, once for each value.")] = None,
    again: Annotated[
        list[str] | None,
        typer.Option(help="An implausible value typed a second time, once for each such value."),
    ] = None,
    repeat_of: Annotated[
        int | None, typer.Option(help="Sample number of the test fault that the first value repeats.")
    ] = None,
    as_json: Json = False,
) -> None:
    """Log readings of a lot. Exit 1 where the lot is on hold afterwards."""
    from qualrec.work import bench

    with session() as s:
        done = bench.log_texts(
            s,
            lot,
            characteristic,
            values,
            modes=mode or [],
            shares=shares,
            stream=stream,
            gauge=gauge,
            serials=serial or [],
            again=again or [],
            repeat_of=repeat_of,
        )
        if as_json:
            output.json_out(done)
        else:
            from qualrec.cli import lot_text

            lot_text.print_logged(s, done)
    if done.state == "on hold":
        raise typer.Exit(int(ExitCode.BAD_ANSWER))


def correct_reading(
    lot: LotName,
    characteristic: Code,
    sample: Annotated[int, typer.Argument(help="Sample number of the reading.")],
    reason: Reason,
    value: Annotated[str | None, typer.Option(help="The right value.")] = None,
    mode: Annotated[str | None, typer.Option(help="The right failure mode.")] = None,
    void: Annotated[bool, typer.Option("--void", help="The reading does not count at all.")] = False,
    stream: Annotated[str | None, typer.Option(help="Cavity or nest; - is none of them.")] = None,
    second_badge: Annotated[
        str | None, typer.Option(help="Badge of the second person, asked where the verdict changes.")
    ] = None,
) -> None:
    """Correct or void one reading; the old value stays readable."""
    if sum((value is not None, mode is not None, void)) != 1:
        raise UsageError("Nothing or too much to correct.", "Give one of --value, --mode or --void.")
    from qualrec.cli import secret_entry
    from qualrec.work import corrections

    with session() as s:
        done = corrections.correct_text(
            s,
            lot,
            characteristic,
            sample,
            reason=reason,
            value=value,
            mode=mode,
            stream=stream,
            second_badge=second_badge,
            second_secret=secret_entry.of_second(s, second_badge),
        )
        output.line(done.sentence)


def import_file(
    file: Annotated[Path, typer.Argument(help="File of a tester, transmission meter or welding machine.")],
    profile: Annotated[
        str | None, typer.Option(help="Import profile; found by the file's heads if left out.")
    ] = None,
    part: Annotated[
        str | None, typer.Option(help="Part number, where lots in the file are to be opened.")
    ] = None,
    open_lots: Annotated[
        bool, typer.Option("--open-lots", help="Open lots that are in the file but not in the records.")
    ] = False,
    gauge: Annotated[
        list[str] | None, typer.Option(help="Code of a gauge used, where the records leave it open.")
    ] = None,
    dry_run: Annotated[bool, typer.Option("--dry-run", help="Check and preview; take nothing in.")] = False,
    as_json: Json = False,
) -> None:
    """Take a file in: all of it or nothing. A file given twice adds nothing. Exit 1 where it is refused."""
    from qualrec.work import intake

    with session() as s:
        done = intake.take_file(
            s,
            file,
            profile=profile,
            part=part,
            open_lots=open_lots,
            dry_run=dry_run,
            gauge=gauge or (),
            progress=diagnostics.say,
        )
        if as_json:
            output.json_out(done)
        else:
            for sentence in done.sentences:
                output.line(sentence)


def list_flags(
    part: Annotated[str | None, typer.Option(help="Only flags of this part number.")] = None,
    lot: Annotated[str | None, typer.Option(help="Only flags of this lot.")] = None,
    level: Annotated[str | None, typer.Option(help="H, R or I.")] = None,
    state: Annotated[str | None, typer.Option(help="open, acknowledged or closed.")] = None,
    as_json: Json = False,
) -> None:
    """List flags with their figures, rule, source and reaction plan."""
    from qualrec.records import lookups

    with session() as s, s.store.read() as conn:
        rows = lookups.flags(conn, part=part, lot=lot, level=level, state=state)
    if as_json:
        output.json_out(rows)
        return
    from qualrec.cli import lot_text

    for flag in rows:
        lot_text.print_flag(s, flag)
    diagnostics.say(f"{len(rows)} flags.")


def close_flag(
    flag: Annotated[int, typer.Argument(help="Number of the flag, as `qualrec flags` shows it.")],
    action: Annotated[str, typer.Option(help="What was found and done.")],
) -> None:
    """Close a flag with the action taken."""
    from qualrec.work import lots as work

    with session() as s:
        output.line(work.close_flag(s, s.full_id(flag), action))


def dispose_lot(
    lot: LotName,
    kind: Annotated[
        str,
        typer.Argument(help="release, hold, sort, rework, scrap, 'use as is' or 'return to supplier'."),
    ],
    reason: Reason,
    concession: Annotated[str | None, typer.Option(help="Reference of a concession.")] = None,
    quantity: Annotated[int | None, typer.Option(help="How many parts; all if left out.")] = None,
) -> None:
    """Decide about a lot. Release is refused while something blocks it; the refusal says what."""
    from qualrec.work import lots as work

    with session() as s:
        output.line(work.dispose(s, lot, kind, reason=reason, concession=concession, quantity=quantity))


def log_event(
    kind: Annotated[str, typer.Argument(help="Kind of event, as 'clamp glass cleaned'.")],
    at_station: Annotated[str | None, typer.Option("--at", help="Code of the station.")] = None,
    lot: Annotated[str | None, typer.Option(help="Lot number.")] = None,
    remark: Annotated[str, typer.Option(help="Remark.")] = "",
) -> None:
    """Log an event of a station or lot; it is drawn on the charts."""
    from qualrec.work import bench

    with session() as s:
        output.line(bench.log_event(s, kind, station=at_station, lot=lot, remark=remark))
