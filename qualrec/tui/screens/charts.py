"""Charts: is this characteristic drifting, since when, and what happened then?"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, ClassVar

from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Container, VerticalScroll
from textual.events import Resize
from textual.widgets import Static

from qualrec.tui.actions import bindings_of
from qualrec.tui.labels import Tone, count
from qualrec.tui.messages import Trouble
from qualrec.tui.screens import charts_text as words
from qualrec.tui.screens.charts_sheets import FreezeSheet, ReasonSheet
from qualrec.tui.screens.charts_text import Look, Moment
from qualrec.tui.screens.subject import Group, Subject, SubjectScreen, groups_of
from qualrec.tui.screens.text_sheet import TextSheet
from qualrec.tui.widgets.chart import Chart
from qualrec.tui.widgets.plot_grid import SequencePlot, Words

if TYPE_CHECKING:
    from qualrec.assess import ChartView, TrialLimits
    from qualrec.stats.results import Signal
    from qualrec.work.session import Session

WIDE, TALL = 110, 32
POINT_LINES = 3
LEAST_FOR_SPREAD = 16
"""Rows below which the chart leaves no room for the spread chart."""


@dataclass(frozen=True, slots=True, eq=False)
class Loaded:
    """A chart with what the place needs around it."""

    subject: Subject
    view: ChartView
    groups: tuple[Group, ...]
    person: str
    moment: Moment


@dataclass(frozen=True, slots=True)
class Proposal:
    """Which lots trial limits come from; nothing of it is stored."""

    left_out: Mapping[str, str]
    since: str | None = None
    until: str | None = None


@dataclass(frozen=True, slots=True, eq=False)
class Trial:
    """Limits worked out from a proposal."""

    proposal: Proposal
    made: TrialLimits
    signals: tuple[Signal, ...]


class LotChart(Chart):
    """The chart of the place; what is known of a point stands beside it, not in it."""

    DETAIL_LINES = 0


class ChartsScreen(SubjectScreen):
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
        self.loaded: Loaded | None = None
        self.trial: Trial | None = None
        self.price: Sequence[str] | None = None
        self.look = Look()

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
        self.call_after_refresh(self._draw, keep=True)

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
        empty = len(found.view.series) == 0
        self.set_empty(empty, f"{found.subject.part} {c.code} {c.name} has no readings yet.")
        if empty:
            return
        if self.trial is not None:
            self._work_out(self.trial.proposal)
        self._draw(keep=again)
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

    def _draw(self, keep: bool = True) -> None:
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
        return f"{text}. x leaves a lot out, z freezes, t ends."

    def _tell_point(self) -> None:
        """All about the point under the cursor, as far as there is room; Space shows it whole."""
        at = self._place()
        if at is None or self.loaded is None:
            return
        view = self.loaded.view
        if self.has_class("-wide"):
            lines = words.point_lines(view, at)
            legend = words.event_legend(view)
            notes = [line for line in (self.price or ()) if line]
            text = "\n".join([*lines, *(["", legend] if legend else []), *(["", *notes] if notes else [])])
        elif self.has_class("-tall"):
            text = "\n".join(words.point_lines(view, at))
        else:
            text = words.point_summary(view, at, POINT_LINES * (self.size.width - 3))
        self._tell("#point-text", text)

    def _place(self) -> int | None:
        """The place of the point under the cursor among all points on record."""
        number = self._lot()
        return (
            None if number is None or self.loaded is None else self.loaded.view.series.numbers.index(number)
        )

    def _lot(self) -> str | None:
        cursor = self.chart.cursor
        return None if cursor is None or self.loaded is None else self.chart.plot.name(cursor)

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
        number = self._lot()
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
        self._draw()

    def action_spread(self) -> None:
        self.look = replace(self.look, spread=not self.look.spread)
        self._draw()

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

    # Limits: only worked out when asked for, only stored when signed.

    def action_trial(self) -> None:
        """Work trial limits out from all points, or put them away again."""
        if self.loaded is None:
            return
        if self.trial is not None:
            self.trial = None
            self.say("")
            self._draw(keep=False)
            return
        on_chart = set(self.loaded.view.series.numbers)
        left_out = {o.lot_number: o.reason for o in self.loaded.view.left_out if o.lot_number in on_chart}
        self._work_out(Proposal(left_out))

    def _work_out(self, proposal: Proposal) -> None:
        subject = self.subject
        if subject is None:
            return

        def use(session: Session) -> Trial:
            from qualrec.judge.charting import chosen_rules
            from qualrec.stats.rules import evaluate_chart
            from qualrec.work import review

            made = review.limits(
                session,
                subject.part,
                subject.code,
                leave_out=proposal.left_out,
                since=proposal.since,
                until=proposal.until,
                **subject.asked,
            ).trial
            return Trial(proposal, made, tuple(evaluate_chart(made.chart, chosen_rules(made.characteristic))))

        def take(trial: Trial) -> None:
            if subject != self.subject or self.loaded is None:
                return
            lot = self._lot()
            self.trial = trial
            self._draw(keep=False)
            if lot is not None and lot in trial.made.series.numbers:
                self.chart.move_to(trial.made.series.numbers.index(lot))
                self._tell_point()

        self.read("trial", use, take)

    def action_leave_out(self) -> None:
        """Leave the lot under the cursor out of the trial limits with a reason, or take it in again."""
        lot = self._lot()
        if self.trial is None or lot is None:
            self.say("First work out trial limits (t), then leave lots out of them.", Tone.LOOK)
            return
        proposal = self.trial.proposal
        if lot in proposal.left_out:
            kept = {name: why for name, why in proposal.left_out.items() if name != lot}
            self._work_out(replace(proposal, left_out=kept))
            return

        def given(values: dict[str, str] | None) -> None:
            if values and self.trial is not None:
                old = self.trial.proposal
                self._work_out(replace(old, left_out={**old.left_out, lot: values["reason"]}))

        self.app.push_screen(ReasonSheet(lot), given)

    def action_from_here(self) -> None:
        self._set_range("since")

    def action_to_here(self) -> None:
        self._set_range("until")

    def _set_range(self, end: str) -> None:
        """Take trial limits from this lot on, or up to it; the end that is set already is taken away again."""
        lot = self._lot()
        if self.trial is None or lot is None:
            self.say("First work out trial limits (t), then set their first or last lot.", Tone.LOOK)
            return
        old = self.trial.proposal
        lot_now = old.since if end == "since" else old.until
        value = None if lot_now == lot else lot
        new = replace(old, since=value) if end == "since" else replace(old, until=value)
        self._work_out(new)

    def action_freeze(self) -> None:
        """Put the trial limits in force: signed, with a reason, superseding those before."""
        if self.trial is None or self.loaded is None:
            self.say("First work out trial limits (t) and look at them, then freeze them.", Tone.LOOK)
            return
        trial, view = self.trial, self.loaded.view
        before = view.spans[-1].version if view.state == "frozen" else 0
        lines = [
            *words.trial_lines(trial.made),
            "",
            f"They supersede version {before}." if before else "They are the first limits of this chart.",
            f"They judge lots after {trial.made.series.numbers[-1]}. Open flags stay open.",
            "",
        ]

        def given(values: dict[str, str] | None) -> None:
            if values:
                self._freeze(trial, values)

        self.app.push_screen(FreezeSheet(lines, self.loaded.person), given)

    def _freeze(self, trial: Trial, given: dict[str, str]) -> None:
        subject, proposal = self.subject, trial.proposal
        if subject is None:
            return

        def use(session: Session) -> str:
            from qualrec.records import lookups
            from qualrec.work import review

            if given["badge"]:
                with session.store.read() as conn:
                    session = session.acting(lookups.actor(conn, given["badge"]))
            made = review.limits(
                session,
                subject.part,
                subject.code,
                leave_out=proposal.left_out,
                since=proposal.since,
                until=trial.made.series.numbers[-1],
                freeze=True,
                reason=given["reason"],
                **subject.asked,
            )
            out = count(len(made.trial.left_out), "lot", "lots")
            return f"{made.sentences[-1]} ({out} left out). No flag was cleared."

        def take(sentence: str) -> None:
            self.trial = None
            self.say(sentence, Tone.GOOD)
            self.load()

        self.write("freeze", use, take)

    def subject_failed(self, trouble: Trouble) -> None:
        self.chart.show(SequencePlot((), words=Words(empty="not read")), describe=_nothing)
        super().subject_failed(trouble)


def _nothing(_index: int) -> str:
    return ""


def _price(view: ChartView) -> Sequence[str]:
    from qualrec.assess.price import price_notes

    return price_notes(view.characteristic) or ("No run lengths are computed for this kind of chart.",)
