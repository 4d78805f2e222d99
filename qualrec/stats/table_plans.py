"""Plans of printed tables, with the source of every value; only entries that are packaged are known.

The entries are from memory except three (AQL 0.65: F, J, N), see `source` of each answer. Check them against
the standard before they are agreed with a customer; `sampling` shows what a plan does.

Source: ISO 2859-1 tables 1 and 2-A (normal inspection, single sampling); MIL-STD-414 table B-1.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Any

from qualrec.errors import ComputeError
from qualrec.reference import case, read_columns


@dataclass(frozen=True, slots=True)
class TablePlan:
    """A printed plan: `accept` and `reject` numbers for attributes, `k` for variables; `source` says how
    obtained."""

    letter: str
    aql: float
    n: int
    accept: int | None
    reject: int | None
    k: float | None
    source: str


def code_letter(lot_size: int, level: str = "II") -> str:
    """Code letter of ISO 2859-1 for a lot of 2 or more; `level` I, II, III, S-1 to S-4."""
    table = _letters()
    if level not in table or level == "lot_up_to":
        known = ", ".join(name for name in table if name != "lot_up_to")
        raise ComputeError(f"Unknown inspection level {level!r}.", f"Use one of {known}.")
    if lot_size < 2:
        raise ComputeError(f"A lot of {lot_size}.", "The table begins at 2 parts.")
    for bound, letter in zip(table["lot_up_to"], table[level], strict=True):
        if not str(bound)[:1].isdigit() or lot_size <= float(bound):
            return str(letter)
    raise ComputeError(f"No class for a lot of {lot_size}.", "Check the packaged table.")


def attribute_plan(letter: str, aql: float) -> TablePlan:
    """Single sampling plan, normal inspection. Raises ComputeError where the entry is not packaged."""
    table = _plans()
    found = case("iso2859_plans_a")
    for name, level, n, accept, reject in zip(
        *(table[c] for c in ("code_letter", "AQL_percent", "n", "Ac", "Re")), strict=True
    ):
        if name == letter and abs(float(level) - aql) < 1e-9:
            return TablePlan(
                letter, aql, int(n), int(accept), int(reject), None, f"{found.source}; {found.how_obtained}"
            )
    raise ComputeError(
        f"The plan for letter {letter}, AQL {aql:g} % is not packaged.", "Search a plan for two points."
    )


def variables_plan(letter: str, aql: float) -> TablePlan:
    """k-method plan, sigma unknown, normal inspection. Raises ComputeError where the entry is not
    packaged."""
    found = case("mil414_k_aql1")
    letters = list(found.inputs["letter"])
    if letter not in letters or abs(float(found.inputs["AQL"]) - aql) > 1e-9:
        raise ComputeError(
            f"The plan for letter {letter}, AQL {aql:g} % is not packaged.",
            "Search a variables plan for two points.",
        )
    place = letters.index(letter)
    n, k = found.expected["n"].value[place], found.expected["k"].value[place]
    source = f"{found.source}; {found.how_obtained}; certainty {found.certainty}"
    return TablePlan(letter, aql, int(n), None, None, float(k), source)


@lru_cache(maxsize=1)
def _letters() -> dict[str, list[Any]]:
    return read_columns("data/iso2859_code_letters.csv")


@lru_cache(maxsize=1)
def _plans() -> dict[str, list[Any]]:
    return read_columns("data/iso2859_plans_normal_single.csv")
