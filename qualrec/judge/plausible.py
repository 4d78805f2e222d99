"""Whether a typed value is far from what is usual: then it is asked for a second time, without sight of the first.

Two tests: the hard range of the characteristic, and mean +/- 5 standard deviations of the last lots (common practice,
no source). Neither is a verdict: an implausible value that is typed twice is taken.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

from qualrec.judge.kinds import shown
from qualrec.values import Characteristic
from qualrec.weld.plausibility import default_ranges, slip_hints

HISTORY_WIDTH = 5.0
LEAST_VALUES = 8
"""Below this many values of history only the hard range speaks."""


@dataclass(frozen=True, slots=True)
class History:
    """What was usual: mean and overall standard deviation of the last `lots` lots, `n` values together.

    `mean` and `sd` are nan where there is nothing; `lot_numbers` are the lots, oldest first.
    """

    n: int = 0
    lots: int = 0
    mean: float = math.nan
    sd: float = math.nan
    lot_numbers: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Plausibility:
    """`ok` False asks for the value again, blind. `expected` is the range of usual values, -inf and inf where open."""

    ok: bool
    expected: tuple[float, float]
    sentence: str
    hints: tuple[str, ...]


def check_value(
    characteristic: Characteristic, value: float, history: History | None = None, text: str = ""
) -> Plausibility:
    """Judge one value as typed (`text` as entered, for the hint on exchanged digits).

    The range from history is at least one unit of the last decimal wide on each side.
    """
    hard = _hard_range(characteristic)
    usual = usual_range(characteristic, history)
    expected = (max(hard[0], usual[0]), min(hard[1], usual[1]))
    if not expected[0] <= expected[1]:
        expected = hard
    if hard[0] <= value <= hard[1] and usual[0] <= value <= usual[1]:
        return Plausibility(True, expected, "", ())
    if not hard[0] <= value <= hard[1]:
        why = f"outside the plausible range {_range(hard, characteristic)}"
    else:
        assert history is not None
        why = (
            f"far from the last {history.lots} lots (mean {shown(history.mean, characteristic)}, "
            f"usual {_range(usual, characteristic)})"
        )
    sentence = f"{characteristic.name} {shown(value, characteristic)} is {why}. Type it again."
    return Plausibility(False, expected, sentence, _hints(characteristic, value, expected, text))


def usual_range(characteristic: Characteristic, history: History | None) -> tuple[float, float]:
    """Mean +/- 5 s of the history; without enough history everything."""
    if history is None or history.n < LEAST_VALUES or not math.isfinite(history.sd):
        return -math.inf, math.inf
    half = HISTORY_WIDTH * max(history.sd, 10.0**-characteristic.decimals)
    return history.mean - half, history.mean + half


def _hard_range(characteristic: Characteristic) -> tuple[float, float]:
    low = -math.inf if characteristic.plausible_low is None else characteristic.plausible_low
    high = math.inf if characteristic.plausible_high is None else characteristic.plausible_high
    return low, high


def _range(limits: tuple[float, float], characteristic: Characteristic) -> str:
    low, high = limits
    if math.isinf(low):
        return f"up to {shown(high, characteristic)}"
    if math.isinf(high):
        return f"from {shown(low, characteristic)}"
    return f"{low:.{characteristic.decimals}f} to {shown(high, characteristic)}"


def _hints(
    characteristic: Characteristic, value: float, expected: tuple[float, float], text: str
) -> tuple[str, ...]:
    """Slips that would bring the value into the expected range, at most three."""
    low, high = expected
    if math.isinf(low) and math.isinf(high):
        return ()

    def fits(candidate: float) -> bool:
        return low <= candidate <= high

    hints = [
        f"If the decimal sign slipped, it is {shown(value * factor, characteristic)}."
        for factor in (0.1, 10.0, 0.01, 100.0, 0.001, 1000.0)
        if fits(value * factor)
    ][:1]
    swapped = next((s for s in _exchanged(text or f"{value:.{characteristic.decimals}f}") if fits(s)), None)
    if swapped is not None:
        hints.append(f"If two digits are exchanged, it is {shown(swapped, characteristic)}.")
    if value < 0 and fits(-value):
        hints.append(f"If the sign is wrong, it is {shown(-value, characteristic)}.")
    known = default_ranges().get(characteristic.quantity.replace(" ", "_"))
    if known is not None and known.unit == characteristic.unit:
        hints += [h for h in slip_hints(known, value) if h.startswith("If the unit")]
    return tuple(hints[:3])


def _exchanged(text: str) -> list[float]:
    """The numbers that come from exchanging two neighbouring digits of a plain decimal number."""
    plain = text.strip().replace(",", ".")
    places = [i for i, sign in enumerate(plain) if sign.isdigit()]
    found = []
    for a, b in pairwise(places):
        if plain[a] == plain[b]:
            continue
        signs = list(plain)
        signs[a], signs[b] = signs[b], signs[a]
        try:
            found.append(float("".join(signs)))
        except ValueError:
            return []
    return found
