"""The instrument of this machine at the bench: what it sends fills the value; Enter and the failure mode are the person's."""

from __future__ import annotations

import threading
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

from textual.widgets import Input

from qualrec.tui.labels import Tone
from qualrec.tui.screens.base import PlaceScreen
from qualrec.tui.widgets.forms import Field

if TYPE_CHECKING:
    from qualrec.work.links import LineReading, LinkEvent, LinkQueue

LOOK_S = 0.15
MOST_HELD = 20


class LinkFeed:
    """Fills the field `value` of a bench with readings, one after the other as the field becomes empty.

    Made when the screen is mounted, closed when it goes. Without a link in the settings it does nothing. `lot_is_open` says
    whether there is something on the bench that a value belongs to.
    """

    def __init__(self, screen: PlaceScreen, lot_is_open: Callable[[], bool]) -> None:
        self._screen = screen
        self.lot_is_open = lot_is_open
        self.held: list[LineReading] = []
        """Readings that wait for an empty field."""
        self._queue: LinkQueue | None = None
        self._trouble = ""
        self._closed = False
        path = screen.program.settings.link
        if path:
            threading.Thread(target=self._open, args=(path,), name="bench link", daemon=True).start()
            screen.set_interval(LOOK_S, self.look)

    def _open(self, path: str) -> None:
        from qualrec.errors import QualrecError
        from qualrec.work.links import LinkQueue, load_link

        try:
            queue = LinkQueue(load_link(Path(path)))
        except QualrecError as error:
            self._trouble = str(error).replace("\n", " ")
            return
        queue.__enter__()
        self._queue = queue
        if self._closed:
            queue.close()

    def close(self) -> None:
        """Give the port back."""
        self._closed = True
        if self._queue is not None:
            self._queue.close()

    def look(self) -> None:
        """Take what has come, and fill the field where it is empty."""
        from qualrec.errors import QualrecError

        try:
            event = None if self._queue is None else self._queue.next()
        except QualrecError as error:
            self._trouble, event = str(error).replace("\n", " "), None
        if self._trouble:
            self._screen.say(f"! {self._trouble}", Tone.BAD)
            self._trouble = ""
        if event is not None:
            self._take(event)
        self._fill()

    def _take(self, event: LinkEvent) -> None:
        if event.reading is None:
            tone = Tone.GOOD if event.kind == "connected" else Tone.LOOK
            self._screen.say(event.message, tone)
        elif not self.lot_is_open():
            self._screen.say(f"! {event.message} came without a lot on the bench; it is not taken.", Tone.BAD)
        else:
            self.held = [*self.held, event.reading][-MOST_HELD:]

    def _fill(self) -> None:
        if not self.lot_is_open():
            self.held = []
        field, focused = self._screen.query_one("#value", Field), self._screen.focused
        if not self._screen.is_current or (
            isinstance(focused, Input) and focused is not field.entry and focused.value.strip()
        ):
            return  # something else is asked or being typed
        if not self.held or field.text.strip() or field.value is not None or field.first_text is not None:
            return
        reading = self.held.pop(0)
        field.text = reading.text
        field.start()
        more = f" {len(self.held)} more waiting." if self.held else ""
        self._screen.say(f"The instrument sent {reading.line}. {reading.note}{more}".rstrip(), Tone.GOOD)
