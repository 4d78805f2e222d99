"""The frame of every place: the bar of places, the body, a line for messages, the status and the actions."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING, ClassVar, TypeVar, cast

from textual.app import ComposeResult
from textual.containers import Vertical, VerticalScroll
from textual.screen import Screen
from textual.widgets import ContentSwitcher, Static

from qualrec.tui.actions import actions_of
from qualrec.tui.desk import Desk
from qualrec.tui.labels import DecimalStyle, Tone, number, plain
from qualrec.tui.messages import Trouble
from qualrec.tui.themes import is_ascii
from qualrec.tui.widgets.bars import ActionLine, PlaceBar
from qualrec.tui.widgets.message_line import MessageLine
from qualrec.tui.widgets.status_line import Status, StatusLine
from qualrec.tui.workers import Asking, OnFailure

if TYPE_CHECKING:
    from qualrec.tui.app import QualrecApp
    from qualrec.work.session import Session

T = TypeVar("T")

FIRST_STEPS = (
    "Enter a part number with its two component parts, and what is measured on it.",
    "Write the recipe of its weld and have it approved.",
    "Open a lot and log the first pull.",
)


class PlaceScreen(Asking, Screen[None]):
    """A place. A subclass sets `PLACE` and `BINDINGS = bindings_of(PLACE)` and gives `compose_body` and `load`."""

    PLACE: ClassVar[str] = ""

    @property
    def program(self) -> QualrecApp:
        return cast("QualrecApp", self.app)

    def compose(self) -> ComposeResult:
        keymap = self.program.settings.keymap
        yield PlaceBar(self.program.places, self.PLACE, keymap)
        with ContentSwitcher(initial="body", id="switch"):
            with Vertical(id="body"):
                yield from self.compose_body()
            with VerticalScroll(id="empty"):
                yield Static(id="empty-text", markup=False)
        yield MessageLine(id="message")
        yield StatusLine(id="status")
        yield ActionLine((*actions_of("app")[:1], *actions_of(self.PLACE), *actions_of("app")[1:]), keymap)

    def on_mount(self) -> None:
        self.query_one(StatusLine).status = self.program.status
        self.load()

    def compose_body(self) -> ComposeResult:
        """The widgets of the place."""
        raise NotImplementedError

    def load(self) -> None:
        """Have the records read by `ask`. Called when the place is first shown, when it is come back to, and by Reload."""
        raise NotImplementedError

    def first_steps(self) -> tuple[str, ...]:
        """What to do first, told by a place that has nothing to show yet."""
        return FIRST_STEPS

    def show_record(self, *names: str) -> None:
        """Show a record that another place names; a place without such records shows itself."""

    def step_back(self) -> bool:
        """Esc with nothing on top: go one step back within the place. False where there is none."""
        return False

    def set_empty(self, empty: bool, title: str = "Nothing is on record here yet.") -> None:
        """Show the first steps in place of the body, or the body again."""
        if empty:
            steps = "\n\n".join(f"  {at}  {step}" for at, step in enumerate(self.first_steps(), start=1))
            text = f"{title}\n\nThe first steps:\n\n{steps}\n"
            self.query_one("#empty-text", Static).update(plain(text) if is_ascii(self) else text)
        self.query_one("#switch", ContentSwitcher).current = "empty" if empty else "body"

    def say(self, text: str, tone: Tone = Tone.QUIET) -> None:
        """Write a message that stays until the next one; empty text takes it away."""
        self.query_one("#message", MessageLine).say(text, tone)

    def read(
        self,
        name: str,
        use: Callable[[Session], T],
        then: Callable[[T], None],
        otherwise: OnFailure | None = None,
    ) -> None:
        """`ask` for work with the open records: `use(session)` runs in a thread and imports what it needs itself."""
        self.ask(name, self.desk.using(use), self._reached(then), otherwise)

    def write(
        self,
        name: str,
        use: Callable[[Session], T],
        then: Callable[[T], None],
        otherwise: OnFailure | None = None,
    ) -> None:
        """`save` for work with the open records; reading again after it belongs into `then`."""
        self.save(name, self.desk.writing(use), self._reached(then), otherwise)

    def _reached(self, then: Callable[[T], None]) -> Callable[[T], None]:
        """`then`; an answer also tells that lost records are there again."""

        def go_on(found: T) -> None:
            if self.program.status.connection == "lost":
                self.program.set_status(replace(self.program.status, connection="open"))
            then(found)

        return go_on

    @property
    def desk(self) -> Desk:
        """The open records."""
        if self.program.desk is None:
            raise RuntimeError("the program was made without records")
        return self.program.desk

    def failed(self, name: str, trouble: Trouble) -> None:
        if self.program.desk is not None and self.program.desk.nobody:
            self.program.ask_sign_on()
            return
        if trouble.lost:
            self.program.set_status(replace(self.program.status, connection="lost"))
        self.say(f"! {trouble.message} {trouble.remedy}".rstrip(), Tone.BAD)

    def show_status(self, status: Status) -> None:
        self.query_one(StatusLine).status = status

    def number(self, value: float | None, decimals: int | None = None) -> str:
        """A figure in the decimal style in force."""
        return number(value, decimals, self.decimal_style)

    @property
    def decimal_style(self) -> DecimalStyle:
        return self.program.decimal_style
