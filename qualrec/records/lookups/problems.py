"""Problem reports: their steps by discipline, what they are linked to, and the evidence filed with them."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from sqlalchemy import Connection, Row, select

from qualrec.records.lookups.base import find, rows_for, table
from qualrec.records.lookups.flags import flag

DISCIPLINE_DAYS: Mapping[str, int] = MappingProxyType(
    {"D0": 1, "D1": 2, "D2": 3, "D3": 1, "D4": 10, "D5": 20, "D6": 40, "D7": 50, "D8": 60}
)
"""Disciplines with the days after opening proposed for each. Containment within a day, causes within 5 to 10 days and closing
within 30 to 60 days are common practice, no source; the others lie between. Each can be set anew."""
LINK_TABLES: Mapping[str, tuple[str, str]] = MappingProxyType(
    {
        "lot": ("lot", "number"),
        "moulding lot": ("moulding_lot", "number"),
        "gauge": ("gauge", "code"),
        "flag": ("flag", "kind"),
    }
)
"""What a report may be linked to: table and the column that names it."""
CLOSING = "closing"
"""Under this key the steps hold what was said when the report was closed."""
ATTACHED = "problem_report"
"""Kind of record that evidence belongs to, as stored."""


@dataclass(frozen=True, slots=True)
class StepEntry:
    """One thing written under a discipline; nothing written is ever changed."""

    text: str
    at_us: int
    person: str


@dataclass(frozen=True, slots=True)
class ProblemStep:
    """A discipline of a report."""

    code: str
    due_us: int | None
    owner: str
    done_us: int | None
    done_by: str
    entries: tuple[StepEntry, ...]

    def overdue(self, now_us: int) -> bool:
        return self.done_us is None and self.due_us is not None and self.due_us < now_us


@dataclass(frozen=True, slots=True)
class ProblemLink:
    """`name`: how people call it; `says`: what the records say of it now."""

    kind: str
    id: int
    name: str
    says: str


@dataclass(frozen=True, slots=True)
class Evidence:
    """A file kept elsewhere, by name, place and the digest it had when it was filed."""

    id: int
    name: str
    digest: str
    place: str
    at_us: int
    person: str


@dataclass(frozen=True, slots=True)
class ProblemReport:
    id: int
    number: str
    title: str
    part: str
    state: str
    opened_us: int
    due_us: int | None
    steps: tuple[ProblemStep, ...]
    links: tuple[ProblemLink, ...]
    evidence: tuple[Evidence, ...]
    closed: StepEntry | None
    """What was reached, when and by whom; None while it is open."""

    def overdue(self, now_us: int) -> tuple[str, ...]:
        """Codes of the disciplines that are past their day; none of a closed report."""
        return tuple(s.code for s in self.steps if s.overdue(now_us)) if self.state == "open" else ()

    @property
    def next_step(self) -> ProblemStep | None:
        """The first discipline that is not done."""
        return next((s for s in self.steps if s.done_us is None), None) if self.state == "open" else None


def problem(conn: Connection, number: str, *, plant_id: int | None = None) -> ProblemReport:
    """A report by number. Raises UnknownRecord with near numbers."""
    remedy = "'qualrec problem list' lists them."
    row = find(
        conn, "problem_report", "number", number, what="problem report", remedy=remedy, plant_id=plant_id
    )
    return _problems(conn, [row])[0]


def problems(
    conn: Connection, *, state: str | None = None, lot_id: int | None = None
) -> tuple[ProblemReport, ...]:
    """Reports, open ones first, then by the day they are due. `lot_id`: those linked to a lot or to one of its flags."""
    p = table("problem_report")
    asked = select(p).order_by(p.c.state.desc(), p.c.due_us, p.c.id)
    if state is not None:
        asked = asked.where(p.c.state == state)
    rows = list(conn.execute(asked))
    if lot_id is not None:
        f = table("flag")
        flags = set(conn.execute(select(f.c.id).where(f.c.lot_id == lot_id)).scalars())
        wanted = {("lot", lot_id), *(("flag", one) for one in flags)}
        rows = [r for r in rows if any((k["kind"], k["id"]) in wanted for k in json.loads(r.links))]
    return _problems(conn, rows)


def problem_numbers(conn: Connection, plant_id: int) -> tuple[str, ...]:
    """The numbers of all reports of a plant."""
    p = table("problem_report")
    return tuple(conn.execute(select(p.c.number).where(p.c.plant_id == plant_id)).scalars())


def _problems(conn: Connection, rows: Sequence[Row[Any]]) -> tuple[ProblemReport, ...]:
    parts = _named(conn, "part", "number", [r.part_id for r in rows if r.part_id])
    steps = {r.id: json.loads(r.steps) for r in rows}
    links = {r.id: json.loads(r.links) for r in rows}
    people = _named(conn, "person", "name", {i for held in steps.values() for i in _persons(held)})
    names = _link_names(conn, [link for held in links.values() for link in held])
    evidence = _evidence(conn, [r.id for r in rows])
    return tuple(
        ProblemReport(
            id=r.id,
            number=r.number,
            title=r.title,
            part=parts.get(r.part_id, ""),
            state=r.state,
            opened_us=r.opened_us,
            due_us=r.due_us,
            steps=tuple(_step(code, steps[r.id].get(code, {}), people) for code in DISCIPLINE_DAYS),
            links=tuple(ProblemLink(k["kind"], k["id"], *names[k["kind"], k["id"]]) for k in links[r.id]),
            evidence=evidence.get(r.id, ()),
            closed=next(iter(_entries(steps[r.id].get(CLOSING, {}), people)), None),
        )
        for r in rows
    )


def _persons(steps: Mapping[str, Any]) -> Iterable[int]:
    for step in steps.values():
        yield from (i for i in (step.get("owner_id"), step.get("done_by_id")) if i is not None)
        yield from (e["person_id"] for e in step.get("entries", ()) if e["person_id"] is not None)


def _step(code: str, held: Mapping[str, Any], people: Mapping[int, str]) -> ProblemStep:
    return ProblemStep(
        code=code,
        due_us=held.get("due_us"),
        owner=people.get(held.get("owner_id") or 0, ""),
        done_us=held.get("done_us"),
        done_by=people.get(held.get("done_by_id") or 0, ""),
        entries=_entries(held, people),
    )


def _entries(held: Mapping[str, Any], people: Mapping[int, str]) -> tuple[StepEntry, ...]:
    return tuple(
        StepEntry(e["text"], e["at_us"], people.get(e["person_id"] or 0, "")) for e in held.get("entries", ())
    )


def _named(conn: Connection, table_name: str, column: str, ids: Iterable[int]) -> dict[int, str]:
    t = table(table_name)
    return {
        row.id: row.name for row in rows_for(conn, select(t.c.id, t.c[column].label("name")), t.c.id, ids)
    }


def _link_names(
    conn: Connection, links: Sequence[Mapping[str, Any]]
) -> dict[tuple[str, int], tuple[str, str]]:
    """Name of each linked record, and what the records say of it."""
    found: dict[tuple[str, int], tuple[str, str]] = {}
    for kind, (table_name, column) in LINK_TABLES.items():
        ids = {link["id"] for link in links if link["kind"] == kind}
        if kind == "flag":
            for one in sorted(ids):
                held = flag(conn, one)
                where = held.lot_number or held.moulding_lot or held.part_number
                said = "; ".join(f.sentence for f in held.findings[:1])
                found[kind, one] = f"{held.kind}, {where}", f"{held.level}, {held.state}: {said}"
            continue
        t = table(table_name)
        asked = select(t.c.id, t.c[column].label("name"), t.c.state)
        for row in rows_for(conn, asked, t.c.id, ids):
            found[kind, row.id] = row.name, row.state
    return found


def _evidence(conn: Connection, ids: Sequence[int]) -> dict[int, tuple[Evidence, ...]]:
    a, p = table("attachment"), table("person")
    asked = (
        select(a, p.c.name.label("person"))
        .outerjoin(p, p.c.id == a.c.person_id)
        .where(a.c.what_kind == ATTACHED)
        .order_by(a.c.at_us, a.c.id)
    )
    found: dict[int, list[Evidence]] = {}
    for row in rows_for(conn, asked, a.c.what_id, ids):
        found.setdefault(row.what_id, []).append(
            Evidence(row.id, row.name, row.digest, row.place, row.at_us, row.person or "")
        )
    return {key: tuple(held) for key, held in found.items()}
