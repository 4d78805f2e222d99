"""Verifying the records: the chain itself, then every row that it speaks of, then every sum that was made of readings.

What the chain alone cannot see: the last entries cut off together with their rows and the head, and a whole chain computed
anew. Only a head that was written down outside shows that: `holds` compares one. Exports, certificates and backups
carry the head for this.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from sqlalchemy import Connection, select, text

from qualrec.errors import UnknownRecord
from qualrec.records.chain import HEAD, NO_DIGEST, TRAIL, canonical, entry_digest
from qualrec.records.chain_content import Expected
from qualrec.records.verify_readings import check_readings, check_units
from qualrec.records.verify_rows import check_subjects, check_tables

if TYPE_CHECKING:
    from qualrec.records.database import Store

Progress = Callable[[str, int, int], None]
"""Step, done, total (0 where it is not known)."""
BLIND_SPOT = (
    "The chain cannot show that its last entries were cut off together with their rows, "
    "or that it was computed anew as a whole. "
    "Compare its head with one that was written down outside (an export, a certificate, a backup)."
)

__all__ = ["BLIND_SPOT", "Fault", "Head", "Progress", "TrailVerdict", "canonical", "head", "holds", "verify"]


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
    remark: str = BLIND_SPOT

    @property
    def ok(self) -> bool:
        return not self.fault_count


@dataclass(slots=True)
class Findings:
    """Collects faults, the first 1,000 in full."""

    faults: list[Fault] = field(default_factory=list)
    count: int = 0

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
    if anchor.seq == 0:
        return anchor.digest == NO_DIGEST
    query = select(TRAIL.c.digest).where(TRAIL.c.plant_id == anchor.plant_id, TRAIL.c.seq == anchor.seq)
    with store.read() as connection:
        return connection.execute(query).scalar() == anchor.digest


def verify(store: Store, progress: Progress | None = None) -> TrailVerdict:
    """Recompute every chain and compare rows, readings, serials, sums, mode counts and shapes with it, in one snapshot."""
    tell: Progress = progress or (lambda step, done, total: None)
    findings, expected = Findings(), Expected()
    with store.read() as connection:
        plants = [int(p) for p in connection.execute(text("SELECT id FROM plant ORDER BY id")).scalars()]
        heads: list[Head] = []
        rows = readings = 0
        _check_file(connection, findings)
        with findings.readable("trail"):
            for plant_id in plants:
                heads.append(_check_chain(connection, plant_id, findings, expected, tell))
            _check_anchors(connection, findings)
        with findings.readable("tables"):
            rows = check_tables(connection, expected, findings, tell)
            check_subjects(connection, findings)
        with findings.readable("readings"):
            readings = check_readings(connection, expected, findings, tell)
            check_units(connection, expected, findings)
    entries = sum(last.seq for last in heads)
    return TrailVerdict(tuple(heads), entries, rows, readings, tuple(findings.faults), findings.count)


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
    previous, seq = NO_DIGEST, 0
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


def _check_anchors(connection: Connection, findings: Findings) -> None:
    query = text(
        "SELECT a.of_plant, a.seq, a.digest, a.place, t.digest AS found FROM trail_anchor a JOIN plant p ON p.id = a.of_plant"
        " LEFT JOIN trail t ON t.plant_id = a.of_plant AND t.seq = a.seq WHERE a.seq > 0 ORDER BY a.id"
    )
    for row in connection.execute(query):
        if row.found != row.digest:
            findings.add(
                "cut off",
                "trail",
                f"plant {row.of_plant}, {row.seq}",
                f"The chain does not hold the head written down at {row.place or 'an earlier time'}.",
            )
