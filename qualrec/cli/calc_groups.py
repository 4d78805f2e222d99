"""Subgroups for `qualrec calc`: by a column, by a fixed size, or one row of several columns each."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from qualrec.cli.calc_input import Source, figures_in, groups_of
from qualrec.errors import UsageError


@dataclass(frozen=True, slots=True)
class Subgrouped:
    """Values in order, and as rows of subgroups with their names; `grouped` is False where nothing divides them."""

    values: list[float]
    rows: list[list[float]]
    names: list[str]
    grouped: bool

    @property
    def k(self) -> int:
        return len(self.rows)


def subgroups_of(
    source: Source, by: str | None, size: int | None, *, groups: Sequence[str] = (), whole: bool = True
) -> Subgrouped:
    """Read values and divide them: `by` a column, `size` values in order, several columns, or typed `groups`.

    Raises UsageError where two divisions are asked for, or the count is no multiple of `size` while `whole`.
    """
    if groups:
        return _typed(groups)
    source.need()
    if (by is not None) + (size is not None) + (len(source.columns) > 1) > 1:
        raise UsageError(
            "Subgroups are asked for in two ways.", "Use one of --by, --size and several --column."
        )
    if len(source.columns) > 1:
        figures, _ = source.table(source.columns, gaps=True)
        rows = [[v for v in row if not math.isnan(v)] for row in zip(*figures.values(), strict=True)]
        names = [str(i + 1) for i in range(len(rows))]
        return Subgrouped([v for row in rows for v in row], rows, names, True)
    if by is not None:
        figures, texts = source.table(source.columns or [""], [by])
        found = groups_of(next(iter(figures.values())), next(iter(texts.values())))
        return Subgrouped([v for r in found.values() for v in r], list(found.values()), list(found), True)
    values = source.one()
    if size is None:
        return Subgrouped(values, [values], ["all"], False)
    if size < 1 or (whole and len(values) % size):
        raise UsageError(
            f"{len(values)} values cannot be divided into subgroups of {size}.",
            "Check --size and the values.",
        )
    rows = [values[i : i + size] for i in range(0, len(values), size)]
    return Subgrouped(values, rows, [str(i + 1) for i in range(len(rows))], True)


def _typed(groups: Sequence[str]) -> Subgrouped:
    """Groups typed as 'NAME=1.2 1.3' or '1.2 1.3'."""
    rows, names = [], []
    for i, text in enumerate(groups):
        name, sign, figures = text.partition("=")
        names.append(name.strip() if sign else str(i + 1))
        rows.append(figures_in(figures if sign else text))
    return Subgrouped([v for row in rows for v in row], rows, names, True)
