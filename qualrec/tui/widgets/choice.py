"""A row of answers, each picked by one key."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, ClassVar

from rich.segment import Segment
from textual.events import Click, Key
from textual.strip import Strip

from qualrec.tui.labels import key_name, plain
from qualrec.tui.themes import is_ascii
from qualrec.tui.widgets.rows import CONTROL_KEYS, LABEL_WIDTH, Guarded


@dataclass(frozen=True, slots=True)
class Option:
    """One answer of a choice: the key that picks it, the value it stands for, its word, a line of help."""

    key: str
    value: str
    word: str
    help: str = ""


class Choice(Guarded, can_focus=True):
    """Answers picked by one key or a click. Nothing is picked before the user does; Enter confirms what is picked.

    With `guard` a scanner fired at it picks nothing: see `Guarded`.
    """

    COMPONENT_CLASSES: ClassVar[set[str]] = {"choice--label", "choice--key", "choice--word", "choice--picked"}
    DEFAULT_CSS = """
    Choice {
        height: auto;
        .choice--label { color: $foreground; }
        .choice--key { color: $tone-good; text-style: bold; }
        .choice--word { color: $foreground; }
        .choice--picked { color: $here-text; background: $here-ground; text-style: bold; }
    }
    """

    holds_all = True

    def __init__(
        self,
        label: str,
        options: Sequence[Option],
        *,
        id: str | None = None,
        required: bool = True,
        guard: bool = False,
    ) -> None:
        super().__init__(id=id, guard=guard)
        self.label = label
        self.options = tuple(options)
        self.required = required
        self.problem = ""

    def get_content_height(self, container: Any, viewport: Any, width: int) -> int:
        return len(self._lines(width)) + 1

    def _lines(self, width: int) -> list[list[Option]]:
        """The options in lines of the room right of the label."""
        lines: list[list[Option]] = [[]]
        used = 0
        for option in self.options:
            wide = len(self._shown(option)) + 2
            if lines[-1] and used + wide > width - LABEL_WIDTH - 2:
                lines.append([])
                used = 0
            lines[-1].append(option)
            used += wide
        return lines

    def _shown(self, option: Option) -> str:
        picked = option.value == self.value
        return (
            f"[{key_name(option.key)}] {option.word}" if picked else f" {key_name(option.key)}  {option.word}"
        )

    def render_line(self, y: int) -> Strip:
        width = self.size.width
        lines = self._lines(width)
        style = {
            name: self.get_component_rich_style(f"choice--{name}")
            for name in ("label", "key", "word", "picked")
        }
        ascii_only = is_ascii(self)
        sign = (">" if ascii_only else "▸") if self.has_focus else " "
        head = f"{sign} {self.label}" if y == 0 else ""
        segments = [Segment(head[: LABEL_WIDTH + 1].ljust(LABEL_WIDTH + 2), style["label"])]
        if y < len(lines):
            for option in lines[y]:
                shown = plain(self._shown(option)) if ascii_only else self._shown(option)
                cut = len(key_name(option.key)) + 2
                if option.value == self.value:
                    segments.append(Segment(shown, style["picked"]))
                else:
                    segments += [Segment(shown[:cut], style["key"]), Segment(shown[cut:], style["word"])]
                segments.append(Segment("  ", style["label"]))
        else:
            help_line = next((option.help for option in self.options if option.value == self.value), "")
            text = f"! {self.problem}" if self.problem else help_line
            segments.append(Segment(plain(text) if ascii_only else text, style["label"]))
        return Strip(segments).crop(0, width).adjust_cell_length(width, style["label"])

    def start(self) -> None:
        self.screen.set_focus(self)

    def clear(self) -> None:
        self.value, self.problem = None, ""
        self._forget()
        self.refresh()

    def check(self) -> bool:
        if self.value is None and self.required:
            self.problem = f"Choose: {self._keys()}."
            self.refresh()
            return False
        return True

    def _keys(self) -> str:
        return ", ".join(key_name(option.key) for option in self.options)

    def pick(self, option: Option) -> None:
        self.problem = ""
        self.value = option.value
        self.refresh()
        self.accept(option.value, option.word)

    def act(self, event: Key) -> None:
        picked = next((o for o in self.options if o.key == (event.character or event.key).lower()), None)
        if picked is not None:
            self.pick(picked)
        elif event.is_printable:
            self.problem = f"{event.character} is no answer here. Choose: {self._keys()}."
            self.refresh()
            self.app.bell()
        elif event.key == "enter" and self.check():
            word = next((option.word for option in self.options if option.value == self.value), "")
            self.accept(self.value, word)

    def check_consume_key(self, key: str, character: str | None) -> bool:
        """Every sign that can be typed is meant for the choice: a figure typed too early must not lead elsewhere."""
        if key == "enter" or (character is not None and character.isprintable()):
            return True
        prefix = self.scanner.prefix if self.guard else ""
        return bool(self.held) or (bool(prefix) and CONTROL_KEYS.get(key, character) == prefix[0])

    def on_key(self, event: Key) -> None:
        if self.check_consume_key(event.key, event.character):
            event.stop()
            event.prevent_default()
            self.take(event)

    def on_click(self, event: Click) -> None:
        lines = self._lines(self.size.width)
        column = LABEL_WIDTH + 2
        for option in lines[event.y] if event.y < len(lines) else ():
            if column <= event.x < column + len(self._shown(option)):
                self.pick(option)
                return
            column += len(self._shown(option)) + 2
