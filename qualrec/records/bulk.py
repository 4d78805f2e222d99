"""Large imports: staged in small transactions, accepted in one short one, so that no station waits.

Staged rows are seen by nobody. `accept` makes them count, with the running sums and one trail entry, or nothing of
them counts.

Whether an import is alive is told by its `ImportLock`, which the operating system or the server takes back when the program
dies. So `clear_staged` may run at any moment: it removes what dead imports left and leaves a running import of another
program alone. Every small transaction and the acceptance check that the batch is still staged, so an import that lost its
lock (a network drive that went away) cannot go on.

Serials are held back and stored by the acceptance, because they belong to a subject and not to the batch.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from types import TracebackType
from typing import TYPE_CHECKING, Any

import numpy as np
from sqlalchemy import Connection, and_, select, text, update

from qualrec.errors import DatabaseError, FileRefused, Problem, QualrecError, Refused
from qualrec.records.bulk_input import (
    NewColumns,
    Piece,
    check_piece,
    distinct,
    doubles,
    join_pieces,
    make_piece,
)
from qualrec.records.clearing import STAGED, clear_batch, clear_staged
from qualrec.records.columns import Key3, scan
from qualrec.records.digests import PULL_NAMES, BatchDigest
from qualrec.records.driver_errors import is_double
from qualrec.records.entry import batch_modes, note_batch, pull_row, store_batch_row
from qualrec.records.entry_checks import KnownIds, SampleNumbers
from qualrec.records.fast_insert import insert_readings, insert_rows
from qualrec.records.gathered import Gathered
from qualrec.records.import_lock import ImportLock
from qualrec.records.models import metadata
from qualrec.records.rollup import starts
from qualrec.records.rollup_store import Plan, Plans, Prepared, add_modes, apply_batch, load_plans
from qualrec.records.units import NewUnits, plan_units, store_units
from qualrec.values import Actor, Batch, NewReading

if TYPE_CHECKING:
    from qualrec.records.database import Store

ROWS_A_TRANSACTION = {"sqlite": 2_000, "postgresql": 20_000}
"""Rows stored before another writer gets its turn; where nobody waits, the transaction goes on."""
PAUSE_S = 0.004
"""How long an import steps aside where another writer waits (SQLite)."""
SHOWN_PROBLEMS = 200
PULL = metadata.tables["pull"]
READING = metadata.tables["reading"]
BATCH = metadata.tables["batch"]
KEY = ("subject_id", "characteristic_id", "stream_id", "sample")


class _DoubleKey(Exception):
    """A row with the same key is stored already."""


class BulkImport:
    """One import. Leaving the block without `accept` removes what was staged.

    with BulkImport(store, actor, file_name="line3.csv", file_digest=digest) as job:
        job.stage(columns)
        batch = job.accept()
    """

    def __init__(
        self,
        store: Store,
        actor: Actor,
        *,
        plant_id: int | None = None,
        kind: str = "file",
        file_name: str = "",
        file_digest: str | None = None,
        profile_id: int | None = None,
        refused_rows: int = 0,
    ) -> None:
        self._store = store
        self._actor = actor
        self._given_plant = plant_id
        self._batch: dict[str, Any] = {
            "kind": kind,
            "state": "staged",
            "file_name": file_name,
            "file_digest": file_digest,
            "profile_id": profile_id,
            "refused_rows": refused_rows,
            "person_id": actor.person_id,
            "station_id": actor.station_id,
        }
        self._file = file_name
        self._lock: ImportLock | None = None
        self._numbers: SampleNumbers | None = None
        self._waiting: list[Piece] = []
        self._serials: dict[tuple[int, int], tuple[str, int]] = {}
        self._plans: dict[int, list[Plan]] = {}
        self._gathered: Gathered | None = Gathered()
        self._has_pulls = False
        self._problems: list[Problem] = []
        self._problem_count = 0
        self.batch_id = 0
        self.plant_id = 0
        self.rows = 0
        """Rows staged so far."""

    def __enter__(self) -> BulkImport:
        with self._store.write(self._actor, self._given_plant) as writer:
            refuse_known_file(writer.conn, writer.plant_id, self._batch["file_digest"], self._file)
            self.plant_id = writer.plant_id
            self.batch_id = writer.new_id()
            self._lock = ImportLock.take(self._store, self.batch_id)
            if self._lock is None:
                raise DatabaseError(f"Batch {self.batch_id} is locked by another import.", "Try again.")
            self._batch = store_batch_row(
                writer, {**self._batch, "id": self.batch_id, "begun_us": writer.now_us}
            )
        self._known = KnownIds(self.plant_id)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._lock is None:
            return
        try:
            self.abandon("given up" if error is None else f"stopped: {kind.__name__ if kind else ''}")
        except QualrecError:
            if error is None:
                raise
            # The rows stay staged, seen by nobody; the next start clears them.
        finally:
            self._release()

    def stage(self, given: NewColumns | Sequence[NewReading], rows: Sequence[int] | None = None) -> None:
        """Take in rows. `rows` (with single readings): where each came from. Problems are collected and raised by `accept`.

        Raises UnknownRecord for ids that are not there, Refused where the import was cleared in the meantime.
        """
        columns = given if isinstance(given, NewColumns) else NewColumns.of(given, rows)
        piece, missing = make_piece(columns, self.rows + sum(len(p) for p in self._waiting))
        good, problems = check_piece(piece, missing, self._file)
        self._note(problems)
        self._waiting.append(piece if good.all() else piece.pick(good))
        size = ROWS_A_TRANSACTION[self._store.dialect]
        if sum(len(p) for p in self._waiting) >= size:
            self._flush(size)

    def accept(self) -> Batch:
        """Make all staged rows count, or none. Raises FileRefused with every located problem; then nothing is left behind."""
        self._flush(1)
        if not self._problem_count and not self.rows:
            self._note([Problem("There is no reading in it.", self._file)])
        if self._problem_count:
            self.abandon(f"refused: {self._problem_count} problems")
            raise FileRefused(
                f"{self._file or 'The import'} was refused with {self._problem_count} problems; nothing of it was taken. "
                f"{self._problems[0]}",
                tuple(self._problems),
                "Correct the rows named, then import the file again.",
            )
        batch = self._accept(*self._prepare())
        self._release()
        return batch

    def abandon(self, remark: str = "given up") -> None:
        """Remove what was staged; the batch stays as refused."""
        self._waiting = []
        clear_batch(self._store, self._actor, self.batch_id, remark)
        self._release()

    def _release(self) -> None:
        if self._lock is not None:
            self._lock.release()
            self._lock = None

    def _note(self, problems: Sequence[Problem]) -> None:
        self._problem_count += len(problems)
        self._problems += problems[: max(0, SHOWN_PROBLEMS - len(self._problems))]

    def _flush(self, least: int) -> None:
        if not self._waiting:
            return
        piece, self._waiting = join_pieces(self._waiting), []
        if len(piece) < least:
            self._waiting = [piece]
            return
        piece = self._ready(piece)
        at, size = 0, ROWS_A_TRANSACTION[self._store.dialect]
        while at < len(piece):
            at = self._store_rows(piece, at, size)
            if self._store.someone_waits():
                time.sleep(PAUSE_S)

    def _ready(self, piece: Piece) -> Piece:
        """The rows that can be stored, numbered and in key order."""
        with self._store.read() as connection:
            pairs = set(zip(*distinct(piece.subject, piece.characteristic), strict=True))
            self._known.check(
                connection,
                pairs,
                set(np.unique(piece.stream).tolist()),
                set(np.unique(piece.condition).tolist()),
            )
            fresh = self._known.characteristics - self._plans.keys()
            self._plans.update(load_plans(connection, fresh))
            piece = self._number(connection, piece)
        piece = piece.sorted()
        again = doubles(piece)
        if again.any():
            self._refuse(piece, again, "comes twice in the file")
            piece = piece.pick(~again)
        return self._without_serial_clash(piece)

    def _store_rows(self, piece: Piece, at: int, size: int) -> int:
        """Store rows from `at` on in one transaction: all of them, or until another writer waits. Returns where to go on."""
        alone = self._store.dialect == "sqlite"
        with self._store.transaction() as connection:
            begun = at
            while at < len(piece) and (at == begun or (alone and not self._store.someone_waits())):
                part = piece.pick(slice(at, at + size))
                try:
                    with connection.begin_nested():
                        self._write_rows(connection, part)
                except _DoubleKey:
                    there = stored_already(connection, part)
                    self._refuse(part, there, "is already there")
                    part = part.pick(~there)
                    self._write_rows(connection, part)
                at += size
                self._gather(part)
        return at

    def _gather(self, part: Piece) -> None:
        """Sums and digests as the rows go in; where they do not come in the order of their samples, they are read again."""
        if self._gathered is not None and len(part):
            columns = part.columns(self.batch_id)
            if self._problem_count or not self._gathered.add(columns, self._plans):
                self._gathered = None

    def _refuse(self, piece: Piece, which: Any, what: str) -> None:
        self._note(
            [
                Problem(f"Sample {piece.sample[at]} {what}.", self._file, int(piece.row[at]))
                for at in np.flatnonzero(which)
            ]
        )

    def _write_rows(self, connection: Connection, piece: Piece) -> None:
        if not len(piece):
            return
        pulls = [pull_row(piece.pull[at], piece.key(at)) for at in np.flatnonzero(piece.with_pull()).tolist()]
        held = connection.execute(
            text(f"UPDATE batch SET rows = rows + :n WHERE id = :id AND {STAGED}"),
            {"n": len(piece), "id": self.batch_id},
        )
        if held.rowcount != 1:
            raise Refused(
                "This import was cleared in the meantime; nothing of it was taken.",
                "Import the file again.",
            )
        try:
            insert_readings(connection, piece.columns(self.batch_id))
        except Exception as error:
            if is_double(error):
                raise _DoubleKey from error
            raise
        insert_rows(connection, "pull", PULL_NAMES, pulls)
        self.rows += len(piece)
        self._has_pulls = self._has_pulls or bool(pulls)

    def _number(self, connection: Connection, piece: Piece) -> Piece:
        """The piece with all sample numbers given."""
        if self._numbers is None:
            self._numbers = SampleNumbers(connection)
        numbers = self._numbers
        numbers.connection = connection
        open_rows = np.flatnonzero(piece.sample == 0)
        sample = piece.sample.copy()
        if any(piece.serial):
            keys = zip(
                piece.subject.tolist(), piece.characteristic.tolist(), piece.stream.tolist(), strict=True
            )
            for at, key in enumerate(keys):
                sample[at] = numbers.give(key, int(sample[at]), str(piece.serial[at]))
        elif len(open_rows):
            part = piece.pick(open_rows)
            order = np.lexsort((part.stream, part.characteristic, part.subject))
            part = part.pick(order)
            first = starts(part.subject, part.characteristic, part.stream)
            for low, high in zip(first.tolist(), [*first[1:].tolist(), len(part)], strict=True):
                run = (int(part.subject[low]), int(part.characteristic[low]), int(part.stream[low]))
                begin = numbers.give_run(run, high - low)
                sample[open_rows[order[low:high]]] = np.arange(begin, begin + high - low)
        parts = {name: getattr(piece, name) for name in Piece.__slots__}
        return Piece(**{**parts, "sample": sample})

    def _without_serial_clash(self, piece: Piece) -> Piece:
        """Keeps serials for the acceptance; a sample with two serials is refused."""
        clash = np.zeros(len(piece), dtype=bool)
        for at in np.flatnonzero(piece.serial != "").tolist():
            key, serial = (int(piece.subject[at]), int(piece.sample[at])), str(piece.serial[at])
            known, row = self._serials.setdefault(key, (serial, int(piece.row[at])))
            if known != serial:
                clash[at] = True
                message = f"Sample {key[1]} has the serial {known!r} in row {row}, here {serial!r}."
                self._note([Problem(message, self._file, int(piece.row[at]))])
        return piece.pick(~clash)

    def _prepare(self) -> tuple[Prepared, Plans, dict[tuple[Key3, str], tuple[int, float]], NewUnits, str]:
        """Everything that can be computed before the short transaction."""
        digest = BatchDigest()
        modes: dict[tuple[Key3, str], tuple[int, float]] = {}
        with self._store.read() as connection:
            plans = load_plans(connection, self._known.characteristics)
            gathered = self._gathered
            if gathered is None or plans != self._plans or gathered.sums.far:
                prepared = self._read_again(connection, plans, digest)
            else:
                prepared = gathered.sums
                digest.groups(gathered.digests)
            if self._has_pulls:
                pulls = [tuple(row) for row in pulls_of(connection, self.batch_id, self._known.span)]
                for row in pulls:
                    digest.pull(row)
                modes = batch_modes(pulls)
            units = plan_units(connection, {key: serial for key, (serial, _) in self._serials.items()})
        if digest.rows != self.rows:
            raise DatabaseError(
                f"{self.rows} rows were staged, {digest.rows} are stored; nothing was taken.",
                "Import the file again.",
            )
        return prepared, plans, modes, units, digest.hex()

    def _read_again(self, connection: Connection, plans: Plans, digest: BatchDigest) -> Prepared:
        """Sums and digests from the rows as they are stored."""
        prepared = Prepared()
        where = "batch_id = :batch AND subject_id BETWEEN :low AND :high"
        low, high = self._known.span
        for columns in scan(connection, where, {"batch": self.batch_id, "low": low, "high": high}):
            digest.readings(columns)
            prepared.follow(Prepared.of(columns, plans))
        return prepared

    def _accept(
        self,
        prepared: Prepared,
        plans: Plans,
        modes: dict[tuple[Key3, str], tuple[int, float]],
        units: NewUnits,
        digest: str,
    ) -> Batch:
        with self._store.write(self._actor, self.plant_id) as writer:
            refuse_known_file(writer.conn, self.plant_id, self._batch["file_digest"], self._file)
            changes = {
                "state": "accepted",
                "ended_us": writer.now_us,
                "content_digest": digest,
                "rows": self.rows,
            }
            held = writer.conn.execute(
                update(BATCH).where(BATCH.c.id == self.batch_id, text(STAGED)).values(changes)
            )
            if held.rowcount != 1:
                raise Refused(
                    "This import was cleared in the meantime; nothing of it was taken.",
                    "Import the file again.",
                )
            digests = store_units(writer.conn, units)
            add_modes(writer.conn, modes)
            apply_batch(writer.conn, self.batch_id, prepared, plans)
            self._batch |= changes
            note_batch(writer, "import accepted", self._batch, digests)
        return batch_value(self._batch, self._actor.name)


def pulls_of(connection: Connection, batch_id: int, span: tuple[int, int]) -> Any:
    """Pulls of a batch in key order, all columns. `span`: its least and greatest subject."""
    same = and_(*(PULL.c[name] == READING.c[name] for name in KEY))
    order = [PULL.c[name] for name in KEY]
    query = (
        select(PULL)
        .join(READING, same)
        .where(READING.c.batch_id == batch_id, PULL.c.subject_id.between(*span))
    )
    return connection.execute(query.order_by(*order))


def refuse_known_file(connection: Connection, plant_id: int, file_digest: str | None, file_name: str) -> None:
    """Refuses a file whose content was accepted before."""
    if not file_digest:
        return
    query = text(
        "SELECT file_name, ended_us FROM batch WHERE plant_id = :plant AND file_digest = :digest AND state = 'accepted'"
    )
    found = connection.execute(query, {"plant": plant_id, "digest": file_digest}).first()
    if found is not None:
        raise Refused(
            f"The content of {file_name or 'this file'} was taken in before, from {found.file_name!r}; nothing was added.",
            "Import only new files.",
        )


def stored_already(connection: Connection, piece: Piece) -> Any:
    """Which rows of a piece have a key that is stored."""
    there = np.zeros(len(piece), dtype=bool)
    query = text(
        "SELECT characteristic_id, stream_id, sample FROM reading WHERE subject_id = :subject"
        " AND sample BETWEEN :low AND :high"
    )
    for subject in np.unique(piece.subject).tolist():
        at = np.flatnonzero(piece.subject == subject)
        samples = piece.sample[at]
        values = {"subject": subject, "low": int(samples.min()), "high": int(samples.max())}
        stored = {tuple(row) for row in connection.execute(query, values)}
        keys = zip(
            piece.characteristic[at].tolist(), piece.stream[at].tolist(), samples.tolist(), strict=True
        )
        there[at] = [key in stored for key in keys]
    return there


def batch_value(row: dict[str, Any], person: str) -> Batch:
    return Batch(
        row["id"],
        row["kind"],
        row["state"],
        row["file_name"],
        row["file_digest"] or "",
        row["content_digest"],
        row["rows"],
        row["refused_rows"],
        row["begun_us"],
        row["ended_us"],
        person,
    )


__all__ = ["BulkImport", "NewColumns", "clear_staged"]
