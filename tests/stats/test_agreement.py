"""Kappa: published tables, statsmodels, cover by simulation, per mode, against a reference, refusals."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from statsmodels.stats.inter_rater import cohens_kappa, fleiss_kappa

from qualrec.errors import ComputeError
from qualrec.reference import case, load_cases, read_columns
from qualrec.stats.agreement import (
    against_reference,
    cohen,
    cohen_table,
    counts_of,
    fleiss,
    fleiss_per_class,
)


def _fleiss_table() -> np.ndarray:
    d = read_columns("data/fleiss1971.csv")
    return np.array([d[f"cat{j}"] for j in range(1, 6)]).T


def _found(case_id: str) -> dict[str, float]:
    i = case(case_id).inputs
    if case_id == "kappa_aiag_pairs":
        return {name: cohen_table(table).value for name, table in i["tables"].items()}
    if case_id == "kappa_fleiss_1971":
        return {"kappa": fleiss(_fleiss_table()).value}
    if case_id == "kappa_cohen_3x3":
        return {"kappa": cohen_table(i["table"]).value}
    raise KeyError(case_id)


@pytest.mark.parametrize("case_id", [c.id for c in load_cases() if c.kind == "attribute_agreement"])
def test_published_case(case_id: str) -> None:
    found = _found(case_id)
    for name, expected in case(case_id).expected.items():
        assert expected.accepts(found[name]), (name, found[name], expected.value)


@pytest.mark.parametrize("seed", range(4))
def test_cohen_against_statsmodels(seed: int) -> None:
    table = np.random.default_rng(seed).integers(1, 30, (3, 3)) + 20 * np.eye(3, dtype=int)
    found, outside = cohen_table(table), cohens_kappa(table)
    assert (found.value, found.standard_error) == pytest.approx((outside.kappa, outside.std_kappa))
    assert found.interval.low == pytest.approx(outside.kappa_low)


def test_fleiss_against_statsmodels_and_two_judges_by_hand() -> None:
    table = _fleiss_table()
    assert fleiss(table).value == pytest.approx(fleiss_kappa(table), rel=1e-12)
    assert "neither" in fleiss(table).note


def _calls(rng: np.random.Generator, n: int, skill: float) -> tuple[np.ndarray, np.ndarray]:
    true = rng.integers(0, 3, n)
    calls = [np.where(rng.random(n) < skill, true, rng.integers(0, 3, n)) for _ in range(2)]
    return calls[0], calls[1]


def test_intervals_cover() -> None:
    """Two judges who see the class with chance 0.8, else guess: kappa 0.64; 93 to 97 % of 800 samples of
    100."""
    rng = np.random.default_rng(1)
    hits = np.zeros(2)
    for _ in range(800):
        a, b = _calls(rng, 100, 0.8)
        table, _ = counts_of(np.column_stack([a, b]))
        for i, k in enumerate((cohen(a, b), fleiss(table))):
            hits[i] += k.interval.low <= 0.64 <= k.interval.high
    assert ((hits / 800 >= 0.925) & (hits / 800 <= 0.975)).all()


def test_per_class_of_the_published_table() -> None:
    """Fleiss 1971 prints, as remembered, 0.25 0.25 0.52 0.47 0.57 for the five classes."""
    found = [k.value for k in fleiss_per_class(_fleiss_table())]
    np.testing.assert_allclose(found, [0.245, 0.245, 0.520, 0.471, 0.566], atol=0.006)


def test_complete_agreement_and_pure_chance() -> None:
    whole = cohen(["a", "b", "a", "b"], ["a", "b", "a", "b"])
    assert (whole.value, whole.standard_error) == (1.0, 0.0)
    assert fleiss([[3, 0], [0, 3], [3, 0], [0, 3]]).value == 1.0
    assert cohen_table([[25, 25], [25, 25]]).value == pytest.approx(0.0)
    assert "poor" in cohen_table([[25, 25], [25, 25]]).note


def test_calls_of_unequal_number_per_part() -> None:
    """2 and 4 calls per part: found agreement is the mean over parts of pairs that agree."""
    k = fleiss([[2, 0], [1, 1], [4, 0], [0, 4], [2, 2]])
    assert k.found == pytest.approx(np.mean([1, 0, 1, 1, 1 / 3]))


def test_against_reference() -> None:
    """Missed failures and false alarms are counted apart."""
    truth = ["bad"] * 10 + ["good"] * 30
    calls = ["good"] * 2 + ["bad"] * 8 + ["bad"] * 3 + ["good"] * 27
    found = against_reference("A", calls, truth, good="good")
    assert (found.right, found.n) == (35, 40)
    assert found.missed.low < 0.2 < found.missed.high
    assert found.false_alarm.low < 0.1 < found.false_alarm.high
    assert against_reference("A", calls, truth).missed is None


@given(st.permutations(["x", "y", "z"]), st.integers(0, 200))
def test_names_order_and_swap_do_not_matter(names: list[str], seed: int) -> None:
    rng = np.random.default_rng(seed)
    a, b = _calls(rng, 30, 0.7)
    order = rng.permutation(30)
    relabelled = np.array(names)
    k = cohen(a, b).value
    assert cohen(relabelled[a], relabelled[b]).value == pytest.approx(k)
    assert cohen(b[order], a[order]).value == pytest.approx(k)


@pytest.mark.parametrize(
    ("call", "word"),
    [
        (lambda: cohen_table([[1, 2, 3], [4, 5, 6]]), "not a square"),
        (lambda: cohen_table([[0, 0], [0, 0]]), "not a square"),
        (lambda: cohen_table([[-1, 2], [3, 4]]), "not a square"),
        (lambda: cohen_table([[5, 0], [0, 0]]), "one class only"),
        (lambda: cohen(["a"], ["a", "b"]), "calls against"),
        (lambda: cohen([], []), "calls against"),
        (lambda: fleiss([[2, 0], [0, 2]]), "3 parts"),
        (lambda: fleiss([[2, 0], [0, 2], [1, 0]]), "Part 3"),
        (lambda: fleiss([[2, 0], [2, 0], [2, 0]]), "one class only"),
        (lambda: fleiss_per_class([1, 2]), "not a table"),
        (lambda: counts_of(["a", "b"]), "not a table"),
        (lambda: against_reference("A", ["a", "b"], ["a", "b"], good="c"), "No part is called"),
    ],
)
def test_refusals(call: object, word: str) -> None:
    with pytest.raises(ComputeError, match=word) as caught:
        call()
    assert caught.value.remedy
