"""A window study from plan to draft on both databases: random order, entries, file, fit, what the set point proves."""

from __future__ import annotations

import math

import numpy as np
import pytest

from qualrec.errors import FileRefused, Refused, UnknownRecord, UsageError
from qualrec.weld.energy import energy_budget
from qualrec.work import window_files, window_picture, window_plan, window_study
from qualrec.work.window_plan import RunEntry

FACTORS = ["power=150..260", "clamp_force=400..700"]
LIGHT = "22,4"


def plan(plant, badge: str = "P-01", **more):
    return window_plan.plan_study(
        plant.as_badge(badge), "RC-2040", FACTORS, transmission=LIGHT, **{"centre_runs": 3, **more}
    )


def truth(run) -> tuple[float, str]:
    """An invented weld: a hump over the energy at the joint, interfacial under 0.31 J/mm²."""
    x = (run.joint_energy - 0.41) / 0.1
    force = 640.0 - 90.0 * x * x - 20.0 * ((run.values["clamp_force"] - 540.0) / 150.0) ** 2
    force += 9.0 * math.sin(7.0 * run.position)
    return (force - 200.0, "interfacial") if run.joint_energy < 0.31 else (force, "cohesive")


def filled(study, put, broken: str = ""):
    rows = ["run;strength;mode;shares;collapse"]
    for run in study.runs:
        force, mode = truth(run)
        rows.append(f"{run.position};{force:.1f};{mode};;0,28".replace(".", ","))
    return put([*rows, broken] if broken else rows, "runs.csv")


def test_a_study_is_planned_with_its_runs_in_random_order_around_a_recipe(small_plant) -> None:
    """Energy by hand: 20 x 150 W / (1200 mm/s x 2 mm) x 22.4 % = 0.28 J/mm2 at the lowest power of RC-2040."""
    study = plan(small_plant)
    assert (study.study.number, study.study.state, study.done) == ("WS-1", "planned", 0)
    assert len(study.runs) == 11
    assert [r.position for r in study.runs] == list(range(1, 12))
    assert {r.values["power"] for r in study.runs} == {150.0, 205.0, 260.0}
    kinds = [r.kind for r in study.runs]
    assert kinds != sorted(kinds)
    low = next(r for r in study.runs if r.values["power"] == 150.0)
    budget = energy_budget("quasi-simultaneous", low.settings, 22.4)
    assert low.joint_energy == pytest.approx(budget.value("areal_joint"))
    assert low.joint_energy == pytest.approx(20 * 150 / (1200 * 2) * 0.224)
    assert plan(small_plant).study.number == "WS-2"


def test_factors_are_settings_of_the_process_transmission_or_energy(small_plant) -> None:
    session = small_plant.as_badge("P-01")
    for wrong in ("line_length=1..2", "power", "power=5", "power=200..100", "colour=1..2"):
        with pytest.raises(UsageError):
            window_plan.plan_study(session, "RC-2040", [wrong, "clamp_force=400..700"])
    assert window_plan.read_factor("clamp-force=0,4..0,7 kN", "contour").low == pytest.approx(400.0)
    made = window_plan.plan_study(
        session, "RC-2040", ["joint_energy=0.3..0.5", "transmission=18..26"], centre_runs=2
    )
    for run in made.runs:
        assert run.joint_energy == pytest.approx(run.values["joint_energy"])
        assert run.transmission_pct == run.values["transmission"]


def test_runs_are_entered_once_and_changed_with_a_reason(small_plant) -> None:
    session, number = small_plant.as_badge("T-01"), plan(small_plant).study.number
    told = window_plan.enter_run(
        session, number, RunEntry(1, "0,612 kN", "cohesive", section={"flash": "0,1"})
    )
    assert told == "Run 1: 612 N, cohesive. 10 of 11 runs are open."
    run = window_plan.window_study(session, number).runs[0]
    assert (run.strength, run.mode, run.section, run.person) == (
        612.0,
        "cohesive",
        {"flash": 0.1},
        "Sample technician A",
    )
    with pytest.raises(Refused, match="entry already"):
        window_plan.enter_run(session, number, RunEntry(1, "500", "cohesive"))
    window_plan.enter_run(session, number, RunEntry(1, "500", "mixed", "40/60/0/0"), why="read again")
    assert window_plan.window_study(session, number).runs[0].shares == "40/60/0/0"
    window_plan.enter_run(session, number, RunEntry(2, "", "test fault"))
    for entry, error in (
        (RunEntry(3, "", "cohesive"), UsageError),
        (RunEntry(3, "500", "test fault"), UsageError),
        (RunEntry(3, "500", "mixed", "40/40/0/0"), UsageError),
        (RunEntry(99, "500", "cohesive"), UnknownRecord),
    ):
        with pytest.raises(error):
            window_plan.enter_run(session, number, entry)
    assert [r.done_us is not None for r in window_plan.window_study(session, number).runs[:3]] == [
        True,
        True,
        False,
    ]


def test_a_file_of_runs_goes_in_whole_or_not_at_all_and_twice_changes_nothing(small_plant, put) -> None:
    session, study = small_plant.as_badge("T-01"), plan(small_plant)
    number = study.study.number
    with pytest.raises(FileRefused) as caught:
        window_plan.import_runs(session, number, filled(study, put, "12;600;cohesive;;"))
    assert [p.row for p in caught.value.problems] == [13]
    assert window_plan.window_study(session, number).done == 0
    file = filled(study, put)
    assert window_plan.import_runs(session, number, file)[0] == "11 runs entered from runs.csv."
    before = small_plant.counts()["trail"]
    assert "11 runs were there already." in window_plan.import_runs(session, number, file)
    assert small_plant.counts()["trail"] == before


def test_the_set_point_lies_inside_and_proves_its_windows_in_a_draft(small_plant, put, tmp_path) -> None:
    session, study = small_plant.as_badge("P-01"), plan(small_plant)
    number = study.study.number
    with pytest.raises(UsageError, match="no runs yet"):
        window_study.fit_study(session, number)
    window_plan.import_runs(session, number, filled(study, put))
    report = window_study.fit_study(session, number, least=450)
    point = report.point
    assert point is not None
    assert report.fit.inside(report.fit.coded(point.values), report.rule).all()
    windows = {w.quantity: w for w in report.windows}
    energy, light = windows["joint energy"], windows["transmission"]
    room = next(m for m in point.margins if m.factor == "power")
    assert energy.low == pytest.approx(20 * room.low / 2400 * 0.224, rel=1e-3)
    assert energy.high == pytest.approx(20 * room.high / 2400 * 0.224, rel=1e-3)
    # Energy goes with power and transmission alike: the two ranges have the same ratio.
    assert light.high / light.low == pytest.approx(energy.high / energy.low, rel=2e-3)
    picture = window_picture.map_picture(report, report.maps[0], ascii_only=True)
    assert len(picture.lines) == 17
    assert sum(line.count("@") for line in picture.lines) == 1
    assert any("x" in line for line in picture.lines)
    assert all(line.isascii() for line in picture.all_lines)
    assert window_files.write_book(session, report, tmp_path / "study.xlsx").endswith(f"study {number}.")
    _, drafted = window_study.choose_set_point(session, number, reason="plateau", least=450)
    assert (drafted.state, drafted.revision) == ("draft", 2)
    held = {s.name: s for s in drafted.settings}
    assert held["power"].value == pytest.approx(point.values["power"], rel=1e-3)
    assert held["power"].low <= held["power"].value <= held["power"].high
    assert {w.quantity for w in drafted.windows} == set(windows)
    assert all(f"window study {number}, 11 runs" in w.proof for w in drafted.windows)
    with pytest.raises(Refused, match="analysed"):
        window_plan.enter_run(session, number, RunEntry(1, "500", "cohesive"), why="x")
    kept = window_study.kept_report(window_plan.window_study(session, number))
    assert kept.rule.min_strength == 450
    assert kept.point is not None
    assert kept.point.values == pytest.approx(point.values)


def test_no_set_point_is_chosen_outside_the_rule_or_with_open_runs(small_plant, put) -> None:
    session, study = small_plant.as_badge("P-01"), plan(small_plant)
    number = study.study.number
    lines = filled(study, put).read_text(encoding="utf-8").splitlines()
    window_plan.import_runs(session, number, put(lines[:-1], "some.csv"))
    with pytest.raises(Refused, match="are open"):
        window_study.choose_set_point(session, number, reason="x", least=450)
    window_plan.import_runs(session, number, put(lines, "all.csv"))
    with pytest.raises(Refused, match="does not meet the rule"):
        window_study.choose_set_point(session, number, reason="x", least=450, at={"power": 150.0})
    with pytest.raises(Refused, match="No point of the study meets the rule"):
        window_study.choose_set_point(session, number, reason="x", least=5000)
    with pytest.raises(UsageError, match="reason"):
        window_study.choose_set_point(session, number, reason=" ", least=450)
    own = window_study.fit_study(session, number, least=450, at={"power": 230.0, "clamp_force": 500.0})
    assert own.point is not None
    assert own.point.values["power"] == 230.0
    assert own.point.smallest_margin > 0


def test_transmission_as_a_factor_is_qualified_directly(small_plant) -> None:
    session = small_plant.as_badge("P-01")
    study = window_plan.plan_study(
        session, "RC-2040", ["power=150..260", "transmission=16..28"], centre_runs=3
    )
    for run in study.runs:
        x = (run.joint_energy - 0.40) / 0.12
        mode = "interfacial" if run.joint_energy < 0.28 else "cohesive"
        force = (
            620.0
            - 80.0 * x * x
            + 5.0 * math.cos(3.0 * run.position)
            - (200.0 if mode == "interfacial" else 0.0)
        )
        window_plan.enter_run(session, study.study.number, RunEntry(run.position, f"{force:.1f}", mode))
    report = window_study.fit_study(session, study.study.number, least=400)
    assert report.point is not None
    margin = next(m for m in report.point.margins if m.factor == "transmission")
    found = {w.quantity: w for w in report.windows}
    assert (found["transmission"].low, found["transmission"].high) == pytest.approx(
        (margin.low, margin.high), rel=1e-3
    )
    assert np.isfinite(found["joint energy"].low)


def test_the_run_sheet_is_a_print_and_a_file_to_fill(small_plant, tmp_path) -> None:
    session, study = small_plant.as_badge("P-01"), plan(small_plant)
    for name in ("run.xlsx", "run.pdf"):
        window_files.write_sheet(session, study.study.number, tmp_path / name)
        assert (tmp_path / name).stat().st_size > 2000
    window_files.write_sheet(session, study.study.number, tmp_path / "run.csv")
    lines = (tmp_path / "run.csv").read_text(encoding="utf-8").splitlines()
    assert lines[0].startswith("run;power;clamp_force;strength;mode;shares;melt layer upper")
    assert [line.split(";")[0] for line in lines[1:]] == [str(n) for n in range(1, 12)]
    with pytest.raises(Refused, match="already there"):
        window_files.write_sheet(session, study.study.number, tmp_path / "run.csv")


def test_a_withdrawn_study_takes_nothing_more(small_plant) -> None:
    session, number = small_plant.as_badge("P-01"), plan(small_plant).study.number
    window_plan.withdraw_window(session, number, why="wrong fixture")
    with pytest.raises(Refused, match="withdrawn"):
        window_plan.enter_run(session, number, RunEntry(1, "600", "cohesive"))
    assert [s.study.state for s in window_plan.window_studies_of(session, "FM-2040")] == ["withdrawn"]
