"""The sheet that asks for a few answers, shared by the record places, and a refusal in full."""

from __future__ import annotations

from collections.abc import Sequence

from textual.app import ComposeResult
from textual.containers import Vertical, VerticalScroll
from textual.widgets import Static

from qualrec.tui.labels import plain
from qualrec.tui.messages import Trouble
from qualrec.tui.screens.overlays import Sheet
from qualrec.tui.screens.text_sheet import TextSheet
from qualrec.tui.themes import is_ascii
from qualrec.tui.widgets.forms import Choice, Field, Form, Row


class AskSheet(Sheet):
    """Rows to fill in; answers are the texts of the fields and the values of the choices, by the rows' ids.

    `filled`: what stands in the fields and is picked of the choices at the start.
    """

    DEFAULT_CSS = """
    AskSheet > #sheet > VerticalScroll { height: auto; max-height: 18; }
    AskSheet #sheet-lead { height: auto; padding: 0 0 1 0; }
    """

    def __init__(
        self, title: str, rows: Sequence[Row], *, lead: str = "", filled: dict[str, str] | None = None
    ) -> None:
        super().__init__()
        self.sheet_title = title
        self.asked = tuple(rows)
        self.lead = lead
        self.filled = filled or {}

    def compose(self) -> ComposeResult:
        with Vertical(id="sheet"):
            yield Static(self._words(f"{self.sheet_title}   (Esc: leave)"), id="sheet-title", markup=False)
            if self.lead:
                yield Static(self._words(self.lead), id="sheet-lead", markup=False)
            with VerticalScroll(can_focus=False), Form():
                yield from self.asked

    def on_mount(self) -> None:
        for row in self.asked:
            if isinstance(row, Field) and row.id in self.filled:
                row.text = self.filled[row.id]
            elif isinstance(row, Choice) and row.id in self.filled:
                row.value = self.filled[row.id] or None
        self.query_one(Form).start()

    def on_form_complete(self, message: Form.Complete) -> None:
        message.stop()
        answers: dict[str, str] = {}
        for row in self.asked:
            if row.id is not None and isinstance(row, Field):
                answers[row.id] = row.text.strip()
            elif row.id is not None and isinstance(row, Choice):
                answers[row.id] = str(row.value or "")
        self.dismiss(answers)

    def _words(self, text: str) -> str:
        return plain(text) if is_ascii(self) else text


def refusal(title: str, trouble: Trouble) -> TextSheet:
    """A refusal in full, with what to do."""
    return TextSheet(title, (f"! {trouble.message}", "", trouble.remedy))
