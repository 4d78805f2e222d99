"""A list of lines that can be picked, and beside it everything about the picked one. In little room it stands below."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rich.segment import Segment
from rich.style import Style
from textual.app import ComposeResult
from textual.containers import Container, VerticalScroll
from textual.content import Content
from textual.events import Resize
from textual.message import Message
from textual.strip import Strip
from textual.widget import Widget
from textual.widgets import OptionList, Static
from textual.widgets.option_list import Option

from qualrec.tui.labels import plain
from qualrec.tui.themes import is_ascii
from qualrec.tui.widgets.record_table import Cell

WIDE = 108
"""From this width on the details stand on the right."""

Text = str | Cell


def content(widget: Widget, parts: Sequence[Text], between: str = "") -> Content:
    """Texts with their tones as one content; markup in them has no effect."""
    ascii_only = is_ascii(widget)
    colours = widget.app.theme_variables
    pieces: list[str | tuple[str, str]] = []
    for at, part in enumerate(parts):
        cell = part if isinstance(part, Cell) else Cell(part)
        text = (between if at else "") + cell.text
        shown = plain(text) if ascii_only else text
        pieces.append((shown, colours[f"tone-{cell.tone}"]) if cell.tone else shown)
    return Content.assemble(*pieces)


@dataclass(frozen=True, slots=True)
class PickLine:
    """A line by its parts. Without a key it is a heading. `detail`: the lines shown while it is picked."""

    key: str
    parts: Sequence[Text]
    detail: Sequence[Text] = ()


class DetailPane(VerticalScroll):
    """Everything about one thing, line by line; long lines go on below."""

    DEFAULT_CSS = """
    DetailPane { background: $surface; padding: 0 1; }
    DetailPane:focus { background-tint: $foreground 5%; }
    DetailPane > Static { height: auto; }
    """

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.lines: tuple[Text, ...] = ()

    def compose(self) -> ComposeResult:
        yield Static(markup=False)

    def show(self, lines: Sequence[Text]) -> None:
        if tuple(lines) == self.lines:
            return
        self.lines = tuple(lines)
        self.paint()
        self.scroll_home(animate=False)

    def paint(self) -> None:
        self.query_one(Static).update(content(self, self.lines, "\n"))

    def on_mount(self) -> None:
        self.app.theme_changed_signal.subscribe(self, lambda _: self.paint())

    @property
    def text(self) -> str:
        """The lines as text."""
        return "\n".join(line.text if isinstance(line, Cell) else line for line in self.lines)


class Beside(Container):
    """Two widgets, the second a `DetailPane`: next to each other where there is room, else one above the other."""

    DEFAULT_CSS = """
    Beside { layout: vertical; height: 1fr; }
    Beside > * { width: 1fr; height: 1fr; }
    Beside > DetailPane { height: 40%; min-height: 6; }
    Beside.-wide { layout: horizontal; }
    Beside.-wide > * { width: 3fr; height: 1fr; }
    Beside.-wide > DetailPane { width: 2fr; height: 1fr; margin-left: 1; }
    """

    def on_resize(self, event: Resize) -> None:
        self.set_class(event.size.width >= WIDE, "-wide")


class _Lines(OptionList):
    DEFAULT_CSS = """
    _Lines { border: none; padding: 0; background: $background; text-wrap: nowrap; text-overflow: clip; }
    _Lines:focus { border: none; background-tint: $foreground 0%; }
    _Lines > .option-list--option-disabled { color: $foreground; text-style: bold; }
    """

    def render_line(self, y: int) -> Strip:
        """The line under the cursor in the cursor's own colours: a tone would not be readable on them."""
        strip = super().render_line(y)
        at = self.highlighted
        if at is None or not any(s.style and s.style.meta.get("option") == at for s in strip):
            return strip
        cursor = self.get_visual_style("option-list--option", "option-list--option-highlighted").rich_style
        colours = Style(color=cursor.color, bgcolor=cursor.bgcolor)
        return Strip([Segment(s.text, (s.style or Style()) + colours) for s in strip], strip.cell_length)


class Picks(Beside):
    """The list and the details of the line under the cursor. Posts `Moved` (cursor) and `Chosen` (Enter, click)."""

    DEFAULT_CSS = """
    Picks > _Lines { height: auto; max-height: 60%; }
    Picks > DetailPane { height: 1fr; }
    Picks.-wide > _Lines { height: 1fr; max-height: 100%; }
    """

    class Moved(Message):
        """The cursor stands on another line."""

        def __init__(self, picks: Picks, key: str) -> None:
            super().__init__()
            self.picks = picks
            self.key = key

        @property
        def control(self) -> Picks:
            return self.picks

    class Chosen(Moved):
        """The line is to be opened."""

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id)
        self.lines: tuple[PickLine, ...] = ()

    def compose(self) -> ComposeResult:
        yield _Lines(markup=False)
        yield DetailPane()

    def on_mount(self) -> None:
        self.app.theme_changed_signal.subscribe(self, lambda _: self.show(self.lines))

    @property
    def list(self) -> OptionList:
        return self.query_one(_Lines)

    @property
    def line(self) -> PickLine | None:
        """The line under the cursor."""
        at = self.list.highlighted
        return None if at is None or at >= len(self.lines) else self.lines[at]

    @property
    def key(self) -> str:
        """The key under the cursor; empty where the list is."""
        return "" if self.line is None else self.line.key

    def show(self, lines: Sequence[PickLine]) -> None:
        """Show other lines; the cursor stays on its key, else on its place."""
        key, at = self.key, self.list.highlighted or 0
        self.lines = tuple(lines)
        self.list.clear_options()
        self.list.add_options(
            [Option(content(self, line.parts), id=line.key or None, disabled=not line.key) for line in lines]
        )
        if not self.go_to(key):
            open_lines = [n for n, line in enumerate(lines) if line.key]
            if open_lines:
                self.list.highlighted = next((n for n in open_lines if n >= at), open_lines[-1])
        self._tell()

    def go_to(self, key: str) -> bool:
        """Put the cursor on a key; False where no line has it."""
        found = [n for n, line in enumerate(self.lines) if line.key and line.key == key]
        if found:
            self.list.highlighted = found[0]
        return bool(found)

    def detail(self, lines: Sequence[Text]) -> None:
        """Show other details of the line under the cursor."""
        self.query_one(DetailPane).show(lines)

    def _tell(self) -> None:
        self.detail(() if self.line is None else self.line.detail)

    @property
    def text(self) -> str:
        """The lines as text."""
        return "\n".join(
            "".join(part.text if isinstance(part, Cell) else part for part in line.parts)
            for line in self.lines
        )

    def on_option_list_option_highlighted(self, event: OptionList.OptionHighlighted) -> None:
        event.stop()
        self._tell()
        if self.key:
            self.post_message(self.Moved(self, self.key))

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        event.stop()
        if event.option.id:
            self.post_message(self.Chosen(self, event.option.id))
