"""The sample plant as figures: lots, readings and planted stories from one seed. All of it is invented.

The lead part is a flow-meter housing with 61 lots over eight months. What is planted, by lot:

* cavity 3 of the upper tool transmits less, always;
* strength is left-skewed: a pull ends at the weaker of weld and parent material (Weibull parent strength), so that
  most pulls are parent-material breaks; lots differ about as much as pulls within a lot;
* lot 20: a force typed with two digits exchanged, corrected later with its reason;
* lot 34: welded one day before recipe revision 2 was approved;
* lot 38: two interfacial failures;
* lots 41 to 47: the clamp glass gets dirty, time to path climbs, then strength falls; cleaned before lot 48;
* lots 51 to 56: one resin delivery transmits less and less; the energy at the joint leaves the qualified window;
* lots 57 to 59: pulled on a tester whose calibration had run out;
* lot 60 waits for two pulls, lot 61 is open at the welder.

Structure after the trade's habit: transmission alike within a resin delivery, cavity offsets, a dirt ramp in time to
path, left-skewed pull force with rare interfacial failures (common practice, no source; no open data set is known).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import pairwise

import numpy as np

DAY_US = 86_400_000_000
HOUR_US = 3_600_000_000
FIRST_WELD = datetime(2026, 3, 2, 6, 30, tzinfo=UTC)
LEAD_LOTS = 61
PHASE_ONE_LOTS = 30
DAYS_BETWEEN_LOTS = 4

TYPING_ERROR_LOT = 20
UNAPPROVED_LOT = 34
INTERFACIAL_LOT = 38
DIRTY_GLASS_LOTS = range(41, 48)
POOR_RESIN_LOTS = range(51, 57)
OVERDUE_GAUGE_LOTS = range(57, 60)
WAITING_LOT = 60
OPEN_LOT = 61
ODD_CAVITY = 3

CAVITY_OFFSETS = {1: 0.3, 2: 0.1, 3: -1.8, 4: 0.2}
TRANSMISSION_MEAN = 24.0
PARENT_SHAPE = 14.0
PARENT_SCALE = 640.0
WELD_MEDIAN = 690.0
WELD_LOG_SD = 0.07
LOT_SD = 0.04
TIME_TO_PATH = 2.9


@dataclass(frozen=True, slots=True)
class PlannedReading:
    """One reading of the plan; `value` as it is entered (the typing error included), `right_value` what it should be."""

    code: str
    sample: int
    value: float | None
    at_us: int
    cavity: int = 0
    mode: str = ""
    shares: tuple[float, float, float, float] | None = None
    serial: str = ""
    right_value: float | None = None


@dataclass(frozen=True, slots=True)
class PlannedMoulding:
    number: str
    side: str
    delivery: str
    moulded_us: int
    readings: tuple[PlannedReading, ...] = ()


@dataclass(frozen=True, slots=True)
class PlannedLot:
    number: str
    position: int
    part: str
    started_us: int
    quantity: int
    recipe_revision: int
    operator: int
    upper: str
    lower: str
    readings: tuple[PlannedReading, ...]
    corrections: tuple[PlannedReading, ...] = ()


@dataclass(frozen=True, slots=True)
class PlannedPart:
    """Lots and moulding lots of one part number, in time order."""

    number: str
    lots: tuple[PlannedLot, ...]
    mouldings: tuple[PlannedMoulding, ...]


@dataclass(frozen=True, slots=True)
class Plan:
    seed: int
    parts: tuple[PlannedPart, ...] = field(default_factory=tuple)
    glass_cleaned_us: tuple[int, ...] = ()

    @property
    def lead(self) -> PlannedPart:
        return self.parts[0]


def lot_start(position: int) -> int:
    """Start of welding of the lead part's lot `position` (1 = first)."""
    first = int(FIRST_WELD.timestamp() * 1_000_000)
    return first + (position - 1) * DAYS_BETWEEN_LOTS * DAY_US


def make_plan(seed: int = 1) -> Plan:
    """The whole plant; the same seed gives the same plan on every machine."""
    rng = np.random.default_rng(seed)
    lead = _lead_part(rng)
    others = tuple(_small_part(rng, *row) for row in SMALL_PARTS)
    return Plan(seed=seed, parts=(lead, *others), glass_cleaned_us=tuple(_glass_cleanings()))


def _glass_cleanings() -> Iterator[int]:
    """Every third lot, but none while the glass gets dirty."""
    for position in range(1, LEAD_LOTS + 1):
        if position in DIRTY_GLASS_LOTS:
            continue
        if position % 3 == 1 or position == DIRTY_GLASS_LOTS.stop:
            yield lot_start(position) - HOUR_US


def glass_dirt(position: int) -> float:
    """0 for a clean glass, rising to 1 in the last lot before it is cleaned."""
    if position not in DIRTY_GLASS_LOTS:
        return 0.0
    return (position - DIRTY_GLASS_LOTS.start + 1) / len(DIRTY_GLASS_LOTS)


def _lead_part(rng: np.random.Generator) -> PlannedPart:
    mouldings: list[PlannedMoulding] = []
    transmissions: list[float] = []
    uppers = (LEAD_LOTS + 1) // 2
    delivery_effects = rng.normal(0.0, 0.25, size=uppers)
    for index in range(uppers):
        first_lot = 2 * index + 1
        delivery = f"R-{2601 + _delivery_of(first_lot)}"
        poor = [p for p in (first_lot, first_lot + 1) if p in POOR_RESIN_LOTS]
        fall = 0.0
        if poor:
            fall = 2.6 + 2.2 * (poor[0] - POOR_RESIN_LOTS.start) / (len(POOR_RESIN_LOTS) - 2)
        mean = TRANSMISSION_MEAN + delivery_effects[_delivery_of(first_lot)] + rng.normal(0.0, 0.5) - fall
        transmissions.append(mean)
        moulded = lot_start(first_lot) - 3 * DAY_US
        mouldings.append(
            PlannedMoulding(
                number=f"U{first_lot:04d}",
                side="upper",
                delivery=delivery,
                moulded_us=moulded,
                readings=tuple(_transmission(rng, mean, moulded + 4 * HOUR_US)),
            )
        )
        mouldings.append(
            PlannedMoulding(
                number=f"L{first_lot:04d}",
                side="lower",
                delivery=f"B-{2601 + index // 6}",
                moulded_us=moulded + HOUR_US,
            )
        )
    lots = tuple(
        _lead_lot(rng, position, transmissions[(position - 1) // 2]) for position in range(1, LEAD_LOTS + 1)
    )
    return PlannedPart("FM-2040", lots, tuple(mouldings))


def _delivery_of(position: int) -> int:
    """Number of the resin delivery, 0 = first; one delivery serves ten lots, the poor one its six."""
    if position in POOR_RESIN_LOTS:
        return 5
    if position >= POOR_RESIN_LOTS.stop:
        return 6
    return (position - 1) // 10


def _transmission(rng: np.random.Generator, mean: float, at_us: int) -> Iterator[PlannedReading]:
    for cavity, offset in CAVITY_OFFSETS.items():
        for sample in range(1, 6):
            value = round(float(mean + offset + rng.normal(0.0, 0.4)), 1)
            minute = (cavity - 1) * 5 + sample
            yield PlannedReading("TRN", sample, value, at_us + minute * 60_000_000, cavity=cavity)


def _lead_lot(rng: np.random.Generator, position: int, transmission: float) -> PlannedLot:
    start = lot_start(position)
    dirt = glass_dirt(position)
    loss = max(0.0, TRANSMISSION_MEAN - 1.6 - transmission)
    lot_effect = float(rng.normal(0.0, LOT_SD))
    path_effect = float(rng.normal(0.0, 0.05))
    collapse_effect = float(rng.normal(0.0, 0.004))
    readings: list[PlannedReading] = []
    corrections: list[PlannedReading] = []
    for sample in range(1, 6):
        at = start + sample * 90 * 60_000_000
        time_to_path = TIME_TO_PATH + path_effect + rng.normal(0.0, 0.06) + 0.55 * dirt + 0.10 * loss
        collapse = 0.28 + collapse_effect + rng.normal(0.0, 0.006)
        serial = f"{position:05d}-{sample:03d}"
        readings.append(PlannedReading("TTP", sample, round(float(time_to_path), 2), at, serial=serial))
        readings.append(PlannedReading("COL", sample, round(float(collapse), 3), at, serial=serial))
    pulls = _pulls_made(position)
    for sample in range(1, pulls + 1):
        at = start + (9 + sample) * HOUR_US
        pull = _pull(rng, position, sample, lot_effect, dirt, loss, at)
        if position == TYPING_ERROR_LOT and sample == 3 and pull.value is not None:
            typed = _exchange_digits(pull.value)
            corrections.append(pull)
            pull = PlannedReading(
                "PULL", sample, typed, at, mode=pull.mode, serial=pull.serial, right_value=pull.value
            )
        readings.append(pull)
    return PlannedLot(
        number=f"FM{position:05d}",
        position=position,
        part="FM-2040",
        started_us=start,
        quantity=480 + int(rng.integers(0, 5)) * 24,
        recipe_revision=2 if position >= UNAPPROVED_LOT else 1,
        operator=position % 2,
        upper=f"U{position - (position - 1) % 2:04d}",
        lower=f"L{position - (position - 1) % 2:04d}",
        readings=tuple(readings),
        corrections=tuple(corrections),
    )


def _pulls_made(position: int) -> int:
    if position == OPEN_LOT:
        return 0
    return 3 if position == WAITING_LOT else 5


def _exchange_digits(value: float) -> float:
    """The first two neighbouring digits that differ, exchanged as a tired hand types them."""
    signs = list(f"{value:.1f}")
    places = [i for i, sign in enumerate(signs) if sign.isdigit()]
    for a, b in pairwise(places):
        if signs[a] != signs[b]:
            signs[a], signs[b] = signs[b], signs[a]
            break
    else:
        signs[0] = "4" if signs[0] != "4" else "5"
    return float("".join(signs))


def _pull(
    rng: np.random.Generator,
    position: int,
    sample: int,
    lot_effect: float,
    dirt: float,
    loss: float,
    at_us: int,
) -> PlannedReading:
    """A pull ends at the weaker of weld and parent material; poor energy weakens the weld."""
    weak = 1.0 - 0.42 * max(0.0, dirt - 0.4) / 0.6 - 0.035 * loss
    level = np.exp(lot_effect)
    parent = PARENT_SCALE * level * rng.weibull(PARENT_SHAPE)
    weld = WELD_MEDIAN * level * weak * np.exp(rng.normal(0.0, WELD_LOG_SD))
    serial = f"{position:05d}-{sample:03d}"
    if position == INTERFACIAL_LOT and sample in (2, 4):
        force = float(rng.uniform(352.0, 430.0))
        return PlannedReading("PULL", sample, round(force, 1), at_us, mode="interfacial", serial=serial)
    force = round(float(min(parent, weld)), 1)
    if parent <= weld:
        return PlannedReading("PULL", sample, force, at_us, mode="parent material", serial=serial)
    kind = rng.random()
    if kind < 0.15:
        shares = (0.0, 55.0, 15.0, 30.0)
        return PlannedReading("PULL", sample, force, at_us, mode="mixed", shares=shares, serial=serial)
    mode = "near-surface tear" if kind < 0.3 else "cohesive"
    return PlannedReading("PULL", sample, force, at_us, mode=mode, serial=serial)


SMALL_PARTS: tuple[tuple[str, str, int, int, float, float], ...] = (
    ("VB-1310", "VB", 8, 3, 900.0, 45.0),
    ("CU-0720", "CU", 5, 3, 260.0, 14.0),
    ("MC-0055", "MC", 3, 3, 11.5, 0.6),
)
"""Part number, lot prefix, lots, strength tests a lot, mean and standard deviation of the strength figure."""


def _small_part(
    rng: np.random.Generator, number: str, prefix: str, count: int, tests: int, mean: float, sd: float
) -> PlannedPart:
    code = "BURST" if prefix == "MC" else "PULL"
    lots: list[PlannedLot] = []
    mouldings: list[PlannedMoulding] = []
    for position in range(1, count + 1):
        start = lot_start(LEAD_LOTS - 2 * (count - position) - 4) + 5 * HOUR_US
        for side in ("U", "L"):
            at = start - 2 * DAY_US
            readings: tuple[PlannedReading, ...] = ()
            if side == "U":
                level = SMALL_TRANSMISSION[prefix] + rng.normal(0.0, 0.8)
                readings = tuple(
                    PlannedReading(
                        "TRN", s, round(float(level + rng.normal(0.0, 0.5)), 1), at + s * 60_000_000
                    )
                    for s in range(1, 6)
                )
            mouldings.append(
                PlannedMoulding(
                    f"{prefix}-{side}{position:03d}",
                    "upper" if side == "U" else "lower",
                    f"{prefix}-{'N' if side == 'U' else 'B'}-1",
                    at,
                    readings,
                )
            )
        effect = rng.normal(0.0, sd / 2)
        values: list[PlannedReading] = []
        for sample in range(1, tests + 1):
            value = round(float(mean + effect + rng.normal(0.0, sd)), 1)
            mode = "parent material" if rng.random() < 0.6 else "cohesive"
            at = start + sample * 2 * HOUR_US
            values.append(PlannedReading(code, sample, value, at, mode=mode if code == "PULL" else ""))
        values.extend(_small_process(rng, prefix, start))
        lots.append(
            PlannedLot(
                f"{prefix}{position:05d}",
                position,
                number,
                start,
                240,
                1,
                position % 2,
                f"{prefix}-U{position:03d}",
                f"{prefix}-L{position:03d}",
                tuple(values),
            )
        )
    return PlannedPart(number, tuple(lots), tuple(mouldings))


SMALL_TRANSMISSION = {"VB": 46.0, "CU": 31.0, "MC": 89.0}


def _small_process(rng: np.random.Generator, prefix: str, start: int) -> Iterator[PlannedReading]:
    if prefix == "VB":
        for sample, rejected in enumerate(rng.random(240) < 0.004, start=1):
            yield PlannedReading("LEAK", sample, float(rejected), start + 8 * HOUR_US + sample * 20_000_000)
    elif prefix == "CU":
        for sample in range(1, 6):
            at = start + sample * HOUR_US
            yield PlannedReading("COL", sample, round(float(0.22 + rng.normal(0.0, 0.008)), 3), at)
