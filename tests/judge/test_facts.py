"""Summaries stand for readings that are not loaded."""

from __future__ import annotations

from dataclasses import replace

import pytest

from qualrec.judge.facts import Summary, readings_of
from qualrec.judge.verdict import judge_characteristic
from qualrec.judge.windows import window_findings
from qualrec.values import Window

SUMMARY = Summary(1000, 0.31, 0.01, 0.28, 0.34)


def test_a_verdict_takes_the_figures_of_the_summary(made) -> None:
    verdict = judge_characteristic(made.collapse, [made.reading(made.collapse, 0.30)], (), SUMMARY)
    assert (verdict.answer, verdict.n, verdict.mean, verdict.high) == ("pass", 1000, 0.31, 0.34)
    assert verdict.reasons == ("All 1000 readings are within the limits.",)


def test_a_window_takes_the_mean_of_the_summary(made) -> None:
    recipe = replace(made.recipe, windows=(Window("collapse", 0.2, 0.3, "mm"),))
    lot = made.lot(segment={"recipe": recipe})
    row = made.reading(made.collapse, 0.25)
    assert window_findings(made.facts(lot=lot, readings=(row,))) == ()
    (found,) = window_findings(made.facts(lot=lot, readings=(row,), summaries={made.collapse.id: SUMMARY}))
    assert found.figures["value"] == pytest.approx(0.31)


def test_readings_are_those_of_the_lot_or_of_its_moulding_lots(made) -> None:
    facts = made.facts(readings=(made.reading(made.pull, 600.0),))
    assert len(readings_of(facts, made.pull)) == 1
    assert len(readings_of(facts, made.transmission)) == 3
    assert readings_of(facts, made.collapse) == ()
