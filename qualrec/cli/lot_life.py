"""Commands on what becomes of lots: concessions, shipments, containment, retention."""

from __future__ import annotations

from typing import Annotated

import typer

from qualrec.cli import output
from qualrec.cli.context import session
from qualrec.errors import ExitCode

Json = Annotated[bool, typer.Option("--json", help="Data as JSON on stdout.")]
LotName = Annotated[str, typer.Argument(metavar="LOT", help="Lot number.")]
Number = Annotated[int, typer.Argument(metavar="NUMBER", help="Number as `containment list` shows it.")]


def add_to(app: typer.Typer) -> None:
    app.command("concession")(give_concession)
    app.command("ship")(ship)
    group = typer.Typer(
        help="Places where suspect parts may lie, and what was found there.",
        no_args_is_help=True,
        rich_markup_mode=None,
    )
    group.command("start")(start_containment)
    group.command("add")(add_containment)
    group.command("close")(close_containment)
    group.command("list")(list_containment)
    app.add_typer(group, name="containment")


def give_concession(
    lot: LotName,
    reference: Annotated[str, typer.Argument(help="The customer's reference.")],
    reason: Annotated[str, typer.Option(help="Why, in words.")],
    parts: Annotated[int | None, typer.Option(help="How many parts it covers.")] = None,
    until: Annotated[str | None, typer.Option(help="Last day on which it holds, as 2026-11-30.")] = None,
) -> None:
    """Record a customer's concession for a lot, signed; `dispose LOT 'use as is'` then uses it."""
    from qualrec.work import lots
    from qualrec.work.days import end_of_day

    with session() as s:
        until_us = None if until is None else end_of_day(s, until)
        output.line(lots.give_concession(s, lot, reference, reason=reason, quantity=parts, until_us=until_us))


def ship(
    lot: LotName,
    parts: Annotated[int | None, typer.Option(help="How many; all that may leave if left out.")] = None,
    document: Annotated[str, typer.Option(help="Delivery note.")] = "",
    customer: Annotated[str | None, typer.Option(help="Code of the customer, if not the part's own.")] = None,
    concession: Annotated[
        str | None, typer.Option(help="Reference of the concession that the parts leave under.")
    ] = None,
) -> None:
    """Record that parts of a released lot leave the house."""
    from qualrec.work import lot_life

    with session() as s:
        output.line(
            lot_life.ship(s, lot, quantity=parts, document=document, customer=customer, concession=concession)
        )


def start_containment(lot: LotName, action: Annotated[str, typer.Option(help="What is done there.")]) -> None:
    """Put every place of a lot on the list: in the house, each shipment, each child lot."""
    from qualrec.work import containment

    with session() as s:
        for sentence in containment.start(s, lot, action):
            output.line(sentence)


def add_containment(
    place: Annotated[str, typer.Argument(help="Where, as 'customer, line 3'.")],
    action: Annotated[str, typer.Option(help="What is done there.")],
    lot: Annotated[str | None, typer.Option(help="Lot number.")] = None,
    parts: Annotated[int | None, typer.Option(help="How many parts lie there.")] = None,
) -> None:
    """Put one place on the list."""
    from qualrec.work import containment

    with session() as s:
        output.line(containment.add(s, place, action, lot=lot, quantity=parts))


def close_containment(
    number: Number, result: Annotated[str, typer.Option(help="What was found and done.")]
) -> None:
    """Record what was found at a place."""
    from qualrec.work import containment

    with session() as s:
        output.line(containment.close(s, s.full_id(number), result))


def list_containment(
    lot: Annotated[str | None, typer.Option(help="Only places of this lot.")] = None, as_json: Json = False
) -> None:
    """List places, open ones first. Exit 1 where one is open."""
    from qualrec.records import lookups

    with session() as s, s.store.read() as conn:
        rows = lookups.containments(conn, lot=lot)
        if as_json:
            output.json_out(rows)
        else:
            output.table(
                ("", "state", "place", "lot", "parts", "action", "result", "since", "by"),
                (
                    (
                        s.short_id(r.id),
                        r.state,
                        r.place,
                        r.lot_number,
                        r.quantity,
                        r.action,
                        r.result,
                        s.moment(r.at_us),
                        r.person,
                    )
                    for r in rows
                ),
                right=(0, 4),
            )
    if any(r.state == "open" for r in rows):
        raise typer.Exit(int(ExitCode.BAD_ANSWER))
