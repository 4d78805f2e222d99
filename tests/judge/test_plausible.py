"""Values far from what is usual. The width of 5 standard deviations is common practice, no source."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from qualrec.judge.plausible import History, check_value, usual_range

USUAL = History(n=100, lots=20, mean=543.0, sd=15.0, lot_numbers=("L1", "L20"))


def test_five_standard_deviations_are_the_edge(made) -> None:
    assert usual_range(made.pull, USUAL) == (468.0, 618.0)
    assert check_value(made.pull, 468.0, USUAL).ok
    assert check_value(made.pull, 618.0, USUAL).ok
    assert not check_value(made.pull, 467.9, USUAL).ok
    assert not check_value(made.pull, 618.1, USUAL).ok


def test_453_typed_for_543_is_asked_for_again_with_the_exchange_as_a_hint(made) -> None:
    found = check_value(made.pull, 453.0, USUAL, "453")
    assert not found.ok
    assert found.expected == (468.0, 618.0)
    assert found.sentence == (
        "Pull force 453 N is far from the last 20 lots (mean 543 N, usual 468 to 618 N). Type it again."
    )
    assert "If two digits are exchanged, it is 543 N." in found.hints


@pytest.mark.parametrize(
    ("value", "hint"),
    [
        (54.3, "If the decimal sign slipped, it is 543 N."),
        (5430.0, "If the decimal sign slipped, it is 543 N."),
        (5.43, "If the decimal sign slipped, it is 543 N."),
        (-543.0, "If the sign is wrong, it is 543 N."),
    ],
)
def test_a_slip_is_named(made, value: float, hint: str) -> None:
    assert hint in check_value(made.pull, value, USUAL).hints


def test_the_decimal_comma_is_read_for_the_exchange(made) -> None:
    usual = History(50, 10, 24.6, 0.5, ())
    assert (
        "If two digits are exchanged, it is 24.6 %."
        in check_value(made.transmission, 26.4 + 16, usual, "42,6").hints
    )


def test_the_hard_range_speaks_without_history(made) -> None:
    kind = replace(made.pull, plausible_low=0.0, plausible_high=2000.0)
    assert check_value(kind, 0.0).ok
    assert check_value(kind, 2000.0).ok
    found = check_value(kind, 2000.5)
    assert not found.ok
    assert "outside the plausible range 0 to 2000 N" in found.sentence
    one_end = replace(made.pull, plausible_low=0.0)
    assert "from 0 N" in check_value(one_end, -1.0).sentence
    other_end = replace(made.pull, plausible_high=10.0)
    assert "up to 10 N" in check_value(other_end, 11.0).sentence


def test_a_newton_typed_in_kilonewton_falls_to_the_decimal_hint(made) -> None:
    assert check_value(made.pull, 0.543, USUAL).hints[0] == "If the decimal sign slipped, it is 543 N."


def test_little_history_says_nothing(made) -> None:
    assert check_value(made.pull, 5.0, History(7, 2, 543.0, 15.0)).ok
    assert not check_value(made.pull, 5.0, History(8, 2, 543.0, 15.0)).ok
    assert check_value(made.pull, 5.0, None).ok
    assert check_value(made.pull, 5.0, History(20, 5, 543.0, math.nan)).ok


def test_history_without_spread_leaves_the_last_decimal_free(made) -> None:
    flat = History(50, 10, 0.250, 0.0)
    assert check_value(made.collapse, 0.254, flat).ok
    assert not check_value(made.collapse, 0.256, flat).ok


@given(st.floats(400.0, 700.0), st.floats(1.0, 40.0))
def test_the_mean_itself_is_always_plausible(made, mean: float, sd: float) -> None:
    assert check_value(made.pull, mean, History(50, 10, mean, sd)).ok
