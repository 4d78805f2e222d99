"""Melt budget: the table, the worked case, conduction formulas."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from qualrec.errors import UsageError
from qualrec.weld.energy import ArealEnergy
from qualrec.weld.melt import (
    diffusion_length_mm,
    melt_data,
    melt_energy,
    melt_estimate,
    melt_table,
    surface_temperature_rise,
)
from qualrec.weld.tables import load_table


@pytest.mark.parametrize("row", load_table("melt_budget"), ids=lambda row: row["polymer"])
def test_printed_melt_energy(row: dict[str, str]) -> None:
    """The printed column follows from rho (cp (T - 23) + dH) to its three digits."""
    found = melt_table()[row["polymer"]].melt_energy()
    assert found == pytest.approx(float(row["melt_energy_j_mm3"]), abs=5.1e-4)


@pytest.mark.parametrize(
    "polymer, per_200_um",
    [
        ("PA6", 0.109),
        ("PA66", 0.132),
        ("PBT", 0.103),
        ("PP", 0.071),
        ("POM", 0.119),
        ("PC", 0.075),
        ("PPS", 0.116),
    ],
)
def test_energy_of_a_200_um_layer(polymer: str, per_200_um: float) -> None:
    assert 0.2 * melt_data(polymer).melt_energy() == pytest.approx(per_200_um, abs=6e-4)


def test_worked_case() -> None:
    """0.40 J/mm² into PA6 at 0.547 J/mm³ melts at most 0.73 mm."""
    found = melt_estimate(ArealEnergy(0.40), "PA6", "PA6", heating_time_s=3.0)
    assert found.melt_energy_j_mm3 == pytest.approx(0.547, abs=5e-4)
    assert found.s_max_mm == pytest.approx(0.73, abs=5e-3)
    assert any("index of energy only" in remark for remark in found.remarks), "3 s spreads heat over 1.1 mm"
    fast = melt_estimate(ArealEnergy(0.40), "PA6", "PA6", heating_time_s=0.03)
    assert any("fair" in remark for remark in fast.remarks)


@pytest.mark.parametrize(
    "time, length", [(0.01, 0.07), (0.05, 0.15), (0.1, 0.21), (0.5, 0.47), (1.0, 0.66), (3.0, 1.15)]
)
def test_diffusion_length(time: float, length: float) -> None:
    """sqrt(4 x 0.11 mm²/s x t), computed by hand."""
    assert diffusion_length_mm(0.11, time) == pytest.approx(length, abs=6e-3)


@pytest.mark.parametrize("flux, time, rise", [(1.0, 0.010, 75), (2.0, 0.020, 212)])
def test_surface_temperature(flux: float, time: float, rise: float) -> None:
    """2 q sqrt(t/pi)/(e1 + e2) with e 750 W s^0.5/(m² K), computed by hand."""
    assert surface_temperature_rise(flux, time, 750, 750) == pytest.approx(rise, abs=1)


def test_polyamide_properties() -> None:
    """Effusivity about 750 and diffusivity about 0.11 mm²/s (handbook order, from memory)."""
    data = melt_data("PA6")
    assert data.effusivity == pytest.approx(750, rel=0.05)
    assert data.diffusivity_mm2_s == pytest.approx(0.11, rel=0.05)


@pytest.mark.parametrize(
    "grade, density",
    [("PA6-GF30", 1360), ("PA66-GF30", 1370), ("PBT-GF30", 1530), ("PC-GF30", 1430), ("PP-GF30", 1130)],
)
def test_density_of_filled_grades(grade: str, density: float) -> None:
    """PBT from a data sheet, the others from memory; volume additivity meets them within 1 %."""
    assert melt_data(grade).density_kg_m3 == pytest.approx(density, rel=0.01)


def test_glass_lowers_enthalpy_and_heat() -> None:
    plain, filled = melt_data("PA6"), melt_data("PA6-GF30")
    assert filled.melt_enthalpy_kj_kg == pytest.approx(0.7 * 70)
    assert filled.cp_mean_j_kgk == pytest.approx(0.7 * 2100 + 0.3 * 800)
    assert filled.melt_energy() < plain.melt_energy()


@given(st.floats(0.01, 5), st.floats(0.01, 5))
def test_more_energy_melts_more(first: float, second: float) -> None:
    low, high = sorted((first, second))
    found = [melt_estimate(ArealEnergy(value), "PBT", "PA6").s_max_mm for value in (low, high)]
    assert found[0] <= found[1]


@given(st.floats(0.01, 0.5), st.floats(1e-4, 100))
def test_diffusion_length_inverts(alpha: float, time: float) -> None:
    assert diffusion_length_mm(alpha, time) ** 2 / (4 * alpha) == pytest.approx(time)


@given(st.floats(-20, 150))
def test_a_warmer_start_needs_less(start: float) -> None:
    assert melt_data("PA6").melt_energy(start) > melt_data("PA6").melt_energy(start + 10)


def test_remarks_on_two_materials_and_narrow_windows() -> None:
    remarks = " ".join(melt_estimate(ArealEnergy(0.3), "POM", "POM").remarks)
    assert "Narrow window" in remarks
    assert "Two materials" in " ".join(melt_estimate(ArealEnergy(0.3), "PBT", "PA6").remarks)
    assert "Estimate" in remarks


def test_wrong_input() -> None:
    with pytest.raises(UsageError, match="not below the target"):
        melt_energy(1000, 2000, 100, 0, 120)
    with pytest.raises(UsageError):
        melt_energy(-1, 2000, 100, 0)
    with pytest.raises(UsageError, match="No melt data"):
        melt_data("PEEK")
    with pytest.raises(UsageError):
        diffusion_length_mm(0, 1)
    with pytest.raises(UsageError):
        surface_temperature_rise(1, -1, 750, 750)
    assert math.isclose(surface_temperature_rise(0, 1, 750, 750), 0)
