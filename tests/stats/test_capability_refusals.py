"""Capability: inputs that break down, documented answers at the edge, and the counts a claim needs."""

from __future__ import annotations

import math

import numpy as np
import pytest

from qualrec.errors import ComputeError
from qualrec.stats import capability_bounds as cb
from qualrec.stats.capability import capability_of_values, needed_lots, needed_n
from qualrec.stats.capability_batch import capability_batch


@pytest.mark.parametrize(
    ("values", "lsl", "usl", "target", "word"),
    [
        ([], 1.0, None, None, "no values"),
        ([5.0], 1.0, None, None, "at least 2"),
        ([5.0, 5.0, 5.0], 1.0, None, None, "the same"),
        ([0.1, 0.1, 0.1], 0.0, None, None, "the same"),
        ([5.0, math.nan], 1.0, None, None, "missing"),
        ([5.0, math.inf], 1.0, None, None, "infinite"),
        ([5.0, 6.0], None, None, None, "no specification limit"),
        ([5.0, 6.0], 7.0, 4.0, None, "not below"),
        ([5.0, 6.0], 7.0, 7.0, None, "not below"),
        ([5.0, 6.0], math.nan, 9.0, None, "not a number"),
        ([5.0, 6.0], 1.0, math.inf, None, "not a number"),
        ([5.0, 6.0], 1.0, 9.0, math.nan, "not a number"),
    ],
)
def test_refusals_say_what_is_wrong(
    values: list[float], lsl: float | None, usl: float | None, target: float | None, word: str
) -> None:
    with pytest.raises(ComputeError, match=word) as caught:
        capability_of_values(values, lsl, usl, target)
    assert caught.value.remedy


def test_wrong_level_and_wrong_lengths_are_refused() -> None:
    with pytest.raises(ComputeError, match="confidence level"):
        capability_of_values([1.0, 2.0], 0.0, None, level=1.0)
    with pytest.raises(ComputeError, match="lot names"):
        capability_of_values([1.0, 2.0], 0.0, None, lot_ids=["a"])
    with pytest.raises(ComputeError, match="shape"):
        capability_batch([1, 2], [1.0], [1.0], 0.0, np.nan)


def test_documented_answers_at_the_edge() -> None:
    two = capability_of_values([1.0, 2.0], 0.0, None)
    assert two.bound_lots is None
    assert two.overall[0].bound.value < two.overall[0].value
    assert any("One lot" in note for note in two.notes)
    beyond = capability_of_values([1.0, 2.0, 1.5], 3.0, None)
    assert beyond.index("Ppk").value < 0
    assert beyond.found_below == 3
    constant_lots = capability_of_values([1.0, 1.0, 2.0, 2.0, 3.0, 3.0], -5.0, 9.0, None, list("aabbcc"))
    assert constant_lots.within == ()
    assert constant_lots.index("Cpk") is None
    assert constant_lots.bound_lots is not None
    assert any("resolution" in note for note in constant_lots.notes)
    one_sided = capability_of_values([1.0, 2.0, 4.0], -5.0, None, 3.0)
    assert one_sided.index("Pp") is None
    assert one_sided.cpm is None
    assert one_sided.estimated_above is None
    assert one_sided.found_above is None


def test_a_value_on_a_limit_is_not_beyond_it() -> None:
    result = capability_of_values([1.0, 2.0, 3.0], 1.0, 3.0)
    assert (result.found_below, result.found_above) == (0, 0)


@pytest.mark.parametrize("kind", ["one-sided", "two-sided", "spread"])
@pytest.mark.parametrize(("claimed", "observed"), [(1.33, 1.67), (1.0, 1.33), (1.67, 1.7)])
def test_needed_n_is_the_smallest(claimed: float, observed: float, kind: str) -> None:
    n = needed_n(claimed, observed, kind=kind)
    form = {
        "one-sided": lambda m: cb.bound_one_sided(observed, m, m - 1),
        "two-sided": lambda m: cb.bound_two_sided(observed, m, m - 1),
        "spread": lambda m: cb.bound_spread(observed, m - 1),
    }[kind]
    assert float(form(n)) >= claimed > float(form(n - 1))


def test_needed_lots() -> None:
    """Without spread between lots and one value per lot it is needed_n; more spread needs more lots."""
    assert needed_lots(1.33, 1.67, 1, 0.0) == needed_n(1.33, 1.67)
    rising = [needed_lots(1.33, 1.67, 5, ratio) for ratio in (0.0, 0.5, 1.0, 2.0)]
    assert rising == sorted(rising)
    assert rising[0] * 5 < rising[-1] * 5


@pytest.mark.parametrize(
    ("call", "word"),
    [
        (lambda: needed_n(1.67, 1.33), "observed index"),
        (lambda: needed_n(1.33, 1.33), "observed index"),
        (lambda: needed_n(1.33, math.inf), "observed index"),
        (lambda: needed_n(1.33, 1.67, kind="other"), "Unknown kind"),
        (lambda: needed_n(1.33, 1.3300001), "would be needed"),
        (lambda: needed_lots(1.33, 1.0, 5, 1.0), "observed index"),
        (lambda: needed_lots(1.33, 1.67, 0, 1.0), "per lot"),
        (lambda: needed_lots(1.33, 1.67, 5, -1.0), "variance ratio"),
    ],
)
def test_needed_counts_refuse(call: object, word: str) -> None:
    with pytest.raises(ComputeError, match=word):
        call()
