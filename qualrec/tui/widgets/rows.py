"""What rows of a form have in common, and how a row tells a scanner from a hand."""

from __future__ import annotations

from typing import Any

from textual.containers import Vertical
from textual.events import Key
from textual.message import Message
from textual.timer import Timer
from textual.widget import Widget

from qualrec.config import Scanner

LABEL_WIDTH = 18
LEAST_SIGNS = 3
"""A label has at least so many signs."""
PREFIXED_S = 0.3
"""A label that was begun by its prefix goes on within this time."""


CONTROL_KEYS = {
    **{f"ctrl+{chr(96 + code)}": chr(code) for code in range(1, 27)},
    "ctrl+backslash": "\x1c",
    "ctrl+right_square_bracket": "\x1d",
    "ctrl+circumflex_accent": "\x1e",
    "ctrl+underscore": "\x1f",
    "enter": "\r",
    "tab": "\t",
}
"""Control characters by the names of the keys that they come as."""


def sign_of(event: Key) -> str:
    """The sign that a key stands for, control characters too; empty where it stands for none."""
    return CONTROL_KEYS.get(event.key) or event.character or ""


class Rows(Vertical):
    """What holds rows and leads from one to the next."""

    def move_on(self, row: Row) -> None:
        raise NotImplementedError


class Row(Widget):
    """A row of a form: takes keys in order, knows whether it is filled in."""

    class Accepted(Message):
        """The row holds an answer. `first_text` is the first entry where it had to be typed twice."""

        def __init__(self, row: Row, value: Any, text: str, first_text: str | None = None) -> None:
            super().__init__()
            self.row = row
            self.value = value
            self.text = text
            self.first_text = first_text

        @property
        def control(self) -> Row:
            return self.row

    class Scanned(Message):
        """A scanner sent a label while the row had the focus; the row took nothing of it."""

        def __init__(self, row: Row, label: str) -> None:
            super().__init__()
            self.row = row
            self.label = label

        @property
        def control(self) -> Row:
            return self.row

    value: Any = None
    """The answer; None while there is none."""

    def start(self) -> None:
        """Give the row the focus."""
        raise NotImplementedError

    def take(self, event: Key) -> None:
        """Take a key that came too late for the row before."""
        raise NotImplementedError

    def check(self) -> bool:
        """Whether the row is answered or need not be; tells what is wrong with it."""
        raise NotImplementedError

    def clear(self) -> None:
        raise NotImplementedError

    def accept(self, value: Any, text: str, first_text: str | None = None) -> None:
        """Take the answer, move on to the next row of the form, and tell the screen."""
        self.value = value
        self.post_message(self.Accepted(self, value, text, first_text))
        form = next((node for node in self.ancestors if isinstance(node, Rows)), None)
        if form is not None:
            form.move_on(self)


class Guarded(Row):
    """A row at which a scanner may be fired though it asks for something else.

    `holds_all`: every sign is held back for a moment, because it would act at once; else only what follows the prefix of
    the scanner. Signs that come faster than a hand types and end in Enter are a label, told by `Scanned`; any other are
    given back in their order.
    """

    holds_all = False

    def __init__(self, *, id: str | None = None, guard: bool = False) -> None:
        super().__init__(id=id)
        self.guard = guard
        self.held: list[Key] = []
        self._pause: Timer | None = None
        self._ended = -1.0
        """When a label ended by its suffix; the scanner may send an Enter behind it."""

    @property
    def scanner(self) -> Scanner:
        return getattr(getattr(self.app, "settings", None), "scanner", Scanner())

    def hold(self, event: Key) -> bool:
        """Whether the key is held back, or was the end of a label."""
        scanner = self.scanner
        if not self.guard:
            return False
        if not self.held:
            if event.key == "enter" and event.time - self._ended <= 2 * scanner.gap_ms / 1000:
                return True
            begins = bool(scanner.prefix) and sign_of(event) == scanner.prefix[0]
            if not begins and not (self.holds_all and scanner.gap_ms and event.is_printable):
                return False
        text = self._text()
        if event.key == "enter":
            self._end(scanner, text, event)
        else:
            self.held.append(event)
            text = self._text()
            if scanner.suffix and text.endswith(scanner.suffix) and self._is_label(scanner, text):
                self._ended = event.time
                self._end(scanner, text, None)
            else:
                self._wait(PREFIXED_S if self._prefixed(scanner) else scanner.gap_ms / 1000)
        return True

    def _text(self) -> str:
        return "".join(sign_of(key) for key in self.held)

    def _prefixed(self, scanner: Scanner) -> bool:
        return bool(scanner.prefix) and sign_of(self.held[0]) == scanner.prefix[0]

    def _is_label(self, scanner: Scanner, text: str) -> bool:
        if scanner.prefix:
            return text.startswith(scanner.prefix) and bool(scanner.label(text))
        return len(text) >= LEAST_SIGNS

    def _end(self, scanner: Scanner, text: str, enter: Key | None) -> None:
        if self._is_label(scanner, text):
            self._forget()
            self.post_message(self.Scanned(self, scanner.label(text)))
        else:
            self.give_back(enter)

    def _wait(self, seconds: float) -> None:
        if self._pause is not None:
            self._pause.stop()
        self._pause = self.set_timer(seconds, self._paused)

    def _paused(self) -> None:
        """The signs stopped without an Enter, unless keys still wait to be handed over."""
        if self.app.message_queue_size or self.screen.message_queue_size or self.message_queue_size:
            self._wait(0.01)
        else:
            self.give_back()

    def _forget(self) -> list[Key]:
        if self._pause is not None:
            self._pause.stop()
            self._pause = None
        keys, self.held = self.held, []
        return keys

    def give_back(self, last: Key | None = None) -> None:
        """Have the held keys act as typed, each on the row that has the focus then."""
        for key in (*self._forget(), *(() if last is None else (last,))):
            focused = self.screen.focused
            row = (
                next((node for node in focused.ancestors_with_self if isinstance(node, Row)), None)
                if focused
                else None
            )
            target = row or self
            if isinstance(target, Guarded):
                target.act(key)
            else:
                target.take(key)

    def take(self, event: Key) -> None:
        if not self.hold(event):
            self.act(event)

    def act(self, event: Key) -> None:
        """Do what a key that was typed by hand does."""
        raise NotImplementedError
