"""Running sums: against exact arithmetic, against published cases, and under any way of cutting the readings in pieces."""

from __future__ import annotations

import itertools
import math
from fractions import Fraction
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from qualrec import reference
from qualrec.records import rollup
from qualrec.records.rollup import (
    GroupSums,
    Sums,
    group_sums,
    merge,
    reshift,
    same,
    shape_counts,
    shape_range,
    sums,
)

VALUES = st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=40)


def exact(values: list[float], shift: float) -> tuple[float, ...]:
    """The figures by fractions, so without rounding until the end."""
    d = [Fraction(v) - Fraction(shift) for v in values]
    steps = [abs(Fraction(b) - Fraction(a)) for a, b in itertools.pairwise(values)]
    products = [a * b for a, b in itertools.pairwise(d)]
    return float(sum(d)), float(sum(x * x for x in d)), float(sum(steps)), float(sum(products))


def close(found: Sums, values: list[float]) -> None:
    s1, s2, sad, sp = exact(values, found.shift)
    reach = max(abs(v - found.shift) for v in values) or 1.0
    room = 1e-12 * len(values)
    assert (found.n, found.low, found.high) == (len(values), min(values), max(values))
    assert (found.first, found.last) == (values[0], values[-1])
    assert found.s1 == pytest.approx(s1, abs=room * reach)
    assert found.s2 == pytest.approx(s2, abs=room * reach * reach)
    assert found.sad == pytest.approx(sad, abs=2 * room * reach)
    assert found.sp == pytest.approx(sp, abs=room * reach * reach)


@given(VALUES, st.floats(-1e6, 1e6))
def test_sums_against_fractions(values: list[float], shift: float) -> None:
    close(sums(np.array(values), shift), values)


@given(VALUES, VALUES, st.floats(-1e3, 1e3))
def test_merged_sums_are_those_of_the_whole(left: list[float], right: list[float], shift: float) -> None:
    merged = merge(sums(np.array(left), left[0]), sums(np.array(right), shift))
    assert same(merged, sums(np.array(left + right), left[0]))


@given(VALUES, st.floats(-1e6, 1e6))
def test_reshift_there_and_back(values: list[float], shift: float) -> None:
    first = sums(np.array(values), values[0])
    assert same(first, reshift(first, shift))
    assert same(reshift(reshift(first, shift), values[0]), first)


@given(st.lists(VALUES, min_size=1, max_size=6), st.floats(-1e6, 1e6) | st.just(math.nan))
def test_many_groups_at_once(groups: list[list[float]], target: float) -> None:
    values = np.concatenate([np.array(g) for g in groups])
    start = np.cumsum([0] + [len(g) for g in groups[:-1]]).astype(np.int64)
    found = group_sums(values, start, np.full(len(groups), target))
    assert isinstance(found, GroupSums)
    for i, group in enumerate(groups):
        close(found.at(i), group)
        assert not found.at(i).far


STRD = ("numacc1", "numacc2", "numacc4", "pidigits", "lottery", "mavro")


@pytest.mark.parametrize("name", STRD)
def test_certified_figures(name: str) -> None:
    """NIST Statistical Reference Datasets, univariate: mean, sd and lag-1 autocorrelation from the sums of pieces of 7.

    Each within the tolerance that the packaged case allows (NumAcc4 loses digits when its figures are read as doubles).
    """
    case = reference.case(f"strd_uni_{name}")
    values = np.array(reference.read_columns(case.inputs["file"])[case.inputs["column"]])
    pieces = [values[i : i + 7] for i in range(0, len(values), 7)]
    whole = sums(pieces[0], float(pieces[0][0]))
    for piece in pieces[1:]:
        whole = merge(whole, sums(piece, float(piece[0])))
    m, first, last = whole.s1 / whole.n, whole.first - whole.shift, whole.last - whole.shift
    r1 = (whole.sp - m * (2 * whole.s1 - first - last) + (whole.n - 1) * m * m) / whole.deviance
    found = {"mean": whole.mean, "stdev_n_minus_1": whole.sd, "lag1_autocorrelation": r1}
    assert set(found) == set(case.expected)
    for figure, value in found.items():
        expected = case.expected[figure]
        assert value == pytest.approx(expected.value, rel=expected.tol_rel), figure


def test_equal_values_have_no_spread() -> None:
    found = sums(np.full(1000, 0.3), 5.0)
    assert found.sd == 0.0
    assert not found.far


def test_far_shift_is_noticed() -> None:
    values = 1e7 + np.array([0.1, 0.2, 0.3, 0.1])
    assert sums(values, 0.0).far
    assert not sums(values, 1e7).far


def test_one_value_has_no_sd() -> None:
    assert math.isnan(sums(np.array([3.0]), 0.0).sd)


@pytest.mark.parametrize(
    "sample, size, every, expected",
    [
        ([1, 2, 3, 4, 5, 6, 7], 2, 3, [1, 1, 0, 2, 2, 0, 3]),
        ([1, 2, 3, 4], 2, 0, [1, 1, 2, 2]),
        ([5, 6, 21, 25, 26], 5, 20, [1, 0, 2, 2, 0]),
        ([1, 2], 0, 20, [0, 0]),
    ],
)
def test_subgroups(sample: list[int], size: int, every: int, expected: list[int]) -> None:
    assert rollup.subgroup_of(np.array(sample), size, every).tolist() == expected


@pytest.mark.parametrize(
    "given_, expected",
    [
        ((400, 600, None, None, None), (350, 650)),
        ((400, None, 500, None, None), (350, 650)),
        ((None, 600, 500, 0, 1), (350, 650)),
        ((400, None, None, 0, 1000), (0, 1000)),
        ((400, None, None, None, 1000), None),
        ((None, None, 5, None, None), None),
        ((600, None, 500, None, None), None),
    ],
)
def test_range_of_the_shape(given_: tuple[Any, ...], expected: Any) -> None:
    assert shape_range(*given_) == expected


@given(st.lists(st.floats(-50, 150), max_size=200))
def test_shape_counts_every_value_once(values: list[float]) -> None:
    counts = shape_counts(np.array(values, dtype=np.float64), 0.0, 100.0)
    assert len(counts) == 258
    assert counts.sum() == len(values)
    assert counts[0] == sum(v < 0 for v in values)
    assert counts[-1] == sum(v > 100 for v in values)


def test_shape_edges() -> None:
    counts = shape_counts(np.array([0.0, 100.0, np.nextafter(100, 200), np.nextafter(0, -1)]), 0.0, 100.0)
    assert (counts[0], counts[1], counts[256], counts[257]) == (1, 1, 1, 1)


def test_stored_sums_after_any_history(site: Any) -> None:
    """Entries, imports, corrections in a fixed random order: verifying rebuilds all sums and finds them the same."""
    rng = np.random.default_rng(11)
    keys: list[Any] = []
    for step in range(25):
        count = int(rng.integers(1, 6))
        modes = ["cohesive", "interfacial", "parent material"]
        readings = [
            site.reading(
                float(rng.normal(540, 15)),
                stream_id=int(rng.choice([0, site.stream])),
                condition_id=int(rng.choice([0, site.condition])),
                pull=site.pull(str(rng.choice(modes))),
            )
            for _ in range(count)
        ]
        keys += site.add(*readings, kind=str(rng.choice(["typed", "file"])))
        if step % 3 == 2:
            key = keys[int(rng.integers(0, len(keys)))]
            with site.store.write(site.actor) as writer:
                writer.correct(key, kind="value", new_value=float(rng.normal(540, 15)), reason="read again")
        if step == 20:
            with site.store.write(site.actor) as writer:
                writer.correct(keys[0], kind="void", reason="wrong part")
    assert site.faults() == []
    assert sum(row[0] for row in site.rows("SELECT n FROM rollup")) == len(keys) - 1


def test_a_target_far_from_the_data_is_no_shift(site: Any) -> None:
    site.add(*[site.reading(1e7 + i * 0.1) for i in range(5)])
    ((shift, low),) = site.rows("SELECT shift, low FROM rollup")
    assert shift == low == 1e7
    site.add(site.reading(1e7 + 0.7))
    assert site.faults() == []


def test_a_batch_far_from_the_shift_rebuilds(site: Any) -> None:
    site.add(site.reading(1.0), site.reading(1.0))
    (key, _) = site.add(site.reading(1e9), site.reading(1e9 + 1e-3))
    site.add(site.reading(1e9 + 2e-3))
    first, second = site.rows("SELECT sample FROM reading ORDER BY sample LIMIT 2")
    for sample in (first[0], second[0]):
        with site.store.write(site.actor) as writer:
            writer.correct(
                type(key)(key.subject_id, key.characteristic_id, 0, sample), kind="void", reason="wrong unit"
            )
    ((n, shift),) = site.rows("SELECT n, shift FROM rollup")
    assert (n, shift) == (3, 1e9)
    assert site.faults() == []


def test_subgroups_follow_the_plan_in_force(site: Any) -> None:
    with site.store.write(site.actor) as writer:
        row = {
            "characteristic_id": site.collapse,
            "revision": 2,
            "valid_from_us": 1000,
            "unit": "mm",
            "mean_width": 3.5,
            "ewma_lambda": 0.2,
            "ewma_width": 2.9,
            "subgroup_size": 2,
            "subgroup_every": 2,
        }
        writer.insert("characteristic_revision", row, act="characteristic revised")
    more = {"characteristic_id": site.collapse}
    site.add(*[site.reading(float(i), at_us=999, **more) for i in range(6)])
    assert site.rows("SELECT subgroup, n FROM rollup ORDER BY 1") == [(0, 6), (1, 5)]
    site.add(*[site.reading(float(i), at_us=1000, **more) for i in range(4)])
    assert site.rows("SELECT subgroup, n FROM rollup ORDER BY 1") == [(0, 10), (1, 5), (4, 2), (5, 2)]
    assert site.faults() == []
