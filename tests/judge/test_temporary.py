"""Lots welded under a temporary change, and after the end of one that nobody ended."""

from __future__ import annotations

from dataclasses import replace

import pytest

from qualrec.judge import kinds
from qualrec.judge.temporary import change_findings
from qualrec.values import TemporaryChange

DAY_US = 86_400_000_000


@pytest.fixture
def case(made):
    """Facts of one lot, and a change that runs from a day before to a day after its segment began."""
    facts = made.facts()
    segment = facts.lot.segments[0]
    change = TemporaryChange(
        7, "P", segment.recipe.id, "", "glass plate 2 in place of 1", "ten pulls a lot",
        segment.from_us - DAY_US, segment.from_us + DAY_US, "open", "Invented",
    )  # fmt: skip
    return facts, segment, change


def found(facts, *changes) -> list[str]:
    return [f.kind for f in change_findings(replace(facts, changes=changes))]


def test_a_lot_welded_under_a_change_says_so_with_its_extra_checks(case) -> None:
    facts, _, change = case
    (finding,) = change_findings(replace(facts, changes=(change,)))
    assert (finding.kind, finding.level) == (kinds.TEMPORARY_CHANGE, "I")
    assert "glass plate 2" in finding.sentence
    assert "ten pulls a lot" in finding.sentence


def test_after_its_end_an_open_change_asks_for_a_review_and_an_ended_one_does_not(case) -> None:
    facts, segment, change = case
    past = replace(change, until_us=segment.from_us - DAY_US // 2)
    (finding,) = change_findings(replace(facts, changes=(past,)))
    assert (finding.kind, finding.level) == (kinds.CHANGE_EXPIRED, "R")
    assert finding.figures["days past"] == pytest.approx(0.5)
    assert found(facts, replace(past, state="ended")) == []


def test_only_its_own_recipe_station_and_time_count(case) -> None:
    facts, segment, change = case
    assert found(facts, replace(change, recipe_revision_id=change.recipe_revision_id + 1)) == []
    assert found(facts, replace(change, station="elsewhere")) == []
    assert found(facts, replace(change, station=segment.station)) == [kinds.TEMPORARY_CHANGE]
    assert found(facts, replace(change, recipe_revision_id=None)) == [kinds.TEMPORARY_CHANGE]
    assert found(facts, replace(change, from_us=segment.from_us + 1)) == []


def test_the_last_moment_of_a_change_still_belongs_to_it(case) -> None:
    facts, segment, change = case
    assert found(facts, replace(change, until_us=segment.from_us)) == [kinds.TEMPORARY_CHANGE]
    assert found(facts, replace(change, until_us=segment.from_us - 1)) == [kinds.CHANGE_EXPIRED]
    assert not replace(change, until_us=5).expired_at(5)
    assert replace(change, until_us=5).expired_at(6)


def test_a_change_ended_early_touches_nothing_welded_later(case) -> None:
    facts, segment, change = case
    ended = replace(change, state="ended", ended_us=segment.from_us - 1)
    assert found(facts, ended) == []
    assert found(facts, replace(ended, ended_us=segment.from_us)) == [kinds.TEMPORARY_CHANGE]
