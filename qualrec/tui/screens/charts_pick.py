"""Sheets over the charts that ask what to look at: one of several ways, which characteristics, which saved view."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import ClassVar

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Vertical
from textual.events import Key
from textual.screen import ModalScreen
from textual.widgets import Input, OptionList, Static
from textual.widgets.option_list import Option

from qualrec.tui.labels import cut, plain
from qualrec.tui.screens.overlays import Overlay
from qualrec.tui.themes import is_ascii

ROOM = 70


@dataclass(frozen=True, slots=True)
class Offer:
    """One thing that can be picked: its id, its name, and words beside it."""

    id: str
    name: str
    words: str = ""


class PickSheet(Overlay):
    """A list of which one is picked; the one in use is marked."""

    def __init__(self, title: str, offers: Sequence[Offer], here: str) -> None:
        super().__init__()
        self.heading = title
        self.offers = tuple(offers)
        self.here = here

    def compose(self) -> ComposeResult:
        wide = max(len(offer.name) for offer in self.offers)
        lines = [
            f"{'>' if offer.id == self.here else ' '} {offer.name:<{wide}}  {offer.words}"
            for offer in self.offers
        ]
        with Vertical(id="sheet"):
            yield Static(f"{self.heading}   (Esc: as it is)", id="sheet-title", markup=False)
            yield OptionList(
                *(
                    Option(plain(cut(line, ROOM)) if is_ascii(self) else cut(line, ROOM), id=offer.id)
                    for line, offer in zip(lines, self.offers, strict=True)
                ),
                markup=False,
            )

    def on_mount(self) -> None:
        options = self.query_one(OptionList)
        options.highlighted = next((at for at, o in enumerate(self.offers) if o.id == self.here), 0)
        options.focus()

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        event.stop()
        self.dismiss(event.option.id or "")


class CodesSheet(ModalScreen["tuple[str, ...] | None"]):
    """Which characteristics stand over one axis: Space or a click marks, Enter shows them, in the order of the list."""

    BINDINGS: ClassVar[list[BindingType]] = [
        ("escape", "dismiss(None)", "Close"),
        Binding("space", "mark", "Mark", priority=True),
        Binding("enter", "show", "Show", priority=True),
    ]
    DEFAULT_CSS = """
    CodesSheet { align: center middle; background: $background 60%; }
    CodesSheet > #sheet {
        width: 76; max-width: 100%; height: auto; max-height: 100%;
        background: $surface; border: outer $tone-quiet; padding: 0 1;
    }
    .-ascii CodesSheet > #sheet { border: ascii $tone-quiet; }
    CodesSheet #sheet-title { text-style: bold; padding: 0 0 1 0; }
    CodesSheet OptionList { border: none; height: auto; max-height: 14; padding: 0; background: $surface; }
    CodesSheet OptionList:focus { border: none; }
    CodesSheet #why { color: $tone-bad; height: auto; }
    """

    def __init__(self, offers: Sequence[Offer], marked: Sequence[str], most: int) -> None:
        super().__init__()
        self.offers = tuple(offers)
        self.marked = set(marked)
        self.most = most

    def compose(self) -> ComposeResult:
        title = "On one axis of lots   (Space marks, Enter shows, Esc: as it is)"
        with Vertical(id="sheet"):
            yield Static(title, id="sheet-title", markup=False)
            yield OptionList(
                *(Option(self._text(o), id=f"c:{at}") for at, o in enumerate(self.offers)), markup=False
            )
            yield Static(id="why", markup=False)

    def _text(self, offer: Offer) -> str:
        text = cut(f"[{'x' if offer.id in self.marked else ' '}] {offer.id:<14} {offer.name}", ROOM)
        return plain(text) if is_ascii(self) else text

    def on_mount(self) -> None:
        options = self.query_one(OptionList)
        options.highlighted = 0
        options.focus()

    def action_mark(self) -> None:
        at = self.query_one(OptionList).highlighted
        if at is not None:
            self._turn(at)

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        event.stop()
        self._turn(event.option_index)

    def _turn(self, at: int) -> None:
        self.marked ^= {self.offers[at].id}
        self.query_one(OptionList).replace_option_prompt_at_index(at, self._text(self.offers[at]))
        self.query_one("#why", Static).update("")

    def action_show(self) -> None:
        codes = tuple(offer.id for offer in self.offers if offer.id in self.marked)
        if 0 < len(codes) <= self.most:
            self.dismiss(codes)
            return
        self.query_one("#why", Static).update(
            f"! Mark 1 to {self.most} characteristics; {len(codes)} are marked."
        )


@dataclass(frozen=True, slots=True)
class ViewAsked:
    """What is to be done about saved views: 'open', 'keep' or 'forget' the one of this name."""

    act: str
    name: str


class ViewsSheet(ModalScreen["ViewAsked | None"]):
    """The saved views, and a field to keep the present one under a name."""

    BINDINGS: ClassVar[list[BindingType]] = [("escape", "dismiss(None)", "Close")]
    DEFAULT_CSS = """
    ViewsSheet { align: center middle; background: $background 60%; }
    ViewsSheet > #sheet {
        width: 76; max-width: 100%; height: auto; max-height: 100%;
        background: $surface; border: outer $tone-quiet; padding: 0 1;
    }
    .-ascii ViewsSheet > #sheet { border: ascii $tone-quiet; }
    ViewsSheet #sheet-title { text-style: bold; }
    ViewsSheet Input { border: none; height: 1; padding: 0; background: $background; margin: 0 0 1 0; }
    ViewsSheet Input:focus, ViewsSheet OptionList:focus { border: none; }
    ViewsSheet OptionList { border: none; height: auto; max-height: 12; padding: 0; background: $surface; }
    """

    def __init__(self, offers: Sequence[Offer]) -> None:
        super().__init__()
        self.offers = tuple(offers)

    def compose(self) -> ComposeResult:
        with Vertical(id="sheet"):
            title = "Saved views   (Enter opens, Del forgets, Esc closes)"
            yield Static(title, id="sheet-title", markup=False)
            field = Input(placeholder="a name, to keep what is on the screen now", compact=True)
            field.cursor_blink = False
            yield field
            yield OptionList(
                *(Option(self._text(o), id=f"v:{at}") for at, o in enumerate(self.offers)), markup=False
            )
            if not self.offers:
                yield Static("No view is saved yet.", markup=False)

    def _text(self, offer: Offer) -> str:
        text = cut(f"{offer.name:<24} {offer.words}", ROOM)
        return plain(text) if is_ascii(self) else text

    def on_mount(self) -> None:
        if self.offers:
            options = self.query_one(OptionList)
            options.highlighted = 0
            options.focus()
        else:
            self.query_one(Input).focus()

    def on_key(self, event: Key) -> None:
        """Up from the list leads to the field, Down from the field to the list; Del forgets the view under the cursor."""
        options, field = self.query_one(OptionList), self.query_one(Input)
        if event.key == "down" and self.focused is field and self.offers:
            options.focus()
            event.stop()
        elif event.key == "delete" and self.focused is options and options.highlighted is not None:
            event.stop()
            self.dismiss(ViewAsked("forget", self.offers[options.highlighted].name))

    def on_input_submitted(self, event: Input.Submitted) -> None:
        event.stop()
        if event.value.strip():
            self.dismiss(ViewAsked("keep", event.value.strip()))

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        event.stop()
        self.dismiss(ViewAsked("open", self.offers[event.option_index].name))
