"""Lots: which lots wait, which are on hold and why, may this one ship? A paged list, and one lot's page."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, ClassVar

from textual.app import ComposeResult
from textual.binding import BindingType
from textual.containers import Vertical
from textual.events import DescendantFocus
from textual.widgets import Static

from qualrec.errors import QualrecError
from qualrec.tui.actions import bindings_of
from qualrec.tui.labels import Tone
from qualrec.tui.screens.charts_pick import Offer, ViewAsked, ViewsSheet
from qualrec.tui.screens.import_doing import LotImport
from qualrec.tui.screens.lot_filter import Filter, count_of, filter_sheet, given_filter, page_of
from qualrec.tui.screens.lot_page import SeenLot, head_lines, page_lines
from qualrec.tui.screens.lot_work import list_line, see_lot
from qualrec.tui.widgets.pick_list import Picks, content
from qualrec.tui.widgets.record_table import Column, Page, PageRequest, RecordTable

if TYPE_CHECKING:
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


class LotsScreen(LotImport):
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

    # The list.

    def _fetch(self, request: PageRequest) -> Page:
        session = self.desk.session()
        rows = page_of(session, self.filter, request.start, request.size + 1)
        more = len(rows) > request.size
        rows = rows[: request.size]
        last = (rows[-1].started_us, rows[-1].id) if more else None
        return Page([list_line(session, row) for row in rows], last)

    def _count(self) -> None:
        asked = self.filter

        def use(session: Session) -> int:
            return count_of(session, asked)

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
            self.show_page()
            if fresh:
                self.picks.list.highlighted = None
                self.picks.list.action_first()
                self.picks.list.focus()
            self.say(told, Tone.GOOD)

        self.read("lot", lambda session: see_lot(session, number_of), then)

    def show_page(self) -> None:
        assert self.seen is not None
        lines = head_lines(self.seen)
        self.query_one("#lot-head", Static).update(content(self, lines, "\n"))
        self.picks.show(page_lines(self.seen, self.turned, self.decimal_style))

    def on_picks_chosen(self, message: Picks.Chosen) -> None:
        kind, _, code = message.key.partition(":")
        if kind == "verdict":
            self.turned ^= {code}
            self.show_page()

    def on_descendant_focus(self, event: DescendantFocus) -> None:
        """The hidden list takes no keys while the page is open."""
        if self.seen is not None and self.table in event.widget.ancestors_with_self:
            self.picks.list.focus()

    # Actions.

    def action_open(self) -> None:
        if self.seen is None and self.table.key is not None:
            self.open_lot(self.table.key)

    def action_filter(self) -> None:
        if self.seen is not None:
            self.step_back()

        def use(given: dict[str, str] | None) -> None:
            if given:
                self._filter_by(given_filter(self.filter, given))

        self.app.push_screen(filter_sheet(self.filter), use)

    def action_views(self) -> None:
        """Open a saved view of the list, keep the present one under a name, or forget one."""
        from qualrec.views import remove_view, save_view, saved_views

        folder = self.program.settings.config_dir

        def use(asked: ViewAsked | None) -> None:
            if asked is None:
                return
            try:
                if asked.act == "keep":
                    save_view(folder, self.PLACE, asked.name, self.filter.fields())
                    self.say(f"View '{asked.name}' kept: {self.filter.words}.", Tone.GOOD)
                elif asked.act == "forget":
                    remove_view(folder, self.PLACE, asked.name)
                    self.say(f"View '{asked.name}' forgotten.", Tone.GOOD)
                else:
                    if self.seen is not None:
                        self.step_back()
                    self._filter_by(Filter.of(saved_views(folder, self.PLACE)[asked.name]))
            except QualrecError as error:
                self.say(f"! {error.message} {error.remedy}", Tone.BAD)

        try:
            kept = saved_views(folder, self.PLACE)
        except QualrecError as error:
            self.say(f"! {error.message} {error.remedy}", Tone.BAD)
            return
        offers = [Offer(name, name, Filter.of(fields).words) for name, fields in kept.items()]
        self.app.push_screen(ViewsSheet(offers), use)

    def action_state(self) -> None:
        if self.seen is not None:
            self.step_back()
        at = CYCLE.index(self.filter.state) if self.filter.state in CYCLE else -1
        self._filter_by(replace(self.filter, state=CYCLE[(at + 1) % len(CYCLE)]))
