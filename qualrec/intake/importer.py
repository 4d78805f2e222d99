"""Rows of a file as readings of the records: what they hang on, their characteristic, unit, stream and plausibility.

Everything that does not fit becomes a located problem; nothing is written here. A lot, a stream or a characteristic that is
not known is named once, at its first row.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import Any, TypeAlias

import numpy as np

from qualrec.errors import Problem, QualrecError, UnknownRecord
from qualrec.intake.numbers import Range
from qualrec.intake.profiles import Profile
from qualrec.intake.rows import Conditions, ParsedRow, Problems
from qualrec.records import lookups
from qualrec.records.lookups.filing import StoredReadings
from qualrec.values import NO_STREAM, BoolArray, Characteristic, FloatArray, NewReading, Part, PullResult
from qualrec.weld.units import convert, find_unit, same_quantity

Conn: TypeAlias = Any
SAME = 1e-12
"""Relative difference of two values that count as identical: unit conversion rounds the last bits."""


@dataclass(frozen=True, slots=True)
class Target:
    """What a name in the lot column stands for: a lot with its segments, or a moulding lot.

    parts     the part of the lot; of a moulding lot all parts that its component goes into
    subjects  ids of the segments (or of the moulding lot); 0 for a lot that is still to be opened
    from_us   when each began; that moment decides which revision of a characteristic judges
    homes     segment of each serial that is stored, where the lot has several segments
    """

    name: str
    parts: tuple[Part, ...]
    subjects: tuple[int, ...]
    from_us: tuple[int, ...]
    homes: Mapping[str, int] = field(default_factory=dict)

    def place(self, at_us: int, serial: str) -> int:
        """Index of the segment that a reading belongs to: that of its serial, else the one in force at the moment."""
        home = self.homes.get(serial) if serial else None
        return max(0, bisect_right(self.from_us, at_us) - 1) if home is None else home


@dataclass(frozen=True, slots=True)
class Measure:
    """A value column on a target: characteristic by the revision in force, and the unit of the file."""

    characteristic: Characteristic
    unit: str

    def value(self, value: float) -> float:
        """In the characteristic's unit."""
        return value if self.unconverted else convert(value, self.unit, self.characteristic.unit)

    @property
    def unconverted(self) -> bool:
        """Whether the file's unit is taken as it is."""
        return _counts(self.characteristic, self.unit)

    def possible(self, values: FloatArray) -> BoolArray:
        """Which values `doubt` has nothing to say about."""
        low, high = hard_range(self.characteristic)
        fine: BoolArray = (values >= low) & (values <= high)
        if self.characteristic.kind == "counted":
            fine &= (values >= 0) & (values == np.trunc(values))
        return fine

    def doubt(self, value: float) -> str:
        """Why a value (in the characteristic's unit) cannot be; empty where it can."""
        c = self.characteristic
        low, high = hard_range(c)
        if not low <= value <= high:
            return f"{value:g} {c.unit} is outside what can be ({_bounds(low, high)} {c.unit})."
        if c.kind == "counted" and (value < 0 or value != int(value)):
            return f"{value:g} is not a count."
        return ""


def hard_range(c: Characteristic) -> Range:
    """The plausible range of a characteristic, infinite where it is open."""
    return (
        -math.inf if c.plausible_low is None else c.plausible_low,
        math.inf if c.plausible_high is None else c.plausible_high,
    )


def _bounds(low: float, high: float) -> str:
    if math.isinf(high):
        return f"{low:g} and more"
    return f"up to {high:g}" if math.isinf(low) else f"{low:g} to {high:g}"


def _counts(c: Characteristic, unit: str) -> bool:
    """Whether a column of counts is taken for a counted characteristic, whose unit may be any word (parts, leaks)."""
    return c.kind == "counted" and find_unit(unit).quantity == "count"


@dataclass(frozen=True, slots=True)
class Draft:
    """A reading ready to be stored but for its condition. `reading.subject_id` is 0 where lot `target` is to be opened."""

    row: int
    target: str
    column: str
    characteristic: Characteristic
    reading: NewReading
    stated: Conditions

    def stored(self, subject_id: int, condition_id: int) -> NewReading:
        return replace(self.reading, subject_id=subject_id, condition_id=condition_id)


class Resolver:
    """Finds what rows of one file mean in the records. `problems` receives what does not fit.

    part      only this part (needed where a component goes into several parts)
    new_lots  lots to be opened of that part, each with its first moment
    """

    def __init__(
        self,
        conn: Conn,
        plant_id: int,
        profile: Profile,
        file: str,
        problems: Problems,
        *,
        part: Part | None = None,
        new_lots: Mapping[str, int] | None = None,
    ) -> None:
        self.conn, self.plant_id, self.profile, self.file = conn, plant_id, profile, file
        self.problems, self.part, self.new_lots = problems, part, dict(new_lots or {})
        self.columns = {v.characteristic: v.column for v in profile.values}
        self.units = {v.characteristic: v.unit for v in profile.values}
        self.targets: dict[str, Target | None] = {}
        self._parts: dict[int, Part] = {}
        self._revisions: dict[int, dict[str, tuple[Characteristic, ...]]] = {}
        self._measures: dict[tuple[tuple[int, ...], str, int], Measure | None] = {}
        self._streams: dict[int, dict[str, int]] = {}
        self._said: set[tuple[object, ...]] = set()

    def wrong(self, message: str, row: int, column: str, once: tuple[object, ...] = ()) -> None:
        """Note a problem; with `once` only the first of its kind."""
        if once and once in self._said:
            return
        self._said.add(once)
        self.problems.add(Problem(message, self.file, row, column))

    # Lots and moulding lots.

    def learn(self, names: Iterable[str]) -> None:
        """Look up names that were not seen yet, many at a time."""
        fresh = {n for n in names if n not in self.targets}
        if not fresh:
            return
        if not self._parts:
            self._parts = {p.id: p for p in lookups.parts(self.conn)}
        lots = self.profile.subject == "lot"
        found = self._lots(fresh) if lots else self._moulding_lots(fresh)
        for name in fresh:
            self.targets[name] = found.get(name)

    def _lots(self, names: set[str]) -> dict[str, Target]:
        places = lookups.lot_places(self.conn, names, self.plant_id)
        several = {s for lot in places.values() if len(lot.segments) > 1 for s in lot.segments}
        stored = lookups.stored_readings(self.conn, several) if several else {}
        found = {}
        for name, lot in places.items():
            homes = {
                serial: index
                for index, segment in enumerate(lot.segments)
                for serial in (stored[segment].serials if segment in stored else ())
            }
            found[name] = Target(name, (self._parts[lot.part_id],), lot.segments, lot.from_us, homes)
        for name in names - places.keys():
            if name in self.new_lots and self.part is not None:
                found[name] = Target(name, (self.part,), (0,), (self.new_lots[name],))
        return found

    def _moulding_lots(self, names: set[str]) -> dict[str, Target]:
        places = lookups.moulding_places(self.conn, names, self.plant_id)
        return {
            name: Target(
                name,
                tuple(p for p in self._parts.values() if m.component_id in (p.upper.id, p.lower.id)),
                (m.id,),
                (m.moulded_us,),
            )
            for name, m in places.items()
        }

    def target(self, name: str, row: int) -> Target | None:
        """What a name stands for; None after its problem was noted."""
        if name not in self.targets:
            self.learn([name])
        found = self.targets[name]
        if found is None:
            find = lookups.lot if self.profile.subject == "lot" else lookups.moulding_lot
            try:
                find(self.conn, name, plant_id=self.plant_id)
            except UnknownRecord as error:
                self.wrong(f"{error.message} {error.remedy}", row, self.profile.lot, ("lot", name))
        elif self.part is not None and self.part.id not in {p.id for p in found.parts}:
            others = ", ".join(p.number for p in found.parts) or "no part"
            message = f"{name} is of {others}, not of {self.part.number}."
            self.wrong(message, row, self.profile.lot, ("part", name))
            return None
        return found

    # Characteristics and streams.

    def measure(self, target: Target, code: str, place: int, row: int) -> Measure | None:
        """The characteristic that a column means on a target; None after its problem was noted."""
        parts = (self.part,) if self.part is not None else target.parts
        key = (tuple(p.id for p in parts), code, target.from_us[place])
        if key not in self._measures:
            try:
                self._measures[key] = self._measure(parts, code, target.from_us[place])
            except QualrecError as error:
                self._measures[key] = None
                self.wrong(f"{error.message} {error.remedy}".strip(), row, self.columns[code], key)
        return self._measures[key]

    def _measure(self, parts: tuple[Part, ...], code: str, moment_us: int) -> Measure:
        held = [p for p in parts if code in self._codes(p.id)]
        if len(held) > 1:
            numbers = ", ".join(p.number for p in held)
            raise UnknownRecord(f"{code} is a characteristic of several parts: {numbers}.", "Give the part.")
        if not held and not parts:
            raise UnknownRecord("The component goes into no part.", "Define the part first.")
        part = held[0] if held else parts[0]
        c = lookups.in_force(self._codes(part.id).get(code, ()), moment_us)
        if c is None:
            c = lookups.characteristic(self.conn, part.number, code, moment_us, plant_id=self.plant_id)
        if c.hangs_on != self.profile.subject:
            raise UnknownRecord(
                f"{code} of {part.number} is measured on a {c.hangs_on}; the file names a {self.profile.subject}.",
                "Choose the right profile.",
            )
        pulls = {v.characteristic for v in self.profile.values if v.pull}
        if c.strength and code not in pulls:
            raise UnknownRecord(
                f"{code} needs the failure mode of each pull; the profile names no column for it.",
                "Name the column of the mode in the profile.",
            )
        if code in pulls and not c.strength:
            raise UnknownRecord(f"{code} of {part.number} has no failure mode.", "Choose the right profile.")
        unit = self.units[code]
        if not _counts(c, unit) and not same_quantity(unit, c.unit):
            raise UnknownRecord(
                f"The file gives {find_unit(unit).quantity} ({unit}), {code} is kept in {c.unit}.",
                "Correct the unit or the column in the profile.",
            )
        return Measure(c, unit)

    def _codes(self, part_id: int) -> dict[str, tuple[Characteristic, ...]]:
        """All revisions of a part's characteristics by code."""
        if part_id not in self._revisions:
            ids = [c.id for c in lookups.part_characteristics(self.conn, part_id)]
            every = lookups.load_revisions(self.conn, ids)
            self._revisions[part_id] = {revisions[0].code: revisions for revisions in every.values()}
        return self._revisions[part_id]

    def stream(self, part_id: int, label: str, row: int) -> int | None:
        """Id of a stream by its label, 0 for none; None after its problem was noted."""
        if not label:
            return NO_STREAM
        if part_id not in self._streams:
            self._streams[part_id] = {s.label: s.id for s in lookups.streams(self.conn, part_id)}
        known = self._streams[part_id]
        if label not in known:
            listed = f"Streams: {', '.join(known)}." if known else "The part has no streams."
            column = ", ".join(self.profile.stream)
            message = f"The part has no stream {label!r}. {listed}"
            self.wrong(message, row, column, ("stream", part_id, label))
            return None
        return known[label]

    # Readings.

    def draft(self, row: ParsedRow) -> Draft | None:
        """One row as a reading; None after its problem was noted."""
        target = self.target(row.lot, row.row_number)
        if target is None:
            return None
        code = row.characteristic_code
        place = target.place(row.at_us, row.serial)
        measure = self.measure(target, code, place, row.row_number)
        if measure is None:
            return None
        c = measure.characteristic
        stream = self.stream(c.part_id, row.stream, row.row_number)
        value = None
        if row.value is not None:
            value = self._value(measure, row.value, row.row_number, self.columns[code])
            if value is None:
                return None
        if stream is None:
            return None
        reading = NewReading(
            subject_id=target.subjects[place],
            characteristic_id=c.id,
            value=value,
            at_us=row.at_us,
            stream_id=stream,
            sample=row.sample,
            serial=row.serial,
            entered_text=row.text,
            decimals=row.decimals,
            pull=_pull(row),
        )
        return Draft(row.row_number, row.lot, self.columns[code], c, reading, row.conditions)

    def _value(self, measure: Measure, given: float, row: int, column: str) -> float | None:
        try:
            value = measure.value(given)
        except QualrecError as error:
            self.wrong(f"{error.message} {error.remedy}".strip(), row, column)
            return None
        doubt = measure.doubt(value)
        if doubt:
            self.wrong(doubt, row, column)
            return None
        return value


def _pull(row: ParsedRow) -> PullResult | None:
    if not row.mode:
        return None
    interfacial, cohesive, tear, parent = row.shares or (None, None, None, None)
    return PullResult(row.mode, interfacial, cohesive, tear, parent, displacement_mm=row.displacement_mm)


def compare(stored: StoredReadings | None, reading: NewReading, unit: str) -> str | None:
    """How a reading stands to what is stored of its subject.

    None: it is new. "": the same value and mode are there already. Else: why it clashes, in words.
    """
    if stored is None:
        return None
    owned = stored.serials.get(reading.serial) if reading.serial else None
    sample = reading.sample or owned
    if sample is None:
        return None
    if reading.serial and owned != sample:
        holder = next((serial for serial, number in stored.serials.items() if number == sample), "")
        if owned is not None:
            return f"Serial {reading.serial} is stored as sample {owned}, not {sample}."
        if holder:
            return f"Sample {sample} is stored with serial {holder}, not {reading.serial}."
    there = stored.values.get((reading.characteristic_id, reading.stream_id, sample))
    if there is None:
        return None
    value, mode = there
    new_mode = reading.pull.mode if reading.pull is not None else ""
    if mode == new_mode and same_value(value, reading.value):
        return ""
    return f"Sample {sample} is stored with {_shown(value, mode, unit)}, the file has {_shown(reading.value, new_mode, unit)}."


def same_value(first: float | None, second: float | None) -> bool:
    if first is None or second is None:
        return first is second
    return math.isclose(first, second, rel_tol=SAME, abs_tol=0.0)


def _shown(value: float | None, mode: str, unit: str) -> str:
    figure = "no value" if value is None else f"{value:.12g} {unit}"
    return f"{figure} ({mode})" if mode else figure


def plausible_ranges(conn: Conn, profile: Profile, part: Part | None) -> dict[str, Range]:
    """By code, in the profile's unit: what the characteristic of any part (or of `part`) can be.

    Only for profiles that state no decimal style: it chooses between two readings of a number.
    """
    found: dict[str, Range] = {}
    for one in lookups.parts(conn) if part is None else (part,):
        for c in lookups.part_characteristics(conn, one.id):
            unit = next((v.unit for v in profile.values if v.characteristic == c.code), "")
            low, high = hard_range(c)
            if not unit or _counts(c, unit) or not same_quantity(unit, c.unit):
                continue
            ends = [x if math.isinf(x) else convert(x, c.unit, unit) for x in (low, high)]
            before = found.get(c.code, (math.inf, -math.inf))
            found[c.code] = (min(before[0], ends[0]), max(before[1], ends[1]))
    return {code: ends for code, ends in found.items() if math.isfinite(ends[0]) or math.isfinite(ends[1])}
