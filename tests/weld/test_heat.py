"""The heat estimate against closed solutions of heat conduction, and its energy balance."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.special import erf, erfc, erfcx

from qualrec.errors import UsageError
from qualrec.weld.heat import HeatCase, HeatMaterial, solve_heat
from qualrec.weld.melt import melt_data, surface_temperature_rise

SOLID = HeatMaterial(1130, 2100, 0.25, 5000, 5001, 0)
OTHER = HeatMaterial(1200, 1500, 0.20, 5000, 5001, 0)
VOID = HeatMaterial(1130e-4, 2100, 0.25e-4, 5000, 5001, 0)
"""Same diffusivity as SOLID with 1/10000 of its effusivity: almost an insulator."""
ALPHA = 0.25 / (1130 * 2100)


def _effusivity(material: HeatMaterial) -> float:
    return math.sqrt(material.conductivity_w_mk * material.density_kg_m3 * material.cp_j_kgk)


def _ierfc(x: np.ndarray) -> np.ndarray:
    return np.exp(-(x**2)) / math.sqrt(math.pi) - x * erfc(x)


def test_constant_flux_on_a_half_space() -> None:
    """T = 2 q sqrt(alpha t)/k ierfc(x / 2 sqrt(alpha t)), Carslaw and Jaeger, Conduction of Heat in Solids 2.9."""
    run = solve_heat(HeatCase(VOID, SOLID, 2, 2, 0.5, 1e5, 0.05, 0.05))
    spread = 2 * math.sqrt(ALPHA * 0.05)
    lower = run.x_mm > 0
    exact = 0.5e6 * spread / 0.25 * _ierfc(1e-3 * run.x_mm[lower] / spread)
    assert run.temperature_c[-1][lower] - 23 == pytest.approx(exact, abs=0.005 * exact.max())


def test_flux_shared_by_two_bodies() -> None:
    """Same solution for two half spaces: the rise follows the sum of effusivities."""
    run = solve_heat(HeatCase(SOLID, OTHER, 2, 2, 1.0, 1e5, 0.01, 0.01))
    exact = surface_temperature_rise(1.0, 0.01, _effusivity(SOLID), _effusivity(OTHER))
    assert run.joint_c[-1] - 23 == pytest.approx(exact, rel=0.005)


def test_contact_of_two_bodies() -> None:
    """Contact temperature (e1 T1 + e2 T2)/(e1 + e2) and erfc profiles (Carslaw and Jaeger 2.13)."""
    run = solve_heat(HeatCase(SOLID, OTHER, 2, 2, 0.0, 10, 0.0, 0.2, start_upper_c=250))
    e1, e2 = _effusivity(SOLID), _effusivity(OTHER)
    contact = (e1 * 250 + e2 * 23) / (e1 + e2)
    assert run.joint_c[-1] == pytest.approx(contact, rel=1e-4)
    lower = run.x_mm > 0
    spread = 2 * math.sqrt(0.2 / (1200 * 1500) * 0.2)
    exact = 23 + (contact - 23) * erfc(1e-3 * run.x_mm[lower] / spread)
    assert run.temperature_c[-1][lower] == pytest.approx(exact, abs=0.3)


@pytest.mark.parametrize("extinction", [5.0, 20.0])
def test_volume_absorption_in_a_half_space(extinction: float) -> None:
    """Beer-Lambert heating of an insulated half space (Carslaw and Jaeger; Ready, Effects of high-power laser radiation).

    The product exp(a² alpha t) erfc is evaluated as erfcx.
    """
    run = solve_heat(HeatCase(VOID, SOLID, 2, 2, 0.5, extinction, 0.05, 0.05))
    lower = run.x_mm > 0
    x, a, k, q, t = 1e-3 * run.x_mm[lower], 1e3 * extinction, 0.25, 0.5e6, 0.05
    root = math.sqrt(ALPHA * t)
    gauss = np.exp(-((x / (2 * root)) ** 2))
    exact = (q / k) * (
        2 * root * _ierfc(x / (2 * root))
        - np.exp(-a * x) / a
        + gauss * (erfcx(a * root - x / (2 * root)) + erfcx(a * root + x / (2 * root))) / (2 * a)
    )
    assert run.temperature_c[-1][lower] - 23 == pytest.approx(exact, abs=0.004 * exact.max())


def test_melting_front() -> None:
    """Stefan problem, solid at its melting point under a hot face: s = 2 L sqrt(alpha t), L exp(L²) erf(L) = Ste/sqrt(pi).

    Neumann solution, Carslaw and Jaeger 11.2. The hot face is an upper part of very high effusivity.
    """
    latent, hot = 1.5e5, 60.0
    block = HeatMaterial(1e6, 2100, 0.25e6, 5000, 5001, 0)
    melting = HeatMaterial(1130, 2100, 0.25, 199.9, 200.1, latent)
    case = HeatCase(block, melting, 40, 2, 0, 10, 0, 0.5, start_upper_c=200 + hot, start_lower_c=199.9)
    run = solve_heat(case)
    stefan = 2100 * hot / latent
    front = brentq(lambda v: v * math.exp(v * v) * erf(v) - stefan / math.sqrt(math.pi), 1e-6, 3)
    assert run.melt_lower_mm[-1] == pytest.approx(2e3 * front * math.sqrt(ALPHA * 0.5), rel=0.02)


@pytest.mark.parametrize("grade", ["PA6", "PBT-GF30", "PC", "PP"])
def test_energy_balance(grade: str) -> None:
    material = HeatMaterial.from_melt_data(melt_data(grade))
    run = solve_heat(HeatCase(material, material, 1.5, 2, 0.5, 10, 1.0, 2.0))
    assert run.balance_error < 1e-6
    assert run.stored_j_mm2 == pytest.approx(0.5, rel=1e-6)
    assert run.deepest_lower_mm > 0


def test_more_flux_melts_more_and_latent_heat_melts_less() -> None:
    material = HeatMaterial.from_melt_data(melt_data("PA6"))
    dry = HeatMaterial(1130, 2100, 0.25, material.melt_low_c, material.melt_high_c, 0)
    depth = []
    for parts, flux in ((material, 0.25), (material, 0.35), (dry, 0.35)):
        run = solve_heat(HeatCase(parts, parts, 1.5, 2, flux, 10, 1.0, 1.5, cells=80))
        depth.append(run.deepest_lower_mm + run.deepest_upper_mm)
    assert depth[0] < depth[1] < depth[2]


def test_melt_stays_below_the_budget() -> None:
    """Melted thickness never exceeds E/e, the bound without heat loss."""
    data = melt_data("PA6")
    material = HeatMaterial.from_melt_data(data)
    run = solve_heat(HeatCase(material, material, 1.5, 2, 0.4, 10, 1.0, 1.5))
    assert 0 < run.deepest_upper_mm + run.deepest_lower_mm < 0.4 / data.melt_energy()


def test_a_molten_start_gives_its_latent_heat_back() -> None:
    """Two equal parts, one starting as a melt: at the end both share the enthalpy, cp dT and latent heat together."""
    material = HeatMaterial(1130, 2100, 0.25, 218, 222, 7e4)
    run = solve_heat(HeatCase(material, material, 0.2, 0.2, 0, 10, 0, 20, start_upper_c=250, cells=40))
    assert run.temperature_c[0][run.x_mm < 0] == pytest.approx(250)
    assert run.melt_upper_mm[0] == pytest.approx(0.2)
    assert run.temperature_c[-1] == pytest.approx((250 + 23) / 2 + 7e4 / 2100 / 2, abs=0.01)


def test_grid_is_fine_enough() -> None:
    material = HeatMaterial.from_melt_data(melt_data("PA6"))
    coarse, fine = (
        solve_heat(HeatCase(material, material, 1.5, 2, 0.35, 10, 1.0, 1.2, cells=cells))
        for cells in (120, 240)
    )
    assert coarse.hottest_c == pytest.approx(fine.hottest_c, abs=0.5)
    assert coarse.deepest_lower_mm == pytest.approx(fine.deepest_lower_mm, abs=0.005)


def test_nothing_happens_without_flux() -> None:
    run = solve_heat(HeatCase(SOLID, OTHER, 1, 1, 0, 10, 0.5, 1.0, cells=20))
    assert run.temperature_c == pytest.approx(np.full_like(run.temperature_c, 23.0), abs=1e-9)
    assert "Estimate" in run.remark


@pytest.mark.parametrize(
    "change",
    [
        {"upper_mm": 0},
        {"lower_mm": -1},
        {"flux_w_mm2": -1},
        {"flux_w_mm2": math.nan},
        {"extinction_per_mm": 0},
        {"total_s": 0, "heating_s": 0},
        {"heating_s": 3},
        {"cells": 4},
    ],
)
def test_wrong_cases(change: dict[str, float]) -> None:
    good = {
        "upper_mm": 1,
        "lower_mm": 1,
        "flux_w_mm2": 1,
        "extinction_per_mm": 10,
        "heating_s": 1,
        "total_s": 2,
    }
    with pytest.raises(UsageError) as caught:
        HeatCase(SOLID, SOLID, **{**good, **change})
    assert caught.value.remedy


def test_wrong_materials() -> None:
    with pytest.raises(UsageError):
        HeatMaterial(0, 2100, 0.25, 200, 201, 0)
    with pytest.raises(UsageError):
        HeatMaterial(1130, 2100, 0.25, 201, 200, 0)
    with pytest.raises(UsageError):
        HeatMaterial(1130, 2100, 0.25, 200, 201, -1)
