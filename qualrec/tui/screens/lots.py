"""Lots: which lots wait, which are on hold and why, may this one ship? A paged list, and one lot's page."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, ClassVar

from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Vertical
from textual.events import DescendantFocus
from textual.widgets import Static

from qualrec.tui.actions import bindings_of
from qualrec.tui.labels import Tone
from qualrec.tui.messages import Trouble
from qualrec.tui.screens import lot_sheets
from qualrec.tui.screens.base import PlaceScreen
from qualrec.tui.screens.lot_page import SeenLot, head_lines, page_lines, step_words, steps_done
from qualrec.tui.screens.lot_work import (
    acknowledge,
    close_flag,
    decide,
    give_concession,
    list_line,
    note_action,
    see_lot,
)
from qualrec.tui.screens.record_sheets import refusal
from qualrec.tui.screens.subject import Subject, SubjectScreen
from qualrec.tui.widgets.pick_list import Picks, content
from qualrec.tui.widgets.record_table import Column, Page, PageRequest, RecordTable

if TYPE_CHECKING:
    from qualrec.values import Flag
    from qualrec.work.session import Session

CYCLE = ("", "on hold", "under review", "awaiting tests", "open", "suspect, shipped", "released")
"""States that one key goes through; the filter sheet offers all."""
COLUMNS = (
    Column("lot", "Lot"),
    Column("state", "State", width=17),
    Column("flags", "Flags"),
    Column("part", "Part"),
    Column("welded", "Welded", width=10),
    Column("recipe", "Recipe"),
    Column("station", "Station"),
    Column("n", "Readings", right=True),
)
TEACH = (
    "Enter a part number with its two component parts, and what is measured on it: qualrec define FILE",
    "Open a lot: scan its label at the bench, or take a file in.",
    "Log the tests that it owes. It then comes under review, and is released here.",
)


@dataclass(frozen=True, slots=True)
class Filter:
    """Which lots the list shows; empty: all."""

    state: str = ""
    part: str = ""
    text: str = ""

    @property
    def words(self) -> str:
        said = [f"state {self.state or 'any'}"]
        if self.part:
            said.append(f"part {self.part}")
        if self.text:
            said.append(f"text '{self.text}'")
        return ", ".join(said)


class LotsScreen(PlaceScreen):
    PLACE: ClassVar[str] = "lots"
    BINDINGS: ClassVar[list[BindingType]] = [*bindings_of("lots")]
    DEFAULT_CSS = """
    LotsScreen #lots-list { height: 1fr; }
    LotsScreen #lots-what { height: 1; }
    LotsScreen #lot-page { height: 1fr; display: none; }
    LotsScreen #lot-head { height: auto; max-height: 5; padding: 0 0 1 0; }
    LotsScreen.-page #lots-list { display: none; }
    LotsScreen.-page #lot-page { display: block; }
    """

    def __init__(self) -> None:
        super().__init__()
        self.filter = Filter()
        self.seen: SeenLot | None = None
        self.turned: set[str] = set()

    def compose_body(self) -> ComposeResult:
        with Vertical(id="lots-list"):
            yield Static(id="lots-what", markup=False)
            yield RecordTable(
                COLUMNS, self._fetch, id="lots-table", empty="no lot is like this; F3 asks for others"
            )
        with Vertical(id="lot-page"):
            yield Static(id="lot-head", markup=False)
            yield Picks(id="lot-lines")

    def load(self) -> None:
        if self.seen is not None:
            self.open_lot(self.seen.page.lot.number)
        else:
            self.table.reload()
            self._count()
            if self.focused is None:
                self.table.rows.focus()

    def first_steps(self) -> tuple[str, ...]:
        return TEACH

    @property
    def table(self) -> RecordTable:
        return self.query_one(RecordTable)

    @property
    def picks(self) -> Picks:
        return self.query_one(Picks)

    # The list.

    def _fetch(self, request: PageRequest) -> Page:
        from qualrec.records import lookups

        asked, after = self.filter, request.start
        session = self.desk.session()
        with session.store.read() as conn:
            rows = lookups.lots_page(
                conn,
                asked.state or None,
                asked.part or None,
                asked.text or None,
                after=after,  # type: ignore[arg-type]
                limit=request.size + 1,
            )
        more = len(rows) > request.size
        rows = rows[: request.size]
        last = (rows[-1].started_us, rows[-1].id) if more else None
        return Page([list_line(session, row) for row in rows], last)

    def _count(self) -> None:
        asked = self.filter

        def use(session: Session) -> int:
            from qualrec.records import lookups

            with session.store.read() as conn:
                return lookups.count_lots(conn, asked.state or None, asked.part or None, asked.text or None)

        def then(number_of: int) -> None:
            self.set_empty(asked == Filter() and number_of == 0, "No lot is on record yet.")
            lots = "1 lot" if number_of == 1 else f"{number_of} lots"
            self.query_one("#lots-what", Static).update(f"{lots}: {asked.words}")

        self.read("count", use, then)

    def _filter_by(self, asked: Filter) -> None:
        self.filter = asked
        self.say("")
        self.table.action_first_page()
        self._count()

    def on_record_table_chosen(self, message: RecordTable.Chosen) -> None:
        self.open_lot(message.key)

    # One lot.

    def show_record(self, *names: str) -> None:
        self.open_lot(names[0])

    def step_back(self) -> bool:
        """From the page back to the list."""
        if self.seen is None:
            return False
        number_of = self.seen.page.lot.number
        self.seen = None
        self.remove_class("-page")
        self.say("")
        self.table.rows.focus()
        self.load()
        self.table.go_to(number_of)
        return True

    def open_lot(self, number_of: str, told: str = "") -> None:
        """Read a lot and show its page; `told` is said then."""

        def then(seen: SeenLot) -> None:
            fresh = self.seen is None or self.seen.page.lot.id != seen.page.lot.id
            if fresh:
                self.turned = set()
            self.seen = seen
            self.add_class("-page")
            self._show()
            if fresh:
                self.picks.list.highlighted = None
                self.picks.list.action_first()
                self.picks.list.focus()
            self.say(told, Tone.GOOD)

        self.read("lot", lambda session: see_lot(session, number_of), then)

    def _show(self) -> None:
        assert self.seen is not None
        lines = head_lines(self.seen)
        self.query_one("#lot-head", Static).update(content(self, lines, "\n"))
        self.picks.show(page_lines(self.seen, self.turned, self.decimal_style))

    def on_picks_chosen(self, message: Picks.Chosen) -> None:
        kind, _, code = message.key.partition(":")
        if kind == "verdict":
            self.turned ^= {code}
            self._show()

    def on_descendant_focus(self, event: DescendantFocus) -> None:
        """The hidden list takes no keys while the page is open."""
        if self.seen is not None and self.table in event.widget.ancestors_with_self:
            self.picks.list.focus()

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
                self._show()
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

    # Actions.

    def action_open(self) -> None:
        if self.seen is None and self.table.key is not None:
            self.open_lot(self.table.key)

    def action_filter(self) -> None:
        if self.seen is not None:
            self.step_back()

        def use(given: dict[str, str] | None) -> None:
            if given:
                state = {"": self.filter.state, "any": ""}.get(given["state"], given["state"])
                self._filter_by(Filter(state, given["part"], given["text"]))

        self.app.push_screen(lot_sheets.filter_sheet(self.filter.part, self.filter.text), use)

    def action_state(self) -> None:
        if self.seen is not None:
            self.step_back()
        at = CYCLE.index(self.filter.state) if self.filter.state in CYCLE else -1
        self._filter_by(replace(self.filter, state=CYCLE[(at + 1) % len(CYCLE)]))

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
        flag = self._flag()
        if flag is None:
            return
        left = [at for at in range(1, len(flag.reaction_plan) + 1) if at not in steps_done(flag)]
        if not left:
            self.say("No step of the reaction plan is left.", Tone.LOOK)
            return
        at, number_of = left[0], flag.id
        step = flag.reaction_plan[at - 1]

        def use(given: dict[str, str] | None) -> None:
            if given is not None and given.get("done") == "yes":
                words = step_words(at, step, given["text"])
                self._do("Reaction plan", lambda session: note_action(session, number_of, words))

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
                    stream=found.stream or None,
                    reason=given["reason"],
                    second_badge=given["second"] or None,
                ).sentence

            self._do("Not corrected", write)

        self.app.push_screen(lot_sheets.correction_sheet(found), use)

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
