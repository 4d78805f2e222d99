"""Bench: what must I test now, and was that pull good? Scan or type a lot, then digits, Enter, a letter."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, ClassVar

from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Horizontal, Vertical, VerticalScroll
from textual.widgets import OptionList, Static
from textual.widgets.option_list import Option as ListOption

from qualrec.tui.actions import bindings_of
from qualrec.tui.labels import VERDICTS, Tone, cut, plain
from qualrec.tui.messages import Trouble
from qualrec.tui.screens.bench_entry import MODES, AskAgain, EntryForm, Typed, understand_shares
from qualrec.tui.screens.bench_opening import Opening
from qualrec.tui.screens.bench_sheets import CorrectionSheet, EventSheet
from qualrec.tui.screens.bench_text import (
    first_owed,
    lot_head,
    owed_text,
    readings_text,
    state_changed,
    verdict_label,
)
from qualrec.tui.themes import is_ascii
from qualrec.tui.widgets.forms import Choice, Field, Form, Row, Understood

if TYPE_CHECKING:
    from qualrec.records.lookups import DueTest
    from qualrec.values import Characteristic
    from qualrec.work.bench import BenchLot, Logged
    from qualrec.work.session import Session

MOST_WAITING = 60


class BenchScreen(Opening):
    PLACE: ClassVar[str] = "bench"
    BINDINGS: ClassVar[list[BindingType]] = [*bindings_of("bench")]
    DEFAULT_CSS = """
    BenchScreen #lot-head { height: auto; max-height: 3; padding: 0 1; }
    BenchScreen #bench-main { height: auto; }
    BenchScreen #owed { width: 30; height: 1fr; padding: 0 1; }
    BenchScreen #below-side { width: 1fr; height: 1fr; }
    BenchScreen #what { height: auto; padding: 0 1; text-style: bold; }
    BenchScreen #verdict { height: auto; padding: 0 1; }
    BenchScreen #below { height: 1fr; }
    BenchScreen #waiting { height: 1fr; border: none; background: $background; }
    """

    def __init__(self) -> None:
        super().__init__()
        self.bench: BenchLot | None = None
        self.code = ""
        self.entries = 0
        self._to_store: list[Typed] = []
        """Completed entries, the first one is being stored."""
        self._unsure: Typed | None = None
        """An entry of which it is not known whether it was stored: the connection was lost."""
        self._begin_due = True
        self._told = False
        """The next change of the lot's state on the screen is known to the user."""

    # Layout.

    def compose_body(self) -> ComposeResult:
        yield Field("Lot", id="scan", placeholder="scan the label or type the number", required=False)
        yield Static(id="lot-head", markup=False)
        with Vertical(id="bench-main"):
            yield Static(id="what", markup=False)
            with EntryForm(id="entry", renews=True):
                yield Field("Value", id="value", understand=self._understand, keep_echo=True)
                yield Choice("Failure mode", MODES, id="mode")
                yield Field(
                    "Shares in %",
                    id="shares",
                    placeholder="interf./cohesive/tear/parent: 0/60/10/30",
                    understand=understand_shares,
                )
        yield Static(id="verdict", markup=False)
        with Horizontal(id="below"):
            yield Static(id="owed", markup=False)
            with VerticalScroll(id="below-side"):
                yield Static(id="below-text", markup=False)
        yield OptionList(id="waiting")

    def load(self) -> None:
        """Read the lot on the bench again, or the list of lots that wait for tests."""
        if self.bench is None:
            self._show_lot(None)
            self.read("waiting", _waiting, self._show_waiting)
            self.query_one("#scan", Field).start()
        else:
            self._open(self.bench.lot.number)

    # The lot.

    def on_row_accepted(self, message: Row.Accepted) -> None:
        text = (message.text or "").strip()
        if message.row.id == "scan" and text:
            self._begin_due = True
            self._open(text)

    def show_record(self, *names: str) -> None:
        self._open(names[0])

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        self._open(event.option.id or "")

    def _open(self, text: str) -> None:
        from_scan = self.query_one("#scan", Field)

        def unknown(trouble: Trouble) -> None:
            if trouble.lost:
                self.failed("lot", trouble)
                return
            from_scan.tell(f"{trouble.message} {trouble.remedy}".rstrip())
            from_scan.start()

        def use(session: Session) -> BenchLot:
            from qualrec.work import bench

            return bench.open_lot(session, text)

        self.read("lot", use, self._opened, unknown)

    def _opened(self, found: BenchLot) -> None:
        before, self.bench = self.bench, found
        if before is None or before.lot.id != found.lot.id:
            self.code, self._begin_due = "", True
            self._say_verdict("")
        elif before.lot.state != found.lot.state and not self._told:
            self.say(state_changed(before.lot.state, found), Tone.LOOK)
        self._told = False
        if self._characteristic() is None:
            self.code, self._begin_due = first_owed(found), True
        self.query_one("#scan", Field).clear()
        self._show_lot(found)
        if self._begin_due or not self.query_one("#value", Field).text:
            self._begin_entry()

    def _show_lot(self, found: BenchLot | None) -> None:
        self.query_one("#bench-main").display = found is not None
        self.query_one("#below").display = found is not None
        self.query_one("#waiting").display = found is None
        line = self.query_one("#lot-head", Static)
        if found is None:
            line.update("No lot on the bench. Lots that wait for tests:")
            return
        line.update(self._text(lot_head(found)))
        c = self._characteristic()
        self.query_one("#what", Static).update(
            self._text("" if c is None else f"{c.code}  {c.name}{self._limits(c)}")
        )
        self.query_one("#owed", Static).update(self._text(owed_text(found.owed, self.code)))
        if found.lot.state in ("on hold", "suspect, shipped"):
            self._show_below(self._hold_text(found))
        else:
            style = self.decimal_style
            self._show_below(readings_text(found.readings, self.code, style))

    def _show_waiting(self, rows: tuple[DueTest, ...]) -> None:
        waiting = self.query_one("#waiting", OptionList)
        waiting.clear_options()
        lots: dict[str, list[str]] = {}
        for row in rows:
            lots.setdefault(f"{row.lot_number}\t{row.part_number}", []).append(
                f"{row.owed.missing} {row.owed.code}"
            )
        for name, owed in list(lots.items())[:MOST_WAITING]:
            number, part = name.split("\t")
            totals: dict[str, int] = {}
            for item in owed:
                count, code = item.split(" ", 1)
                totals[code] = totals.get(code, 0) + int(count)
            text = ", ".join(f"{n} {code}" for code, n in totals.items())
            waiting.add_option(ListOption(self._text(f"{number:<14} {part:<12} owed: {text}"), id=number))
        self.set_empty(False)
        if not lots:
            self.query_one("#lot-head", Static).update(
                "No lot on the bench, and no lot waits for tests. F3 opens one."
            )

    # One entry.

    def _characteristic(self) -> Characteristic | None:
        if self.bench is None:
            return None
        return next((c for c in self.bench.characteristics if c.code == self.code), None)

    def _understand(self, text: str) -> Understood:
        c = self._characteristic()
        if c is None:
            return Understood(None)
        from qualrec.work.bench import understand_typed

        found = understand_typed(c, text)
        note = f"  ({found.note})" if found.note else ""
        return Understood(found.value, f"{found.echo}{note}")

    def _begin_entry(self) -> None:
        self._begin_due = False
        c = self._characteristic()
        if c is None:
            return
        self.query_one("#value", Field).rename(c.quantity.capitalize(), c.unit)
        self.query_one("#mode", Choice).display = c.strength
        self.query_one(EntryForm).clear()

    def on_form_complete(self, message: Form.Complete) -> None:
        if message.form.id != "entry" or self.bench is None:
            return
        values, texts = message.values, message.texts
        self.entries += 1
        typed = Typed(
            self.bench.lot.number,
            self.code,
            texts["value"],
            message.firsts.get("value"),
            values.get("mode"),
            values.get("shares"),
            texts.get("shares", ""),
            f"{self.program.run_mark}:{self.entries}",
        )
        if self._unsure is not None and typed.same(self._unsure):
            typed = self._unsure
        self._to_store.append(typed)
        if len(self._to_store) == 1:
            self._store()

    def _store(self) -> None:
        """Store the first of the completed entries; the next one follows when it is done."""
        typed = self._to_store[0]

        def use(session: Session) -> Logged | AskAgain:
            from qualrec.errors import ImplausibleValue
            from qualrec.work import bench
            from qualrec.work.target import find_target

            target = find_target(session, typed.lot, typed.code)
            rows = bench.open_lot(session, typed.lot).readings
            repeated = bench.owed_repeat(rows, typed.code)
            entry = bench.Entry(
                text=typed.text if typed.first is None else typed.first,
                again=None if typed.first is None else typed.text,
                mode=typed.mode or "",
                shares=typed.shares,
                repeat_of=repeated,
                reason="" if repeated is None else bench.REPEAT,
            )
            try:
                return bench.log(session, target, [entry], entry_key=typed.key)
            except ImplausibleValue as error:
                return AskAgain(error.message)

        self.write("entry", use, self._stored, self._not_stored)

    def _not_stored(self, trouble: Trouble) -> None:
        typed, dropped = self._give_back()
        self._unsure = typed if trouble.lost else None
        self.failed("entry", replace(trouble, remedy=f"{trouble.remedy} {dropped}".strip()))
        self.query_one("#value", Field).start()
        if not trouble.lost:
            self._told = True
            self.load()

    def _give_back(self) -> tuple[Typed, str]:
        """Put the entry that was not stored back into its rows; names what was typed behind it and goes with it."""
        typed, *behind = self._to_store
        self._to_store.clear()
        field, mode, shares = (
            self.query_one("#value", Field),
            self.query_one("#mode", Choice),
            self.query_one("#shares", Field),
        )
        later = [t.text for t in behind] + ([field.text] if field.text.strip() else [])
        self.query_one(EntryForm).show_shares(typed.mode == "mixed")
        field.text, shares.text, mode.value = typed.text, typed.shares_text, typed.mode
        mode.refresh()
        return typed, f"Typed after it and not taken: {'; '.join(later)}." if later else ""

    def _stored(self, done: Logged | AskAgain) -> None:
        if isinstance(done, AskAgain):
            _, dropped = self._give_back()
            words = f"{done.sentence} Look at the tester first; the second time both entries are kept. {dropped}".rstrip()
            self.query_one("#value", Field).again(words)
            return
        self._to_store.pop(0)
        self._unsure = None
        row, verdict = done.rows[0], done.verdicts[0]
        label = verdict_label(verdict.answer, verdict.side)
        mode = f", {row.pull.mode}" if row.pull is not None else ""
        state = f" Lot {done.lot} is {done.state}." if done.state_changed else ""
        text = f"{label.text(is_ascii(self))}  {row.code} sample {row.key.sample}: {done.echoes[0]}{mode}. "
        self._say_verdict(text + " ".join(verdict.reasons) + state, label.tone)
        self.say("")
        if done.held and done.state_changed:
            self.app.bell()
        self._told = self._told or done.state_changed
        if self._to_store:
            self._store()
        else:
            self._open(self.bench.lot.number if self.bench is not None else done.lot)

    # Actions.

    def on_the_bench(self) -> str:
        return "" if self.bench is None else self.bench.lot.number

    def opened_lot(self, number: str) -> None:
        self._told = True
        self._open(number)

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

    def action_event(self) -> None:
        self.app.push_screen(EventSheet(), self._log_event)

    def _log_event(self, kind: str | None) -> None:
        if not kind:
            return
        lot = self.bench.lot.number if self.bench is not None else None
        station = self.bench.lot.segment.station if self.bench is not None else None

        def use(session: Session) -> str:
            from qualrec.work import bench

            return bench.log_event(session, kind, station=station, lot=lot)

        self.write("event", use, lambda text: self.say(text, Tone.GOOD))

    def action_correct(self) -> None:
        """Correct or void a reading of the lot and characteristic on the bench."""
        if self.bench is None:
            self.say("Open a lot first.", Tone.LOOK)
            return
        own = [r for r in self.bench.readings if r.code == self.code]
        if not own:
            self.say(f"Lot {self.bench.lot.number} has no reading of {self.code} to correct.", Tone.LOOK)
            return
        self.app.push_screen(
            CorrectionSheet(self.code, own[-1].key.sample, pull=own[-1].pull is not None), self._correct
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
                reason=given["reason"],
                second_badge=given["second"] or None,
            ).sentence

        def done(sentence: str) -> None:
            self._told = True
            self.say(sentence, Tone.GOOD)
            self._open(lot)

        self.write("correct", use, done)

    # Words.

    def _text(self, text: str) -> str:
        return plain(text) if is_ascii(self) else text

    def _say_verdict(self, text: str, tone: Tone = Tone.QUIET) -> None:
        line = self.query_one("#verdict", Static)
        line.update(self._text(text))
        for other in Tone:
            line.set_class(other is tone, f"tone-{other}")

    def _show_below(self, text: str) -> None:
        self.query_one("#below-text", Static).update(self._text(text))

    def _limits(self, c: Characteristic) -> str:
        ends = [
            f"{name} {self.number(v, c.decimals)}"
            for name, v in (("from", c.lsl), ("to", c.usl))
            if v is not None
        ]
        return f"   {' '.join(ends)} {c.unit}" if ends else ""

    def _hold_text(self, found: BenchLot) -> str:
        gate = found.judgement.gate
        label = VERDICTS["hold"].text(is_ascii(self))
        lines = [f"{label}  Lot {found.lot.number} is {found.lot.state}."]
        lines += [
            f"  {cut(r.sentence, 150)}"
            for r in gate.reasons
            if r.level == "H" and r.kind != "mandatory sample missing"
        ][:3]
        c = self._characteristic()
        if c is not None and c.reaction_plan:
            lines.append("Reaction plan:")
            lines += [f"  {at}. {step}" for at, step in enumerate(c.reaction_plan, 1)]
        return "\n".join(lines)


def _waiting(session: Session) -> tuple[DueTest, ...]:
    from qualrec.records import lookups

    with session.store.read() as conn:
        return lookups.due_tests(conn)
