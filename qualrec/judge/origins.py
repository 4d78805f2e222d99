"""Findings on where a lot comes from: recipe revisions, moulding lots and deliveries."""

from __future__ import annotations

from qualrec.judge import kinds
from qualrec.judge.facts import LotFacts
from qualrec.judge.kinds import make_finding
from qualrec.values import Finding, Lot, MouldingLot, Segment

MATERIAL_ACCEPTED = "accepted"


def recipe_findings(facts: LotFacts) -> tuple[Finding, ...]:
    """Segments whose recipe revision was not approved and in force when they began."""
    found = []
    for segment in facts.lot.segments:
        problem = _recipe_problem(facts.lot, segment)
        if not problem:
            continue
        recipe = segment.recipe
        named = "none" if recipe is None else f"{recipe.code} revision {recipe.revision}"
        found.append(
            make_finding(
                kinds.RECIPE_NOT_APPROVED,
                f"segment {segment.position}, {named}",
                f"Segment {segment.position}: {problem}",
                {
                    "recipe": named,
                    "state now": None if recipe is None else recipe.state,
                    "welded_us": segment.from_us,
                    "approved_us": None if recipe is None else recipe.approved_us,
                },
                lot_id=facts.lot.id,
                at_us=segment.from_us,
            )
        )
    return tuple(found)


def _recipe_problem(lot: Lot, segment: Segment) -> str:
    recipe = segment.recipe
    if recipe is None:
        return "no recipe revision is recorded."
    named = f"recipe {recipe.code} revision {recipe.revision}"
    if recipe.part_number != lot.part.number:
        return f"{named} belongs to part {recipe.part_number}."
    if recipe.approved_at(segment.from_us):
        return ""
    if recipe.approved_us is None:
        return f"{named} was never approved."
    if recipe.ended_us is not None and recipe.ended_us <= segment.from_us:
        return f"{named} was no longer in force when the segment began."
    return f"{named} was approved only after the segment began, or not yet valid."


def material_findings(facts: LotFacts) -> tuple[Finding, ...]:
    """Moulding lots and deliveries that are not the qualified material, not accepted, or expired."""
    found: dict[tuple[str, str], Finding] = {}
    for segment in facts.lot.segments:
        for moulding, component in (
            (segment.upper, facts.lot.part.upper),
            (segment.lower, facts.lot.part.lower),
        ):
            if moulding is None:
                continue
            problems = [
                *_unqualified(moulding, component.id, component.number, component.material_id),
                *_expired(moulding, segment.from_us),
            ]
            for kind, what, sentence in problems:
                found[kind, what] = make_finding(
                    kind,
                    what,
                    sentence,
                    {
                        "moulding lot": moulding.number,
                        "segment": segment.position,
                        "component": component.number,
                    },
                    lot_id=facts.lot.id,
                    moulding_lot_id=moulding.id,
                    at_us=segment.from_us,
                )
    return tuple(found.values())


def _unqualified(
    moulding: MouldingLot, component_id: int, component: str, material_id: int
) -> list[tuple[str, str, str]]:
    kind, number, problems = kinds.MATERIAL_NOT_QUALIFIED, moulding.number, []
    if moulding.component.id != component_id:
        text = f"Moulding lot {number} is component {moulding.component.number}, the part needs {component}."
        problems.append((kind, f"{number}: component", text))
    elif moulding.delivery_materials and material_id not in moulding.delivery_materials:
        text = f"No delivery of the qualified material {moulding.component.material} went into moulding lot {number}."
        problems.append((kind, f"{number}: material", text))
    if moulding.state != MATERIAL_ACCEPTED:
        problems.append((kind, f"{number}: state", f"Moulding lot {number} is {moulding.state}."))
    for delivery, state in zip(moulding.deliveries, moulding.delivery_states, strict=False):
        if state != MATERIAL_ACCEPTED:
            text = f"Delivery {delivery} in moulding lot {number} is {state}."
            problems.append((kind, f"{number}: delivery {delivery}", text))
    return problems


def _expired(moulding: MouldingLot, welded_us: int) -> list[tuple[str, str, str]]:
    kind, number, problems = kinds.MATERIAL_EXPIRED, moulding.number, []
    if moulding.expires_us is not None and moulding.expires_us < welded_us:
        problems.append((kind, number, f"Moulding lot {number} had expired when it was welded."))
    for delivery, expires_us in zip(moulding.deliveries, moulding.deliveries_expire_us, strict=False):
        if expires_us is not None and expires_us < moulding.moulded_us:
            text = f"Delivery {delivery} had expired when moulding lot {number} was moulded."
            problems.append((kind, f"{number}: delivery {delivery}", text))
    return problems
