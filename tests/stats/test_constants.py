"""Chart factors against mpmath and against closed forms of small subgroups."""

from __future__ import annotations

import math

import mpmath as mp
import numpy as np
import pytest
from scipy import integrate, special

from qualrec.errors import ComputeError
from qualrec.reference import read_columns
from qualrec.stats.constants import c4, c4_array, d2, d2_array, d2_star, d3, d3_array, factors


def mp_d2(n: int) -> mp.mpf:
    """E(range) by its single integral, mpmath."""
    with mp.workdps(25):
        return 2 * mp.quad(lambda x: 1 - mp.ncdf(x) ** n - mp.ncdf(-x) ** n, [0, 1, 2, 4, 8, 14])


@pytest.mark.parametrize("n", [2, 3, 4, 5, 7, 10, 25, 50, 100, 1000])
def test_d2_and_c4_against_mpmath(n: int) -> None:
    assert d2(n) == pytest.approx(float(mp_d2(n)), abs=1e-12)
    exact = mp.sqrt(mp.mpf(2) / (n - 1)) * mp.gammaprod([mp.mpf(n) / 2], [mp.mpf(n - 1) / 2])
    assert c4(n) == pytest.approx(float(exact), abs=1e-14)


@pytest.mark.parametrize("n", [2, 4, 5, 10, 25])
def test_d3_against_the_double_integral(n: int) -> None:
    """E(W^2) = 2 times the integral over x < y of 1 - F(y)^n - (1 - F(x))^n + (F(y) - F(x))^n, scipy.integrate."""

    def inside(y: float, x: float) -> float:
        low, high = special.ndtr(x), special.ndtr(y)
        return float(1 - high**n - (1 - low) ** n + (high - low) ** n)

    square = 2 * integrate.dblquad(inside, -8, 8, lambda x: x, 8, epsabs=1e-10, epsrel=1e-10)[0]
    assert d3(n) == pytest.approx(math.sqrt(square - float(mp_d2(n)) ** 2), abs=1e-9)


def test_d3_of_two_and_three_in_closed_form() -> None:
    """sqrt(2 - 4/pi); sqrt(2 + 3 sqrt(3)/pi - 9/pi): moments of |x1 - x2| and of the range of three normals."""
    assert d3(2) == pytest.approx(math.sqrt(2 - 4 / math.pi), abs=1e-12)
    assert d3(3) == pytest.approx(math.sqrt(2 + 3 * math.sqrt(3) / math.pi - 9 / math.pi), abs=1e-12)


def test_d3_of_large_subgroups_against_simulation() -> None:
    ranges = np.ptp(np.random.default_rng(5).standard_normal((20_000, 200)), axis=1)
    assert d2(200) == pytest.approx(ranges.mean(), abs=4 * d3(200) / math.sqrt(20_000))
    assert d3(200) == pytest.approx(ranges.std(), rel=0.03)


def test_every_factor_of_the_packaged_table() -> None:
    table = read_columns("constants.csv")
    for row, n in enumerate(table["n"]):
        found = factors(int(n))
        for name in table:
            if name != "n":
                assert getattr(found, name) == pytest.approx(table[name][row], abs=6e-9), (name, n)


def test_arrays_agree_with_single_values_and_mark_what_has_no_factor() -> None:
    sizes = np.array([[2, 5, 1], [0, 10, 25]])
    for many, one in ((c4_array, c4), (d2_array, d2), (d3_array, d3)):
        found = many(sizes)
        assert found.shape == sizes.shape
        assert np.isnan(found[0, 2])
        assert np.isnan(found[1, 0])
        assert found[1, 2] == pytest.approx(one(25), abs=1e-14)


def test_large_arrays_of_sizes_agree_with_small_ones() -> None:
    sizes = np.random.default_rng(1).integers(0, 900, 3000).astype(float)
    np.testing.assert_allclose(c4_array(sizes), [c4(n) if n > 1 else math.nan for n in sizes], rtol=1e-15)
    odd = np.append(sizes, [1500.5, np.nan])
    np.testing.assert_allclose(c4_array(odd)[-2:], [c4(1500.5), math.nan], rtol=1e-15)


def test_c4_of_very_large_n_tends_to_one() -> None:
    assert 1 - c4(1e6) == pytest.approx(1 / (4 * (1e6 - 1)), rel=1e-5)


def test_d2_star_tends_to_d2() -> None:
    assert d2_star(5, 10**9) == pytest.approx(d2(5), abs=1e-9)


@pytest.mark.parametrize(
    "call", [lambda: c4(1), lambda: d2(1), lambda: d3(0), lambda: factors(1), lambda: d2_star(5, 0)]
)
def test_too_small_subgroups_are_refused_in_words(call) -> None:
    with pytest.raises(ComputeError) as refused:
        call()
    assert refused.value.remedy
