"""What changes from one control plan to another."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Any

from qualrec.judge.control_plan import HEADER
from qualrec.records.lookups import ControlPlan, PlanRow


@dataclass(frozen=True, slots=True)
class Change:
    """One difference between two plans. `kind`: added, removed, changed. `where`: the row by its characteristic, or 'head'."""

    kind: str
    where: str
    field: str
    before: str
    after: str


def difference(before: ControlPlan, after: ControlPlan) -> tuple[Change, ...]:
    """What changes from one plan to another: the head, rows added, removed, and fields of rows by their characteristic."""
    found = [
        Change("changed", "head", name, before.header.get(name, ""), after.header.get(name, ""))
        for name in HEADER
        if before.header.get(name, "") != after.header.get(name, "")
    ]
    found += [
        Change("changed", "head", name, str(getattr(before, name)), str(getattr(after, name)))
        for name in ("number", "phase")
        if getattr(before, name) != getattr(after, name)
    ]
    old, new = _by_key(before), _by_key(after)
    found += [Change("removed", _where(row), "", "", "") for key, row in old.items() if key not in new]
    found += [Change("added", _where(row), "", "", "") for key, row in new.items() if key not in old]
    for key, row in new.items():
        if key in old:
            found += _fields(old[key], row)
    return tuple(found)


def _by_key(plan: ControlPlan) -> dict[tuple[Any, ...], PlanRow]:
    """Rows by characteristic, told apart by their number where it stands in several."""
    found: dict[tuple[Any, ...], PlanRow] = {}
    for row in plan.rows:
        key: tuple[Any, ...] = (row.characteristic_id or row.name,)
        at = sum(1 for k in found if k[0] == key[0])
        found[(*key, at)] = row
    return found


def _fields(before: PlanRow, after: PlanRow) -> list[Change]:
    return [
        Change("changed", _where(after), f.name, str(getattr(before, f.name)), str(getattr(after, f.name)))
        for f in fields(PlanRow)
        if f.name not in ("position", "characteristic_id")
        and getattr(before, f.name) != getattr(after, f.name)
    ]


def _where(row: PlanRow) -> str:
    return f"{row.code} {row.name}".strip()
