"""Commands for what begins on the line: deliveries, moulding lots, welded lots."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from qualrec.cli import diagnostics, output
from qualrec.cli.context import session
from qualrec.errors import ExitCode

if TYPE_CHECKING:
    from qualrec.work.opening import Opened
    from qualrec.work.session import Session

Json = Annotated[bool, typer.Option("--json", help="Data as JSON on stdout.")]
LotName = Annotated[str, typer.Argument(metavar="LOT", help="Lot number.")]
Recipe = Annotated[str, typer.Option(help="Recipe: its approved revision, or one by number as RC-2040/2.")]
Upper = Annotated[str, typer.Option(help="Moulding lot of the upper part.")]
Lower = Annotated[str, typer.Option(help="Moulding lot of the lower part.")]
Welder = Annotated[str, typer.Option("--at", help="Code of the welder; left out where there is one.")]
Clamp = Annotated[str, typer.Option("--clamp-tool", help="Code of the clamp tool.")]
Parts = Annotated[int | None, typer.Option("--parts", help="How many parts.")]
MOMENT = "as '2026-11-30 07:30' in the plant's zone; now if left out."


def add_to(app: typer.Typer) -> None:
    app.command("receive")(receive)
    app.command("mould")(mould)
    app.command("weld")(weld)
    app.command("go-on")(go_on)
    app.command("end")(end)
    app.command("supplies")(supplies)
    app.command("supply")(supply)


def receive(
    supplier_lot: Annotated[str, typer.Argument(metavar="SUPPLIER-LOT", help="Number on the label.")],
    material: Annotated[str, typer.Option(help="Code of the material.")],
    kind: Annotated[str, typer.Option(help="resin, masterbatch or regrind.")] = "resin",
    received: Annotated[str, typer.Option(help=f"When, {MOMENT}")] = "",
    expires: Annotated[str, typer.Option(help="Last good day, as 2027-11-30.")] = "",
) -> None:
    """Enter a delivery of a material."""
    from qualrec.work import opening

    with session() as s:
        output.line(opening.receive(s, supplier_lot, material, kind=kind, received=received, expires=expires))


def mould(
    number: Annotated[str, typer.Argument(metavar="MOULDING-LOT", help="Number on the label.")],
    component: Annotated[str, typer.Option(help="Number of the upper or lower part moulded.")],
    delivery: Annotated[
        list[str] | None,
        typer.Option(
            help="Supplier lot that went in, with its share in % where known: R-2701=70. May be repeated."
        ),
    ] = None,
    tool: Annotated[str, typer.Option(help="Code of the mould.")] = "",
    moulded: Annotated[str, typer.Option(help=f"When, {MOMENT}")] = "",
    expires: Annotated[str, typer.Option(help="Last good day, as 2027-11-30.")] = "",
) -> None:
    """Enter a moulding lot of an upper or lower part, with the deliveries that went in."""
    from qualrec.work import opening

    with session() as s:
        output.line(
            opening.mould(
                s, number, component, deliveries=delivery or [], tool=tool, moulded=moulded, expires=expires
            )
        )


def weld(
    lot: LotName,
    part: Annotated[str, typer.Option(help="Part number.")],
    recipe: Recipe = "",
    upper: Upper = "",
    lower: Lower = "",
    at_station: Welder = "",
    clamp_tool: Clamp = "",
    parts: Parts = None,
    began: Annotated[str, typer.Option(help=f"When welding began, {MOMENT}")] = "",
    as_json: Json = False,
) -> None:
    """Open a lot of welded parts; it then owes its samples. Exit 1 where it is on hold at once."""
    from qualrec.work import opening

    with session() as s:
        _show(
            s,
            opening.weld(
                s,
                lot,
                part,
                recipe=recipe,
                upper=upper,
                lower=lower,
                station=at_station,
                clamp_tool=clamp_tool,
                quantity=parts,
                began=began,
            ),
            as_json,
        )


def go_on(
    lot: LotName,
    recipe: Recipe = "",
    upper: Upper = "",
    lower: Lower = "",
    at_station: Annotated[str, typer.Option("--at", help="Code of the welder.")] = "",
    clamp_tool: Clamp = "",
    since: Annotated[str, typer.Option(help=f"Since when, {MOMENT}")] = "",
    as_json: Json = False,
) -> None:
    """Go on in a lot with another moulding lot, recipe, welder or clamp tool. Exit 1 where it is on hold."""
    from qualrec.work import opening

    with session() as s:
        _show(
            s,
            opening.change(
                s,
                lot,
                recipe=recipe,
                upper=upper,
                lower=lower,
                station=at_station,
                clamp_tool=clamp_tool,
                since=since,
            ),
            as_json,
        )


def end(
    lot: LotName,
    parts: Parts = None,
    ended: Annotated[str, typer.Option(help=f"When welding ended, {MOMENT}")] = "",
    as_json: Json = False,
) -> None:
    """End the welding of a lot. What it still owes holds its release. Exit 1 where it is on hold."""
    from qualrec.work import opening

    with session() as s:
        _show(s, opening.end(s, lot, quantity=parts, ended=ended), as_json)


def _show(s: Session, done: Opened, as_json: bool) -> None:
    if as_json:
        output.json_out(done)
    else:
        from qualrec.cli import lot_text

        for sentence in done.sentences:
            output.line(sentence)
        for flag in done.new_flags:
            lot_text.print_flag(s, flag)
    if done.held:
        raise typer.Exit(int(ExitCode.BAD_ANSWER))


def supplies(
    component: Annotated[str | None, typer.Option(help="Only moulding lots of this part.")] = None,
    most: Annotated[int, typer.Option(help="How many of each, newest first.")] = 50,
    as_json: Json = False,
) -> None:
    """List moulding lots with the deliveries that went in, and deliveries."""
    from qualrec.records import lookups

    with session() as s, s.store.read() as conn:
        moulded = lookups.moulding_lots_page(conn, component, limit=most)
        delivered = () if component else lookups.deliveries(conn)[:most]
        if as_json:
            output.json_out({"moulding_lots": moulded, "deliveries": delivered})
            return
        output.table(
            ("moulding lot", "component", "", "moulded", "state", "deliveries", "until"),
            (
                (
                    m.number,
                    m.component.number,
                    m.component.name,
                    s.moment(m.moulded_us),
                    m.state,
                    ", ".join(m.deliveries),
                    s.moment(m.expires_us)[:10],
                )
                for m in moulded
            ),
        )
        if delivered:
            output.line("")
            output.table(
                ("delivery", "material", "kind", "received", "state", "until"),
                (
                    (
                        d.supplier_lot,
                        d.material,
                        d.kind,
                        s.moment(d.received_us),
                        d.state,
                        s.moment(d.expires_us)[:10],
                    )
                    for d in delivered
                ),
            )
    if most in (len(moulded), len(delivered)):
        diagnostics.say(f"The newest {most} are shown; --most shows more.")


def supply(
    number: Annotated[str, typer.Argument(metavar="NUMBER", help="Moulding lot or delivery.")],
    state: Annotated[str, typer.Argument(help="accepted, 'on hold' or refused.")],
    reason: Annotated[str, typer.Option(help="Why, in words.")],
) -> None:
    """Accept, hold or refuse a moulding lot or delivery; the lots it went into are judged anew."""
    from qualrec.work import opening

    with session() as s:
        output.line(opening.decide_supply(s, number, state, reason=reason))
