"""Submission: what is missing before the customer gets the pack? Submissions and elements, what is due, what is told."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, ClassVar

from textual.app import ComposeResult
from textual.binding import BindingType

from qualrec.tui.actions import bindings_of
from qualrec.tui.labels import Tone
from qualrec.tui.messages import Trouble
from qualrec.tui.screens import submission_sheets as sheets
from qualrec.tui.screens.base import PlaceScreen
from qualrec.tui.screens.record_sheets import AskSheet, refusal
from qualrec.tui.screens.submission_text import Seen, element_detail, element_lines, list_detail, list_lines
from qualrec.tui.screens.text_sheet import TextSheet
from qualrec.tui.widgets.pick_list import PickLine, Picks

if TYPE_CHECKING:
    from qualrec.work.session import Session
    from qualrec.work.submission_records import SubmissionPage
    from qualrec.work.submission_verify import Verified

TEACH = (
    "Enter the customer with what it asks, and the part: qualrec define FILE",
    "Open a submission of the part here (N), by level or by an agreed list.",
    "Set what the records cannot know, make the workbook, and sign it.",
)


class SubmissionScreen(PlaceScreen):
    """Two lists in one place: all submissions with what is due, and the elements of the one that is open."""

    PLACE: ClassVar[str] = "submission"
    BINDINGS: ClassVar[list[BindingType]] = [*bindings_of("submission")]

    def __init__(self) -> None:
        super().__init__()
        self.seen: Seen | None = None
        self.pages: dict[str, SubmissionPage] = {}
        self.opened = ""
        """Number of the submission whose elements are listed; '' while all submissions are."""
        self.asked = ""
        """Number of the submission whose elements were asked for last."""

    def compose_body(self) -> ComposeResult:
        yield Picks(id="submissions")

    @property
    def picks(self) -> Picks:
        return self.query_one(Picks)

    def first_steps(self) -> tuple[str, ...]:
        return TEACH

    def load(self) -> None:
        self.load_and("")

    def load_and(self, told: str) -> None:
        """Read all lists and say something then."""

        def use(session: Session) -> Seen:
            from qualrec.work.requalification import due_list, notices
            from qualrec.work.submission_records import submissions

            return Seen(session, submissions(session), due_list(session), notices(session))

        def then(seen: Seen) -> None:
            self.seen = seen
            self.pages = {}
            self.set_empty(not (seen.submissions or seen.due), "No part is on record yet.")
            self._show()
            if self.focused is None:
                self.picks.list.focus()
            if told:
                self.say(told, Tone.GOOD)

        self.read("submissions", use, then)

    def _show(self) -> None:
        """Draw the list that is open."""
        if self.seen is None:
            return
        if not self.opened:
            self.picks.show(list_lines(self.seen))
        elif self.opened in self.pages:
            self.picks.show(element_lines(self.pages[self.opened]))
        else:
            self.picks.show([PickLine("", (f"{self.opened}: working out the elements ...",))])
            self._work_out(self.opened)
        self._tell()

    def on_picks_moved(self, message: Picks.Moved) -> None:
        self._tell()

    def on_picks_chosen(self, message: Picks.Chosen) -> None:
        """Enter: open a submission, set an element, fill in a datum, tick the next step."""
        kind = message.key.partition(":")[0]
        if kind == "sub" and self.seen is not None and self.seen.submission(message.key) is not None:
            self.opened = message.key.removeprefix("sub:")
            self._show()
            self.picks.go_to("element:1")
        elif kind in ("element", "datum", "notice"):
            self.action_set()

    def step_back(self) -> bool:
        if not self.opened:
            return False
        was, self.opened = self.opened, ""
        self._show()
        self.picks.go_to(f"sub:{was}")
        return True

    def _tell(self) -> None:
        """Details of the line under the cursor; what takes time is put in when it is there."""
        if self.seen is None:
            return
        if self.opened:
            page = self.pages.get(self.opened)
            if page is not None:
                self.picks.detail(element_detail(self.seen.session, page, self.picks.key))
            return
        found = self.seen.submission(self.picks.key)
        page = self.pages.get(found.number) if found is not None else None
        self.picks.detail(list_detail(self.seen, self.picks.key, page))
        if found is not None and page is None:
            self._work_out(found.number)

    def _work_out(self, number: str) -> None:
        """Have the elements of a submission worked out from the records, once at a time."""
        if self.asked == number and self.waiting("page"):
            return
        self.asked = number

        def use(session: Session) -> SubmissionPage:
            from qualrec.work.submission_records import page

            return page(session, number)

        def then(found: SubmissionPage) -> None:
            self.pages[number] = found
            if self.opened == number:
                self.picks.show(element_lines(found))
                self.picks.go_to("element:1")
            self._tell()

        self.read("page", use, then)

    def _page(self) -> SubmissionPage | None:
        """The submission that is meant, worked out; says so where there is none or it is not there yet."""
        number = self.opened
        if not number and self.seen is not None:
            found = self.seen.submission(self.picks.key)
            number = "" if found is None else found.number
        if not number:
            self.say("Put the cursor on a submission first.", Tone.LOOK)
            return None
        if number not in self.pages:
            self.say(f"{number} is still being worked out.", Tone.LOOK)
        return self.pages.get(number)

    def _do(self, title: str, use: Callable[[Session], str]) -> None:
        def refused(trouble: Trouble) -> None:
            if trouble.lost:
                self.failed("submissions", trouble)
            else:
                self.say("")
                self.app.push_screen(refusal(title, trouble))

        self.write("submissions", use, self.load_and, refused)

    def _ask(self, sheet: AskSheet, title: str, use: Callable[[Session, dict[str, str]], str]) -> None:
        """Ask, and write what was answered."""

        def answered(given: dict[str, str] | None) -> None:
            if given:
                self._do(title, lambda session: use(session, given))

        self.app.push_screen(sheet, answered)

    # Actions.

    def action_open(self) -> None:
        """Open a new submission of a part."""
        part = "" if self.seen is None else self.seen.part(self.picks.key)

        def use(session: Session, given: dict[str, str]) -> str:
            from qualrec.work.submission_records import open_submission
            from qualrec.work.warrant import element_numbers

            level = given["level"]
            asked = () if level.strip().isdigit() and len(level.strip()) == 1 else element_numbers(level)
            number = open_submission(
                session,
                given["part"],
                level="agreed" if asked else level,
                asked=asked,
                customer=given["customer"] or None,
            )
            return f"{number} is open. Enter shows its elements."

        self._ask(sheets.open_sheet(part), "Not opened", use)

    def action_set(self) -> None:
        """Set the element under the cursor, fill in the datum, or tick the next step of the notice."""
        kind, _, name = self.picks.key.partition(":")
        if kind == "notice":
            self._tick()
        elif kind == "element":
            self._set_element(int(name))
        elif kind == "datum":
            self._fill_in(name)
        else:
            self.say("Open a submission with Enter, then put the cursor on an element or a datum.", Tone.LOOK)

    def _set_element(self, element: int) -> None:
        from qualrec.work.submission_state import may_be_set

        page, allowed = self._page(), may_be_set(element)
        if page is None:
            return
        if not allowed:
            self.say("The declaration is supplied by signing.", Tone.LOOK)
            return
        number = page.submission.number

        def use(session: Session, given: dict[str, str]) -> str:
            from qualrec.work.submission_records import set_element

            return set_element(session, number, element, given["state"], given["reason"])

        self._ask(sheets.element_sheet(element, allowed), "Not set", use)

    def _fill_in(self, key: str) -> None:
        page = self._page()
        if page is None:
            return
        number = page.submission.number

        def use(session: Session, given: dict[str, str]) -> str:
            from qualrec.work.submission_records import fill_in

            return fill_in(session, number, {key: given["text"]})

        self._ask(sheets.datum_sheet(key, page.submission.warrant.get(key, "")), "Not filled in", use)

    def _tick(self) -> None:
        steps = () if self.seen is None else self.seen.notice(self.picks.key)
        step = next((s for s in steps if s.done_us is None), None)
        if step is None:
            self.say("Every step is done.", Tone.GOOD)
            return

        def use(session: Session, given: dict[str, str]) -> str:
            from qualrec.work.requalification import close_step

            return close_step(session, step.notice, step.position, given["remark"])

        self._ask(sheets.step_sheet(step.position, step.step), "Not recorded", use)

    def action_make(self) -> None:
        """Write the workbook of the submission; what is being written is told."""
        page = self._page()
        if page is None:
            return
        number = page.submission.number

        def progress(title: str) -> None:
            self.app.call_from_thread(self.say, f"{number}: writing {title} ...")

        def use(session: Session, given: dict[str, str]) -> str:
            from qualrec.work.submission_records import make_file

            done = make_file(
                session,
                number,
                Path(given["file"]).expanduser(),
                with_recipe=given["recipe"] == "yes",
                replace=given["replace"] == "yes",
                progress=progress,
            )
            return f"{done.path} written. SHA-256 {done.digest[:16]}..."

        self._ask(sheets.make_sheet(page), "Not made", use)

    def action_sign(self) -> None:
        """Sign the submission with its workbook; the password is asked again."""
        page = self._page()
        if page is None or self.seen is None:
            return
        number = page.submission.number
        if page.stands:
            self.app.push_screen(TextSheet(f"{number} cannot be signed yet", page.stands))
            return

        def use(session: Session, given: dict[str, str]) -> str:
            from qualrec.work.submission_records import sign_file

            return sign_file(
                session,
                number,
                Path(given["file"]).expanduser(),
                reason=given["reason"],
                password=given.get("password"),
            )

        self._ask(sheets.sign_sheet(self.seen.session, page), "Not signed", use)

    def action_verify(self) -> None:
        """Recompute the content of a workbook and show what is changed in it."""
        found = (
            None
            if self.seen is None
            else self.seen.submission(f"sub:{self.opened}" if self.opened else self.picks.key)
        )

        def answered(given: dict[str, str] | None) -> None:
            if not given:
                return
            path = Path(given["file"]).expanduser()

            def use(session: Session) -> Verified:
                from qualrec.work.submission_verify import verify_file

                return verify_file(session, path)

            def then(done: Verified) -> None:
                self.say("" if done.sound else "! The workbook is changed.", Tone.BAD)
                self.app.push_screen(TextSheet("Sound" if done.sound else "CHANGED", done.sentences))

            def refused(trouble: Trouble) -> None:
                self.app.push_screen(refusal("Not verified", trouble))

            self.say("verifying ...")
            self.read("verify", use, then, refused)

        self.app.push_screen(sheets.verify_sheet("" if found is None else found.file_name), answered)

    def action_notice(self) -> None:
        """Begin a change notice of the part under the cursor."""
        from qualrec.work.requalification import KINDS

        part = "" if self.seen is None else self.seen.part(self.picks.key)

        def use(session: Session, given: dict[str, str]) -> str:
            from qualrec.work.requalification import begin_notice

            return begin_notice(session, given["part"], given["kind"], given["what"])

        self._ask(sheets.notice_sheet(part, KINDS), "Not begun", use)
