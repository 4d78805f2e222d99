"""The chain of evidence as a widget: a left edge that is whole, doubtful or broken, and a cursor on the links."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, ClassVar

from rich.segment import Segment
from textual.binding import Binding, BindingType
from textual.events import Click, Resize
from textual.message import Message
from textual.strip import Strip
from textual.widget import Widget

from qualrec.tui.labels import Tone, plain
from qualrec.tui.screens.capability_text import Line, chain_lines
from qualrec.tui.themes import is_ascii

if TYPE_CHECKING:
    from qualrec.judge.evidence import Link


class EvidenceChain(Widget, can_focus=True):
    """Six links from the gauge to the requirement. Up and down move, Enter or a double click opens what a link rests on."""

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("up", "move(-1)", "Link before", show=False),
        Binding("down", "move(1)", "Next link", show=False),
        Binding("enter", "open", "Open link", show=False),
    ]
    COMPONENT_CLASSES: ClassVar[set[str]] = {"chain--text", *(f"chain--{tone}" for tone in Tone)}
    ALLOW_SELECT = False
    DEFAULT_CSS = """
    EvidenceChain {
        width: 1fr; height: auto;
        .chain--text { color: $foreground; }
        .chain--good { color: $tone-good; text-style: bold; }
        .chain--look { color: $tone-look; text-style: bold; }
        .chain--bad { color: $tone-bad; text-style: bold; }
        .chain--quiet { color: $tone-quiet; }
    }
    """

    class Opened(Message):
        """What a link rests on is asked for."""

        def __init__(self, chain: EvidenceChain, name: str) -> None:
            super().__init__()
            self.chain = chain
            self.name = name

        @property
        def control(self) -> EvidenceChain:
            return self.chain

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.links: tuple[Link, ...] = ()
        self.selected = 0
        self.roomy = False

    def show(self, links: Sequence[Link], *, roomy: bool) -> None:
        """Draw the links; the cursor starts on the first that does not hold."""
        if tuple(links) != self.links:
            self.selected = next((at for at, link in enumerate(links) if link.answer != "yes"), 0)
        self.links, self.roomy = tuple(links), roomy
        self.refresh(layout=True)

    def _lines(self, width: int) -> tuple[list[Line], list[int]]:
        if not self.links:
            return [], []
        return chain_lines(self.links, self.selected, width, roomy=self.roomy, ascii_only=is_ascii(self))

    def get_content_height(self, container: object, viewport: object, width: int) -> int:
        return len(self._lines(width)[0])

    def render_line(self, y: int) -> Strip:
        width = self.size.width
        lines = self._lines(width)[0]
        ground = self.get_component_rich_style("chain--text")
        if y >= len(lines):
            return Strip.blank(width, ground)
        ascii_only = is_ascii(self)
        segments = []
        for text, tone in lines[y]:
            style = ground if tone is None else self.get_component_rich_style(f"chain--{tone}")
            segments.append(Segment(plain(text) if ascii_only else text, style))
        return Strip(segments).crop(0, width).adjust_cell_length(width, ground)

    def on_resize(self, event: Resize) -> None:
        self.refresh(layout=True)

    def action_move(self, by: int) -> None:
        if self.links:
            self.selected = min(len(self.links) - 1, max(0, self.selected + by))
            self.refresh(layout=True)

    def action_open(self) -> None:
        if self.links:
            self.post_message(self.Opened(self, self.links[self.selected].name))

    def on_click(self, event: Click) -> None:
        owners = self._lines(self.size.width)[1]
        if event.y < len(owners) and owners[event.y] >= 0:
            self.selected = owners[event.y]
            self.refresh(layout=True)
            if event.chain == 2:
                self.action_open()
