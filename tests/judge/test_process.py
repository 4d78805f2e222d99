"""Findings on a process: one case that raises each kind and one that does not."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from qualrec.judge import kinds
from qualrec.judge.evidence import Evidence, IndexStanding, evidence_chain
from qualrec.judge.process import ProcessFacts, process_findings, requirement_of
from qualrec.values import Customer

ENOUGH = Evidence(
    lots=30, readings=150, limits_state="frozen", index=IndexStanding("Ppk", 1.8, 1.52), requirement=1.33
)


def facts(made, evidence: Evidence = ENOUGH, **changes: object) -> ProcessFacts:
    return replace(ProcessFacts(made.pull, evidence, evidence_chain(evidence)), **changes)


def test_a_good_process_has_no_finding(made) -> None:
    assert process_findings(facts(made, agreement=True, r1=0.1, shape_p=0.5, shape_n=(80, 80))) == ()


@pytest.mark.parametrize(("bound", "raised"), [(1.329, True), (1.33, False), (math.nan, False)])
def test_capability_bound_under_the_requirement(made, bound: float, raised: bool) -> None:
    found = process_findings(facts(made, replace(ENOUGH, index=IndexStanding("Ppk", 1.8, bound))))
    assert [f.kind for f in found] == ([kinds.CAPABILITY_LOW] if raised else [])


def test_the_level_follows_the_class_of_the_characteristic(made) -> None:
    low = replace(ENOUGH, index=IndexStanding("Ppk", 1.2, 1.0))
    assert process_findings(facts(made, low))[0].level == "I"
    special = replace(made.pull, special_class="significant")
    (found,) = process_findings(facts(made, low, characteristic=special))
    assert (found.level, found.scope, found.lot_id) == ("R", "process", None)


@pytest.mark.parametrize(
    ("lots", "readings", "raised"), [(24, 200, True), (30, 99, True), (25, 100, False), (0, 0, False)]
)
def test_too_few_lots(made, lots: int, readings: int, raised: bool) -> None:
    found = process_findings(facts(made, replace(ENOUGH, lots=lots, readings=readings)))
    assert (kinds.TOO_FEW_LOTS in [f.kind for f in found]) == raised


def test_a_characteristic_without_limits_owes_no_index(made) -> None:
    bare = replace(made.pull, lsl=None)
    found = process_findings(facts(made, replace(ENOUGH, lots=3, readings=9), characteristic=bare))
    assert found == ()


@pytest.mark.parametrize(
    ("p", "n", "raised"), [(0.0009, (50, 50), True), (0.001, (50, 50), False), (0.0001, (50, 49), False)]
)
def test_shape_changed(made, p: float, n: tuple[int, int], raised: bool) -> None:
    found = process_findings(facts(made, shape_p=p, shape_n=n))
    assert [f.kind for f in found] == ([kinds.SHAPE_CHANGED] if raised else [])


@pytest.mark.parametrize(("lots", "r1", "raised"), [(25, 0.41, True), (25, 0.40, False), (7, 0.99, False)])
def test_autocorrelation_above_two_over_the_root_of_k(made, lots: int, r1: float, raised: bool) -> None:
    found = process_findings(facts(made, replace(ENOUGH, lots=lots), r1=r1))
    assert (kinds.AUTOCORRELATION in [f.kind for f in found]) == raised


@pytest.mark.parametrize(("agreement", "raised"), [(False, True), (True, False), (None, False)])
def test_no_agreement_study(made, agreement: bool | None, raised: bool) -> None:
    found = process_findings(facts(made, agreement=agreement))
    assert [(f.kind, f.level) for f in found] == ([(kinds.NO_AGREEMENT, "I")] if raised else [])


def customer(**changes: object) -> Customer:
    return replace(Customer(1, "K1", "invented", "en", 1.33, 1.67, False, None, None, None), **changes)


def test_who_asks_for_the_index(made) -> None:
    special = replace(made.pull, special_class="critical")
    assert requirement_of(made.pull, None) == (None, True, "")
    assert requirement_of(made.pull, customer()) == (1.33, False, "customer K1, standard characteristics")
    assert requirement_of(special, customer())[0] == 1.67
    assert requirement_of(special, customer(uses_bound=True))[1]
    own = replace(special, index_requirement=2.0)
    assert requirement_of(own, customer()) == (2.0, False, "characteristic")
    assert requirement_of(own, None) == (2.0, True, "characteristic")
    assert requirement_of(made.pull, customer(index_standard=None))[0] is None
