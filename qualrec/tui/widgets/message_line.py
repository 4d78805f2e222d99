"""A message that stays: sign, words, colour. Two lines at most; empty it takes no room."""

from __future__ import annotations

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
    """

    def __init__(self, *, id: str | None = None) -> None:
        super().__init__(id=id, markup=False)
        self.text = ""
        self.tone = Tone.QUIET

    def say(self, text: str, tone: Tone = Tone.QUIET) -> None:
        """Show `text` as it is; markup in it has no effect."""
        self.text, self.tone = text, tone
        self.update(plain(text) if is_ascii(self) else text)
        for other in Tone:
            self.set_class(other is tone, f"tone-{other}")
        self.set_class(bool(text), "-shown")
