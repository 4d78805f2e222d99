"""The page of a shift on the screen: read it, leave a note, take over, write it to a file to be printed."""

from __future__ import annotations

from pathlib import Path
from typing import ClassVar

from textual.binding import BindingType

from qualrec.tui.screens.record_sheets import AskSheet
from qualrec.tui.screens.text_sheet import TextSheet
from qualrec.tui.widgets.forms import Field


class HandOverSheet(TextSheet):
    """Answers 'note' or 'take'; Esc answers nothing."""

    BINDINGS: ClassVar[list[BindingType]] = [
        ("n", "dismiss('note')", "Note"),
        ("t", "dismiss('take')", "Take over"),
        ("p", "write", "To a file"),
    ]

    def __init__(self, text: str) -> None:
        self.page = text
        super().__init__("N note to the next shift, T take over, P to a file", text.split("\n"))

    def action_write(self) -> None:
        """Write the page as a text file into the folder where the program was started."""
        day = self.page.split("\n")[1].split(" to ")[-1][:16].replace(" ", "-").replace(":", "")
        path = Path(f"hand-over-{day}.txt")
        try:
            path.write_text(self.page + "\n", encoding="utf-8")
        except OSError as error:
            self.replace_lines((f"! {path} cannot be written: {error.strerror}.", "", *self.lines))
            return
        self.replace_lines((f"Written to {path.absolute()}", "", *self.page.split("\n")))


def note_sheet() -> AskSheet:
    return AskSheet("Note to the next shift", (Field("Note", id="text", placeholder="what must be known"),))
