"""The entries that wait for the records and those that were refused."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from textual.app import ComposeResult
from textual.containers import Vertical
from textual.content import Content
from textual.events import Key
from textual.widgets import OptionList, Static
from textual.widgets.option_list import Option

from qualrec.tui.labels import plain
from qualrec.tui.screens.overlays import Overlay
from qualrec.tui.themes import is_ascii

if TYPE_CHECKING:
    from qualrec.work.queue import Kept


class KeptSheet(Overlay):
    """Enter (or a click) on a refused entry brings it back to the bench; Del puts it away. Answers 'take KEY', 'put KEY'."""

    DEFAULT_CSS = """
    KeptSheet > #sheet { width: 100; max-width: 96%; }
    KeptSheet OptionList { height: auto; max-height: 14; border: none; }
    """

    def __init__(
        self,
        waiting: Sequence[Kept],
        refused: Sequence[Kept],
        unreadable: Sequence[str],
        moment: Callable[[int], str],
    ) -> None:
        super().__init__()
        self.waiting = tuple(waiting)
        self.refused = tuple(refused)
        self.unreadable = tuple(unreadable)
        self.moment = moment

    def compose(self) -> ComposeResult:
        with Vertical(id="sheet"):
            title = "Entries kept on this machine   (Esc closes)"
            yield Static(self._words(title), id="sheet-title", markup=False)
            yield OptionList(*self._options())
            yield Static(
                self._words("Refused: Enter brings it back to the bench, Del puts it away; its file stays."),
                markup=False,
            )

    def _options(self) -> list[Option]:
        lines = [
            Option(Content(self._words(f"waits    {self.moment(k.at_us)}  {k.words}")), disabled=True)
            for k in self.waiting
        ]
        lines += [
            Option(
                Content(self._words(f"! refused  {self.moment(k.at_us)}  {k.words}\n    {k.refusal}")),
                id=k.key,
            )
            for k in self.refused
        ]
        lines += [Option(Content(f"cannot be read: {name}"), disabled=True) for name in self.unreadable]
        return lines or [Option(Content("Nothing waits."), disabled=True)]

    def on_mount(self) -> None:
        options = self.query_one(OptionList)
        options.focus()
        if self.refused:
            options.highlighted = len(self.waiting)

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        if event.option.id:
            self.dismiss(f"take {event.option.id}")

    def on_key(self, event: Key) -> None:
        options = self.query_one(OptionList)
        if event.key != "delete" or options.highlighted is None:
            return
        key = options.get_option_at_index(options.highlighted).id
        if key:
            event.stop()
            self.dismiss(f"put {key}")

    def _words(self, text: str) -> str:
        return plain(text) if is_ascii(self) else text
