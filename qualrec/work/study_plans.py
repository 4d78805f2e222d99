"""What a person wants of a study, and the plan that follows from it, from the gauge and from the characteristic."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from qualrec.errors import UsageError
from qualrec.intake.numbers import understand
from qualrec.judge.study_plan import StudyPlan
from qualrec.records import lookups
from qualrec.values import Characteristic, Gauge


@dataclass(frozen=True, slots=True)
class Wanted:
    """What a study is about, as a person says it. Without classes an agreement study takes the failure modes."""

    design: str
    title: str = ""
    number: str = ""
    gauge: str = ""
    part: str = ""
    code: str = ""
    parts: Sequence[str] = ()
    people: Sequence[str] = ()
    trials: int = 1
    occasions: Sequence[str] = ()
    seed: str = ""
    references: Mapping[str, str] | None = None
    classes: Sequence[str] = ()
    good: str = ""
    lsl: float | None = None
    usl: float | None = None
    against: str = ""
    printed_factors: tuple[float, float, float] | None = None
    pool_above: float = 0.05
    multiplier: float = 6.0
    level: float = 0.95


def plan_of(wanted: Wanted, number: str, gauge: Gauge | None, c: Characteristic | None) -> StudyPlan:
    unit = c.unit if c is not None else gauge.unit if gauge is not None else ""
    classes = tuple(wanted.classes)
    if wanted.design == "agreement":
        unit = ""
        if not classes and (c is None or c.strength):
            from qualrec.records.models.readings import MODES

            classes = tuple(m for m in MODES if m != "test fault")
    known = {
        name: text if wanted.design == "agreement" else understand(text, unit).value
        for name, text in (wanted.references or {}).items()
    }
    return StudyPlan(
        design=wanted.design,
        seed=wanted.seed.strip() or number,
        parts=tuple(wanted.parts),
        people=tuple(wanted.people),
        trials=wanted.trials,
        occasions=tuple(wanted.occasions),
        unit=unit,
        references=known,
        classes=classes,
        good=wanted.good,
        lsl=wanted.lsl if wanted.lsl is not None or c is None else c.lsl,
        usl=wanted.usl if wanted.usl is not None or c is None else c.usl,
        against=wanted.against or "study variation",
        printed_factors=wanted.printed_factors,
        pool_above=wanted.pool_above,
        multiplier=wanted.multiplier,
        level=wanted.level,
    )


def title_of(plan: StudyPlan, gauge: Gauge | None, c: Characteristic | None) -> str:
    what = c.name if c is not None else gauge.name if gauge is not None else "failure modes"
    return f"{plan.design}: {what}"[:200]


def no_names(conn: Any, people: Sequence[str]) -> None:
    """Names of persons stay out of plans, which are under the chain."""
    named = {p.name for p in lookups.persons(conn)}
    for label in people:
        if label in named:
            raise UsageError(f"{label!r} is the name of a person.", "Write the badge, or a letter.")


def blank(design: str) -> Wanted:
    """The usual sizes of a study, to be changed: 10 parts, 3 people, 3 trials and the like."""
    letters = ("A", "B", "C")
    sizes: dict[str, Wanted] = {
        "crossed": Wanted(design, parts=named("1-10"), people=letters, trials=3),
        "average-range": Wanted(design, parts=named("1-10"), people=letters, trials=3),
        "nested": Wanted(design, parts=named("1-5"), people=letters, trials=3),
        "bias": Wanted(design, parts=("master",), trials=10),
        "linearity": Wanted(design, parts=named("1-5"), trials=10),
        "stability": Wanted(design, parts=("master",), trials=5, occasions=named("1-20")),
        "agreement": Wanted(design, parts=named("1-30"), people=letters, trials=2),
    }
    if design not in sizes:
        raise UsageError(f"Study {design!r} is not known.", f"Choose one of: {', '.join(sizes)}.")
    return sizes[design]


def named(text: str) -> tuple[str, ...]:
    """Names separated by commas; '1-10' stands for 1, 2, ... 10. Raises UsageError."""
    found: list[str] = []
    for piece in (p.strip() for p in text.split(",")):
        first, dash, last = piece.partition("-")
        if dash and first.isdigit() and last.isdigit():
            low, high = int(first), int(last)
            if not low <= high < low + 10_000:
                raise UsageError(f"{piece!r} is no range of numbers.", "Write it as 1-10.")
            found += [str(n) for n in range(low, high + 1)]
        elif piece:
            found.append(piece)
    return tuple(found)
