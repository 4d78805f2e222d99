"""Problem reports by eight disciplines, linked to lots, flags and evidence, with a day for each discipline."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta
from hashlib import file_digest
from pathlib import Path

from qualrec import __version__
from qualrec.errors import UsageError
from qualrec.export.document import Document
from qualrec.export.messages import LANGUAGES
from qualrec.export.problem import DISCIPLINES, ProblemCover, problem_document
from qualrec.records import lookups, registry, trail
from qualrec.records.lookups import DISCIPLINE_DAYS, Evidence
from qualrec.work import outfile
from qualrec.work.days import EPOCH, end_of_day
from qualrec.work.outfile import Made
from qualrec.work.rights import require
from qualrec.work.session import Session

AS_RECORDED, CHANGED, NOT_FOUND = "as recorded", "changed", "not found there"


def open_report(
    session: Session,
    title: str,
    *,
    number: str | None = None,
    part: str | None = None,
    lot: str | None = None,
    flag_id: int | None = None,
    due: Mapping[str, str] | None = None,
) -> str:
    """Open a report about a part, a lot or a flag. Without a number the next free one of the year is taken.

    Each discipline is due some days after opening (`DISCIPLINE_DAYS`) unless `due` gives its day. Raises UsageError, Refused,
    UnknownRecord.
    """
    require(session.actor, "work on problems")
    days = {code: end_of_day(session, day) for code, day in _codes(due or {}).items()}
    with session.store.write(session.actor, session.plant.id) as writer:
        about = None if lot is None else lookups.lot(writer.conn, lot)
        flag = None if flag_id is None else lookups.flag(writer.conn, flag_id)
        named = part or (about.part.number if about else flag.part_number if flag else None)
        part_id = None if named is None else lookups.part(writer.conn, named).id
        taken = lookups.problem_numbers(writer.conn, session.plant.id)
        chosen = number if number is not None else _next_number(session, writer.now_us, taken)
        proposed = {code: _days_after(session, writer.now_us, n) for code, n in DISCIPLINE_DAYS.items()}
        made = registry.add_problem(writer, chosen, title, part_id=part_id, due_us={**proposed, **days})
        if about is not None:
            registry.link_problem(writer, made, "lot", about.id)
        if flag is not None:
            registry.link_problem(writer, made, "flag", flag.id)
        due_us = lookups.problem(writer.conn, chosen, plant_id=session.plant.id).due_us
    return f"Problem report {chosen} opened: {title.strip()}. To be closed by {session.moment(due_us)[:10]}."


def write_step(
    session: Session,
    number: str,
    code: str,
    *,
    text: str = "",
    done: bool = False,
    due: str | None = None,
    owner: str | None = None,
) -> str:
    """Write under a discipline, set its day or owner (a badge), or say that it is done."""
    require(session.actor, "work on problems")
    (known,) = _codes({code: ""})
    due_us = None if due is None else end_of_day(session, due)
    with session.store.write(session.actor, session.plant.id) as writer:
        found = lookups.problem(writer.conn, number, plant_id=session.plant.id)
        owner_id = None if owner is None else lookups.person_by_badge(writer.conn, owner).id
        registry.write_step(writer, found.id, known, text=text, done=done, due_us=due_us, owner_id=owner_id)
        after = lookups.problem(writer.conn, number, plant_id=session.plant.id)
    step = next(s for s in after.steps if s.code == known)
    standing = (
        "done" if step.done_us is not None else f"open, due {session.moment(step.due_us)[:10] or 'on no day'}"
    )
    written = "1 entry" if len(step.entries) == 1 else f"{len(step.entries)} entries"
    return f"{number} {known} {DISCIPLINES[known].name}: {standing}, {written}."


def link(
    session: Session,
    number: str,
    *,
    lot: str | None = None,
    moulding_lot: str | None = None,
    gauge: str | None = None,
    flag_id: int | None = None,
) -> str:
    """Link a report to records by their numbers. Raises UsageError where nothing is named."""
    require(session.actor, "work on problems")
    with session.store.write(session.actor, session.plant.id) as writer:
        conn = writer.conn
        found = lookups.problem(conn, number, plant_id=session.plant.id)
        wanted: list[tuple[str, int]] = []
        if lot is not None:
            wanted.append(("lot", lookups.lot(conn, lot).id))
        if moulding_lot is not None:
            wanted.append(("moulding lot", lookups.moulding_lot(conn, moulding_lot).id))
        if gauge is not None:
            wanted.append(("gauge", lookups.gauge(conn, gauge).id))
        if flag_id is not None:
            wanted.append(("flag", lookups.flag(conn, flag_id).id))
        if not wanted:
            raise UsageError(
                "Nothing to link is named.", "Give a lot, a moulding lot, a gauge, a flag or a file."
            )
        for kind, record_id in wanted:
            registry.link_problem(writer, found.id, kind, record_id)
    return f"{number} linked to {', '.join(kind for kind, _ in wanted)}."


def file_evidence(session: Session, number: str, file: Path, *, name: str = "") -> str:
    """File a picture or document as evidence: its digest now, and where it lies. The file itself stays there."""
    require(session.actor, "work on problems")
    digest = _digest(file)
    if digest is None:
        raise UsageError(f"{file} cannot be read.", "Give the path of a file that is there.")
    with session.store.write(session.actor, session.plant.id) as writer:
        found = lookups.problem(writer.conn, number, plant_id=session.plant.id)
        registry.add_evidence(writer, found.id, name or file.name, digest=digest, place=str(file.resolve()))
    return f"{number}: {name or file.name} filed as evidence, SHA-256 {digest}. Keep the file where it is."


def close(session: Session, number: str, reached: str) -> str:
    """Close a report with what was reached. Raises Refused while a discipline is not done."""
    require(session.actor, "close problems")
    with session.store.write(session.actor, session.plant.id) as writer:
        found = lookups.problem(writer.conn, number, plant_id=session.plant.id)
        registry.close_problem(writer, found.id, reached)
    return f"Problem report {number} closed: {reached.strip()}"


def look_at(evidence: Evidence) -> str:
    """Whether a file of evidence still is what it was: 'as recorded', 'changed', or 'not found there'."""
    now = _digest(Path(evidence.place))
    return NOT_FOUND if now is None else AS_RECORDED if now == evidence.digest else CHANGED


def document(session: Session, number: str, *, language: str = "en") -> Document:
    """A report as a document; the evidence is looked at now."""
    if language not in LANGUAGES:
        raise UsageError(f"{language!r} is no language of exports.", f"Use one of: {', '.join(LANGUAGES)}.")
    head = trail.head(session.store, session.plant.id)
    with session.store.read() as conn:
        report = lookups.problem(conn, number, plant_id=session.plant.id)
    cover = ProblemCover(
        plant=session.plant,
        language=language,
        looked={e.id: look_at(e) for e in report.evidence},
        made_us=session.store.clock(),
        program_version=__version__,
        trail_seq=head.seq,
        trail_digest=head.digest,
    )
    return problem_document(report, cover)


def export(session: Session, number: str, to: Path, *, language: str = "en", replace: bool = False) -> Made:
    """Write a report as a workbook or a PDF file."""
    outfile.check_place(to, (outfile.BOOK, outfile.PAPER), replace=replace)
    made = document(session, number, language=language)
    digest = outfile.put_document(made, to, replace=replace)
    said = (f"{to} written: problem report {number}.", f"SHA-256 {digest}")
    return Made(to, digest, made.head_seq, made.head_digest, said)


def _codes(given: Mapping[str, str]) -> dict[str, str]:
    """Disciplines as written, 'd3' or '3' for D3."""
    found = {}
    for code, value in given.items():
        known = code.strip().upper()
        known = known if known.startswith("D") else f"D{known}"
        if known not in DISCIPLINE_DAYS:
            raise UsageError(f"{code!r} is no discipline.", f"Use one of: {', '.join(DISCIPLINE_DAYS)}.")
        found[known] = value
    return found


def _days_after(session: Session, at_us: int, days: int) -> int:
    """The end of the day so many days after a moment, in the plant's zone."""
    local = (EPOCH + timedelta(microseconds=at_us)).astimezone(session.zone).date()
    return end_of_day(session, (local + timedelta(days=days)).isoformat())


def _next_number(session: Session, at_us: int, taken: tuple[str, ...]) -> str:
    year = session.moment(at_us)[:4]
    return next(number for n in range(1, len(taken) + 2) if (number := f"PR-{year}-{n:03d}") not in taken)


def _digest(file: Path) -> str | None:
    try:
        with file.open("rb") as opened:
            return file_digest(opened, "sha256").hexdigest()
    except OSError:
        return None
