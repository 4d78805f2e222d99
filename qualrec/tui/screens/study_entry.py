"""The sheet on which the runs of a study are entered one after the other, in their order, without sight of what is known."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING, ClassVar

from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Vertical
from textual.screen import ModalScreen
from textual.widgets import Static

from qualrec.tui.labels import DecimalStyle, Tone, plain
from qualrec.tui.screens.study_text import run_words
from qualrec.tui.themes import is_ascii
from qualrec.tui.widgets.forms import Choice, Field, Form, Option, Row, Understood
from qualrec.tui.widgets.message_line import MessageLine
from qualrec.tui.widgets.pick_list import PickLine, Picks
from qualrec.tui.widgets.record_table import Cell

if TYPE_CHECKING:
    from qualrec.records.lookups import StudyRun
    from qualrec.work.gauge_studies import StudyPage

MODE_KEYS = {
    "parent material": "p",
    "cohesive": "c",
    "near-surface tear": "t",
    "interfacial": "i",
    "mixed": "m",
}
"""The keys of the bench for failure modes."""
Store = Callable[[int, str], None]
"""What stores an entry: run and text as typed; it calls `refresh_page` or `refused` of the sheet later."""


class StudyEntry(ModalScreen[None]):
    """Runs on top, the next open one asked for below. Enter stores it and goes on; up and down choose another run."""

    BINDINGS: ClassVar[list[BindingType]] = [
        ("escape", "dismiss(None)", "Close"),
        ("pageup", "earlier", "Run before"),
        ("pagedown", "later", "Next run"),
    ]
    DEFAULT_CSS = """
    StudyEntry > #sheet { width: 1fr; height: 1fr; max-width: 110; max-height: 100%; }
    StudyEntry Picks { height: 1fr; }
    StudyEntry Picks > DetailPane { display: none; }
    StudyEntry Picks > _Lines { height: 1fr; max-height: 100%; }
    StudyEntry Form { height: auto; }
    """

    def __init__(self, page: StudyPage, store: Store, style: DecimalStyle) -> None:
        super().__init__()
        self.page = page
        self.store = store
        self.style_of_figures = style
        self.at = self._next(0)
        self.last = 0
        """The run entered last on this sheet."""

    def compose(self) -> ComposeResult:
        plan = self.page.plan
        assert plan is not None
        with Vertical(id="sheet"):
            title = f"Study {self.page.line.study.number}: runs   (Esc: leave, PgUp PgDn: another run)"
            yield Static(self._words(title), id="sheet-title", markup=False)
            yield Picks(id="runs")
            yield Static(id="run-asked", markup=False)
            with Form(id="run-form"):
                yield self._row()
            yield MessageLine(id="run-message")

    def _row(self) -> Row:
        plan = self.page.plan
        assert plan is not None
        if not plan.calls_classes:
            return Field("Value", id="value", unit=plan.unit, understand=self._understand)
        keys = [MODE_KEYS.get(name, "") for name in plan.classes]
        if not all(keys):
            keys = [str(at) for at in range(1, 10)] + [chr(ord("a") + at) for at in range(26)]
        options = [Option(key, name, name) for key, name in zip(keys, plan.classes, strict=False)]
        return Choice("Class", options, id="value")

    def _understand(self, text: str) -> Understood:
        from qualrec.intake.numbers import understand

        assert self.page.plan is not None
        found = understand(text, self.page.plan.unit)
        return Understood(found.value, found.echo)

    def on_mount(self) -> None:
        self._show()
        self.query_one(Form).start()

    @property
    def runs(self) -> tuple[StudyRun, ...]:
        return self.page.runs

    def _next(self, start: int) -> int:
        """Place of the next open run from a place on, else of the first open one, else the same place."""
        places = [*range(start, len(self.page.runs)), *range(start)]
        return next(
            (at for at in places if not self.page.runs[at].entered), min(start, len(self.page.runs) - 1)
        )

    def _show(self) -> None:
        plan = self.page.plan
        assert plan is not None
        lines = [
            PickLine(
                f"run:{at}",
                (
                    Cell("▸ " if at == self.at else "  ", Tone.GOOD),
                    self._words_of(run),
                ),
            )
            for at, run in enumerate(self.runs)
        ]
        picks = self.query_one(Picks)
        picks.show(lines)
        picks.go_to(f"run:{self.at}")
        run = self.runs[self.at]
        factors = ", ".join(f"{name} {run.factors[name]}" for name in plan.factors)
        left = len(self.page.open_runs)
        told = f"Run {run.position} of {len(self.runs)}: {factors}   ({left} open)"
        if run.entered:
            told += "   entered already; a change needs a reason and the command line"
        self.query_one("#run-asked", Static).update(self._words(told))

    def _words_of(self, run: StudyRun) -> Cell:
        """A run in the list. What it gave is shown of the last entry only: nobody is led by what others found."""
        assert self.page.plan is not None
        text = run_words(run, self.page.plan.factors, self.style_of_figures)
        if run.entered and run.position != self.last:
            text = run_words(replace(run, mode="entered", value=None), self.page.plan.factors, "point")
        return Cell(text, None if run.entered else Tone.QUIET)

    def on_picks_chosen(self, message: Picks.Chosen) -> None:
        message.stop()
        self._go(int(message.key.partition(":")[2]))

    def on_picks_moved(self, message: Picks.Moved) -> None:
        message.stop()

    def action_earlier(self) -> None:
        self._go(max(self.at - 1, 0))

    def action_later(self) -> None:
        self._go(min(self.at + 1, len(self.runs) - 1))

    def _go(self, at: int) -> None:
        self.at = at
        self._show()
        self.query_one(Form).clear()

    def on_form_complete(self, message: Form.Complete) -> None:
        message.stop()
        row = self.query_one("#value", Row)
        text = row.text if isinstance(row, Field) else str(row.value or "")
        self.store(self.runs[self.at].position, text)

    def refresh_page(self, page: StudyPage, told: str) -> None:
        """An entry was stored: show it and ask for the next open run."""
        self.page = page
        self.last = self.runs[self.at].position
        self.at = self._next(self.at)
        self._show()
        self.query_one("#run-message", MessageLine).say(told, Tone.GOOD)
        self.query_one(Form).clear()

    def refused(self, message: str) -> None:
        """An entry was not stored; it stands in the field still."""
        self.query_one("#run-message", MessageLine).say(f"! {message}", Tone.BAD)
        self.query_one(Form).start()

    def _words(self, text: str) -> str:
        return plain(text) if is_ascii(self) else text
