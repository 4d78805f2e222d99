"""What taking a file in did, as data and in words."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from qualrec.errors import Problem
from qualrec.values import Batch, Finding, Flag
from qualrec.work.judging import Judged
from qualrec.work.session import Session

LISTED = 10
"""So many lots, notes and rows are named in sentences; all are in the data."""


@dataclass(frozen=True, slots=True)
class PreviewRow:
    """A reading as it was understood: `value` in the file's unit, `stored` in that of the characteristic."""

    row: int
    lot: str
    characteristic: str
    stream: str
    sample: int | None
    serial: str
    at_us: int
    value: float | None
    unit: str
    stored: str
    mode: str


@dataclass(frozen=True, slots=True)
class LotOutcome:
    """How a lot stands after the file. `findings` are all of it now, `new_flags` those opened or extended."""

    number: str
    answer: str
    state: str
    state_changed: bool
    findings: tuple[Finding, ...]
    new_flags: tuple[Flag, ...]

    @classmethod
    def of(cls, judged: Judged) -> LotOutcome:
        found = judged.judgement
        return cls(
            found.lot.number,
            found.answer,
            judged.state,
            judged.state_changed,
            found.findings,
            judged.new_flags,
        )


@dataclass(frozen=True, slots=True)
class Taken:
    """What taking a file in did.

    batch_id   None where nothing was added: a dry run, a file given before (`already`: then that batch), readings all there
    rows       rows of the file with readings
    readings   readings added, or that would be added in a dry run; `counts` by characteristic
    there      readings that were there already with the same value
    lots       lots (or moulding lots) that the file names; `new_lots` were opened
    problems   of a check only; a file with problems is never taken
    notes      what was taken although it looked odd
    choices    what the file does not say and was chosen: gauge and conditions, recipe of an opened lot
    judged     lots that were judged anew
    """

    batch_id: int | None
    file: str
    digest: str
    profile: str
    rows: int
    readings: int
    counts: Mapping[str, int]
    there: int
    lots: tuple[str, ...]
    new_lots: tuple[str, ...]
    already: bool
    dry_run: bool
    problems: tuple[Problem, ...]
    notes: tuple[Problem, ...]
    choices: tuple[str, ...]
    preview: tuple[PreviewRow, ...]
    judged: tuple[LotOutcome, ...]
    sentences: tuple[str, ...]
    problem_count: int = 0
    """All problems; the first of them are in `problems`."""


def already_taken(session: Session, file: str, digest: str, batch: Batch) -> Taken:
    """The answer for a file whose bytes were taken in before."""
    name = f" as {batch.file_name}" if batch.file_name != file else ""
    by = f" by {batch.person}" if batch.person else ""
    sentence = (
        f"{file} was taken in before{name}: batch {session.short_id(batch.id)}, {session.moment(batch.ended_us)}{by}, "
        f"{batch.rows} readings. Nothing was added."
    )
    return Taken(
        batch.id, file, digest, "", 0, 0, {}, batch.rows, (), (), True, False, (), (), (), (), (), (sentence,)
    )


def listed(names: Sequence[str]) -> str:
    """Names in a row, the first ten where they are many."""
    more = f" and {len(names) - LISTED} more" if len(names) > LISTED else ""
    return ", ".join(names[:LISTED]) + more


def plural(count: int, word: str) -> str:
    return f"{count} {word}" if count == 1 else f"{count} {word}s"


def said(session: Session, taken: Taken, subject: str, part: str) -> tuple[str, ...]:
    """The sentences of a result. `subject`: 'lot' or 'moulding lot'."""
    return (
        *_main(session, taken, subject),
        *([f"Opened {plural(len(taken.new_lots), 'lot')} of {part}: {listed(taken.new_lots)}."]
          if taken.new_lots and not taken.dry_run else []),
        *([f"{plural(len(taken.new_lots), 'lot')} of {part} would be opened: {listed(taken.new_lots)}."]
          if taken.new_lots and taken.dry_run else []),
        *taken.choices,
        *_notes(taken.notes),
        *(_preview(session, row) for row in taken.preview if taken.dry_run),
        *(line for lot in taken.judged[:LISTED] for line in _lot(lot)),
        *([f"{len(taken.judged) - LISTED} more lots were judged."] if len(taken.judged) > LISTED else []),
    )  # fmt: skip


def _main(session: Session, taken: Taken, subject: str) -> list[str]:
    if taken.problems:
        return [f"{taken.file} would be refused: {plural(taken.problem_count, 'problem')}."]
    counts = ", ".join(f"{code} {n}" for code, n in taken.counts.items())
    what = f"{plural(taken.readings, 'reading')} of {plural(len(taken.lots), subject)} ({listed(taken.lots)}): {counts}"
    lines = []
    if taken.readings:
        done = "nothing is written" if taken.batch_id is None else f"batch {session.short_id(taken.batch_id)}"
        verb = "would be taken in" if taken.dry_run else "taken in"
        lines.append(f"{taken.file}, profile {taken.profile}: {what} {verb}; {done}.")
        if taken.there:
            lines.append(
                f"{plural(taken.there, 'reading')} with the same values were there already; not added again."
            )
    else:
        lines.append(
            f"{taken.file}: all {taken.there} readings are there already with the same values. Nothing was added."
        )
    return lines


def _notes(notes: Sequence[Problem]) -> list[str]:
    lines = [f"Note: {note}" for note in notes[:LISTED]]
    return lines + ([f"{len(notes) - LISTED} more notes."] if len(notes) > LISTED else [])


def _preview(session: Session, row: PreviewRow) -> str:
    where = [f"sample {row.sample}"] if row.sample is not None else []
    where += [f"serial {row.serial}"] if row.serial else []
    where += [f"stream {row.stream}"] if row.stream else []
    figure = row.stored or ("no value" if row.value is None else f"{row.value:g} {row.unit}")
    mode = f", {row.mode}" if row.mode else ""
    moment = session.moment(row.at_us)
    return f"Row {row.row}: {row.lot} {row.characteristic} {', '.join(where)}: {figure}{mode}, {moment}"


def _lot(lot: LotOutcome) -> list[str]:
    change = "is now" if lot.state_changed else "stays"
    lines = [f"Lot {lot.number} {change} {lot.state}; verdict {lot.answer}."]
    return lines + [f"  {f.level} {f.kind}: {f.findings[-1].sentence}" for f in lot.new_flags if f.findings]
