"""Energy of a weld by process type, each figure with its formula, the figures put in, and its unit.

J/mm (line energy) and J/mm² (areal energy) are confused in print; here they are two types that refuse
to be compared or added to each other. Formulas: textbook definitions; joint values assume that the share T
of the light reaches the joint and stays inside the seam width.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Self

from qualrec.errors import UsageError
from qualrec.weld.settings import SETTINGS, Process, check_settings, find_process, implausible_settings
from qualrec.weld.units import unit_shown

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["SETTINGS", "ArealEnergy", "EnergyBudget", "Figure", "LineEnergy", "Process", "energy_budget"]

REVISIT_LIMIT_S = 0.2
"""Above it a seam cools noticeably between two passes (computed from conduction times, judgement)."""

PASSES_TIME_TOLERANCE = 0.01
"""Relative difference up to which given passes and given laser time agree."""


@dataclass(frozen=True, slots=True, eq=False)
class _Energy:
    """A value in the unit of its class; arithmetic and comparison only within the class."""

    value: float

    @classmethod
    def _unit(cls) -> str:
        raise NotImplementedError

    def __post_init__(self) -> None:
        if not math.isfinite(self.value):
            raise UsageError(f"Energy {self.value!r} {self._unit()} is not finite.", "Check the settings.")

    def _same(self, other: object, action: str) -> float:
        if isinstance(other, type(self)):
            return other.value
        shown = f"{other._unit()}" if isinstance(other, _Energy) else type(other).__name__
        raise TypeError(f"cannot {action} {self._unit()} with {shown}")

    def __add__(self, other: Self) -> Self:
        return type(self)(self.value + self._same(other, "add"))

    def __sub__(self, other: Self) -> Self:
        return type(self)(self.value - self._same(other, "subtract"))

    def __mul__(self, factor: float) -> Self:
        if isinstance(factor, _Energy):
            raise TypeError(f"cannot multiply {self._unit()} with {factor._unit()}")
        return type(self)(self.value * factor)

    __rmul__ = __mul__

    def __eq__(self, other: object) -> bool:
        if isinstance(other, _Energy):
            return self.value == self._same(other, "compare")
        return NotImplemented

    def __hash__(self) -> int:
        return hash((type(self).__name__, self.value))

    def __lt__(self, other: Self) -> bool:
        return self.value < self._same(other, "compare")

    def __le__(self, other: Self) -> bool:
        return self.value <= self._same(other, "compare")

    def __gt__(self, other: Self) -> bool:
        return self.value > self._same(other, "compare")

    def __ge__(self, other: Self) -> bool:
        return self.value >= self._same(other, "compare")

    def __str__(self) -> str:
        return f"{self.value:.4g} {self._unit()}"


@dataclass(frozen=True, slots=True, eq=False)
class LineEnergy(_Energy):
    """Energy per seam length in J/mm."""

    @classmethod
    def _unit(cls) -> str:
        return "J/mm"


@dataclass(frozen=True, slots=True, eq=False)
class ArealEnergy(_Energy):
    """Energy per seam area in J/mm²."""

    @classmethod
    def _unit(cls) -> str:
        return "J/mm²"


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure of the working. `sd` is its standard deviation from that of the transmission alone."""

    name: str
    label: str
    value: float
    unit: str
    formula: str
    working: str
    sd: float | None = None


@dataclass(frozen=True, slots=True)
class EnergyBudget:
    """All figures of one weld; a figure whose inputs are missing is absent, its property None."""

    process: Process
    settings: Mapping[str, float]
    transmission_pct: float | None
    transmission_sd: float | None
    figures: tuple[Figure, ...]
    notes: tuple[str, ...]

    def get(self, name: str) -> Figure | None:
        """The figure of that name, or None."""
        return next((figure for figure in self.figures if figure.name == name), None)

    def value(self, name: str) -> float | None:
        figure = self.get(name)
        return None if figure is None else figure.value

    def _line(self, name: str) -> LineEnergy | None:
        value = self.value(name)
        return None if value is None else LineEnergy(value)

    def _areal(self, name: str) -> ArealEnergy | None:
        value = self.value(name)
        return None if value is None else ArealEnergy(value)

    @property
    def line_per_pass(self) -> LineEnergy | None:
        return self._line("line_per_pass")

    @property
    def line_total(self) -> LineEnergy | None:
        return self._line("line_total")

    @property
    def areal_incident(self) -> ArealEnergy | None:
        return self._areal("areal_incident")

    @property
    def areal_joint(self) -> ArealEnergy | None:
        return self._areal("areal_joint")

    @property
    def laser_time_s(self) -> float | None:
        return self.value("laser_time")


class _Working:
    """Collects figures: formula with symbols, formula with the figures put in, value."""

    def __init__(self) -> None:
        self.figures: list[Figure] = []
        self.notes: list[str] = []

    def add(
        self,
        name: str,
        label: str,
        value: float,
        unit: str,
        formula: str,
        put_in: str,
        sd: float | None = None,
    ) -> float:
        if not math.isfinite(value):
            raise UsageError(f"{label} cannot be computed: it exceeds any number.", "Check the settings.")
        working = f"{formula} = {put_in} = {value:.6g} {unit_shown(unit)}".rstrip()
        self.figures.append(Figure(name, label, value, unit, formula, working, sd))
        return value


def energy_budget(
    process: Process | str,
    settings: Mapping[str, float],
    transmission_pct: float | None,
    transmission_sd: float | None = None,
) -> EnergyBudget:
    """Energies, times, pressure and intensity of one weld.

    `settings` by name as in `SETTINGS[process]`; `transmission_pct` of the upper part in %, None if unknown
    (no joint figures then); `transmission_sd` its standard deviation in percentage points, which gives the
    joint figures theirs (exact, they are proportional to T).

    Raises UsageError: a setting the process does not have, a required one missing, a value that is not
    above 0, passes that contradict the laser time, a transmission outside 0 to 100 %.
    A setting outside its plausible range is remarked in `notes`.
    """
    process = find_process(process)
    checked = check_settings(process, settings)
    _check_transmission(transmission_pct, transmission_sd)
    working = _Working()
    area: float | None = None
    if process is Process.SIMULTANEOUS:
        area = _simultaneous(checked, working)
    elif process is Process.MASK:
        _mask(checked, working)
    else:
        area = _scanned(process, checked, working)
    if transmission_pct is not None:
        _at_joint(transmission_pct, transmission_sd, working)
    _pressure(checked, area, working)
    notes = [*implausible_settings(process, checked), *working.notes]
    if transmission_pct is not None and transmission_pct < 1.0:
        notes.append(f"Transmission {transmission_pct:g} % is below 1 %: give %, not a fraction.")
    return EnergyBudget(
        process, checked, transmission_pct, transmission_sd, tuple(working.figures), tuple(notes)
    )


def _check_transmission(transmission_pct: float | None, transmission_sd: float | None) -> None:
    if transmission_pct is None:
        if transmission_sd is not None:
            raise UsageError(
                "A spread of transmission without a transmission.", "Give the transmission in %."
            )
        return
    if not 0.0 < transmission_pct <= 100.0:
        raise UsageError(
            f"Transmission is {transmission_pct!r} %.", "Give a transmission above 0 and up to 100 %."
        )
    if transmission_sd is not None and not (math.isfinite(transmission_sd) and transmission_sd >= 0.0):
        raise UsageError(
            f"The standard deviation of transmission is {transmission_sd!r}.",
            "Give it in percentage points, at least 0.",
        )


def _scanned(process: Process, given: Mapping[str, float], working: _Working) -> float | None:
    """Contour and quasi-simultaneous: a spot of power P runs along the seam at speed v. Returns the seam area."""
    power, speed = given["power"], given["speed"]
    length, spot = given.get("seam_length"), given.get("spot_diameter")
    width = given["seam_width"] if spot is None else min(given["seam_width"], spot)
    passes = 1.0
    if process is Process.QUASI_SIMULTANEOUS:
        passes = _passes(given, speed, given["seam_length"], working)
    per_pass = working.add(
        "line_per_pass", "line energy per pass", power / speed, "J/mm", "P / v", f"{power:g} / {speed:g}"
    )
    total = working.add(
        "line_total",
        "line energy, total",
        passes * per_pass,
        "J/mm",
        "N P / v",
        f"{passes:g} x {power:g} / {speed:g}",
    )
    put_in = f"{passes:g} x {power:g} / ({speed:g} x {width:g})"
    working.add("areal_incident", "areal energy, incident", total / width, "J/mm²", "N P / (v w)", put_in)
    if length is not None:
        time = passes * length / speed
        if process is Process.CONTOUR:
            working.add("laser_time", "laser time", time, "s", "L / v", f"{length:g} / {speed:g}")
        else:
            revisit = working.add(
                "revisit_time", "revisit time", length / speed, "s", "L / v", f"{length:g} / {speed:g}"
            )
            if revisit > REVISIT_LIMIT_S:
                working.notes.append(
                    f"Revisit time {revisit:.3g} s is above {REVISIT_LIMIT_S:g} s: the seam cools between passes."
                )
        working.add("energy_total", "laser energy, total", power * time, "J", "P t", f"{power:g} x {time:g}")
    if spot is not None:
        working.add(
            "dwell_time", "dwell time of the spot", spot / speed, "s", "d / v", f"{spot:g} / {speed:g}"
        )
        spot_area = math.pi * spot**2 / 4.0
        _intensity(power, spot_area, "4 P / (pi d²)", f"4 x {power:g} / (pi x {spot:g}²)", working)
    return None if length is None else length * given["seam_width"]


def _passes(given: Mapping[str, float], speed: float, length: float, working: _Working) -> float:
    passes, time = given.get("passes"), given.get("laser_time")
    if passes is None and time is None:
        raise UsageError("quasi-simultaneous welding lacks the passes.", "Give passes or laser time.")
    if passes is None:
        assert time is not None
        passes = time * speed / length
        working.add("passes", "passes", passes, "count", "t v / L", f"{time:g} x {speed:g} / {length:g}")
        if abs(passes - round(passes)) > 1e-9 * passes:
            working.notes.append("The last pass is partial.")
        working.add("laser_time", "laser time", time, "s", "t", "given")
        return passes
    from_passes = passes * length / speed
    if time is not None and abs(time - from_passes) > PASSES_TIME_TOLERANCE * from_passes:
        raise UsageError(
            f"{passes:g} passes take {from_passes:.4g} s, the laser time given is {time:g} s.",
            "Give passes or laser time, not both.",
        )
    working.add("passes", "passes", passes, "count", "N", "given")
    working.add(
        "laser_time", "laser time", from_passes, "s", "N L / v", f"{passes:g} x {length:g} / {speed:g}"
    )
    return passes


def _simultaneous(given: Mapping[str, float], working: _Working) -> float:
    power, time = given["power"], given["laser_time"]
    length, width, area = given.get("seam_length"), given.get("seam_width"), given.get("seam_area")
    if area is None:
        if length is None or width is None:
            raise UsageError(
                "simultaneous welding lacks the seam area.", "Give seam area, or seam length and seam width."
            )
        area = length * width
    elif length is not None and width is not None and abs(area - length * width) > 0.01 * area:
        raise UsageError(
            f"Seam area {area:g} mm² differs from length times width, {length * width:g} mm².",
            "Give seam area, or seam length and seam width.",
        )
    working.add("laser_time", "laser time", time, "s", "t", "given")
    energy = working.add(
        "energy_total", "laser energy, total", power * time, "J", "P t", f"{power:g} x {time:g}"
    )
    if length is not None:
        working.add(
            "line_total", "line energy, total", energy / length, "J/mm", "P t / L", f"{energy:g} / {length:g}"
        )
    working.add(
        "areal_incident",
        "areal energy, incident",
        energy / area,
        "J/mm²",
        "P t / A",
        f"{energy:g} / {area:g}",
    )
    _intensity(power, area, "P / A", f"{power:g} / {area:g}", working)
    return area


def _mask(given: Mapping[str, float], working: _Working) -> None:
    """A line beam of length w across the sweep: E = N P / (v w). The mask decides the seam area."""
    power, speed, line = given["power"], given["speed"], given["line_length"]
    passes = given.get("passes", 1.0)
    thickness, sweep = given.get("line_thickness"), given.get("sweep_length")
    working.add(
        "areal_per_pass", "areal energy per sweep", power / (speed * line), "J/mm²", "P / (v w)",
        f"{power:g} / ({speed:g} x {line:g})",
    )  # fmt: skip
    working.add(
        "areal_incident", "areal energy, incident", passes * power / (speed * line), "J/mm²", "N P / (v w)",
        f"{passes:g} x {power:g} / ({speed:g} x {line:g})",
    )  # fmt: skip
    if sweep is not None:
        time = passes * sweep / speed
        working.add("laser_time", "laser time", time, "s", "N L / v", f"{passes:g} x {sweep:g} / {speed:g}")
        working.add("energy_total", "laser energy, total", power * time, "J", "P t", f"{power:g} x {time:g}")
    if thickness is not None:
        working.add(
            "dwell_time",
            "dwell time of the line",
            thickness / speed,
            "s",
            "b / v",
            f"{thickness:g} / {speed:g}",
        )
        _intensity(power, line * thickness, "P / (w b)", f"{power:g} / ({line:g} x {thickness:g})", working)


def _intensity(power: float, area: float, formula: str, put_in: str, working: _Working) -> None:
    working.add("intensity", "peak intensity, top hat", power / area, "W/mm²", formula, put_in)


def _at_joint(transmission_pct: float, transmission_sd: float | None, working: _Working) -> None:
    share = transmission_pct / 100.0
    joint_of = {
        "line_total": ("line_joint", "line energy at the joint", "T x line energy, total"),
        "areal_incident": ("areal_joint", "areal energy at the joint", "T x areal energy, incident"),
        "intensity": ("intensity_joint", "peak intensity at the joint, top hat", "T x peak intensity"),
    }
    for figure in tuple(working.figures):
        if figure.name in joint_of:
            name, label, formula = joint_of[figure.name]
            sd = None if transmission_sd is None else figure.value * transmission_sd / 100.0
            put_in = f"{share:g} x {figure.value:g}"
            working.add(name, label, share * figure.value, figure.unit, formula, put_in, sd)


def _pressure(given: Mapping[str, float], seam_area: float | None, working: _Working) -> None:
    force, area = given.get("clamp_force"), given.get("clamp_area", seam_area)
    if force is not None and area is not None:
        working.add("joint_pressure", "joint pressure", force / area, "MPa", "F / A", f"{force:g} / {area:g}")
