"""People in lines: name, badge, standing, roles; below, what each may test and until when."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from qualrec.tui.labels import Label, Tone
from qualrec.tui.widgets.pick_list import PickLine, Text
from qualrec.tui.widgets.record_table import Cell

if TYPE_CHECKING:
    from qualrec.records.lookups import Person
    from qualrec.work.authorisations import Leave
    from qualrec.work.session import Session

ACTIVE = Label("✓", "+", "active", Tone.GOOD)
LOCKED = Label("!", "!", "LOCKED", Tone.BAD)
DISABLED = Label("×", "x", "disabled", Tone.QUIET)
LEAVES = {
    "holds": Label("✓", "+", "holds", Tone.GOOD),
    "ends soon": Label("»", ">", "ends soon", Tone.LOOK),
    "ended": Label("!", "!", "ended", Tone.BAD),
}


@dataclass(frozen=True, slots=True)
class SeenPeople:
    """What was read of the people of a plant."""

    session: Session
    people: tuple[Person, ...]
    leaves: tuple[Leave, ...]
    now_us: int

    def person(self, key: str) -> Person | None:
        return next((p for p in self.people if p.badge == key), None)

    def of(self, person: Person) -> list[Leave]:
        return [one for one in self.leaves if one.authorisation.person_id == person.id]


def label_of(person: Person, now_us: int) -> Label:
    if person.state != "active":
        return DISABLED
    locked = person.locked_until_us is not None and now_us < person.locked_until_us
    return LOCKED if locked else ACTIVE


def people_lines(seen: SeenPeople) -> list[PickLine]:
    """Active people first, then leavers; each with what its account lacks."""
    lines: list[PickLine] = []
    for title, state in (("At work", "active"), ("Left", "disabled")):
        rows = [p for p in seen.people if p.state == state]
        lines += [PickLine("", (title,))] if rows else []
        lines += [_line(seen, p) for p in rows]
    return lines


def _line(seen: SeenPeople, person: Person) -> PickLine:
    label = label_of(person, seen.now_us)
    lacking = seen.session.accounts and not (person.has_password or person.has_pin)
    parts: list[Text] = [
        f"  {person.badge:<8} ",
        Cell(label.text().ljust(11), label.tone),
        f" {person.name:<26} {', '.join(sorted(person.roles)) or 'no role'}",
    ]
    if lacking and person.state == "active":
        parts.append(Cell("  no password or PIN yet", Tone.LOOK))
    return PickLine(person.badge, parts, person_detail(seen, person))


def person_detail(seen: SeenPeople, person: Person) -> list[Text]:
    """Everything about a person's account and authorisations; never a password, PIN or hash."""
    label = label_of(person, seen.now_us)
    lines: list[Text] = [
        Cell(f"{label.text()}  {person.name}, badge {person.badge}", label.tone),
        f"roles: {', '.join(sorted(person.roles)) or 'none'}",
        f"signs on with: {person.signs_on_with}" + ("" if person.has_password else "; cannot sign"),
    ]
    if label is LOCKED:
        until = seen.session.moment(person.locked_until_us)
        lines.append(Cell(f"locked until {until} after failed sign-ons", Tone.BAD))
    lines += ["", "Authorised for:", *_leaves(seen, seen.of(person))]
    return lines


def _leaves(seen: SeenPeople, leaves: Sequence[Leave]) -> list[Text]:
    if not seen.leaves:
        return [Cell("  The plant keeps no authorisations, so nobody is asked for one.", Tone.QUIET)]
    if not leaves:
        return [Cell("  nothing: no reading may be logged", Tone.LOOK)]
    found: list[Text] = []
    for one in leaves:
        label = LEAVES[one.state]
        until = seen.session.moment(one.authorisation.until_us)
        end = f"until {until}" if until else "without an end"
        found.append(Cell(f"  {label.text():<12} {one.authorisation.test:<18} {end}", label.tone))
    return found
