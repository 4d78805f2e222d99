"""Who is at work at this program: the status line, sign-on, change of person, the idle lock, the first start."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from time import monotonic
from typing import TYPE_CHECKING, Any

from textual.app import App
from textual.events import Event, Key, MouseEvent, Paste

from qualrec.tui.actions import PAGES, page_class
from qualrec.tui.desk import Desk
from qualrec.tui.labels import Tone
from qualrec.tui.messages import Trouble
from qualrec.tui.screens.base import PlaceScreen
from qualrec.tui.screens.overlays import SmallScreen
from qualrec.tui.screens.people_sheets import (
    LockSheet,
    PersonSheet,
    ProofSheet,
    SignOnSheet,
    first_start_sheet,
)
from qualrec.tui.widgets.status_line import Status

if TYPE_CHECKING:
    from qualrec.config import Settings


class AtWork(App[None]):
    """The part of the program that knows a person. `place_screen` is given by the program."""

    settings: Settings
    desk: Desk | None
    status: Status

    def __init__(self, **given: Any) -> None:
        super().__init__(**given)
        self.clock: Callable[[], float] = monotonic
        self._last_key = self.clock()
        self._idle_watched = False
        self._first_start_asked = False

    @property
    def place_screen(self) -> PlaceScreen | None:
        """The screen of the place, whatever lies over it."""
        bottom = self.screen_stack[0]
        return bottom if isinstance(bottom, PlaceScreen) else None

    def read_status(self, screen: PlaceScreen) -> None:
        """Read the status in a thread; where that fails the records cannot be reached."""
        if self.desk is None:
            return

        def unreachable(trouble: Trouble) -> None:
            if self.desk is not None and self.desk.nobody:
                self.ask_sign_on()
                return
            self.set_status(replace(self.status, connection="lost"))
            screen.failed("status", trouble)
            if self.desk is not None and self.desk.missing:
                self._ask_first_start(screen, trouble)

        screen.ask("status", self.desk.status, self.set_status, unreachable)

    def set_status(self, status: Status) -> None:
        """Take over what the status line tells, on every place; what was said of lost records goes when they are back."""
        back = self.status.connection == "lost" and status.connection == "open"
        self.status = status
        if status.idle_lock_s and not self._idle_watched:
            self._idle_watched = True
            self.set_interval(1.0, self.lock_if_idle)
        for screen in self.screen_stack[1:]:
            if isinstance(screen, PlaceScreen):
                screen.show_status(status)
        if self.place_screen is not None:
            self.place_screen.show_status(status)
            if back:
                self.place_screen.say("")

    # Who is at work.

    async def on_event(self, event: Event) -> None:
        if isinstance(event, Key | Paste | MouseEvent):
            self._last_key = self.clock()
        await super().on_event(event)

    def lock_if_idle(self) -> None:
        """Ask again who it is after the station's time without a key. Everything below stays as it is, and in sight."""
        limit = self.status.idle_lock_s
        covered = isinstance(self.screen, ProofSheet | SmallScreen)
        if not limit or covered or self.clock() - self._last_key < limit:
            return
        badge = "" if self.desk is None else self.desk.badge
        lead = f"{self.status.person} goes on with PIN or password, somebody else with the badge first. Nothing is lost."
        self._ask_who(LockSheet(f"Locked: no key for {limit} s", lead, badge=badge))

    def ask_sign_on(self) -> None:
        """Nobody is signed on: ask who it is before anything is shown."""
        if self.desk is None or isinstance(self.screen, ProofSheet):
            return
        self.set_status(replace(self.status, connection="open"))
        self._ask_who(SignOnSheet("Sign on   (Ctrl+Q leaves)", self.desk.lead(), badge=self.settings.badge))

    def _ask_first_start(self, screen: PlaceScreen, trouble: Trouble) -> None:
        """There is no database yet: offer to make it, once, with its first person."""
        desk = self.desk
        if desk is None or self._first_start_asked:
            return
        self._first_start_asked = True

        def made(said: str) -> None:
            self.read_status(screen)
            screen.load()
            screen.say(said, Tone.GOOD)

        def use(given: dict[str, str] | None) -> None:
            if given:
                screen.save("first start", lambda: desk.first_start(given), made)

        self.push_screen(first_start_sheet(f"{trouble.message} {trouble.remedy}"), use)

    def action_person(self) -> None:
        """Another person goes on at this bench; what is half typed stays."""
        if self.desk is None or not isinstance(self.screen, PlaceScreen):
            return
        lead = f"{self.desk.lead()}\nAt work now: {self.status.person or 'nobody'}. What is half typed stays."
        self._ask_who(PersonSheet("Who goes on?   (Esc: nobody else)", lead))

    def _ask_who(self, sheet: ProofSheet) -> None:
        """Ask; where it is somebody else from now on, status and place are read again."""
        before = "" if self.desk is None else self.desk.badge

        def signed_on(done: bool | None) -> None:
            screen = self.place_screen
            if done and screen is not None and self.desk is not None and self.desk.badge != before:
                self.read_status(screen)
                screen.load()

        self.push_screen(sheet, signed_on)

    async def action_quit(self) -> None:
        """Leave the program, unless the bench is locked: what is half typed there is somebody's."""
        if isinstance(self.screen, LockSheet):
            self.screen.stay()
        else:
            self.exit()

    def action_people(self) -> None:
        """Show who works here, over the place."""
        if not isinstance(self.screen, PlaceScreen) or self.screen.PLACE in PAGES:
            return
        self.push_screen(page_class("people")())
