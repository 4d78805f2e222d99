"""Trail: who changed what, and does the chain hold? Entries newest first, read page by page."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

from textual.app import ComposeResult
from textual.binding import BindingType
from textual.message import Message
from textual.widgets import Static

from qualrec.tui.actions import bindings_of
from qualrec.tui.labels import Tone
from qualrec.tui.messages import Trouble
from qualrec.tui.screens.base import PlaceScreen
from qualrec.tui.screens.record_sheets import AskSheet
from qualrec.tui.screens.signature_lines import signature_text
from qualrec.tui.screens.text_sheet import TextSheet
from qualrec.tui.screens.trail_text import entry_detail, entry_line
from qualrec.tui.widgets.forms import Field
from qualrec.tui.widgets.pick_list import Beside, DetailPane, Text
from qualrec.tui.widgets.record_table import Column, Page, PageRequest, RecordTable

if TYPE_CHECKING:
    from qualrec.work.session import Session

COLUMNS = (
    Column("seq", "Entry", right=True),
    Column("at", "When", width=16),
    Column("act", "Act"),
    Column("person", "Who"),
    Column("table", "Record"),
    Column("id", "No.", right=True),
)


@dataclass(frozen=True, slots=True)
class Filter:
    """Which entries are listed: a part of the act, of the person's name, of the kind of record."""

    act: str = ""
    person: str = ""
    record: str = ""

    @property
    def words(self) -> str:
        said = [
            f"{name} '{text}'"
            for name, text in (("act", self.act), ("person", self.person), ("record", self.record))
            if text
        ]
        return ", ".join(said) or "all entries"


class TrailScreen(PlaceScreen):
    PLACE: ClassVar[str] = "trail"
    BINDINGS: ClassVar[list[BindingType]] = [*bindings_of("trail")]
    DEFAULT_CSS = "TrailScreen #trail-head { height: auto; max-height: 2; }"

    class Step(Message):
        """The verification has begun a step."""

        def __init__(self, text: str) -> None:
            super().__init__()
            self.text = text

    def __init__(self) -> None:
        super().__init__()
        self.filter = Filter()
        self.head_words = ""

    def compose_body(self) -> ComposeResult:
        yield Static(id="trail-head", markup=False)
        with Beside():
            yield RecordTable(
                COLUMNS, self._fetch, id="trail-table", empty="no entry is like this; F3 asks for others"
            )
            yield DetailPane(id="trail-entry")

    @property
    def table(self) -> RecordTable:
        return self.query_one(RecordTable)

    def load(self) -> None:
        def use(session: Session) -> tuple[int, str]:
            from qualrec.records import trail

            head = trail.head(session.store, session.plant.id)
            return head.seq, head.digest

        def then(head: tuple[int, str]) -> None:
            self.set_empty(head[0] == 0, "Nothing was done yet.")
            self.head_words = f"Head of the chain: entry {head[0]}, {head[1][:16]}"
            self._tell()

        self.read("head", use, then)
        self.table.reload()
        if self.focused is None:
            self.table.rows.focus()

    def _tell(self) -> None:
        self.query_one("#trail-head", Static).update(f"{self.head_words}\nshowing {self.filter.words}")

    def _fetch(self, request: PageRequest) -> Page:
        from qualrec.records import lookups

        asked, session = self.filter, self.desk.session()
        with session.store.read() as conn:
            rows = lookups.trail_rows(
                conn,
                request.start,  # type: ignore[arg-type]
                request.size + 1,
                plant_id=session.plant.id,
                act_part=asked.act,
                person_part=asked.person,
                table_part=asked.record.replace(" ", "_"),
            )
        more = len(rows) > request.size
        rows = rows[: request.size]
        return Page([entry_line(session, row) for row in rows], rows[-1].seq if more else None)

    def on_record_table_moved(self, message: RecordTable.Moved) -> None:
        self._show_entry(int(message.key))

    def on_record_table_chosen(self, message: RecordTable.Chosen) -> None:
        self.query_one(DetailPane).focus()

    def on_record_table_shown(self, message: RecordTable.Shown) -> None:
        if message.count == 0:
            self.query_one(DetailPane).show(())

    def step_back(self) -> bool:
        """From an entry back to the list."""
        if not self.query_one(DetailPane).has_focus:
            return False
        self.table.rows.focus()
        return True

    def _show_entry(self, seq: int) -> None:
        def use(session: Session) -> list[Text]:
            from qualrec.records import lookups
            from qualrec.work.signed import standing

            with session.store.read() as conn:
                row = lookups.trail_rows(conn, seq + 1, 1, plant_id=session.plant.id)[0]
                history = lookups.trail_of(conn, row.what_table, row.what_id)
                signed = (
                    (standing(conn, lookups.signature_by_id(conn, row.what_id)),)
                    if row.what_table == "signature"
                    else ()
                )
            lines = entry_detail(session, row, [r for r in history if r.plant_id == row.plant_id])
            return [*lines, *signature_text(signed, session.moment)]

        self.read("entry", use, self.query_one(DetailPane).show)

    # Actions.

    def action_filter(self) -> None:
        asked = self.filter

        def use(given: dict[str, str] | None) -> None:
            if given:
                self.filter = Filter(given["act"], given["person"], given["record"])
                self._tell()
                self.table.action_first_page()

        rows = (
            Field("Act", id="act", required=False, placeholder="as: recipe, corrected, released"),
            Field("Person", id="person", required=False, placeholder="a part of the name"),
            Field("Record", id="record", required=False, placeholder="as: lot, flag, recipe revision"),
        )
        filled = {"act": asked.act, "person": asked.person, "record": asked.record}
        self.app.push_screen(AskSheet("Which entries?", rows, filled=filled), use)

    def action_verify(self) -> None:
        """Compute the chain and everything that it speaks of anew."""
        if self.waiting("verify"):
            self.say("The records are being checked already.", Tone.LOOK)
            return
        self.say("Checking the records from the first entry on.", Tone.LOOK)

        def tell(text: str) -> None:
            self.post_message(self.Step(text))

        def use(session: Session) -> tuple[bool, tuple[str, ...]]:
            from qualrec.work.safekeeping import verdict_sentences, verify

            found = verify(session, tell)
            return found.ok, verdict_sentences(found)

        def then(found: tuple[bool, tuple[str, ...]]) -> None:
            sound, sentences = found
            words = "✓ The chain holds." if sound else "! THE CHAIN DOES NOT HOLD."
            self.say(f"{words} {sentences[0]}", Tone.GOOD if sound else Tone.BAD)
            self.app.push_screen(TextSheet(words, sentences))

        def failed(trouble: Trouble) -> None:
            self.failed("verify", trouble)

        self.read("verify", use, then, failed)

    def on_trail_screen_step(self, message: Step) -> None:
        self.say(f"{message.text[:1].upper()}{message.text[1:]} ...", Tone.LOOK)
