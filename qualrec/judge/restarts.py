"""Where the moving average of a chart begins anew: after a cause was dealt with, by records alone.

The average carries a shift on for many lots after its cause is gone. It starts again from the centre at the first point
after an event where all of this is on record: an earlier point raised the flag of the moving average under the same
limits; the flag is closed, with what was found and done; and between that point and the closing an event took a cause
away (cleaning, glass, optics, fixture, tool, resin delivery, recipe) at a station of that point. A shift that is still
there signals again: at 1 sigma after about 10 points, and limits on lot means and the search for a change of level go on
over all points. Source: setting a moving average back once the cause is removed is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from qualrec.judge.causes import REMOVING, Cause


@dataclass(frozen=True, slots=True)
class ClosedFlag:
    """A closed flag of the moving average: the limits and the point (lot or moulding lot) it stands on, who closed it."""

    id: int
    limits_id: int
    lot_id: int
    closed_us: int
    closed_by: str
    action: str


@dataclass(frozen=True, slots=True)
class Restart:
    """The average starts from the centre at point `index`, because of `flag` on point `flagged` and `cause` after it."""

    index: int
    flagged: int
    flag: ClosedFlag
    cause: Cause


def restarts(
    lot_ids: Sequence[int],
    at_us: Sequence[int],
    flags: Sequence[ClosedFlag],
    causes: Sequence[Cause],
    stations: Mapping[int, Collection[int]] | None = None,
) -> tuple[Restart, ...]:
    """One for each point at which the average starts again, in order; points in time order.

    Of several causes before the closing the first one counts, so that the new average holds as many points as it can.
    `stations`: those of each lot; a cause at another station does not count. A lot without entry has none known.
    """
    places = {lot: place for place, lot in enumerate(lot_ids)}
    found: dict[int, Restart] = {}
    for flag in sorted(flags, key=lambda f: (f.closed_us, f.id)):
        place = places.get(flag.lot_id)
        if place is None:
            continue
        own = (stations or {}).get(flag.lot_id, ())
        after = sorted(
            (c for c in causes if at_us[place] < c.at_us <= flag.closed_us and _counts(c, own)),
            key=lambda c: (c.at_us, not c.recorded, c.kind),
        )
        index = next((i for i in range(place + 1, len(at_us)) if after and at_us[i] >= after[0].at_us), None)
        if index is not None:
            found.setdefault(index, Restart(index, place, flag, after[0]))
    return tuple(found[index] for index in sorted(found))


def _counts(cause: Cause, stations: Collection[int]) -> bool:
    return cause.kind in REMOVING and (
        cause.station_id is None or not stations or cause.station_id in stations
    )
