"""Energy budget: the worked case, each process, the refusal to mix J/mm and J/mm²."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from qualrec.errors import UsageError
from qualrec.weld.energy import ArealEnergy, LineEnergy, energy_budget
from qualrec.weld.settings import SETTINGS, STOP_MODES, Process, find_process
from qualrec.weld.units import find_unit

WORKED = {"power": 100, "speed": 1000, "seam_length": 150, "seam_width": 2, "passes": 20}


def test_worked_case() -> None:
    """Worked by hand from P/v, N P/v, N P/(v w), T E and N L/v: 0.10, 2.0, 1.0, 0.40 and 3.0 s."""
    budget = energy_budget("quasi-simultaneous", {**WORKED, "clamp_force": 600}, 40.0, 2.0)
    assert budget.line_per_pass == LineEnergy(0.1)
    assert budget.line_total == LineEnergy(2.0)
    assert budget.areal_incident == ArealEnergy(1.0)
    assert budget.areal_joint == ArealEnergy(0.4)
    assert budget.laser_time_s == pytest.approx(3.0)
    assert budget.value("revisit_time") == pytest.approx(0.15)
    assert budget.value("energy_total") == pytest.approx(300.0)
    assert budget.value("joint_pressure") == pytest.approx(2.0)
    joint = budget.get("areal_joint")
    assert joint is not None
    assert joint.sd == pytest.approx(0.02)
    assert budget.notes == ()


def test_working_is_printed_with_the_figures_put_in() -> None:
    figure = energy_budget("quasi-simultaneous", WORKED, 40.0).get("areal_incident")
    assert figure is not None
    assert figure.formula == "N P / (v w)"
    assert figure.working == "N P / (v w) = 20 x 100 / (1000 x 2) = 1 J/mm²"


@given(st.floats(1, 500), st.floats(10, 9000), st.floats(10, 900), st.floats(0.5, 50))
def test_passes_and_time_are_inverse(power: float, speed: float, length: float, passes: float) -> None:
    given_passes = {"power": power, "speed": speed, "seam_length": length, "seam_width": 2, "passes": passes}
    first = energy_budget("quasi-simultaneous", given_passes, None)
    time = first.laser_time_s
    assert time is not None
    given_time = {"power": power, "speed": speed, "seam_length": length, "seam_width": 2, "laser_time": time}
    second = energy_budget("quasi-simultaneous", given_time, None)
    assert second.value("passes") == pytest.approx(passes)
    assert second.value("areal_incident") == pytest.approx(first.value("areal_incident"))
    assert second.value("energy_total") == pytest.approx(first.value("energy_total"))


@given(st.floats(1, 99), st.floats(1, 99), st.floats(1, 1000))
def test_more_transmission_or_power_gives_more_at_the_joint(
    first: float, second: float, power: float
) -> None:
    low, high = sorted((first, second))
    at_low = energy_budget("quasi-simultaneous", {**WORKED, "power": power}, low).areal_joint
    at_high = energy_budget("quasi-simultaneous", {**WORKED, "power": power}, high).areal_joint
    more_power = energy_budget("quasi-simultaneous", {**WORKED, "power": power * 1.5}, low).areal_joint
    assert at_low is not None
    assert at_high is not None
    assert more_power is not None
    assert at_low <= at_high
    assert more_power > at_low


def test_contour() -> None:
    given_ = {"power": 40, "speed": 50, "seam_width": 2, "seam_length": 200, "spot_diameter": 1.6}
    budget = energy_budget("contour", given_, 30.0)
    assert budget.line_total == LineEnergy(0.8)
    assert budget.areal_incident == ArealEnergy(0.5), "the beam is narrower than the seam"
    assert budget.laser_time_s == pytest.approx(4.0)
    assert budget.value("dwell_time") == pytest.approx(0.032)
    assert budget.value("intensity") == pytest.approx(40 / (math.pi * 0.8**2))
    assert budget.value("intensity_joint") == pytest.approx(0.3 * 40 / (math.pi * 0.8**2))
    assert budget.get("passes") is None


def test_simultaneous() -> None:
    budget = energy_budget(
        "simultaneous", {"power": 600, "laser_time": 1.5, "seam_length": 150, "seam_width": 2}, 25.0
    )
    assert budget.areal_incident == ArealEnergy(3.0)
    assert budget.areal_joint == ArealEnergy(0.75)
    assert budget.line_total == LineEnergy(6.0)
    by_area = energy_budget("simultaneous", {"power": 600, "laser_time": 1.5, "seam_area": 300}, 25.0)
    assert by_area.areal_joint == ArealEnergy(0.75)
    assert by_area.line_total is None


def test_mask() -> None:
    given_ = {"power": 120, "speed": 30, "line_length": 40, "line_thickness": 2, "sweep_length": 60}
    budget = energy_budget("mask", given_, 50.0)
    assert budget.areal_incident == ArealEnergy(0.1)
    assert budget.areal_joint == ArealEnergy(0.05)
    assert budget.laser_time_s == pytest.approx(2.0)
    assert budget.value("intensity") == pytest.approx(1.5)
    assert energy_budget("mask", {**given_, "passes": 3}, 50.0).value("areal_incident") == pytest.approx(0.3)


def test_without_transmission_no_joint_figure() -> None:
    budget = energy_budget("quasi-simultaneous", WORKED, None)
    assert budget.areal_joint is None
    assert budget.line_total is not None


def test_line_and_areal_energy_do_not_mix() -> None:
    line, areal = LineEnergy(1.0), ArealEnergy(1.0)
    with pytest.raises(TypeError, match="compare J/mm with J/mm²"):
        assert line == areal
    with pytest.raises(TypeError):
        assert line != areal
    with pytest.raises(TypeError):
        assert line < areal  # type: ignore[operator]
    with pytest.raises(TypeError):
        _ = line + areal  # type: ignore[operator]
    with pytest.raises(TypeError):
        _ = areal - line  # type: ignore[operator]
    with pytest.raises(TypeError):
        _ = line * areal  # type: ignore[operator]
    with pytest.raises(TypeError):
        assert line > 0.5  # type: ignore[operator]
    assert line != 1.0
    assert line + line == LineEnergy(2.0) == 2 * line
    assert areal - areal == ArealEnergy(0.0)
    assert sorted([LineEnergy(3), LineEnergy(1)])[0] == LineEnergy(1)
    assert hash(line) == hash(LineEnergy(1.0))
    assert str(areal) == "1 J/mm²"


@pytest.mark.parametrize(
    "process, settings, words",
    [
        ("contour", {**WORKED}, "contour welding has no setting 'passes'"),
        ("simultaneous", {"power": 1, "laser_time": 1, "seam_area": 1, "speed": 3}, "no setting 'speed'"),
        ("contour", {"power": 40}, "lacks: speed"),
        ("contour", {"power": -1, "speed": 1, "seam_width": 1}, "laser power is -1"),
        ("contour", {"power": math.nan, "speed": 1, "seam_width": 1}, "laser power is nan"),
        ("quasi-simultaneous", {k: v for k, v in WORKED.items() if k != "passes"}, "lacks the passes"),
        ("quasi-simultaneous", {**WORKED, "laser_time": 2.0}, "20 passes take 3 s"),
        ("simultaneous", {"power": 100, "laser_time": 1}, "lacks the seam area"),
        (
            "simultaneous",
            {"power": 1, "laser_time": 1, "seam_area": 9, "seam_length": 2, "seam_width": 2},
            "differs",
        ),
        ("radial", WORKED, "not known"),
    ],
)
def test_wrong_settings_are_worded(process: str, settings: dict[str, float], words: str) -> None:
    with pytest.raises(UsageError, match=words) as caught:
        energy_budget(process, settings, 40.0)
    assert caught.value.remedy


@pytest.mark.parametrize(
    "percent, sd", [(0.0, None), (101.0, None), (math.nan, None), (40.0, -1.0), (None, 1.0)]
)
def test_wrong_transmission(percent: float | None, sd: float | None) -> None:
    with pytest.raises(UsageError):
        energy_budget("quasi-simultaneous", WORKED, percent, sd)


def test_remarks() -> None:
    slow = energy_budget("quasi-simultaneous", {**WORKED, "speed": 500, "power": 3000}, 0.4)
    text = " ".join(slow.notes)
    assert "laser power 3000 W is outside" in text
    assert "Revisit time 0.3 s" in text
    assert "not a fraction" in text
    partial = energy_budget(
        "quasi-simultaneous", {**{k: v for k, v in WORKED.items() if k != "passes"}, "laser_time": 1.0}, 40.0
    )
    assert "The last pass is partial." in partial.notes


def test_settings_tables() -> None:
    assert set(SETTINGS) == set(STOP_MODES) == set(Process)
    for settings in SETTINGS.values():
        names = [setting.name for setting in settings]
        assert len(names) == len(set(names))
        assert all(setting.low < setting.high and setting.label for setting in settings)
        assert all(find_unit(setting.unit) for setting in settings)
    assert "passes" not in {setting.name for setting in SETTINGS[Process.CONTOUR]}
    assert "speed" not in {setting.name for setting in SETTINGS[Process.SIMULTANEOUS]}
    assert find_process("Quasi simultaneous") is Process.QUASI_SIMULTANEOUS
