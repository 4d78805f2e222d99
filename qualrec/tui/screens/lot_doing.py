"""What Lots does with one lot: flags, reaction plan, decision, concession, containment, shipment, label, correction."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from qualrec.tui.labels import Tone
from qualrec.tui.messages import Trouble
from qualrec.tui.screens import lot_sheets
from qualrec.tui.screens.base import PlaceScreen
from qualrec.tui.screens.lot_page import SeenLot, next_step
from qualrec.tui.screens.lot_work import (
    acknowledge,
    close_flag,
    contain,
    decide,
    give_concession,
    label_lines,
    see_lot,
    ship,
    tick_step,
)
from qualrec.tui.screens.record_sheets import refusal
from qualrec.tui.screens.subject import Subject, SubjectScreen
from qualrec.tui.screens.text_sheet import TextSheet
from qualrec.tui.widgets.pick_list import Picks
from qualrec.tui.widgets.record_table import RecordTable

if TYPE_CHECKING:
    from qualrec.values import Flag
    from qualrec.work.session import Session


class LotDoing(PlaceScreen):
    """The actions on the lot of the page, or on the one under the cursor of the list."""

    def __init__(self) -> None:
        super().__init__()
        self.seen: SeenLot | None = None
        self.turned: set[str] = set()

    @property
    def table(self) -> RecordTable:
        return self.query_one(RecordTable)

    @property
    def picks(self) -> Picks:
        return self.query_one(Picks)

    def open_lot(self, number_of: str, told: str = "") -> None:
        raise NotImplementedError

    def show_page(self) -> None:
        """Draw the page of the lot that was read."""
        raise NotImplementedError

    def _with_lot(self, then: Callable[[SeenLot], None]) -> None:
        """Do something with the lot on the page, or with the one under the cursor of the list, opened first."""
        if self.seen is not None:
            then(self.seen)
        elif self.table.key is None:
            self.say("There is no lot to work on.", Tone.LOOK)
        else:

            def opened(seen: SeenLot) -> None:
                self.seen = seen
                self.turned = set()
                self.add_class("-page")
                self.show_page()
                self.picks.list.focus()
                then(seen)

            key = self.table.key
            self.read("lot", lambda session: see_lot(session, key), opened)

    def _flag(self) -> Flag | None:
        """The flag under the cursor of the page."""
        flag = None if self.seen is None else self.seen.flag(self.picks.key)
        if flag is None:
            self.say("Open a lot and put the cursor on one of its flags first.", Tone.LOOK)
        elif flag.state == "closed":
            self.say("This flag is closed.", Tone.LOOK)
            return None
        return flag

    def _do(self, title: str, use: Callable[[Session], str]) -> None:
        """Write, then read the page again; a refusal is shown in full."""
        assert self.seen is not None
        lot = self.seen.page.lot.number

        def refused(trouble: Trouble) -> None:
            if trouble.lost:
                self.failed("lot", trouble)
            else:
                self.app.push_screen(refusal(title, trouble))
                self.open_lot(lot)

        self.write("decide", use, lambda sentence: self.open_lot(lot, sentence), refused)

    def action_acknowledge(self) -> None:
        flag = self._flag()
        if flag is None:
            return
        number_of = flag.id

        def use(given: dict[str, str] | None) -> None:
            if given:
                self._do("Acknowledge", lambda session: acknowledge(session, number_of, given["text"]))

        self.app.push_screen(lot_sheets.acknowledge_sheet(flag), use)

    def action_close_flag(self) -> None:
        flag = self._flag()
        if flag is None:
            return
        number_of = flag.id

        def use(given: dict[str, str] | None) -> None:
            if given:
                self._do("Close the flag", lambda session: close_flag(session, number_of, given["text"]))

        self.app.push_screen(lot_sheets.close_sheet(flag), use)

    def action_step(self) -> None:
        """Tick the next step of the flag's reaction plan."""
        flag, seen = self._flag(), self.seen
        if flag is None or seen is None:
            return
        at, number_of = next_step(seen, flag), flag.id
        if at is None:
            self.say("No step of the reaction plan is left.", Tone.LOOK)
            return
        step = flag.reaction_plan[at - 1]

        def use(given: dict[str, str] | None) -> None:
            if given is not None and given.get("done") == "yes":
                self._do("Reaction plan", lambda session: tick_step(session, number_of, at, given["text"]))

        self.app.push_screen(lot_sheets.step_sheet(at, step), use)

    def action_decide(self) -> None:
        def ask(seen: SeenLot) -> None:
            lot = seen.page.lot

            def use(given: dict[str, str] | None) -> None:
                if given:
                    self._do("Not decided", lambda s: decide(s, lot.number, lot.version, given))

            self.app.push_screen(lot_sheets.decision_sheet(seen), use)

        self._with_lot(ask)

    def action_concession(self) -> None:
        def ask(seen: SeenLot) -> None:
            lot = seen.page.lot.number

            def use(given: dict[str, str] | None) -> None:
                if given:
                    self._do("No concession recorded", lambda session: give_concession(session, lot, given))

            self.app.push_screen(lot_sheets.concession_sheet(seen), use)

        self._with_lot(ask)

    def action_ship(self) -> None:
        """Record what leaves the house."""

        def ask(seen: SeenLot) -> None:
            lot = seen.page.lot.number

            def use(given: dict[str, str] | None) -> None:
                if given:
                    self._do("Nothing was shipped", lambda session: ship(session, lot, given))

            self.app.push_screen(lot_sheets.ship_sheet(seen), use)

        self._with_lot(ask)

    def action_contain(self) -> None:
        """Begin the containment of the lot, add a place, or record what was found at the place under the cursor."""

        def ask(seen: SeenLot) -> None:
            lot = seen.page.lot.number
            kind, _, number = self.picks.key.partition(":")
            place = next((c for c in seen.containments if kind == "contained" and str(c.id) == number), None)

            def use(given: dict[str, str] | None) -> None:
                if given:
                    asked = given if place is None else {**given, "number": number}
                    self._do("Containment", lambda session: contain(session, lot, asked))

            if place is not None and place.state == "done":
                self.say("This place is done.", Tone.LOOK)
            else:
                self.app.push_screen(lot_sheets.containment_sheet(seen, place), use)

        self._with_lot(ask)

    def action_label(self) -> None:
        """Show what the lot's label says now."""

        def show(seen: SeenLot) -> None:
            lot = seen.page.lot.number

            def said(lines: tuple[str, ...]) -> None:
                self.app.push_screen(TextSheet(f"Label of lot {lot}", lines))

            self.read("label", lambda session: label_lines(session, lot), said)

        self._with_lot(show)

    def action_correct(self) -> None:
        seen = self.seen
        row = None if seen is None else seen.reading(self.picks.key)
        if seen is None or row is None:
            self.say("Open a lot and put the cursor on one of its readings first.", Tone.LOOK)
            return
        lot, found = seen.page.lot.number, row

        def use(given: dict[str, str] | None) -> None:
            if not given:
                return

            def write(session: Session) -> str:
                from qualrec.work import corrections

                return corrections.correct_text(
                    session,
                    lot,
                    found.code,
                    found.key.sample,
                    value=given["value"] or None,
                    mode=given.get("mode") or None,
                    stream=found.stream or corrections.NOT_DIVIDED,
                    reason=given["reason"],
                    second_badge=given["second"] or None,
                    second_secret=given.get("second_secret") or None,
                ).sentence

            self._do("Not corrected", write)

        self.app.push_screen(lot_sheets.correction_sheet(found, self.program.status.no_accounts), use)

    def action_bench(self) -> None:
        def go(seen: SeenLot) -> None:
            self.run_worker(self._to_bench(seen.page.lot.number))

        self._with_lot(go)

    async def _to_bench(self, lot: str) -> None:
        await self.program.action_go("bench")
        if self.program.place_screen is not None:
            self.program.place_screen.show_record(lot)

    async def action_chart(self) -> None:
        seen = self.seen
        code = "" if seen is None else seen.code_of(self.picks.key)
        if seen is None or not code:
            self.say("Open a lot and put the cursor on a characteristic or a reading first.", Tone.LOOK)
            return
        await self.program.action_go("charts")
        if isinstance(self.program.place_screen, SubjectScreen):
            self.program.place_screen.open_subject(Subject(seen.page.lot.part.number, code))
