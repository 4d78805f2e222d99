"""Two groups of lot means: an open data set with two known populations, one population, degenerate input."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from qualrec.errors import ComputeError
from qualrec.reference import read_columns
from qualrec.stats.groups import two_groups


def test_ceramic_strength_of_two_batches_is_two_populations() -> None:
    """NIST e-Handbook 1.4.2.10 (data: nist_ceramic_strength.csv): batch means 688.9987 and 611.1560."""
    columns = read_columns("nist_ceramic_strength.csv")
    values = np.array(columns["strength"], dtype=float)
    lots = [f"{lab}-{batch}" for lab, batch in zip(columns["lab"], columns["batch"], strict=True)]
    means = [values[[lot == one for lot in lots]].mean() for one in sorted(set(lots))]
    found = two_groups(means)
    assert found.p < 0.01
    assert (found.low_count, found.high_count) == (8, 8)
    assert found.low_mean == pytest.approx(611.156, abs=1.0)
    assert found.high_mean == pytest.approx(688.999, abs=1.0)


def test_one_normal_population_is_called_two_as_often_as_p_says() -> None:
    rng = np.random.default_rng(3)
    found = [two_groups(rng.standard_normal(25)).p < 0.05 for _ in range(1000)]
    assert 0.03 <= np.mean(found) <= 0.07


def test_a_single_outlying_lot_is_no_population() -> None:
    rng = np.random.default_rng(4)
    found = two_groups([*rng.standard_normal(30), 40.0])
    assert min(found.low_count, found.high_count) >= 5


@given(
    st.lists(st.integers(-1000, 1000), min_size=8, max_size=30, unique=True),
    st.floats(0.1, 100),
    st.floats(-1e4, 1e4),
)
def test_scale_and_shift_change_nothing(x: list[int], scale: float, shift: float) -> None:
    first = two_groups(x)
    second = two_groups([scale * v + shift for v in x])
    mirrored = two_groups([-v for v in x])
    assert second.share == pytest.approx(first.share, rel=1e-6)
    assert mirrored.share == pytest.approx(first.share, rel=1e-9)


@pytest.mark.parametrize("x", [[], [1.0, 2.0], [5.0] * 10, [1.0, 2.0, 3.0, 4.0, 5.0, float("nan")]])
def test_what_cannot_be_cut_is_refused(x: list[float]) -> None:
    with pytest.raises(ComputeError):
        two_groups(x)
