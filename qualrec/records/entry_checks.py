"""Checks of readings before they are stored, and the numbering of samples."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, text

from qualrec.errors import FileRefused, Problem, Refused, UnknownRecord
from qualrec.records import guards
from qualrec.records.columns import Key3
from qualrec.records.models.readings import MODES
from qualrec.records.overlays import TEST_FAULT
from qualrec.values import NewReading, PullResult, ReadingKey

if TYPE_CHECKING:
    from qualrec.records.ledger import Writer

MISPLACED = {"lot": ("moulding lot",), "moulding lot": ("lot segment",)}
"""Subject kinds that a characteristic's readings cannot hang on, by what it hangs on."""


def check_reading(reading: NewReading, place: int) -> None:
    """Refuses what cannot be a reading. `place` is its number in the entry, for the message."""
    where = f"Reading {place}"
    if reading.value is None:
        if reading.pull is None or reading.pull.mode != TEST_FAULT:
            raise Refused(f"{where} has no value.", "Enter a value, or mark the test as a test fault.")
    else:
        guards.finite(reading.value, where)
        if reading.pull is not None and reading.pull.mode == TEST_FAULT:
            raise Refused(
                f"{where} is a test fault and has a value.",
                "Leave the value out, or choose the failure mode.",
            )
    if reading.sample is not None and not 0 < reading.sample < 1 << 31:
        raise Refused(
            f"{where}: sample {reading.sample} is not a sample number.", "Number the samples from 1."
        )
    if reading.pull is not None:
        check_pull(reading.pull, where)


def check_pull(pull: PullResult, where: str) -> None:
    """Refuses an unknown failure mode and shares that are not shares."""
    if pull.mode not in MODES:
        raise Refused(
            f"{where}: failure mode {pull.mode!r} is not known.", f"Choose one of: {', '.join(MODES)}."
        )
    shares = (pull.interfacial_pct, pull.cohesive_pct, pull.tear_pct, pull.parent_pct)
    for share in shares:
        if share is not None and not 0 <= guards.finite(share, where) <= 100:
            raise Refused(
                f"{where}: a share of {share:g} % is not possible.", "Enter shares from 0 to 100 %."
            )
    if pull.mode == "mixed":
        total = sum(share or 0.0 for share in shares)
        if any(share is None for share in shares) or abs(total - 100) >= 0.5:
            raise Refused(
                f"{where}: the shares of a mixed failure sum to {total:g} %.",
                "Enter all four shares; they sum to 100 %.",
            )


def check_known(writer: Writer, readings: Sequence[NewReading]) -> None:
    """Refuses ids that are not there, and characteristics that do not belong on what is measured."""
    kinds = known(writer.conn, "subject", "kind", {r.subject_id for r in readings})
    hangs = known(writer.conn, "characteristic", "hangs_on", {r.characteristic_id for r in readings})
    known(writer.conn, "stream", "id", {r.stream_id for r in readings})
    known(writer.conn, "condition", "id", {r.condition_id for r in readings})
    for subject_id, characteristic_id in {(r.subject_id, r.characteristic_id) for r in readings}:
        refuse_misplaced(kinds[subject_id], hangs[characteristic_id])


def known(connection: Connection, table: str, column: str, ids: Iterable[int]) -> dict[int, Any]:
    """One column of rows by id. Raises UnknownRecord for an id that is not there."""
    wanted = sorted({int(i) for i in ids})
    found: dict[int, Any] = {}
    for i in range(0, len(wanted), 500):
        listed = ", ".join(str(number) for number in wanted[i : i + 500])
        rows = connection.execute(text(f"SELECT id, {column} FROM {table} WHERE id IN ({listed})"))
        found.update((row[0], row[1]) for row in rows)
    missing = [number for number in wanted if number not in found]
    if missing:
        raise UnknownRecord(f"There is no {table} with id {missing[0]}.", f"Enter the {table} first.")
    return found


def refuse_misplaced(kind: str, hangs_on: str) -> None:
    if kind in MISPLACED.get(hangs_on, ()):
        raise Refused(
            f"This characteristic is measured on a {hangs_on}, not on a {kind}.",
            "Choose the right lot or characteristic.",
        )


def give_samples(writer: Writer, readings: Sequence[NewReading]) -> list[int]:
    """Sample numbers: those given, else the next free one.

    Without a serial: the next of this subject, characteristic and stream, and not a number that belongs to a unit
    with a serial. With a serial: the number that the unit has in this subject, else the next that no reading of the
    subject has.
    """
    last: dict[Key3, int] = {}
    units: dict[int, dict[str, int]] = {}
    top: dict[int, int] = {}
    samples: list[int] = []
    for reading in readings:
        subject = reading.subject_id
        key = (subject, reading.characteristic_id, reading.stream_id)
        if reading.sample is not None:
            samples.append(reading.sample)
            continue
        if subject not in units:
            units[subject] = _units(writer, subject)
        if reading.serial:
            sample = units[subject].get(reading.serial)
            if sample is None:
                sample = 1 + top.get(subject, _last(writer, subject))
                units[subject][reading.serial] = sample
            top[subject] = max(sample, top.get(subject, _last(writer, subject)))
        else:
            if key not in last:
                last[key] = max(_last(writer, *key), *units[subject].values(), 0)
            sample = last[key] + 1
            top[subject] = max(sample, top.get(subject, 0))
        last[key] = max(last.get(key, 0), sample)
        samples.append(sample)
    return samples


def _units(writer: Writer, subject_id: int) -> dict[str, int]:
    query = text("SELECT serial, sample FROM welded_unit WHERE subject_id = :subject")
    return {row.serial: row.sample for row in writer.conn.execute(query, {"subject": subject_id})}


def _last(writer: Writer, subject: int, characteristic: int | None = None, stream: int | None = None) -> int:
    where = "subject_id = :subject"
    if characteristic is not None:
        where += " AND characteristic_id = :characteristic AND stream_id = :stream"
    values = {"subject": subject, "characteristic": characteristic, "stream": stream}
    return int(
        writer.conn.execute(text(f"SELECT max(sample) FROM reading WHERE {where}"), values).scalar() or 0
    )


def refuse_doubles(writer: Writer, keys: Sequence[ReadingKey]) -> None:
    """Refuses readings that are there already or come twice, each named."""
    problems: list[Problem] = []
    seen: set[ReadingKey] = set()
    query = text(
        "SELECT 1 FROM reading WHERE subject_id = :subject AND characteristic_id = :characteristic"
        " AND stream_id = :stream AND sample = :sample"
    )
    for row, key in enumerate(keys, start=1):
        values = {
            "subject": key.subject_id,
            "characteristic": key.characteristic_id,
            "stream": key.stream_id,
            "sample": key.sample,
        }
        if key in seen:
            problems.append(Problem(f"Sample {key.sample} comes twice.", row=row))
        elif writer.conn.execute(query, values).first() is not None:
            problems.append(Problem(f"Sample {key.sample} is already there.", row=row))
        seen.add(key)
    if problems:
        raise FileRefused(
            f"{len(problems)} of {len(keys)} readings are there already. Nothing was stored. {problems[0]}",
            tuple(problems),
            "Correct the stored reading, or leave the sample number open.",
        )
