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
from qualrec.tui.screens import charts_ways as ways
from qualrec.tui.screens.charts_limits import Loaded
from qualrec.tui.screens.charts_look import AS_IT_IS, Looked, LookScreen, look
from qualrec.tui.screens.charts_ways import RECORD
from qualrec.tui.screens.subject import Subject, groups_of
from qualrec.tui.screens.text_sheet import TextSheet
from qualrec.tui.themes import is_ascii
from qualrec.tui.widgets.chart import Chart
from qualrec.tui.widgets.plot_sequence import SequencePlot, Words
from qualrec.tui.widgets.strips import StripChart

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


class ChartsScreen(LookScreen):
    PLACE: ClassVar[str] = "charts"
    BINDINGS: ClassVar[list[BindingType]] = [*bindings_of("charts")]
    DEFAULT_CSS = """
    ChartsScreen #subject { height: 1; text-style: bold; }
    ChartsScreen #state { height: auto; max-height: 2; }
    ChartsScreen #groups { height: auto; max-height: 2; display: none; }
    ChartsScreen.-groups #groups { display: block; }
    ChartsScreen #chart-main { height: 1fr; layout: vertical; }
    ChartsScreen #chart, ChartsScreen #strips { height: 1fr; width: 1fr; }
    ChartsScreen #strips, ChartsScreen.-strips #chart { display: none; }
    ChartsScreen.-strips #strips { display: block; }
    ChartsScreen #point { height: 3; width: 1fr; scrollbar-size-vertical: 0; }
    ChartsScreen.-tall #point { height: 9; }
    ChartsScreen.-wide #chart-main { layout: horizontal; }
    ChartsScreen.-wide #point { width: 42; height: 1fr; padding: 0 0 0 2; }
    """

    def __init__(self) -> None:
        super().__init__()
        self.price: Sequence[str] | None = None
        self.legend = ""

    # Layout.

    def compose_body(self) -> ComposeResult:
        yield Static(id="subject", markup=False)
        yield Static(id="state", markup=False)
        yield Static(id="groups", markup=False)
        with Container(id="chart-main"):
            yield LotChart(id="chart")
            yield StripChart(id="strips")
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

    @property
    def shown(self) -> Chart:
        """The chart that is on the screen: that of one characteristic, or the strips."""
        return self.query_one("#strips", StripChart) if self.has_class("-strips") else self.chart

    # The records.

    def read_subject(self, subject: Subject, *, again: bool) -> None:
        if not again:
            self._clear(subject)
        way = self.way

        def use(session: Session) -> tuple[Loaded, Looked]:
            from qualrec import assess

            with session.store.read() as conn:
                view = assess.chart_view(conn, subject.part, subject.code, price=False, **subject.asked)
                groups = groups_of(conn, view.characteristic)
            looked = Looked() if way == AS_IT_IS else look(session, view, way)
            actor = session.actor.name
            return Loaded(subject, view, groups, actor, session.moment, session.accounts), looked

        self.read("subject", use, lambda found: self._arrived(*found, again), self.subject_failed)

    def _clear(self, subject: Subject) -> None:
        """Nothing of the chart before may pass for the one that is read."""
        self.loaded, self.trial, self.price, self.looked = None, None, None, Looked()
        self.set_class(False, "-strips")
        self.set_class(False, "-groups")
        self._tell("#subject", f"{subject.words()}   computing ...")
        self._tell("#state", "")
        self._tell("#point-text", "")
        self.chart.show(SequencePlot((), words=Words(empty="computing ...")), describe=_nothing)
        self.chart.focus()

    def _arrived(self, found: Loaded, looked: Looked, again: bool) -> None:
        self.loaded, self.choice, self.groups = found, found.view.choice, found.groups
        c = found.view.characteristic
        self.legend = words.event_legend(found.view)
        self.take_look(looked)
        empty = len(found.view.series) == 0
        self.set_empty(empty, f"{found.subject.part} {c.code} {c.name} has no readings yet.")
        if empty:
            return
        if self.trial is not None:
            self.work_out(self.trial.proposal)
        self.draw(keep=again and self.range_asked is None)
        self._show_range()
        self.shown.focus()
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
        rows = self.looked.rows
        before = self.shown
        self.set_class(rows is not None, "-strips")
        if rows is not None:
            self.query_one("#strips", StripChart).show_rows(
                ways.strip_rows(rows, self.decimal_style),
                rows.numbers,
                ways.strip_events(rows),
                keep=keep and self.shown is before,
            )
        else:
            sheet = self._sheet(self.loaded.view)
            self.chart.show(
                sheet.main,
                heading=sheet.heading,
                spread=sheet.spread,
                between=sheet.between,
                describe=_nothing,
                keep=keep,
            )
        if self.shown is not before and before.has_focus:
            self.shown.focus()
        self._tell_head()
        self._tell_point()

    def _sheet(self, view: ChartView) -> words.Sheet:
        """The chart as it is looked at: trial limits, another kind, or that of record, with groups told apart."""
        room = self.chart.size.height >= LEAST_FOR_SPREAD
        look = replace(self.look, spread=self.look.spread and room, style=self.decimal_style)
        if self.trial is not None:
            places = [view.series.numbers.index(name) for name in self.trial.made.series.numbers]
            corrected = [bool(view.series.corrected[at]) for at in places]
            return words.trial_sheet(self.trial.made, self.trial.signals, corrected, look)
        kind, strata = self.looked.kind, self.looked.strata
        sheet = words.view_sheet(view, look) if kind is None else ways.kind_sheet(view, kind, look)
        on_means = sheet.track in (view.chart.tracks[0].name, "lot mean")
        return ways.with_groups(sheet, strata) if strata is not None and on_means else sheet

    def _tell_head(self) -> None:
        assert self.loaded is not None
        view, c = self.loaded.view, self.loaded.view.characteristic
        choice = self.choice_words()
        rows, kind = self.looked.rows, self.looked.kind
        title = f"{view.part_number} {c.code}   {c.name}" + (f"   {choice}" if choice else "")
        if rows is not None:
            title = (
                f"{rows.part_number} {', '.join(strip.code for strip in rows.strips)}   on one axis of lots"
            )
        self._tell("#subject", title)
        self._tell_groups()
        if rows is not None:
            state, tone = ways.strips_state(rows), Tone.QUIET
        elif self.trial is None and kind is not None:
            state, tone = ways.kind_words(kind, self.key_of("charts.kind")), Tone.LOOK
        elif self.trial is None:
            state = words.signals_words(view)
            if view.left_out:
                state += "   left out: " + ", ".join(out.lot_number for out in view.left_out)
            tone = Tone.BAD if view.signals else Tone.QUIET
        else:
            state = self._trial_words(self.trial.made, view)
            tone = Tone.LOOK
        sign = "! " if tone is Tone.BAD else "? " if tone is Tone.LOOK else ""
        self._tell("#state", sign + state, tone)

    def _tell_groups(self) -> None:
        """The legend of the groups in words, where the points are told apart."""
        strata = self.looked.strata
        there = strata is not None and bool(self.chart.plot.layers) and self.looked.rows is None
        self.set_class(there, "-groups")
        if strata is not None and there and self.loaded is not None:
            decimals = words.decimals_of(self.loaded.view.characteristic)
            legend = ways.groups_legend(strata, is_ascii(self), decimals, self.decimal_style)
            self.query_one("#groups", Static).update(self.text(legend) if not is_ascii(self) else legend)

    def _trial_words(self, made: TrialLimits, view: ChartView) -> str:
        text = f"Trial: {words.compare_words(made, view, self.decimal_style)}"
        if made.left_out:
            text += "; left out: " + ", ".join(out.lot_number for out in made.left_out)
        keys = [self.key_of(f"charts.{name}") for name in ("leave-out", "freeze", "trial")]
        return f"{text}. {keys[0]} leaves a lot out, {keys[1]} freezes, {keys[2]} ends."

    def _tell_point(self) -> None:
        """All about the point under the cursor, as far as there is room; Space shows it whole."""
        lines = self.point_lines()
        if not lines or self.loaded is None:
            return
        view, at = self.loaded.view, self._place()
        if self.has_class("-wide"):
            notes = [line for line in (self.price or ()) if line]
            if self.looked.rows is not None:
                legend, notes = "", list(self.looked.rows.notes)
            else:
                legend = self.legend
                said = self.looked.strata.sentence if self.looked.strata is not None else ""
                notes = [line for line in (said, *notes) if line]
            text = "\n".join([*lines, *(["", legend] if legend else []), *(["", *notes] if notes else [])])
        elif self.has_class("-tall"):
            text = "\n".join(lines)
        elif at is not None and self.looked.kind is None and self.looked.strata is None:
            text = words.point_summary(
                view, at, POINT_LINES * (self.size.width - 3), self.key_of("charts.point")
            )
        else:
            text = words.shortened(lines, POINT_LINES * (self.size.width - 3), self.key_of("charts.point"))
        self._tell("#point-text", text)

    def point_lines(self) -> list[str]:
        """Everything about the point under the cursor, in the way it is looked at."""
        loaded, at, rows = self.loaded, self._place(), self.looked.rows
        if loaded is None:
            return []
        if rows is not None:
            cursor = self.shown.cursor
            if cursor is None or cursor >= len(rows):
                return []
            return ways.strip_point(rows, cursor, loaded.moment(int(rows.at_us[cursor])), self.decimal_style)
        if at is None:
            return []
        lines = words.point_lines(loaded.view, at)
        kind, strata = self.looked.kind, self.looked.strata
        more = []
        if kind is not None and self.trial is None:
            decimals = words.decimals_of(loaded.view.characteristic)
            more += ways.kind_point(kind, at, decimals, self.decimal_style)
        if strata is not None and strata.names_at(at):
            more.append(f"{strata.division.single.capitalize()}: {', '.join(strata.names_at(at))}")
        return [lines[0], *more, *lines[1:]]

    def _place(self) -> int | None:
        """The place of the point under the cursor among all points on record; None on the strips."""
        number = self.lot_here()
        if number is None or self.loaded is None or self.looked.rows is not None:
            return None
        return self.loaded.view.series.numbers.index(number)

    def lot_here(self) -> str | None:
        cursor = self.shown.cursor
        if cursor is None or self.loaded is None or cursor >= len(self.shown.plot.values):
            return None
        return self.shown.plot.name(cursor)

    def move_to(self, place: int) -> None:
        self.chart.move_to(place)
        self._tell_point()

    def range_shown(self) -> tuple[str, str]:
        chart = self.shown
        last = len(chart.plot.values)
        if chart.stop <= chart.first:
            return "", ""
        return (
            chart.plot.name(chart.first) if chart.first else "",
            chart.plot.name(chart.stop - 1) if chart.stop < last else "",
        )

    def _show_range(self) -> None:
        """Show the range that a saved view asked for; an end that is not on the chart is that of the whole."""
        if self.range_asked is None:
            return
        (first, last), chart = self.range_asked, self.shown
        self.range_asked = None
        names = list(chart.plot.names)
        chart.look_at(
            names.index(first) if first in names else 0,
            names.index(last) + 1 if last in names else len(names),
        )

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
        welded = self.looked.rows is not None or self.loaded.view.characteristic.hangs_on == "lot"
        if welded and any(p.id == "lots" for p in self.program.places):
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
        if self.way.strips or self.way.kind != RECORD:
            self.say("The EWMA belongs to the chart of record: Esc leads back to it.", Tone.LOOK)
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
        lines = self.point_lines()
        if lines:
            self.app.push_screen(TextSheet(f"Point {self.lot_here()}", lines))

    def action_versions(self) -> None:
        if self.loaded is not None:
            view = self.loaded.view
            lines = words.history_lines(
                view.history, self.loaded.moment, view.characteristic, self.decimal_style
            )
            self.app.push_screen(TextSheet("All limits of this chart", lines))

    def action_notes(self) -> None:
        if self.loaded is not None:
            kind, strata, rows = self.looked.kind, self.looked.strata, self.looked.rows
            if rows is not None:
                self.app.push_screen(TextSheet("Notes on these strips", rows.notes))
                return
            lines = words.notes_lines(self.loaded.view, self.price)
            if strata is not None and strata.sentence:
                lines = [strata.sentence, "", *lines]
            if kind is not None:
                own = [f"View: {kind.chart.method}. {kind.basis}. It raises no flag.", *kind.notes]
                lines = [*own, "", *lines]
            sheet = TextSheet("Notes on this chart", lines)
            sheet.id = "notes"
            self.app.push_screen(sheet)

    def action_later_code(self) -> None:
        if not (self.has_class("-strips") and self.query_one("#strips", StripChart).roll(1)):
            super().action_later_code()

    def action_earlier_code(self) -> None:
        if not (self.has_class("-strips") and self.query_one("#strips", StripChart).roll(-1)):
            super().action_earlier_code()

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
