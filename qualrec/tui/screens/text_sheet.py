"""A sheet of text over a place, to be read and closed."""

from __future__ import annotations

from collections.abc import Sequence

from textual.app import ComposeResult
from textual.containers import Vertical, VerticalScroll
from textual.widgets import Static

from qualrec.tui.labels import plain
from qualrec.tui.screens.overlays import Overlay
from qualrec.tui.themes import is_ascii


class TextSheet(Overlay):
    """Lines under a title; the arrows and paging keys scroll them."""

    DEFAULT_CSS = """
    TextSheet VerticalScroll { height: auto; max-height: 1fr; }
    TextSheet > #sheet { width: 92; }
    """

    def __init__(self, title: str, lines: Sequence[str]) -> None:
        super().__init__()
        self.heading = title
        self.lines = tuple(lines)

    def compose(self) -> ComposeResult:
        with Vertical(id="sheet"):
            yield Static(self._text(f"{self.heading}   (Esc closes)"), id="sheet-title", markup=False)
            with VerticalScroll():
                yield Static(self._text("\n".join(self.lines)), id="sheet-text", markup=False)

    def on_mount(self) -> None:
        self.query_one(VerticalScroll).focus()

    def replace_lines(self, lines: Sequence[str]) -> None:
        """Show other lines, for instance when something has been computed meanwhile."""
        self.lines = tuple(lines)
        self.query_one("#sheet-text", Static).update(self._text("\n".join(lines)))

    def _text(self, text: str) -> str:
        return plain(text) if is_ascii(self) else text
