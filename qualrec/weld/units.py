"""Units of measured values and their conversion.

value_to = (value_from * f_from + o_from - o_to) / f_to, with factors f and offsets o to the SI-coherent base of the quantity.

All factors are exact by definition (SI Brochure 9th ed.; international yard and pound agreement 1959:
1 in = 25.4 mm, 1 lb = 0.45359237 kg; standard gravity 9.80665 m/s2, CGPM 1901). They are held as fractions,
so a conversion is rounded once, to the nearest double.
"""

from __future__ import annotations

import difflib
import math
import re
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np

from qualrec.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Mapping

    from qualrec.stats.results import FloatArray


@dataclass(frozen=True, slots=True)
class Unit:
    """One unit: `value * factor + offset` gives the base unit of `quantity`."""

    symbol: str
    quantity: str
    factor: Fraction
    aliases: tuple[str, ...] = ()
    offset: Fraction = Fraction(0)


def _unit(symbol: str, quantity: str, factor: str, *aliases: str, offset: str = "0") -> Unit:
    return Unit(symbol, quantity, Fraction(factor), aliases, Fraction(offset))


_G = Fraction("9.80665")
_LB = Fraction("0.45359237")
_INCH = Fraction("0.0254")

_TABLE: tuple[Unit, ...] = (
    _unit("N", "force", "1", "newton", "newtons"),
    _unit("kN", "force", "1000", "kilonewton"),
    _unit("mN", "force", "0.001", "millinewton"),
    Unit("lbf", "force", _LB * _G, ("lb-f", "lbs-f", "pound-force")),
    Unit("kgf", "force", _G, ("kp", "kilopond")),
    Unit("gf", "force", _G / 1000, ("pond",)),
    _unit("mm", "length", "0.001", "millimetre", "millimeter"),
    _unit("µm", "length", "0.000001", "μm", "um", "micron", "micrometre", "micrometer"),
    _unit("nm", "length", "0.000000001", "nanometre", "nanometer"),
    _unit("cm", "length", "0.01"),
    _unit("m", "length", "1", "metre", "meter"),
    Unit("in", "length", _INCH, ("inch", "inches", '"', "″")),
    Unit("mil", "length", _INCH / 1000, ("thou",)),
    _unit("mm²", "area", "0.000001", "mm2", "mm^2"),
    _unit("cm²", "area", "0.0001", "cm2", "cm^2"),
    _unit("%", "share", "0.01", "percent", "pct", "per cent"),
    _unit("fraction", "share", "1", "1"),
    _unit("ppm", "share", "0.000001"),
    _unit("s", "time", "1", "sec", "second", "seconds"),
    _unit("ms", "time", "0.001", "millisecond", "milliseconds"),
    _unit("min", "time", "60", "minute", "minutes"),
    _unit("h", "time", "3600", "hr", "hour", "hours"),
    _unit("Pa", "pressure", "1", "pascal"),
    _unit("kPa", "pressure", "1000"),
    _unit("MPa", "pressure", "1000000", "N/mm²", "N/mm2", "N/mm^2"),
    _unit("bar", "pressure", "100000"),
    _unit("mbar", "pressure", "100", "hPa"),
    Unit("psi", "pressure", _LB * _G / _INCH**2, ("lbf/in²", "lbf/in2")),
    _unit("W", "power", "1", "watt", "watts"),
    _unit("kW", "power", "1000"),
    _unit("mW", "power", "0.001"),
    _unit("J", "energy", "1", "joule", "joules", "Ws"),
    _unit("mJ", "energy", "0.001"),
    _unit("kJ", "energy", "1000"),
    _unit("J/mm", "line energy", "1000"),
    _unit("J/cm", "line energy", "100"),
    _unit("J/m", "line energy", "1"),
    _unit("J/mm²", "areal energy", "1000000", "J/mm2", "J/mm^2"),
    _unit("J/cm²", "areal energy", "10000", "J/cm2", "J/cm^2"),
    _unit("W/mm²", "intensity", "1000000", "W/mm2", "W/mm^2"),
    _unit("W/cm²", "intensity", "10000", "W/cm2", "W/cm^2"),
    _unit("mm/s", "speed", "0.001"),
    Unit("mm/min", "speed", Fraction(1, 60000)),
    _unit("m/s", "speed", "1"),
    Unit("m/min", "speed", Fraction(1, 60)),
    Unit("in/s", "speed", _INCH, ("ips",)),
    Unit("in/min", "speed", _INCH / 60, ("ipm",)),
    _unit("N/mm", "force per width", "1000"),
    _unit("N/m", "force per width", "1"),
    _unit("1/mm", "extinction", "1000", "/mm", "mm-1", "mm^-1"),
    _unit("1/cm", "extinction", "100", "/cm", "cm-1", "cm^-1"),
    _unit("°C", "temperature", "1", "degC", "deg C", "C", "celsius", offset="273.15"),
    _unit("K", "temperature", "1", "kelvin"),
    Unit(
        "°F",
        "temperature",
        Fraction(5, 9),
        ("degF", "deg F", "fahrenheit"),
        Fraction("459.67") * Fraction(5, 9),
    ),
    _unit("Pa·m³/s", "leak rate", "1", "Pa m3/s", "Pa*m3/s", "Pa.m3/s"),
    _unit("mbar·l/s", "leak rate", "0.1", "mbar l/s", "mbar*l/s", "mbar.l/s"),
    _unit("Pa/s", "pressure change rate", "1"),
    _unit("mbar/s", "pressure change rate", "100"),
    _unit("bar/s", "pressure change rate", "100000"),
    _unit("cm³/min", "flow rate", "1", "cm3/min", "ml/min", "ccm"),
    _unit("l/h", "flow rate", str(Fraction(1000, 60)), "L/h"),
    _unit("count", "count", "1", "pcs", "pieces"),
)

UNITS: Mapping[str, Unit] = MappingProxyType({unit.symbol: unit for unit in _TABLE})
"""All known units by symbol."""

_BY_NAME = {name: unit for unit in _TABLE for name in (unit.symbol, *unit.aliases)}
_BY_CASELESS: dict[str, set[str]] = {}
for _name, _known in _BY_NAME.items():
    _BY_CASELESS.setdefault(_name.casefold(), set()).add(_known.symbol)

# Read without regard to case these could be milli or mega, a factor of 10^9.
_CASE_MATTERS = frozenset({"mpa", "mw", "mn", "mj", "mbar"})

_REFUSED: Mapping[str, str] = MappingProxyType(
    {
        "kg": "A kilogram is a mass. Type kgf if the tester shows kilogram-force.",
        "g": "A gram is a mass. Type gf if the tester shows gram-force.",
        "lb": "A pound is a mass. Type lbf if the tester shows pound-force.",
        "lbs": "A pound is a mass. Type lbf if the tester shows pound-force.",
        "l": "A litre is a volume; no measured value here has that unit.",
    }
)

_NUMBER_THEN_UNIT = re.compile(
    r"^(?P<number>[+\-−]?[ \u00a0\u202f\u2009]*(?:\d[\d.,'’ \u00a0\u202f\u2009]*|[.,]\d+)(?:[eE][+\-−]?\d+)?)(?P<rest>.*)$",
    re.DOTALL,
)


def unit_shown(unit: str) -> str:
    """A unit as it is printed behind a figure: its symbol, nothing for a count; an unknown unit as it stands."""
    known = _BY_NAME.get(unit)
    symbol = unit if known is None else known.symbol
    return "" if symbol == "count" else symbol


def known_units(quantity: str | None = None) -> tuple[str, ...]:
    """Symbols of all units, or of those of one quantity such as 'force'."""
    return tuple(unit.symbol for unit in _TABLE if quantity is None or unit.quantity == quantity)


def find_unit(text: str, like: str = "") -> Unit:
    """The unit that a symbol or alias names; case counts only where milli and mega could be mixed up.

    Raises UsageError that lists the known units (with `like` those of the same quantity only), or says what is meant,
    for a mass in place of a force.
    """
    name = " ".join(text.split())
    if name in _BY_NAME:
        return _BY_NAME[name]
    caseless = name.casefold()
    if caseless in _REFUSED:
        raise UsageError(f"Unit {name!r} is not taken.", _REFUSED[caseless])
    symbols = _BY_CASELESS.get(caseless, set())
    if len(symbols) == 1 and caseless not in _CASE_MATTERS:
        return UNITS[next(iter(symbols))]
    if caseless in _CASE_MATTERS:
        raise UsageError(
            f"Unit {name!r} can be read with milli or with mega.",
            f"Type {' or '.join(sorted(symbols))} with its capitals.",
        )
    near = difflib.get_close_matches(name, list(_BY_NAME), n=2, cutoff=0.6)
    hint = f"Did you mean {' or '.join(near)}? " if near else ""
    listed = known_units(find_unit(like).quantity if like else None)
    raise UsageError(f"Unit {name!r} is not known.", f"{hint}Known units: {', '.join(listed)}.")


def same_quantity(first: str, second: str) -> bool:
    """Whether two units measure the same quantity. J/mm and J/mm² do not."""
    return find_unit(first).quantity == find_unit(second).quantity


def _pair(from_unit: str, to_unit: str) -> tuple[Unit, Unit]:
    source, target = find_unit(from_unit), find_unit(to_unit)
    if source.quantity != target.quantity:
        raise UsageError(
            f"{source.symbol} is a unit of {source.quantity}, {target.symbol} one of {target.quantity}.",
            f"Give the value in one of: {', '.join(known_units(target.quantity))}.",
        )
    return source, target


def convert_exact(value: Decimal | Fraction, from_unit: str, to_unit: str) -> Fraction:
    """The converted value without any rounding; use it where typed digits must be kept."""
    source, target = _pair(from_unit, to_unit)
    return (Fraction(value) * source.factor + source.offset - target.offset) / target.factor


def convert(value: float, from_unit: str, to_unit: str) -> float:
    """`value` of `from_unit` in `to_unit`, rounded once to the nearest double.

    Raises UsageError for unknown units, units of two quantities, a value that is not finite,
    and a result that is too large or too small to be held without loss.
    """
    source, target = _pair(from_unit, to_unit)
    if not math.isfinite(value):
        raise UsageError(
            f"{value!r} {source.symbol} is not a number that can be converted.", "Give a finite number."
        )
    if source is target:
        return float(value)
    exact = convert_exact(Fraction(value), from_unit, to_unit)
    try:
        result = float(exact)
    except OverflowError:
        result = math.inf
    smallest_normal = float(np.finfo(np.float64).tiny)
    if math.isinf(result) or (exact != 0 and abs(result) < smallest_normal):
        raise UsageError(
            f"{value!r} {source.symbol} cannot be held in {target.symbol} without losing digits.",
            "Check the value and its unit.",
        )
    return result


def convert_array(values: FloatArray, from_unit: str, to_unit: str) -> FloatArray:
    """`convert` for an array of any shape; nan (no value) stays nan.

    Evaluated with the rounding error of each product carried along, so that it agrees with
    `convert` to the last bit but for rare ties.
    """
    source, target = _pair(from_unit, to_unit)
    values = np.asarray(values, dtype=np.float64)
    if source is target:
        return values.copy()
    if np.isinf(values).any():
        raise UsageError(f"A value in {source.symbol} is infinite.", "Give finite numbers.")
    factor = source.factor / target.factor
    offset = (source.offset - target.offset) / target.factor
    top, bottom = float(factor.numerator), float(factor.denominator)
    product, lost = _two_product(values, top)
    quotient = product / bottom
    back, back_lost = _two_product(quotient, bottom)
    remainder = ((product - back) - back_lost + lost) / bottom
    result = quotient + (remainder + float(offset)) if offset else quotient + remainder
    if not np.isfinite(result[~np.isnan(values)]).all():
        raise UsageError(f"A value in {source.symbol} is too large for {target.symbol}.", "Check the unit.")
    return result


def _two_product(array: FloatArray, factor: float) -> tuple[FloatArray, FloatArray]:
    """Product and its rounding error (Dekker 1971)."""
    splitter = 134217729.0  # 2^27 + 1
    product = array * factor
    big = splitter * array
    high = big - (big - array)
    low = array - high
    big_factor = splitter * factor
    factor_high = big_factor - (big_factor - factor)
    factor_low = factor - factor_high
    error = low * factor_low - (((product - high * factor_high) - low * factor_high) - high * factor_low)
    return product, error


def resolution_after(decimals: int, from_unit: str, to_unit: str) -> float:
    """The step of the last typed digit, in `to_unit`: 0.45 kN (2 decimals) is known to 10 N."""
    source, target = _pair(from_unit, to_unit)
    return float(Fraction(10) ** -decimals * source.factor / target.factor)


def split_suffix(text: str, like: str = "") -> tuple[str, str | None]:
    """Number text and unit symbol of an entry such as '0.45 kN'; None where no unit stands.

    The number stays text: reading decimal comma or point is not done here. Text without a leading
    number comes back whole with None. Raises UsageError for an unknown unit, see `find_unit` for `like`.
    """
    stripped = text.strip()
    match = _NUMBER_THEN_UNIT.match(stripped)
    if match is None:
        return stripped, None
    number, rest = match["number"].strip(), match["rest"].strip()
    return (number, find_unit(rest, like).symbol) if rest else (number, None)
