"""Rules of thumb of the trade and the kinds of event drawn on charts; editable defaults with their source."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from types import MappingProxyType
from typing import TYPE_CHECKING

from qualrec.errors import UsageError
from qualrec.weld.tables import load_table, number_or_none

if TYPE_CHECKING:
    from collections.abc import Mapping


@dataclass(frozen=True, slots=True)
class RuleOfThumb:
    """One rule; `low` or `high` is None where the rule has no such end."""

    rule: str
    topic: str
    quantity: str
    low: float | None
    high: float | None
    unit: str
    text: str
    source: str
    how_obtained: str

    def holds(self, value: float) -> bool:
        """Whether the value lies within the rule, ends included."""
        return (self.low is None or value >= self.low) and (self.high is None or value <= self.high)


@dataclass(frozen=True, slots=True)
class EventKind:
    """One kind of event. `belongs_to` is station, lot, tool or gauge; `marker` one letter, unique."""

    kind: str
    word: str
    belongs_to: str
    marker: str
    source: str
    how_obtained: str


@cache
def rules_of_thumb() -> Mapping[str, RuleOfThumb]:
    """All rules by id."""
    return MappingProxyType(
        {
            row["rule"]: RuleOfThumb(
                rule=row["rule"],
                topic=row["topic"],
                quantity=row["quantity"],
                low=number_or_none(row["low"]),
                high=number_or_none(row["high"]),
                unit=row["unit"],
                text=row["text"],
                source=row["source"],
                how_obtained=row["how_obtained"],
            )
            for row in load_table("rules_of_thumb")
        }
    )


def find_rule(rule: str) -> RuleOfThumb:
    """The rule of that id. Raises UsageError that lists the ids."""
    try:
        return rules_of_thumb()[rule]
    except KeyError:
        raise UsageError(
            f"No rule of thumb {rule!r}.", f"Known rules: {', '.join(rules_of_thumb())}."
        ) from None


@cache
def event_kinds() -> Mapping[str, EventKind]:
    """All kinds of event by code, in the order of a list to choose from."""
    return MappingProxyType({row["kind"]: EventKind(**row) for row in load_table("event_kinds")})
