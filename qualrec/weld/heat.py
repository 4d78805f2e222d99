"""Transient heat flow across the joint in one dimension: an estimate, not a measurement.

Finite volumes through the upper part, the joint and the lower part. The light that reaches the joint is
absorbed in the lower part, q a exp(-a x) (Beer-Lambert). Latent heat by the enthalpy method: the state of a
cell is its enthalpy, temperature follows from it over a melting range. Outer faces are insulated, the parts
touch without resistance, nothing is squeezed out, properties do not change with temperature.

    dH/dt = d/dx (k dT/dx) + q(t) a exp(-a x)
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from qualrec.errors import ComputeError, UsageError
from qualrec.weld.melt import ROOM_C, MeltData

if TYPE_CHECKING:
    from collections.abc import Callable

    from qualrec.stats.results import FloatArray

HALF_MELTING_RANGE_K = 2.0
"""Latent heat is spread over the target temperature plus and minus this."""

REMARK = (
    "Estimate: one dimension, insulated outer faces, perfect contact, constant properties, no melt flow, "
    "no absorption in the upper part."
)


@dataclass(frozen=True, slots=True)
class HeatMaterial:
    """Constant properties in SI units; melting over `melt_low_c` to `melt_high_c` with `latent_j_kg`."""

    density_kg_m3: float
    cp_j_kgk: float
    conductivity_w_mk: float
    melt_low_c: float
    melt_high_c: float
    latent_j_kg: float

    def __post_init__(self) -> None:
        if not (self.density_kg_m3 > 0 and self.cp_j_kgk > 0 and self.conductivity_w_mk > 0):
            raise UsageError(
                "Density, specific heat and conductivity must be above 0.", "Check the material data."
            )
        if not (self.latent_j_kg >= 0 and self.melt_low_c < self.melt_high_c):
            raise UsageError(
                "The melting range must have a low end below its high end, and the latent heat be at least 0.",
                "Check the material data.",
            )

    @classmethod
    def from_melt_data(cls, data: MeltData, half_range_k: float = HALF_MELTING_RANGE_K) -> HeatMaterial:
        """Properties of the packaged table; melting over the target temperature +/- `half_range_k`."""
        return cls(
            density_kg_m3=data.density_kg_m3,
            cp_j_kgk=data.cp_mean_j_kgk,
            conductivity_w_mk=data.conductivity_w_mk,
            melt_low_c=data.target_c - half_range_k,
            melt_high_c=data.target_c + half_range_k,
            latent_j_kg=1000.0 * data.melt_enthalpy_kj_kg,
        )


@dataclass(frozen=True, slots=True)
class HeatCase:
    """One run. Depths in mm, flux in W/mm² at the joint, extinction of the lower part in 1/mm, times in s."""

    upper: HeatMaterial
    lower: HeatMaterial
    upper_mm: float
    lower_mm: float
    flux_w_mm2: float
    extinction_per_mm: float
    heating_s: float
    total_s: float
    start_upper_c: float = ROOM_C
    start_lower_c: float = ROOM_C
    cells: int = 160
    """Cells in each part, finest at the joint."""
    samples: int = 120
    """Times stored, spread over heating and cooling."""

    def __post_init__(self) -> None:
        positive = {
            "upper thickness": self.upper_mm,
            "lower thickness": self.lower_mm,
            "extinction of the lower part": self.extinction_per_mm,
            "total time": self.total_s,
        }
        for name, value in positive.items():
            if not (math.isfinite(value) and value > 0.0):
                raise UsageError(f"{name} is {value!r}.", f"Give a {name} above 0.")
        if not (math.isfinite(self.flux_w_mm2) and self.flux_w_mm2 >= 0.0):
            raise UsageError(f"Flux is {self.flux_w_mm2!r} W/mm².", "Give a flux of at least 0.")
        if not 0.0 <= self.heating_s <= self.total_s:
            raise UsageError(
                f"Heating time {self.heating_s:g} s lies outside 0 to the total time {self.total_s:g} s.",
                "Give a heating time within the total time.",
            )
        if self.cells < 8 or self.samples < 2:
            raise UsageError(
                "At least 8 cells in each part and 2 times are needed.", "Raise cells or samples."
            )


@dataclass(frozen=True, slots=True, eq=False)
class HeatRun:
    """Result of a run. Arrays: `time_s` (t,), `x_mm` (c,) below 0 in the upper part, `temperature_c` (t, c).

    Melt depths count the cells at or above the middle of the melting range, the last one by share.
    `balance_error` is |stored - absorbed| / absorbed, or / the enthalpy of the hotter part without a flux.
    """

    case: HeatCase
    time_s: FloatArray
    x_mm: FloatArray
    temperature_c: FloatArray
    joint_c: FloatArray
    peak_c: FloatArray
    melt_upper_mm: FloatArray
    melt_lower_mm: FloatArray
    absorbed_j_mm2: float
    stored_j_mm2: float
    balance_error: float
    remark: str

    @property
    def peak_joint_c(self) -> float:
        return float(self.joint_c.max())

    @property
    def hottest_c(self) -> float:
        return float(self.peak_c.max())

    @property
    def deepest_upper_mm(self) -> float:
        return float(self.melt_upper_mm.max())

    @property
    def deepest_lower_mm(self) -> float:
        return float(self.melt_lower_mm.max())


def _edges(thickness_m: float, cells: int, finest_m: float) -> FloatArray:
    """Cell edges from 0 at the joint to the outer face, growing by a constant factor; even if that is finer."""
    if finest_m * cells >= thickness_m:
        return np.linspace(0.0, thickness_m, cells + 1)
    low, high = 1.0, 4.0
    for _ in range(80):
        ratio = 0.5 * (low + high)
        length = finest_m * (ratio**cells - 1.0) / (ratio - 1.0)
        low, high = (ratio, high) if length < thickness_m else (low, ratio)
    widths = finest_m * ratio ** np.arange(cells)
    edges = np.concatenate(([0.0], np.cumsum(widths)))
    return np.asarray(edges * (thickness_m / edges[-1]))


class _Grid:
    """Cells from the outer face of the upper part to that of the lower part, joint at x = 0, in metres."""

    def __init__(self, case: HeatCase) -> None:
        depth = 1e-3 / case.extinction_per_mm
        slowest = min(
            material.conductivity_w_mk / (material.density_kg_m3 * material.cp_j_kgk)
            for material in (case.upper, case.lower)
        )
        heated = case.heating_s if case.heating_s > 0.0 else case.total_s
        spread = math.sqrt(slowest * heated)
        finest = max(min(max(depth, spread / 20.0) / 10.0, spread / 10.0), 1e-9)
        above = _edges(1e-3 * case.upper_mm, case.cells, finest)
        below = _edges(1e-3 * case.lower_mm, case.cells, finest)
        self.edges: FloatArray = np.concatenate((-above[:0:-1], below))
        self.width: FloatArray = np.diff(self.edges)
        self.centre: FloatArray = 0.5 * (self.edges[1:] + self.edges[:-1])
        self.cells = case.cells
        self.is_upper = np.arange(2 * case.cells) < case.cells
        resistance = 0.5 * self.width / self.per_cell(case, "conductivity_w_mk")
        self.conductance: FloatArray = 1.0 / (resistance[1:] + resistance[:-1])
        self.joint_weight = float(
            resistance[case.cells] / (resistance[case.cells] + resistance[case.cells - 1])
        )
        taken = -np.diff(np.exp(-1e3 * case.extinction_per_mm * np.maximum(self.edges, 0.0)))
        self.source_share: FloatArray = taken / taken.sum()

    def per_cell(self, case: HeatCase, name: str) -> FloatArray:
        above, below = np.float64(getattr(case.upper, name)), np.float64(getattr(case.lower, name))
        return np.where(self.is_upper, above, below)


class _Enthalpy:
    """Temperature from enthalpy per volume (J/m³ above 0 °C solid) and back, cell by cell."""

    def __init__(self, case: HeatCase, grid: _Grid) -> None:
        density = grid.per_cell(case, "density_kg_m3")
        self.capacity = density * grid.per_cell(case, "cp_j_kgk")
        self.latent = density * grid.per_cell(case, "latent_j_kg")
        self.low = grid.per_cell(case, "melt_low_c")
        self.high = grid.per_cell(case, "melt_high_c")
        self.h_low = self.capacity * self.low
        self.h_high = self.capacity * self.high + self.latent
        self.slope = (self.high - self.low) / (self.h_high - self.h_low)

    def temperature(self, enthalpy: FloatArray) -> FloatArray:
        solid = np.minimum(enthalpy, self.h_low) / self.capacity
        melting = (np.clip(enthalpy, self.h_low, self.h_high) - self.h_low) * self.slope
        liquid = np.maximum(enthalpy - self.h_high, 0.0) / self.capacity
        return np.asarray(solid + melting + liquid)

    def enthalpy(self, temperature: FloatArray) -> FloatArray:
        melted = np.clip((temperature - self.low) / (self.high - self.low), 0.0, 1.0)
        return np.asarray(self.capacity * temperature + self.latent * melted)


def _rate(grid: _Grid, enthalpy: _Enthalpy, flux_w_m2: float) -> Callable[[float, FloatArray], FloatArray]:
    source = flux_w_m2 * grid.source_share / grid.width

    def rate(_: float, state: FloatArray) -> FloatArray:
        flow = np.zeros(state.size + 1)
        flow[1:-1] = -grid.conductance * np.diff(enthalpy.temperature(state))
        return source - np.diff(flow) / grid.width

    return rate


def _leg(
    rate: Callable[[float, FloatArray], FloatArray], start: FloatArray, times: FloatArray, scale: float
) -> FloatArray:
    """States at `times` (first one is the start), shape (t, c)."""
    from scipy.integrate import solve_ivp

    solved = solve_ivp(
        rate,
        (float(times[0]), float(times[-1])),
        start,
        method="LSODA",
        t_eval=times,
        rtol=1e-7,
        atol=1e-7 * scale,
        lband=1,
        uband=1,
        first_step=1e-6 * float(times[-1] - times[0]),
    )
    if not solved.success:
        raise ComputeError(
            "The heat estimate did not converge.", "Check the material data, thicknesses and times."
        )
    return np.asarray(solved.y.T, dtype=np.float64)


def solve_heat(case: HeatCase) -> HeatRun:
    """Solve one case over heating and cooling.

    Cost: about 0.1 to 1 s. Raises ComputeError where the integration does not converge or the energy
    balance is off by more than 1e-6.
    """
    grid = _Grid(case)
    enthalpy = _Enthalpy(case, grid)
    cold = np.where(grid.is_upper, case.start_upper_c, case.start_lower_c).astype(np.float64)
    start = enthalpy.enthalpy(cold)
    scale = float(np.max(enthalpy.capacity)) * 1e-1
    flux = 1e6 * case.flux_w_mm2
    times, states = np.array([0.0]), start[np.newaxis, :]
    ends = [(case.heating_s, flux), (case.total_s, 0.0)]
    for end, power in ends:
        begin = float(times[-1])
        if end <= begin:
            continue
        count = max(2, round(case.samples * (end - begin) / case.total_s) + 1)
        steps = begin + (end - begin) * np.linspace(0.0, 1.0, max(count, case.samples // 3)) ** 2
        leg = _leg(_rate(grid, enthalpy, power), states[-1], steps, scale)
        times, states = np.concatenate((times, steps[1:])), np.concatenate((states, leg[1:]))
    return _read(case, grid, enthalpy, times, states)


def _read(case: HeatCase, grid: _Grid, enthalpy: _Enthalpy, times: FloatArray, states: FloatArray) -> HeatRun:
    temperature = np.array([enthalpy.temperature(state) for state in states])
    last = grid.cells - 1
    joint = (1 - grid.joint_weight) * temperature[:, last + 1] + grid.joint_weight * temperature[:, last]
    melted = np.clip((states - enthalpy.h_low) / (enthalpy.h_high - enthalpy.h_low), 0.0, 1.0)
    depth = 1e3 * melted * grid.width
    absorbed = case.flux_w_mm2 * case.heating_s
    stored = 1e-6 * float(((states[-1] - states[0]) * grid.width).sum())
    held = 1e-6 * float(np.abs(states[0] * grid.width).sum())
    error = abs(stored - absorbed) / (absorbed if absorbed > 0.0 else held)
    if error > 1e-6:
        raise ComputeError(
            f"The energy balance of the heat estimate is off by {error:.1e}.", "Raise the number of cells."
        )
    return HeatRun(
        case=case,
        time_s=times,
        x_mm=1e3 * grid.centre,
        temperature_c=temperature,
        joint_c=joint,
        peak_c=temperature.max(axis=1),
        melt_upper_mm=depth[:, : grid.cells].sum(axis=1),
        melt_lower_mm=depth[:, grid.cells :].sum(axis=1),
        absorbed_j_mm2=absorbed,
        stored_j_mm2=stored,
        balance_error=error,
        remark=REMARK,
    )
