"""A message that stays: sign, words, colour. Few lines at most; empty it takes no room, unless it keeps its line."""

from __future__ import annotations

from rich.cells import cell_len
from textual.widgets import Static

from qualrec.tui.labels import Tone, plain
from qualrec.tui.themes import is_ascii


class MessageLine(Static):
    DEFAULT_CSS = """
    MessageLine {
        height: auto;
        max-height: 3;
        padding: 0 1;
        display: none;
        background: $surface;
    }
    MessageLine.-shown { display: block; }
    MessageLine.-kept { display: block; min-height: 1; }
    """

    def __init__(self, *, id: str | None = None, kept: bool = False) -> None:
        super().__init__(id=id, markup=False)
        self.kept = kept
        self.set_class(kept, "-kept")
        self.text = ""
        self.tone = Tone.QUIET

    def say(self, text: str, tone: Tone = Tone.QUIET) -> None:
        """Show `text` as it is; markup in it has no effect."""
        self.text, self.tone = text, tone
        shown = plain(text) if is_ascii(self) else text
        self.update(shown, layout=not self._fits(shown))
        for other in Tone:
            self.set_class(other is tone, f"tone-{other}")
        if not self.kept:
            self.set_class(bool(text), "-shown")

    def _fits(self, text: str) -> bool:
        """Whether the line is drawn and `text` takes the same room, so that nothing has to be laid out anew."""
        return self.size.height == 1 and "\n" not in text and cell_len(text) <= self.content_size.width
