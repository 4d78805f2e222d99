"""Units: exact factors, inverse conversions, suffixes, refusals."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from scipy import constants

from qualrec.errors import UsageError
from qualrec.weld.units import (
    UNITS,
    convert,
    convert_array,
    convert_exact,
    find_unit,
    known_units,
    resolution_after,
    same_quantity,
    split_suffix,
    unit_shown,
)


@pytest.mark.parametrize(
    "value, source, target, expected",
    [
        # scipy.constants 1.17 (CODATA 2022 and exact definitions): an independent table
        (1.0, "lbf", "N", constants.lbf),
        (1.0, "kgf", "N", constants.kgf),
        (1.0, "in", "mm", constants.inch * 1000),
        (1.0, "mil", "µm", constants.mil * 1e6),
        (1.0, "bar", "Pa", constants.bar),
        (1.0, "psi", "Pa", constants.psi),
        (1.0, "h", "s", constants.hour),
        # NIST SP 811 (2008), appendix B.8, printed factors
        (1.0, "psi", "kPa", 6.894757),
        (1.0, "lbf", "N", 4.448222),
        # definitions
        (0.45, "kN", "N", 450.0),
        (27.0, "%", "fraction", 0.27),
        (0.1, "MPa", "bar", 1.0),
        (1.0, "N/mm2", "MPa", 1.0),
        (250.0, "µm", "mm", 0.25),
        (23.0, "°C", "K", 296.15),
        (212.0, "°F", "°C", 100.0),
        (60.0, "mm/min", "mm/s", 1.0),
        (1.0, "J/cm²", "J/mm²", 0.01),
        (1.0, "Pa·m³/s", "mbar·l/s", 10.0),
        (1.0, "l/h", "cm³/min", 1000 / 60),
    ],
)
def test_known_factors(value: float, source: str, target: str, expected: float) -> None:
    assert convert(value, source, target) == pytest.approx(expected, rel=2e-7)


def test_defined_values_are_exact() -> None:
    """International yard and pound 1959, standard gravity 9.80665 m/s²: all digits."""
    assert convert(1.0, "lbf", "N") == 4.4482216152605
    assert convert(1.0, "kgf", "N") == 9.80665
    assert convert(1.0, "in", "mm") == 25.4
    assert convert_exact(Decimal("0.1"), "in", "mm") == Fraction(254, 100)


@given(st.sampled_from(sorted(UNITS)), st.floats(-1e6, 1e6), st.data())
def test_back_and_forth(source: str, value: float, data: st.DataObject) -> None:
    target = data.draw(st.sampled_from(known_units(UNITS[source].quantity)))
    assume(value == 0.0 or abs(value) > 1e-200)
    there = convert(value, source, target)
    assert convert(there, target, source) == pytest.approx(value, rel=1e-12, abs=1e-9)


@given(st.floats(-1e9, 1e9, allow_subnormal=False), st.sampled_from(sorted(UNITS)), st.data())
def test_array_agrees_with_scalar(value: float, source: str, data: st.DataObject) -> None:
    target = data.draw(st.sampled_from(known_units(UNITS[source].quantity)))
    assume(value == 0.0 or abs(value) > 1e-100)
    one = convert(value, source, target)
    many = convert_array(np.array([value, np.nan]), source, target)
    assert abs(many[0] - one) <= np.spacing(abs(one))
    assert np.isnan(many[1])


def test_pure_factor_agrees_to_the_last_bit() -> None:
    values = np.random.default_rng(7).uniform(1, 2000, 2000)
    many = convert_array(values, "lbf", "N")
    assert many.tolist() == [convert(value, "lbf", "N") for value in values.tolist()]


@given(st.floats(0.001, 1e5), st.floats(0.001, 1e5))
def test_conversion_keeps_order(first: float, second: float) -> None:
    low, high = sorted((first, second))
    assert convert(low, "lbf", "N") <= convert(high, "lbf", "N")
    assert convert(low, "°F", "°C") <= convert(high, "°F", "°C")


@pytest.mark.parametrize(
    "text, number, unit",
    [
        ("0.45 kN", "0.45", "kN"),
        ("0,45kN", "0,45", "kN"),
        ("1.234,5 N", "1.234,5", "N"),
        ("-0.05mm", "-0.05", "mm"),
        ("12 %", "12", "%"),
        ("27", "27", None),
        ("1e3 N", "1e3", "N"),
        ("1.5e-3kN", "1.5e-3", "kN"),
        ("3 sec", "3", "s"),
        ('0.5"', "0.5", "in"),
        ("23 °C", "23", "°C"),
        ("1 234,5 N", "1 234,5", "N"),
        ("  .5 mm ", ".5", "mm"),
        ("5 bar", "5", "bar"),
        ("abc", "abc", None),
        ("", "", None),
    ],
)
def test_suffix(text: str, number: str, unit: str | None) -> None:
    assert split_suffix(text) == (number, unit)


@pytest.mark.parametrize(
    "text, symbol",
    [("um", "µm"), ("μm", "µm"), ("MM", "mm"), ("kn", "kN"), ("N/mm2", "MPa"), ("pct", "%"), ("LBF", "lbf")],
)
def test_alias_and_case(text: str, symbol: str) -> None:
    assert find_unit(text).symbol == symbol


def test_unknown_unit_lists_the_known_ones() -> None:
    with pytest.raises(UsageError, match="furlong") as caught:
        find_unit("furlong")
    assert all(symbol in caught.value.remedy for symbol in UNITS)


@pytest.mark.parametrize("text", ["mpa", "mw", "mn"])
def test_milli_or_mega_is_refused(text: str) -> None:
    with pytest.raises(UsageError, match="milli"):
        find_unit(text)


@pytest.mark.parametrize("text, meant", [("kg", "kgf"), ("lb", "lbf"), ("LBS", "lbf"), ("g", "gf")])
def test_mass_is_not_a_force(text: str, meant: str) -> None:
    with pytest.raises(UsageError) as caught:
        find_unit(text)
    assert meant in caught.value.remedy


def test_quantities_do_not_mix() -> None:
    with pytest.raises(UsageError, match="line energy"):
        convert(1.0, "J/mm", "J/mm²")
    assert not same_quantity("J/mm", "J/mm2")
    assert same_quantity("kN", "lbf")


@pytest.mark.parametrize("value", [float("nan"), float("inf"), 1e306, 1e-307])
def test_lossy_values_are_refused(value: float) -> None:
    with pytest.raises(UsageError):
        convert(value, "kN" if value > 1 else "mN", "N")


def test_too_large_for_the_array() -> None:
    with pytest.raises(UsageError), np.errstate(all="ignore"):
        convert_array(np.array([1e308]), "kN", "mN")


def test_resolution_follows_the_unit() -> None:
    assert resolution_after(2, "kN", "N") == 10.0
    assert resolution_after(0, "µm", "mm") == 0.001


def test_every_name_is_one_unit() -> None:
    names = [name for unit in UNITS.values() for name in (unit.symbol, *unit.aliases)]
    assert len(names) == len(set(names))


def test_a_unit_is_printed_by_its_symbol_and_a_count_without_one() -> None:
    assert [unit_shown(u) for u in ("J/mm2", "J/mm²", "mm/s", "count", "pcs", "")] == [
        "J/mm²", "J/mm²", "mm/s", "", "", "",
    ]  # fmt: skip
    assert unit_shown("rejects") == "rejects"
