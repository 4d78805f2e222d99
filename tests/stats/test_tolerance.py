"""Tolerance factors: printed tables, mpmath, cover by simulation, refusals."""

from __future__ import annotations

import math

import mpmath
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from qualrec.errors import ComputeError
from qualrec.reference import case, load_cases
from qualrec.stats.tolerance import (
    distribution_free,
    distribution_free_n,
    free_share_beyond,
    k_howe,
    k_natrella,
    k_one_sided,
    k_two_sided,
    share_beyond,
    tolerance_interval,
)


def _found(case_id: str) -> dict[str, object]:
    i = case(case_id).inputs
    if case_id == "tol_nist_wafers":
        n, p, c = i["n"], i["coverage"], i["conf"]
        howe, exact = k_howe(n, p, c), k_one_sided(n, p, c)
        assert k_two_sided(n, p, c) == pytest.approx(2.222825, abs=1e-6)
        return {
            "k2_howe": howe, "k1_natrella": k_natrella(n, p, c), "k1_noncentral_t": exact,
            "two_sided_lower": i["mean"] - howe * i["s"], "two_sided_upper": i["mean"] + howe * i["s"],
            "upper_one_sided": i["mean"] + exact * i["s"],
        }  # fmt: skip
    if case_id == "tol_k1_95_95":
        return {"k1": [k_one_sided(n, i["coverage"], i["conf"]) for n in i["n"]]}
    if case_id == "tol_k_grid_a":
        rows = list(zip(i["n"], i["coverage"], i["conf"], strict=True))
        return {"k1": [k_one_sided(*r) for r in rows], "k2_exact": [k_two_sided(*r) for r in rows]}
    raise KeyError(case_id)


@pytest.mark.parametrize("case_id", [c.id for c in load_cases() if c.kind == "tolerance_interval"])
def test_published_case(case_id: str) -> None:
    found = _found(case_id)
    for name, expected in case(case_id).expected.items():
        assert expected.accepts(found[name]), (name, found[name], expected.value)


@pytest.mark.parametrize("n", [2, 3, 7, 30, 200, 5000])
@pytest.mark.parametrize(("p", "c"), [(0.9, 0.95), (0.9973, 0.95), (0.5, 0.9)])
def test_one_sided_against_scipy(n: int, p: float, c: float) -> None:
    """scipy.stats.nct quantile."""
    outside = stats.nct.ppf(c, n - 1, stats.norm.ppf(p) * math.sqrt(n)) / math.sqrt(n)
    assert k_one_sided(n, p, c) == pytest.approx(outside, rel=1e-7)


@pytest.mark.parametrize(
    ("n", "p", "c"), [(2, 0.9, 0.95), (5, 0.99, 0.9), (50, 0.9973, 0.95), (1000, 0.95, 0.95)]
)
def test_two_sided_against_mpmath(n: int, p: float, c: float) -> None:
    """The confidence of the factor, by mpmath integration over the mean."""
    k = k_two_sided(n, p, c)
    df = n - 1

    def held(m: mpmath.mpf) -> mpmath.mpf:
        r = mpmath.findroot(
            lambda v: mpmath.ncdf(m + v) - mpmath.ncdf(m - v) - p, m + stats.norm.ppf(0.5 + p / 2)
        )
        tail = mpmath.gammainc(mpmath.mpf(df) / 2, df * (r / k) ** 2 / 2, mpmath.inf, regularized=True)
        return tail * mpmath.npdf(m, 0, 1 / mpmath.sqrt(n)) * 2

    end = 7 / math.sqrt(n)
    assert float(mpmath.quad(held, [0, end / 4, end], maxdegree=6)) == pytest.approx(c, abs=1e-7)


@pytest.mark.parametrize("side", ["two", "lower", "upper"])
def test_interval_holds_the_share_with_the_confidence(side: str) -> None:
    """10,000 samples of 15, 95/90: exact, 94 to 96 %."""
    rng = np.random.default_rng(1)
    k = k_two_sided(15, 0.9, 0.95) if side == "two" else k_one_sided(15, 0.9, 0.95)
    x = rng.normal(size=(10_000, 15))
    mean, sd = x.mean(axis=1), x.std(axis=1, ddof=1)
    low = stats.norm.cdf(mean - k * sd) if side != "upper" else 0.0
    high = stats.norm.cdf(mean + k * sd) if side != "lower" else 1.0
    assert 0.94 <= float(np.mean(high - low >= 0.9)) <= 0.96
    found = tolerance_interval(x[0], 0.9, 0.95, side)
    assert found.low == (pytest.approx(mean[0] - k * sd[0]) if side != "upper" else -math.inf)
    assert found.high == (pytest.approx(mean[0] + k * sd[0]) if side != "lower" else math.inf)


def test_distribution_free_interval_covers_for_any_shape() -> None:
    """Exponential values, 95/90, n 150: at least 95 % of 3,000 samples (discrete, conservative)."""
    rng = np.random.default_rng(2)
    held = 0
    for _ in range(3000):
        found = distribution_free(rng.exponential(size=150), 0.9, 0.95)
        held += math.exp(-max(found.low, 0)) - math.exp(-found.high) >= 0.9
    assert found.confidence >= 0.95
    assert held / 3000 >= 0.945


@pytest.mark.parametrize("side", ["two", "lower", "upper"])
def test_distribution_free_interval_is_as_short_as_the_confidence_allows(side: str) -> None:
    """Order numbers by scipy's binomial: one more value left out would not reach 95 %."""
    x = np.sort(np.random.default_rng(6).normal(size=300))
    out = max(r for r in range(1, 100) if stats.binom.cdf(300 - r, 300, 0.9) >= 0.95)
    below = {"two": out // 2, "lower": out, "upper": 0}[side]
    found = distribution_free(x, 0.9, 0.95, side)
    assert found.low == (x[below - 1] if below else -math.inf)
    assert found.high == (x[300 - (out - below)] if out > below else math.inf)
    assert found.confidence == pytest.approx(stats.binom.cdf(300 - out, 300, 0.9))


def test_distribution_free_one_sided_is_the_success_run() -> None:
    """Smallest value of 59: with 95 % confidence at least 95 % lie above it."""
    assert distribution_free_n(0.95, 0.95, "lower") == 59
    x = np.random.default_rng(3).normal(size=59)
    found = distribution_free(x, 0.95, 0.95, "lower")
    assert found.low == x.min()
    assert found.high == math.inf
    assert distribution_free(-x, 0.95, 0.95, "upper").high == -x.min()


def test_share_beyond_inverts_the_factor_and_covers() -> None:
    x = np.random.default_rng(4).normal(50, 5, 30)
    k = k_one_sided(30, 0.99, 0.95)
    limit = x.mean() - k * x.std(ddof=1)
    assert share_beyond(x, limit).value == pytest.approx(0.99, abs=1e-7)
    assert share_beyond(-x, -limit, "upper").value == pytest.approx(0.99, abs=1e-7)
    rng = np.random.default_rng(5)
    held = sum(share_beyond(rng.normal(size=20), -2.0).value <= stats.norm.cdf(2) for _ in range(3000))
    assert 0.938 <= held / 3000 <= 0.962


def test_free_share_counts_values_on_the_limit_as_good() -> None:
    assert free_share_beyond([5.0] * 59, 5.0).value == pytest.approx(0.05 ** (1 / 59))
    assert free_share_beyond([1.0, 6.0], 5.0, "upper").value < 0.5


@given(st.integers(3, 60), st.floats(0.6, 0.995), st.floats(0.6, 0.99))
def test_factors_move_the_right_way(n: int, p: float, c: float) -> None:
    """Larger for more coverage or confidence, smaller for more values; two-sided above one-sided at equal
    share."""
    one, two = k_one_sided(n, p, c), k_two_sided(n, p, c)
    assert two > one
    assert k_one_sided(n + 1, p, c) < one
    assert k_two_sided(n + 1, p, c) < two
    assert k_two_sided(n, min(p + 0.004, 0.999), c) > two


@pytest.mark.parametrize(
    ("call", "word"),
    [
        (lambda: k_one_sided(1, 0.9, 0.95), "at least 2"),
        (lambda: k_two_sided(5, 1.0, 0.95), "coverage"),
        (lambda: k_two_sided(5, 0.9, 0.0), "confidence"),
        (lambda: k_natrella(2, 0.9, 0.99), "approximation"),
        (lambda: tolerance_interval([1.0]), "at least 2"),
        (lambda: tolerance_interval([1.0, 1.0]), "the same"),
        (lambda: tolerance_interval([1.0, math.nan]), "missing"),
        (lambda: tolerance_interval([1.0, 2.0], side="left"), "Unknown side"),
        (lambda: distribution_free([1.0, 2.0]), "do not reach"),
        (lambda: share_beyond([1.0, 2.0], math.nan), "limit"),
        (lambda: share_beyond([1.0, 2.0], 0.0, "two"), "Side"),
    ],
)
def test_refusals(call: object, word: str) -> None:
    with pytest.raises(ComputeError, match=word) as caught:
        call()
    assert caught.value.remedy
