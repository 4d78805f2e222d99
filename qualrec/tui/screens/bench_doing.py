"""What the bench does beside single entries: events, corrections, a grid of values, the hand-over, the scanner's test."""

from __future__ import annotations

from typing import TYPE_CHECKING

from qualrec.tui.labels import Tone, count
from qualrec.tui.messages import Trouble
from qualrec.tui.screens.bench_grid import GridSheet, grid_ask, grid_columns
from qualrec.tui.screens.bench_hand_over import HandOverSheet, note_sheet
from qualrec.tui.screens.bench_scanner import ScannerSheet
from qualrec.tui.screens.bench_sending import Sending
from qualrec.tui.screens.bench_sheets import EVENTS, CorrectionSheet, EventSheet

if TYPE_CHECKING:
    from qualrec.judge.plausible import History
    from qualrec.values import Characteristic
    from qualrec.work.bench import BenchLot
    from qualrec.work.session import Session


class Doing(Sending):
    """The bench's actions that open a sheet."""

    def __init__(self) -> None:
        super().__init__()
        self.bench: BenchLot | None = None
        self.code = ""

    def characteristic(self) -> Characteristic | None:
        """The characteristic that is entered now."""
        if self.bench is None:
            return None
        return next((c for c in self.bench.characteristics if c.code == self.code), None)

    def open(self, text: str) -> None:
        raise NotImplementedError

    def gauge_of(self, found: BenchLot, c: Characteristic) -> str:
        """The gauge of the next entry; empty where it must be said first."""
        raise NotImplementedError

    def clock(self, at_us: int) -> str:
        """A moment of the plant: the time of day, with the day where it is another one."""
        moment, today = (self.desk.session().moment(x) for x in (at_us, self.now_us))
        return moment[11:] if moment[:10] == today[:10] else moment

    # Events.

    def action_event(self) -> None:
        self.app.push_screen(EventSheet(), self._log_event)

    def _log_event(self, kind: str | None) -> None:
        if not kind:
            return
        lot = "" if self.bench is None else self.bench.lot.number
        station = self.program.settings.station if self.bench is None else self.bench.lot.segment.station
        if not lot and not station:
            self.say("! The event has no place: open a lot first, or start with --station.", Tone.BAD)
            return
        word = next(option.word for option in EVENTS if option.value == kind)
        place = station or lot
        self.keep("event", f"{place}  {word}", {"event": kind, "at": station, "lot": lot})
        if kind == "shift":
            self.action_hand_over()

    # Corrections.

    def action_correct(self) -> None:
        """Correct or void a reading of the lot and characteristic on the bench."""
        if self.bench is None:
            self.say("Open a lot first.", Tone.LOOK)
            return
        self._ask_correction()

    def _ask_correction(self, filled: dict[str, str] | None = None, wrong: str = "") -> None:
        """The sheet of a correction; one that was refused comes back as it was filled in, without the PIN."""
        if self.bench is None:
            return
        own = [r for r in self.bench.readings if r.code == self.code]
        if not own:
            self.say(f"Lot {self.bench.lot.number} has no reading of {self.code} to correct.", Tone.LOOK)
            return
        self.app.push_screen(
            CorrectionSheet(
                self.code,
                own[-1].key.sample,
                pull=own[-1].pull is not None,
                stream=own[-1].stream,
                divided=any(r.stream for r in own),
                no_accounts=self.program.status.no_accounts,
                filled=filled,
                wrong=wrong,
            ),
            self._correct,
        )

    def _correct(self, given: dict[str, str] | None) -> None:
        if not given or self.bench is None:
            return
        lot, code = self.bench.lot.number, self.code

        def use(session: Session) -> str:
            from qualrec.work import corrections

            return corrections.correct_text(
                session,
                lot,
                code,
                int(given["sample"]),
                value=given["value"] or None,
                mode=given["mode"] or None,
                stream=given.get("stream") or None,
                reason=given["reason"],
                second_badge=given["second"] or None,
                second_secret=given["second_secret"] or None,
            ).sentence

        def done(sentence: str) -> None:
            self.opened_lot(lot)
            self.say(sentence, Tone.GOOD)

        def refused(trouble: Trouble) -> None:
            if trouble.lost:
                self.failed("correct", trouble)
            words = f"! {trouble.message} {trouble.remedy}".rstrip()
            self._ask_correction({**given, "second_secret": ""}, words)

        self.write("correct", use, done, refused)

    # A grid.

    def action_grid(self) -> None:
        """Enter many values at once: a row for each cavity, a column for each position or sample."""
        found, c = self.bench, self.characteristic()
        if found is None or c is None or c.strength:
            self.say("Open a lot and go to a test without failure mode first.", Tone.LOOK)
            return
        gauge = self.gauge_of(found, c)
        if found.facts.gauges.get(c.code) and not gauge:
            self.say(f"Say first which gauge is used for {c.code} (action Gauge).", Tone.LOOK)
            return

        def use(session: Session) -> tuple[tuple[str, ...], History]:
            from qualrec.work.bench_facts import history_of, positions_of

            with session.store.read() as conn:
                return positions_of(conn, c, gauge), history_of(conn, found.lot, c)

        def ask(known: tuple[tuple[str, ...], History]) -> None:
            positions, history = known

            def sized(answers: dict[str, str] | None) -> None:
                if answers:
                    columns = grid_columns(answers["positions"], int(answers["repeats"]))
                    sheet = GridSheet(c, found.facts.streams or ("",), columns, history, self.decimal_style)
                    self.app.push_screen(sheet, lambda rows: self._keep_grid(found, c, gauge, rows))

            self.app.push_screen(grid_ask(found, c, positions), sized)

        self.read("grid", use, ask)

    def _keep_grid(
        self, found: BenchLot, c: Characteristic, gauge: str, rows: list[dict[str, object]] | None
    ) -> None:
        if not rows:
            return
        words = f"{found.lot.number}  {c.code} {count(len(rows), 'value', 'values')}"
        self.keep("reading", words, {"lot": found.lot.number, "code": c.code, "gauge": gauge, "rows": rows})

    # The shift.

    def action_hand_over(self) -> None:
        """The page of this shift for the next one."""

        def use(session: Session) -> str:
            from qualrec.work import hand_over

            found = hand_over.page(session, waiting=self.queue.waiting(), refused=self.queue.refused())
            return hand_over.text(session, found)

        def show(page: str) -> None:
            self.app.push_screen(HandOverSheet(page), chosen)

        def chosen(answer: str | None) -> None:
            if answer == "note":
                self.app.push_screen(note_sheet(), noted)
            elif answer == "take":
                self._take_over()

        def noted(given: dict[str, str] | None) -> None:
            if given and given["text"]:
                self._leave_note(given["text"])

        self.read("hand-over", use, show)

    def _leave_note(self, text: str) -> None:
        def use(session: Session) -> str:
            from qualrec.work import hand_over

            return hand_over.leave_note(session, text)

        self.write("note", use, self._said_and_shown)

    def _take_over(self) -> None:
        def use(session: Session) -> str:
            from qualrec.work import hand_over

            return hand_over.take_over(session)

        self.write("note", use, self._said_and_shown)

    def _said_and_shown(self, sentence: str) -> None:
        self.say(sentence, Tone.GOOD)
        self.action_hand_over()

    # The scanner.

    def action_scanner(self) -> None:
        """See what a scanner sends, sign by sign."""
        self.app.push_screen(ScannerSheet(self.program.settings.scanner))
