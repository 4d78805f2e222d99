"""The content of the weekly quality review as frozen figures."""

from __future__ import annotations

from dataclasses import dataclass

from qualrec.records.lookups import (
    Concession,
    Containment,
    Decided,
    DueTest,
    IntegrityRow,
    RevisionTurn,
)
from qualrec.values import Flag, LotRow, Plant, TemporaryChange


@dataclass(frozen=True, slots=True)
class HeldLot:
    """A lot on hold or suspect, with how long it has been so and what holds it."""

    lot: LotRow
    since_us: int
    days: float
    because: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Drift:
    """How the lot means of a characteristic stood in the week.

    `shift`: mean of the week off the frozen centre, in sigma of lot means of its `lots` (times their root); None without frozen
    limits. `slope` per lot (Theil-Sen) and `p` (Mann-Kendall) over the last `points` lots; None for fewer than 8.
    `signals`: chart flags opened in the week.
    """

    part: str
    code: str
    name: str
    unit: str
    decimals: int
    lots: int
    n: int
    mean: float
    centre: float | None
    shift: float | None
    slope: float | None
    p: float | None
    points: int
    signals: int


@dataclass(frozen=True, slots=True)
class WeekModes:
    """Failure modes of the pulls on the lots welded in the week."""

    part: str
    code: str
    pulls: int
    interfacial: int
    modes: tuple[tuple[str, int], ...]


@dataclass(frozen=True, slots=True)
class Standing:
    """Capability of a special characteristic over all lots. `answer`: whether the requirement is shown to be met."""

    part: str
    code: str
    name: str
    special_class: str
    index: str
    value: float | None
    bound: float | None
    requirement: float | None
    n: int
    lots: int
    answer: str
    remark: str
    sentence: str


@dataclass(frozen=True, slots=True)
class GaugeDue:
    """A gauge that is overdue, found bad, or due soon."""

    code: str
    name: str
    state: str
    due_us: int | None
    standing: str


@dataclass(frozen=True, slots=True)
class OpenProblem:
    """A problem report that is not closed, with its next discipline and those past their day."""

    number: str
    title: str
    opened_us: int
    due_us: int | None
    next_step: str
    overdue: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Review:
    """One week. Events are from `from_us` until (not at) `until_us`; states are those at `made_us`.

    `welded`: lots whose welding began in the week, with so many `readings`. `capability` None: left out.
    """

    plant: Plant
    language: str
    week: str
    first_day: str
    last_day: str
    from_us: int
    until_us: int
    made_us: int
    welded: int
    readings: int
    decided: tuple[Decided, ...]
    opened: tuple[Flag, ...]
    closed: tuple[Flag, ...]
    standing: tuple[int, int, int]
    oldest_holding_us: int | None
    held: tuple[HeldLot, ...]
    drift: tuple[Drift, ...]
    modes: tuple[WeekModes, ...]
    capability: tuple[Standing, ...] | None
    gauges: tuple[GaugeDue, ...]
    containments: tuple[Containment, ...]
    owed: tuple[DueTest, ...]
    integrity: tuple[IntegrityRow, ...]
    concessions: tuple[Concession, ...]
    changes: tuple[TemporaryChange, ...]
    revisions: tuple[RevisionTurn, ...]
    problems: tuple[OpenProblem, ...]
    gauge_days: int
    concession_days: int
    program_version: str
    anchor: str
    trail_seq: int
    trail_digest: str

    @property
    def late(self) -> tuple[DueTest, ...]:
        """Tests that are past their moment."""
        return tuple(d for d in self.owed if d.owed.due_us is not None and d.owed.due_us < self.made_us)
