"""Lots welded under a temporary change, or after the end of one that nobody ended."""

from __future__ import annotations

from qualrec.judge import kinds
from qualrec.judge.facts import LotFacts
from qualrec.judge.kinds import make_finding
from qualrec.values import Finding, Segment, TemporaryChange


def change_findings(facts: LotFacts) -> tuple[Finding, ...]:
    """For each temporary change that touches the lot: welded under it, or welded after its end while it is still open.

    A change touches a segment of its recipe revision and station, each where it names one. A segment counts by the moment
    at which it began; a change that was ended later counts for the lots welded while it ran.
    """
    found = []
    for change in facts.changes:
        touched = [s for s in facts.lot.segments if _touches(change, s)]
        during = [s for s in touched if change.from_us <= s.from_us <= change.last_us]
        after = [s for s in touched if s.from_us > change.until_us]
        if after and change.state == "open":
            found.append(_expired(facts, change, after[0]))
        if during:
            found.append(_under(facts, change, during[0]))
    return tuple(found)


def _touches(change: TemporaryChange, segment: Segment) -> bool:
    recipe = segment.recipe is not None and segment.recipe.id == change.recipe_revision_id
    station = change.station == segment.station
    return (change.recipe_revision_id is None or recipe) and (not change.station or station)


def _under(facts: LotFacts, change: TemporaryChange, segment: Segment) -> Finding:
    return make_finding(
        kinds.TEMPORARY_CHANGE,
        f"change {change.id}",
        f"Segment {segment.position} was welded under a temporary change: {change.what}. Extra checks: "
        f"{change.extra_checks}.".replace("..", "."),
        {"change": change.what, "extra checks": change.extra_checks, "by": change.person},
        lot_id=facts.lot.id,
        at_us=segment.from_us,
    )


def _expired(facts: LotFacts, change: TemporaryChange, segment: Segment) -> Finding:
    days = (segment.from_us - change.until_us) / 86_400_000_000
    return make_finding(
        kinds.CHANGE_EXPIRED,
        f"change {change.id}",
        f"Segment {segment.position} was welded {days:.1f} days after the last day of a temporary change that is still "
        f"open: {change.what}. Extra checks: {change.extra_checks}.".replace("..", "."),
        {"change": change.what, "extra checks": change.extra_checks, "by": change.person, "days past": days},
        lot_id=facts.lot.id,
        at_us=segment.from_us,
    )
