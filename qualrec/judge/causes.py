"""What could have moved a level: recorded events, and changes of recipe or material that the lots themselves show.

A change of recipe revision, resin delivery or moulding lot is seen where a segment differs from the segment before it
on the same station, whether or not someone entered an event for it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from qualrec.values import Event, MouldingLot, Segment
from qualrec.weld.trade_rules import event_kinds

RECIPE, UPPER_RESIN, LOWER_RESIN = "recipe_change", "upper_resin_lot", "lower_resin_lot"
MOULDING_LOT = "moulding_lot"
REMOVING = (
    "glass_cleaned", "glass_changed", "optics_cleaned", "fixture", "tool_maintenance", RECIPE, UPPER_RESIN, LOWER_RESIN,
)  # fmt: skip
"""Kinds that can take the cause of a shifted level away; stops, shifts and checks of power or gauge cannot."""


@dataclass(frozen=True, slots=True)
class Cause:
    """Something that happened at a moment. `kind` is the code of an event, or `MOULDING_LOT`; `station_id` None: everywhere.

    `recorded` is False where no event was entered and the lots show it.
    """

    kind: str
    text: str
    at_us: int
    station_id: int | None = None
    recorded: bool = True


def event_causes(events: Iterable[Event]) -> tuple[Cause, ...]:
    """Recorded events in words."""
    found = []
    for event in events:
        kind = event_kinds().get(event.kind)
        text = event.kind if kind is None else kind.word
        if event.remark:
            text += f" ({event.remark})"
        found.append(Cause(event.kind, text, event.at_us, event.station_id))
    return tuple(found)


def segment_causes(lots: Iterable[tuple[str, Sequence[Segment]]]) -> tuple[Cause, ...]:
    """Changes of recipe revision, resin delivery and moulding lot between segments that follow each other on a station.

    `lots`: number and segments, lots in time order. The first segment on a station changes nothing.
    """
    last: dict[int | None, Segment] = {}
    found: list[Cause] = []
    for number, segments in lots:
        for segment in segments:
            before = last.get(segment.station_id)
            if before is not None:
                found += _changes(before, segment, number)
            last[segment.station_id] = segment
    return tuple(found)


def _changes(before: Segment, now: Segment, number: str) -> list[Cause]:
    found = []
    if before.recipe is not None and now.recipe is not None and before.recipe.id != now.recipe.id:
        old, new = (f"{r.code} revision {r.revision}" for r in (before.recipe, now.recipe))
        text = f"recipe {old} to {new} with {number}"
        found.append(Cause(RECIPE, text, now.from_us, now.station_id, recorded=False))
    for side, kind, old_lot, new_lot in (
        ("upper", UPPER_RESIN, before.upper, now.upper),
        ("lower", LOWER_RESIN, before.lower, now.lower),
    ):
        if old_lot is not None and new_lot is not None and old_lot.id != new_lot.id:
            found.append(_material(side, kind, old_lot, new_lot, number, now.from_us, now.station_id))
    return found


def _material(
    side: str, kind: str, old: MouldingLot, new: MouldingLot, number: str, at_us: int, station_id: int | None
) -> Cause:
    """A change of moulding lot; of resin where its deliveries are known and differ."""
    if old.deliveries and new.deliveries and set(old.deliveries) != set(new.deliveries):
        text = (
            f"{side} resin delivery {', '.join(old.deliveries)} to {', '.join(new.deliveries)} with {number}"
        )
        return Cause(kind, text, at_us, station_id, recorded=False)
    text = f"{side} moulding lot {old.number} to {new.number} with {number}"
    return Cause(MOULDING_LOT, text, at_us, station_id, recorded=False)


def moulding_causes(lots: Iterable[MouldingLot]) -> tuple[Cause, ...]:
    """Changes of resin delivery between moulding lots of a component, given in time order."""
    last: dict[int, MouldingLot] = {}
    found = []
    for lot in lots:
        before = last.get(lot.component.id)
        kind = LOWER_RESIN if lot.component.side == "lower" else UPPER_RESIN
        if (
            before is not None
            and set(before.deliveries) != set(lot.deliveries)
            and before.deliveries
            and lot.deliveries
        ):
            text = f"resin delivery {', '.join(before.deliveries)} to {', '.join(lot.deliveries)} with {lot.number}"
            found.append(Cause(kind, text, lot.moulded_us, recorded=False))
        last[lot.component.id] = lot
    return tuple(found)


def nearest(
    causes: Iterable[Cause], last_before_us: int, first_after_us: int, from_us: int, until_us: int
) -> tuple[Cause, ...]:
    """Of each kind the one nearest to a step that lies between two moments, nearest kinds first.

    Only causes within `from_us` .. `until_us` count. One between the last point before the step and the first one after it
    has distance 0; of two at the same distance the later one is named.
    """

    def distance(cause: Cause) -> tuple[int, int]:
        away = max(last_before_us - cause.at_us, cause.at_us - first_after_us, 0)
        return away, -cause.at_us

    best: dict[str, Cause] = {}
    for cause in sorted((c for c in causes if from_us <= c.at_us <= until_us), key=distance):
        best.setdefault(cause.kind, cause)
    return tuple(best.values())
