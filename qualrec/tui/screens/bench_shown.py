"""What the bench shows: the lot, what it owes, what was entered last, what waits. Nothing is entered here."""

from __future__ import annotations

from typing import TYPE_CHECKING

from textual.app import ComposeResult
from textual.containers import Horizontal, Vertical, VerticalScroll
from textual.widgets import Static
from textual.widgets.option_list import Option as ListOption

from qualrec.tui.labels import VERDICTS, Tone, number, plain
from qualrec.tui.screens.bench_choices import Chosen, around_words
from qualrec.tui.screens.bench_doing import Doing
from qualrec.tui.screens.bench_entry import MODES, EntryForm, understand_shares
from qualrec.tui.screens.bench_link import LinkFeed
from qualrec.tui.screens.bench_text import (
    gate_words,
    hold_text,
    limits_words,
    lot_head,
    owed_text,
    readings_text,
    waiting_line,
)
from qualrec.tui.screens.bench_waiting import WaitingList
from qualrec.tui.themes import is_ascii
from qualrec.tui.widgets.forms import Choice, Field, Understood

if TYPE_CHECKING:
    from qualrec.work.bench import BenchLot
    from qualrec.work.bench_facts import WaitingLot

MOST_WAITING = 60
TICK_S = 30.0


class Shown(Doing):
    """The layout of the bench and what stands in it."""

    DEFAULT_CSS = """
    Shown #lot-head { height: auto; max-height: 3; padding: 0 1; }
    Shown #bench-main { height: auto; }
    Shown #owed-side { width: 30; height: 1fr; scrollbar-size-vertical: 1; }
    Shown #owed { height: auto; padding: 0 1; text-wrap: nowrap; }
    Shown #below-side { width: 1fr; height: 1fr; }
    Shown #what { height: auto; padding: 0 1; text-style: bold; }
    Shown #around { height: auto; padding: 0 1; color: $tone-quiet; }
    Shown #gate { height: auto; padding: 0 1; color: $tone-look; }
    Shown #verdict { height: auto; padding: 0 1; }
    Shown #kept { height: auto; padding: 0 1; color: $tone-look; display: none; }
    Shown #below { height: 1fr; }
    Shown #waiting {
        height: 1fr; border: none; padding: 0; background: $background;
        text-wrap: nowrap; text-overflow: ellipsis;
    }
    """

    def __init__(self) -> None:
        super().__init__()
        self._chosen: Chosen | None = None
        self._listed: tuple[WaitingLot, ...] = ()

    @property
    def chosen(self) -> Chosen:
        if self._chosen is None:
            settings = self.program.settings
            self._chosen = Chosen(settings.config_dir, settings.station)
        return self._chosen

    # Layout.

    def compose_body(self) -> ComposeResult:
        hint = "scan the label or type the number"
        yield Field("Lot", id="scan", placeholder=hint, required=False, guard=True)
        yield Static(id="lot-head", markup=False)
        with Vertical(id="bench-main"):
            yield Static(id="gate", markup=False)
            yield Static(id="what", markup=False)
            yield Static(id="around", markup=False)
            with EntryForm(id="entry", renews=True):
                yield Field("Value", id="value", understand=self._understand, keep_echo=True, guard=True)
                yield Choice("Failure mode", MODES, id="mode", guard=True)
                yield Field(
                    "Shares in %",
                    id="shares",
                    placeholder="interf./cohesive/tear/parent: 0/60/10/30",
                    understand=understand_shares,
                    guard=True,
                )
        yield Static(id="verdict", markup=False)
        yield Static(id="kept", markup=False)
        with Horizontal(id="below"):
            with VerticalScroll(id="owed-side", can_focus=False):
                yield Static(id="owed", markup=False)
            with VerticalScroll(id="below-side", can_focus=False):
                yield Static(id="below-text", markup=False)
        yield WaitingList(id="waiting")

    def on_mount(self) -> None:
        super().on_mount()
        self.set_interval(TICK_S, self._tick)
        self.link = LinkFeed(self, lambda: self.bench is not None)

    def on_unmount(self) -> None:
        self.link.close()

    def _understand(self, text: str) -> Understood:
        c = self.characteristic()
        if c is None:
            return Understood(None)
        from qualrec.work.bench import understand_typed

        found = understand_typed(c, text)
        note = f"  ({found.note})" if found.note else ""
        echo = (
            found.echo if self.decimal_style == "point" else f"{number(found.value, None, 'comma')} {c.unit}"
        )
        return Understood(found.value, f"{echo}{note}")

    # The lot.

    def _show_lot(self, found: BenchLot | None) -> None:
        self.query_one("#bench-main").display = found is not None
        self.query_one("#below").display = found is not None
        self.query_one("#waiting").display = found is None
        line = self.query_one("#lot-head", Static)
        if found is None:
            line.update("No lot on the bench. Lots that wait for tests:")
            return
        line.update(self._text(lot_head(found)))
        c = self.characteristic()
        name = "" if c is None else f"{c.code}  {c.name}{limits_words(c, self.decimal_style)}"
        self.query_one("#what", Static).update(self._text(name))
        gate = self.query_one("#gate", Static)
        gate.display = found.facts.gate is not None
        if found.facts.gate is not None:
            gate.update(self._text(gate_words(found.facts.gate, self.clock(found.facts.gate.at_us))))
        self._show_around()
        self._show_owed()
        self._show_readings()

    def _show_around(self) -> None:
        found, c = self.bench, self.characteristic()
        line = self.query_one("#around", Static)
        words = (
            ""
            if found is None or c is None
            else around_words(found, c, self.chosen, self.now_us, self.decimal_style)
        )
        line.display = bool(words)
        line.update(self._text(words))

    def _show_owed(self) -> None:
        if self.bench is not None:
            self.query_one("#owed", Static).update(
                self._text(owed_text(self.bench.owed, self.code, self.now_us))
            )

    def _show_readings(self) -> None:
        found = self.bench
        if found is None:
            return
        kept = self.kept_of(found.lot.number, self.code)
        text = readings_text(found.readings, self.code, self.decimal_style, kept)
        if found.lot.state in ("on hold", "suspect, shipped") and not kept:
            text = hold_text(found, self.characteristic(), VERDICTS["hold"].text(is_ascii(self)))
        self.query_one("#below-text", Static).update(self._text(text))

    def action_further(self) -> None:
        """Show what lies below: of the reaction plan, the last readings, what the lot owes."""
        for side in self.query("#below VerticalScroll").results(VerticalScroll):
            side.scroll_page_down(animate=False)

    def action_back(self) -> None:
        for side in self.query("#below VerticalScroll").results(VerticalScroll):
            side.scroll_page_up(animate=False)

    def _tick(self) -> None:
        """Go on with what counts down."""
        if self.bench is None:
            self._list_waiting()
        else:
            self._show_owed()
            self._show_around()

    def _show_waiting(self, rows: tuple[WaitingLot, ...]) -> None:
        self._listed = rows
        self.set_empty(False)
        self._list_waiting()
        if not rows:
            self.query_one("#lot-head", Static).update(
                "No lot on the bench, and no lot waits for tests. F3 opens one."
            )

    def _list_waiting(self) -> None:
        now = self.now_us
        lines = []
        for lot in self._listed[:MOST_WAITING]:
            ended = "" if lot.ended_us is None else self.clock(lot.ended_us)[:10]
            lines.append((lot.number, self._text(waiting_line(lot, now, ended))))
        self.query_one("#waiting", WaitingList).show([ListOption(text, id=name) for name, text in lines])

    # Words.

    def _text(self, text: str) -> str:
        return plain(text) if is_ascii(self) else text

    def _say_verdict(self, text: str, tone: Tone = Tone.QUIET) -> None:
        line = self.query_one("#verdict", Static)
        line.update(self._text(text))
        for other in Tone:
            line.set_class(other is tone, f"tone-{other}")
