"""An entry of the bench: its rows, and what was typed into them as it is kept until it is stored."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from qualrec.tui.widgets.forms import Field, Form, Option, Row, Understood

if TYPE_CHECKING:
    from qualrec.work.queue import Kept

MODES = (
    Option("p", "parent material", "parent material", "A wall breaks away from the seam; the weld holds."),
    Option("c", "cohesive", "cohesive in the weld", "Torn melt layer on both faces."),
    Option(
        "t", "near-surface tear", "near-surface tear", "Fibres or skin pulled from a part beside the joint."
    ),
    Option("i", "interfacial", "interfacial", "Smooth faces, laser track visible: apart at the joint line."),
    Option("m", "mixed", "mixed", "Two or more side by side: give the share of each."),
    Option("x", "test fault", "test fault", "Grip or fixture slipped: no strength, a repeat is owed."),
)


@dataclass(frozen=True, slots=True)
class AskAgain:
    """The answer of a value that is far from what was usual."""

    sentence: str


@dataclass(frozen=True, slots=True)
class Around:
    """What holds for an entry beside what was typed: gauge, cavity or nest, moisture state, hours since welding."""

    gauge: str = ""
    stream: str = ""
    moisture: str = ""
    hours: float | None = None


def row_of(message: Form.Complete, around: Around) -> dict[str, Any]:
    """The row of a kept entry, from the filled form. A value asked twice holds the first text and `again` the second."""
    values, texts = message.values, message.texts
    first = message.firsts.get("value")
    shares = values.get("shares")
    return {
        "text": texts["value"] if first is None else first,
        "again": None if first is None else texts["value"],
        "mode": values.get("mode"),
        "shares": None if shares is None else list(shares.as_tuple()),
        "shares_text": texts.get("shares", ""),
        "stream": around.stream,
        "moisture": around.moisture,
        "hours": around.hours,
    }


def last_text(kept: Kept) -> str:
    """What was typed last into the value of a kept entry."""
    row = kept.content["rows"][-1]
    return str(row.get("again") or row["text"])


class EntryForm(Form):
    """The rows of an entry: shares are asked for the mixed mode only."""

    def move_on(self, row: Row) -> None:
        if row.id == "mode":
            self.show_shares(row.value == "mixed")
        super().move_on(row)

    def show_shares(self, shown: bool) -> None:
        shares = self.query_one("#shares", Field)
        shares.display = shown
        if not shown:
            shares.clear()

    def clear(self) -> None:
        self.show_shares(False)
        super().clear()


def understand_shares(text: str) -> Understood:
    """Four shares; the echo tells what is still missing to 100 %."""
    from qualrec.work.bench import read_shares

    shares = read_shares(text)
    return Understood(shares, "/".join(f"{s:g}" for s in shares.as_tuple()))
