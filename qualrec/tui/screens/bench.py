"""Bench: what must I test now, and was that pull good? Scan or type a lot, then digits, Enter, a letter."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from textual.binding import BindingType
from textual.widgets import OptionList

from qualrec.tui.actions import bindings_of
from qualrec.tui.labels import VERDICTS, Tone, number
from qualrec.tui.messages import Trouble
from qualrec.tui.screens.bench_choices import choice_sheet, take_answers
from qualrec.tui.screens.bench_entry import EntryForm, last_text, row_of
from qualrec.tui.screens.bench_link import LinkFeed
from qualrec.tui.screens.bench_sending import words_of
from qualrec.tui.screens.bench_shown import Shown
from qualrec.tui.screens.bench_text import (
    first_owed,
    state_changed,
    verdict_label,
)
from qualrec.tui.themes import is_ascii
from qualrec.tui.widgets.forms import Choice, Field, Form, Row

if TYPE_CHECKING:
    from qualrec.judge.plausible import History
    from qualrec.values import Characteristic
    from qualrec.work.bench import BenchLot, Logged
    from qualrec.work.bench_facts import WaitingLot
    from qualrec.work.queue import Kept
    from qualrec.work.session import Session


class BenchScreen(Shown):
    PLACE: ClassVar[str] = "bench"
    BINDINGS: ClassVar[list[BindingType]] = [*bindings_of("bench")]

    def __init__(self) -> None:
        super().__init__()
        self.seen: dict[str, BenchLot] = {}
        """Lots of this run by number: they can be gone on with while the records are away."""
        self.usual: dict[tuple[str, str], History] = {}
        self._at_us: int | None = None
        """Moment of the entry that was taken up again; None: now."""
        self._begin_due = True
        self._feed: LinkFeed | None = None
        self._told = False
        """The next change of the lot's state on the screen is known to the user."""

    def load(self) -> None:
        """Read the lot on the bench again, or the list of lots that wait for tests; send what is kept."""
        if self.bench is None:
            self._show_lot(None)
            self.read("waiting", _waiting, self._show_waiting)
            self.query_one("#scan", Field).start()
        else:
            self.open(self.bench.lot.number)
        self.queue.read()
        self.tell_kept()
        self.send()

    # The lot.

    def on_row_accepted(self, message: Row.Accepted) -> None:
        text = (message.text or "").strip()
        if message.row.id == "scan" and text:
            self.scanned(text)

    def on_row_scanned(self, message: Row.Scanned) -> None:
        message.stop()
        self.scanned(message.label)

    def scanned(self, label: str) -> None:
        """Take a label: a cavity or nest, else a lot. A lot is not opened over an entry that is half typed."""
        sign = self.program.settings.scanner.stream
        rest = label[len(sign) :].strip(" :-") if sign and label.upper().startswith(sign.upper()) else ""
        if self.bench is not None and rest in self.bench.facts.streams:
            self.chosen.stream = rest
            self._show_lot(self.bench)
            self.say(f"Cavity {rest} from now on.", Tone.GOOD)
            return
        half = self._half_typed()
        if half and self.bench is not None:
            self.app.bell()
            self.say(
                f"! {label} was scanned and is not opened: {half} of {self.bench.lot.number} is not finished.",
                Tone.BAD,
            )
            return
        self._begin_due = True
        self.open(label)

    def gauge_of(self, found: BenchLot, c: Characteristic) -> str:
        return self.chosen.gauge(found, c)

    def _half_typed(self) -> str:
        value, mode = self.query_one("#value", Field), self.query_one("#mode", Choice)
        text = value.text.strip() or (value.first_text or "")
        return f"the entry {text}" if text else "an entry" if mode.value is not None else ""

    def show_record(self, *names: str) -> None:
        self.open(names[0])

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        self.open(event.option.id or "")

    def open(self, text: str) -> None:
        """Open a lot by number; while the records are away, as it was seen last in this run."""
        from_scan = self.query_one("#scan", Field)

        def unknown(trouble: Trouble) -> None:
            if trouble.lost:
                self.failed("lot", trouble)
                known = self.seen.get(text)
                if known is not None and known is not self.bench:
                    self._opened(known)
                elif known is None:
                    from_scan.tell(
                        f"{text} was not seen in this run, so it cannot be opened without the records."
                    )
                return
            words = f"{trouble.message} {trouble.remedy}".rstrip()
            if self.bench is not None and not from_scan.has_focus_within:
                self.app.bell()
                self.say(f"! {words}", Tone.BAD)
                return
            from_scan.tell(words)
            from_scan.start()

        def use(session: Session) -> BenchLot:
            from qualrec.work import bench

            return bench.open_lot(session, text)

        self.read("lot", use, self._opened, unknown)

    def _opened(self, found: BenchLot) -> None:
        before, self.bench = self.bench, found
        self.seen[found.lot.number] = found
        if before is None or before.lot.id != found.lot.id:
            self.code, self._begin_due, self.chosen.stream = "", True, ""
            self._say_verdict("")
        elif before.lot.state != found.lot.state and not self._told:
            self.say(state_changed(before.lot.state, found), Tone.LOOK)
        self._told = False
        if self.characteristic() is None:
            self.code, self._begin_due = first_owed(found), True
        self.query_one("#scan", Field).clear()
        self._show_lot(found)
        if self._begin_due or not self.query_one("#value", Field).text:
            self._begin_entry()

    # One entry.

    def _begin_entry(self) -> None:
        self._begin_due = False
        found, c = self.bench, self.characteristic()
        if found is None or c is None:
            return
        self.query_one("#value", Field).rename(c.quantity.capitalize(), c.unit)
        self.query_one("#mode", Choice).display = c.strength
        self.query_one(EntryForm).clear()
        key = (found.lot.number, c.code)
        if key not in self.usual and not self.away and not self.waiting("usual"):

            def use(session: Session) -> History:
                from qualrec.work.bench_facts import history_of

                with session.store.read() as conn:
                    return history_of(conn, found.lot, c)

            self.read("usual", use, lambda history: self.usual.__setitem__(key, history))

    def on_form_complete(self, message: Form.Complete) -> None:
        found, c = self.bench, self.characteristic()
        if message.form.id != "entry" or found is None or c is None:
            return
        asks = self.chosen.asks_gauge(found, c) or self.chosen.asks_moisture(found, c)
        if not asks:
            self._complete(message, found, c)
            return

        def answered(answers: dict[str, str] | None) -> None:
            if answers:
                take_answers(found, c, self.chosen, answers, self.now_us)
                self._show_around()
                self._complete(message, found, c)
            else:
                self._fill(
                    message.texts["value"], message.values.get("mode"), message.texts.get("shares", "")
                )

        self.app.push_screen(choice_sheet(found, c, self.chosen, missing=True, now_us=self.now_us), answered)

    def _complete(self, message: Form.Complete, found: BenchLot, c: Characteristic) -> None:
        around = self.chosen.around(found, c, self.now_us)
        row = row_of(message, around)
        sentence = self._unusual(found, c, row)
        if sentence:
            self._fill(row["text"], row["mode"], row["shares_text"])
            self.query_one("#value", Field).again(f"{sentence} Look at the tester; both entries are kept.")
            return
        content = {"lot": found.lot.number, "code": c.code, "gauge": around.gauge, "rows": [row]}
        words = words_of(c.code, found.lot.number, row["again"] or row["text"], c.unit, row["mode"])
        at_us, self._at_us = self._at_us, None
        self.keep("reading", words, content, at_us)

    def _unusual(self, found: BenchLot, c: Characteristic, row: dict[str, object]) -> str:
        """Why a value is to be typed again, where the records are away and cannot say so themselves."""
        history = self.usual.get((found.lot.number, c.code))
        if not self.away or history is None or row["again"] is not None or row["mode"] == "test fault":
            return ""
        from qualrec.judge.plausible import check_value
        from qualrec.work.bench import understand_typed

        text = str(row["text"])
        return check_value(c, understand_typed(c, text).value, history, text).sentence

    def _fill(self, text: str, mode: str | None, shares_text: str) -> None:
        """Put an entry back into its rows."""
        field, choice, shares = (
            self.query_one("#value", Field),
            self.query_one("#mode", Choice),
            self.query_one("#shares", Field),
        )
        self.query_one(EntryForm).show_shares(mode == "mixed")
        field.text, shares.text, choice.value = text, shares_text, mode
        choice.refresh()
        field.start()

    # Answers of the records.

    def give_back(self, kept: Kept, behind: list[Kept]) -> str:
        row, typing = kept.content["rows"][-1], self.query_one("#value", Field).text
        later = [last_text(k) for k in behind if k.kind == "reading"] + ([typing] if typing.strip() else [])
        self._fill(last_text(kept), row["mode"], row["shares_text"])
        return f"Typed after it and not taken: {'; '.join(later)}." if later else ""

    def ask_again(self, kept: Kept, sentence: str, dropped: str) -> None:
        self.query_one("#value", Field).again(f"{sentence} Look at the tester; both entries are kept.")
        if dropped:
            self.say(f"! {dropped}", Tone.BAD)

    def refused(self, kept: Kept) -> None:
        self._told = True
        self.load()

    def show_kept(self, kept: Kept) -> None:
        label = VERDICTS["open"].text(is_ascii(self))
        self._say_verdict(
            f"{label}  not judged yet: {kept.words}. It is kept here until the records are back.", Tone.LOOK
        )
        self._show_readings()

    def show_stored(self, kept: Kept, done: Logged) -> None:
        worst = next((n for n, v in enumerate(done.verdicts) if v.answer == "fail"), len(done.rows) - 1)
        row, verdict = done.rows[worst], done.verdicts[worst]
        label = verdict_label(verdict.answer, verdict.side)
        mode = f", {row.pull.mode}" if row.pull is not None else ""
        state = f" Lot {done.lot} is {done.state}." if done.state_changed else ""
        many = f"{len(done.rows)} values stored. " if len(done.rows) > 1 else ""
        echo = done.echoes[worst]
        if self.decimal_style == "comma" and row.value is not None:
            echo = f"{number(row.value, row.decimals or None, 'comma')} {row.unit}"
        text = f"{label.text(is_ascii(self))}  {many}{row.code} sample {row.key.sample}: {echo}{mode}. "
        self._say_verdict(text + " ".join(verdict.reasons) + state, label.tone)
        self.say("")
        if done.held and done.state_changed:
            self.app.bell()
        self._told = self._told or done.state_changed
        if self.bench is None:
            self.show_record(done.lot)

    def all_stored(self) -> None:
        if self.bench is not None:
            self.open(self.bench.lot.number)

    def take_up(self, kept: Kept) -> None:
        if kept.kind != "reading" or len(kept.content["rows"]) != 1:
            self.say(
                "Only a single reading can be brought back; type this one anew, then put it away.", Tone.LOOK
            )
            return

        def opened(found: BenchLot) -> None:
            self._opened(found)
            self.code = str(kept.content["code"])
            self._show_lot(found)
            self._begin_entry()
            row = kept.content["rows"][0]
            self._fill(last_text(kept), row["mode"], row["shares_text"])
            self._at_us = kept.at_us
            self.queue.put_away(kept)
            self.tell_kept()
            self.query_one("#value", Field).tell(kept.refusal)

        def use(session: Session) -> BenchLot:
            from qualrec.work import bench

            return bench.open_lot(session, kept.lot)

        self.read("lot", use, opened)

    # Actions that belong to the rows.

    def on_the_bench(self) -> str:
        return "" if self.bench is None else self.bench.lot.number

    def opened_lot(self, number: str) -> None:
        self._told = True
        self.open(number)

    def action_other_test(self) -> None:
        """Go to the next characteristic of the lot."""
        if self.bench is None:
            return
        codes = [c.code for c in self.bench.characteristics]
        at = codes.index(self.code) if self.code in codes else -1
        self.code = codes[(at + 1) % len(codes)]
        self._show_lot(self.bench)
        self._begin_entry()

    def action_other_lot(self) -> None:
        """Take the lot off the bench and wait for a scan."""
        self.bench = None
        self._say_verdict("")
        self.load()

    def action_choose(self) -> None:
        """Choose gauge, cavity, moisture state of the next entries."""
        found, c = self.bench, self.characteristic()
        if found is None or c is None:
            self.say("Open a lot first.", Tone.LOOK)
            return

        def answered(answers: dict[str, str] | None) -> None:
            if answers:
                take_answers(found, c, self.chosen, answers, self.now_us)
                self._show_around()

        sheet = choice_sheet(found, c, self.chosen, missing=False, now_us=self.now_us)
        if not sheet.asked:
            self.say(f"{c.code} has one gauge or none, and its part no cavities to choose from.", Tone.LOOK)
            return
        self.app.push_screen(sheet, answered)


def _waiting(session: Session) -> tuple[WaitingLot, ...]:
    from qualrec.work.bench_facts import waiting_lots

    with session.store.read() as conn:
        return waiting_lots(conn)
