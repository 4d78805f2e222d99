"""Where a lot came from and went to, what is contained of it, and what left the house of a lot that is suspect: in lines."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from qualrec.tui.labels import Tone, count
from qualrec.tui.widgets.pick_list import PickLine
from qualrec.tui.widgets.record_table import Cell

if TYPE_CHECKING:
    from qualrec.tui.screens.lot_page import SeenLot
    from qualrec.work.trace import Node

MOST_NODES = 120
"""Most lines of one direction of the tree; the command 'qualrec trace' lists all."""
SUSPECT = "suspect, shipped"


def keyed(title: str, lines: Sequence[PickLine]) -> list[PickLine]:
    """A heading with its lines; nothing where there are none."""
    return [PickLine("", (title,)), *lines] if lines else []


def alert_lines(seen: SeenLot) -> list[PickLine]:
    """What left the house of a lot that is suspect since, and whether its containment was begun."""
    lot = seen.page.lot
    if lot.state != SUSPECT:
        return []
    lines = []
    for at, sent in enumerate(lot.shipments):
        to = f"{sent.quantity} parts to {sent.customer or 'a customer not named'}"
        when = f"{seen.session.moment(sent.at_us)}, document {sent.document or 'none'}"
        detail = (Cell(f"! {to}", Tone.BAD), when, "Tell the customer and the person responsible.")
        lines.append(PickLine(f"alert:{at}", (Cell(f"! {to}, {when}", Tone.BAD),), detail))
    open_places = [c for c in seen.containments if c.state == "open"]
    if not seen.containments:
        text = Cell("! no containment is begun", Tone.BAD)
    else:
        done = len(seen.containments) - len(open_places)
        text = Cell(
            f"{count(len(open_places), 'place', 'places')} of containment open, {done} done", Tone.LOOK
        )
    return [*lines, PickLine("alert:places", (text,), (text.text,))]


def containment_lines(seen: SeenLot) -> list[PickLine]:
    """The places with suspect parts of the lot."""
    lines = []
    for place in seen.containments:
        number = seen.session.short_id(place.id)
        parts = "" if place.quantity is None else f", {place.quantity} parts"
        head = f"  {number}  {place.place}{parts}: {place.state}"
        detail = (
            head.strip(),
            f"begun {seen.session.moment(place.at_us)} by {place.person}",
            f"action: {place.action}",
            f"found: {place.result or 'nothing recorded yet'}",
        )
        tone = Tone.BAD if place.state == "open" else Tone.GOOD
        lines.append(PickLine(f"contained:{place.id}", (Cell(head, tone),), detail))
    return lines


def tree_lines(way: str, nodes: Sequence[Node]) -> list[PickLine]:
    """One direction of the genealogy, each thing under what it hangs on."""
    lines: list[PickLine] = []
    left = 0
    for depth, node in _walk(nodes, 1):
        if len(lines) >= MOST_NODES:
            left += 1
            continue
        said = f"  {node.text}" if node.text else ""
        parts = (f"{'  ' * depth}{node.kind} {node.name}", Cell(said, Tone.QUIET))
        held = count(len(node.children), "thing", "things")
        detail = (f"{node.kind} {node.name}", node.text, f"{held} below it" if node.children else "")
        lines.append(PickLine(f"{way}:{len(lines)}", parts, detail))
    if left:
        words = f"  {left} more; 'qualrec trace' lists all"
        lines.append(PickLine(f"{way}:more", (Cell(words, Tone.QUIET),), (words.strip(),)))
    return lines


def _walk(nodes: Sequence[Node], depth: int) -> Iterator[tuple[int, Node]]:
    for node in nodes:
        yield depth, node
        yield from _walk(node.children, depth + 1)
