"""What Charts and Capability look at: one characteristic of a part, all streams or one, one group of conditions."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, ClassVar

from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Vertical
from textual.events import Key
from textual.screen import ModalScreen
from textual.widgets import Input, OptionList, Static
from textual.widgets.option_list import Option

from qualrec.tui.actions import ACTIONS, keys_of
from qualrec.tui.desk import Desk
from qualrec.tui.labels import Tone, count, cut, key_name, plain
from qualrec.tui.messages import Trouble
from qualrec.tui.screens.base import PlaceScreen
from qualrec.tui.themes import is_ascii
from qualrec.tui.workers import Asking

if TYPE_CHECKING:
    from qualrec.assess import Choice
    from qualrec.values import Characteristic
    from qualrec.work.session import Session

MOST_PARTS = 300
"""Parts listed at once; a part of the name narrows the list."""


@dataclass(frozen=True, slots=True)
class Subject:
    """`stream` '' pools all streams; `condition` None is the group of conditions that is used most."""

    part: str
    code: str
    stream: str = ""
    condition: int | None = None

    @property
    def asked(self) -> dict[str, Any]:
        """Stream and condition as `assess` takes them."""
        return {"stream": self.stream or None, "condition": self.condition}

    def words(self) -> str:
        return f"{self.part} {self.code}" + (f" stream {self.stream}" if self.stream else "")


@dataclass(frozen=True, slots=True)
class Group:
    """A group of conditions that is kept apart."""

    id: int
    label: str
    readings: int


@dataclass(frozen=True, slots=True)
class Item:
    """A part or, with `code`, a characteristic of it, as the list shows it."""

    part: str
    name: str
    code: str = ""
    detail: str = ""


def first_subject(session: Session) -> Subject | None:
    """Where the newest open flag on a chart points to, else the first characteristic that has readings, else the first."""
    from qualrec.judge import kinds
    from qualrec.records import lookups

    with session.store.read() as conn:
        on_chart = (kinds.LOT_MEAN, kinds.LOT_SPREAD, kinds.LOT_COUNT, kinds.EWMA, kinds.RUN_RULE)
        for flag in lookups.flags(conn, not_closed=True):
            if flag.code and flag.kind in on_chart:
                return Subject(flag.part_number, flag.code)
        first: Subject | None = None
        for part in lookups.parts(conn)[:MOST_PARTS]:
            for c in lookups.part_characteristics(conn, part.id):
                found = Subject(part.number, c.code)
                first = first or found
                if lookups.conditions_of(conn, c.id):
                    return found
        return first


def groups_of(conn: Any, characteristic: Characteristic) -> tuple[Group, ...]:
    """The groups of conditions with readings, the largest first."""
    from qualrec.records import lookups

    return tuple(Group(g.id, g.label, g.readings) for g in lookups.conditions_of(conn, characteristic.id))


def list_parts(session: Session) -> tuple[Item, ...]:
    from qualrec.records import lookups

    with session.store.read() as conn:
        return tuple(Item(p.number, p.name) for p in lookups.parts(conn))


def list_names(session: Session) -> tuple[Item, ...]:
    """Every characteristic of every part by its code and name."""
    from qualrec.records.lookups.characteristics import names_of_all

    with session.store.read() as conn:
        return tuple(Item(part, name, code) for part, code, name in names_of_all(conn))


def list_codes(session: Session, part: str) -> tuple[Item, ...]:
    """The characteristics of a part."""
    from qualrec.records import lookups

    with session.store.read() as conn:
        return tuple(
            Item(part, c.name, c.code, f"{c.unit}  {c.chart if c.chart != 'none' else 'no chart'}".strip())
            for c in lookups.characteristics(conn, part)
        )


def matches(words: Sequence[str], *texts: str) -> bool:
    """Whether each of the words stands somewhere in the texts; small and large letters are the same."""
    text = " ".join(texts).casefold()
    return all(word in text for word in words)


class SubjectSheet(Asking, ModalScreen["Subject | None"]):
    """All parts, the characteristics of one of them opened below it; typing narrows parts and characteristics.

    Words are looked for in number and name of the part and in code and name of the characteristic. Below a part that does
    not match by itself stand the characteristics that do.
    """

    BINDINGS: ClassVar[list[BindingType]] = [("escape", "dismiss(None)", "Close")]
    DEFAULT_CSS = """
    SubjectSheet { align: center middle; background: $background 60%; }
    SubjectSheet > #sheet {
        width: 76; max-width: 100%; height: 20; max-height: 100%;
        background: $surface; border: outer $tone-quiet; padding: 0 1;
    }
    .-ascii SubjectSheet > #sheet { border: ascii $tone-quiet; }
    SubjectSheet #sheet-title { text-style: bold; }
    SubjectSheet Input { border: none; height: 1; padding: 0; background: $background; margin: 0 0 1 0; }
    SubjectSheet OptionList { border: none; height: 1fr; padding: 0; background: $surface; }
    """

    def __init__(self, desk: Desk, here: Subject | None) -> None:
        super().__init__()
        self.desk = desk
        self.here = here
        self.open_part = here.part if here is not None else ""
        self.parts: tuple[Item, ...] = ()
        self.codes: tuple[Item, ...] = ()
        self.names: dict[str, list[Item]] = {}
        """All characteristics by part, once they are read."""

    def compose(self) -> ComposeResult:
        with Vertical(id="sheet"):
            yield Static("Which characteristic?   (Esc: stay)", id="sheet-title", markup=False)
            field = Input(placeholder="a part of a part number, a code or a name", compact=True)
            field.cursor_blink = False
            yield field
            yield OptionList()

    def on_mount(self) -> None:
        self.query_one(Input).focus()
        self.ask("parts", self.desk.using(list_parts), self._take_parts)
        self.ask("names", self.desk.using(list_names), self._take_names)

    def failed(self, name: str, trouble: Trouble) -> None:
        self.query_one("#sheet-title", Static).update(f"! {trouble.message} {trouble.remedy}".rstrip())

    def _take_parts(self, parts: tuple[Item, ...]) -> None:
        self.parts = parts
        if self.open_part or len(parts) == 1:
            self._open(self.open_part or parts[0].part)
        else:
            self._fill()

    def _open(self, part: str) -> None:
        self.open_part = part

        def take(codes: tuple[Item, ...]) -> None:
            self.codes = codes
            self._fill()

        self.ask("codes", self.desk.using(lambda session: list_codes(session, part)), take)

    def _take_names(self, names: tuple[Item, ...]) -> None:
        for item in names:
            self.names.setdefault(item.part, []).append(item)
        if self.query_one(Input).value.strip():
            self._fill()

    def _found(self, words: Sequence[str]) -> list[tuple[Item, list[Item]]]:
        """The parts to list, each with the characteristics that match though the part does not by itself."""
        found: list[tuple[Item, list[Item]]] = []
        for part in self.parts:
            if matches(words, part.part, part.name):
                found.append((part, []))
            elif own := [
                c
                for c in self.names.get(part.part, ())
                if matches(words, part.part, part.name, c.code, c.name)
            ]:
                found.append((part, own))
        return found

    def _fill(self) -> None:
        options = self.query_one(OptionList)
        words = self.query_one(Input).value.casefold().split()
        found = self._found(words)
        options.clear_options()
        at = 0
        for item, matching in found[:MOST_PARTS]:
            opened = item.part == self.open_part
            options.add_option(Option(self._text(f"{item.part:<14} {item.name}"), id=f"p:{item.part}"))
            codes = {c.code for c in matching}
            details = {c.code: c for c in self.codes} if opened else {}
            shown = [details.get(c.code, c) for c in matching] or (self.codes if opened else ())
            for own in shown:
                here = self.here is not None and (own.part, own.code) == (self.here.part, self.here.code)
                text = f"  {'>' if here else ' '} {own.code:<10} {own.name:<34} {own.detail}"
                options.add_option(Option(self._text(cut(text, 70)), id=f"c:{own.part}\n{own.code}"))
                first = bool(codes) or (not words and opened)
                if (here and not words) or (first and not at):
                    at = options.option_count - 1
        if len(found) > MOST_PARTS:
            more = f"{len(found) - MOST_PARTS} more parts: type a part of the number"
            options.add_option(Option(self._text(more), disabled=True))
        if not found:
            none = "Nothing matches." if self.parts else "No part is on record yet."
            options.add_option(Option(none, disabled=True))
        else:
            options.highlighted = at

    def _text(self, text: str) -> str:
        return plain(text) if is_ascii(self) else text

    def on_input_changed(self, event: Input.Changed) -> None:
        event.stop()
        self._fill()

    def on_key(self, event: Key) -> None:
        """Arrows and paging move in the list while the field keeps the letters."""
        moves: dict[str, Callable[[OptionList], None]] = {
            "down": OptionList.action_cursor_down,
            "up": OptionList.action_cursor_up,
            "pagedown": OptionList.action_page_down,
            "pageup": OptionList.action_page_up,
        }
        if event.key in moves and self.focused is not self.query_one(OptionList):
            event.stop()
            moves[event.key](self.query_one(OptionList))

    def on_input_submitted(self, event: Input.Submitted) -> None:
        event.stop()
        self.query_one(OptionList).action_select()

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        event.stop()
        kind, _, name = (event.option.id or "").partition(":")
        if kind == "p" and name == self.open_part:
            options = self.query_one(OptionList)
            options.highlighted = (options.highlighted or 0) + bool(self.codes)
        elif kind == "p":
            self._open(name)
        elif kind == "c":
            part, _, code = name.partition("\n")
            self.dismiss(Subject(part, code))


class SubjectScreen(PlaceScreen):
    """A place that shows one subject. A subclass gives `read_subject`, `show_computing` and sets `choice`, `groups`."""

    NOTHING: ClassVar[str] = "No characteristic is on record yet."

    def __init__(self) -> None:
        super().__init__()
        self.subject: Subject | None = None
        self.choice: Choice | None = None
        self.groups: tuple[Group, ...] = ()

    def read_subject(self, subject: Subject, *, again: bool) -> None:
        """Have the subject read; `again`: it is on the screen already."""
        raise NotImplementedError

    def load(self) -> None:
        if self.subject is not None:
            self.read_subject(self.subject, again=True)
            return

        def take(found: Subject | None) -> None:
            self.set_empty(found is None, self.NOTHING)
            if found is not None and self.subject is None:
                self.open_subject(found)

        self.read("first", first_subject, take)

    def open_subject(self, subject: Subject) -> None:
        """Show another characteristic, stream or group of conditions."""
        again = subject == self.subject
        self.subject = subject
        self.set_empty(False)
        self.say("")
        self.read_subject(subject, again=again)

    def subject_failed(self, trouble: Trouble) -> None:
        """The subject cannot be shown."""
        self.failed("subject", trouble)

    def action_choose(self) -> None:
        self.app.push_screen(SubjectSheet(self.desk, self.subject), self._chosen)

    def _chosen(self, subject: Subject | None) -> None:
        if subject is not None:
            self.open_subject(subject)

    def action_later_code(self) -> None:
        self._neighbour(1)

    def action_earlier_code(self) -> None:
        self._neighbour(-1)

    def _neighbour(self, step: int) -> None:
        subject = self.subject
        if subject is None:
            return

        def take(items: tuple[Item, ...]) -> None:
            codes = [item.code for item in items]
            at = codes.index(subject.code) if subject.code in codes else 0
            self.open_subject(Subject(subject.part, codes[(at + step) % len(codes)]))

        self.read("codes", lambda session: list_codes(session, subject.part), take)

    def action_stream(self) -> None:
        """All streams together, then each one alone."""
        if self.subject is None or self.choice is None:
            return
        if not self.choice.streams:
            self.say(f"The readings of {self.subject.code} are not divided into streams.", Tone.LOOK)
            return
        streams = ["", *self.choice.streams]
        at = streams.index(self.subject.stream) if self.subject.stream in streams else 0
        self.open_subject(replace(self.subject, stream=streams[(at + 1) % len(streams)]))

    def action_condition(self) -> None:
        """The next group of conditions; groups are never mixed."""
        if self.subject is None or self.choice is None:
            return
        if len(self.groups) < 2:
            self.say(
                f"All readings of {self.subject.code} were taken under one group of conditions.", Tone.LOOK
            )
            return
        ids = [group.id for group in self.groups]
        at = ids.index(self.choice.condition_id) if self.choice.condition_id in ids else 0
        self.open_subject(replace(self.subject, condition=ids[(at + 1) % len(ids)]))

    async def hand_over(self, place: str) -> None:
        """Go to another place with the same subject."""
        subject = self.subject
        await self.program.action_go(place)
        screen = self.program.place_screen
        if subject is not None and screen is not self and isinstance(screen, SubjectScreen):
            screen.open_subject(subject)

    def key_of(self, action: str) -> str:
        """The first key of an action as the settings have it, as it is written on the screen."""
        found = next(item for item in ACTIONS if item.id == action)
        return key_name(keys_of(found, self.program.settings.keymap)[0])

    def text(self, text: str) -> str:
        """The text as this terminal can show it."""
        return plain(text) if is_ascii(self) else text

    def choice_words(self) -> str:
        """Stream and group of conditions in words."""
        choice = self.choice
        if choice is None:
            return ""
        parts = []
        if choice.stream:
            parts.append(f"stream {choice.stream}")
        elif choice.streams:
            parts.append(f"{count(len(choice.streams), 'stream', 'streams')} together")
        if choice.condition:
            parts.append(choice.condition)
        if choice.others:
            parts.append(f"{count(len(choice.others), 'other condition', 'other conditions')} kept apart")
        return "; ".join(parts)
