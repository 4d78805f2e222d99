"""Submissions as text."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from qualrec.export.submission_elements import ELEMENTS
from qualrec.export.warrant import WARRANT

if TYPE_CHECKING:
    from qualrec.records.lookups import Submission
    from qualrec.work.session import Session
    from qualrec.work.submission_records import SubmissionPage

DEMAND = {"S": "submit", "R": "keep", "*": "on request", "": "by agreement", "-": "not asked"}


def submission_lines(session: Session, page: SubmissionPage) -> Iterator[str]:
    """Everything on one submission."""
    found = page.submission
    to = f" to {found.customer_name} ({found.customer})" if found.customer else ""
    level = f"agreed list {', '.join(map(str, found.asked))}" if found.asked else f"level {found.level}"
    yield f"Submission {found.number}: {found.part_number} {found.part_name}{to}, {level}. It is {found.standing}."
    if found.file_name:
        yield f"Workbook {found.file_name}, SHA-256 {found.file_digest}"
    if found.signer:
        yield f"Signed by {found.signer} on {session.moment(found.signed_us)}."
    yield ""
    for element in page.elements:
        name = ELEMENTS[element.number].english
        yield f"{element.number:>2}  {element.state:<10}  {DEMAND[element.requirement]:<12}  {name}"
        if element.note:
            yield f"{'':30}{element.note}"
    yield ""
    for result in page.results:
        yield f"{result.key:<12}  {result.answer:<8}  {result.why}"
    if found.signature_id is None:
        yield ""
        yield "Nothing stands against signing it." if not page.stands else "Before it may be signed:"
        for words in page.stands:
            yield f"  {words}"


def declaration_lines(found: Submission) -> Iterator[str]:
    """Every datum of the declaration with its key, what is filled in, and the answers of a choice."""
    given = found.warrant
    for key, datum in WARRANT.items():
        state = given.get(key) or ("needed" if datum.must else "-")
        yield f"{key:<18} {datum.label('en')}: {state}"
        if datum.choices and not given.get(key):
            yield f"{'':18} one of: {'; '.join(datum.choices)}"
