"""What a change of a recipe asks for: approval, first-off, requalification, customer notice. A checklist, not a decision.

The rows stand in `data/change_triggers.csv`, each with its source. A customer's own notice rules stand beside them.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

from qualrec.weld.tables import load_table

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Mapping

NEEDS = ("yes", "ask")
"""'yes': it has to be done; 'ask': somebody has to decide whether."""

STOPPING = frozenset({"set_path"})
"""Settings whose coming or going changes what ends the weld: with a set path the path does, else time or passes."""


@dataclass(frozen=True, slots=True)
class TriggerRule:
    """One row of the table. `settings`: names that the row is about; empty: any."""

    change: str
    settings: frozenset[str]
    topic: str
    need: str
    text: str
    source: str
    how_obtained: str


@dataclass(frozen=True, slots=True)
class Trigger:
    """One line of the checklist. `because`: what in the change asks for it."""

    topic: str
    need: str
    text: str
    because: str
    source: str
    how_obtained: str


@cache
def trigger_rules() -> tuple[TriggerRule, ...]:
    """All rows in file order."""
    return tuple(
        TriggerRule(
            change=row["change"],
            settings=frozenset()
            if row["applies_to"] == "any"
            else frozenset(part.strip() for part in row["applies_to"].split(";")),
            topic=row["topic"],
            need=row["need"],
            text=row["text"],
            source=row["source"],
            how_obtained=row["how_obtained"],
        )
        for row in load_table("change_triggers")
    )


def change_triggers(
    changed: Collection[str],
    come_or_gone: Collection[str],
    left: Iterable[str],
    notices: Mapping[str, str] | None = None,
) -> tuple[Trigger, ...]:
    """The checklist of a change, one line for each topic and need, what has to be done first.

    `changed`: names of the settings that differ; `come_or_gone`: those of them that only one revision has; `left`: in words
    what leaves a qualified range; `notices`: the customer's notice rules by kind of change, which are always shown.
    Nothing changed gives an empty list.
    """
    outside = tuple(left)
    if not changed and not outside:
        return ()
    stopping = STOPPING & set(come_or_gone)
    reasons: dict[str, tuple[str, ...]] = {
        "any": tuple(sorted(changed)),
        "tuning": () if outside else tuple(sorted(changed)),
        "outside": outside,
        "stop mode": tuple(sorted(stopping)),
    }
    found: list[Trigger] = []
    for rule in trigger_rules():
        because = reasons.get(rule.change)
        if because is None:
            because = tuple(sorted(rule.settings & set(changed)))
        if because:
            words = ", ".join(one.replace("_", " ") for one in because)
            found.append(Trigger(rule.topic, rule.need, rule.text, words, rule.source, rule.how_obtained))
    for kind, text in sorted((notices or {}).items()):
        found.append(
            Trigger(
                "customer notice", "ask", f"{kind}: {text}", "the customer's profile", "customer profile", ""
            )
        )
    told = any(one.topic == "customer notice" and one.need == "yes" for one in found)
    kept = [
        one
        for one in found
        if not (told and one.topic == "customer notice" and one.need == "ask" and one.how_obtained)
    ]
    return tuple(sorted(kept, key=lambda one: NEEDS.index(one.need)))
