"""The program on the screen: one mode per place, colours, help, palette. Nothing heavy is imported before the first paint."""

from __future__ import annotations

import os
from asyncio import Lock
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from time import time_ns
from typing import TYPE_CHECKING, ClassVar, cast

from textual.app import App, ComposeResult
from textual.command import CommandPalette, Provider
from textual.events import Resize
from textual.filter import LineFilter
from textual.screen import Screen
from textual.scrollbar import ScrollBar, ScrollBarRender
from textual.widget import Widget
from textual.widgets import Static

from qualrec.tui.actions import (
    FAMILIES,
    PAGES,
    PLACES,
    Action,
    Place,
    actions_of,
    bindings_of,
    check_keymap,
    keys_of,
    place_actions,
)
from qualrec.tui.at_work import AtWork
from qualrec.tui.desk import Desk, database_name
from qualrec.tui.labels import DecimalStyle
from qualrec.tui.line_filter import NoSteering
from qualrec.tui.palette import TablePalette
from qualrec.tui.screens.base import PlaceScreen
from qualrec.tui.screens.overlays import SMALLEST, HelpSheet, PlaceList, SmallScreen
from qualrec.tui.screens.people_sheets import (
    ProofSheet,
)
from qualrec.tui.themes import THEMES
from qualrec.tui.widgets.status_line import Status

if TYPE_CHECKING:
    from qualrec.config import Settings

CAUTIONS = (
    "The program records and computes; it does not control or interlock a laser.",
    "Its results do not replace validation, the released control plan, the drawing,",
    "a customer's own requirements or the judgement of a qualified person.",
)

NO_STEERING = NoSteering()


class _AsciiBars(ScrollBarRender):
    VERTICAL_BARS: ClassVar[list[str]] = [" "] * 8
    HORIZONTAL_BARS: ClassVar[list[str]] = [" "] * 8


@contextmanager
def _environment(no_color: bool) -> Iterator[None]:
    """Textual reads NO_COLOR from the environment while an app is made, and only there."""
    before = os.environ.get("NO_COLOR")
    if no_color:
        os.environ["NO_COLOR"] = "1"
    try:
        yield
    finally:
        if no_color and before is None:
            del os.environ["NO_COLOR"]


class QualrecApp(AtWork):
    """The program on the records of `desk`, which is first used after the first paint. Without one: no records."""

    TITLE = "qualrec"
    CSS_PATH = "qualrec.tcss"
    COMMANDS: ClassVar[set[type[Provider] | Callable[[], type[Provider]]]] = {TablePalette}
    BINDINGS = bindings_of("app")
    ENABLE_COMMAND_PALETTE = True

    def __init__(
        self,
        settings: Settings,
        places: Sequence[Place] = PLACES,
        desk: Desk | None = None,
    ) -> None:
        with _environment(settings.no_color):
            super().__init__()
        self.settings = settings
        self.places = tuple(places)
        self.desk = desk
        self.run_mark = f"{time_ns():x}"
        """Tells this run of the program from others: entries are numbered behind it, so none is stored twice."""
        self._visited: set[str] = set()
        self._going = Lock()
        self.status = Status(database=database_name(settings.database_url))
        ScrollBar.renderer = _AsciiBars if settings.ascii else ScrollBarRender
        self.set_class(settings.ascii, "-ascii")
        for theme in THEMES.values():
            self.register_theme(theme)
        self.theme = settings.theme if settings.theme in THEMES else "dark"
        for place in self.places:
            self.add_mode(place.id, cast("Callable[[], Screen[object]]", place.screen))
        for action in place_actions(self.places):
            keys = ",".join(keys_of(action, settings.keymap))
            self.bind(keys, action.method, description=action.label, show=False)
        self.set_keymap(dict(settings.keymap))

    def get_line_filters(self) -> Sequence[LineFilter]:
        return [*super().get_line_filters(), NO_STEERING]

    @property
    def decimal_style(self) -> DecimalStyle:
        """The setting of the machine, else the plant's, else the point."""
        return "comma" if (self.settings.decimal_style or self.status.decimal_style) == "comma" else "point"

    @property
    def place(self) -> str:
        """The place on the screen, '' before the first is open."""
        return self.current_mode if any(place.id == self.current_mode for place in self.places) else ""

    def compose(self) -> ComposeResult:
        yield Static(f"qualrec\n\nopening {self.status.database}", id="opening", markup=False)

    def on_mount(self) -> None:
        if self.places:
            self.call_after_refresh(self.action_go, self.places[0].id)

    def on_unmount(self) -> None:
        if self.desk is not None:
            self.desk.close()

    def on_resize(self, event: Resize) -> None:
        """Cover the places while there is too little room; uncover them, unchanged, when there is enough."""
        top = self.screen
        small = event.size.width < SMALLEST.width or event.size.height < SMALLEST.height
        if isinstance(top, SmallScreen):
            if small:
                top.tell(event.size)
            else:
                top.dismiss()
        elif small:
            self.push_screen(SmallScreen())

    async def action_go(self, place: str) -> None:
        """Go to a place; its records are read again unless it is new, which reads them by itself."""
        async with self._going:  # a key may come while the first place is being opened
            await self._go(place)

    async def _go(self, place: str) -> None:
        while isinstance(self.screen, PlaceScreen) and self.screen.PLACE in PAGES:
            self.pop_screen()
        if place == self.current_mode:
            return
        first_place, first_visit = not self._visited, place not in self._visited
        self._visited.add(place)
        await self.switch_mode(place)
        screen = self.place_screen
        if screen is None:
            return
        screen.show_status(self.status)
        if not first_visit:
            screen.load()
        if first_place:
            self.read_status(screen)

    def action_reload(self) -> None:
        top = self.screen if isinstance(self.screen, PlaceScreen) else self.place_screen
        if top is not None:
            top.load()
            self.read_status(top)

    def action_theme(self) -> None:
        names = list(THEMES)
        self.theme = names[(names.index(self.theme) + 1) % len(names)]

    async def action_back(self) -> None:
        if len(self.screen_stack) > 1 and not isinstance(self.screen, SmallScreen):
            self.pop_screen()
        elif self.place_screen is not None:
            self.place_screen.step_back()

    def action_palette(self) -> None:
        if not isinstance(self.screen, CommandPalette | SmallScreen | ProofSheet):
            self.push_screen(CommandPalette(id="--command-palette", placeholder="a part of the name"))

    def action_places(self) -> None:
        self.push_screen(PlaceList(self.places, self.place), self._go_if)

    async def _go_if(self, place: str | None) -> None:
        if place:
            await self.action_go(place)

    def action_help(self) -> None:
        top = self.screen.PLACE if isinstance(self.screen, PlaceScreen) else self.place
        here = next((place.label for place in self.places if place.id == top), top.capitalize())
        groups: list[tuple[str, Sequence[Action]]] = [(here, actions_of(top))] if here else []
        groups += [(family.capitalize(), actions_of(family)) for family in self._families()]
        groups += [("Everywhere", actions_of("app")), ("Places", place_actions(self.places))]
        shown = [(title, actions) for title, actions in groups if actions]
        self.push_screen(HelpSheet(shown, self.settings.keymap, CAUTIONS))

    def _families(self) -> list[str]:
        """The widget families on the place's screen."""
        screen = self.place_screen
        return [] if screen is None else [name for name in FAMILIES if screen.query(f".family-{name}")]

    def offered(self) -> list[tuple[str, Action]]:
        """What the palette offers: title and action of everything that can be done from here."""
        found = [(f"Go to {action.label}", action) for action in place_actions(self.places)]
        here = sorted(self.places, key=lambda place: place.id != self.place)
        found += [
            (f"{place.label}: {action.label}", action) for place in here for action in actions_of(place.id)
        ]
        found += [
            (f"{name.capitalize()}: {action.label}", action)
            for name in self._families()
            for action in actions_of(name)
        ]
        return found + [(action.label, action) for action in actions_of("app")]

    async def do(self, action: Action) -> None:
        """Do an action wherever the user is: the place is opened first, a widget's action goes to the widget."""
        target: App[None] | Screen[object] | Widget = self
        if action.place in FAMILIES:
            family = self.screen.query(f".family-{action.place}")
            focused = [widget for widget in family if widget.has_focus or widget.has_focus_within]
            target = (focused or list(family))[0]
        elif action.place != "app":
            await self.action_go(action.place)
            target = self.screen
        await self.run_action(action.method, default_namespace=target)


def run(settings: Settings) -> None:
    """Open the program on the terminal and stay until the user quits. Raises UsageError for keys that cannot be."""
    check_keymap(settings.keymap)
    QualrecApp(settings, desk=Desk(settings)).run()
