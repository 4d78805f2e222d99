"""Limits on the Charts place: only worked out when asked for, only stored when signed, and never to clear a flag."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from qualrec.tui.labels import Tone, count
from qualrec.tui.screens import charts_text as words
from qualrec.tui.screens.charts_sheets import FreezeSheet, ReasonSheet
from qualrec.tui.screens.charts_text import Moment
from qualrec.tui.screens.subject import Group, Subject, SubjectScreen

if TYPE_CHECKING:
    from qualrec.assess import ChartView, TrialLimits
    from qualrec.stats.results import Signal
    from qualrec.work.session import Session


@dataclass(frozen=True, slots=True, eq=False)
class Loaded:
    """A chart with what the place needs around it."""

    subject: Subject
    view: ChartView
    groups: tuple[Group, ...]
    person: str
    moment: Moment
    accounts: bool = False
    """Whether a signature asks for the password."""


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


class LimitsScreen(SubjectScreen):
    """The part of the place that makes limits. A subclass draws: `draw`, `lot_here`, `move_to`."""

    def __init__(self) -> None:
        super().__init__()
        self.loaded: Loaded | None = None
        self.trial: Trial | None = None

    def draw(self, keep: bool = True) -> None:
        """Draw the chart under the trial limits or those on record; `keep` leaves cursor and view."""
        raise NotImplementedError

    def lot_here(self) -> str | None:
        """The number of the lot under the cursor."""
        raise NotImplementedError

    def move_to(self, place: int) -> None:
        """Put the cursor on a point of the chart as it is drawn."""
        raise NotImplementedError

    def action_trial(self) -> None:
        """Work trial limits out from all points, or put them away again."""
        if self.loaded is None:
            return
        if self.trial is not None:
            self.trial = None
            self.say("")
            self.draw(keep=False)
            return
        on_chart = set(self.loaded.view.series.numbers)
        left_out = {o.lot_number: o.reason for o in self.loaded.view.left_out if o.lot_number in on_chart}
        self.work_out(Proposal(left_out))

    def work_out(self, proposal: Proposal) -> None:
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
            lot = self.lot_here()
            self.trial = trial
            self.draw(keep=False)
            if lot is not None and lot in trial.made.series.numbers:
                self.move_to(trial.made.series.numbers.index(lot))

        self.read("trial", use, take)

    def action_leave_out(self) -> None:
        """Leave the lot under the cursor out of the trial limits with a reason, or take it in again."""
        lot = self.lot_here()
        if self.trial is None or lot is None:
            self.say(
                f"First work out trial limits ({self.key_of('charts.trial')}), then leave lots out of them.",
                Tone.LOOK,
            )
            return
        proposal = self.trial.proposal
        if lot in proposal.left_out:
            kept = {name: why for name, why in proposal.left_out.items() if name != lot}
            self.work_out(replace(proposal, left_out=kept))
            return

        def given(values: dict[str, str] | None) -> None:
            if values and self.trial is not None:
                old = self.trial.proposal
                self.work_out(replace(old, left_out={**old.left_out, lot: values["reason"]}))

        self.app.push_screen(ReasonSheet(lot), given)

    def action_from_here(self) -> None:
        self._set_range("since")

    def action_to_here(self) -> None:
        self._set_range("until")

    def _set_range(self, end: str) -> None:
        """Take trial limits from this lot on, or up to it; the end that is set already is taken away again."""
        lot = self.lot_here()
        if self.trial is None or lot is None:
            self.say(
                f"First work out trial limits ({self.key_of('charts.trial')}), then set their ends.",
                Tone.LOOK,
            )
            return
        old = self.trial.proposal
        lot_now = old.since if end == "since" else old.until
        value = None if lot_now == lot else lot
        new = replace(old, since=value) if end == "since" else replace(old, until=value)
        self.work_out(new)

    def action_freeze(self) -> None:
        """Put the trial limits in force: signed, with a reason, superseding those before."""
        if self.trial is None or self.loaded is None:
            self.say(
                f"First work out trial limits ({self.key_of('charts.trial')}) and look at them, then freeze.",
                Tone.LOOK,
            )
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

        self.app.push_screen(FreezeSheet(lines, self.loaded.person, self.loaded.accounts), given)

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
                password=given.get("password") or None,
                **subject.asked,
            )
            out = count(len(made.trial.left_out), "lot", "lots")
            return f"{made.sentences[-1]} ({out} left out). No flag was cleared."

        def take(sentence: str) -> None:
            self.trial = None
            self.say(sentence, Tone.GOOD)
            self.load()

        self.write("freeze", use, take)
