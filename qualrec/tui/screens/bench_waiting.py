"""The list of lots that wait for tests. A scanner may be fired at it: what is typed goes to the field for lots."""

from __future__ import annotations

from collections.abc import Sequence

from textual.events import Key
from textual.widgets import OptionList
from textual.widgets.option_list import Option

from qualrec.tui.widgets.forms import Field


class WaitingList(OptionList):
    def show(self, options: Sequence[Option]) -> None:
        """Show other lines; the cursor stays on its lot."""
        texts = [str(option.prompt) for option in options]
        if texts == [str(option.prompt) for option in self.options]:
            return
        at = self.highlighted
        kept = None if at is None else self.get_option_at_index(at).id
        self.clear_options()
        self.add_options(options)
        found = [n for n, option in enumerate(options) if option.id == kept]
        if found:
            self.highlighted = found[0]

    def check_consume_key(self, key: str, character: str | None) -> bool:
        return character is not None and character.isprintable() and key != "space"

    def on_key(self, event: Key) -> None:
        if self.check_consume_key(event.key, event.character):
            event.stop()
            event.prevent_default()
            scan = self.screen.query_one("#scan", Field)
            scan.start()
            scan.take(event)
