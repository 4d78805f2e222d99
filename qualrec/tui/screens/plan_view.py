"""The control plans within the place of gauges: by part, one as it is read, differences, draft, approval, files."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from qualrec.tui.labels import Tone
from qualrec.tui.messages import Trouble
from qualrec.tui.screens.plan_text import SeenPlans, list_lines, plan_detail
from qualrec.tui.screens.record_sheets import AskSheet, refusal
from qualrec.tui.screens.study_view import StudyView
from qualrec.tui.widgets.forms import Choice, Field, Option, Row

if TYPE_CHECKING:
    from qualrec.records.lookups import ControlPlan
    from qualrec.work.control_plan import PlanPage
    from qualrec.work.plan_difference import Change
    from qualrec.work.session import Session

PHASES = (
    Option("t", "prototype", "prototype"),
    Option("l", "pre-launch", "pre-launch"),
    Option("s", "safe launch", "safe launch", "More samples after the start."),
    Option("p", "production", "production"),
)
Shown = tuple["PlanPage", Sequence[tuple[str, str]], Sequence["Change"]]


class PlanView(StudyView):
    """What the place does with control plans."""

    plans: SeenPlans | None = None
    planned: dict[tuple[int, int | None], Shown]
    compared: int | None = None
    """The plan that others are compared with; None: each with the one before it."""

    def show_plans(self, told: str) -> None:
        """Read the control plans and show them by part."""

        def use(session: Session) -> SeenPlans:
            from qualrec.records import lookups

            with session.store.read() as conn:
                parts = tuple((p.number, p.name) for p in lookups.parts(conn))
                return SeenPlans(session, parts, lookups.control_plans(conn), session.store.clock())

        def then(seen: SeenPlans) -> None:
            self.plans, self.planned = seen, {}
            self._list_plans()
            self.picks.list.focus()
            if told:
                self.say(told, Tone.GOOD)

        self.read("control plans", use, then)

    def _list_plans(self) -> None:
        if self.plans is not None:
            self.picks.show(list_lines(self.plans, self.compared))
            self.tell_plan()

    def tell_plan(self) -> None:
        """Details of the plan under the cursor, with what changed from the one compared with."""
        seen = self.plans
        plan = None if seen is None else seen.plan(self.picks.key)
        if seen is None or plan is None:
            return
        base = self._base(seen, plan)
        key = (plan.id, None if base is None else base.id)
        shown = self.planned.get(key)
        if shown is not None:
            page, head, changes = shown
            self.picks.detail(plan_detail(page, head, seen.now_us, base, changes))
            return

        def use(session: Session) -> Shown:
            from qualrec.work.control_plan import page_of
            from qualrec.work.plan_difference import difference
            from qualrec.work.plan_files import head_of

            page = page_of(session, key[0])
            changes = () if base is None else difference(base, page.plan)
            return page, head_of(session, page.plan), changes

        def then(found: Shown) -> None:
            self.planned[key] = found
            if self.picks.key == f"plan:{key[0]}":
                self.tell_plan()

        self.read("control plan", use, then)

    def _base(self, seen: SeenPlans, plan: ControlPlan) -> ControlPlan | None:
        marked = seen.plan(f"plan:{self.compared}")
        if marked is not None and marked.part_number == plan.part_number and marked.id != plan.id:
            return marked
        return seen.before(plan)

    def _chosen_plan(self) -> ControlPlan | None:
        plan = None if self.plans is None else self.plans.plan(self.picks.key)
        if plan is None:
            self.say("Put the cursor on a control plan first: Control plans lists them.", Tone.LOOK)
        return plan

    def _planned(self, title: str, use: Callable[[Session], str]) -> None:
        def refused(trouble: Trouble) -> None:
            if trouble.lost:
                self.failed("control plans", trouble)
            else:
                self.app.push_screen(refusal(title, trouble))

        self.write("control plans", use, self.load_and, refused)

    # Actions.

    def action_compare_plans(self) -> None:
        """Compare the other plans of the part with the one under the cursor; again: each with the one before."""
        plan = self._chosen_plan()
        if plan is not None:
            self.compared = None if self.compared == plan.id else plan.id
            self._list_plans()

    def action_draft_plan(self) -> None:
        """Open a draft of the next revision for the part under the cursor."""
        part = "" if self.plans is None else self.plans.part_of(self.picks.key)
        if not part:
            self.say(
                "Put the cursor on a part or one of its plans first: Control plans lists them.", Tone.LOOK
            )
            return

        def use(given: dict[str, str] | None) -> None:
            if given:
                self._planned("Not drafted", lambda session: _draft(session, part, given["phase"]))

        lead = (
            "Made from the last plan of the phase, else from the characteristics of the part. "
            "It is changed as a file or by command."
        )
        self.app.push_screen(
            AskSheet(f"Draft for {part}", (Choice("Phase", PHASES, id="phase"),), lead=lead), use
        )

    def action_approve_plan(self) -> None:
        """Approve the draft under the cursor, signed."""
        plan = self._chosen_plan()
        if plan is None or self.plans is None:
            return
        part, phase, session = plan.part_number, plan.phase, self.plans.session
        rows: list[Row] = [
            Field("Reason", id="reason"),
            Field("In force from", id="valid_from", required=False, placeholder="empty: now"),
        ]
        if session.accounts:
            rows.append(Field("Password", id="password", secret=True))
        lead = (
            f"{plan.label}. It takes over from the plan in force, of whatever phase: its samples are owed, its reaction "
            f"plans are shown.\nSigned by {session.actor.name} ({session.actor.badge})."
        )

        def use(given: dict[str, str] | None) -> None:
            if given:
                self._planned("Not approved", lambda opened: _approve(opened, part, phase, given))

        self.app.push_screen(AskSheet(f"Approve {plan.number}", rows, lead=lead), use)

    def action_write_plan(self) -> None:
        """Write the plan under the cursor to a file."""
        plan = self._chosen_plan()
        if plan is None:
            return

        def use(given: dict[str, str] | None) -> None:
            if given:
                self._planned("Not written", lambda session: _write(session, plan, given["file"]))

        rows = (Field("File", id="file", placeholder="ends in .toml, .csv, .xlsx or .txt"),)
        self.app.push_screen(
            AskSheet(f"Write {plan.label}", rows, filled={"file": f"{plan.number}.xlsx"}), use
        )

    def action_take_plan(self) -> None:
        """Take a control plan from a TOML file into a draft."""
        self.open_view("plans")

        def use(given: dict[str, str] | None) -> None:
            if given:
                self._planned("Not taken", lambda session: _take(session, given["file"]))

        rows = (Field("File", id="file", placeholder="a control plan as .toml"),)
        self.app.push_screen(AskSheet("Take a control plan", rows), use)


def _draft(session: Session, part: str, phase: str) -> str:
    from qualrec.work.control_plan import draft

    plan = draft(session, part, phase)
    return f"{plan.label} of part {part} drafted with {len(plan.rows)} rows."


def _approve(session: Session, part: str, phase: str, given: dict[str, str]) -> str:
    from qualrec.work.control_plan import approve

    return approve(
        session,
        part,
        phase,
        reason=given["reason"],
        valid_from=given["valid_from"],
        password=given.get("password"),
    )


def _write(session: Session, plan: ControlPlan, file: str) -> str:
    from pathlib import Path

    from qualrec.work.plan_files import write_plan

    return write_plan(session, plan.part_number, Path(file), phase=plan.phase, revision=plan.revision)


def _take(session: Session, file: str) -> str:
    from pathlib import Path

    from qualrec.work.plan_files import take_plan

    return " ".join(take_plan(session, Path(file)))
