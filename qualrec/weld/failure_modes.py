"""The six failure modes of a weld pulled apart and what each says about weld strength.

Mapping to ISO 10365 and ASTM D5573 stands in `data/failure_modes.csv`. Those standards describe adhesive
bonds; the weld trade borrows the words, so the mapping is stated wherever they are printed.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from functools import cache
from types import MappingProxyType
from typing import TYPE_CHECKING

import numpy as np

from qualrec.errors import UsageError
from qualrec.weld.tables import load_table

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray


class FailureMode(StrEnum):
    """The words are the stored codes."""

    INTERFACIAL = "interfacial"
    COHESIVE = "cohesive"
    NEAR_SURFACE_TEAR = "near-surface tear"
    PARENT_MATERIAL = "parent material"
    MIXED = "mixed"
    TEST_FAULT = "test fault"


class StrengthStatus(StrEnum):
    """What one pull says about weld strength."""

    EVENT = "event"
    """The weld failed: the force is the weld strength."""
    CENSORED = "censored"
    """The weld held: the force is a lower bound of the weld strength."""
    NO_VALUE = "no value"
    """No strength; a repeat is owed."""


CENSORING_RULE = (
    "Parent material counts as censored (the weld is at least this strong). "
    "Mixed counts as an event if the interfacial and cohesive shares together are at least half of the "
    "joint area, else as censored. A test fault gives no value. All other modes are events."
)


@dataclass(frozen=True, slots=True)
class ModeInfo:
    """One row of the table. `short` is shown only together with `word`; `key` is a one-letter entry key."""

    mode: FailureMode
    word: str
    short: str
    key: str
    iso_10365: str
    astm_d5573: str
    seen: str
    censoring: str
    source: str
    how_obtained: str

    @property
    def label(self) -> str:
        """Short code with the word, as it may be shown."""
        return f"{self.short} {self.word}"


@cache
def mode_table() -> Mapping[FailureMode, ModeInfo]:
    """All six modes in their fixed order."""
    modes = {}
    for row in load_table("failure_modes"):
        mode = FailureMode(row["mode"])
        modes[mode] = ModeInfo(mode, **{name: text for name, text in row.items() if name != "mode"})
    return MappingProxyType(modes)


def find_mode(text: str) -> FailureMode:
    """The mode that a word, a short code or an entry key names, in any case.

    Raises UsageError that lists the modes.
    """
    wanted = " ".join(text.replace("_", " ").split()).casefold()
    for mode, info in mode_table().items():
        names = {mode.value, mode.value.replace("-", " "), info.word, info.short, info.key}
        if wanted in {name.casefold() for name in names}:
            return mode
    listed = ", ".join(f"{info.word} ({info.key})" for info in mode_table().values())
    raise UsageError(f"Failure mode {text!r} is not known.", f"Choose one of: {listed}.")


@dataclass(frozen=True, slots=True)
class Shares:
    """Shares of the joint area in %, summing to 100. Raises UsageError where they do not."""

    interfacial: float = 0.0
    cohesive: float = 0.0
    near_surface_tear: float = 0.0
    parent_material: float = 0.0

    def __post_init__(self) -> None:
        values = self.as_tuple()
        if not all(0.0 <= value <= 100.0 for value in values):
            raise UsageError(
                "A share of the joint area lies outside 0 to 100 %.", "Give shares in % of the joint area."
            )
        total = sum(values)
        if abs(total - 100.0) > 1e-6:
            raise UsageError(
                f"The shares of the joint area sum to {total:g} %, not 100 %.", "Correct one of the shares."
            )

    def as_tuple(self) -> tuple[float, float, float, float]:
        return (self.interfacial, self.cohesive, self.near_surface_tear, self.parent_material)


_PURE: Mapping[FailureMode, Shares] = MappingProxyType(
    {
        FailureMode.INTERFACIAL: Shares(interfacial=100.0),
        FailureMode.COHESIVE: Shares(cohesive=100.0),
        FailureMode.NEAR_SURFACE_TEAR: Shares(near_surface_tear=100.0),
        FailureMode.PARENT_MATERIAL: Shares(parent_material=100.0),
    }
)


def check_shares(mode: FailureMode | str, shares: Shares | None) -> Shares | None:
    """The shares that go with a mode: a pure mode is 100 % itself, a test fault has none.

    Raises UsageError: mixed without shares or with one share only; a pure mode with other shares.
    """
    mode = FailureMode(mode)
    if mode is FailureMode.TEST_FAULT:
        if shares is not None:
            raise UsageError("A test fault has no shares of the joint area.", "Leave the shares empty.")
        return None
    if mode is FailureMode.MIXED:
        if shares is None:
            raise UsageError(
                "A mixed failure needs the share of each mode in %.", "Give shares that sum to 100 %."
            )
        if sum(value > 0.0 for value in shares.as_tuple()) < 2:
            raise UsageError(
                "A mixed failure needs at least two modes.", "Choose the one mode that was seen, not mixed."
            )
        return shares
    if shares is not None and shares != _PURE[mode]:
        raise UsageError(
            f"The shares contradict the mode {mode.value}.", "Choose mixed, or leave the shares empty."
        )
    return _PURE[mode]


def interfacial_share(mode: FailureMode | str, shares: Shares | None = None) -> float | None:
    """Interfacial share of the joint area in %; None for a test fault."""
    checked = check_shares(mode, shares)
    return None if checked is None else checked.interfacial


def strength_status(mode: FailureMode | str, shares: Shares | None = None) -> StrengthStatus:
    """What one pull says about weld strength, by `CENSORING_RULE`. Errors as `check_shares`."""
    mode = FailureMode(mode)
    checked = check_shares(mode, shares)
    if checked is None:
        return StrengthStatus.NO_VALUE
    if mode is FailureMode.MIXED:
        weld_share = checked.interfacial + checked.cohesive
        return StrengthStatus.EVENT if weld_share >= 50.0 else StrengthStatus.CENSORED
    return StrengthStatus.CENSORED if mode is FailureMode.PARENT_MATERIAL else StrengthStatus.EVENT


def strength_events(
    modes: Sequence[FailureMode | str], shares: Sequence[Shares | None] | None = None
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Two arrays over pulls: `event` (False = censored) and `has_value` (False = test fault; `event` False there)."""
    if shares is not None and len(shares) != len(modes):
        raise UsageError(
            f"{len(modes)} modes but {len(shares)} sets of shares.", "Give one set of shares per pull."
        )
    listed = shares if shares is not None else [None] * len(modes)
    states = [strength_status(mode, share) for mode, share in zip(modes, listed, strict=True)]
    event = np.array([state is StrengthStatus.EVENT for state in states], dtype=np.bool_)
    has_value = np.array([state is not StrengthStatus.NO_VALUE for state in states], dtype=np.bool_)
    return event, has_value
