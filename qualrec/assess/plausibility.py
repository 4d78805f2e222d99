"""What was usual of a characteristic before a reading: the history that plausibility compares with."""

from __future__ import annotations

import math
from dataclasses import dataclass

from qualrec.assess.loading import Conn, choose, series_of
from qualrec.errors import ComputeError, UnknownRecord
from qualrec.judge.plausible import History
from qualrec.records import lookups
from qualrec.stats.spread import overall_of_lots
from qualrec.values import NO_CONDITION, Characteristic, Lot, MouldingLot

MOST_LOTS = 20


@dataclass(frozen=True, slots=True)
class LastLot:
    """One lot of the history, for the eye."""

    number: str
    n: int
    mean: float
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class ReadingContext:
    """The last lots of a characteristic under one group of conditions, oldest first, and their history in figures."""

    history: History
    last: tuple[LastLot, ...]
    condition: str


def reading_context(
    conn: Conn,
    lot: Lot | MouldingLot,
    characteristic: Characteristic,
    *,
    condition_id: int = NO_CONDITION,
    most: int = MOST_LOTS,
) -> ReadingContext:
    """The last `most` lots (or moulding lots) up to the lot, itself included.

    Where conditions are kept apart and `condition_id` has no readings yet, there is no history.
    """
    wanted = condition_id if characteristic.separating and condition_id != NO_CONDITION else None
    try:
        choice = choose(conn, characteristic, condition=wanted)
    except UnknownRecord:
        return ReadingContext(History(), (), "")
    until_us = lot.started_us if isinstance(lot, Lot) else lot.moulded_us
    series = series_of(conn, characteristic, choice, until_us)
    last = slice(max(0, len(series) - most), len(series))
    n, mean, sd = series.n[last], series.mean[last], series.sd[last]
    numbers = series.numbers[last]
    if not numbers:
        return ReadingContext(History(), (), choice.condition)
    try:
        spread = overall_of_lots(n, mean, sd).value
    except ComputeError:
        spread = math.nan
    centre = float(mean[0] + ((mean - mean[0]) * n).sum() / n.sum())
    rows = zip(
        numbers, n.tolist(), mean.tolist(), series.low[last].tolist(), series.high[last].tolist(), strict=True
    )
    return ReadingContext(
        History(int(n.sum()), len(numbers), centre, spread, numbers),
        tuple(LastLot(*row) for row in rows),
        choice.condition,
    )


def reading_context_of(
    conn: Conn, lot_number: str, code: str, *, condition_id: int = NO_CONDITION
) -> ReadingContext:
    """`reading_context` by lot number and code, in the revision in force when the lot began."""
    lot = lookups.lot(conn, lot_number)
    characteristic = lookups.characteristic(conn, lot.part.number, code)
    return reading_context(conn, lot, characteristic, condition_id=condition_id)
