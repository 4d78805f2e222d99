"""Submissions, their elements, what is due and what a customer is told of, in lines."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import groupby
from typing import TYPE_CHECKING

from qualrec.export.submission_elements import ELEMENTS
from qualrec.export.warrant import WARRANT
from qualrec.tui.labels import ANSWERS, Label, Tone
from qualrec.tui.widgets.pick_list import PickLine, Text
from qualrec.tui.widgets.record_table import Cell

if TYPE_CHECKING:
    from qualrec.records.lookups import NoticeStep, Submission
    from qualrec.work.requalification import Requalification
    from qualrec.work.session import Session
    from qualrec.work.submission_records import SubmissionPage

STATES = {
    "supplied": Label("✓", "+", "supplied", Tone.GOOD),
    "referenced": Label("→", ">", "referenced", Tone.GOOD),
    "kept": Label("·", "-", "kept", Tone.GOOD),
    "missing": Label("!", "!", "missing", Tone.BAD),
}
STANDINGS = {
    "open": Label("·", "-", "open", Tone.LOOK),
    "made": Label("»", ">", "made", Tone.LOOK),
    "signed": Label("✓", "+", "signed", Tone.GOOD),
    "superseded": Label("×", "x", "superseded", Tone.QUIET),
}
DUE = {
    "overdue": Label("!", "!", "overdue", Tone.BAD),
    "due soon": Label("»", ">", "due soon", Tone.LOOK),
    "in time": Label("✓", "+", "in time", Tone.GOOD),
    "no rule": Label("·", "-", "no rule", Tone.QUIET),
}
DEMAND = {"S": "submit", "R": "keep", "*": "on request", "": "agreed", "-": "not asked"}


@dataclass(frozen=True, slots=True)
class Seen:
    """What was read for the first list."""

    session: Session
    submissions: tuple[Submission, ...]
    due: tuple[Requalification, ...]
    notices: tuple[NoticeStep, ...]

    def submission(self, key: str) -> Submission | None:
        """The submission of a line's key."""
        return next((s for s in self.submissions if key == f"sub:{s.number}"), None)

    def notice(self, key: str) -> tuple[NoticeStep, ...]:
        """The steps of the notice of a line's key."""
        return tuple(n for n in self.notices if key == f"notice:{n.notice}")

    def part(self, key: str) -> str:
        """The part number that a line is about."""
        found = self.submission(key)
        if found is not None:
            return found.part_number
        steps = self.notice(key)
        return steps[0].part_number if steps else key.removeprefix("due:") if key.startswith("due:") else ""


def list_lines(seen: Seen) -> list[PickLine]:
    """Submissions, then parts by the day on which they are due again, then change notices."""
    lines = [PickLine("", ("Submissions",))]
    for s in seen.submissions:
        label = STANDINGS[s.standing]
        level = "list" if s.asked else f"level {s.level}"
        parts = (
            f"{s.number:<8} ",
            Cell(label.text().ljust(13), label.tone),
            f" {s.part_number:<12} {level:<8} {s.customer}",
        )
        lines.append(PickLine(f"sub:{s.number}", parts))
    if not seen.submissions:
        lines.append(PickLine("sub:", ("none yet: N opens one",)))
    lines.append(PickLine("", ("To be qualified again",)))
    for r in seen.due:
        label = DUE[r.state]
        day = seen.session.moment(r.due_us)[:10] or "-"
        parts = (f"{r.part:<12} ", Cell(label.text().ljust(11), label.tone), f" {day:<10} {r.customer}")
        lines.append(PickLine(f"due:{r.part}", parts))
    if seen.notices:
        lines.append(PickLine("", ("Changes that the customer is told of",)))
    for number, found in groupby(seen.notices, key=lambda n: n.notice):
        steps = list(found)
        open_steps = sum(n.done_us is None for n in steps)
        tone = Tone.LOOK if open_steps else Tone.GOOD
        said = f"{open_steps} of {len(steps)} open" if open_steps else "all done"
        lines.append(
            PickLine(
                f"notice:{number}",
                (f"{steps[0].part_number:<12} ", Cell(f"{said:<12}", tone), f" {steps[0].kind}"),
            )
        )
    return lines


def list_detail(seen: Seen, key: str, page: SubmissionPage | None) -> list[Text]:
    """Everything about the line under the cursor of the first list."""
    found = seen.submission(key)
    if found is not None:
        return submission_detail(seen, found, page)
    steps = seen.notice(key)
    if steps:
        return notice_detail(seen, steps)
    due = next((r for r in seen.due if key == f"due:{r.part}"), None)
    return [] if due is None else due_detail(seen, due)


def submission_detail(seen: Seen, found: Submission, page: SubmissionPage | None) -> list[Text]:
    """A submission in short, and what stands against signing it."""
    label, moment = STANDINGS[found.standing], seen.session.moment
    lines: list[Text] = [
        Cell(f"{label.text()}  {found.number}  {found.part_number} {found.part_name}", label.tone),
        f"to {found.customer_name or 'no customer'}, opened {moment(found.made_us)}",
    ]
    if found.asked:
        lines.append(f"agreed list: {', '.join(str(n) for n in found.asked)}")
    if found.file_name:
        lines += [f"workbook {found.file_name}", f"SHA-256 {found.file_digest}"]
    if found.signer:
        lines.append(f"signed by {found.signer}, {moment(found.signed_us)}")
    if page is None:
        return [*lines, "", Cell("working out what is missing ...", Tone.QUIET)]
    if found.signature_id is not None:
        return [*lines, "", "Enter: its elements."]
    if not page.stands:
        return [*lines, "", Cell("✓ Nothing stands against signing it.", Tone.GOOD)]
    lines += ["", Cell(f"! {len(page.stands)} things stand against signing it:", Tone.BAD)]
    return [*lines, *(f"  {words}" for words in page.stands), "", "Enter: its elements."]


def due_detail(seen: Seen, due: Requalification) -> list[Text]:
    label, moment = DUE[due.state], seen.session.moment
    rule = (
        "no rule of the customer"
        if due.months is None
        else f"every {due.months} months by the rule of {due.customer}"
    )
    return [
        Cell(f"{label.text()}  {due.part} {due.name}", label.tone),
        rule,
        f"counted from {moment(due.since_us)[:10]}: {due.since}" if due.since else "",
        f"due {moment(due.due_us)[:10]}" if due.due_us is not None else "",
        "",
        "A signed submission of the part begins the time anew.",
    ]


def notice_detail(seen: Seen, steps: tuple[NoticeStep, ...]) -> list[Text]:
    first = steps[0]
    lines: list[Text] = [
        f"{first.part_number}: {first.kind}",
        first.what,
        f"begun {seen.session.moment(first.begun_us)}",
        "",
    ]
    for n in steps:
        done = n.done_us is not None
        lines.append(Cell(f"{'✓' if done else '!'} {n.position}. {n.step}", Tone.GOOD if done else Tone.LOOK))
        if done:
            lines.append(f"     {seen.session.moment(n.done_us)} {n.person}: {n.remark}")
    return lines


def element_lines(page: SubmissionPage) -> list[PickLine]:
    """The 18 elements, then the answers about results, then the data of the declaration."""
    lines = [PickLine("", (f"{page.submission.number}  {page.submission.part_number}: elements",))]
    for e in page.elements:
        label = STATES[e.state]
        tone = Tone.QUIET if e.requirement == "-" else label.tone
        parts = (
            f"{e.number:>2} ",
            Cell(label.text().ljust(13), tone),
            f"{DEMAND[e.requirement]:<11}{ELEMENTS[e.number].english}",
        )
        lines.append(PickLine(f"element:{e.number}", parts))
    lines.append(PickLine("", ("Results meet all requirements",)))
    for r in page.results:
        answer = ANSWERS[r.answer]
        lines.append(PickLine(f"result:{r.key}", (f"{r.key:<12} ", Cell(answer.text(), answer.tone))))
    lines.append(PickLine("", ("Declaration",)))
    given = page.submission.warrant
    for key, datum in WARRANT.items():
        text = given.get(key, "")
        shown: Text = text or (Cell("needed", Tone.BAD) if datum.must else Cell("-", Tone.QUIET))
        lines.append(PickLine(f"datum:{key}", (f"{datum.label('en')}: ", shown)))
    return lines


def element_detail(session: Session, page: SubmissionPage, key: str) -> list[Text]:
    """Everything about the line under the cursor of the list of elements."""
    kind, _, name = key.partition(":")
    if kind == "element":
        return _element(session, page, int(name))
    if kind == "result":
        result = next(r for r in page.results if r.key == name)
        return [
            f"{name}: {result.answer}",
            result.why,
            "",
            "Worked out from the records; a 'no' needs an explanation.",
        ]
    if kind == "datum":
        datum = WARRANT[name]
        given = page.submission.warrant.get(name, "")
        lines: list[Text] = [
            datum.label("en"),
            given or ("needed before signing" if datum.must else "not filled in"),
        ]
        return [*lines, *(f"  {choice}" for choice in datum.choices)]
    return []


def _element(session: Session, page: SubmissionPage, number: int) -> list[Text]:
    element, info = page.elements[number - 1], ELEMENTS[number]
    label = STATES[element.state]
    lines: list[Text] = [
        Cell(f"{label.text()}  {number} {info.english}", label.tone),
        f"asked: {DEMAND[element.requirement]}",
        element.note,
    ]
    if info.families:
        lines.append(f"in the workbook: {', '.join(info.families)}")
    hand = page.submission.by_hand.get(number)
    if hand is not None:
        lines += [
            "",
            f"set by hand to {hand['state']} on {session.moment(int(hand['at_us']))}: {hand['reason']}",
        ]
    return lines
