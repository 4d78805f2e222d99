"""An entry of the bench: its rows, and what was typed into them until it is stored."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

from qualrec.tui.widgets.forms import Field, Form, Option, Row, Understood

MODES = (
    Option("p", "parent material", "parent material", "A wall breaks away from the seam; the weld holds."),
    Option("c", "cohesive", "cohesive in the weld", "Torn melt layer on both faces."),
    Option(
        "t", "near-surface tear", "near-surface tear", "Fibres or skin pulled from a part beside the joint."
    ),
    Option("i", "interfacial", "interfacial", "Smooth faces, laser track visible: apart at the joint line."),
    Option("m", "mixed", "mixed", "Two or more side by side: give the shares of the joint area."),
    Option("x", "test fault", "test fault", "Grip or fixture slipped: no strength, a repeat is owed."),
)


@dataclass(frozen=True, slots=True)
class Typed:
    """One entry as it was completed; it is stored under `key` once, however often it is sent."""

    lot: str
    code: str
    text: str
    first: str | None
    mode: str | None
    shares: Any
    shares_text: str
    key: str

    def same(self, other: Typed | None) -> bool:
        return other is not None and replace(other, key=self.key) == self


@dataclass(frozen=True, slots=True)
class AskAgain:
    """The answer of a value that is far from what was usual."""

    sentence: str


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
    from qualrec.work.bench import read_shares

    shares = read_shares(text)
    return Understood(shares, "/".join(f"{s:g}" for s in shares.as_tuple()))
