"""The chain of evidence: six links, the weakest decides."""

from __future__ import annotations

from dataclasses import replace

import pytest

from qualrec.judge.evidence import (
    Evidence,
    GaugeStanding,
    IndexStanding,
    ShapeStanding,
    evidence_chain,
    weakest,
)

GOOD = Evidence(
    lots=30,
    readings=150,
    gauge=GaugeStanding(("G1",), readings=150, grr_pct=8.0, categories=7, study="S1"),
    limits_state="frozen",
    shape=ShapeStanding("normal", 150, 0.4, 0.4),
    index=IndexStanding("Ppk", 1.80, 1.52, "lots first"),
    requirement=1.33,
    requirement_source="characteristic",
)


def test_a_whole_chain_says_yes(made) -> None:
    chain = evidence_chain(GOOD)
    assert [link.answer for link in chain.links] == ["yes"] * 6
    assert (chain.answer, chain.remark, chain.sentence) == ("yes", "", "Every link of the evidence holds.")
    assert chain.link("index").why == "Ppk 1.80, 95 % lower bound 1.52."


@pytest.mark.parametrize(
    ("answers", "worst"),
    [
        (["yes", "yes"], "yes"),
        (["yes", "unknown"], "unknown"),
        (["unknown", "no", "yes"], "no"),
        ([], "unknown"),
    ],
)
def test_the_weakest_answer_wins(answers: list[str], worst: str) -> None:
    assert weakest(answers) == worst


@pytest.mark.parametrize(
    ("gauge", "answer", "words"),
    [
        (GaugeStanding(), "unknown", "no readings"),
        (GaugeStanding(("G1",), 150), "unknown", "no gauge study"),
        (
            GaugeStanding(("G1",), 150, without_gauge=3, grr_pct=8.0),
            "unknown",
            "3 of 150 readings do not name",
        ),
        (GaugeStanding(("G1",), 150, overdue=2), "no", "2 of 150 readings on an overdue gauge"),
        (GaugeStanding(("G1",), 150, bad=2, grr_pct=8.0), "no", "a gauge found bad"),
        # 10 and 30 % of study variation, 5 categories: measurement-system manual, as cited in IJMQE 2017
        (GaugeStanding(("G1",), 150, grr_pct=10.0, categories=5, study="S"), "yes", "10.0 %"),
        (
            GaugeStanding(("G1",), 150, grr_pct=10.1, categories=5, study="S"),
            "unknown",
            "the customer decides",
        ),
        (GaugeStanding(("G1",), 150, grr_pct=30.1, categories=5, study="S"), "no", "above 30 %"),
        (GaugeStanding(("G1",), 150, grr_pct=8.0, categories=4, study="S"), "no", "4 categories"),
    ],
)
def test_the_gauge_link(gauge: GaugeStanding, answer: str, words: str) -> None:
    link = evidence_chain(replace(GOOD, gauge=gauge)).link("gauge")
    assert link.answer == answer
    assert words in link.why


@pytest.mark.parametrize(
    ("lots", "readings", "answer"), [(25, 100, "yes"), (24, 500, "no"), (40, 99, "no"), (0, 0, "no")]
)
def test_25_lots_and_100_readings_are_enough(lots: int, readings: int, answer: str) -> None:
    """At least 25 subgroups and 100 readings: part approval manual, initial process study (from memory)."""
    chain = evidence_chain(replace(GOOD, lots=lots, readings=readings))
    assert chain.link("data").answer == answer
    assert ("too few data" in chain.remark) == (answer == "no")
    if answer == "no":
        assert "(too few data)" in chain.link("index").why


def test_an_unstable_process_shows_performance_only() -> None:
    chain = evidence_chain(replace(GOOD, signals=("L7", "L9")))
    assert chain.link("stability").answer == "no"
    assert "2 points with a signal under frozen limits: L7, L9." in chain.link("stability").why
    assert chain.remark == "performance, not stable"
    assert chain.link("index").why.startswith("Ppk 1.80 (performance, not stable)")
    assert chain.answer == "no"


def test_stability_is_unknown_without_limits_or_with_few_lots() -> None:
    assert evidence_chain(replace(GOOD, limits_state="")).link("stability").answer == "unknown"
    few = evidence_chain(replace(GOOD, lots=12)).link("stability")
    assert (few.answer, "too few to show stability" in few.why) == ("unknown", True)


@pytest.mark.parametrize(
    ("shape", "answer"),
    [
        (ShapeStanding(), "unknown"),
        (ShapeStanding("weibull", 150, 0.30, 0.001), "yes"),
        (ShapeStanding("weibull", 150, 0.05, 0.001), "yes"),
        (ShapeStanding("weibull", 150, 0.049, 0.001), "no"),
        (ShapeStanding("weibull", 5000), "unknown"),
    ],
)
def test_the_shape_link(shape: ShapeStanding, answer: str) -> None:
    assert evidence_chain(replace(GOOD, shape=shape)).link("shape").answer == answer


def test_no_index_and_an_index_without_bound_break_the_chain() -> None:
    none = evidence_chain(replace(GOOD, index=IndexStanding(refusal="There is no specification limit.")))
    assert none.link("index").answer == "no"
    assert none.link("index").why == "There is no specification limit."
    assert none.link("requirement").answer == "unknown"
    unbounded = evidence_chain(replace(GOOD, index=IndexStanding("Ppk", 1.8)))
    assert unbounded.link("index").answer == "no"


@pytest.mark.parametrize(
    ("requirement", "by_bound", "answer"),
    [
        (None, True, "unknown"),
        (1.52, True, "yes"),
        (1.53, True, "no"),
        (1.67, False, "yes"),
        (1.81, False, "no"),
    ],
)
def test_the_requirement_link(requirement: float | None, by_bound: bool, answer: str) -> None:
    chain = evidence_chain(replace(GOOD, requirement=requirement, by_bound=by_bound))
    assert chain.link("requirement").answer == answer
    if requirement == 1.67:
        assert chain.link("requirement").why.endswith("Its lower bound 1.52 does not.")


def test_the_sentence_names_the_weak_links() -> None:
    chain = evidence_chain(replace(GOOD, requirement=None, lots=10))
    assert chain.sentence == "The evidence ends at: data (no)."
