"""Checks of what a method is given; each raises ComputeError in words."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from qualrec.errors import ComputeError
from qualrec.stats.describe import finite_values
from qualrec.stats.results import FloatArray, IntArray

SMALLEST = 1e-150
"""Differences below this have squares that no double can hold."""


def finite(values: ArrayLike, name: str = "values", least: int = 1) -> FloatArray:
    """`finite_values`, and at least `least` of them; `name` says in the message what is missing."""
    x = finite_values(values)
    if x.size < least:
        raise ComputeError(f"{x.size} {name} given, at least {least} needed.", "Wait for more readings.")
    return x


def spread(values: ArrayLike, name: str = "values", least: int = 2) -> FloatArray:
    """`finite`, and not all the same."""
    x = finite(values, name, least)
    if x.min() == x.max():
        raise ComputeError(
            f"All {x.size} {name} are the same; the method needs spread.",
            "Check the resolution of the gauge and whether the readings were copied.",
        )
    check_spread(x, name)
    return x


def check_spread(x: FloatArray, name: str = "values") -> None:
    """Raise ComputeError where values differ, but by too little for their squares to be told from 0."""
    if x.size and 0.0 < float(np.ptp(x)) < SMALLEST:
        raise ComputeError(
            f"The {name} differ by {float(np.ptp(x)):.3g} only, too little to square.",
            "Give them in a smaller unit.",
        )


def positive(values: ArrayLike, name: str = "values", least: int = 1) -> FloatArray:
    """`finite`, and all above 0."""
    x = finite(values, name, least)
    wrong = np.flatnonzero(x <= 0)
    if wrong.size:
        raise ComputeError(
            f"{wrong.size} of {x.size} {name} are 0 or less, the first at place {wrong[0] + 1}.",
            "This method needs values above 0; choose another shape or check the reading.",
        )
    return x


def check_most(n: int, most: int, what: str, remedy: str) -> None:
    """Raise ComputeError for more than `most` values, where a method would take minutes or fill the memory."""
    if n > most:
        raise ComputeError(f"{n} values are too many for {what}; at most {most}.", remedy)


def check_level(level: float, least: float = 0.5) -> None:
    """Raise ComputeError unless least < level < 1."""
    if not least < level < 1.0:
        raise ComputeError(
            f"A confidence level of {level} was asked.",
            f"Give one between {least:g} and 1, usually 0.95.",
        )


def check_share(value: float, name: str) -> None:
    """Raise ComputeError unless 0 < value < 1."""
    if not 0.0 < value < 1.0:
        raise ComputeError(f"The {name} is {value}.", "Give a share between 0 and 1, both left out.")


def check_counts(found: int, n: int, what: str = "failures") -> None:
    """Raise ComputeError unless 0 <= found <= n and n >= 1."""
    if n < 1 or found < 0 or found > n:
        raise ComputeError(
            f"{found} {what} among {n} parts is not possible.", "Check the two counts; n must be at least 1."
        )


def codes(labels: ArrayLike, size: int, name: str = "group") -> tuple[IntArray, list[str]]:
    """Labels as codes 0, 1, ... in order of first appearance, and their names.

    Raises ComputeError where the length differs from `size`.
    """
    ids = np.asarray(labels)
    if ids.shape != (size,):
        raise ComputeError(f"{size} values but {ids.size} {name} names.", f"Give one {name} name per value.")
    names, start, inverse = np.unique(ids, return_index=True, return_inverse=True)
    place = np.argsort(start)
    return np.argsort(place)[inverse.ravel()].astype(np.int64), [str(names[i]) for i in place]
