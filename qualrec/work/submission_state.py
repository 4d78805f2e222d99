"""The state of the 18 elements of a submission, judged from what the records hold. Loads nothing."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from qualrec.export.messages import Words
from qualrec.export.pack import KEPT, MISSING, REFERENCED, SUPPLIED, CharacteristicSheet, Element
from qualrec.export.submission_elements import AGREED, ELEMENTS, requirement
from qualrec.values import Gauge, Part

DECLARATION = 18
NOT_ASKED = "-"
"""Requirement of an element that is not on the agreed list."""
LENGTH_UNITS = ("mm", "µm", "um", "m", "cm", "in")


@dataclass(frozen=True, slots=True)
class Held:
    """What the states are judged from.

    `studies`: numbers of analysed studies of gauges and judges; `plans`: approved control plans in force; `concessions`: their
    references. `filled`: a declaration is filled in; `signed`: it is signed. `by_hand`: element number -> what a person set.
    """

    part: Part
    sheets: Sequence[CharacteristicSheet]
    recipes: int
    gauges: Sequence[Gauge]
    studies: Sequence[str]
    now_us: int
    plans: Sequence[str] = ()
    concessions: Sequence[str] = ()
    filled: bool = False
    signed: bool = False
    by_hand: Mapping[int, Mapping[str, Any]] = field(default_factory=dict)
    asked: Collection[int] = ()
    unstudied: Sequence[str] = ()
    """Codes of special characteristics whose gauge study is missing."""


Answer = tuple[str, str]
"""State as it would be for an element that is submitted, and a note."""


def element_states(level: str, held: Held, words: Words) -> tuple[Element, ...]:
    """All 18 elements. What a level only asks to be kept is 'kept', not 'supplied'; nothing is claimed that is not held.

    What the records hold wins; where they hold nothing, a state set by hand counts with its reason.
    """
    judges = _judges(held, words)
    found = []
    for number, row in ELEMENTS.items():
        asked = requirement(number, level)
        if level == AGREED and held.asked:
            asked = "S" if number in held.asked else NOT_ASKED
        state, note = judges[row.key]() if row.key in judges else (MISSING, words("n.not_recorded"))
        if state == SUPPLIED and asked == "R":
            state, note = KEPT, f"{note} {words('n.kept')}".strip()
        if state == MISSING and number in held.by_hand:
            state = str(held.by_hand[number]["state"])
            note = words("n.by_hand").format(reason=held.by_hand[number]["reason"])
        if asked == NOT_ASKED:
            note = f"{note} {words('n.not_agreed')}".strip()
        found.append(Element(number, asked, state, row.families, note))
    return tuple(found)


def may_be_set(number: int) -> tuple[str, ...]:
    """States that a person may set for an element: none for the declaration, which is signed; what the workbook holds
    itself cannot be called supplied by hand."""
    if number == DECLARATION:
        return ()
    return (REFERENCED, KEPT, MISSING) if ELEMENTS[number].families else (SUPPLIED, REFERENCED, KEPT, MISSING)


def _judges(held: Held, words: Words) -> dict[str, Callable[[], Answer]]:
    return {
        "drawing": lambda: _drawing(held, words),
        "changes": lambda: _changes(held, words),
        "customer approval": lambda: _approval(held, words),
        "control plan": lambda: _plan(held, words),
        "measurement studies": lambda: _studies(held, words),
        "dimensions": lambda: _results(held, words, dimensions=True),
        "tests": lambda: _results(held, words, dimensions=False),
        "process studies": lambda: _process(held, words),
        "laboratory": lambda: _laboratory(held, words),
        "sample parts": lambda: (MISSING, words("n.sample_parts")),
        "checking aids": lambda: _aids(held, words),
        "declaration": lambda: _declaration(held, words),
    }


def _approval(held: Held, words: Words) -> Answer:
    if not held.concessions:
        return MISSING, words("n.not_recorded")
    return MISSING, words("n.concessions").format(names=", ".join(held.concessions))


def _plan(held: Held, words: Words) -> Answer:
    if not held.plans:
        return MISSING, words("n.control_plan")
    return SUPPLIED, words("n.plan_approved").format(names="; ".join(held.plans))


def _declaration(held: Held, words: Words) -> Answer:
    if held.signed:
        return SUPPLIED, words("n.signed")
    return MISSING, words("n.unsigned" if held.filled else "n.declaration")


def _drawing(held: Held, words: Words) -> Answer:
    part = held.part
    if not part.drawing:
        return MISSING, words("n.no_drawing")
    return REFERENCED, words("n.drawing").format(drawing=part.drawing, revision=part.revision)


def _changes(held: Held, words: Words) -> Answer:
    if not held.part.revision and not held.recipes:
        return MISSING, words("n.not_recorded")
    return SUPPLIED, words("n.changes").format(revision=held.part.revision, count=held.recipes)


def _studies(held: Held, words: Words) -> Answer:
    if not held.studies:
        return MISSING, words("n.no_studies")
    if held.unstudied:
        there = words("n.studies").format(names=", ".join(held.studies))
        return MISSING, f"{there} {words('n.unstudied').format(names=', '.join(held.unstudied))}"
    return SUPPLIED, words("n.studies").format(names=", ".join(held.studies))


def is_dimension(sheet: CharacteristicSheet) -> bool:
    """Whether a characteristic is a length, and so among the measured dimensions."""
    return sheet.characteristic.kind == "measured" and sheet.characteristic.unit in LENGTH_UNITS


def _results(held: Held, words: Words, *, dimensions: bool) -> Answer:
    chosen = [s for s in held.sheets if is_dimension(s) == dimensions]
    there = [s.characteristic.code for s in chosen if s.readings]
    gone = [s.characteristic.code for s in chosen if not s.readings]
    if not chosen:
        return MISSING, words("n.none_of_kind")
    notes = []
    if there:
        notes.append(words("n.with_data").format(names=", ".join(there)))
    if gone:
        notes.append(words("n.without_data").format(names=", ".join(gone)))
    return (SUPPLIED if there and not gone else MISSING), " ".join(notes)


def _process(held: Held, words: Words) -> Answer:
    judged = [s for s in held.sheets if s.figures is not None]
    if not judged:
        return MISSING, words("n.no_index")
    return SUPPLIED, words("n.verdicts").format(names="; ".join(_verdict(s, words) for s in judged))


def _verdict(sheet: CharacteristicSheet, words: Words) -> str:
    remark = f" ({words.word(sheet.remark)})" if sheet.remark else ""
    return f"{sheet.characteristic.code} {words.word(sheet.answer)}{remark}"


def _laboratory(held: Held, words: Words) -> Answer:
    if not held.gauges:
        return MISSING, words("n.no_gauges")
    overdue = [g.code for g in held.gauges if g.overdue_at(held.now_us)]
    good = [g.code for g in held.gauges if g.code not in overdue]
    notes = [
        words(key).format(names=", ".join(names))
        for key, names in (("n.gauges", good), ("n.overdue", overdue))
        if names
    ]
    return (MISSING if overdue else SUPPLIED), " ".join(notes)


def _aids(held: Held, words: Words) -> Answer:
    if not held.gauges:
        return MISSING, words("n.no_gauges")
    return SUPPLIED, ", ".join(g.code for g in held.gauges)


def missing_of(elements: Iterable[Element]) -> tuple[Element, ...]:
    """Elements that are asked for and not held."""
    return tuple(e for e in elements if e.state == MISSING and e.requirement != NOT_ASKED)
