"""Verdicts of studies: the published bounds, on the bounds and beside them."""

from __future__ import annotations

import math

import numpy as np
import pytest

from qualrec.judge.gauge_verdict import agreement_verdict, bias_verdict, linearity_verdict, scatter_verdict
from qualrec.stats.agreement import cohen_table
from qualrec.stats.gauge import GaugePart, GaugeStudy
from qualrec.stats.gauge_use import bias, linearity


def study(share: float, ndc_raw: float, tolerance: float = math.nan) -> GaugeStudy:
    parts = (GaugePart("GRR", 1.0, share, 0.0, tolerance),)
    return GaugeStudy("made up", parts, ndc_raw, math.floor(ndc_raw), (), {}, {}, False, (10, 3, 3), ())


@pytest.mark.parametrize(
    ("share", "ndc", "word"),
    [
        (9.99, 14.0, "acceptable"),
        (10.0, 14.0, "conditional"),
        (30.0, 5.0, "conditional"),
        (30.01, 5.0, "not acceptable"),
        (9.0, 4.99, "not acceptable"),
    ],
)
def test_scatter_by_the_bounds_of_the_manual(share: float, ndc: float, word: str) -> None:
    """Below 10 %, 10 to 30 %, above 30 %, ndc at least 5: Int. J. Metrol. Qual. Eng. 2017, citing the manual of 2010."""
    found = scatter_verdict(study(share, ndc))
    assert found.word == word
    assert found.reasons
    assert "10 %" in found.convention


def test_scatter_against_the_tolerance_and_with_another_multiplier() -> None:
    assert scatter_verdict(study(9.0, 14.0, 40.0)).word == "acceptable"
    assert scatter_verdict(study(9.0, 14.0, 40.0), "tolerance").word == "not acceptable"
    assert scatter_verdict(study(9.0, 14.0, 30.5), "tolerance", 5.15).word == "conditional"
    assert scatter_verdict(study(9.0, 14.0), "tolerance").word == "not acceptable"
    assert scatter_verdict(study(9.0, 4.6), categories=5).word == "acceptable"


def test_bias_and_linearity_hold_where_nothing_is_shown() -> None:
    still = [5.0, 5.1, 4.9, 5.05, 4.95]
    assert bias_verdict(bias(still, 5.0)).word == "acceptable"
    assert bias_verdict(bias(still, 5.3)).word == "not acceptable"
    known = np.repeat([2.0, 5.0, 8.0], 5)
    noise = np.tile([0.1, -0.1, 0.05, -0.05, 0.0], 3)
    assert linearity_verdict(linearity(known, known + noise)).word == "acceptable"
    assert linearity_verdict(linearity(known, 1.1 * known + noise)).word == "not acceptable"


@pytest.mark.parametrize(
    ("table", "word"),
    [([[44, 6], [3, 97]], "acceptable"), ([[20, 5], [10, 15]], "conditional"), ([[10, 10], [10, 10]], "not acceptable")],
)  # fmt: skip
def test_agreement_by_the_lowest_kappa(table: list[list[int]], word: str) -> None:
    """Kappas: 0.863 (published table of the manual), 0.4, 0."""
    found = {"these": cohen_table(table), "others": cohen_table([[50, 0], [0, 50]])}
    verdict = agreement_verdict(found)
    assert verdict.word == word
    assert "these" in verdict.reasons[0]
