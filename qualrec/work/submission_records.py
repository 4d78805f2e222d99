"""Submissions as records: opened for a part and customer, states set, made as a workbook, signed, superseded by a later one."""

from __future__ import annotations

import os
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from qualrec.errors import Refused, UsageError
from qualrec.export.messages import Words
from qualrec.export.pack import Element, Pack, ResultView
from qualrec.export.seal import Sealed, content_digest
from qualrec.export.submission_elements import ELEMENTS, check_level
from qualrec.export.verify import STAMP_ROWS, FileCheck, check_file
from qualrec.records import lookups, registry
from qualrec.records.ledger import Writer
from qualrec.records.lookups import Submission
from qualrec.work import outfile, submission
from qualrec.work.rights import require
from qualrec.work.session import Session
from qualrec.work.signed import submission_content
from qualrec.work.signing import ready_to_sign, sign
from qualrec.work.submission import SUFFIX, Progress
from qualrec.work.submission_pack import gather, readings_digest
from qualrec.work.submission_state import DECLARATION, may_be_set, missing_of
from qualrec.work.warrant import lacking, understood

ACT = "make submissions"
KIND = "submission"


@dataclass(frozen=True, slots=True)
class SubmissionPage:
    """A submission with the state of its elements today. `stands`: what stands against signing it, in words."""

    submission: Submission
    elements: tuple[Element, ...]
    results: tuple[ResultView, ...]
    stands: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class MadeSubmission:
    number: str
    path: Path
    digest: str
    content: str
    sentences: tuple[str, ...]


def submissions(session: Session, part: str | None = None) -> tuple[Submission, ...]:
    """Submissions, newest first. Raises UnknownRecord for an unknown part."""
    with session.store.read() as conn:
        if part is not None:
            lookups.part(conn, part)
        return lookups.submissions(conn, part=part)


def open_submission(
    session: Session,
    part: str,
    *,
    level: str = "3",
    asked: Sequence[int] = (),
    customer: str | None = None,
    number: str | None = None,
) -> str:
    """Open a submission; returns its number. Raises UsageError, UnknownRecord, Refused."""
    require(session.actor, ACT)
    chosen = check_level(level)
    with session.store.write(session.actor, session.plant.id) as writer:
        part_id = lookups.part(writer.conn, part).id
        to = None if customer is None else lookups.customer(writer.conn, customer).id
        made = registry.add_submission(
            writer, part_id, level=chosen, asked=asked, customer_id=to, number=number
        )
        return next(s.number for s in lookups.submissions(writer.conn) if s.id == made)


def record(session: Session, number: str) -> Submission:
    """A submission as recorded, without looking at the elements. Raises UnknownRecord."""
    with session.store.read() as conn:
        return lookups.submission(conn, number)


def page(session: Session, number: str) -> SubmissionPage:
    """A submission with the state of its elements, worked out from the records as they are now. Raises UnknownRecord."""
    found = record(session, number)
    return _page(session, found, _gathered(session, found))


def _gathered(session: Session, found: Submission) -> Pack:
    """What a submission rests on, in the language of screens and commands."""
    return gather(
        session,
        found.part_number,
        level=found.level,
        with_recipe=False,
        submission=found,
        signatures=False,
        language="en",
    )


def _page(session: Session, found: Submission, pack: Pack) -> SubmissionPage:
    assert pack.declaration is not None
    stands = []
    for element in missing_of(pack.elements):
        if element.number != DECLARATION:
            stands.append(
                f"Element {element.number}, {ELEMENTS[element.number].english.lower()}, is missing."
            )
    customer = pack.cover.part.customer
    length = customer.run_length if customer is not None else None
    stands += lacking(found.warrant, pack.declaration.results, length)
    if found.standing == "open":
        stands.append("No workbook is made yet.")
    elif found.standing == "made":
        stands += _outdated(found, pack)
    return SubmissionPage(found, pack.elements, pack.declaration.results, tuple(stands))


def _outdated(found: Submission, pack: Pack) -> list[str]:
    """What changed in the records since the workbook was made."""
    kept = found.manifest.get("readings", {})
    changed = [code for code, held in _readings(pack).items() if list(held) != kept.get(code)]
    if [one.id for one in pack.limits] != found.manifest.get("limits", []):
        changed.append("control limits")
    if changed:
        return [f"Changed since the workbook was made: {', '.join(changed)}. Make it again."]
    return []


def _readings(pack: Pack) -> dict[str, tuple[int, str]]:
    """Count and digest of the readings of each characteristic."""
    return {
        s.characteristic.code: (len(s.readings), readings_digest(s.readings)) for s in pack.characteristics
    }


def set_element(session: Session, number: str, element: int, state: str, reason: str) -> str:
    """Set the state of an element by hand, where the records cannot know it.

    Raises UsageError for an unknown element or state, Refused where the records hold the element themselves or it is the
    declaration, and for a signed submission.
    """
    require(session.actor, ACT)
    if element not in ELEMENTS:
        raise UsageError(
            f"There is no element {element}.", "Elements are 1 to 18: qualrec submission show NUMBER"
        )
    name, allowed = ELEMENTS[element].english.lower(), may_be_set(element)
    if not allowed:
        raise Refused(f"Element {element}, {name}, is supplied by signing.", "Sign: qualrec submission sign")
    if state not in allowed:
        raise UsageError(
            f"Element {element}, {name}, cannot be set to {state!r} by hand.", f"Use {' or '.join(allowed)}."
        )
    found = record(session, number)
    by_hand = {n: s for n, s in found.by_hand.items() if n != element}
    worked_out = _gathered(session, _without_hand(found, by_hand)).elements[element - 1]
    if worked_out.state != "missing":
        raise Refused(
            f"Element {element}, {name}, is {worked_out.state} by the records: {worked_out.note}",
            "A state is set by hand only where the records hold nothing.",
        )
    with session.store.write(session.actor, session.plant.id) as writer:
        registry.set_element(writer, found.id, element, state, reason=reason)
    again = " The workbook made before is void; make it again." if found.file_digest else ""
    return f"{number}: element {element}, {name}, is {state}.{again}"


def _without_hand(found: Submission, by_hand: Mapping[int, Mapping[str, Any]]) -> Submission:
    from dataclasses import replace

    elements = {**found.elements, "by_hand": {str(n): dict(s) for n, s in by_hand.items()}}
    return replace(found, elements=elements)


def fill_in(session: Session, number: str, given: Mapping[str, str]) -> str:
    """Fill in data of the declaration by key; an empty text takes a datum away. Raises UsageError, Refused."""
    require(session.actor, ACT)
    if not given:
        raise UsageError("Nothing is to be filled in.", "Give data as key=value.")
    texts = {key: understood(key, text) for key, text in given.items()}
    found = record(session, number)
    with session.store.write(session.actor, session.plant.id) as writer:
        registry.set_warrant(writer, found.id, texts)
    again = " The workbook made before is void; make it again." if found.file_digest else ""
    return f"{number}: {len(texts)} {'datum' if len(texts) == 1 else 'data'} of the declaration filled in.{again}"


def make_file(
    session: Session,
    number: str,
    to: Path,
    *,
    with_recipe: bool = False,
    replace: bool = False,
    progress: Progress | None = None,
) -> MadeSubmission:
    """Write the workbook of a submission and record what it rests on.

    Raises Refused for a signed one, and as `submission.make`.
    """
    require(session.actor, ACT)
    found = record(session, number)
    if found.signature_id is not None:
        raise Refused(
            f"Submission {number} is signed and not made again.", "Open a new one; it supersedes this."
        )
    outfile.check_place(to, (SUFFIX,), replace=replace)
    pack = gather(session, found.part_number, level=found.level, with_recipe=with_recipe, submission=found)
    digest, sealed = submission.write_whole(pack, to, replace=replace, progress=progress)
    manifest = _manifest(pack, sealed)
    with session.store.write(session.actor, session.plant.id) as writer:
        _unchanged(writer, found)
        registry.store_made(writer, found.id, to.name, digest, manifest)
    sentences = submission.sentences(pack, to, digest)
    content = str(manifest["content"])
    return MadeSubmission(number, to, digest, content, (*sentences, f"Content {content}"))


def _unchanged(writer: Writer, found: Submission) -> None:
    """Raises Refused where another person changed the submission meanwhile."""
    now = lookups.submission(writer.conn, found.number)
    if now.elements != found.elements or now.signature_id is not None:
        raise Refused(
            f"Submission {found.number} was changed meanwhile.", "Look at it again and make it again."
        )


def _manifest(pack: Pack, sealed: Sequence[Sealed]) -> dict[str, Any]:
    """What is kept of a workbook: digest of its content and of each sheet, readings and limits used, head of the chain."""
    return {
        "content": content_digest(sealed),
        "sheets": [[one.title, one.rows, one.digest] for one in sealed],
        "readings": {code: list(held) for code, held in _readings(pack).items()},
        "limits": [one.id for one in pack.limits],
        "trail": [pack.cover.trail_seq, pack.cover.trail_digest],
        "made_us": pack.cover.made_us,
        "with_recipe": pack.with_recipe,
        "program": pack.cover.program_version,
        "rules": pack.cover.rules_version,
    }


def sign_file(session: Session, number: str, path: Path, *, reason: str, password: str | None = None) -> str:
    """Sign a submission: what its workbook holds, its states and its declaration; the signature is shown in the file.

    Raises Refused with everything that stands against it: a missing element, a datum that lacks, a file that is not the one
    made, records that changed since. Raises UsageError for an empty reason.
    """
    require(session.actor, "sign submissions")
    if not reason.strip():
        raise UsageError("A submission is signed with a reason.", "Say why, in words.")
    seen = page(session, number)
    found = seen.submission
    if found.signature_id is not None:
        raise Refused(f"Submission {number} is signed already.", "Open a new one; it supersedes this.")
    if seen.stands:
        raise Refused(
            f"Submission {number} cannot be signed yet. {' '.join(seen.stands)}",
            f"See: qualrec submission show {number}",
        )
    check = check_file(path)
    if check.digest != found.file_digest:
        raise Refused(
            f"{path} is not the workbook that was made for {number}.",
            f"Sign {found.file_name} as it was written, or make it again.",
        )
    ready_to_sign(session, password)
    return _sign_with_file(session, found, check, reason)


def _sign_with_file(session: Session, found: Submission, check: FileCheck, reason: str) -> str:
    """Sign in one transaction with the file: where one fails, the other stays as it was."""
    path = check.path
    before = path.with_name(f".{path.stem[:60]}.before{path.suffix}")
    try:
        shutil.copyfile(path, before)
        with session.store.write(session.actor, session.plant.id) as writer:
            _unchanged(writer, found)
            signature = sign(writer, "released", KIND, found.id, submission_content(found), reason)
            texts = _stamp_texts(session, found, signature, writer.now_us)
            digest = outfile.put(
                path, lambda part: _stamped(check, before, part, texts), (path.suffix.lower(),), replace=True
            )
            registry.store_signed(writer, found.id, signature, digest)
    except BaseException:
        if before.exists():
            os.replace(before, path)
        raise
    before.unlink(missing_ok=True)
    return f"Submission {found.number} signed by {session.actor.name}; {path.name} shows it. SHA-256 of the file {digest}"


def _stamp_texts(session: Session, found: Submission, signature: int, at_us: int) -> dict[str, str]:
    from datetime import UTC, datetime

    customer = None
    if found.customer:
        with session.store.read() as conn:
            customer = lookups.customer(conn, found.customer)
    words = Words(customer.language if customer is not None else "en")
    return {
        "signed_by": session.actor.name,
        "function": ", ".join(words.word(role) for role in sorted(session.actor.roles)),
        "signed_at": datetime.fromtimestamp(at_us // 1_000_000, UTC).strftime("%Y-%m-%d %H:%M:%S"),
        "signature": str(session.short_id(signature)),
        "content": str(found.manifest["content"]),
    }


def _stamped(check: FileCheck, source: Path, to: Path, texts: Mapping[str, str]) -> None:
    from qualrec.export.stamp import stamp

    cells = {f"B{check.stamp_row + at}": texts[key] for at, key in enumerate(STAMP_ROWS) if key in texts}
    stamp(source, to, check.stamp_sheet, cells)
