"""Plans of studies: sizes that can be carried out, and a run order that follows from the seed alone."""

from __future__ import annotations

import hashlib
from collections import Counter
from dataclasses import replace

import pytest

from qualrec.errors import UsageError
from qualrec.judge.study_plan import DESIGNS, StudyPlan, advice, checked, count_of, plan_from, runs_of

CROSSED = StudyPlan("crossed", "7", ("1", "2", "3"), ("A", "B"), 2)
PLANS = {
    "crossed": CROSSED,
    "average-range": replace(CROSSED, design="average-range"),
    "nested": replace(CROSSED, design="nested"),
    "bias": StudyPlan("bias", "7", ("block",), trials=12, references={"block": 5.0}),
    "linearity": StudyPlan("linearity", "7", ("1", "2"), trials=3, references={"1": 2.0, "2": 9.0}),
    "stability": StudyPlan("stability", "7", ("m",), trials=3, occasions=("1", "2", "3", "4")),
    "agreement": replace(CROSSED, design="agreement", classes=("good", "bad")),
}


def test_every_design_has_a_plan_here() -> None:
    assert PLANS.keys() == DESIGNS.keys()


@pytest.mark.parametrize("design", sorted(PLANS))
def test_every_run_is_planned_once(design: str) -> None:
    plan = checked(PLANS[design])
    runs = runs_of(plan)
    assert len(runs) == count_of(plan)
    assert len({tuple(run.values()) for run in runs}) == len(runs)
    assert all(tuple(run) == DESIGNS[design].factors for run in runs)
    assert plan_from(plan.as_mapping()) == plan


def test_the_order_is_that_of_the_digests_and_a_round_holds_everything_once() -> None:
    """The rule of the module's head, computed here by hand: within a person's round the smallest SHA-256 first."""
    runs = runs_of(CROSSED)
    for trial in ("1", "2"):
        whole = [r for r in runs if r["trial"] == trial]
        assert whole == list(runs[: len(whole)] if trial == "1" else runs[len(whole) :])
        assert Counter((r["part"], r["person"]) for r in whole) == Counter(
            (p, w) for p in CROSSED.parts for w in CROSSED.people
        )
        for who in CROSSED.people:
            mine = [r for r in whole if r["person"] == who]
            texts = ["/".join(("7", f"{trial}/{who}", r["part"], who, trial)) for r in mine]
            digests = [hashlib.sha256(text.encode()).hexdigest() for text in texts]
            assert digests == sorted(digests)


def test_another_seed_gives_another_order_and_the_same_one_the_same() -> None:
    wide = replace(CROSSED, parts=tuple(map(str, range(10))))
    assert runs_of(wide) == runs_of(replace(wide))
    assert runs_of(wide) != runs_of(replace(wide, seed="8"))
    assert sorted(map(str, runs_of(wide))) == sorted(map(str, runs_of(replace(wide, seed="8"))))


def test_places_in_the_order_are_even_over_many_seeds() -> None:
    """Of 600 seeds each of four parts comes first about equally often: chi-square, 3 df, under 16.27 (p 0.001)."""
    plan = StudyPlan("crossed", "", ("1", "2", "3", "4"), ("A", "B"), 2)
    first = Counter(
        next(r["part"] for r in runs_of(replace(plan, seed=str(seed))) if r["person"] == "A")
        for seed in range(600)
    )
    assert sum((n - 150) ** 2 / 150 for n in first.values()) < 16.27


def test_occasions_keep_their_order_and_batches_belong_to_one_person() -> None:
    occasions = [r["occasion"] for r in runs_of(PLANS["stability"])]
    assert occasions == sorted(occasions)
    owners = {(r["batch"], r["person"]) for r in runs_of(PLANS["nested"])}
    assert len(owners) == len({batch for batch, _ in owners}) == 6


@pytest.mark.parametrize(
    ("plan", "words"),
    [
        (replace(CROSSED, design="guess"), "not known"),
        (replace(CROSSED, parts=("1",)), "1 parts; at least 2"),
        (replace(CROSSED, people=("A",)), "1 people; at least 2"),
        (replace(CROSSED, trials=1), "1 trials; at least 2"),
        (replace(CROSSED, parts=("1", "1", "2")), "named twice"),
        (replace(CROSSED, people=("A", " ")), "no name"),
        (replace(CROSSED, against="luck"), "judged against"),
        (replace(CROSSED, against="tolerance"), "no tolerance"),
        (replace(CROSSED, lsl=2.0, usl=2.0), "not below"),
        (replace(CROSSED, level=1.0), "confidence level"),
        (replace(CROSSED, references={"9": 1.0}), "not in the study"),
        (replace(CROSSED, parts=tuple(map(str, range(8000))), trials=2), "runs"),
        (StudyPlan("bias", "1", ("a", "b"), trials=9, references={"a": 1.0, "b": 2.0}), "one master"),
        (StudyPlan("bias", "1", ("a",), trials=9), "reference value of a is missing"),
        (StudyPlan("linearity", "1", ("a", "b"), trials=9, references={"a": 1.0, "b": 1.0}), "one value"),
        (StudyPlan("stability", "1", ("a",), trials=9, occasions=("1", "2")), "2 occasions; at least 3"),
        (replace(CROSSED, design="agreement"), "needs its classes"),
        (replace(CROSSED, design="agreement", classes=("good", "b" * 21)), "too long"),
        (replace(CROSSED, design="agreement", classes=("good", "bad"), good="fine"), "none of the classes"),
        (
            replace(CROSSED, design="agreement", classes=("good", "bad"), references={"1": "good"}),
            "known class of 2 is missing",
        ),
        (
            replace(CROSSED, design="agreement", classes=("good", "bad"), references={"1": "so"}),
            "known class 'so'",
        ),
        (replace(CROSSED, design="agreement", classes=("good", "bad"), people=("A",)), "One person alone"),
    ],
)
def test_what_cannot_be_carried_out_is_refused_in_words(plan: StudyPlan, words: str) -> None:
    with pytest.raises(UsageError, match=words):
        checked(plan)


def test_small_plans_are_advised_against_and_usual_ones_are_not() -> None:
    assert advice(CROSSED)
    assert not advice(replace(CROSSED, parts=tuple(map(str, range(10))), trials=3))
    assert advice(replace(PLANS["bias"], trials=9))
    assert not advice(PLANS["bias"])


def test_a_plan_of_another_program_is_not_read() -> None:
    with pytest.raises(UsageError, match="planned here"):
        plan_from({"runs": 5})
