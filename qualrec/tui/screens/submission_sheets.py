"""What is asked at the place of submissions."""

from __future__ import annotations

from typing import TYPE_CHECKING

from qualrec.export.submission_elements import ELEMENTS
from qualrec.export.warrant import CHOICE, WARRANT
from qualrec.tui.screens.people_sheets import password_row
from qualrec.tui.screens.record_sheets import AskSheet
from qualrec.tui.widgets.forms import Choice, Field, Option, Row, Understand, Understood

if TYPE_CHECKING:
    from qualrec.work.session import Session
    from qualrec.work.submission_records import SubmissionPage

STATE_OPTIONS = {
    "supplied": Option("s", "supplied", "supplied", "Goes to the customer beside the workbook."),
    "referenced": Option("r", "referenced", "referenced", "Named here, held elsewhere."),
    "kept": Option("k", "kept", "kept", "Held by us and shown on request."),
    "missing": Option("m", "missing", "missing", "Not there yet."),
}
KEYS = "123456789abcdefgh"
RECIPE = (
    Option("n", "", "no", "Revisions are listed without their settings."),
    Option("y", "yes", "yes", "Settings and qualified ranges go to the customer."),
)
REPLACE = (Option("n", "", "no", "A file that is there stays."), Option("y", "yes", "yes", "It is replaced."))


def open_sheet(part: str) -> AskSheet:
    rows = (
        Field("Part", id="part"),
        Field("Level", id="level", placeholder="1 to 5, or an agreed list as 1,7,9-11,18"),
        Field("Customer", id="customer", required=False, placeholder="empty: the part's own"),
    )
    lead = "A later submission of the same part to the same customer supersedes this one once it is signed."
    return AskSheet("Open a submission", rows, lead=lead, filled={"part": part, "level": "3"})


def element_sheet(number: int, allowed: tuple[str, ...]) -> AskSheet:
    rows = (
        Choice("State", tuple(STATE_OPTIONS[state] for state in allowed), id="state"),
        Field("Reason", id="reason", placeholder="where it is, or why it is not needed"),
    )
    lead = "Set by hand only what the records cannot know; the reason stands in the workbook."
    return AskSheet(f"Element {number}: {ELEMENTS[number].english}", rows, lead=lead)


def datum_sheet(key: str, now: str) -> AskSheet:
    datum = WARRANT[key]
    row: Row
    if datum.kind == CHOICE:
        options = tuple(Option(KEYS[at], choice, choice) for at, choice in enumerate(datum.choices))
        row = Choice(datum.english, options, id="text")
    else:
        row = Field(datum.english, id="text", unit=datum.unit, required=datum.must, understand=_reader(key))
    return AskSheet("Declaration", (row,), lead=datum.label("en"), filled={"text": now})


def _reader(key: str) -> Understand:
    def understand(text: str) -> Understood:
        from qualrec.work.warrant import understood

        found = understood(key, text)
        return Understood(found, found)

    return understand


def make_sheet(page: SubmissionPage) -> AskSheet:
    found = page.submission
    rows = (
        Field("File", id="file", placeholder="its folder must be there"),
        Choice("With recipe", RECIPE, id="recipe", required=False),
        Choice("Replace", REPLACE, id="replace", required=False),
    )
    lead = "What stands against signing it does not stand against making it."
    name = f"{found.number}_{found.part_number}.xlsx".replace("/", "-").replace(" ", "-")
    return AskSheet(
        f"Make the workbook of {found.number}", rows, lead=lead, filled={"file": found.file_name or name}
    )


def sign_sheet(session: Session, page: SubmissionPage) -> AskSheet:
    found, actor = page.submission, session.actor
    rows = (
        Field("File", id="file", placeholder="the workbook as it was made"),
        Field("Reason", id="reason"),
        *password_row(not session.accounts),
    )
    lead = (
        f"The signature covers every cell of the workbook, the states and the declaration.\n"
        f"Signed by {actor.name} ({actor.badge}) at the moment of the last Enter."
    )
    return AskSheet(f"Sign {found.number}", rows, lead=lead, filled={"file": found.file_name})


def verify_sheet(file: str) -> AskSheet:
    lead = "The content is recomputed from the file itself and compared with the records."
    return AskSheet("Verify a workbook", (Field("File", id="file"),), lead=lead, filled={"file": file})


def notice_sheet(part: str, kinds: tuple[str, ...]) -> AskSheet:
    options = tuple(Option(KEYS[at], kind, kind) for at, kind in enumerate(kinds[: len(KEYS)]))
    rows = (Field("Part", id="part"), Choice("Kind", options, id="kind"), Field("What changes", id="what"))
    lead = "Steps are owed from now on; the customer's rule for the kind stands in the first."
    return AskSheet("A change that the customer is told of", rows, lead=lead, filled={"part": part})


def step_sheet(position: int, step: str) -> AskSheet:
    rows = (Field("What came of it", id="remark", placeholder="with the reference"),)
    return AskSheet(f"Step {position} is done", rows, lead=step)
