"""What a lot is judged by: plain values, no database."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from qualrec.values import (
    Characteristic,
    Condition,
    Gauge,
    Lot,
    MouldingLot,
    ReadingKey,
    ReadingRow,
    Station,
    TemporaryChange,
)


@dataclass(frozen=True, slots=True)
class MouldingReadings:
    """The readings of one moulding lot that went into the lot."""

    lot: MouldingLot
    readings: tuple[ReadingRow, ...]


@dataclass(frozen=True, slots=True)
class Summary:
    """Figures of all readings of one characteristic of a lot, none of them beyond a limit; `sd` nan for n < 2."""

    n: int
    mean: float
    sd: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class LotFacts:
    """All that is judged about one lot, charts excepted.

    `characteristics` by id, in the revision in force when the lot began; `by_segment` those of segments that began
    under another revision. `conditions` by id, `gauges` by condition id, `stations` and `cleanings` (moments) by station id,
    `corrected_us` the moment of the last correction of a reading. A `characteristic_id` without entry is not judged.
    Where a characteristic of a lot of one segment has very many readings, all within its limits, `summaries` holds their
    figures and `readings` only the last ones.
    """

    lot: Lot
    characteristics: Mapping[int, Characteristic]
    readings: tuple[ReadingRow, ...]
    moulding: tuple[MouldingReadings, ...] = ()
    by_segment: Mapping[int, Mapping[int, Characteristic]] = field(default_factory=dict)
    gauges: Mapping[int, Gauge] = field(default_factory=dict)
    conditions: Mapping[int, Condition] = field(default_factory=dict)
    stations: Mapping[int, Station] = field(default_factory=dict)
    cleanings: Mapping[int, tuple[int, ...]] = field(default_factory=dict)
    corrected_us: Mapping[ReadingKey, int] = field(default_factory=dict)
    summaries: Mapping[int, Summary] = field(default_factory=dict)
    changes: tuple[TemporaryChange, ...] = ()
    """Temporary changes of the part, ended ones too."""
    now_us: int = 0

    def spec(self, reading: ReadingRow) -> Characteristic | None:
        """The characteristic revision that a reading is judged by."""
        own = self.by_segment.get(reading.key.subject_id, self.characteristics)
        return own.get(reading.key.characteristic_id)

    def all_readings(self) -> Iterable[tuple[ReadingRow, MouldingLot | None]]:
        """Readings of the lot and of its moulding lots, voids left out."""
        for reading in self.readings:
            if not reading.void:
                yield reading, None
        for moulding in self.moulding:
            for reading in moulding.readings:
                if not reading.void:
                    yield reading, moulding.lot


def readings_of(facts: LotFacts, characteristic: Characteristic) -> tuple[ReadingRow, ...]:
    """The readings of one characteristic, of the lot or of the moulding lots it hangs on."""
    rows = (
        facts.readings
        if characteristic.hangs_on == "lot"
        else tuple(r for m in facts.moulding for r in m.readings)
    )
    return tuple(r for r in rows if r.key.characteristic_id == characteristic.id)
