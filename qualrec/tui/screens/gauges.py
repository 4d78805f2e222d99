"""Gauges: can I trust the number? The register as it stands today, what is overdue first."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, ClassVar

from textual.app import ComposeResult
from textual.binding import BindingType

from qualrec.tui.actions import bindings_of
from qualrec.tui.labels import Tone
from qualrec.tui.messages import Trouble
from qualrec.tui.screens.base import PlaceScreen
from qualrec.tui.screens.gauge_text import Seen, gauge_detail, list_lines
from qualrec.tui.screens.record_sheets import AskSheet, refusal
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
)


class GaugesScreen(PlaceScreen):
    PLACE: ClassVar[str] = "gauges"
    BINDINGS: ClassVar[list[BindingType]] = [*bindings_of("gauges")]

    def __init__(self) -> None:
        super().__init__()
        self.seen: Seen | None = None
        self.pages: dict[int, GaugePage] = {}

    def compose_body(self) -> ComposeResult:
        yield Picks(id="gauges")

    @property
    def picks(self) -> Picks:
        return self.query_one(Picks)

    def first_steps(self) -> tuple[str, ...]:
        return TEACH

    def load(self) -> None:
        self.load_and("")

    def load_and(self, told: str) -> None:
        """Read the register and say something then."""

        def use(session: Session) -> Seen:
            from qualrec.records import lookups

            with session.store.read() as conn:
                return Seen(session, lookups.gauges(conn), session.store.clock())

        def then(seen: Seen) -> None:
            self.seen = seen
            self.pages = {}
            self.set_empty(not seen.gauges, "No gauge is on record yet.")
            self.picks.show(list_lines(seen))
            self._tell()
            if self.focused is None:
                self.picks.list.focus()
            if told:
                self.say(told, Tone.BAD if "BAD" in told or ": bad" in told else Tone.GOOD)

        self.read("gauges", use, then)

    def on_picks_moved(self, message: Picks.Moved) -> None:
        self._tell()

    def _gauge(self) -> Gauge | None:
        return None if self.seen is None else self.seen.gauge(self.picks.key)

    def _tell(self) -> None:
        """Details of the gauge under the cursor; what takes time is put in when it is there."""
        gauge = self._gauge()
        if gauge is None or self.seen is None:
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
        )

        def use(given: dict[str, str] | None) -> None:
            if not given:
                return

            def write(session: Session) -> str:
                from qualrec.work.gauges import record_calibration

                return record_calibration(session, code, **given)

            self._do("Not recorded", write)

        self.app.push_screen(AskSheet(f"Calibration of {code}", rows), use)
