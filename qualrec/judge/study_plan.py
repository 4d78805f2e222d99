"""The plan of a study of a gauge or of people who judge, and its runs in a random order that anybody can draw again.

The order comes from the seed alone: of things in any order, the one with the smallest SHA-256 of 'seed/round/names' comes first
(names joined by '/'). A round is a trial: everybody measures every part once before anything is measured again, so
that what changes in time does not fall on one trial. Within a round the people follow each other, each with the parts in an
order of their own. A nested study is one round; a study of stability has a round for each occasion, in order of time.

Sizes: 10 parts, 3 people, 3 trials are usual, 2 x 10 x 2 the least (public guides to AIAG MSA 4).
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field
from typing import Any

from qualrec.errors import UsageError
from qualrec.judge.gauge_verdict import AGAINST

MOST_RUNS = 20_000
LONGEST_CLASS = 20
LONGEST_NAME = 40


@dataclass(frozen=True, slots=True)
class Design:
    """A kind of study. `kind`: how records name it; `factors`: what tells its runs apart; `about`: one line of help."""

    name: str
    kind: str
    factors: tuple[str, ...]
    about: str


DESIGNS: Mapping[str, Design] = {
    d.name: d
    for d in (
        Design("crossed", "gauge crossed", ("part", "person", "trial"), "everybody measures every part; by variances"),
        Design("average-range", "gauge crossed", ("part", "person", "trial"), "the same, by averages and ranges"),
        Design("nested", "gauge nested", ("person", "batch", "piece"), "destructive: everybody has pieces of own batches"),
        Design("bias", "bias", ("master", "trial"), "one master of known value, measured again and again"),
        Design("linearity", "linearity", ("master", "trial"), "several masters over the range"),
        Design("stability", "stability", ("occasion", "master", "trial"), "masters measured on several occasions"),
        Design("agreement", "agreement", ("part", "person", "trial"), "people call the class of the same parts"),
    )
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class StudyPlan:
    """What is done and how it is worked out. `parts`: parts, batches of each person, or masters.

    `references`: known value or class of a part or master by name. `limits`: specification limits for % of tolerance, and the
    width that a bias is compared with. `printed_factors`: K1, K2, K3 of a printed table.
    """

    design: str
    seed: str
    parts: tuple[str, ...]
    people: tuple[str, ...] = ()
    trials: int = 1
    occasions: tuple[str, ...] = ()
    unit: str = ""
    references: Mapping[str, float | str] = field(default_factory=dict)
    classes: tuple[str, ...] = ()
    good: str = ""
    lsl: float | None = None
    usl: float | None = None
    against: str = AGAINST[0]
    printed_factors: tuple[float, float, float] | None = None
    pool_above: float = 0.05
    multiplier: float = 6.0
    level: float = 0.95

    @property
    def calls_classes(self) -> bool:
        """Runs hold a class, not a value."""
        return self.design == "agreement"

    @property
    def factors(self) -> tuple[str, ...]:
        return DESIGNS[self.design].factors

    def as_mapping(self) -> dict[str, Any]:
        """The plan as records keep it."""
        return asdict(self)


def plan_from(stored: Mapping[str, Any]) -> StudyPlan:
    """A plan out of the records. Raises UsageError for one that this program did not write."""
    try:
        given = dict(stored)
        for name in ("parts", "people", "occasions", "classes"):
            given[name] = tuple(given.get(name, ()))
        factors = given.get("printed_factors")
        given["printed_factors"] = None if factors is None else (factors[0], factors[1], factors[2])
        return StudyPlan(**given)
    except (TypeError, IndexError, ValueError) as error:
        raise UsageError(
            "This study was not planned here; it has no runs to work with.", "Look at its stored analysis."
        ) from error


def checked(plan: StudyPlan) -> StudyPlan:
    """The plan, once it can be carried out. Raises UsageError that says what it lacks."""
    if plan.design not in DESIGNS:
        raise UsageError(f"Study {plan.design!r} is not known.", f"Choose one of: {', '.join(DESIGNS)}.")
    for what, names in (("part", plan.parts), ("person", plan.people), ("occasion", plan.occasions)):
        _names(names, what)
    _references(plan)
    _sizes(plan)
    if plan.against not in AGAINST:
        raise UsageError(
            f"{plan.against!r} cannot be judged against.", f"Choose one of: {', '.join(AGAINST)}."
        )
    if plan.against == AGAINST[1] and plan.lsl is None and plan.usl is None:
        raise UsageError(
            "There is no tolerance to judge against.", "Give a limit, or a characteristic that has one."
        )
    if plan.lsl is not None and plan.usl is not None and not plan.lsl < plan.usl:
        raise UsageError("The lower limit is not below the upper limit.", "Check the two limits.")
    for what, value, low, high in (
        ("confidence level", plan.level, 0.0, 1.0),
        ("spread multiplier", plan.multiplier, 0.0, 100.0),
    ):
        if not low < value < high:
            raise UsageError(f"The {what} is {value:g}.", f"Give a number above {low:g} and below {high:g}.")
    return plan


def _names(names: Sequence[str], what: str) -> None:
    for name in names:
        if not name.strip() or len(name) > LONGEST_NAME:
            raise UsageError(f"{name!r} is no name of a {what}.", f"Give 1 to {LONGEST_NAME} signs.")
    if len(set(names)) != len(names):
        twice = next(n for n in names if list(names).count(n) > 1)
        raise UsageError(f"{what.capitalize()} {twice!r} is named twice.", "Give each its own name.")


def _references(plan: StudyPlan) -> None:
    strange = [name for name in plan.references if name not in plan.parts]
    if strange:
        raise UsageError(f"Reference of {strange[0]!r}, which is not in the study.", "Name one of its parts.")
    if plan.calls_classes:
        if len(plan.classes) < 2:
            raise UsageError(
                "An agreement study needs its classes.", "Name at least two, such as the failure modes."
            )
        _names(plan.classes, "class")
        too_long = [c for c in plan.classes if len(c) > LONGEST_CLASS]
        if too_long:
            raise UsageError(f"Class {too_long[0]!r} is too long.", f"Give at most {LONGEST_CLASS} signs.")
        for name, known in plan.references.items():
            if known not in plan.classes:
                raise UsageError(
                    f"The known class {known!r} of {name} is none of the classes.",
                    f"Classes: {', '.join(plan.classes)}.",
                )
        if plan.good and plan.good not in plan.classes:
            raise UsageError(f"{plan.good!r} is none of the classes.", f"Classes: {', '.join(plan.classes)}.")
        missing = [p for p in plan.parts if p not in plan.references]
        if plan.references and missing:
            raise UsageError(
                f"The known class of {missing[0]} is missing.", "Give it for all parts, or for none."
            )
        return
    if plan.design in ("bias", "linearity"):
        missing = [p for p in plan.parts if not isinstance(plan.references.get(p), int | float)]
        if missing:
            raise UsageError(f"The reference value of {missing[0]} is missing.", "Give it as NAME=VALUE.")


def _sizes(plan: StudyPlan) -> None:
    least = {
        "crossed": (2, 2, 2, 0),
        "average-range": (2, 2, 2, 0),
        "nested": (2, 2, 2, 0),
        "bias": (1, 0, 2, 0),
        "linearity": (2, 0, 1, 0),
        "stability": (1, 0, 1, 3),
        "agreement": (3, 1, 1, 0),
    }[plan.design]
    counted = zip(
        ("parts", "people", "trials", "occasions"),
        (len(plan.parts), len(plan.people), plan.trials, len(plan.occasions)),
        least,
        strict=True,
    )
    for what, there, wanted in counted:
        if there < wanted:
            raise UsageError(f"The study has {there} {what}; at least {wanted} are needed.", "Plan more.")
    if plan.design == "bias" and len(plan.parts) != 1:
        raise UsageError("A study of bias has one master.", "Plan a study of linearity for several.")
    if plan.design == "linearity" and len(set(plan.references.values())) < 2:
        raise UsageError("All masters have one value.", "Choose masters over the range of the gauge.")
    if plan.calls_classes and len(plan.people) < 2 and not plan.references:
        raise UsageError(
            "One person alone agrees with nobody.", "Name a second person, or give the known classes."
        )
    if count_of(plan) > MOST_RUNS:
        raise UsageError(f"The study would have {count_of(plan)} runs; {MOST_RUNS} are kept.", "Plan fewer.")


def count_of(plan: StudyPlan) -> int:
    """How many runs the plan has."""
    return math.prod(max(n, 1) for n in (len(plan.parts), len(plan.people), plan.trials, len(plan.occasions)))


def advice(plan: StudyPlan) -> tuple[str, ...]:
    """What the plan falls short of by common guides; it may still be carried out."""
    parts, people, trials = len(plan.parts), len(plan.people), plan.trials
    if plan.design in ("crossed", "average-range"):
        small = parts < 10 or trials < 2 or people < 2
        return ("Fewer than 10 parts: 10 parts, 3 people and 3 trials are usual.",) if small else ()
    if plan.design == "bias" and trials < 10:
        return ("Fewer than 10 readings: a bias is hardly shown.",)
    if plan.design == "linearity" and (parts < 5 or trials < 10):
        return ("5 masters over the range with 10 readings each are usual.",)
    if plan.design == "agreement" and parts < 30:
        return ("Fewer than 30 parts: kappa is very uncertain; 50 parts are usual.",)
    if plan.design == "stability" and len(plan.occasions) < 20:
        return ("Fewer than 20 occasions: limits from few occasions are uncertain.",)
    return ()


def runs_of(plan: StudyPlan) -> tuple[dict[str, str], ...]:
    """The factors of all runs in the order in which they are made."""
    trials = [str(n) for n in range(1, plan.trials + 1)]
    if plan.design == "nested":
        every = [
            {"person": who, "batch": f"{who}/{batch}", "piece": piece}
            for who in plan.people
            for batch in plan.parts
            for piece in trials
        ]
        return tuple(_shuffled(plan.seed, "1", every))
    if plan.design in ("bias", "linearity"):
        return tuple(
            run
            for trial in trials
            for run in _shuffled(plan.seed, trial, [{"master": m, "trial": trial} for m in plan.parts])
        )
    if plan.design == "stability":
        return tuple(
            run
            for occasion in plan.occasions
            for run in _shuffled(
                plan.seed,
                occasion,
                [{"occasion": occasion, "master": m, "trial": t} for m in plan.parts for t in trials],
            )
        )
    runs: list[dict[str, str]] = []
    for trial in trials:
        for who in _shuffled(plan.seed, trial, [{"person": p} for p in plan.people]):
            round_of = f"{trial}/{who['person']}"
            mine = [{"part": part, "person": who["person"], "trial": trial} for part in plan.parts]
            runs += _shuffled(plan.seed, round_of, mine)
    return tuple(runs)


def _shuffled(seed: str, round_of: str, runs: Iterable[dict[str, str]]) -> list[dict[str, str]]:
    def mark(run: Mapping[str, str]) -> str:
        text = "/".join((seed, round_of, *run.values()))
        return hashlib.sha256(text.encode("utf-8")).hexdigest()

    return sorted(runs, key=mark)
