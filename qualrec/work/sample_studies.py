"""Studies and control plans of the sample plant: one study for each family of gauges, two plans of the lead part. All invented.

Scatter after the trade's habit (common practice, no source): a transmission meter and a path sensor repeat well; pulls are
nested in batches of welds that are as alike as they can be, so that their scatter holds the pieces' own.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from qualrec.work import control_plan, definitions, gauge_studies
from qualrec.work.plan_files import take_tables
from qualrec.work.sample_files import locate
from qualrec.work.session import Session
from qualrec.work.study_plans import Wanted, named

Factors = dict[str, str]
PEOPLE = ("T-01", "T-02", "P-01")


@dataclass(frozen=True, slots=True)
class PlannedStudy:
    """A study with the values that its runs will give: `draw` from the random generator and the factors of a run."""

    wanted: Wanted
    decimals: int
    draw: Callable[[np.random.Generator], Callable[[Factors], float]]


def _crossed(
    levels: tuple[float, float], person: float, repeat: float
) -> Callable[[np.random.Generator], Callable[[Factors], float]]:
    """Parts spread evenly over `levels`, a step for each person, a scatter for each reading."""

    def draw(rng: np.random.Generator) -> Callable[[Factors], float]:
        parts = np.linspace(*levels, 10) + rng.normal(0.0, 0.02 * (levels[1] - levels[0]), 10)
        steps = {who: float(rng.normal(0.0, person)) for who in PEOPLE}
        return lambda f: float(parts[int(f["part"]) - 1] + steps[f["person"]] + rng.normal(0.0, repeat))

    return draw


def _nested(rng: np.random.Generator) -> Callable[[Factors], float]:
    batches = {f"{who}/{n}": float(rng.normal(600.0, 60.0)) for who in PEOPLE for n in range(1, 6)}
    steps = {who: float(rng.normal(0.0, 4.0)) for who in PEOPLE}
    return lambda f: float(batches[f["batch"]] + steps[f["person"]] + rng.normal(0.0, 12.0))


def _linear(rng: np.random.Generator) -> Callable[[Factors], float]:
    known = {"1": 2.0, "2": 5.0, "3": 10.0, "4": 15.0, "5": 20.0}
    return lambda f: known[f["master"]] + float(rng.normal(0.0, 0.06))


STUDIES = (
    PlannedStudy(
        Wanted(
            "crossed", "Transmission meter, covers of FM-2040", gauge="TM-01", part="FM-2040", code="TRN",
            parts=named("1-10"), people=PEOPLE, trials=3,
        ),
        1,
        _crossed((18.0, 30.0), 0.08, 0.12),
    ),
    PlannedStudy(
        Wanted(
            "nested", "Pull tester, batches of consecutive welds of FM-2040", gauge="PT-02", part="FM-2040", code="PULL",
            parts=named("1-5"), people=PEOPLE, trials=3,
        ),
        1,
        _nested,
    ),
    PlannedStudy(
        Wanted(
            "crossed", "Path sensor of laser welder 1, blocks", gauge="PS-01", part="FM-2040", code="COL",
            parts=named("1-10"), people=PEOPLE, trials=2,
        ),
        3,
        _crossed((0.20, 0.36), 0.0008, 0.0015),
    ),
    PlannedStudy(
        Wanted(
            "linearity", "Burst pump gauge against five pressures", gauge="BP-01", parts=named("1-5"), trials=6,
            references={"1": "2.0", "2": "5.0", "3": "10.0", "4": "15.0", "5": "20.0"},
        ),
        2,
        _linear,
    ),
)  # fmt: skip
"""One for each family of gauges, in their order."""


def carry_out_study(planner: Session, technician: Session, at: int, seed: int) -> str:
    """Plan, enter and work out the study at a place of `STUDIES`; the same seed gives the same values."""
    study = STUDIES[at]
    page = gauge_studies.plan_study(planner, study.wanted)
    value_of = study.draw(np.random.default_rng((seed, 4_016 + at)))
    number = page.line.study.number
    given = {r.position: f"{value_of(dict(r.factors)):.{study.decimals}f}" for r in page.runs}
    gauge_studies.enter(technician, number, given)
    done = gauge_studies.work_out(planner, number)
    return f"study {number} worked out: {done.line.study.verdict}"


def draft_plan(engineer: Session, at: int) -> None:
    """Take the plan at a place of the packaged file into a draft: 0 safe launch, 1 production."""
    file = locate("control_plan.toml")
    take_tables(engineer, [definitions.load(file)["control_plan"][at]], file.name)


def approve_plan(quality: Session, phase: str, reason: str) -> None:
    control_plan.approve(quality, "FM-2040", phase, reason=reason)
