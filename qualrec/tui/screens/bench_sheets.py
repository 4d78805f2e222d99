"""Sheets over the bench: log an event with a second key, correct a reading."""

from __future__ import annotations

from typing import Any

from textual.app import ComposeResult
from textual.containers import Vertical
from textual.widgets import Static

from qualrec.tui.screens.bench_entry import MODES
from qualrec.tui.screens.overlays import Overlay, Sheet
from qualrec.tui.screens.people_sheets import second_rows
from qualrec.tui.widgets.forms import Choice, Field, Form, Option, Row

EVENTS = (
    Option("g", "glass_cleaned", "clamp glass cleaned"),
    Option("n", "glass_changed", "clamp glass changed"),
    Option("o", "optics_cleaned", "optics cleaned"),
    Option("p", "power_check", "laser power check"),
    Option("f", "fixture", "fixture repaired or changed"),
    Option("r", "recipe_change", "recipe revision changed"),
    Option("u", "upper_resin_lot", "upper resin lot changed"),
    Option("l", "lower_resin_lot", "lower resin lot changed"),
    Option("h", "shift", "shift change"),
    Option("s", "stop", "stop"),
    Option("t", "restart", "restart after stop"),
)
"""Kinds of weld/data/event_kinds.csv that a bench logs, with their second key."""


GIVEN = ("sample", "stream", "value", "mode", "reason", "second", "second_secret")
"""What a correction says."""


class EventSheet(Overlay):
    """One letter logs the event; Esc logs nothing."""

    def compose(self) -> ComposeResult:
        with Vertical(id="sheet"):
            yield Static("What happened?   (Esc: nothing)", id="sheet-title", markup=False)
            yield Choice("Event", EVENTS, id="kind", guard=True)

    def on_mount(self) -> None:
        self.query_one(Choice).start()

    def on_row_accepted(self, message: Row.Accepted) -> None:
        message.stop()
        self.dismiss(str(message.value))


class CorrectionSheet(Sheet):
    """A new value, a new mode of a pull or, with neither, a void; with its reason and, where needed, a second person.

    `sample` and `stream` are of the last reading, which is meant where no sample is named; `divided`: whether readings
    of cavities or nests are there. `filled` and `wrong`: what stood in a refused sheet, and why it was refused.
    """

    DEFAULT_CSS = "CorrectionSheet #sheet-lead { height: auto; padding: 0 0 1 0; }"

    def __init__(
        self,
        code: str,
        sample: int,
        *,
        pull: bool,
        stream: str = "",
        divided: bool = False,
        no_accounts: bool = False,
        filled: dict[str, str] | None = None,
        wrong: str = "",
    ) -> None:
        super().__init__()
        self.divided = divided
        self.filled = filled or {}
        self.wrong = wrong
        self.no_accounts = no_accounts
        self.stream = stream
        self.code = code
        self.sample = sample
        self.pull = pull

    def compose(self) -> ComposeResult:
        from qualrec.work.corrections import NOT_DIVIDED

        with Vertical(id="sheet"):
            yield Static(
                f"Correct {self.code}   (Esc: leave as it is). The old entry stays readable.",
                id="sheet-title",
                markup=False,
            )
            if self.wrong:
                yield Static(self.wrong, id="sheet-lead", markup=False)
            with Form(id="correction"):
                yield Field(
                    "Sample", id="sample", required=False, placeholder=f"empty: {self.sample}, the last"
                )
                if self.divided:
                    stream = f"if it is not clear; {NOT_DIVIDED} is none of them"
                    yield Field("Cavity or nest", id="stream", required=False, placeholder=stream)
                void = "empty and no mode: void" if self.pull else "empty: the reading is void"
                yield Field("Right value", id="value", required=False, placeholder=void)
                if self.pull:
                    modes = [mode for mode in MODES if mode.value != "mixed"]
                    yield Choice("Right mode", modes, id="mode", required=False)
                yield Field("Reason", id="reason")
                yield from second_rows(self.no_accounts)

    def on_mount(self) -> None:
        for row in self.query(Row):
            given = self.filled.get(row.id or "", "")
            if isinstance(row, Field):
                row.text = given
            elif isinstance(row, Choice):
                row.value = given or None
        self.query_one(Form).start()

    def on_form_complete(self, message: Form.Complete) -> None:
        from qualrec.work.corrections import NOT_DIVIDED

        message.stop()
        values: dict[str, Any] = dict(message.values)
        if self.divided and not values.get("sample") and not values.get("stream"):
            values["stream"] = self.stream or NOT_DIVIDED
        values["sample"] = values.get("sample") or str(self.sample)
        if not values["sample"].isdigit():
            self.query_one("#sample", Field).tell("The sample number is a whole number.")
            self.query_one("#sample", Field).start()
            return
        self.dismiss({name: str(values.get(name) or "") for name in GIVEN})
