"""The command that traces one thing to everything that it came from and everything that it touched."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from qualrec.cli import output
from qualrec.cli.context import session
from qualrec.errors import UsageError

if TYPE_CHECKING:
    from qualrec.work.trace import Node, Trace


def add_to(app: typer.Typer) -> None:
    app.command("trace")(trace_thing)


def trace_thing(
    serial: Annotated[str | None, typer.Option(help="Serial number of a welded part.")] = None,
    lot: Annotated[str | None, typer.Option(help="Lot.")] = None,
    moulding_lot: Annotated[str | None, typer.Option(help="Moulding lot.")] = None,
    delivery: Annotated[str | None, typer.Option(help="Supplier's lot number of a delivery.")] = None,
    material: Annotated[
        str | None, typer.Option(help="Material of the delivery, where two share a number.")
    ] = None,
    gauge: Annotated[str | None, typer.Option(help="Gauge.")] = None,
    since_good: Annotated[
        bool, typer.Option("--since-good", help="With --gauge: only after its last good calibration.")
    ] = False,
    recipe: Annotated[str | None, typer.Option(help="Recipe revision, as RC-2040/2.")] = None,
    at_station: Annotated[str | None, typer.Option("--at", help="Station.")] = None,
    clamp_tool: Annotated[str | None, typer.Option(help="Clamp tool.")] = None,
    since: Annotated[
        str | None, typer.Option("--from", help="First day, or moment, as '2026-11-01 07:30'.")
    ] = None,
    until: Annotated[str | None, typer.Option(help="Last day, as 2026-11-30.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Data as JSON on stdout.")] = False,
) -> None:
    """Trace one thing both ways: what it came from, and every lot, shipment and child lot that it touched."""
    from qualrec.work import trace
    from qualrec.work.days import end_of_day, moment_of

    named = {
        "serial": serial,
        "lot": lot,
        "moulding lot": moulding_lot,
        "delivery": delivery,
        "gauge": gauge,
        "recipe": recipe,
        "station": at_station,
        "clamp tool": clamp_tool,
    }
    given = [(kind, name) for kind, name in named.items() if name is not None]
    if len(given) > 1:
        raise UsageError("Several things are named.", "Trace one of them at a time.")
    kind, name = given[0] if given else ("time", "")
    with session() as s:
        asked = trace.Asked(
            kind,
            name or "",
            None if since is None else moment_of(s, since),
            None if until is None else end_of_day(s, until),
            material,
            since_good,
        )
        found = trace.trace(s, asked)
    if as_json:
        output.json_out(found)
    else:
        _print(found)


def _print(found: Trace) -> None:
    _tree(found.thing, 0)
    for head, nodes in (("came from", found.came_from), ("went to", found.went_to)):
        if nodes:
            output.line(f"  {head}")
            for node in nodes:
                _tree(node, 2)
    for sentence in found.sentences:
        output.line(sentence)


def _tree(node: Node, depth: int) -> None:
    text = f": {node.text}" if node.text else ""
    output.line(f"{'  ' * depth}{node.kind} {node.name}{text}")
    for child in node.children:
        _tree(child, depth + 1)
