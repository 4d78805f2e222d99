"""Many values of one characteristic at once: a row for each cavity or nest, a column for each position or sample."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil
from typing import TYPE_CHECKING, Any, ClassVar

from rich.segment import Segment
from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Vertical
from textual.events import Click, Key
from textual.geometry import Size
from textual.message import Message
from textual.screen import ModalScreen
from textual.strip import Strip
from textual.widget import Widget
from textual.widgets import Static

from qualrec.errors import QualrecError, UsageError
from qualrec.tui.labels import VERDICTS, DecimalStyle, Tone, count, number, plain
from qualrec.tui.screens.record_sheets import AskSheet
from qualrec.tui.themes import is_ascii
from qualrec.tui.widgets.forms import Field, Understood
from qualrec.tui.widgets.message_line import MessageLine

if TYPE_CHECKING:
    from qualrec.judge.plausible import History
    from qualrec.values import Characteristic
    from qualrec.work.bench import BenchLot

LABEL = 12
CELL = 11
MOST_COLUMNS = 20


@dataclass(frozen=True, slots=True)
class GridColumn:
    """A column: its heading and the position on the part that it stands for; empty: as the condition says."""

    heading: str
    position: str = ""


@dataclass(frozen=True, slots=True)
class CellEntry:
    """What was typed into a cell; `first`: the first text where it was asked twice."""

    text: str
    value: float
    first: str | None = None


def grid_ask(found: BenchLot, c: Characteristic, positions: Sequence[str]) -> AskSheet:
    """How large the grid is: positions on the part, and samples at each."""
    rows = len(found.facts.streams) or 1
    missing = sum(o.missing for o in found.owed if o.code == c.code)
    each = max(1, ceil((missing or c.samples or 1) / rows / max(1, len(positions))))
    return AskSheet(
        f"Grid of {c.code}, {rows} rows",
        (
            Field(
                "Positions",
                id="positions",
                required=False,
                placeholder="on the part, as: gate, far end; or empty",
            ),
            Field("Samples at each", id="repeats", understand=_repeats),
        ),
        filled={"positions": ", ".join(positions), "repeats": str(min(each, MOST_COLUMNS))},
    )


def _repeats(text: str) -> Understood:
    if not text.strip().isdigit() or not 1 <= int(text) <= MOST_COLUMNS:
        raise UsageError(f"{text!r} is no number of samples.", f"Give 1 to {MOST_COLUMNS}.")
    return Understood(int(text))


def grid_columns(positions: str, repeats: int) -> tuple[GridColumn, ...]:
    """The columns: each position as often as there are samples."""
    named = [p.strip() for p in positions.split(",") if p.strip()]
    if len(named) <= 1:
        position = named[0] if named else ""
        return tuple(GridColumn(str(n), position) for n in range(1, repeats + 1))
    return tuple(
        GridColumn(f"{p[:7]} {n}" if repeats > 1 else p, p) for p in named for n in range(1, repeats + 1)
    )


class EntryGrid(Widget, can_focus=True):
    """Cells filled by digits and Enter; the arrows go to any cell, Del empties one, a click goes to it."""

    COMPONENT_CLASSES: ClassVar[set[str]] = {"grid--plain", "grid--here", "grid--good", "grid--bad"}
    DEFAULT_CSS = """
    EntryGrid {
        height: auto;
        .grid--plain { color: $foreground; }
        .grid--here { color: $here-text; background: $here-ground; text-style: bold; }
        .grid--good { color: $tone-good; }
        .grid--bad { color: $tone-bad; text-style: bold; }
    }
    """

    class Told(Message):
        """Words about the cell: the echo, or what is wrong."""

        def __init__(self, text: str, bad: bool) -> None:
            super().__init__()
            self.text = text
            self.bad = bad

    class Full(Message):
        """Enter in the last cell."""

    def __init__(
        self,
        c: Characteristic,
        rows: Sequence[str],
        columns: Sequence[GridColumn],
        history: History,
        style: DecimalStyle,
    ) -> None:
        super().__init__(id="grid")
        self.c = c
        self.row_labels = tuple(rows)
        self.column_heads = tuple(columns)
        self.history = history
        self.style_of_figures: DecimalStyle = style
        self.entries: dict[tuple[int, int], CellEntry] = {}
        self.at = (0, 0)
        self.typing = ""
        self.first: str | None = None
        self._left = 0
        """The first column that is shown."""

    def get_content_height(self, container: Size, viewport: Size, width: int) -> int:
        return len(self.row_labels) + 1

    def _shown(self) -> range:
        fits = max(1, (self.size.width - LABEL) // CELL)
        column = self.at[1]
        self._left = min(max(self._left, column - fits + 1), column)
        return range(self._left, min(self._left + fits, len(self.column_heads)))

    def render_line(self, y: int) -> Strip:
        style = {n: self.get_component_rich_style(f"grid--{n}") for n in ("plain", "here", "good", "bad")}
        width, shown = self.size.width, self._shown()
        ascii_only = is_ascii(self)
        if y == 0:
            heads = "".join(self.column_heads[n].heading[: CELL - 1].rjust(CELL) for n in shown)
            line = " " * LABEL + heads
            return Strip([Segment(plain(line) if ascii_only else line, style["plain"])]).adjust_cell_length(
                width
            )
        row = y - 1
        if row >= len(self.row_labels):
            return Strip.blank(width)
        label = self.row_labels[row]
        head = (f"cavity {label}" if label else "value")[: LABEL - 1].ljust(LABEL)
        segments = [Segment(plain(head) if ascii_only else head, style["plain"])]
        for column in shown:
            text, name = self._cell(row, column)
            segments.append(Segment(" ", style["plain"]))
            segments.append(
                Segment((plain(text) if ascii_only else text)[-(CELL - 1) :].rjust(CELL - 1), style[name])
            )
        return Strip(segments).crop(0, width).adjust_cell_length(width)

    def _cell(self, row: int, column: int) -> tuple[str, str]:
        from qualrec.judge.verdict import judge_reading

        entry = self.entries.get((row, column))
        if (row, column) == self.at:
            held = "" if entry is None or self.first is not None else self._figure(entry)
            return (
                f"{self.typing}_" if self.typing or entry is None or self.first is not None else held
            ), "here"
        if entry is None:
            return "·", "plain"
        verdict = judge_reading(self.c, entry.value, None)
        if verdict.answer != "fail":
            return f"{self._figure(entry)} {VERDICTS['ok'].sign}", "good"
        sign = VERDICTS["low" if verdict.side < 0 else "high"].sign
        return f"{self._figure(entry)} {sign}", "bad"

    def _figure(self, entry: CellEntry) -> str:
        return number(entry.value, None, self.style_of_figures)

    def check_consume_key(self, key: str, character: str | None) -> bool:
        return key in ("enter", "backspace", "delete", "up", "down", "left", "right") or (
            character is not None and character.isprintable()
        )

    def on_key(self, event: Key) -> None:
        if not self.check_consume_key(event.key, event.character):
            return
        event.stop()
        event.prevent_default()
        moves = {"up": (-1, 0), "down": (1, 0), "left": (0, -1), "right": (0, 1)}
        if event.key == "enter":
            if self.accept() and not self._next():
                self.post_message(self.Full())
        elif event.key in moves:
            if not self.typing or self.accept():
                self.go(self.at[0] + moves[event.key][0], self.at[1] + moves[event.key][1])
        elif event.key == "backspace":
            self.typing = self.typing[:-1]
            self._echo()
        elif event.key == "delete":
            self.entries.pop(self.at, None)
            self.typing, self.first = "", None
            self._echo()
        elif event.character is not None:
            self.typing += event.character
            self._echo()
        self.refresh()

    def on_click(self, event: Click) -> None:
        column = self._left + (event.x - LABEL) // CELL
        if event.y > 0 and event.x >= LABEL and (not self.typing or self.accept()):
            self.go(event.y - 1, column)
            self.refresh()

    def go(self, row: int, column: int) -> None:
        """Go to a cell, as far as there is one."""
        inside = (
            min(max(row, 0), len(self.row_labels) - 1),
            min(max(column, 0), len(self.column_heads) - 1),
        )
        if inside != self.at:
            self.at, self.typing, self.first = inside, "", None
            self._echo()

    def _next(self) -> bool:
        """Go to the next cell, along the row; False from the last one."""
        row, column = self.at
        if column + 1 < len(self.column_heads):
            self.go(row, column + 1)
        elif row + 1 < len(self.row_labels):
            self.go(row + 1, 0)
        else:
            return False
        return True

    def accept(self) -> bool:
        """Take what was typed into the cell; an empty one stays empty. False where it is to be typed again."""
        from qualrec.judge.plausible import check_value
        from qualrec.work.bench import understand_typed

        text = self.typing.strip()
        if not text:
            if self.first is not None:
                self._tell("The second entry is missing. Del empties the cell.", True)
            return self.first is None
        try:
            found = understand_typed(self.c, text)
        except QualrecError as error:
            self._tell(f"! {error.message} {error.remedy}".rstrip(), True)
            self.app.bell()
            return False
        plausible = check_value(self.c, found.value, self.history, text)
        if not plausible.ok and (
            self.first is None or understand_typed(self.c, self.first).value != found.value
        ):
            self.first, self.typing = text, ""
            self.entries.pop(self.at, None)
            self._tell(f"! {plausible.sentence} Look at the meter first; both entries are kept.", True)
            self.app.bell()
            return False
        self.entries[self.at] = CellEntry(text, found.value, self.first)
        self.typing, self.first = "", None
        self._echo()
        return True

    def _echo(self) -> None:
        from qualrec.work.bench import understand_typed

        words = ""
        if self.typing and self.first is None:
            try:
                words = f"= {understand_typed(self.c, self.typing).echo}"
            except QualrecError:
                words = ""
        if self.first is None:
            self._tell(words, False)

    def _tell(self, text: str, bad: bool) -> None:
        self.post_message(self.Told(text, bad))

    def kept_rows(self) -> list[dict[str, Any]]:
        """The filled cells as rows of a kept entry, in the order of the grid."""
        rows: list[dict[str, Any]] = []
        for (row, column), entry in sorted(self.entries.items()):
            rows.append(
                {
                    "text": entry.text if entry.first is None else entry.first,
                    "again": None if entry.first is None else entry.text,
                    "stream": self.row_labels[row],
                    "position": self.column_heads[column].position,
                }
            )
        return rows


class GridSheet(ModalScreen[list[dict[str, Any]]]):
    """The grid as a sheet; answers the rows to keep, none where it was left."""

    BINDINGS: ClassVar[list[BindingType]] = [
        ("escape", "leave", "Leave"),
        ("f11,shift+f6", "store", "Store"),
    ]
    DEFAULT_CSS = """
    GridSheet { align: center middle; background: $background 60%; }
    GridSheet > #sheet {
        width: 98%; max-width: 160; height: auto; max-height: 100%;
        background: $surface; border: outer $tone-quiet; padding: 0 1;
    }
    GridSheet #sheet-title { text-style: bold; padding: 0 0 1 0; }
    """

    def __init__(
        self,
        c: Characteristic,
        rows: Sequence[str],
        columns: Sequence[GridColumn],
        history: History,
        style: DecimalStyle,
    ) -> None:
        super().__init__()
        self.c = c
        self.grid = EntryGrid(c, rows, columns, history, style)
        self._warned = -1
        """How many values were there when leaving was warned of."""

    def compose(self) -> ComposeResult:
        c = self.c
        with Vertical(id="sheet"):
            yield Static(f"{c.code}  {c.name} in {c.unit}", id="sheet-title", markup=False)
            yield self.grid
            yield MessageLine(id="grid-told", kept=True)
            yield Static(
                "Digits and Enter; arrows; Del empties a cell; F11 stores; Esc leaves.", markup=False
            )

    def on_mount(self) -> None:
        self.grid.focus()

    def on_entry_grid_told(self, message: EntryGrid.Told) -> None:
        self.query_one("#grid-told", MessageLine).say(message.text, Tone.BAD if message.bad else Tone.QUIET)

    def on_entry_grid_full(self) -> None:
        self.action_store()

    def action_leave(self) -> None:
        """Leave without storing; with values in the grid the second Esc does."""
        held = len(self.grid.entries) + bool(self.grid.typing.strip())
        if held and self._warned != held:
            self._warned = held
            what = count(held, "value is", "values are")
            words = f"! {what} not stored. F11 stores; Esc once more drops what stands here."
            self.query_one("#grid-told", MessageLine).say(words, Tone.BAD)
            return
        self.dismiss([])

    def action_store(self) -> None:
        if self.grid.accept():
            self.dismiss(self.grid.kept_rows())
