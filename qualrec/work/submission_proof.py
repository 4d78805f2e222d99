"""What stands beside readings and figures in a workbook: studies, control plans, changes, notices, concessions, signatures."""

from __future__ import annotations

import json
from collections.abc import Collection, Iterable, Mapping
from types import MappingProxyType
from typing import Any

from qualrec.export.pack import (
    ChangeView,
    ConcessionView,
    NoticeView,
    PlanView,
    Proof,
    SignatureView,
    StudyView,
    TemporaryView,
)
from qualrec.records import lookups
from qualrec.records.lookups import ControlPlan, PlanRow, Study
from qualrec.values import Characteristic, Customer, Limits, Lot, Part, RecipeRevision
from qualrec.work.signed import standing

Conn = Any
"""A connection of `Store.read()`."""
SPECIFIED = ("unit", "lsl", "usl", "target", "method", "special_class", "samples", "index_requirement")
"""Fields of a characteristic whose change is told."""
PEOPLE = ("person", "appraiser", "inspector")
"""Factors of a study that name who did a run."""
HEADER = {
    "level": "part level",
    "organisation": "organisation",
    "supplier_code": "supplier code",
    "team": "team",
    "contact": "contact",
}
"""Heads of a control plan that are named otherwise than their key."""


def proof_of(
    conn: Conn,
    part: Part,
    *,
    gauge_ids: Collection[int],
    lots: Iterable[Lot],
    recipes: Iterable[RecipeRevision],
    limits: Iterable[Limits],
    customer: Customer | None,
    signatures: bool = True,
) -> Proof:
    """All of it for one part. `gauge_ids`: gauges that the readings name; their studies belong to the part as well."""
    plans = [p for p in lookups.control_plans(conn, part.number) if p.state != "draft"]
    characteristics = lookups.characteristics(conn, part.number)
    notices = lookups.notice_steps(conn, part=part.number)
    kept, recipes = tuple(limits), tuple(recipes)
    kinds = dict.fromkeys(n.kind for n in notices)
    rules = customer.notices if customer is not None else {}
    return Proof(
        studies=studies_of(conn, part, gauge_ids),
        plans=tuple(_plan(p) for p in plans if p.until_us is None),
        changes=_changes(conn, part, characteristics, recipes, kept, plans),
        temporary=tuple(
            TemporaryView(t.from_us, t.until_us, t.state, t.what, t.extra_checks)
            for t in lookups.temporary_changes(conn, part_id=part.id)
        ),
        notices=tuple(
            NoticeView(n.notice, n.kind, n.what, n.begun_us, n.step, n.done_us, n.remark) for n in notices
        ),
        notice_rules=tuple((kind, rules[kind]) for kind in kinds if kind in rules),
        concessions=tuple(
            ConcessionView(
                c.reference,
                c.lot_number,
                c.quantity,
                c.used,
                c.until_us,
                c.reason,
                c.signature_id is not None,
            )
            for c in reversed(lookups.concessions(conn))
            if c.part_number == part.number
        ),
        signatures=_signatures(conn, {*(lot.id for lot in lots)}, recipes, kept, plans) if signatures else (),
    )


def studies_of(conn: Conn, part: Part, gauge_ids: Collection[int]) -> tuple[StudyView, ...]:
    """Analysed studies of the part and of the gauges, oldest first."""
    found = [
        s
        for s in reversed(lookups.studies(conn, state="analysed"))
        if s.part_id == part.id or (s.part_id is None and s.gauge_id in gauge_ids)
    ]
    gauges = {g.id: g.code for g in lookups.gauges(conn)}
    return tuple(_study(conn, s, gauges) for s in found)


def _study(conn: Conn, s: Study, gauges: Mapping[int, str]) -> StudyView:
    runs = lookups.study_runs(conn, s.id)
    letters = people_letters(r.factors for r in runs)
    code = "" if s.characteristic_id is None else lookups.characteristic_by_id(conn, s.characteristic_id).code
    return StudyView(
        number=s.number,
        kind=s.kind,
        title=s.title,
        gauge=gauges.get(s.gauge_id, "") if s.gauge_id is not None else "",
        characteristic=code,
        done_us=s.done_us,
        verdict=s.verdict,
        method=" ".join(x for x in (s.method, *_said(s.analysis)) if x),
        figures=tuple(_worked(s.analysis) if "lines" in s.analysis else figures_of(s.analysis)),
        runs=tuple((r.position, factors_text(r.factors, letters), r.value, r.mode) for r in runs),
    )


def _said(analysis: Mapping[str, Any]) -> list[str]:
    """Conventions and remarks that a stored analysis printed with its figures."""
    return [str(x) for key in ("conventions", "notes") for x in analysis.get(key, ())]


def _worked(analysis: Mapping[str, Any]) -> Iterable[tuple[str, str | float]]:
    """The lines and tables of a stored analysis as it printed them: label and figure."""
    for label, shown, *_ in analysis["lines"]:
        if label:
            yield str(label), _number(str(shown))
    for title, heads, rows in analysis.get("blocks", ()):
        for row in rows:
            cells = (f"{head} {cell}" for head, cell in zip(heads[1:], row[1:], strict=False) if cell != "")
            yield f"{title}: {row[0]}".removeprefix(": "), ", ".join(cells)


def _number(shown: str) -> str | float:
    """A printed figure as a number; anything else as it is."""
    try:
        return float(shown)
    except ValueError:
        return shown


def figures_of(analysis: Mapping[str, Any], before: str = "") -> Iterable[tuple[str, str | float]]:
    """Figures of a stored analysis by name; what lies deeper is named by its path, long lists are told by their length."""
    for key, value in analysis.items():
        name = f"{before}{key}".replace("_", " ")
        if isinstance(value, Mapping):
            yield from figures_of(value, f"{name}: ")
        elif isinstance(value, bool):
            yield name, "yes" if value else "no"
        elif isinstance(value, int | float):
            yield name, float(value)
        elif isinstance(value, str) and value:
            yield name, value
        elif isinstance(value, list) and value:
            yield from _items(name, value)


def _items(name: str, items: list[Any]) -> Iterable[tuple[str, str | float]]:
    if all(isinstance(item, Mapping) for item in items):
        for at, item in enumerate(items, 1):
            yield from figures_of(item, f"{name} {item.get('name', at)}: ")
    else:
        yield name, ", ".join(f"{item:g}" if isinstance(item, float) else str(item) for item in items)


def people_letters(runs: Iterable[Mapping[str, Any]]) -> dict[str, str]:
    """A letter for each person of a study, in the order of their first run: the customer sees no badge."""
    people = dict.fromkeys(str(factors[key]) for factors in runs for key in PEOPLE if key in factors)
    return {name: chr(ord("A") + at) if at < 26 else f"P{at + 1}" for at, name in enumerate(people)}


def factors_text(factors: Mapping[str, Any], letters: Mapping[str, str] = MappingProxyType({})) -> str:
    """Factors of a run, as 'part 3, person A'; people by their letters."""
    shown = {key: letters.get(str(v), v) if key in PEOPLE else v for key, v in factors.items()}
    return ", ".join(
        f"{key.replace('_', ' ')} {value if isinstance(value, str | int | float) else json.dumps(value)}"
        for key, value in shown.items()
    )


def _plan(plan: ControlPlan) -> PlanView:
    return PlanView(
        number=plan.number,
        phase=plan.phase,
        revision=plan.revision,
        state=plan.state,
        valid_from_us=plan.valid_from_us,
        header=tuple(
            (HEADER.get(key, key.replace("_", " ")), str(text)) for key, text in plan.header.items() if text
        ),
        rows=tuple(_plan_row(row) for row in plan.rows),
    )


def _plan_row(row: PlanRow) -> tuple[str, ...]:
    product, process = (row.name, "") if row.product else ("", row.name)
    special = " ".join(x for x in (row.special_class, row.symbol) if x)
    return (
        row.process_number, row.process_step, row.machine, row.code, product, process, special, row.specification,
        row.technique, row.sample_size, row.frequency, row.control_method, row.reaction_plan, row.owner,
    )  # fmt: skip


def _changes(
    conn: Conn,
    part: Part,
    characteristics: Iterable[Characteristic],
    recipes: Iterable[RecipeRevision],
    limits: Iterable[Limits],
    plans: Iterable[ControlPlan],
) -> tuple[ChangeView, ...]:
    """Every change of what the part is, how it is made and how it is judged, oldest first."""
    codes = {c.id: c.code for c in characteristics}
    found = [
        ChangeView(r.valid_from_us, "drawing", r.drawing, r.revision, r.change)
        for r in lookups.part_revisions(conn, part.id)
    ]
    for c in characteristics:
        before: Characteristic | None = None
        for revision in lookups.revisions_of(conn, c.id):
            text = difference(before, revision) if before is not None else "first revision"
            found.append(
                ChangeView(revision.valid_from_us, "characteristic", c.code, str(revision.revision), text)
            )
            before = revision
    found += [
        ChangeView(
            r.valid_from_us or r.created_us, "recipe", r.code, str(r.revision), f"{r.reason} ({r.state})"
        )
        for r in recipes
        if r.state != "draft"
    ]
    found += [
        ChangeView(
            one.from_us, "control limits", codes.get(one.characteristic_id, ""), str(one.version), one.reason
        )
        for one in limits
        if one.state != "trial"
    ]
    found += [
        ChangeView(p.valid_from_us, "control plan", f"{p.number} {p.phase}", str(p.revision), p.reason)
        for p in plans
    ]
    return tuple(sorted(found, key=lambda c: c.at_us or 0))


def difference(before: Characteristic, after: Characteristic) -> str:
    """What a revision of a characteristic changed, as 'lsl 350 to 360'."""
    parts = []
    for name in SPECIFIED:
        was, now = getattr(before, name), getattr(after, name)
        if was != now:
            shown = (
                "none" if x is None else f"{x:g}" if isinstance(x, float) else str(x) for x in (was, now)
            )
            parts.append(f"{name.replace('_', ' ')} {' to '.join(shown)}")
    return "; ".join(parts) or "sampling, control or reaction plan"


def _signatures(
    conn: Conn,
    lot_ids: Collection[int],
    recipes: Iterable[RecipeRevision],
    limits: Iterable[Limits],
    plans: Iterable[ControlPlan],
) -> tuple[SignatureView, ...]:
    """Signatures under what the pack shows, oldest first."""
    wanted = {
        "lot": set(lot_ids),
        "recipe revision": {r.id for r in recipes},
        "limits": {one.id for one in limits},
        "control plan": {p.id for p in plans},
    }
    functions = {p.id: ", ".join(sorted(p.roles)) for p in lookups.persons(conn)}
    found = []
    for signature in lookups.all_signatures(conn):
        if signature.what_id not in wanted.get(signature.what_kind, ()):
            continue
        held = standing(conn, signature)
        function = functions.get(signature.person_id, "")
        found.append(
            SignatureView(
                held.what,
                signature.meaning,
                function,
                signature.at_us,
                held.covers,
                signature.reason,
                signature.digest,
            )
        )
    return tuple(found)
