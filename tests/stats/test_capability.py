"""Capability indices: published figures, outside references, what the bounds cover, inputs that break
down."""

from __future__ import annotations

import math

import mpmath
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from qualrec.reference import case, load_cases, read_columns
from qualrec.stats import capability_bounds as cb
from qualrec.stats import spread
from qualrec.stats.capability import (
    LotSummary,
    capability,
    capability_of_values,
    lot_summary,
)
from qualrec.stats.capability_batch import capability_batch, index_values


def _check(case_id: str, found: dict[str, object]) -> None:
    published = case(case_id)
    assert set(found) == set(published.expected), case_id
    for name, expected in published.expected.items():
        assert expected.accepts(found[name]), (case_id, name, found[name], expected.value)


def _nist_example() -> None:
    i = case("cap_nist_example").inputs
    cp, cpk, cpl, cpu = (float(x) for x in index_values(i["mean"], i["s"], i["lsl"], i["usl"]))
    middle = (i["usl"] + i["lsl"]) / 2
    off = abs(i["mean"] - middle) / ((i["usl"] - i["lsl"]) / 2)
    assert cpk == pytest.approx((1 - off) * cp)
    _check("cap_nist_example", {"cp": cp, "cpk": cpk, "cpl": cpl, "cpu": cpu, "k": off})


def _bottles() -> None:
    i = case("cap_montgomery_bottles").inputs
    columns = read_columns(i["file"])
    table = np.array([columns[f"x{j}"] for j in range(1, 6)]).T
    lots = np.repeat(np.arange(len(table)), 5)
    sigma = spread.from_ranges(np.ptp(table, axis=1), 5)
    result = capability_of_values(table.ravel(), i["lsl"], None, None, lots, within=sigma)
    assert result.within_estimator == sigma.estimator
    found = {
        "mean": result.mean,
        "s_overall": result.sd_overall,
        "ppl_overall": result.index("Ppl").value,
        "sigma_within": result.sd_within,
        "cpl_within": result.index("Cpl").value,
    }
    _check("cap_montgomery_bottles", found)


def _fallout() -> None:
    i = case("cap_ppm_table").inputs
    one, two = [], []
    for cp in i["cp"]:
        lots = LotSummary(np.array([1, 1]), np.array([-1.0, 1.0]) / math.sqrt(2), np.full(2, np.nan))
        result = capability(lots, -3 * cp, 3 * cp)
        one.append(result.estimated_above * 1e6)
        two.append((result.estimated_below + result.estimated_above) * 1e6)
    np.testing.assert_allclose(one, case("cap_ppm_table").expected["one_sided_ppm"].recomputed, rtol=1e-9)
    _check("cap_ppm_table", {"one_sided_ppm": one, "two_sided_ppm": two})


def _ci_cp() -> None:
    i = case("capci_cp_montgomery").inputs
    cp = (i["usl"] - i["lsl"]) / (6 * i["s"])
    df = i["n"] - 1
    found = {
        "cp": cp,
        "lower": float(cb.bound_spread(cp, df, 0.975)),
        "upper": float(cb.bound_spread(cp, df, 0.025)),
    }
    _check("capci_cp_montgomery", found)


def _ci_bissell() -> None:
    i = case("capci_cpk_bissell_a").inputs
    low = cb.bound_two_sided(i["cpk"], i["n"], np.array(i["n"]) - 1, 0.975)
    high = cb.bound_two_sided(i["cpk"], i["n"], np.array(i["n"]) - 1, 0.025)
    _check("capci_cpk_bissell_a", {"lower": low, "upper": high})


def _ci_one_sided() -> None:
    i = case("capci_cpu_exact_n30").inputs
    low = float(cb.bound_one_sided(i["index"], i["n"], i["n"] - 1, i["conf"]))
    cdf = _noncentral_t_cdf(3 * math.sqrt(i["n"]) * i["index"], i["n"] - 1, 3 * math.sqrt(i["n"]) * low)
    _check("capci_cpu_exact_n30", {"lower": low, "nct_cdf_at_solution": cdf})


def _ci_lower() -> None:
    i = case("capci_cp_lower").inputs
    _check("capci_cp_lower", {"lower": cb.bound_spread(i["cp"], np.array(i["n"]) - 1, i["conf"])})


CASES = {
    "cap_nist_example": _nist_example,
    "cap_montgomery_bottles": _bottles,
    "cap_ppm_table": _fallout,
    "capci_cp_montgomery": _ci_cp,
    "capci_cpk_bissell_a": _ci_bissell,
    "capci_cpu_exact_n30": _ci_one_sided,
    "capci_cp_lower": _ci_lower,
}


@pytest.mark.parametrize("case_id", [c.id for c in load_cases() if c.kind in ("capability", "capability_ci")])
def test_published_case(case_id: str) -> None:
    """Every packaged case of the kind; sources and how each was obtained stand in cases.json."""
    CASES[case_id]()


def _noncentral_t_cdf(t: float, df: int, delta: float) -> float:
    """P(T <= t) by integration over the chi variable, in mpmath; independent of scipy."""
    half = mpmath.mpf(df) / 2
    log_c = (1 - half) * mpmath.log(2) - mpmath.loggamma(half)

    def part(u: mpmath.mpf) -> mpmath.mpf:
        density = mpmath.exp(log_c + (df - 1) * mpmath.log(u) - u * u / 2)
        return density * mpmath.ncdf(t * u / mpmath.sqrt(df) - delta)

    middle = mpmath.sqrt(df)
    return float(mpmath.quad(part, [max(middle - 9, mpmath.mpf("1e-12")), middle, middle + 9]))


@pytest.mark.parametrize(
    ("index", "n"), [(1.33, 10), (1.67, 125), (0.0, 20), (-0.5, 12), (2.5, 400), (1.0, 3)]
)
def test_one_sided_bound_against_mpmath(index: float, n: int) -> None:
    """Chou, Owen & Borrego 1990: the bound puts the observed t at the 95 % point."""
    low = float(cb.bound_one_sided(index, n, n - 1))
    t, delta = 3 * math.sqrt(n) * index, 3 * math.sqrt(n) * low
    assert _noncentral_t_cdf(t, n - 1, delta) == pytest.approx(0.95, abs=1e-9)


@pytest.mark.parametrize(("n", "value"), [(10_000, 1.67), (1_000_000, 1.33), (10_000_000, 2.0)])
def test_one_sided_bound_at_large_n_meets_the_normal_limit(n: int, value: float) -> None:
    assert float(cb.bound_one_sided(value, n, n - 1)) == pytest.approx(
        float(cb.bound_two_sided(value, n, n - 1)), rel=1e-4
    )


def test_noncentral_t_far_out_in_the_tails() -> None:
    """scipy gives nan there; the distribution function is 0 on the left and 1 on the right."""
    low, high = cb.noncentral_t(29, 3.8, -36.2), cb.noncentral_t(29, -36.2, 3.8)
    assert (float(low), float(high)) == (0.0, 1.0)
    assert np.isnan(cb.noncentral_t(29, np.nan, 1.0))


def test_effective_df_inverts_the_chi_square_factor() -> None:
    df = np.array([0.7, 1.0, 2.0, 5.0, 24.0, 300.0, 1e5])
    for level in (0.9, 0.95, 0.99):
        alone = cb.effective_df(1.0, df, 0.0, 0.0, level)
        np.testing.assert_allclose(alone, df, rtol=1e-9)
        chi2 = stats.chi2.ppf(1 - level, df)
        np.testing.assert_allclose(cb.upper_factor(df, level), df / chi2, rtol=1e-9)


def _lots(k: int, m: int, ratio: float, samples: int, seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Lot means and sds of samples, variance within 1."""
    rng = np.random.default_rng(seed)
    means = rng.normal(0, math.sqrt(ratio), (samples, k)) + rng.normal(0, 1 / math.sqrt(m), (samples, k))
    sds = np.sqrt(rng.chisquare(m - 1, (samples, k)) / (m - 1))
    return np.full((samples, k), m), means, sds


@pytest.mark.parametrize("ratio", [0.0, 0.5, 1.0, 2.0])
@pytest.mark.parametrize("true_ppk", [1.0, 1.67])
def test_lot_bound_covers_where_the_independent_bound_does_not(ratio: float, true_ppk: float) -> None:
    """25 lots of 5; goal of the method: at least 93 % at every ratio of between to within variance."""
    n, mean, sd = _lots(25, 5, ratio, 2500, seed=11)
    total = math.sqrt(1 + ratio)
    result = capability_batch(n, mean, sd, -3 * true_ppk * total, np.nan)
    covered = float(np.mean(result.bounds["Ppk"] <= true_ppk))
    independent = float(np.mean(result.independent <= true_ppk))
    assert covered >= 0.93
    assert covered <= 0.985
    assert independent < (0.97 if ratio == 0 else 0.92)


@pytest.mark.parametrize(("centre", "most"), [(0.0, 0.995), (0.4, 0.985)])
def test_lot_bound_with_two_limits_is_on_the_safe_side(centre: float, most: float) -> None:
    n, mean, sd = _lots(25, 5, 1.0, 2000, seed=12)
    total = math.sqrt(2.0)
    low, high = (-4.0 + centre) * total, (4.0 + centre) * total
    true_ppk = min(-low, high) / (3 * total)
    result = capability_batch(n, mean, sd, low, high)
    assert 0.94 <= float(np.mean(result.bounds["Ppk"] <= true_ppk)) <= most
    assert 0.94 <= float(np.mean(result.bounds["Pp"] <= 8.0 / 6.0)) <= 0.975


def test_lot_bound_counts_the_scatter_of_the_mean_between_lots() -> None:
    """A low index hangs on the mean: Ppk 0.2, 25 lots of 20, ratio 2. Variance of the mean of equal lots =
    var(means)/k."""
    n, mean, sd = _lots(25, 20, 2.0, 2000, seed=18)
    result = capability_batch(n, mean, sd, -0.6 * math.sqrt(3.0), np.nan)
    assert 0.93 <= float(np.mean(result.bounds["Ppk"] <= 0.2)) <= 0.97
    np.testing.assert_allclose(result.moments.var_mean, mean.var(axis=1, ddof=1) / 25, rtol=1e-9)


def test_unequal_lots_and_few_lots_are_covered() -> None:
    """8 lots of 2 to 12 values, ratio 1."""
    rng = np.random.default_rng(13)
    sizes = np.array([2, 3, 4, 5, 6, 8, 10, 12])
    n = np.tile(sizes, (2500, 1))
    mean = rng.normal(0, 1, n.shape) + rng.normal(0, 1, n.shape) / np.sqrt(n)
    sd = np.sqrt(rng.chisquare(n - 1) / (n - 1))
    result = capability_batch(n, mean, sd, -4 * math.sqrt(2), np.nan)
    assert float(np.mean(result.bounds["Ppk"] <= 4 / 3)) >= 0.93


@pytest.mark.parametrize("kind", ["one-sided", "Cp", "Bissell"])
def test_independent_bounds_cover(kind: str) -> None:
    """10,000 samples of 30: exact bounds 94 to 96 %, Bissell off centre at least 93 % (approximate)."""
    rng = np.random.default_rng(14)
    n, true = 30, 4 / 3
    mean = rng.normal(0, 1 / math.sqrt(n), 10_000)[:, None]
    sd = np.sqrt(rng.chisquare(n - 1, 10_000) / (n - 1))[:, None]
    count = np.full((10_000, 1), n)
    if kind == "one-sided":
        bound = capability_batch(count, mean, sd, -4.0, np.nan).bounds["Ppk"]
    elif kind == "Cp":
        bound = capability_batch(count, mean, sd, -4.0, 4.0).bounds["Pp"]
    else:
        bound = capability_batch(count, mean, sd, -4.0, 6.0).bounds["Ppk"]
    covered = float(np.mean(bound <= true))
    assert (0.93 if kind == "Bissell" else 0.94) <= covered <= 0.96


def test_cpm_bound_covers() -> None:
    """Boyles 1991, target half a sigma away, 50 independent values."""
    rng = np.random.default_rng(15)
    n = 50
    mean = rng.normal(0, 1 / math.sqrt(n), 4000)[:, None]
    sd = np.sqrt(rng.chisquare(n - 1, 4000) / (n - 1))[:, None]
    result = capability_batch(np.full((4000, 1), n), mean, sd, -4.0, 4.0, 0.5)
    true = 8 / (6 * math.sqrt(1.25))
    assert 0.935 <= float(np.mean(result.bounds["Cpm"] <= true)) <= 0.975


def test_cpm_of_the_handbook_example() -> None:
    """Target 14 in the NIST 6.1.6 example (USL 20, LSL 8, mean 16, s 2): 0.707107 by the definition."""
    a = math.sqrt(2)
    lots = LotSummary(np.array([1, 1]), np.array([16 - a, 16 + a]), np.full(2, np.nan))
    result = capability(lots, 8.0, 20.0, 14.0)
    assert result.sd_overall == pytest.approx(2.0)
    assert result.cpm.value == pytest.approx(0.7071067811865475)


values_and_lots = st.tuples(st.integers(3, 9), st.integers(2, 6), st.integers(0, 10_000)).map(
    lambda t: (
        np.random.default_rng(t[2]).normal(10, 1, t[0] * t[1]),
        np.repeat(np.arange(t[0]), t[1]),
    )
)


def _figures(result: object) -> list[float]:
    items = [*result.within, *result.overall, result.cpm]
    return [x for i in items for x in (i.value, i.bound.value)]


@given(values_and_lots, st.floats(-1e3, 1e3), st.floats(0.01, 100))
def test_shift_and_scale_leave_the_indices(data: tuple, shift: float, scale: float) -> None:
    x, lots = data
    a = capability_of_values(x, 4.0, 17.0, 10.5, lots)
    moved = capability_of_values(
        x * scale + shift, 4 * scale + shift, 17 * scale + shift, 10.5 * scale + shift, lots
    )
    np.testing.assert_allclose(_figures(moved), _figures(a), rtol=1e-6)


@given(values_and_lots)
def test_mirrored_limits_swap_the_sides(data: tuple) -> None:
    x, lots = data
    a, b = capability_of_values(x, 4.0, 17.0, None, lots), capability_of_values(-x, -17.0, -4.0, None, lots)
    for left, right in (("Cpl", "Cpu"), ("Ppl", "Ppu"), ("Cpk", "Cpk"), ("Ppk", "Ppk"), ("Pp", "Pp")):
        assert a.index(left).value == pytest.approx(b.index(right).value, rel=1e-9)
        assert a.index(left).bound.value == pytest.approx(b.index(right).bound.value, rel=1e-6)


@given(values_and_lots, st.randoms(use_true_random=False))
def test_order_of_the_readings_does_not_matter(data: tuple, random: object) -> None:
    x, lots = data
    order = list(range(x.size))
    random.shuffle(order)
    a = capability_of_values(x, 4.0, 17.0, 10.0, lots)
    b = capability_of_values(x[order], 4.0, 17.0, 10.0, lots[order])
    np.testing.assert_allclose(_figures(b), _figures(a), rtol=1e-9)


@given(values_and_lots)
def test_rollups_of_rollups_agree_with_values(data: tuple) -> None:
    """The overall sd from lot figures is that of the plain values; the bound never lies above the index."""
    x, lots = data
    result = capability_of_values(x, 4.0, 17.0, 10.0, lots)
    assert result.sd_overall == pytest.approx(x.std(ddof=1), rel=1e-12)
    assert result.mean == pytest.approx(x.mean(), rel=1e-12)
    assert result.sd_within == pytest.approx(
        spread.pooled(lot_summary(x, lots).sd, np.bincount(lots)).value, rel=1e-12
    )
    for item in (*result.overall, *result.within, result.cpm):
        assert item.bound.value <= item.value
        assert (item.n, item.k) == (x.size, len(set(lots)))


def test_values_far_from_zero_keep_their_digits() -> None:
    x = np.array([0.1, 0.4, 0.2, 0.5, 0.3, 0.35])
    near = capability_of_values(x, -1.0, 2.0, None, list("aabbcc"))
    far = capability_of_values(x + 1e7, 1e7 - 1, 1e7 + 2, None, list("aabbcc"))
    assert far.index("Ppk").value == pytest.approx(near.index("Ppk").value, rel=1e-7)


def test_lot_order_and_names() -> None:
    lots = lot_summary([5.0, 1.0, 7.0, 3.0], ["b", "a", "b", "c"])
    assert lots.n.tolist() == [2, 1, 1]
    assert lots.mean.tolist() == [6.0, 1.0, 3.0]
    assert lots.sd[0] == pytest.approx(math.sqrt(2))
    assert np.isnan(lots.sd[1:]).all()


def test_moving_range_where_lots_hold_one_value() -> None:
    """Cryer & Ryan 1990 variance; the estimate equals the mean moving range of the individuals chart."""
    x = np.random.default_rng(16).normal(10, 1, 40)
    result = capability_of_values(x, 4.0, None, None, np.arange(40))
    outside = spread.moving_range(x)
    assert result.sd_within == pytest.approx(outside.value, rel=1e-12)
    assert result.within[0].df == pytest.approx(outside.df, rel=2e-3)
    assert result.index("Ppk").bound.value == pytest.approx(
        float(cb.bound_one_sided(result.index("Ppk").value, 40, 39)), rel=1e-9
    )


def test_absent_lots_are_not_counted() -> None:
    n = np.array([5, 0, 5, 0, 1])
    full = capability_batch(n, [10.0, np.nan, 11.0, 0.0, 10.5], [1.0, np.nan, 1.2, 0.0, np.nan], 4.0, np.nan)
    short = capability_batch([5, 5, 1], [10.0, 11.0, 10.5], [1.0, 1.2, np.nan], 4.0, np.nan)
    assert full.moments.k[0] == 3
    assert full.bounds["Ppk"][0] == short.bounds["Ppk"][0]


def test_absent_lots_of_single_values() -> None:
    n = [[1, 0, 1, 1], [1, 1, 1, 0]]
    batch = capability_batch(
        n, [[1.0, 9.0, 2.0, 4.0], [1.0, 2.0, 4.0, 9.0]], np.full((2, 4), np.nan), -4.0, np.nan
    )
    assert batch.sd_within[0] == batch.sd_within[1] == pytest.approx(1.5 * math.sqrt(math.pi) / 2)


def test_batch_rows_equal_single_characteristics() -> None:
    rng = np.random.default_rng(17)
    n = rng.integers(0, 6, (12, 8))
    n[:, :2] = 3
    mean, sd = rng.normal(10, 1, n.shape), rng.uniform(0.5, 1.5, n.shape)
    lsl, usl = np.full(12, 4.0), np.where(np.arange(12) % 2, 16.0, np.nan)
    batch = capability_batch(n, mean, sd, lsl, usl, 10.0)
    for row in range(12):
        one = capability(LotSummary(n[row], mean[row], sd[row]), 4.0, None if row % 2 == 0 else 16.0, 10.0)
        for item in (*one.within, *one.overall):
            assert batch.values[item.name][row] == item.value
            assert batch.bounds[item.name][row] == item.bound.value
        assert batch.independent[row] == one.bound_independent.value


def test_one_bad_row_does_not_stop_the_batch() -> None:
    n = np.array([[5, 5], [1, 0], [5, 5], [5, 5], [5, 5], [5, 5]])
    mean = np.array([[1.0, 2.0], [1.0, 0.0], [1.0, 1.0], [1.0, np.nan], [1.0, 2.0], [1.0, 2.0]])
    sd = np.array([[1.0, 1.0], [0.0, 0.0], [0.0, 0.0], [1.0, 1.0], [1.0, 1.0], [1.0, 1.0]])
    lsl = np.array([-4.0, -4.0, -4.0, -4.0, np.nan, 4.0])
    batch = capability_batch(n, mean, sd, lsl, [np.nan, np.nan, np.nan, np.nan, np.nan, 3.0])
    words = ("", "fewer than 2 values", "no spread", "not finite", "no limit", "limits crossed")
    assert batch.problem == words
    assert np.isfinite(batch.bounds["Ppk"]).tolist() == [True, False, False, False, False, False]
