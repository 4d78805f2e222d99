"""Shares of failures: published figures, statsmodels, exact cover by enumeration, lots that differ."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from qualrec.errors import ComputeError
from qualrec.reference import case, load_cases
from qualrec.stats.proportions import (
    clopper_pearson,
    joint_line_statement,
    more_needed,
    proportion,
    proportion_by_lot,
    reliability_shown,
    success_run_n,
    upper_share,
    wilson,
)
from qualrec.stats.tolerance import distribution_free_n


def _found(case_id: str) -> dict[str, object]:
    i = case(case_id).inputs
    if case_id == "binom_nist_4_of_20":
        interval = clopper_pearson(i["x"], i["n"], i["conf"])
        return {"lower": interval.low, "upper": interval.high}
    if case_id == "binom_wilson":
        intervals = [wilson(*row) for row in i["x_n_conf"]]
        return {"lower": [v.low for v in intervals], "upper": [v.high for v in intervals]}
    if case_id == "zero_failure_n":
        return {"n": [success_run_n(c, r) for c, r in i["conf_reliability"]]}
    if case_id == "wilks_two_sided_n":
        return {"n": [distribution_free_n(p, c, "two") for p, c in i["coverage_conf"]]}
    raise KeyError(case_id)


@pytest.mark.parametrize("case_id", [c.id for c in load_cases() if c.kind in ("binomial_ci", "sample_size")])
def test_published_case(case_id: str) -> None:
    found = _found(case_id)
    for name, expected in case(case_id).expected.items():
        assert expected.accepts(found[name]), (name, found[name])


@pytest.mark.parametrize(("x", "n"), [(0, 10), (10, 10), (3, 50), (499, 500), (1, 1)])
@pytest.mark.parametrize("level", [0.8, 0.95, 0.99])
def test_intervals_against_statsmodels(x: int, n: int, level: float) -> None:
    for method, name in ((clopper_pearson, "beta"), (wilson, "wilson")):
        low, high = proportion_confint(x, n, 1 - level, name)
        found = method(x, n, level)
        assert (found.low, found.high) == (pytest.approx(low, abs=1e-12), pytest.approx(high, abs=1e-12))


@pytest.mark.parametrize("n", [5, 20, 60])
def test_exact_bound_covers_for_every_share(n: int) -> None:
    """Cover by enumeration of all outcomes, not by chance: at least 95 % at every share."""
    upper = np.array([upper_share(x, n).value for x in range(n + 1)])
    for p in np.linspace(0.001, 0.999, 97):
        assert stats.binom.pmf(np.arange(n + 1), n, p)[upper >= p].sum() >= 0.95 - 1e-12


def test_success_run_with_failures_is_the_smallest() -> None:
    """c of n: e.g. 1 failure at 95/95 needs 93, 2 need 124 (common tables, from memory)."""
    assert [success_run_n(0.95, 0.95, c) for c in range(3)] == [59, 93, 124]
    for c in range(4):
        n = success_run_n(0.9, 0.97, c)
        assert stats.binom.cdf(c, n, 0.03) <= 0.1 < stats.binom.cdf(c, n - 1, 0.03)
        assert reliability_shown(n, c, 0.9).value >= 0.97 > reliability_shown(n - 1, c, 0.9).value


def test_reliability_shown_without_failure() -> None:
    assert reliability_shown(59).value == pytest.approx(0.05 ** (1 / 59))


def test_design_effect_of_equal_lots_by_hand() -> None:
    """4 lots of 10 with 0, 1, 2, 5 failures: p 0.2, between-lot variance of shares 0.04667, effect 2.917."""
    result = proportion_by_lot([0, 1, 2, 5], [10, 10, 10, 10])
    shares = np.array([0.0, 0.1, 0.2, 0.5])
    assert result.design_effect == pytest.approx(shares.var(ddof=1) / 4 / (0.2 * 0.8 / 40))
    assert result.n_effective == pytest.approx(40 / result.design_effect)
    assert result.interval.low < clopper_pearson(8, 40).low
    assert result.interval.high > clopper_pearson(8, 40).high


@pytest.mark.parametrize(("rho", "share"), [(0.0, 0.05), (0.1, 0.05), (0.3, 0.1), (0.3, 0.5)])
def test_clustered_bounds_cover(rho: float, share: float) -> None:
    """Beta-binomial lots, 25 of 20: the bound holds in 92 % or more; the plain one does not when rho is
    0.3."""
    rng = np.random.default_rng(1)
    held, plain, samples = 0, 0, 1200
    for _ in range(samples):
        a = share * (1 - rho) / rho if rho else 0.0
        p = rng.beta(a, a * (1 - share) / share, 25) if rho else np.full(25, share)
        x = rng.binomial(20, p)
        held += proportion_by_lot(x, np.full(25, 20)).upper.value >= share
        plain += upper_share(int(x.sum()), 500).value >= share
    assert held / samples >= 0.92
    if rho == 0.3:
        assert plain / samples < 0.85


@given(st.integers(0, 30), st.integers(1, 30))
def test_mirror(x: int, extra: int) -> None:
    n = x + extra
    for method in (clopper_pearson, wilson):
        a, b = method(x, n), method(n - x, n)
        assert a.low == pytest.approx(1 - b.high, abs=1e-12)
        assert 0 <= a.low <= x / n <= a.high <= 1


def test_lots_without_difference_are_said_to_be_so() -> None:
    none = proportion_by_lot([0, 0, 0], [20, 20, 20])
    assert none.design_effect == 1.0
    assert none.upper.value == pytest.approx(1 - 0.05 ** (1 / 60))
    assert "cannot show" in none.notes[0]
    every = proportion_by_lot([5, 5], [5, 5])
    assert every.upper.value == 1.0
    assert every.interval.high == 1.0


def test_statement_names_counts_level_and_share() -> None:
    text = joint_line_statement(proportion(0, 59))
    assert "0 of 59 parts in 1 lot came apart" in text
    assert "With 95 % confidence fewer than 4.95 % fail at the joint line." in text
    assert "3 lots" in joint_line_statement(proportion_by_lot([0, 1, 0], [20, 20, 20]))


@pytest.mark.parametrize(
    ("call", "word"),
    [
        (lambda: clopper_pearson(5, 4), "not possible"),
        (lambda: clopper_pearson(-1, 4), "not possible"),
        (lambda: wilson(0, 0), "not possible"),
        (lambda: upper_share(1, 10, 0.4), "confidence level"),
        (lambda: proportion_by_lot([1], [5]), "two lots"),
        (lambda: proportion_by_lot([1, 9], [5, 5]), "not possible"),
        (lambda: proportion_by_lot([1, 2, 3], [5, 5]), "counts of failures"),
        (lambda: success_run_n(1.0, 0.9), "confidence"),
        (lambda: success_run_n(0.9, 1.0), "reliability"),
        (lambda: success_run_n(0.9, 0.9, -1), "were allowed"),
        (lambda: success_run_n(0.95, 1 - 1e-9), "100 million"),
    ],
)
def test_refusals(call: object, word: str) -> None:
    with pytest.raises(ComputeError, match=word) as caught:
        call()
    assert caught.value.remedy or "given" in str(caught.value)


@pytest.mark.parametrize(
    ("found", "n", "claim", "total"), [(0, 10, 0.01, 299), (0, 10, 0.05, 59), (1, 40, 0.01, 473)]
)
def test_parts_still_needed_for_a_claim(found: int, n: int, claim: float, total: int) -> None:
    """Totals without and with one failure at 95 %: ln 0.05/ln 0.99 = 298.07; 473 from the binomial (scipy below)."""
    more = more_needed(proportion(found, n), claim)
    assert n + more == total
    assert stats.binom.cdf(found, total, claim) <= 0.05 < stats.binom.cdf(found, total - 1, claim)
    assert more_needed(proportion(found, total), claim) == 0


def test_lots_that_differ_need_more_parts() -> None:
    lots = proportion_by_lot([0, 0, 0, 6], [20] * 4)
    assert lots.design_effect > 1.5
    assert more_needed(lots, 0.05) > 1.4 * more_needed(proportion(6, 80), 0.05)
    with pytest.raises(ComputeError):
        more_needed(lots, 0.0)
