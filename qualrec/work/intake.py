"""Taking a file in: all of it or nothing, and never twice.

A file of the same bytes adds nothing. Readings whose key (lot, characteristic, stream, sample or serial) is stored with the
same value are not added again; with another value they refuse the file. Up to BULK_READINGS readings are stored with their
flags and the state of their lots in one transaction. Larger files are staged in small transactions that no station waits for,
and accepted in one; their lots are judged after that. Where the program stops between the two, giving the file again
judges them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import chain
from pathlib import Path

from qualrec.errors import FileRefused, Problem, UsageError
from qualrec.intake.files import Block, BlockIntake, fits_blocks, read_blocks, read_file
from qualrec.intake.importer import Conn, Draft, compare, plausible_ranges
from qualrec.intake.readers import file_digest
from qualrec.intake.rows import ParsedRow, Problems
from qualrec.records import lookups
from qualrec.records.ledger import Writer
from qualrec.work.intake_bulk import take_blocks, take_drafts
from qualrec.work.intake_job import Job, counted, mark_of
from qualrec.work.intake_result import LotOutcome, PreviewRow, Taken, already_taken, plural
from qualrec.work.profiles import find_profile, keep_profile
from qualrec.work.rights import require
from qualrec.work.session import Session

__all__ = ["LotOutcome", "PreviewRow", "Taken", "check_file", "take_file"]

BULK_READINGS = 5_000
"""More readings than this are staged."""
JUDGED = "lots judged"
"""Act in the trail: all lots of a large import were judged after it was accepted."""


def take_file(
    session: Session,
    path: Path,
    *,
    profile: str | None = None,
    part: str | None = None,
    open_lots: bool = False,
    dry_run: bool = False,
    gauge: str | Sequence[str] = (),
    progress: Callable[[str], None] | None = None,
) -> Taken:
    """Take a file in, or with `dry_run` check all of it and write nothing.

    profile    name of a profile or path of a .toml file; None: the one that fits the heads of the file
    part       part number, where a component goes into several parts or lots are to be opened
    open_lots  open lots that the file names and the records do not have
    gauge      codes of the gauges used, one for each gauge family, where the records leave it open
    progress   is told how far a large file is

    Raises FileRefused with every problem located, and for a file that changes while it is read; nothing was written then (of a
    large file with `open_lots`, the lots stay open if another station changed the records meanwhile). Raises UsageError where
    file, profile, part or gauge are not clear, Refused where the person may not do it.
    """
    job = _job(session, Path(path), profile, part, open_lots, dry_run, gauge)
    if isinstance(job, Taken):
        return job
    job.progress = progress
    taken = _take(job)
    if job.problems:
        raise job.problems.refused(job.file)
    return taken


def check_file(
    session: Session,
    path: Path,
    *,
    profile: str | None = None,
    part: str | None = None,
    open_lots: bool = False,
    gauge: str | Sequence[str] = (),
    progress: Callable[[str], None] | None = None,
) -> Taken:
    """As a dry run of `take_file`, but the problems are in the answer."""
    job = _job(session, Path(path), profile, part, open_lots, True, gauge)
    if isinstance(job, Taken):
        return job
    job.progress = progress
    return _take(job)


def _job(
    session: Session,
    path: Path,
    profile: str | None,
    part: str | None,
    open_lots: bool,
    dry_run: bool,
    gauge: str | Sequence[str],
) -> Job | Taken:
    require(session.actor, "take files in")
    if open_lots:
        require(session.actor, "open lots")
        if part is None:
            raise UsageError("Of which part the new lots are is not said.", "Give --part NUMBER.")
    mark = mark_of(path)
    digest = file_digest(path)
    plant = session.plant.id
    with session.store.read() as conn:
        before = lookups.batch_by_digest(conn, digest, plant_id=plant)
        if before is not None and (dry_run or not _left_unjudged(conn, before.id)):
            return already_taken(session, path.name, digest, before)
        chosen = find_profile(conn, plant, path, profile)
        of = None if part is None else lookups.part(conn, part, plant_id=plant)
        codes = (gauge,) if isinstance(gauge, str) else tuple(gauge)
        gauges = tuple(lookups.gauge(conn, code, plant_id=plant) for code in codes)
    if open_lots and chosen.subject != "lot":
        raise UsageError(
            "Moulding lots are not opened from a file.", "Leave --open-lots out; add them first."
        )
    job = Job(session, path, digest, chosen, of, open_lots, dry_run, gauges, mark)
    return job if before is None else _judge_now(job, already_taken(session, path.name, digest, before))


def _left_unjudged(conn: Conn, batch_id: int) -> bool:
    """Whether the program of a large import stopped after its readings counted and before all its lots were judged."""
    acts = {entry.act for entry in lookups.trail_of(conn, "batch", batch_id)}
    return "import accepted" in acts and JUDGED not in acts


def _judge_now(job: Job, taken: Taken) -> Taken:
    """Judge the lots of a file that was taken in before, where its program did not come to it."""
    lots = dict.fromkeys(name for name in _lots_of(job))
    with job.session.store.read() as conn:
        names = job.lots_to_judge(conn, tuple(lots))
    judged: list[LotOutcome] = []
    for name in names:
        with job.session.store.write(job.session.actor, job.session.plant.id) as writer:
            judged += job.judge(writer, [name])
    taken = replace(taken, judged=tuple(judged))
    _note_judged(job, taken)
    words = f"Its program had stopped before all lots were judged; {plural(len(names), 'lot')} judged now."
    return replace(taken, sentences=(*taken.sentences, words))


def _lots_of(job: Job) -> Iterator[str]:
    """Lots (or moulding lots) that a file names."""
    zone = job.session.plant.zone
    if fits_blocks(job.profile) and job.profile.style is not None:
        for block in read_blocks(job.path, job.profile, plant_zone=zone).blocks:
            yield from dict.fromkeys(block.lots)
    else:
        with job.session.store.read() as conn:
            ranges = plausible_ranges(conn, job.profile, job.part) if job.profile.style is None else None
        for row in read_file(job.path, job.profile, plant_zone=zone, plausible=ranges).rows:
            yield row.lot


def _note_judged(job: Job, taken: Taken) -> Taken:
    """Note in the trail that all lots of a large import were judged."""
    if taken.batch_id is not None and not job.dry_run:
        with job.session.store.write(job.session.actor, job.session.plant.id) as writer:
            writer.note(JUDGED, "batch", taken.batch_id, {"lots": len(taken.judged)})
    return taken


def _take(job: Job) -> Taken:
    zone = job.session.plant.zone
    if fits_blocks(job.profile) and job.profile.style is not None:
        intake = read_blocks(job.path, job.profile, plant_zone=zone)
        held, more = _first_blocks(intake, len(job.profile.values))
        if more:
            return _note_judged(job, take_blocks(job, _whole(job, chain(held, intake.blocks)), intake))
        rows = [row for block in held for row in block.rows(job.profile)]
        problems, job.notes = intake.problems, intake.notes
    else:
        with job.session.store.read() as conn:
            ranges = plausible_ranges(conn, job.profile, job.part) if job.profile.style is None else None
        read = read_file(job.path, job.profile, plant_zone=zone, plausible=ranges)
        rows = list(read.rows)
        problems, job.notes = read.problems, read.notes
    job.check_unchanged()
    return _take_rows(job, rows, problems)


def _whole(job: Job, blocks: Iterable[Block]) -> Iterator[Block]:
    """The blocks; after the last one the file must be as it was when its digest was taken."""
    yield from blocks
    job.check_unchanged()


def _first_blocks(intake: BlockIntake, values: int) -> tuple[list[Block], bool]:
    """Blocks up to BULK_READINGS readings, and whether the file has more."""
    held: list[Block] = []
    readings = 0
    for block in intake.blocks:
        held.append(block)
        readings += len(block) * values
        if readings > BULK_READINGS:
            return held, True
    return held, False


@dataclass(frozen=True, slots=True)
class _Checked:
    """What the rows come to: readings that are new, how many are there, lots to be opened with their first moments."""

    drafts: tuple[Draft, ...]
    fresh: tuple[Draft, ...]
    firsts: dict[str, int]

    @property
    def lots(self) -> tuple[str, ...]:
        return tuple(dict.fromkeys(d.target for d in self.drafts))


def _take_rows(job: Job, rows: Sequence[ParsedRow], problems: Problems) -> Taken:
    with job.session.store.read() as conn:
        checked = _check(job, conn, rows)
        job.merge(problems)
        if not rows and not job.problems:
            job.problems.add(Problem("There is no reading in it.", job.file))
        for draft in checked.fresh:
            job.condition(conn, draft.characteristic, draft.stated)
    count = len({r.row_number for r in rows})
    there = len(checked.drafts) - len(checked.fresh)
    if job.problems or job.dry_run or not checked.fresh:
        return job.result(
            rows=count,
            counts=counted(checked.fresh),
            there=there,
            lots=checked.lots,
            new_lots=tuple(checked.firsts),
        )
    if len(checked.fresh) > BULK_READINGS:
        return _note_judged(
            job, take_drafts(job, checked.fresh, rows=count, there=there, firsts=checked.firsts)
        )
    with job.session.store.write(job.session.actor, job.session.plant.id) as writer:
        return _store(job, writer, checked, count)


def _check(job: Job, conn: Conn, rows: Sequence[ParsedRow]) -> _Checked:
    """All rows as readings; problems go to the job."""
    firsts = job.firsts(conn, rows) if job.open_lots else {}
    resolver = job.resolver(conn, firsts)
    resolver.learn({row.lot for row in rows})
    drafts = tuple(d for row in rows if (d := resolver.draft(row)) is not None)
    job.show(resolver, rows)
    return _Checked(drafts, _fresh(job, conn, drafts), firsts)


def _fresh(job: Job, conn: Conn, drafts: Sequence[Draft]) -> tuple[Draft, ...]:
    """Readings that are not stored yet; one that is stored with another value becomes a problem."""
    stored = lookups.stored_readings(conn, {d.reading.subject_id for d in drafts} - {0})
    found = []
    for draft in drafts:
        answer = compare(stored.get(draft.reading.subject_id), draft.reading, draft.characteristic.unit)
        if answer is None:
            found.append(draft)
        elif answer:
            job.problems.add(Problem(answer, job.file, draft.row, draft.column))
    return tuple(found)


def _store(job: Job, writer: Writer, checked: _Checked, rows: int) -> Taken:
    """Store the new readings and judge their lots, in the transaction of `writer`; what others stored meanwhile counts."""
    before = lookups.batch_by_digest(writer.conn, job.digest, plant_id=writer.plant_id)
    if before is not None:
        return already_taken(job.session, job.file, job.digest, before)
    fresh = _fresh(job, writer.conn, checked.fresh)
    if job.problems:
        raise job.problems.refused(job.file)
    there = len(checked.drafts) - len(fresh)
    if not fresh:
        return job.result(rows=rows, there=there, lots=checked.lots)
    profile_id = keep_profile(writer, job.profile)
    opened = job.open(writer, job.unknown(writer.conn, checked.firsts))
    readings = [
        d.stored(
            d.reading.subject_id or opened[d.target],
            job.condition_id(writer, d.characteristic, d.stated),
        )
        for d in fresh
    ]
    try:
        receipt = writer.add_readings(
            readings, kind=job.kind, file_name=job.file, file_digest=job.digest, profile_id=profile_id
        )
    except FileRefused as error:
        placed = tuple(
            replace(p, file=job.file, row=fresh[p.row - 1].row) if p.row else p for p in error.problems
        )
        raise FileRefused(error.message, placed, error.remedy) from error
    touched = tuple(dict.fromkeys(d.target for d in fresh))
    return job.result(
        batch_id=receipt.batch_id,
        rows=rows,
        counts=counted(fresh),
        there=there,
        lots=checked.lots,
        new_lots=tuple(opened),
        judged=job.judge(writer, job.lots_to_judge(writer.conn, touched)),
    )
