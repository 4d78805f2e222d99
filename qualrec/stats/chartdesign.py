"""Find a chart that finds a shift of x sigma within y lots on average, at one false alarm in z lots.

Weights of the EWMA and limits on the points are tried; for each the EWMA limit that gives the wanted in-control run
length is solved for, and the scheme with the shortest run length at the shift is taken. Run lengths by Markov chain
with asymptotic limits (`runlength`), known parameters, shift from the first lot on. Sigma is that of lot means.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from qualrec.errors import ComputeError
from qualrec.stats.runlength import Ewma, ewma_arl, shewhart_arl

WEIGHTS = (0.05, 0.1, 0.2, 0.3, 0.4, 0.6, 1.0)
POINT_WIDTHS = (None, 3.25, 3.5, 4.0)
_STATES = 20


@dataclass(frozen=True, slots=True)
class Design:
    """The best scheme for the wish. Weight 1 is a chart of the lot means alone."""

    weight: float
    width: float
    point_width: float | None
    in_control: float
    """Lots to a false alarm."""
    to_find: float
    """Lots to a signal at the wished shift."""
    met: bool
    """True where `to_find` is within the wished number of lots."""
    shift_found: float
    """The smallest shift, in sigma, that the scheme finds within the wished number of lots."""


def design(shift: float, within: float, one_in: float) -> Design:
    """The scheme that finds `shift` sigma soonest at one false alarm in `one_in` lots, and whether `within` lots do.

    Raises ComputeError for a shift of 0 or less, fewer than 1 lot, and fewer than 20 lots to a false alarm.
    """
    if not (shift > 0 and within >= 1 and 20 <= one_in <= 1e6):
        raise ComputeError(
            f"Cannot design for a shift of {shift} sigma within {within} lots at one false alarm in {one_in}.",
            "Give a shift above 0, 1 lot or more, and 20 to 1,000,000 lots to a false alarm.",
        )
    best: tuple[float, Ewma, float | None] | None = None
    for weight in WEIGHTS:
        for point_width in (None,) if weight == 1.0 else POINT_WIDTHS:
            if point_width is not None and shewhart_arl(point_width).value < 1.2 * one_in:
                continue
            scheme = Ewma(weight, _limit_for(weight, point_width, one_in))
            found = ewma_arl(scheme, shift, point_width=point_width, states=_STATES).value
            if best is None or found < best[0]:
                best = (found, scheme, point_width)
    if best is None:
        raise ComputeError(
            "No scheme holds that rate of false alarms.", "Ask for fewer lots to a false alarm."
        )
    _, scheme, point_width = best
    exact = ewma_arl(scheme, shift, point_width=point_width).value
    reach = _solve(
        lambda level: -math.log(ewma_arl(scheme, level, point_width=point_width, states=_STATES).value),
        -math.log(max(within, 1.0 + 1e-6)),
        0.0,
        8.0,
    )
    in_control = ewma_arl(scheme, point_width=point_width).value
    return Design(scheme.weight, scheme.width, point_width, in_control, exact, exact <= within, reach)


def _limit_for(weight: float, point_width: float | None, one_in: float) -> float:
    def length(width: float) -> float:
        return math.log(ewma_arl(Ewma(weight, width), point_width=point_width, states=_STATES).value)

    return _solve(length, math.log(one_in), 1.0, 5.2)


def _solve(rising: Callable[[float], float], wanted: float, low: float, high: float) -> float:
    """Where a rising function takes the wanted value between `low` and `high` (false position, Illinois form).

    The nearer end where the value is not taken in between.
    """
    below, above = rising(low) - wanted, rising(high) - wanted
    if below >= 0 or above <= 0:
        return low if below >= 0 else high
    last = 0
    for _ in range(60):
        middle = (low * above - high * below) / (above - below)
        found = rising(middle) - wanted
        if abs(found) < 1e-6:
            break
        if found < 0:
            low, below = middle, found
            above = above / 2.0 if last < 0 else above
            last = -1
        else:
            high, above = middle, found
            below = below / 2.0 if last > 0 else below
            last = 1
    return middle
