"""Are the parts after a change equal to those before, within a margin set beforehand? Two one-sided tests on the records.

Lots are compared by their means, each lot one value: what differs from lot to lot is then in the test. Single readings can be
compared where there are too few lots; readings of a lot are alike, so the answer is too sure and says so. Source:
Schuirmann, J. Pharmacokinetics 15 (1987) 657, in `qualrec.stats.compare`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from qualrec import __version__
from qualrec.assess.loading import choose
from qualrec.errors import UsageError
from qualrec.intake.numbers import understand
from qualrec.records import lookups, registry
from qualrec.stats.compare import equivalence, levene, welch_t
from qualrec.values import FloatArray, LotSeries
from qualrec.work.days import moment_of
from qualrec.work.rights import require
from qualrec.work.session import Session

LOTS, READINGS = "lots", "readings"
METHOD = (
    "two one-sided Welch t tests (Schuirmann 1987), each at {alpha:g} %, on {unit}; margins set beforehand"
)
LEAST = 2


@dataclass(frozen=True, slots=True)
class Side:
    """One side of the change: lots, values compared, their mean and standard deviation."""

    lots: tuple[str, ...]
    n: int
    mean: float
    sd: float


@dataclass(frozen=True, slots=True)
class Compared:
    """`difference` is after minus before, with its (1 - 2 alpha) interval; `equivalent` where that lies inside the margins.

    `spread_p`: Brown-Forsythe p-value of equal spread; None where it cannot be told. `study`: number of the kept study, or ''.
    """

    part: str
    code: str
    unit: str
    by: str
    before: Side
    after: Side
    margin: float
    level: float
    difference: float
    low: float
    high: float
    p: float
    welch_p: float
    spread_p: float | None
    equivalent: bool
    study: str
    sentences: tuple[str, ...]


def compare(
    session: Session,
    part: str,
    code: str,
    *,
    change: str,
    margin: str,
    by: str = LOTS,
    lots_before: int | None = None,
    lots_after: int | None = None,
    leave_out: Mapping[str, str] | None = None,
    level: float = 0.95,
    keep: str = "",
) -> Compared:
    """Compare lots before and after the moment of a change ('2026-03-01' or with a time).

    `margin` in the characteristic's unit, to both sides. `lots_before`, `lots_after`: only so many next to the change.
    `leave_out`: lot -> reason. `keep`: title under which the comparison is kept as a study. Raises UsageError, UnknownRecord,
    ComputeError.
    """
    if keep:
        require(session.actor, "judge parts")
    if by not in (LOTS, READINGS):
        raise UsageError(f"{by!r} cannot be compared.", f"Use {LOTS} or {READINGS}.")
    at_us = moment_of(session, change)
    with session.store.read() as conn:
        c = lookups.characteristic(conn, part, code)
        width = understand(margin, c.unit).value
        chosen = choose(conn, c)
        series = lookups.lot_series(conn, c.id, condition_id=chosen.condition_id)
        places = _split(series, at_us, lots_before, lots_after, leave_out or {})
        sides = [_values(conn, c.id, series, at, by, chosen.condition_ids) for at in places]
    _check(sides, by, change)
    before, after = sides
    found = equivalence(after, before, -width, width, level)
    welch = welch_t(after, before, level)
    spread = None
    if min(before.size, after.size) >= LEAST and (before.std() > 0 or after.std() > 0):
        spread = levene([before, after]).p
    said = [_side(series, at, values) for at, values in zip(places, sides, strict=True)]
    made = Compared(
        part=part, code=code, unit=c.unit, by=by, before=said[0], after=said[1], margin=width, level=level,
        difference=found.difference, low=found.interval.low, high=found.interval.high, p=found.p, welch_p=welch.p,
        spread_p=spread, equivalent=found.equivalent, study="", sentences=(),
    )  # fmt: skip
    number = _keep(session, c.id, c.part_id, made, change, leave_out or {}, keep) if keep else ""
    return _told(made, number)


def _split(
    series: LotSeries, at_us: int, before: int | None, after: int | None, leave_out: Mapping[str, str]
) -> tuple[list[int], list[int]]:
    """Places in the series before and after the change, without the lots left out."""
    unknown = [lot for lot in leave_out if lot not in series.numbers]
    if unknown:
        raise UsageError(f"Lot {unknown[0]} has no such readings.", "Leave out lots that are compared.")
    bare = [lot for lot, reason in leave_out.items() if not reason.strip()]
    if bare:
        raise UsageError(f"Lot {bare[0]} is left out without a reason.", "Say LOT=reason.")
    kept = [at for at, number in enumerate(series.numbers) if number not in leave_out]
    earlier = [at for at in kept if int(series.at_us[at]) < at_us]
    later = [at for at in kept if int(series.at_us[at]) >= at_us]
    return earlier[-before:] if before else earlier, later[:after] if after else later


def _values(
    conn: Any, characteristic_id: int, series: LotSeries, places: list[int], by: str, conditions: Any
) -> FloatArray:
    if by == LOTS:
        return np.asarray(series.mean[places], float)
    ids = [int(series.lot_ids[at]) for at in places]
    if not ids:
        return np.empty(0)
    return lookups.values(conn, characteristic_id, ids, condition_ids=conditions).value


def _check(sides: list[FloatArray], by: str, change: str) -> None:
    for values, side in zip(sides, ("before", "after"), strict=True):
        if values.size < LEAST:
            what = "lots" if by == LOTS else "readings"
            raise UsageError(
                f"There are {values.size} {what} {side} {change}; {LEAST} are needed.",
                "Choose another moment" + (", or compare readings: --by readings." if by == LOTS else "."),
            )


def _side(series: LotSeries, places: list[int], values: FloatArray) -> Side:
    return Side(
        tuple(series.numbers[at] for at in places),
        int(values.size),
        float(values.mean()),
        float(values.std(ddof=1)),
    )


def _keep(
    session: Session,
    characteristic_id: int,
    part_id: int,
    made: Compared,
    change: str,
    leave_out: Mapping[str, str],
    title: str,
) -> str:
    """Keep the comparison as an analysed study; returns its number."""
    plan = {
        "change": change,
        "margin": made.margin,
        "by": made.by,
        "level": made.level,
        "lots before": list(made.before.lots),
        "lots after": list(made.after.lots),
        "left out": dict(leave_out),
    }
    analysis = {
        "lots before": len(made.before.lots),
        "lots after": len(made.after.lots),
        f"mean before ({made.unit})": made.before.mean,
        f"mean after ({made.unit})": made.after.mean,
        f"difference ({made.unit})": made.difference,
        f"interval low ({made.unit})": made.low,
        f"interval high ({made.unit})": made.high,
        f"margin ({made.unit})": made.margin,
        "p": made.p,
        "p of equal means": made.welch_p,
        "p of equal spread": made.spread_p,
        "left out": ", ".join(f"{lot}: {reason}" for lot, reason in leave_out.items()),
    }
    with session.store.write(session.actor, session.plant.id) as writer:
        return registry.add_comparison(
            writer,
            title=title,
            part_id=part_id,
            characteristic_id=characteristic_id,
            plan=plan,
            analysis={k: v for k, v in analysis.items() if v not in (None, "")},
            method=METHOD.format(
                alpha=100 * (1 - made.level), unit="lot means" if made.by == LOTS else "readings"
            ),
            verdict="equivalent" if made.equivalent else "not shown",
            program_version=__version__,
        )


def _told(made: Compared, number: str) -> Compared:
    from dataclasses import replace

    u = made.unit
    said = [
        f"Before: {len(made.before.lots)} lots, mean {made.before.mean:.6g} {u}, standard deviation {made.before.sd:.4g} {u}.",
        f"After: {len(made.after.lots)} lots, mean {made.after.mean:.6g} {u}, standard deviation {made.after.sd:.4g} {u}.",
        f"After minus before: {made.difference:.4g} {u}, {100 * (2 * made.level - 1):g} % interval {made.low:.4g} to "
        f"{made.high:.4g} {u}; margin {-made.margin:g} to {made.margin:g} {u}, p = {made.p:.2g}.",
        "Equivalent: the interval lies inside the margin."
        if made.equivalent
        else "Equivalence is NOT shown: the interval reaches beyond the margin. That is no proof of a difference.",
    ]
    if made.spread_p is not None and made.spread_p < 0.05:
        said.append(
            f"The spread differs (Brown-Forsythe p = {made.spread_p:.2g}): equal means are not the whole answer."
        )
    if made.by == READINGS:
        said.append("Readings of a lot are alike and counted as if they were not: the answer is too sure.")
    if number:
        said.append(f"Kept as study {number}.")
    return replace(made, study=number, sentences=tuple(said))
