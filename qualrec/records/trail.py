"""Verifying the records: the chain itself, then every row that it speaks of, then every sum that was made of readings.

What the chain alone cannot see: the last entries cut off together with their rows and the head, and a whole chain computed
anew. Only a head that was written down outside shows that: `holds` compares one. Exports, certificates and backups
carry the head for this.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, select, text

from qualrec.errors import UnknownRecord
from qualrec.records.chain import HEAD, NO_DIGEST, TRAIL, canonical, entry_digest
from qualrec.records.chain_content import Expected
from qualrec.records.verify_readings import check_readings, check_units
from qualrec.records.verify_rows import check_references, check_subjects, check_tables

if TYPE_CHECKING:
    from qualrec.records.database import Store

Progress = Callable[[str, int, int], None]
"""Step, done, total (0 where it is not known)."""
BLIND_SPOT = (
    "The chain cannot show that its last entries were cut off together with their rows, "
    "or that it was computed anew as a whole. "
    "Compare its head with one that was written down outside (an export, a certificate, a backup)."
)

CLOCK_STEP_US = 60_000_000
"""Clocks of two stations may differ by so much."""

__all__ = [
    "BLIND_SPOT",
    "CLOCK_STEP_US",
    "Fault",
    "Head",
    "Progress",
    "TrailVerdict",
    "canonical",
    "head",
    "holds",
    "verify",
    "verify_on",
]


@dataclass(frozen=True, slots=True)
class Head:
    """The last entry of a chain, to be written down outside."""

    plant_id: int
    seq: int
    digest: str


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that is not as it was entered. `kind`: changed, removed, inserted, reordered, cut off, sums, damaged."""

    kind: str
    table: str
    row: str
    message: str


@dataclass(frozen=True, slots=True)
class TrailVerdict:
    heads: tuple[Head, ...]
    entries: int
    rows: int
    readings: int
    faults: tuple[Fault, ...]
    fault_count: int
    """All faults found; `faults` holds the first 1,000."""
    notes: tuple[str, ...] = ()
    """What is no fault but should be looked at, in words."""
    remark: str = BLIND_SPOT

    @property
    def ok(self) -> bool:
        return not self.fault_count


@dataclass(slots=True)
class Findings:
    """Collects faults, the first 1,000 in full."""

    faults: list[Fault] = field(default_factory=list)
    count: int = 0
    backward: list[int] = field(default_factory=list)
    """Entries dated before an earlier entry by more than CLOCK_STEP_US."""

    def add(self, kind: str, table: str, row: Any, message: str) -> None:
        self.count += 1
        if len(self.faults) < 1000:
            self.faults.append(Fault(kind, table, str(row), message))

    @contextmanager
    def readable(self, what: str) -> Iterator[None]:
        """Content that cannot even be read (a damaged file puts text where numbers were) is a fault like any other."""
        try:
            yield
        except (ValueError, TypeError, KeyError, IndexError, AttributeError, OverflowError) as error:
            self.add("damaged", what, "", f"The {what} hold content that cannot be read ({error}).")


def head(store: Store, plant_id: int) -> Head:
    """The head of a plant's chain. Raises UnknownRecord for a plant that is not there."""
    with store.read() as connection:
        found = connection.execute(
            select(HEAD.c.seq, HEAD.c.digest).where(HEAD.c.plant_id == plant_id)
        ).first()
    if found is None:
        raise UnknownRecord(f"There is no plant {plant_id}.", "See the plant with: qualrec db status")
    return Head(plant_id, int(found.seq), str(found.digest))


def holds(store: Store, anchor: Head) -> bool:
    """Whether a head written down outside is still an entry of the chain. False: the chain was cut or computed anew."""
    with store.read() as connection:
        return _is_entry(connection, anchor)


def verify(
    store: Store, progress: Progress | None = None, *, sums: bool = True, anchors: Sequence[Head] = ()
) -> TrailVerdict:
    """Recompute every chain and compare rows, readings and serials with it, in one snapshot.

    `sums`: the structure of the file, references between rows, running sums, mode counts and shapes as well. `anchors`: heads
    that were written down outside.
    """
    with store.read() as connection:
        return verify_on(connection, progress, sums=sums, anchors=anchors)


def verify_on(
    connection: Connection,
    progress: Progress | None = None,
    *,
    sums: bool = True,
    anchors: Sequence[Head] = (),
) -> TrailVerdict:
    """As `verify`, inside a transaction that is open already."""
    tell: Progress = progress or (lambda step, done, total: None)
    findings, expected = Findings(), Expected()
    plants = [int(p) for p in connection.execute(text("SELECT id FROM plant ORDER BY id")).scalars()]
    heads: list[Head] = []
    rows = readings = 0
    if sums:
        _check_file(connection, findings)
    with findings.readable("trail"):
        for plant_id in plants:
            heads.append(_check_chain(connection, plant_id, findings, expected, tell))
        _check_anchors(connection, findings, anchors)
    with findings.readable("tables"):
        rows = check_tables(connection, expected, findings, tell)
        check_subjects(connection, findings)
        if sums:
            check_references(connection, findings, tell)
    with findings.readable("readings"):
        readings = check_readings(connection, expected, findings, tell, sums=sums)
        check_units(connection, expected, findings)
    entries = sum(last.seq for last in heads)
    found = tuple(findings.faults)
    return TrailVerdict(tuple(heads), entries, rows, readings, found, findings.count, _notes(findings))


def _notes(findings: Findings) -> tuple[str, ...]:
    if not findings.backward:
        return ()
    first, n = findings.backward[0], len(findings.backward)
    what = "entry is" if n == 1 else "entries are"
    return (
        f"{n} {what} dated before an earlier entry (first: entry {first}): a clock was set back. The numbers keep the order.",
    )


def _check_file(connection: Connection, findings: Findings) -> None:
    """The structure of a SQLite file: pages, indexes, checks."""
    if connection.dialect.name == "sqlite":
        for (message,) in connection.exec_driver_sql("PRAGMA integrity_check(100)"):
            if message != "ok":
                findings.add("damaged", "file", "", f"The file is damaged: {message}.")


def _check_chain(
    connection: Connection, plant_id: int, findings: Findings, expected: Expected, tell: Progress
) -> Head:
    stored = connection.execute(select(HEAD.c.seq, HEAD.c.digest).where(HEAD.c.plant_id == plant_id)).first()
    total = int(stored.seq) if stored is not None else 0
    query = select(TRAIL).where(TRAIL.c.plant_id == plant_id).order_by(TRAIL.c.seq)
    previous, seq, latest_us = NO_DIGEST, 0, 0
    with connection.execute(query, execution_options={"stream_results": True, "yield_per": 5000}) as result:
        for row in result:
            seq += 1
            if row.seq != seq:
                findings.add(
                    "removed",
                    "trail",
                    f"plant {plant_id}, {seq}",
                    f"Entries {seq} to {row.seq - 1} are missing.",
                )
                seq = row.seq
            elif row.previous != previous:
                _broken_link(findings, plant_id, row)
            parts = (
                row.at_us,
                row.person_id,
                row.station_id,
                row.act,
                row.what_table,
                row.what_id,
                row.content,
            )
            if entry_digest(plant_id, row.seq, *parts, row.previous) != row.digest:
                findings.add(
                    "changed", "trail", f"plant {plant_id}, {seq}", f"Entry {seq} ({row.act}) was changed."
                )
            expected.learn(row.what_table, row.what_id, row.content)
            if row.at_us < latest_us - CLOCK_STEP_US:
                findings.backward.append(row.seq)
            latest_us = max(latest_us, row.at_us)
            previous = row.digest
            if seq % 5000 == 0:
                tell("trail", seq, total)
    if stored is None or (total, stored.digest) != (seq, previous):
        findings.add(
            "cut off",
            "trail",
            f"plant {plant_id}",
            f"The head says entry {total}, the last entry is {seq}: entries were cut off or put in.",
        )
    tell("trail", seq, total)
    return Head(plant_id, seq, previous)


def _broken_link(findings: Findings, plant_id: int, row: Any) -> None:
    findings.add(
        "reordered",
        "trail",
        f"plant {plant_id}, {row.seq}",
        f"Entry {row.seq} ({row.act}) does not follow the entry before it: one of them was changed, put in or moved.",
    )


def _check_anchors(connection: Connection, findings: Findings, given: Sequence[Head]) -> None:
    """Heads stored in the records, and those that the caller brings."""
    stored = text(
        "SELECT a.of_plant, a.seq, a.digest, a.place FROM trail_anchor a JOIN plant p ON p.id = a.of_plant ORDER BY a.id"
    )
    outside = [(Head(row.of_plant, row.seq, row.digest), row.place) for row in connection.execute(stored)]
    outside += [(anchor, "the place given") for anchor in given]
    for anchor, place in outside:
        if not _is_entry(connection, anchor):
            findings.add(
                "cut off",
                "trail",
                f"plant {anchor.plant_id}, {anchor.seq}",
                f"The chain does not hold entry {anchor.seq} as written down at {place or 'an earlier time'}: "
                "entries were cut off, or the chain was computed anew.",
            )


def _is_entry(connection: Connection, anchor: Head) -> bool:
    if anchor.seq == 0:
        return anchor.digest == NO_DIGEST
    query = select(TRAIL.c.digest).where(TRAIL.c.plant_id == anchor.plant_id, TRAIL.c.seq == anchor.seq)
    return connection.execute(query).scalar() == anchor.digest
