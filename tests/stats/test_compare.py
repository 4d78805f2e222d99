"""Comparisons: handbook figures, scipy and statsmodels, size and cover by simulation, refusals."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.oneway import anova_oneway
from statsmodels.stats.weightstats import ttost_ind

from qualrec.errors import ComputeError
from qualrec.reference import case, load_cases, read_columns
from qualrec.stats.compare import (
    bartlett,
    equivalence,
    f_test,
    levene,
    mann_whitney,
    mean_test,
    pairs,
    sd_test,
    welch_anova,
    welch_t,
)


def _gear() -> list[np.ndarray]:
    d = read_columns("data/nist_gear.csv")
    x, b = np.array(d["diameter"]), np.array(d["batch"])
    return [x[b == k] for k in np.unique(b)]


def _bartlett() -> dict[str, object]:
    t = bartlett(_gear())
    return {"T": t.statistic, "critical_0.05": t.critical[1]}


def _mean() -> dict[str, object]:
    i = case("mean_ci_nist_heatflow").inputs
    x = np.array(read_columns(i["file"])["y"])
    t = mean_test(x, i["mu0"])
    return {"mean": t.estimate, "s": sd_test(x).estimate, "lower": t.interval.low, "upper": t.interval.high,
            "t": t.statistic}  # fmt: skip


def _ceramic() -> dict[str, object]:
    d = read_columns("data/nist_ceramic_strength.csv")
    x, b = np.array(d["strength"]), np.array(d["batch"])
    one, two = x[b == 1], x[b == 2]
    f = f_test(one, two)
    return {
        "means": [mean_test(one).estimate, mean_test(two).estimate],
        "sds": [sd_test(one).estimate, sd_test(two).estimate],
        "F": f.statistic, "F_critical": f.critical, "t": welch_t(one, two, pooled=True).statistic,
    }  # fmt: skip


def _chi_square() -> dict[str, object]:
    t = sd_test(np.concatenate(_gear()), case("chisq_sd_nist_gear").inputs["sigma0"])
    return {"s": t.estimate, "T": t.statistic, "lower_tail_critical": t.critical[0],
            "upper_tail_critical": t.critical[1]}  # fmt: skip


CASES = {
    "bartlett_nist_gear": _bartlett,
    "mean_ci_nist_heatflow": _mean,
    "ftest_nist_ceramic": _ceramic,
    "chisq_sd_nist_gear": _chi_square,
}


@pytest.mark.parametrize("case_id", [c.id for c in load_cases() if c.kind == "hypothesis_test"])
def test_published_case(case_id: str) -> None:
    found = CASES[case_id]()
    for name, expected in case(case_id).expected.items():
        assert expected.accepts(found[name]), (name, found[name], expected.value)


def _groups(seed: int, k: int = 3) -> list[np.ndarray]:
    rng = np.random.default_rng(seed)
    return [rng.normal(10 + 0.5 * i, 1 + 0.7 * i, 8 + 3 * i) for i in range(k)]


@pytest.mark.parametrize("seed", range(3))
def test_two_groups_against_scipy(seed: int) -> None:
    a, b, _ = _groups(seed)
    for pooled in (False, True):
        found, outside = welch_t(a, b, 0.9, pooled), stats.ttest_ind(a, b, equal_var=pooled)
        assert (found.statistic, found.p) == (pytest.approx(outside.statistic), pytest.approx(outside.pvalue))
        interval = outside.confidence_interval(0.9)
        assert (found.interval.low, found.interval.high) == pytest.approx((interval.low, interval.high))
    f = f_test(a, b)
    p = 2 * min(stats.f.cdf(f.statistic, 7, 10), stats.f.sf(f.statistic, 7, 10))
    assert f.p == pytest.approx(p)
    u, outside = mann_whitney(a, b), stats.mannwhitneyu(a, b)
    assert (u.statistic, u.p) == (outside.statistic, pytest.approx(outside.pvalue))
    assert u.estimate == pytest.approx(float(np.median(np.subtract.outer(a, b))))


@pytest.mark.parametrize("seed", range(3))
def test_several_groups_against_scipy_and_statsmodels(seed: int) -> None:
    data = _groups(seed, 4)
    for centre in ("median", "mean"):
        found, outside = levene(data, centre), stats.levene(*data, center=centre)
        assert (found.statistic, found.p) == pytest.approx((outside.statistic, outside.pvalue))
    found, outside = bartlett(data), stats.bartlett(*data)
    assert (found.statistic, found.p) == pytest.approx((outside.statistic, outside.pvalue))
    found, outside = welch_anova(data), anova_oneway(data, use_var="unequal", welch_correction=True)
    assert (found.statistic, found.p) == pytest.approx((outside.statistic, outside.pvalue))


def test_welch_anova_of_two_groups_is_welch_t() -> None:
    a, b, _ = _groups(4)
    assert welch_anova([a, b]).p == pytest.approx(welch_t(a, b).p)


@pytest.mark.parametrize("margins", [(-2.0, 1.0), (-0.2, 0.2)])
def test_equivalence_against_statsmodels(margins: tuple[float, float]) -> None:
    a, b, _ = _groups(5)
    found = equivalence(a, b, *margins)
    outside = ttost_ind(a, b, *margins, usevar="unequal")
    assert found.p == pytest.approx(outside[0])
    assert found.equivalent == (margins[0] < found.interval.low and found.interval.high < margins[1])
    assert found.interval.level == pytest.approx(0.9)


def test_equivalence_of_equal_means() -> None:
    found = equivalence([1.0, 2.0, 3.0], [1.0, 2.0, 3.0], -5.0, 5.0)
    assert found.difference == 0.0
    assert found.equivalent


def test_equivalence_size() -> None:
    """True difference on the margin: claimed equivalent in at most 5 % (plus counting scatter) of 3,000."""
    rng = np.random.default_rng(6)
    claims = sum(
        equivalence(rng.normal(1, 1, 12), rng.normal(0, 2, 15), -1.0, 1.0).equivalent for _ in range(3000)
    )
    assert claims / 3000 <= 0.062


def test_interval_of_ranks_covers() -> None:
    """Shifted exponentials, n 12 and 15: the shift lies in the 95 % interval in 94 to 97.5 % of 1,500."""
    rng = np.random.default_rng(7)
    held = 0
    for _ in range(1500):
        interval = mann_whitney(rng.exponential(size=12) + 2, rng.exponential(size=15)).interval
        held += interval.low <= 2 <= interval.high
    assert 0.935 <= held / 1500 <= 0.975


def test_sd_interval_covers() -> None:
    rng = np.random.default_rng(8)
    held = 0
    for _ in range(3000):
        interval = sd_test(rng.normal(0, 3, 12)).interval
        held += interval.low <= 3 <= interval.high
    assert 0.94 <= held / 3000 <= 0.96


def test_pairs_adjust_by_holm() -> None:
    names = dict(zip("abcd", _groups(9, 4), strict=True))
    found = pairs(names)
    assert [(p.first, p.second) for p in found][:3] == [("a", "b"), ("a", "c"), ("a", "d")]
    outside = multipletests([p.test.p for p in found], method="holm")[1]
    np.testing.assert_allclose([p.p_adjusted for p in found], outside)


@given(st.integers(0, 500), st.floats(-1e3, 1e3), st.floats(0.01, 100))
def test_shift_scale_and_swap(seed: int, shift: float, scale: float) -> None:
    a, b, c = _groups(seed)
    for test in (welch_t, f_test, mann_whitney):
        assert test(a * scale + shift, b * scale + shift).p == pytest.approx(test(a, b).p, rel=1e-6)
        assert test(b, a).p == pytest.approx(test(a, b).p, rel=1e-9)
    for test in (welch_anova, levene, bartlett):
        moved = [g * scale + shift for g in (c, a, b)]
        assert test(moved).p == pytest.approx(test([a, b, c]).p, rel=1e-5)


def test_no_interval_where_groups_are_too_small_for_ranks() -> None:
    assert mann_whitney([1.0], [2.0, 3.0]).interval.low == -math.inf


@pytest.mark.parametrize(
    ("call", "word"),
    [
        (lambda: mean_test([1.0]), "at least 2"),
        (lambda: mean_test([2.0, 2.0]), "the same"),
        (lambda: mean_test([1.0, math.nan]), "missing"),
        (lambda: welch_t([1.0], [1.0, 2.0]), "at least 2"),
        (lambda: welch_t([1.0, 1.0], [2.0, 2.0]), "Neither"),
        (lambda: welch_t([1.0, math.inf], [2.0, 2.0]), "infinite"),
        (lambda: welch_t([1.0, 2.0], [2.0, 3.0], 1.0), "confidence level"),
        (lambda: welch_anova([[1.0, 2.0]]), "At least two|1 group"),
        (lambda: welch_anova([[1.0, 2.0], [3.0, 3.0]]), "the same"),
        (lambda: levene([[1.0, 2.0], [3.0, 4.0]]), "no spread"),
        (lambda: levene([[1.0, 2.0, 4.0], [3.0, 4.0, 9.0]], "mode"), "Unknown centre"),
        (lambda: bartlett([[1.0, 2.0], [3.0]]), "at least 2"),
        (lambda: f_test([1.0, 2.0], [3.0, 3.0]), "the same"),
        (lambda: sd_test([1.0, 2.0], 0.0), "reference"),
        (lambda: mann_whitney([], [1.0]), "no values"),
        (lambda: mann_whitney([1.0, 1.0], [1.0]), "the same"),
        (lambda: equivalence([1.0, 2.0], [1.0, 2.0], 1.0, -1.0), "margins"),
        (lambda: pairs({"a": [1.0, 2.0]}), "One group"),
    ],
)
def test_refusals(call: object, word: str) -> None:
    with pytest.raises(ComputeError, match=word) as caught:
        call()
    assert caught.value.remedy
