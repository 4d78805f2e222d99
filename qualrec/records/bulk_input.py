"""Rows of an import before they are stored: as arrays, checked, with every problem located."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from qualrec.errors import Problem, Refused, UsageError
from qualrec.records.columns import Columns
from qualrec.records.entry_checks import check_pull
from qualrec.records.overlays import TEST_FAULT
from qualrec.values import BoolArray, FloatArray, IntArray, NewReading, PullResult, ReadingKey


@dataclass(frozen=True, slots=True, eq=False)
class NewColumns:
    """Readings to be staged, as parallel arrays.

    `value` is nan only where `missing` (a test fault with its pull). `sample` None or 0: the next free number.
    `rows`: where each came from, for messages (row of the file); default 1, 2, .. in the order staged.
    """

    subject_id: IntArray
    characteristic_id: IntArray
    value: FloatArray
    at_us: IntArray
    stream_id: IntArray | None = None
    sample: IntArray | None = None
    condition_id: IntArray | None = None
    missing: BoolArray | None = None
    pulls: Sequence[PullResult | None] | None = None
    serials: Sequence[str] | None = None
    rows: IntArray | None = None

    @classmethod
    def of(cls, readings: Sequence[NewReading], rows: Sequence[int] | None = None) -> NewColumns:
        """From single readings; what was typed (text, first entry) is not part of an import."""

        def whole(values: Sequence[int]) -> IntArray:
            return np.array(values, dtype=np.int64)

        pulls = [r.pull for r in readings]
        serials = [r.serial for r in readings]
        return cls(
            whole([r.subject_id for r in readings]),
            whole([r.characteristic_id for r in readings]),
            np.array([np.nan if r.value is None else r.value for r in readings], dtype=np.float64),
            whole([r.at_us for r in readings]),
            whole([r.stream_id for r in readings]),
            whole([r.sample or 0 for r in readings]),
            whole([r.condition_id for r in readings]),
            np.array([r.value is None for r in readings], dtype=bool),
            pulls if any(p is not None for p in pulls) else None,
            serials if any(serials) else None,
            None if rows is None else whole(rows),
        )


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """The same with all arrays filled; `sample` 0 still has to be numbered."""

    subject: IntArray
    characteristic: IntArray
    stream: IntArray
    sample: IntArray
    value: FloatArray
    at_us: IntArray
    condition: IntArray
    row: IntArray
    pull: NDArray[Any]
    serial: NDArray[Any]

    def __len__(self) -> int:
        return len(self.subject)

    def pick(self, which: NDArray[Any] | slice) -> Piece:
        return Piece(*(getattr(self, name)[which] for name in self.__slots__))

    def sorted(self) -> Piece:
        """In key order; equal keys in the order they came."""
        keys = (self.sample, self.stream, self.characteristic, self.subject)
        order = np.lexsort(keys)
        return self if np.array_equal(order, np.arange(len(self))) else self.pick(order)

    def with_pull(self) -> BoolArray:
        found: BoolArray = self.pull != None  # noqa: E711 (compared entry by entry)
        return found

    def key(self, row: int) -> ReadingKey:
        return ReadingKey(
            int(self.subject[row]),
            int(self.characteristic[row]),
            int(self.stream[row]),
            int(self.sample[row]),
        )

    def columns(self, batch_id: int) -> Columns:
        batch = np.full(len(self), batch_id, dtype=np.int64)
        parts = (self.subject, self.characteristic, self.stream, self.sample, self.value + 0.0, self.at_us)
        return Columns(*parts, batch, self.condition)


def join_pieces(pieces: Sequence[Piece]) -> Piece:
    if len(pieces) == 1:
        return pieces[0]
    return Piece(*(np.concatenate([getattr(p, name) for p in pieces]) for name in Piece.__slots__))


def make_piece(given: NewColumns, staged: int) -> tuple[Piece, BoolArray]:
    """All arrays filled, and which values are missing on purpose. `staged`: rows before these.

    Raises UsageError for uneven arrays.
    """
    n = len(given.subject_id)
    zeros = np.zeros(n, dtype=np.int64)
    pulls, serials = np.empty(n, dtype=object), np.full(n, "", dtype=object)
    for name in NewColumns.__slots__:
        part = getattr(given, name)
        if part is not None and len(part) != n:
            raise UsageError(f"{name} has {len(part)} entries, subject_id has {n}.")
    if given.pulls is not None:
        pulls[:] = list(given.pulls)
    if given.serials is not None:
        serials[:] = list(given.serials)
    missing = np.zeros(n, dtype=bool) if given.missing is None else np.asarray(given.missing, dtype=bool)
    piece = Piece(
        np.asarray(given.subject_id, dtype=np.int64),
        np.asarray(given.characteristic_id, dtype=np.int64),
        zeros if given.stream_id is None else np.asarray(given.stream_id, dtype=np.int64),
        zeros if given.sample is None else np.asarray(given.sample, dtype=np.int64),
        np.where(missing, np.nan, np.asarray(given.value, dtype=np.float64)),
        np.asarray(given.at_us, dtype=np.int64),
        zeros if given.condition_id is None else np.asarray(given.condition_id, dtype=np.int64),
        staged + 1 + np.arange(n, dtype=np.int64)
        if given.rows is None
        else np.asarray(given.rows, dtype=np.int64),
        pulls,
        serials,
    )
    return piece, missing


def check_piece(piece: Piece, missing: BoolArray, file_name: str) -> tuple[BoolArray, list[Problem]]:
    """Which rows can be stored, and what is wrong with the others."""
    good = np.ones(len(piece), dtype=bool)
    problems: list[Problem] = []

    def refuse(at: int, message: str) -> None:
        good[at] = False
        problems.append(Problem(message, file_name, int(piece.row[at])))

    with np.errstate(invalid="ignore"):
        finite = np.abs(piece.value) <= 1e300
    for at in np.flatnonzero(~finite & ~missing).tolist():
        refuse(at, f"{float(piece.value[at])!r} is no number that can be stored.")
    for at in np.flatnonzero((piece.sample < 0) | (piece.sample >= 1 << 31)).tolist():
        refuse(at, f"{piece.sample[at]} is not a sample number.")
    with_pull = piece.with_pull()
    fault = with_pull.copy()
    fault[with_pull] = [p.mode == TEST_FAULT for p in piece.pull[with_pull]]
    for at in np.flatnonzero(missing & ~fault & good).tolist():
        refuse(at, "There is no value, and it is no test fault.")
    for at in np.flatnonzero(fault & ~missing & good).tolist():
        refuse(at, "A test fault has a value.")
    for at in np.flatnonzero(with_pull & good).tolist():
        try:
            check_pull(piece.pull[at], "This pull")
        except Refused as error:
            refuse(at, error.message)
    return good, problems


def doubles(piece: Piece) -> BoolArray:
    """Rows of a sorted piece whose key stands before them."""
    again = np.zeros(len(piece), dtype=bool)
    same = np.ones(max(0, len(piece) - 1), dtype=bool)
    for name in ("subject", "characteristic", "stream", "sample"):
        column = getattr(piece, name)
        same &= column[1:] == column[:-1]
    again[1:] = same
    return again


def distinct(first: IntArray, second: IntArray) -> tuple[list[int], list[int]]:
    """The pairs that occur, each once."""
    change = np.ones(len(first), dtype=bool)
    change[1:] = (first[1:] != first[:-1]) | (second[1:] != second[:-1])
    return first[change].tolist(), second[change].tolist()
