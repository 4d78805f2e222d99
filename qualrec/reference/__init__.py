"""Published and certified cases of the statistics, packaged: selfcheck and the tests read the same files.

`cases.json` holds the cases, `data/*.csv` data sets too long to stand in a case, `constants.csv` the chart
factors of n = 2..10, `SOURCES.md` how far each source was really read. A case marked 'from memory' is good
evidence, not proof; say so beside the check.
"""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from io import StringIO
from typing import Any, TextIO


@dataclass(frozen=True, slots=True)
class Expected:
    """One expected quantity of a case.

    `value` is the published figure (a number, a list of numbers, text or a truth value), `printed` how the
    source prints it (empty: no printed figure, computed for this collection). The tolerance allows for the
    rounding of the print: absolute, relative, or `exact`. `recomputed` is the figure at full precision, None
    where it cannot be recomputed.
    """

    name: str
    value: Any
    printed: str
    tol_abs: float | None
    tol_rel: float | None
    exact: bool
    recomputed: Any

    def accepts(self, found: object) -> bool:
        """True where `found` (nested as `value`; arrays are taken as lists) is within the tolerance."""
        return _accepts(self.value, _plain(found), self.tol_abs, self.tol_rel, self.exact)


@dataclass(frozen=True, slots=True)
class Case:
    """One case. `inputs` are inline values, or `file` names a table for `open_data` or `read_columns`."""

    id: str
    kind: str
    title: str
    inputs: Mapping[str, Any]
    expected: Mapping[str, Expected]
    source: str
    how_obtained: str
    data_how_obtained: str
    certainty: str
    notes: str

    @property
    def from_memory(self) -> bool:
        """True where the expected figures were recalled, not read."""
        return self.how_obtained.startswith("from memory")


@lru_cache(maxsize=1)
def load_cases() -> tuple[Case, ...]:
    """All packaged cases in the order of the file."""
    text = files(__name__).joinpath("cases.json").read_text(encoding="utf-8")
    return tuple(_case(entry) for entry in json.loads(text))


def case(case_id: str) -> Case:
    """The case of that id. Raises KeyError for an unknown id."""
    for found in load_cases():
        if found.id == case_id:
            return found
    raise KeyError(case_id)


def open_data(name: str) -> TextIO:
    """A packaged table as text, e.g. 'data/nist_gear.csv' or 'constants.csv'. The caller closes it."""
    bare = name.removeprefix("data/")
    place = files(__name__)
    path = place.joinpath("constants.csv") if bare == "constants.csv" else place.joinpath("data", bare)
    return StringIO(path.read_text(encoding="utf-8"))


def read_columns(name: str) -> dict[str, list[Any]]:
    """A packaged table as columns by header; a column of numbers becomes floats, any other stays text."""
    with open_data(name) as handle:
        rows = list(csv.reader(handle))
    return {header: _numbers([row[index] for row in rows[1:] if row]) for index, header in enumerate(rows[0])}


def sources_text() -> str:
    """The note on how far each source was really read."""
    return files(__name__).joinpath("SOURCES.md").read_text(encoding="utf-8")


def _case(entry: dict[str, Any]) -> Case:
    source = entry["source"]
    parts = (source.get(key, "") for key in ("title", "section", "publisher", "year", "address"))
    return Case(
        id=entry["id"],
        kind=entry["kind"],
        title=entry["title"],
        inputs=entry["inputs"],
        expected={name: _expected(name, item) for name, item in entry["expected"].items()},
        source=", ".join(part for part in parts if part),
        how_obtained=entry["how_obtained"],
        data_how_obtained=entry.get("data_how_obtained", ""),
        certainty=entry.get("certainty", ""),
        notes=entry.get("notes", ""),
    )


def _expected(name: str, item: dict[str, Any]) -> Expected:
    return Expected(
        name=name,
        value=item["value"],
        printed=item["printed"],
        tol_abs=item.get("tol_abs"),
        tol_rel=item.get("tol_rel"),
        exact=item.get("match") == "exact",
        recomputed=item.get("recomputed"),
    )


def _numbers(cells: list[str]) -> list[Any]:
    try:
        return [float(cell) for cell in cells]
    except ValueError:
        return list(cells)


def _plain(found: object) -> object:
    """Arrays and array scalars as lists and numbers, tuples as lists."""
    if hasattr(found, "tolist"):
        return found.tolist()
    if isinstance(found, Iterable) and not isinstance(found, str):
        return [_plain(item) for item in found]
    return found


def _accepts(value: Any, found: Any, tol_abs: float | None, tol_rel: float | None, exact: bool) -> bool:
    if isinstance(value, list):
        if not isinstance(found, list) or len(found) != len(value):
            return False
        return all(_accepts(v, f, tol_abs, tol_rel, exact) for v, f in zip(value, found, strict=True))
    if exact:
        return bool(value == found)
    if not math.isfinite(found):
        return False
    allowed = max(tol_abs or 0.0, (tol_rel or 0.0) * abs(value))
    return bool(abs(found - value) <= allowed)
