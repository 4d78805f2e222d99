"""Whether a workbook is what was written and signed: by the file alone, and by the records where they are at hand."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from qualrec.export.verify import Change, FileCheck, check_file
from qualrec.records import lookups
from qualrec.records.lookups import Submission
from qualrec.work.session import Session
from qualrec.work.signed import signatures_of

SHOWN = 30
"""How many changed cells the sentences name."""


@dataclass(frozen=True, slots=True)
class Verified:
    """`sound`: nothing is changed, and the records, where they know the submission, say the same."""

    path: Path
    sound: bool
    number: str
    standing: str
    digest: str
    content: str
    changes: tuple[Change, ...]
    sentences: tuple[str, ...]


def verify_file(session: Session | None, path: Path) -> Verified:
    """Recompute the content of a workbook from the file; `session` None: the records are not asked.

    Raises UsageError for no file, FileRefused for one that is no workbook of this program.
    """
    check = check_file(path)
    said = [_by_itself(check)]
    said += [_changed(c) for c in check.changes[:SHOWN]]
    if len(check.changes) > SHOWN:
        said.append(f"... and {len(check.changes) - SHOWN} more cells; --json lists up to 200.")
    said += [f"Sheet {s.title}: {s.note}." for s in check.sheets if s.note]
    said += [f"Sheet {title} was added." for title in check.added]
    rounded = sum(s.rounded for s in check.sheets)
    if rounded:
        said.append(
            f"{rounded} cells are spelled otherwise (numbers to 15 digits): another program saved the file; no figure changed."
        )
    number = check.stamp.get("submission", "")
    if session is None:
        said.append("The records were not asked: only the file's own list was compared.")
        return _verified(check, check.sound, number, "", said)
    with session.store.read() as conn:
        found = [s for s in lookups.submissions(conn) if s.number == number]
        if not found:
            said.append(
                f"The records here know no submission {number}."
                if number
                else "The file belongs to no recorded submission."
            )
            said.append(f"Content {check.content}")
            return _verified(check, check.sound, number, "", said)
        agrees, words = _by_records(session, conn, check, found[0])
    return _verified(check, check.sound and agrees, number, found[0].standing, [*said, *words])


def _verified(check: FileCheck, sound: bool, number: str, standing: str, said: list[str]) -> Verified:
    return Verified(
        check.path, sound, number, standing, check.digest, check.content, check.changes, tuple(said)
    )


def _by_itself(check: FileCheck) -> str:
    if check.sound:
        return f"{check.path.name}: every sealed cell of {len(check.sheets)} sheets is as it was written."
    if check.content != check.listed:
        return f"{check.path.name}: CHANGED. The list of digests in the manifest does not give the digest of the content."
    count = len(check.changes)
    return f"{check.path.name}: CHANGED. {count} {'cell is' if count == 1 else 'cells are'} not as written."


def _changed(change: Change) -> str:
    where = f"{change.sheet}!{change.cell}" if change.cell else change.sheet
    return f"{where}: was {change.was or 'empty'}, is {change.now or 'empty'}"


def _by_records(session: Session, conn: Any, check: FileCheck, found: Submission) -> tuple[bool, list[str]]:
    """Whether the records agree, and what they say."""
    recorded = found.manifest.get("content", "")
    if recorded != check.content:
        if not recorded:
            return False, [
                f"The workbook of submission {found.number} is void: the submission was changed after it was made."
            ]
        return False, [
            f"NOT the content that is recorded for {found.number}: the file says {check.content}, the records {recorded}."
        ]
    said = [f"The content is that recorded for submission {found.number}, {found.standing}."]
    if found.file_digest == check.digest:
        said.append("The file is byte for byte as recorded.")
    else:
        said.append("The file is not byte for byte as recorded: it was saved anew or is an earlier one.")
        said.append(
            "Number formats, hidden rows and columns, printed heads and the figures that a chart keeps for itself are not "
            "sealed: what is seen may differ from the cells."
        )
    if found.signature_id is None:
        claimed = "signed_by" in check.stamp
        said.append("The file shows a signature, the records hold none." if claimed else "It is not signed.")
        return not claimed, said
    agrees = True
    for held in signatures_of(conn, "submission", found.id):
        s = held.signature
        said.append(f"Signed by {s.person} on {session.moment(s.at_us)} ({s.meaning}): {s.reason}")
        if not held.covers:
            agrees = False
            said.append(f"The signature is {held.words}.")
        shown = check.stamp.get("signature")
        if shown is not None and shown != str(session.short_id(s.id)):
            agrees = False
            said.append(f"The file names signature {shown}, the records {session.short_id(s.id)}.")
        if check.stamp.get("signed_by", s.person) != s.person:
            agrees = False
            said.append(f"The file names {check.stamp['signed_by']} as the signer.")
    if found.standing == "superseded":
        said.append("A later submission of this part to this customer was signed since.")
    return agrees, said
