"""Blocks of a machine file as columns of readings: the same answers as `Resolver.draft` gives row by row.

Each block is worked off in arrays; only rows with a problem, and rows of lots that already hold readings, are looked at
one by one.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from qualrec.errors import QualrecError
from qualrec.intake.files import Block
from qualrec.intake.importer import Measure, Resolver, Target, compare
from qualrec.records import lookups
from qualrec.records.bulk_input import NewColumns
from qualrec.records.lookups.filing import StoredReadings
from qualrec.values import BoolArray, Characteristic, FloatArray, IntArray, NewReading
from qualrec.weld.units import convert_array

MOST_KEPT = 500_000
"""How many stored readings and serials are held to compare with; subjects not asked for longest are forgotten first."""


class StoredBefore:
    """What is stored of subjects, looked up as they come."""

    def __init__(self) -> None:
        self._held: OrderedDict[int, StoredReadings | None] = OrderedDict()
        self._size = 0

    def load(self, conn: object, subjects: set[int]) -> None:
        """Look up subjects that are not held."""
        fresh = subjects - self._held.keys()
        if fresh:
            found = lookups.stored_readings(conn, fresh)  # type: ignore[arg-type]
            for subject in fresh:
                self._held[subject] = found.get(subject)
                self._size += 1 + len(found.get(subject, ()))
        for subject in subjects:
            self._held.move_to_end(subject)
        while self._size > MOST_KEPT and len(self._held) > len(subjects):
            _, gone = self._held.popitem(last=False)
            self._size -= 1 + len(gone or ())

    def get(self, subject: int) -> StoredReadings | None:
        return self._held.get(subject)


@dataclass(frozen=True, slots=True, eq=False)
class _Rows:
    """Rows of a block with their subjects and streams; `segment` numbers the entries of `held`."""

    subject: IntArray
    segment: IntArray
    held: tuple[tuple[Target, int], ...]
    good: BoolArray


class BlockResolver:
    """Blocks of one file as columns to be staged.

    condition_of  id of the condition of a characteristic's readings; asked once for each characteristic
    """

    def __init__(self, resolver: Resolver, condition_of: Callable[[Characteristic], int]) -> None:
        self.resolver, self.condition_of = resolver, condition_of
        self.stored = StoredBefore()
        self.conditions: dict[int, int] = {}
        self.lots: dict[str, None] = {}
        self.counts: dict[str, int] = {}
        """Readings of each characteristic that are new."""
        self.there = 0
        """Readings that are stored already with the same value."""

    def columns(self, block: Block) -> Iterator[NewColumns]:
        """The new readings of a block, one piece for each value column and revision."""
        rows = self._rows(block)
        if not len(block):
            return
        subjects = set(np.unique(rows.subject[rows.good]).tolist()) - {0}
        self.stored.load(self.resolver.conn, subjects)
        known = np.array([s for s in subjects if self.stored.get(s) is not None], dtype=np.int64)
        in_question = np.isin(rows.subject, known)
        for index, wanted in enumerate(self.resolver.profile.values):
            for measure, which in self._measures(block, rows, wanted.characteristic):
                streams, fine = self._streams(block, measure.characteristic.part_id, which)
                values, possible = self._values(block, block.values[index], measure, which)
                which = which[fine & possible]
                kept = (streams[fine & possible], values[fine & possible])
                yield from self._piece(block, rows, measure, which, kept, in_question)

    def _rows(self, block: Block) -> _Rows:
        """Subject of each row. Problems of unknown lots are noted at their first row."""
        codes, names = pd.factorize(np.asarray(block.lots, dtype=object))
        self.resolver.learn(names.tolist())
        subject = np.zeros(len(block), dtype=np.int64)
        segment = np.full(len(block), -1, dtype=np.int64)
        held: list[tuple[Target, int]] = []
        first = _first(codes, len(names))
        order = np.argsort(codes, kind="stable")
        ends = np.searchsorted(codes[order], np.arange(len(names) + 1))
        for code, name in enumerate(names.tolist()):
            target = self.resolver.target(name, int(block.row_numbers[first[code]]))
            if target is None:
                continue
            self.lots[name] = None
            which = order[ends[code] : ends[code + 1]]
            place = np.zeros(len(which), dtype=np.int64)
            if len(target.subjects) > 1:
                moments = block.at_us[which].tolist()
                serials = [block.serials[i] for i in which.tolist()]
                places = [target.place(at, serial) for at, serial in zip(moments, serials, strict=True)]
                place = np.array(places, dtype=np.int64)
            subject[which] = np.array(target.subjects, dtype=np.int64)[place]
            segment[which] = len(held) + place
            held += [(target, index) for index in range(len(target.subjects))]
        return _Rows(subject, segment, tuple(held), segment >= 0)

    def _measures(self, block: Block, rows: _Rows, code: str) -> Iterator[tuple[Measure, IntArray]]:
        """The revisions by which a column is judged, each with its rows."""
        found: dict[int, tuple[Measure, list[int]]] = {}
        used, first = np.unique(rows.segment[rows.good], return_index=True)
        at = np.flatnonzero(rows.good)[first]
        for segment, row in sorted(zip(used.tolist(), at.tolist(), strict=True), key=lambda pair: pair[1]):
            target, place = rows.held[segment]
            measure = self.resolver.measure(target, code, place, int(block.row_numbers[row]))
            if measure is not None:
                found.setdefault(measure.characteristic.revision_id, (measure, []))[1].append(segment)
        for measure, segments in found.values():
            yield measure, np.flatnonzero(np.isin(rows.segment, segments))

    def _streams(self, block: Block, part_id: int, which: IntArray) -> tuple[IntArray, BoolArray]:
        labels = np.asarray(block.streams, dtype=object)[which]
        codes, names = pd.factorize(labels)
        first = _first(codes, len(names))
        ids = [
            self.resolver.stream(part_id, name, int(block.row_numbers[which[first[code]]]))
            for code, name in enumerate(names.tolist())
        ]
        known = np.array([i if i is not None else -1 for i in ids], dtype=np.int64)[codes]
        return known, known >= 0

    def _values(
        self, block: Block, column: FloatArray, measure: Measure, which: IntArray
    ) -> tuple[FloatArray, BoolArray]:
        """Values in the characteristic's unit, and which of them can be."""
        c, given, name = (
            measure.characteristic,
            column[which],
            self.resolver.columns[measure.characteristic.code],
        )
        try:
            values = given if measure.unconverted else convert_array(given, measure.unit, c.unit)
        except QualrecError as error:
            self.resolver.wrong(f"{error.message} {error.remedy}", int(block.row_numbers[which[0]]), name)
            return given, np.zeros(len(which), dtype=bool)
        possible = measure.possible(values)
        for at in np.flatnonzero(~possible).tolist():
            self.resolver.wrong(measure.doubt(float(values[at])), int(block.row_numbers[which[at]]), name)
        return values, possible

    def _piece(
        self,
        block: Block,
        rows: _Rows,
        measure: Measure,
        which: IntArray,
        kept: tuple[IntArray, FloatArray],
        in_question: BoolArray,
    ) -> Iterator[NewColumns]:
        c, (streams, values) = measure.characteristic, kept
        if c.id not in self.conditions:
            self.conditions[c.id] = self.condition_of(c)
        serials = [block.serials[i] for i in which.tolist()] if any(block.serials) else None
        piece = NewColumns(
            rows.subject[which],
            np.full(len(which), c.id, dtype=np.int64),
            values,
            block.at_us[which],
            stream_id=streams,
            sample=None if block.samples is None else block.samples[which],
            condition_id=np.full(len(which), self.conditions[c.id], dtype=np.int64),
            serials=serials,
            rows=block.row_numbers[which],
        )
        doubtful = np.flatnonzero(in_question[which]).tolist()
        if doubtful:
            fresh = np.ones(len(which), dtype=bool)
            fresh[[at for at in doubtful if not self._new(piece, at, c)]] = False
            piece = _pick(piece, fresh)
        if len(piece.subject_id):
            self.counts[c.code] = self.counts.get(c.code, 0) + len(piece.subject_id)
            yield piece

    def _new(self, piece: NewColumns, at: int, c: Characteristic) -> bool:
        """Whether one reading is new; a clash with a stored one is noted."""
        assert piece.rows is not None
        assert piece.stream_id is not None
        reading = NewReading(
            int(piece.subject_id[at]),
            c.id,
            float(piece.value[at]),
            int(piece.at_us[at]),
            int(piece.stream_id[at]),
            None if piece.sample is None else int(piece.sample[at]),
            serial="" if piece.serials is None else piece.serials[at],
        )
        clash = compare(self.stored.get(reading.subject_id), reading, c.unit)
        if clash is None:
            return True
        if clash:
            self.resolver.wrong(clash, int(piece.rows[at]), self.resolver.columns[c.code])
        else:
            self.there += 1
        return False


def _first(codes: IntArray, count: int) -> IntArray:
    """Index of the first row of each code 0 .. count-1."""
    first = np.zeros(count, dtype=np.int64)
    first[codes[::-1]] = np.arange(len(codes))[::-1]
    return first


def _pick(piece: NewColumns, which: BoolArray) -> NewColumns:
    serials = piece.serials
    return replace(
        piece,
        subject_id=piece.subject_id[which],
        characteristic_id=piece.characteristic_id[which],
        value=piece.value[which],
        at_us=piece.at_us[which],
        stream_id=None if piece.stream_id is None else piece.stream_id[which],
        sample=None if piece.sample is None else piece.sample[which],
        condition_id=None if piece.condition_id is None else piece.condition_id[which],
        rows=None if piece.rows is None else piece.rows[which],
        serials=None if serials is None else [serials[i] for i in np.flatnonzero(which).tolist()],
    )
