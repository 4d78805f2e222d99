"""Shows grids of `plot_canvas` in the theme's colours; the ground of the chart and of the pictures beside it."""

from __future__ import annotations

from typing import ClassVar

from rich.segment import Segment
from rich.style import Style
from textual.events import Resize
from textual.strip import Strip
from textual.widget import Widget

from qualrec.tui.labels import cut, plain
from qualrec.tui.themes import is_ascii
from qualrec.tui.widgets.plot_canvas import Grid, Role


def look_of(role: Role) -> str:
    """The style class of a role."""
    return f"plot--{role.name.lower().replace('_', '-')}"


class GridView(Widget):
    """A widget whose lines are drawn once and kept until `redraw`. A subclass gives `drawn`."""

    COMPONENT_CLASSES: ClassVar[set[str]] = {look_of(role) for role in Role}
    ALLOW_SELECT = False
    DEFAULT_CSS = """
    GridView {
        height: 1fr;
        width: 1fr;
        .plot--blank { color: $foreground; }
        .plot--axis { color: $tone-quiet; }
        .plot--name { color: $foreground; }
        .plot--line { color: $tone-quiet; }
        .plot--limit { color: $tone-note; }
        .plot--centre { color: $tone-note; }
        .plot--spec { color: $tone-look; }
        .plot--event { color: $tone-quiet; }
        .plot--version { color: $tone-note; text-style: bold; }
        .plot--point { color: $foreground; }
        .plot--corrected { color: $tone-look; text-style: bold; }
        .plot--left-out { color: $tone-quiet; text-style: bold; }
        .plot--low { color: $tone-bad; text-style: bold; }
        .plot--high { color: $tone-bad; text-style: bold; }
        .plot--hold { color: $tone-bad; text-style: bold; }
        .plot--several { color: $tone-bad; text-style: bold; }
        .plot--bar { color: $tone-good; }
        .plot--outside { color: $tone-bad; }
        .plot--curve { color: $foreground; text-style: bold; }
        .plot--requirement { color: $tone-look; text-style: bold; }
        .plot--group-1 { color: $tone-good; text-style: bold; }
        .plot--group-2 { color: $tone-look; text-style: bold; }
        .plot--group-3 { color: $tone-note; text-style: bold; }
        .plot--group-4 { color: $foreground; text-style: bold; }
        .plot--group-5 { color: $tone-good; }
        .plot--group-6 { color: $tone-look; }
        .plot--group-7 { color: $tone-note; }
        .plot--group-rest { color: $tone-quiet; }
    }
    """

    def __init__(self, *, id: str | None = None, classes: str | None = None) -> None:
        super().__init__(id=id, classes=classes)
        self._strips: list[Strip] | None = None

    def drawn(self, width: int, height: int) -> list[Strip]:
        """The lines of the widget."""
        raise NotImplementedError

    @property
    def ascii_only(self) -> bool:
        return is_ascii(self)

    def redraw(self) -> None:
        self._strips = None
        self.refresh()

    def notify_style_update(self) -> None:
        super().notify_style_update()
        self._strips = None

    def on_resize(self, event: Resize) -> None:
        self.redraw()

    def render_line(self, y: int) -> Strip:
        width, height = self.size
        if self._strips is None:
            ground = self.rich_style
            self._strips = [strip.adjust_cell_length(width, ground) for strip in self.drawn(width, height)]
        return self._strips[y] if y < len(self._strips) else Strip.blank(width, self.rich_style)

    def style_of(self, role: Role) -> Style:
        return self.get_component_rich_style(look_of(role))

    def strips_of(self, grid: Grid) -> list[Strip]:
        """A grid in colours; the cell under the cursor is shown reversed."""
        styles = {role: self.style_of(role) for role in Role}
        strips = []
        for row in range(len(grid.lines)):
            segments = [Segment(text, styles[role]) for text, role in grid.runs(row)]
            strip = Strip(segments, len(grid.lines[row]))
            if grid.cursor is not None and grid.cursor[1] == row:
                x = grid.cursor[0]
                before, cell, after = strip.divide([x, x + 1, strip.cell_length])
                strip = Strip.join([before, cell.apply_style(Style(reverse=True)), after])
            strips.append(strip)
        return strips

    def text_strip(self, text: str, width: int, role: Role = Role.NAME) -> Strip:
        """One line of text, cut to the width."""
        shown = plain(text) if self.ascii_only else text
        return Strip([Segment(cut(shown, width, self.ascii_only), self.style_of(role))])
