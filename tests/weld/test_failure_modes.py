"""The six failure modes and the censoring rule."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from qualrec.errors import UsageError
from qualrec.weld.failure_modes import (
    FailureMode,
    Shares,
    StrengthStatus,
    check_shares,
    find_mode,
    interfacial_share,
    mode_table,
    strength_events,
    strength_status,
)


def test_the_six_words() -> None:
    assert [mode.value for mode in mode_table()] == [
        "interfacial",
        "cohesive",
        "near-surface tear",
        "parent material",
        "mixed",
        "test fault",
    ]


def test_mapping_to_the_standards() -> None:
    """ISO 10365:2022 catalogue text and ASTM D5573-99(2019) abstract; ISO codes from memory.

    Stock-break is a word of ASTM D5573 and not of ISO 10365.
    """
    table = mode_table()
    assert table[FailureMode.INTERFACIAL].iso_10365.startswith("AF")
    assert table[FailureMode.COHESIVE].iso_10365.startswith("CF")
    assert table[FailureMode.NEAR_SURFACE_TEAR].astm_d5573.startswith("fibre-tear")
    assert table[FailureMode.PARENT_MATERIAL].iso_10365.startswith("SF")
    assert "stock-break" in table[FailureMode.PARENT_MATERIAL].astm_d5573
    assert not any("stock" in info.iso_10365 for info in table.values())


def test_codes_and_keys_are_unique_and_shown_with_the_word() -> None:
    infos = list(mode_table().values())
    assert len({info.short for info in infos}) == len({info.key for info in infos}) == 6
    assert all(info.word in info.label for info in infos)


@pytest.mark.parametrize("text", ["interfacial", "INT", "i", " Interfacial "])
def test_find_by_word_code_or_key(text: str) -> None:
    assert find_mode(text) is FailureMode.INTERFACIAL
    assert find_mode("near surface tear") is FailureMode.NEAR_SURFACE_TEAR


def test_unknown_mode_lists_all() -> None:
    with pytest.raises(UsageError) as caught:
        find_mode("broken")
    assert all(mode.value in caught.value.remedy for mode in FailureMode)


@pytest.mark.parametrize(
    "mode, expected",
    [
        ("interfacial", StrengthStatus.EVENT),
        ("cohesive", StrengthStatus.EVENT),
        ("near-surface tear", StrengthStatus.EVENT),
        ("parent material", StrengthStatus.CENSORED),
        ("test fault", StrengthStatus.NO_VALUE),
    ],
)
def test_pure_modes(mode: str, expected: StrengthStatus) -> None:
    assert strength_status(mode) is expected


@pytest.mark.parametrize(
    "shares, expected",
    [
        (Shares(interfacial=50, parent_material=50), StrengthStatus.EVENT),
        (Shares(interfacial=20, cohesive=30, parent_material=50), StrengthStatus.EVENT),
        (Shares(interfacial=49, parent_material=51), StrengthStatus.CENSORED),
        (Shares(near_surface_tear=60, interfacial=40), StrengthStatus.CENSORED),
    ],
)
def test_mixed_by_shares(shares: Shares, expected: StrengthStatus) -> None:
    """At least half of the area interfacial or cohesive is an event."""
    assert strength_status(FailureMode.MIXED, shares) is expected


@given(st.integers(0, 100), st.integers(0, 100))
def test_more_weld_failure_never_turns_event_into_censored(first: int, second: int) -> None:
    less, more = sorted((first, second))
    low, high = (
        strength_status("mixed", Shares(interfacial=share, parent_material=100 - share))
        if 0 < share < 100
        else strength_status("interfacial" if share else "parent material")
        for share in (less, more)
    )
    assert not (low is StrengthStatus.EVENT and high is StrengthStatus.CENSORED)


def test_shares_must_sum_to_100() -> None:
    with pytest.raises(UsageError, match="99"):
        Shares(interfacial=40, cohesive=59)
    with pytest.raises(UsageError, match="outside"):
        Shares(interfacial=120, cohesive=-20)
    with pytest.raises(UsageError, match="outside"):
        Shares(interfacial=float("nan"), cohesive=100)
    assert Shares(33.3, 33.3, 33.4).interfacial == 33.3


def test_mixed_needs_two_shares() -> None:
    with pytest.raises(UsageError, match="needs the share"):
        strength_status("mixed")
    with pytest.raises(UsageError, match="two modes"):
        check_shares("mixed", Shares(cohesive=100))


def test_pure_mode_refuses_other_shares() -> None:
    with pytest.raises(UsageError, match="contradict"):
        check_shares("cohesive", Shares(interfacial=10, cohesive=90))
    with pytest.raises(UsageError, match="no shares"):
        check_shares("test fault", Shares(cohesive=100))


def test_interfacial_share() -> None:
    assert interfacial_share("interfacial") == 100.0
    assert interfacial_share("cohesive") == 0.0
    assert interfacial_share("mixed", Shares(interfacial=35, cohesive=65)) == 35.0
    assert interfacial_share("test fault") is None


def test_arrays_for_the_strength_fit() -> None:
    event, has_value = strength_events(["cohesive", "parent material", "test fault"])
    assert event.tolist() == [True, False, False]
    assert has_value.tolist() == [True, True, False]
    with pytest.raises(UsageError, match="3 modes"):
        strength_events(["cohesive"] * 3, [None])
