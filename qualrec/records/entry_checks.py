"""Checks of readings before they are stored, and the numbering of samples."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, text

from qualrec.errors import FileRefused, Problem, Refused, UnknownRecord
from qualrec.records import guards
from qualrec.records.columns import Key3
from qualrec.records.ids import plant_of
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
    checker = KnownIds(writer.plant_id)
    checker.check(
        writer.conn,
        {(r.subject_id, r.characteristic_id) for r in readings},
        {r.stream_id for r in readings},
        {r.condition_id for r in readings},
    )


class KnownIds:
    """Ids that readings may name; remembers what it has looked up."""

    def __init__(self, plant_id: int) -> None:
        self._plant_id = plant_id
        self._kinds: dict[int, str] = {}
        self._hangs: dict[int, str] = {}
        self._others: dict[str, set[int]] = {"stream": set(), "condition": set()}
        self._pairs: set[tuple[int, int]] = set()

    @property
    def characteristics(self) -> set[int]:
        return set(self._hangs)

    @property
    def span(self) -> tuple[int, int]:
        """Least and greatest id of the subjects."""
        return min(self._kinds, default=0), max(self._kinds, default=0)

    def check(
        self, connection: Connection, pairs: set[tuple[int, int]], streams: set[int], conditions: set[int]
    ) -> None:
        """`pairs` of subject and characteristic. Raises UnknownRecord, Refused."""
        fresh = pairs - self._pairs
        subjects = {s for s, _ in fresh} - self._kinds.keys()
        self._kinds.update(known(connection, "subject", "kind", subjects))
        wanted = {c for _, c in fresh} - self._hangs.keys()
        self._hangs.update(known(connection, "characteristic", "hangs_on", wanted))
        for table, ids in (("stream", streams), ("condition", conditions)):
            self._others[table] |= known(connection, table, "id", ids - self._others[table]).keys()
        for subject in subjects:
            if plant_of(subject) != self._plant_id:
                raise Refused(
                    f"Subject {subject} belongs to plant {plant_of(subject)}.",
                    "Enter the reading in its own plant.",
                )
        for subject, characteristic in fresh:
            refuse_misplaced(self._kinds[subject], self._hangs[characteristic])
        self._pairs |= fresh


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


class SampleNumbers:
    """Gives sample numbers that are left open.

    Without a serial: the next of this subject, characteristic and stream, and not a number that belongs to a unit with a
    serial. With a serial: the number that the unit has in this subject, else the next that no reading of the subject has.
    """

    def __init__(self, connection: Connection) -> None:
        self.connection = connection
        self._last: dict[Key3, int] = {}
        self._units: dict[int, dict[str, int]] = {}
        self._top: dict[int, int] = {}

    def give(self, key: Key3, sample: int, serial: str) -> int:
        """The number of one reading; `sample` 0 leaves it open."""
        subject = key[0]
        self._know(subject)
        if sample == 0:
            sample = self._next(key, serial)
        self._top[subject] = max(self._top[subject], sample)
        if serial:
            self._units[subject].setdefault(serial, sample)
        return self._took(key, sample)

    def give_run(self, key: Key3, n: int) -> int:
        """First of `n` open numbers in a row, without serials."""
        self._know(key[0])
        first = self._next(key, "")
        self._top[key[0]] = max(self._top[key[0]], first + n - 1)
        self._took(key, first + n - 1)
        return first

    def _took(self, key: Key3, sample: int) -> int:
        if key in self._last:
            self._last[key] = max(self._last[key], sample)
        return sample

    def _next(self, key: Key3, serial: str) -> int:
        if serial:
            return self._units[key[0]].get(serial) or self._top[key[0]] + 1
        if key not in self._last:
            self._last[key] = max(self._of_key(key), *self._units[key[0]].values(), 0)
        return self._last[key] + 1

    def _know(self, subject: int) -> None:
        if subject not in self._units:
            units = text("SELECT serial, sample FROM welded_unit WHERE subject_id = :subject")
            found = self.connection.execute(units, {"subject": subject})
            self._units[subject] = {row.serial: row.sample for row in found}
            top = text("SELECT max(sample) FROM reading WHERE subject_id = :subject")
            self._top[subject] = self.connection.execute(top, {"subject": subject}).scalar() or 0

    def _of_key(self, key: Key3) -> int:
        query = text(
            "SELECT max(sample) FROM reading WHERE subject_id = :subject AND characteristic_id = :characteristic"
            " AND stream_id = :stream"
        )
        values = {"subject": key[0], "characteristic": key[1], "stream": key[2]}
        return int(self.connection.execute(query, values).scalar() or 0)


def give_samples(connection: Connection, readings: Sequence[NewReading]) -> list[int]:
    """Sample numbers: those given, else as `SampleNumbers` says."""
    numbers = SampleNumbers(connection)
    return [
        numbers.give((r.subject_id, r.characteristic_id, r.stream_id), r.sample or 0, r.serial)
        for r in readings
    ]


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
