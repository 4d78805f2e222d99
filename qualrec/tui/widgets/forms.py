"""Rows to fill in: plain fields with an echo of what was understood, and the form that leads through rows.

Made for scanners, gloves and both decimal marks: Enter ends a field, nothing is guessed by the field itself (the
caller's `understand` reads the text), and keys that a scanner sends right behind an Enter reach
the next row in their order.
"""

from __future__ import annotations

from asyncio import sleep
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from textual.app import ComposeResult
from textual.containers import Horizontal
from textual.events import Key
from textual.geometry import Size
from textual.message import Message
from textual.reactive import reactive
from textual.widgets import Input, Static

from qualrec.errors import QualrecError
from qualrec.tui.labels import Tone, plain
from qualrec.tui.themes import is_ascii
from qualrec.tui.widgets.choice import Choice, Option
from qualrec.tui.widgets.message_line import MessageLine
from qualrec.tui.widgets.rows import LABEL_WIDTH, LEAST_SIGNS, Guarded, Row, Rows

__all__ = ["Choice", "Entry", "Field", "Form", "Option", "Row", "Understood", "as_text"]


@dataclass(frozen=True, slots=True)
class Understood:
    """What a field's text means, and the words in which the screen says so ('1234.5 N')."""

    value: Any
    echo: str = ""


Understand = Callable[[str], Understood]


def as_text(text: str) -> Understood:
    """The text itself without blanks at its ends; an identifier keeps its case and its leading zeros."""
    return Understood(text.strip())


class Entry(Input):
    """The one-line input of a field. Enter and Tab act at once, so that no key overtakes them.

    Its room is fixed, so a key does not have the screen laid out anew.
    """

    virtual_size = reactive(Size(0, 0))

    def __init__(self, row: Field, *, secret: bool, placeholder: str) -> None:
        super().__init__(password=secret, placeholder=placeholder, compact=True, select_on_focus=False)
        self.row = row
        self.cursor_blink = False
        self.before: Entry | None = None
        """The entry that handed the focus over; its late keys go first."""
        self.burst = ""
        """The signs typed last, each faster than a hand types."""
        self._typed = -1.0

    async def _on_key(self, event: Key) -> None:
        if self.screen.focused is not self:
            event.stop()
            event.prevent_default()
            target = self.screen.focused
            row = (
                next((node for node in target.ancestors_with_self if isinstance(node, Row)), None)
                if target
                else None
            )
            if row is not None:
                row.take(event)
            return
        while self.before is not None and self.before.is_running and self.before.message_queue_size:
            await sleep(0)
        if self.row.hold(event) or self._label_ended(event):
            event.stop()
            event.prevent_default()
        elif event.key in ("enter", "tab"):
            event.stop()
            event.prevent_default()
            self.take(event)

    def _label_ended(self, event: Key) -> bool:
        """Whether an Enter ends a label that a scanner without prefix sent into a field that asks for a figure.

        A label begins with a letter; what begins as a figure is one, as a gauge with a keyboard plug sends it.
        """
        scanner = self.row.scanner
        if not self.row.guard or scanner.prefix or not scanner.gap_ms:
            return False
        fast = event.time - self._typed <= scanner.gap_ms / 1000
        if event.key != "enter":
            self._typed = event.time
            self.burst = (self.burst if fast else "") + (event.character or "" if event.is_printable else "")
            return False
        burst, self.burst = self.burst, ""
        if not fast or len(burst) < LEAST_SIGNS or not burst[0].isalpha() or not self.value.endswith(burst):
            return False
        self.value = self.value.removesuffix(burst)
        self.cursor_position = len(self.value)
        self.row.post_message(Row.Scanned(self.row, scanner.label(burst)))
        return True

    def take(self, event: Key) -> None:
        """Act on a key at once."""
        if event.key == "enter":
            self.row.submit()
        elif event.key == "tab":
            self.screen.focus_next()
        elif event.key == "backspace":
            self.action_delete_left()
        elif event.is_printable and event.character is not None:
            self.insert_text_at_cursor(event.character)


class Field(Guarded):
    """A label, an entry, a unit; below it the echo or what is wrong.

    `understand` gets the text and returns what it means, or raises a QualrecError whose words are shown. It runs
    at every change, so it must be quick. An empty field is accepted only if not `required`, with value None. With
    `keep_echo` the line of the echo is there always, so that nothing moves while the field is typed into. With `guard`
    a label that a scanner sends into it is told by `Scanned`: see `Guarded`.
    """

    DEFAULT_CSS = """
    Field { height: auto; layout: vertical; }
    Field > Horizontal { height: 1; }
    Field .field-label { width: 20; }
    Field .field-unit { width: auto; padding: 0 1; color: $tone-quiet; }
    Field Entry { width: 1fr; max-width: 44; height: 1; border: none; padding: 0 1; background: $surface; }
    Field Entry:focus { background: $surface; text-style: bold; border: none; }
    Field .field-echo { height: auto; margin-left: 20; padding: 0 1; background: $background; }
    """

    def __init__(
        self,
        label: str,
        *,
        id: str | None = None,
        unit: str = "",
        understand: Understand = as_text,
        required: bool = True,
        secret: bool = False,
        placeholder: str = "",
        keep_echo: bool = False,
        guard: bool = False,
    ) -> None:
        super().__init__(id=id, guard=guard)
        self.label = label
        self.keep_echo = keep_echo
        self.unit = unit
        self.understand = understand
        self.required = required
        self.entry = Entry(self, secret=secret, placeholder=placeholder)
        self.first_text: str | None = None
        self.before: str | None = None
        """The first entry of what was accepted, where it was typed twice."""
        self.problem = ""
        self.told_of = ""
        """The text that the problem was said of."""

    def compose(self) -> ComposeResult:
        with Horizontal():
            yield Static(self._label(), classes="field-label", markup=False)
            yield self.entry
            yield Static(self.unit, classes="field-unit", markup=False)
        yield MessageLine(kept=self.keep_echo)

    def on_mount(self) -> None:
        self.query_one(MessageLine).add_class("field-echo")

    @property
    def text(self) -> str:
        return self.entry.value

    @text.setter
    def text(self, text: str) -> None:
        self.entry.value = text
        self.entry.cursor_position = len(text)

    def rename(self, label: str, unit: str) -> None:
        """Ask for something else from now on."""
        self.label, self.unit = label, unit
        self._mark(self.entry.has_focus)
        self.query_one(".field-unit", Static).update(plain(unit) if is_ascii(self) else unit)

    def start(self) -> None:
        focused = self.screen.focused
        if focused is not self.entry:
            self.entry.before = focused if isinstance(focused, Entry) else None
        self.screen.set_focus(self.entry)

    def act(self, event: Key) -> None:
        self.entry.take(event)

    def again(self, prompt: str) -> None:
        """Have the value typed a second time without sight of the first; both come with `Accepted`."""
        self.first_text, self.value = self.text, None
        self.text = ""
        self._say(prompt, Tone.LOOK)
        self.start()

    def tell(self, problem: str) -> None:
        """Say what is wrong with the entry."""
        self.problem = problem
        self.told_of = self.text
        self._say(f"! {problem}", Tone.BAD)

    def clear(self) -> None:
        self._forget()
        self.first_text, self.before, self.value, self.problem = None, None, None, ""
        self.text = ""
        self._say("")

    def check(self) -> bool:
        text = self.text
        if not text.strip():
            self.value = None
            if self.required:
                self.tell(f"{self.label} is missing.")
            return not self.required
        try:
            self.value = self.understand(text).value
        except QualrecError as error:
            self.value = None
            self.tell(f"{error.message} {error.remedy}".rstrip())
            return False
        self.problem = ""
        return True

    def submit(self) -> None:
        """End the entry: accept it or say why not. What a scanner sends around a label is taken off."""
        scanner = self.scanner
        if scanner.prefix and self.text.startswith(scanner.prefix):
            self.text = scanner.label(self.text)
        if not self.check():
            self.app.bell()
            return
        self.before, self.first_text = self.first_text, None
        self.accept(self.value, self.text, self.before)

    def on_input_changed(self, event: Input.Changed) -> None:
        event.stop()
        if self.problem and self.text == self.told_of:
            return  # a change from before the refusal, which fast typing brings after it
        self.problem = ""
        if self.first_text is not None:
            return
        try:
            understood = self.understand(event.value) if event.value.strip() else Understood(None)
        except QualrecError:
            understood = Understood(None)
        self._say(f"= {understood.echo}" if understood.echo else "")

    def on_descendant_focus(self) -> None:
        self._mark(True)

    def on_descendant_blur(self) -> None:
        self._mark(False)

    def _mark(self, here: bool) -> None:
        self.query_one(".field-label", Static).update(self._label(here))

    def _label(self, here: bool = False) -> str:
        sign = (">" if is_ascii(self) else "▸") if here else " "
        return f"{sign} {self.label[: LABEL_WIDTH - 1]}"

    def _say(self, text: str, tone: Tone = Tone.QUIET) -> None:
        self.query_one(MessageLine).say(text, tone)


class Form(Rows):
    """Rows filled in one after the other. Posts `Form.Complete` when the last one is answered and all hold.

    With `renews` it is empty again at that moment, so that the next entry may be typed without waiting.
    """

    DEFAULT_CSS = "Form { height: auto; }"

    class Complete(Message):
        """Every row holds an answer; `values` are by the rows' ids, so are the `texts` of fields and their `firsts`."""

        def __init__(
            self,
            form: Form,
            values: dict[str, Any],
            texts: dict[str, str] | None = None,
            firsts: dict[str, str] | None = None,
        ) -> None:
            super().__init__()
            self.form = form
            self.values = values
            self.texts = texts or {}
            self.firsts = firsts or {}

        @property
        def control(self) -> Form:
            return self.form

    def __init__(self, *, id: str | None = None, renews: bool = False) -> None:
        super().__init__(id=id)
        self.renews = renews

    def rows(self) -> list[Row]:
        return [row for row in self.query(Row) if row.display]

    def values(self) -> dict[str, Any]:
        return {row.id: row.value for row in self.rows() if row.id is not None}

    def start(self) -> None:
        """Focus the first row."""
        self.rows()[0].start()

    def clear(self) -> None:
        """Empty all rows and begin again."""
        for row in self.rows():
            row.clear()
        self.start()

    def move_on(self, row: Row) -> None:
        """Go to the next row; after the last one to the first that does not hold, else the form is complete."""
        rows = self.rows()
        at = rows.index(row)
        if at + 1 < len(rows):
            rows[at + 1].start()
            return
        wrong = next((other for other in rows if not other.check()), None)
        if wrong is not None:
            wrong.start()
            return
        fields = [row for row in rows if isinstance(row, Field)]
        texts = {field.id: field.text for field in fields if field.id}
        firsts = {field.id: field.before for field in fields if field.id and field.before is not None}
        self.post_message(self.Complete(self, self.values(), texts, firsts))
        if self.renews:
            self.clear()
