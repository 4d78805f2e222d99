"""Hard plausible range of each quantity: outside it a value is asked for again.

The ranges in `data/plausibility.csv` are judgements and editable defaults; they are no specification limits.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from types import MappingProxyType
from typing import TYPE_CHECKING

from qualrec.errors import ImplausibleValue, UsageError
from qualrec.weld.tables import load_table
from qualrec.weld.units import convert

if TYPE_CHECKING:
    from collections.abc import Mapping


_MISTAKEN_FOR: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "N": ("mN",),
        "mm": ("µm",),
        "MPa": ("bar",),
        "bar": ("mbar",),
        "s": ("ms",),
        "W": ("mW", "kW"),
        "µm": ("mm",),
    }
)
"""Units that are left out or mixed up in the trade (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class PlausibleRange:
    """`low` to `high`, both included, in `unit`."""

    quantity: str
    label: str
    unit: str
    low: float
    high: float
    source: str
    how_obtained: str

    def __post_init__(self) -> None:
        if not self.low < self.high:
            raise UsageError(
                f"The plausible range of {self.label} runs from {self.low:g} to {self.high:g} {self.unit}.",
                "Give a low end below the high end.",
            )

    def holds(self, value: float) -> bool:
        """Whether the value lies in the range; nan and infinity do not."""
        return math.isfinite(value) and self.low <= value <= self.high


@cache
def default_ranges() -> Mapping[str, PlausibleRange]:
    """The packaged ranges by quantity."""
    return MappingProxyType(
        {
            row["quantity"]: PlausibleRange(
                row["quantity"],
                row["label"],
                row["unit"],
                float(row["low"]),
                float(row["high"]),
                row["source"],
                row["how_obtained"],
            )
            for row in load_table("plausibility")
        }
    )


def plausible_range(quantity: str, ranges: Mapping[str, PlausibleRange] | None = None) -> PlausibleRange:
    """The range of a quantity, from `ranges` (an edited table) if it stands there, else the default.

    Raises UsageError that lists the quantities.
    """
    for table in (ranges or {}, default_ranges()):
        if quantity in table:
            return table[quantity]
    raise UsageError(
        f"No plausible range for {quantity!r}.", f"Known quantities: {', '.join(default_ranges())}."
    )


def is_plausible(quantity: str, value: float, unit: str | None = None) -> bool:
    """Whether the value lies in the default range; `unit` is that of the value, else the range's own."""
    found = plausible_range(quantity)
    return found.holds(value if unit is None else convert(value, unit, found.unit))


def check_plausible(
    quantity: str,
    value: float,
    unit: str | None = None,
    *,
    ranges: Mapping[str, PlausibleRange] | None = None,
    device_limit: float | None = None,
) -> float:
    """The value in the unit of the range. `device_limit` (same unit) lowers the high end, e.g. to a tester's range.

    Raises ImplausibleValue with the range and, where one fits, the slip that would explain the value.
    """
    found = plausible_range(quantity, ranges)
    held = value if unit is None else convert(value, unit, found.unit)
    high = found.high if device_limit is None else min(found.high, device_limit)
    if math.isfinite(held) and found.low <= held <= high:
        return held
    reason = (
        f"beyond the range of the device, {high:g} {found.unit}"
        if found.holds(held)
        else (f"outside the plausible range {found.low:g} to {high:g} {found.unit}")
    )
    hints = slip_hints(found, held)
    raise ImplausibleValue(
        f"{found.label} {held:g} {found.unit} is {reason}.",
        held,
        (found.low, high),
        " ".join((*hints, "Read the value again and type it once more.")),
    )


def slip_hints(found: PlausibleRange, value: float) -> tuple[str, ...]:
    """Slips that would bring the value into the range: a fraction for %, a unit left out, a decimal moved."""
    if not math.isfinite(value) or value == 0.0:
        return ()
    if found.unit == "%" and 0.0 < value < 1.0 and found.holds(100.0 * value):
        return (f"If {value:g} is a fraction, it is {100.0 * value:g} %.",)
    hints = [
        f"If the unit is {other}, it is {convert(value, other, found.unit):.6g} {found.unit}."
        for other in _MISTAKEN_FOR.get(found.unit, ())
        if found.holds(convert(value, other, found.unit))
    ]
    if any(found.holds(value * factor) for factor in (10.0, 0.1)):
        hints.append("The decimal sign may have slipped.")
    return tuple(hints[:2])
