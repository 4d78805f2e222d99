"""One line made of parts, some of which can be clicked: the ground of the place bar, action line and status line."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

from rich.segment import Segment
from textual.events import Click
from textual.strip import Strip
from textual.widget import Widget

from qualrec.tui.labels import plain
from qualrec.tui.themes import is_ascii

LOOKS = ("plain", "strong", "here", "quiet", "good", "look", "bad")


@dataclass(frozen=True, slots=True)
class Part:
    """A piece of the line. Where room is short the part with the highest `rank` goes first."""

    text: str
    look: str = "plain"
    action: str = ""
    rank: int = 0
    close: bool = False
    """Joined to the part before with one blank instead of two."""


def fitted(parts: list[Part], width: int) -> list[Part]:
    """The parts that fit into `width` cells, the least important left out first."""
    kept = list(parts)
    while kept and sum(len(part.text) + (1 if part.close else 2) for part in kept) > width + 1:
        worst = max(range(len(kept)), key=lambda at: (kept[at].rank, at))
        rank, action = kept[worst].rank, kept[worst].action
        kept = (
            [p for p in kept if not (p.rank == rank and p.action == action and action)]
            if action
            else [p for at, p in enumerate(kept) if at != worst]
        )
    return kept


class PartsLine(Widget):
    """A line of parts. A subclass gives `parts()`."""

    COMPONENT_CLASSES: ClassVar[set[str]] = {f"part--{look}" for look in LOOKS}
    ALLOW_SELECT = False
    DEFAULT_CSS = """
    PartsLine {
        height: 1;
        background: $surface;
        color: $foreground;
        .part--plain { color: $foreground; background: $surface; }
        .part--strong { color: $foreground; background: $surface; text-style: bold; }
        .part--here { color: $here-text; background: $here-ground; text-style: bold; }
        .part--quiet { color: $tone-quiet; background: $surface; }
        .part--good { color: $tone-good; background: $surface; }
        .part--look { color: $tone-look; background: $surface; text-style: bold; }
        .part--bad { color: $tone-bad; background: $surface; text-style: bold; }
    }
    """

    def parts(self) -> list[Part]:
        raise NotImplementedError

    def _laid_out(self) -> list[tuple[int, Part]]:
        """Each part that fits, with the column where it starts."""
        placed: list[tuple[int, Part]] = []
        column = 0
        for part in fitted(self.parts(), self.size.width):
            column += 1 if part.close else (2 if placed else 1)
            placed.append((column, part))
            column += len(part.text)
        return placed

    def render_line(self, y: int) -> Strip:
        ascii_only = is_ascii(self)
        blank = self.get_component_rich_style("part--plain")
        segments: list[Segment] = []
        column = 0
        for start, part in self._laid_out() if y == 0 else ():
            style = self.get_component_rich_style(f"part--{part.look}")
            text = plain(part.text) if ascii_only else part.text
            segments += [Segment(" " * (start - column), blank), Segment(text, style)]
            column = start + len(part.text)
        return Strip(segments).adjust_cell_length(self.size.width, blank)

    async def on_click(self, event: Click) -> None:
        for start, part in self._laid_out():
            if part.action and start <= event.x < start + len(part.text):
                event.stop()
                await self.app.run_action(part.action, default_namespace=self.screen)
                return
