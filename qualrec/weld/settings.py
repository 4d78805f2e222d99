"""The settings which each process type has, with unit, plausible range and whether they are required.

Ranges are those of `data/plausibility.csv`: editable defaults, never acceptance limits.
"""

from __future__ import annotations

import difflib
import math
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType
from typing import TYPE_CHECKING

from qualrec.errors import UsageError
from qualrec.weld.plausibility import plausible_range

if TYPE_CHECKING:
    from collections.abc import Mapping


class Process(StrEnum):
    """Process types of laser transmission welding."""

    CONTOUR = "contour"
    """One spot follows the seam once."""
    QUASI_SIMULTANEOUS = "quasi-simultaneous"
    """A scanner repeats the seam many times."""
    SIMULTANEOUS = "simultaneous"
    """The whole seam is lit at once."""
    MASK = "mask"
    """A line beam sweeps over a mask."""


class StopMode(StrEnum):
    """What ends the laser time of a weld that can collapse."""

    SET_PATH = "set path"
    SET_TIME = "set time"
    SET_ENERGY = "set energy"


STOP_MODES: Mapping[Process, tuple[StopMode, ...]] = MappingProxyType(
    {
        Process.CONTOUR: (),
        Process.QUASI_SIMULTANEOUS: tuple(StopMode),
        Process.SIMULTANEOUS: tuple(StopMode),
        Process.MASK: (),
    }
)
"""Stop modes of each process; contour and mask welding end where the path ends."""


@dataclass(frozen=True, slots=True)
class Setting:
    """One setting of a process. `note` says when an optional one is needed."""

    name: str
    label: str
    unit: str
    low: float
    high: float
    required: bool
    note: str = ""


def _setting(
    name: str, *, required: bool = False, label: str = "", quantity: str = "", note: str = ""
) -> Setting:
    found = plausible_range(quantity or name)
    return Setting(name, label or found.label, found.unit, found.low, found.high, required, note)


_POWER = _setting("power", required=True, note="at the part, not at the source")
_COMMON = (
    _setting("clamp_force"),
    _setting("clamp_area", note="else seam length times seam width"),
    _setting("hold_time"),
    _setting("wavelength"),
)
_SET_PATH = _setting("set_path", label="set path", quantity="collapse", note="with stop mode set path")

SETTINGS: Mapping[Process, tuple[Setting, ...]] = MappingProxyType(
    {
        Process.CONTOUR: (
            _POWER,
            _setting("speed", required=True),
            _setting("seam_width", required=True, note="seam or rib width"),
            _setting("seam_length"),
            _setting("spot_diameter", note="a beam narrower than the seam counts as the width"),
            *_COMMON,
        ),
        Process.QUASI_SIMULTANEOUS: (
            _POWER,
            _setting("speed", required=True),
            _setting("seam_length", required=True),
            _setting("seam_width", required=True, note="seam or rib width"),
            _setting("passes", note="or laser time"),
            _setting("laser_time", note="or passes"),
            _setting("spot_diameter", note="a beam narrower than the seam counts as the width"),
            _SET_PATH,
            *_COMMON,
        ),
        Process.SIMULTANEOUS: (
            _setting("power", required=True, label="total laser power", note="at the part, whole seam"),
            _setting("laser_time", required=True),
            _setting("seam_area", note="or seam length and seam width"),
            _setting("seam_length", note="with seam width, in place of seam area"),
            _setting("seam_width", note="with seam length, in place of seam area"),
            _SET_PATH,
            *_COMMON,
        ),
        Process.MASK: (
            _POWER,
            _setting("speed", required=True, label="sweep speed"),
            _setting("line_length", required=True),
            _setting("line_thickness"),
            _setting("sweep_length"),
            _setting("passes", label="sweeps", note="one if not given"),
            *_COMMON,
        ),
    }
)
"""Settings of each process in the order of a form."""


def find_process(text: str) -> Process:
    """The process type a text names. Raises UsageError that lists them."""
    wanted = "-".join(text.replace("_", " ").replace("-", " ").split()).casefold()
    for process in Process:
        if process.value == wanted:
            return process
    raise UsageError(f"Process type {text!r} is not known.", f"Choose one of: {', '.join(Process)}.")


def check_settings(process: Process | str, settings: Mapping[str, float]) -> dict[str, float]:
    """The settings as floats, all of them known to the process, finite and above 0, the required ones present.

    A hold time of 0 is taken. Raises UsageError naming the process, the setting and what to do.
    """
    process = find_process(process)
    known = {setting.name: setting for setting in SETTINGS[process]}
    checked: dict[str, float] = {}
    for name, value in settings.items():
        if name not in known:
            raise _not_a_setting(process, name)
        setting = known[name]
        number = float(value)
        least_ok = number >= 0.0 if setting.low == 0.0 else number > 0.0
        if not (math.isfinite(number) and least_ok):
            raise UsageError(
                f"{process} welding: {setting.label} is {value!r} {setting.unit}.",
                f"Give a {setting.label} above 0 {setting.unit}.",
            )
        checked[name] = number
    missing = [setting for setting in SETTINGS[process] if setting.required and setting.name not in checked]
    if missing:
        wanted = ", ".join(f"{setting.label} ({setting.unit})" for setting in missing)
        raise UsageError(f"{process} welding lacks: {wanted}.", "Give the missing settings.")
    return checked


def implausible_settings(process: Process | str, settings: Mapping[str, float]) -> tuple[str, ...]:
    """One remark for each setting outside its plausible range."""
    remarks = []
    for setting in SETTINGS[find_process(process)]:
        value = settings.get(setting.name)
        if value is not None and not setting.low <= value <= setting.high:
            remarks.append(
                f"{setting.label} {value:g} {setting.unit} is outside the plausible range "
                f"{setting.low:g} to {setting.high:g} {setting.unit}."
            )
    return tuple(remarks)


def _not_a_setting(process: Process, name: str) -> UsageError:
    names = [setting.name for setting in SETTINGS[process]]
    others = [other.value for other in Process if any(setting.name == name for setting in SETTINGS[other])]
    near = difflib.get_close_matches(name, names, n=1)
    hint = f"It belongs to: {', '.join(others)}. " if others else f"Did you mean {near[0]}? " if near else ""
    return UsageError(
        f"{process} welding has no setting {name!r}.",
        f"{hint}Settings of {process} welding: {', '.join(names)}.",
    )
