"""Gauges: can I trust the number? The register as it stands today, studies, and the control plans that ask for the numbers."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, ClassVar

from textual.app import ComposeResult
from textual.binding import BindingType

from qualrec.tui.actions import actions_of, bindings_of
from qualrec.tui.labels import Tone
from qualrec.tui.messages import Trouble
from qualrec.tui.screens.gauge_text import Seen, doubt_lines, gauge_detail, list_lines
from qualrec.tui.screens.plan_view import PlanView
from qualrec.tui.screens.record_sheets import AskSheet, refusal
from qualrec.tui.screens.text_sheet import TextSheet
from qualrec.tui.widgets.bars import ActionLine
from qualrec.tui.widgets.forms import Choice, Field, Option, Understood
from qualrec.tui.widgets.pick_list import Picks

if TYPE_CHECKING:
    from qualrec.values import Gauge
    from qualrec.work.gauges import GaugePage
    from qualrec.work.session import Session

TEACH = (
    "Enter the gauges with their range, resolution and calibration interval: qualrec define FILE",
    "Record the last calibration of each here.",
    "Name the gauge family of each characteristic, so that readings carry their gauge.",
)
VERDICT = (
    Option("g", "good", "good", "Within its permitted error, as found or after adjustment."),
    Option("b", "bad", "bad", "The gauge is marked; lots measured with it have to be looked at."),
    Option("a", "adjusted", "adjusted", "Bad as found, good as left: back in use, earlier lots in doubt."),
)
VIEWS: dict[str, tuple[str, ...]] = {
    "register": ("studies", "plans", "check", "calibration", "doubt"),
    "studies": ("new-study", "enter-runs", "analyse", "run-sheet", "take-sheet", "withdraw-study", "studies"),
    "plans": ("draft-plan", "approve-plan", "compare-plans", "write-plan", "take-plan", "plans"),
}
"""The views of the place and the actions that their line offers; all others work too."""


class GaugesScreen(PlanView):
    PLACE: ClassVar[str] = "gauges"
    BINDINGS: ClassVar[list[BindingType]] = [*bindings_of("gauges")]

    def __init__(self) -> None:
        super().__init__()
        self.seen: Seen | None = None
        self.pages: dict[int, GaugePage] = {}
        self.studied, self.planned = {}, {}
        self.view = "register"
        self._code = ""

    def compose_body(self) -> ComposeResult:
        yield Picks(id="gauges")

    def first_steps(self) -> tuple[str, ...]:
        return TEACH

    def load(self) -> None:
        self.load_and("")

    def open_view(self, view: str, told: str = "") -> None:
        """Show the register, the studies or the control plans."""
        if view != self.view:
            self._code = self.gauge_code()
            self.view = view
            self.say("")
            self.picks.show(())
            self.picks.detail(())
            self.load_and(told)
        line = self.query_one(ActionLine)
        known = {a.id.partition(".")[2]: a for a in actions_of(self.PLACE)}
        app = actions_of("app")
        line.actions = [a for a in (app[0], *(known[n] for n in VIEWS[view]), *app[1:]) if a.show]
        line.refresh()

    def step_back(self) -> bool:
        if self.view == "register":
            return False
        self.open_view("register")
        return True

    def gauge_code(self) -> str:
        gauge = self._gauge()
        return self._code if gauge is None else gauge.code

    def action_studies(self) -> None:
        """The studies, or the register again."""
        self.open_view("register" if self.view == "studies" else "studies")

    def action_plans(self) -> None:
        """The control plans, or the register again."""
        self.open_view("register" if self.view == "plans" else "plans")

    def load_and(self, told: str) -> None:
        """Read what the view shows and say something then."""
        if self.view != "register":
            self.set_empty(False)
            (self.show_studies if self.view == "studies" else self.show_plans)(told)
            return

        def use(session: Session) -> Seen:
            from qualrec.records import lookups

            with session.store.read() as conn:
                return Seen(session, lookups.gauges(conn), session.store.clock())

        def then(seen: Seen) -> None:
            self.seen = seen
            self.pages = {}
            if self.view != "register":
                return
            self.set_empty(not seen.gauges, "No gauge is on record yet.")
            self.picks.show(list_lines(seen))
            self._tell()
            if self.focused is None:
                self.picks.list.focus()
            if told:
                self.say(told, Tone.BAD if "BAD" in told or ": bad" in told else Tone.GOOD)

        self.read("gauges", use, then)

    def on_picks_moved(self, message: Picks.Moved) -> None:
        {"register": self._tell, "studies": self.tell_study, "plans": self.tell_plan}[self.view]()

    def on_picks_chosen(self, message: Picks.Chosen) -> None:
        """Enter: the runs of a study that takes entries."""
        if self.view == "studies":
            self.action_enter_runs()

    def _gauge(self) -> Gauge | None:
        return None if self.seen is None else self.seen.gauge(self.picks.key)

    def _tell(self) -> None:
        """Details of the gauge under the cursor; what takes time is put in when it is there."""
        gauge = self._gauge()
        if gauge is None or self.seen is None or self.view != "register":
            return
        page = self.pages.get(gauge.id)
        self.picks.detail(gauge_detail(self.seen, gauge, page, self.decimal_style))
        if page is not None:
            return
        wanted = gauge.id

        def use(session: Session) -> GaugePage:
            from qualrec.work.gauges import gauge_page

            return gauge_page(session, wanted)

        def then(found: GaugePage) -> None:
            self.pages[wanted] = found
            self._tell()

        self.read("gauge", use, then)

    def _do(self, title: str, use: Callable[[Session], str]) -> None:
        def refused(trouble: Trouble) -> None:
            if trouble.lost:
                self.failed("gauges", trouble)
            else:
                self.app.push_screen(refusal(title, trouble))

        self.write("gauges", use, self.load_and, refused)

    def _reader(self, unit: str) -> Callable[[str], Understood]:
        def understand(text: str) -> Understood:
            from qualrec.intake.numbers import understand as read

            found = read(text, unit)
            return Understood(found.value, found.echo)

        return understand

    def action_check(self) -> None:
        """Record a check of the gauge under the cursor against a reference."""
        gauge = self._gauge()
        if gauge is None:
            self.say("There is no gauge to check.", Tone.LOOK)
            return
        code, reader = gauge.code, self._reader(gauge.unit)
        rows = (
            Field("Reference", id="reference", unit=gauge.unit, understand=reader),
            Field("Found", id="found", unit=gauge.unit, understand=reader),
            Field("Tolerance", id="tolerance", unit=gauge.unit, understand=reader),
            Field("Remark", id="remark", required=False),
        )

        def use(given: dict[str, str] | None) -> None:
            if not given:
                return

            def write(session: Session) -> str:
                from qualrec.work.gauges import record_check

                return record_check(session, code, **given)

            self._do("Not recorded", write)

        lead = "A check outside its tolerance marks the gauge as found bad."
        self.app.push_screen(AskSheet(f"Check of {code}", rows, lead=lead), use)

    def action_calibration(self) -> None:
        """Record a calibration of the gauge under the cursor."""
        gauge = self._gauge()
        if gauge is None:
            self.say("There is no gauge to calibrate.", Tone.LOOK)
            return
        code, reader = gauge.code, self._reader(gauge.unit)
        rows = (
            Field("Day", id="day", placeholder="as 2026-11-30"),
            Choice("Verdict", VERDICT, id="verdict"),
            Field("Certificate", id="certificate", required=False),
            Field("Error as found", id="as_found", unit=gauge.unit, understand=reader, required=False),
            Field("Error as left", id="as_left", unit=gauge.unit, understand=reader, required=False),
            Field("Standard", id="standard", required=False, placeholder="what it was compared with"),
        )

        def use(given: dict[str, str] | None) -> None:
            if not given:
                return

            def write(session: Session) -> str:
                from qualrec.work.gauges import record_calibration

                return record_calibration(session, code, **given)

            self._do("Not recorded", write)

        self.app.push_screen(AskSheet(f"Calibration of {code}", rows), use)

    def action_doubt(self) -> None:
        """All lots measured while a gauge was in doubt, and where each stands."""

        def use(session: Session) -> tuple[str, ...]:
            from qualrec.work.gauges import in_doubt

            return tuple(doubt_lines(session, in_doubt(session)))

        def then(lines: tuple[str, ...]) -> None:
            told = lines or ("No gauge is or was in doubt: no bad calibration or check is on record.",)
            self.app.push_screen(TextSheet("Lots in doubt", told))

        self.read("in doubt", use, then)
