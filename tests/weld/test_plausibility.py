"""Plausible ranges: ends, units, slips, edited ranges."""

from __future__ import annotations

import math

import pytest

from qualrec.errors import ImplausibleValue, UsageError
from qualrec.weld.plausibility import (
    PlausibleRange,
    check_plausible,
    default_ranges,
    is_plausible,
    plausible_range,
)
from qualrec.weld.units import find_unit


@pytest.mark.parametrize(
    "quantity, low, high",
    [
        ("transmission", 1, 95),
        ("collapse", -0.05, 1.5),
        ("force", 0, 20000),
        ("wall_thickness", 0.3, 6),
        ("wavelength", 780, 2000),
        ("power", 1, 2000),
        ("speed", 1, 20000),
        ("passes", 1, 500),
        ("joint_pressure", 0.05, 10),
        ("laser_time", 0.05, 60),
        ("temperature", 10, 40),
        ("humidity", 5, 95),
        ("pull_speed", 0.5, 500),
    ],
)
def test_default_ranges(quantity: str, low: float, high: float) -> None:
    """The ends belong to the range (judgement, no source)."""
    found = plausible_range(quantity)
    assert (found.low, found.high) == (low, high)
    assert found.holds(low)
    assert found.holds(high)
    assert not found.holds(math.nextafter(low, -math.inf))
    assert not found.holds(math.nextafter(high, math.inf))
    assert not found.holds(math.nan)


def test_every_range_has_a_known_unit() -> None:
    assert all(find_unit(found.unit).symbol == found.unit for found in default_ranges().values())


@pytest.mark.parametrize(
    "quantity, value, hint",
    [
        ("transmission", 0.27, "27 %"),
        ("collapse", 280.0, "0.28 mm"),
        ("collapse", 2.8, "decimal sign"),
        ("laser_time", 3000.0, "3 s"),
        ("joint_pressure", 20.0, "2 MPa"),
    ],
)
def test_slips_are_named(quantity: str, value: float, hint: str) -> None:
    with pytest.raises(ImplausibleValue, match="outside the plausible range") as caught:
        check_plausible(quantity, value)
    assert hint in caught.value.remedy
    assert caught.value.value == value


def test_units_are_converted() -> None:
    assert check_plausible("force", 0.45, "kN") == 450.0
    assert is_plausible("force", 4000, "lbf")
    assert not is_plausible("force", 5000, "lbf")
    with pytest.raises(UsageError):
        check_plausible("force", 1, "mm")


def test_device_limit() -> None:
    assert check_plausible("force", 900, device_limit=1000) == 900
    with pytest.raises(ImplausibleValue, match="range of the device") as caught:
        check_plausible("force", 1200, device_limit=1000)
    assert caught.value.expected == (0, 1000)


def test_edited_range() -> None:
    edited = {"collapse": PlausibleRange("collapse", "collapse", "mm", 0, 0.5, "part drawing", "judgement")}
    with pytest.raises(ImplausibleValue):
        check_plausible("collapse", 0.6, ranges=edited)
    assert check_plausible("force", 100, ranges=edited) == 100
    with pytest.raises(UsageError, match="runs from"):
        PlausibleRange("collapse", "collapse", "mm", 1, 0.5, "x", "judgement")


def test_unknown_quantity_lists_the_known_ones() -> None:
    with pytest.raises(UsageError) as caught:
        check_plausible("colour", 1)
    assert "transmission" in caught.value.remedy


@pytest.mark.parametrize("value", [math.nan, math.inf])
def test_not_finite(value: float) -> None:
    with pytest.raises(ImplausibleValue):
        check_plausible("force", value)
