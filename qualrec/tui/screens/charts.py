"""Charts: is this characteristic drifting, since when, and what happened then?"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, ClassVar

from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Container, VerticalScroll
from textual.events import Resize
from textual.widgets import Static

from qualrec.tui.actions import bindings_of
from qualrec.tui.labels import Tone
from qualrec.tui.messages import Trouble
from qualrec.tui.screens import charts_text as words
from qualrec.tui.screens.charts_limits import LimitsScreen, Loaded
from qualrec.tui.screens.charts_text import Look
from qualrec.tui.screens.subject import Subject, groups_of
from qualrec.tui.screens.text_sheet import TextSheet
from qualrec.tui.widgets.chart import Chart
from qualrec.tui.widgets.plot_sequence import SequencePlot, Words

if TYPE_CHECKING:
    from qualrec.assess import ChartView, TrialLimits
    from qualrec.work.session import Session

WIDE, TALL = 110, 32
POINT_LINES = 3
LEAST_FOR_SPREAD = 16
"""Rows below which the chart leaves no room for the spread chart."""


class LotChart(Chart):
    """The chart of the place; what is known of a point stands beside it, not in it."""

    DETAIL_LINES = 0


class ChartsScreen(LimitsScreen):
    PLACE: ClassVar[str] = "charts"
    BINDINGS: ClassVar[list[BindingType]] = [*bindings_of("charts")]
    DEFAULT_CSS = """
    ChartsScreen #subject { height: 1; text-style: bold; }
    ChartsScreen #state { height: auto; max-height: 2; }
    ChartsScreen #chart-main { height: 1fr; layout: vertical; }
    ChartsScreen #chart { height: 1fr; width: 1fr; }
    ChartsScreen #point { height: 3; width: 1fr; scrollbar-size-vertical: 0; }
    ChartsScreen.-tall #point { height: 9; }
    ChartsScreen.-wide #chart-main { layout: horizontal; }
    ChartsScreen.-wide #point { width: 42; height: 1fr; padding: 0 0 0 2; }
    """

    def __init__(self) -> None:
        super().__init__()
        self.price: Sequence[str] | None = None
        self.look = Look()
        self.legend = ""

    # Layout.

    def compose_body(self) -> ComposeResult:
        yield Static(id="subject", markup=False)
        yield Static(id="state", markup=False)
        with Container(id="chart-main"):
            yield LotChart(id="chart")
            with VerticalScroll(id="point", can_focus=False):
                yield Static(id="point-text", markup=False)

    def first_steps(self) -> tuple[str, ...]:
        return words.FIRST_STEPS if self.subject is not None else super().first_steps()

    def on_resize(self, event: Resize) -> None:
        self.set_class(event.size.width >= WIDE, "-wide")
        self.set_class(event.size.height >= TALL, "-tall")
        self.call_after_refresh(self.draw, keep=True)

    @property
    def chart(self) -> LotChart:
        return self.query_one("#chart", LotChart)

    # The records.

    def read_subject(self, subject: Subject, *, again: bool) -> None:
        if not again:
            self._clear(subject)

        def use(session: Session) -> Loaded:
            from qualrec import assess

            with session.store.read() as conn:
                view = assess.chart_view(conn, subject.part, subject.code, price=False, **subject.asked)
                groups = groups_of(conn, view.characteristic)
            return Loaded(subject, view, groups, session.actor.name, session.moment)

        self.read("subject", use, lambda found: self._arrived(found, again), self.subject_failed)

    def _clear(self, subject: Subject) -> None:
        """Nothing of the chart before may pass for the one that is read."""
        self.loaded, self.trial, self.price = None, None, None
        self._tell("#subject", f"{subject.words()}   computing ...")
        self._tell("#state", "")
        self._tell("#point-text", "")
        self.chart.show(SequencePlot((), words=Words(empty="computing ...")), describe=_nothing)
        self.chart.focus()

    def _arrived(self, found: Loaded, again: bool) -> None:
        self.loaded, self.choice, self.groups = found, found.view.choice, found.groups
        c = found.view.characteristic
        self.legend = words.event_legend(found.view)
        empty = len(found.view.series) == 0
        self.set_empty(empty, f"{found.subject.part} {c.code} {c.name} has no readings yet.")
        if empty:
            return
        if self.trial is not None:
            self.work_out(self.trial.proposal)
        self.draw(keep=again)
        self.chart.focus()
        if self.price is None:
            self.ask("price", lambda: _price(found.view), self._take_price)

    def _take_price(self, price: Sequence[str]) -> None:
        self.price = price
        sheet = self.app.screen
        if isinstance(sheet, TextSheet) and sheet.id == "notes" and self.loaded is not None:
            sheet.replace_lines(words.notes_lines(self.loaded.view, price))
        self._tell_point()

    # The picture.

    def draw(self, keep: bool = True) -> None:
        if self.loaded is None or not len(self.loaded.view.series):
            return
        view = self.loaded.view
        room = self.chart.size.height >= LEAST_FOR_SPREAD
        look = replace(self.look, spread=self.look.spread and room, style=self.decimal_style)
        if self.trial is None:
            sheet = words.view_sheet(view, look)
        else:
            places = [view.series.numbers.index(name) for name in self.trial.made.series.numbers]
            corrected = [bool(view.series.corrected[at]) for at in places]
            sheet = words.trial_sheet(self.trial.made, self.trial.signals, corrected, look)
        self.chart.show(sheet.main, heading=sheet.heading, spread=sheet.spread, describe=_nothing, keep=keep)
        self._tell_head()
        self._tell_point()

    def _tell_head(self) -> None:
        assert self.loaded is not None
        view, c = self.loaded.view, self.loaded.view.characteristic
        choice = self.choice_words()
        self._tell("#subject", f"{view.part_number} {c.code}   {c.name}" + (f"   {choice}" if choice else ""))
        if self.trial is None:
            state = words.signals_words(view)
            if view.left_out:
                state += "   left out: " + ", ".join(out.lot_number for out in view.left_out)
            tone = Tone.BAD if view.signals else Tone.QUIET
        else:
            state = self._trial_words(self.trial.made, view)
            tone = Tone.LOOK
        sign = "! " if tone is Tone.BAD else "? " if tone is Tone.LOOK else ""
        self._tell("#state", sign + state, tone)

    def _trial_words(self, made: TrialLimits, view: ChartView) -> str:
        text = f"Trial: {words.compare_words(made, view, self.decimal_style)}"
        if made.left_out:
            text += "; left out: " + ", ".join(out.lot_number for out in made.left_out)
        keys = [self.key_of(f"charts.{name}") for name in ("leave-out", "freeze", "trial")]
        return f"{text}. {keys[0]} leaves a lot out, {keys[1]} freezes, {keys[2]} ends."

    def _tell_point(self) -> None:
        """All about the point under the cursor, as far as there is room; Space shows it whole."""
        at = self._place()
        if at is None or self.loaded is None:
            return
        view = self.loaded.view
        if self.has_class("-wide"):
            lines = words.point_lines(view, at)
            legend = self.legend
            notes = [line for line in (self.price or ()) if line]
            text = "\n".join([*lines, *(["", legend] if legend else []), *(["", *notes] if notes else [])])
        elif self.has_class("-tall"):
            text = "\n".join(words.point_lines(view, at))
        else:
            text = words.point_summary(
                view, at, POINT_LINES * (self.size.width - 3), self.key_of("charts.point")
            )
        self._tell("#point-text", text)

    def _place(self) -> int | None:
        """The place of the point under the cursor among all points on record."""
        number = self.lot_here()
        return (
            None if number is None or self.loaded is None else self.loaded.view.series.numbers.index(number)
        )

    def lot_here(self) -> str | None:
        cursor = self.chart.cursor
        return None if cursor is None or self.loaded is None else self.chart.plot.name(cursor)

    def move_to(self, place: int) -> None:
        self.chart.move_to(place)
        self._tell_point()

    def _tell(self, where: str, text: str, tone: Tone | None = None) -> None:
        line = self.query_one(where, Static)
        line.update(self.text(text))
        for other in Tone:
            line.set_class(other is tone, f"tone-{other}")

    def on_chart_point_moved(self, message: Chart.PointMoved) -> None:
        message.stop()
        self._tell_point()

    async def on_chart_point_opened(self, message: Chart.PointOpened) -> None:
        """Open the lot behind the point; a moulding lot is told here."""
        message.stop()
        number = self.lot_here()
        if number is None or self.loaded is None:
            return
        if self.loaded.view.characteristic.hangs_on == "lot" and any(
            p.id == "lots" for p in self.program.places
        ):
            await self.program.action_go("lots")
            opener = getattr(self.program.place_screen, "open_lot", None)
            if opener is not None:
                opener(number)
        else:
            self.action_point()

    # What the user can do.

    def action_ewma(self) -> None:
        """Draw the exponentially weighted mean in place of the lot means, or back."""
        if self.loaded is None:
            return
        if words.track_of(self.loaded.view.chart, words.EWMA) is None:
            self.say("This chart has no exponentially weighted mean.", Tone.LOOK)
            return
        self.look = replace(self.look, ewma=not self.look.ewma)
        self.draw()

    def action_spread(self) -> None:
        self.look = replace(self.look, spread=not self.look.spread)
        self.draw()

    def action_point(self) -> None:
        at = self._place()
        if at is not None and self.loaded is not None:
            view = self.loaded.view
            self.app.push_screen(TextSheet(f"Point {view.series.numbers[at]}", words.point_lines(view, at)))

    def action_versions(self) -> None:
        if self.loaded is not None:
            view = self.loaded.view
            lines = words.history_lines(
                view.history, self.loaded.moment, view.characteristic, self.decimal_style
            )
            self.app.push_screen(TextSheet("All limits of this chart", lines))

    def action_notes(self) -> None:
        if self.loaded is not None:
            sheet = TextSheet("Notes on this chart", words.notes_lines(self.loaded.view, self.price))
            sheet.id = "notes"
            self.app.push_screen(sheet)

    def action_streams(self) -> None:
        """All streams beside each other."""
        if self.loaded is None or self.subject is None:
            return
        c, subject, streams = self.loaded.view.characteristic, self.subject, self.loaded.view.choice.streams
        if not streams:
            self.say(f"The readings of {c.code} are not divided into streams.", Tone.LOOK)
            return

        def use(session: Session) -> list[words.StreamRow]:
            from qualrec.assess.loading import choose, series_of

            with session.store.read() as conn:
                return words.stream_rows(
                    {name: series_of(conn, c, choose(conn, c, name, subject.condition)) for name in streams}
                )

        def take(rows: list[words.StreamRow]) -> None:
            lines = words.stream_lines(rows, c, 88 if self.size.width >= 96 else 72, self.decimal_style)
            self.app.push_screen(TextSheet(f"Streams of {subject.part} {c.code}", lines))

        self.read("streams", use, take)

    async def action_capability(self) -> None:
        await self.hand_over("capability")

    def subject_failed(self, trouble: Trouble) -> None:
        if self.loaded is None and self.subject is not None:
            self._tell("#subject", f"{self.subject.words()}   not read")
            self.chart.show(SequencePlot((), words=Words(empty="not read")), describe=_nothing)
        super().subject_failed(trouble)


def _nothing(_index: int) -> str:
    return ""


def _price(view: ChartView) -> Sequence[str]:
    from qualrec.assess.price import price_notes

    return price_notes(view) or ("No run lengths are computed for this kind of chart.",)
