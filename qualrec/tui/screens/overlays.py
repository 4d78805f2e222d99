"""What may lie over a place: the help, the list of places, the notice of too little room."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Vertical, VerticalScroll
from textual.content import Content
from textual.events import Key
from textual.geometry import Size
from textual.screen import ModalScreen
from textual.widgets import OptionList, Static
from textual.widgets.option_list import Option

from qualrec.tui.actions import Action, Place, keys_of
from qualrec.tui.labels import key_name

SMALLEST = Size(80, 24)


class Overlay(ModalScreen[str]):
    """A sheet over the place; Esc closes it with an empty answer."""

    BINDINGS: ClassVar[list[BindingType]] = [("escape,f1,f9", "dismiss('')", "Close")]


class Sheet(ModalScreen[dict[str, str]]):
    """A form over the place; Esc closes it with nothing filled in."""

    BINDINGS: ClassVar[list[BindingType]] = [("escape", "dismiss({})", "Close")]


class HelpSheet(Overlay):
    """Every action that can be done here, with all its keys, in groups."""

    def __init__(
        self,
        groups: Sequence[tuple[str, Sequence[Action]]],
        keymap: Mapping[str, str],
        cautions: Sequence[str],
    ) -> None:
        super().__init__()
        self.groups = groups
        self.keymap = keymap
        self.cautions = cautions

    def compose(self) -> ComposeResult:
        with Vertical(id="sheet"):
            yield Static("Help   (Esc closes)", id="sheet-title", markup=False)
            with VerticalScroll():
                yield Static(self.text(), markup=False)

    def text(self) -> str:
        lines: list[str] = []
        for title, actions in self.groups:
            lines.append(title)
            for action in actions:
                keys = ", ".join(key_name(key) for key in keys_of(action, self.keymap))
                lines.append(f"  {keys:<14} {action.help}")
            lines.append("")
        return "\n".join([*lines, *self.cautions])


class PlaceList(Overlay):
    """All places with the question each one answers; Enter, a click or the place's key goes there."""

    def __init__(self, places: Sequence[Place], here: str) -> None:
        super().__init__()
        self.places = places
        self.here = here

    def compose(self) -> ComposeResult:
        with Vertical(id="sheet"):
            yield Static("Go to   (Esc stays)", id="sheet-title", markup=False)
            yield OptionList(
                *(
                    Option(Content(f"{key_name(p.key)}  {p.label:<11} {p.question}"), id=p.id)
                    for p in self.places
                )
            )

    def on_mount(self) -> None:
        options = self.query_one(OptionList)
        here = [at for at, place in enumerate(self.places) if place.id == self.here]
        options.highlighted = here[0] if here else 0
        options.focus()

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        self.dismiss(event.option.id or "")

    def on_key(self, event: Key) -> None:
        for place in self.places:
            if event.key == place.key:
                event.stop()
                self.dismiss(place.id)


class SmallScreen(ModalScreen[None]):
    """Covers everything while the terminal is too small; what lies below keeps its state."""

    def compose(self) -> ComposeResult:
        yield Static(markup=False)

    def on_mount(self) -> None:
        self.tell(self.app.size)

    def tell(self, size: Size) -> None:
        self.query_one(Static).update(
            f"{size.width} x {size.height} is too small.\n"
            f"{SMALLEST.width} x {SMALLEST.height} is needed.\nNothing is lost: make the window larger."
        )
