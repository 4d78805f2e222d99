"""The packaged tables of this room: CSV files in `qualrec/weld/data`, every row with its source.

Columns `source` and `how_obtained` stand in every table. `how_obtained` holds one or more of
`HOW_OBTAINED`, joined by " + ". All values are editable defaults, never acceptance limits.
"""

from __future__ import annotations

import csv
import io
from functools import cache
from importlib.resources import files
from types import MappingProxyType
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

HOW_OBTAINED: Mapping[str, str] = MappingProxyType(
    {
        "found": "read in a public copy of the named source",
        "secondary": "read in a summary of the primary source",
        "computed": "computed by the stated formula",
        "memory": "from memory of the literature; verify before printing",
        "common practice": "common practice, no source",
        "judgement": "a judgement made for this program; edit it",
    }
)

TABLES = (
    "cautions",
    "change_triggers",
    "compatibility",
    "event_kinds",
    "failure_modes",
    "melt_budget",
    "plausibility",
    "polymers",
    "rules_of_thumb",
    "transmission",
)


@cache
def load_table(name: str) -> tuple[Mapping[str, str], ...]:
    """Rows of the packaged table `name` as read-only mappings of column to text, in file order.

    Raises KeyError for a name outside `TABLES`.
    """
    if name not in TABLES:
        raise KeyError(name)
    text = (files("qualrec.weld") / "data" / f"{name}.csv").read_text(encoding="utf-8")
    return tuple(MappingProxyType(dict(row)) for row in csv.DictReader(io.StringIO(text, newline="")))


def number_or_none(text: str) -> float | None:
    """The number in a table cell; an empty cell is None."""
    return float(text) if text else None
