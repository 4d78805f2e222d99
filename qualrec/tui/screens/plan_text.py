"""Control plans in lines: parts with their revisions, one plan as it is read, and what changed from another."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from qualrec.tui.labels import Label, Tone
from qualrec.tui.widgets.pick_list import PickLine, Text
from qualrec.tui.widgets.record_table import Cell

if TYPE_CHECKING:
    from qualrec.records.lookups import ControlPlan, PlanRow
    from qualrec.work.control_plan import PlanPage
    from qualrec.work.plan_difference import Change
    from qualrec.work.session import Session

IN_FORCE = Label("✓", "+", "in force", Tone.GOOD)
STATES = {
    "draft": Label("»", ">", "draft", Tone.LOOK),
    "approved": Label("·", "-", "approved", Tone.QUIET),
    "superseded": Label("·", "-", "superseded", Tone.QUIET),
}


@dataclass(frozen=True, slots=True)
class SeenPlans:
    """What was read: parts by number with name, their plans, the moment of reading."""

    session: Session
    parts: tuple[tuple[str, str], ...]
    plans: tuple[ControlPlan, ...]
    now_us: int

    def plan(self, key: str) -> ControlPlan | None:
        return next((p for p in self.plans if key == f"plan:{p.id}"), None)

    def part_of(self, key: str) -> str:
        """The part number of a line: of the plan, or of a part without one."""
        plan = self.plan(key)
        return plan.part_number if plan is not None else key.partition("part:")[2]

    def before(self, plan: ControlPlan) -> ControlPlan | None:
        """The plan that came before it of the same part."""
        earlier = [p for p in self.plans if p.part_number == plan.part_number and p.id < plan.id]
        return earlier[-1] if earlier else None


def label_of(plan: ControlPlan, now_us: int) -> Label:
    return IN_FORCE if plan.in_force_at(now_us) else STATES[plan.state]


def list_lines(seen: SeenPlans, marked: int | None) -> list[PickLine]:
    """Parts with their plans, newest first. `marked`: the one compared with."""
    lines: list[PickLine] = []
    for number, name in seen.parts:
        own = [p for p in seen.plans if p.part_number == number]
        if not own:
            told: tuple[Text, ...] = (
                "No control plan: the characteristics' own sampling holds.",
                "New draft makes one from the characteristics of the part.",
            )
            lines.append(
                PickLine(f"part:{number}", (f"{number}   {name}   ", Cell("no plan", Tone.LOOK)), told)
            )
            continue
        lines.append(PickLine("", (f"{number}   {name}",)))
        for plan in reversed(own):
            label = label_of(plan, seen.now_us)
            since = "" if plan.state == "draft" else seen.session.moment(plan.valid_from_us)[:10]
            mark = Cell("  compared with", Tone.LOOK) if plan.id == marked else ""
            parts = (
                f"  {plan.phase:<11} rev {plan.revision:<2} ",
                Cell(label.text().ljust(12), label.tone),
                f" {since:<10}  {plan.number}",
                mark,
            )
            lines.append(PickLine(f"plan:{plan.id}", parts))
    return lines


def plan_detail(
    page: PlanPage,
    head: Sequence[tuple[str, str]],
    now_us: int,
    base: ControlPlan | None,
    changes: Sequence[Change],
) -> list[Text]:
    """A plan: state, what stands in its way, differences from `base`, head, rows."""
    plan, label = page.plan, label_of(page.plan, now_us)
    lines: list[Text] = [Cell(f"{label.text()}  {plan.label}", label.tone)]
    lines += [Cell(f"Before it can be approved: {text}", Tone.BAD) for text in page.obstacles]
    lines += [Cell(f"Revised since it became valid: {text}", Tone.LOOK) for text in page.revised]
    lines += [f"{name}: {value}" for name, value in head]
    if base is not None:
        lines += ["", f"From {base.label}:", *(change_words(change) for change in changes)]
        if not changes:
            lines.append("  no difference")
    for row in plan.rows:
        lines += ["", *row_lines(row)]
    return lines


def change_words(change: Change) -> Text:
    """One difference in a line."""
    if change.kind == "added":
        return Cell(f"  + {change.where}", Tone.GOOD)
    if change.kind == "removed":
        return Cell(f"  - {change.where}", Tone.LOOK)
    name = change.field.replace("_", " ")
    return f"  * {change.where}, {name}: {change.before or 'empty'} → {change.after or 'empty'}"


def row_lines(row: PlanRow) -> list[Text]:
    """A row: what, how much, how often, what then."""
    special = "" if row.special_class == "standard" else f"   {row.special_class} {row.symbol}".rstrip()
    lines: list[Text] = [
        Cell(
            f"{row.process_number} {row.process_step}: {row.code} {row.name}{special}",
            Tone.LOOK if special else None,
        )
    ]
    if row.specification:
        lines.append(f"   {row.specification}")
    how = ", ".join(x for x in (row.technique, row.machine) if x)
    if how:
        lines.append(f"   measured by: {how}")
    if row.sample_size or row.frequency:
        owed = "   (owed by every lot)" if row.product and row.sampling is not None else ""
        lines.append(f"   sample: {row.sample_size or '-'}, {row.frequency or '-'}{owed}")
    if row.control_method:
        lines.append(f"   control: {row.control_method}")
    if row.steps:
        owner = f" ({row.owner})" if row.owner else ""
        lines.append(f"   reaction{owner}:")
        lines += [f"     {at}. {step}" for at, step in enumerate(row.steps, 1)]
    return lines
