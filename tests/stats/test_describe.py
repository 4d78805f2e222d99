"""Summaries: certified digits, exact rational arithmetic, invariance, degenerate inputs, running sums."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from qualrec.errors import ComputeError
from qualrec.reference import Case, load_cases, read_columns
from qualrec.stats.describe import describe, from_sums

STRD = [case for case in load_cases() if case.kind == "descriptive"]
FIGURES = {"mean": "mean", "stdev_n_minus_1": "sd", "lag1_autocorrelation": "r1"}


@pytest.mark.parametrize("case", STRD, ids=lambda case: case.id)
def test_nist_strd(case: Case) -> None:
    """NIST StRD univariate sets; tolerances of the packaged cases."""
    found = describe(read_columns(case.inputs["file"])["y"])
    assert found.n == case.inputs["n"]
    for name, field in FIGURES.items():
        assert case.expected[name].accepts(getattr(found, field)), (name, getattr(found, field))


def test_thirteen_digits_against_exact_arithmetic() -> None:
    """Exact rational arithmetic on the doubles themselves: no more digits are lost than parsing lost."""
    for case in STRD:
        values = [Fraction(v) for v in read_columns(case.inputs["file"])["y"]]
        mean = sum(values) / len(values)
        square = sum((v - mean) ** 2 for v in values) / (len(values) - 1)
        found = describe([float(v) for v in values])
        assert found.mean == pytest.approx(float(mean), rel=1e-15)
        assert found.sd == pytest.approx(math.sqrt(square), rel=1e-13), case.id


@pytest.mark.parametrize("case", STRD, ids=lambda case: case.id)
def test_running_sums_keep_the_digits(case: Case) -> None:
    y = np.asarray(read_columns(case.inputs["file"])["y"])
    shift = y[0]
    mean, sd = from_sums(y.size, shift, np.sum(y - shift), np.sum((y - shift) ** 2))
    direct = describe(y)
    assert float(mean) == pytest.approx(direct.mean, rel=1e-15)
    assert float(sd) == pytest.approx(direct.sd, rel=1e-12)


VALUES = st.lists(st.floats(-1e6, 1e6, allow_nan=False), min_size=3, max_size=40)


@given(VALUES, st.floats(-1e4, 1e4), st.floats(0.01, 100.0))
def test_shift_scale_mirror_and_order(values: list[float], shift: float, scale: float) -> None:
    base = describe(values)
    moved = describe([scale * v + shift for v in values])
    size = max(1.0, max(abs(v) for v in values)) * scale + abs(shift)
    assert moved.mean == pytest.approx(scale * base.mean + shift, abs=1e-12 * size)
    assert moved.sd == pytest.approx(scale * base.sd, abs=1e-12 * size)
    mirrored = describe([-v for v in values])
    assert mirrored.sd == pytest.approx(base.sd, rel=1e-12, abs=1e-12)
    assert (mirrored.min, mirrored.max) == (-base.max, -base.min)
    turned = describe(values[::-1])
    assert turned.median == base.median
    if base.sd > 1e-6 * size:
        assert turned.r1 == pytest.approx(base.r1, abs=1e-6)


def test_one_value_and_constant_values() -> None:
    one = describe([4.5])
    assert (one.n, one.mean, one.min, one.max, one.median) == (1, 4.5, 4.5, 4.5, 4.5)
    assert math.isnan(one.sd)
    assert math.isnan(one.r1)
    same = describe([0.1] * 7)
    assert same.mean == 0.1
    assert same.sd == 0.0
    assert math.isnan(same.r1)


@pytest.mark.parametrize(
    ("values", "word"),
    [
        ([], "no values"),
        ([1.0, math.nan, 2.0], "number 2"),
        ([1.0, math.inf], "infinite"),
        ([[1.0, 2.0]], "shape"),
        ([1e300, -1e300], "too large"),
    ],
)
def test_refused_in_words(values: list[float], word: str) -> None:
    with pytest.raises(ComputeError, match=word) as refused:
        describe(values)
    assert refused.value.remedy


def test_tiny_values_keep_their_spread() -> None:
    assert describe([1e-140, 3e-140]).sd == pytest.approx(math.sqrt(2) * 1e-140, rel=1e-12)


def test_sums_of_empty_and_single_lots() -> None:
    mean, sd = from_sums([0, 1, 2], 10.0, [0.0, 0.5, 1.0], [0.0, 0.25, 0.5])
    assert math.isnan(mean[0])
    assert mean[1] == 10.5
    assert np.isnan(sd[:2]).all()
    assert sd[2] == 0.0
