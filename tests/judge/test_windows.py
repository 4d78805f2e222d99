"""Qualified windows: energy at the joint from recipe and measured transmission."""

from __future__ import annotations

from dataclasses import replace

import pytest

from qualrec.judge import kinds
from qualrec.judge.windows import joint_energies, window_findings
from qualrec.values import RecipeSetting, Window


def test_the_joint_energy_of_a_lot_is_settings_times_mean_transmission(made) -> None:
    """Worked by hand: 20 x 100 W / (1000 mm/s x 2 mm) = 1.0 J/mm2; mean of 20, 22 and 24 % gives 0.22 J/mm2."""
    (energy,) = joint_energies(made.facts(transmission=(20.0, 22.0, 24.0)))
    assert energy.budget is not None
    assert energy.budget.value("areal_joint") == pytest.approx(0.22)
    assert (energy.transmission_pct, energy.transmission_n, energy.moulding_lot) == (22.0, 3, "U-1")


@pytest.mark.parametrize(
    ("transmission", "quantities"),
    [
        (22.0, []),
        (15.0, []),  # 0.15 J/mm2 and 15 %: on both limits, not beyond
        (14.9, ["joint energy", "transmission"]),
        (30.0, []),
        (30.2, ["joint energy", "transmission"]),
    ],
)
def test_outside_the_qualified_window(made, transmission: float, quantities: list[str]) -> None:
    found = window_findings(made.facts(transmission=(transmission,) * 3))
    assert [f.figures["quantity"] for f in found] == quantities
    assert all((f.kind, f.level) == (kinds.OUTSIDE_WINDOW, "H") for f in found)
    if found:
        assert "R-1 revision 2 was qualified for" in found[0].sentence
        assert found[0].moulding_lot_id == made.lot().segments[0].upper.id
        assert len({f.what for f in found}) == len(found)


def test_a_window_in_line_energy_is_compared_with_line_energy(made) -> None:
    """Worked by hand: 20 x 100 / 1000 = 2.0 J/mm; at 22 % 0.44 J/mm."""
    recipe = replace(made.recipe, windows=(Window("joint energy", 0.45, None, "J/mm"),))
    lot = made.lot(segment={"recipe": recipe})
    (found,) = window_findings(made.facts(lot=lot, transmission=(22.0,)))
    assert found.figures["value"] == pytest.approx(0.44)


def test_collapse_and_clamp_force_windows(made) -> None:
    recipe = replace(
        made.recipe,
        windows=(Window("collapse", 0.2, 0.3, "mm"), Window("clamp force", 200.0, 400.0, "N")),
        settings=(*made.recipe.settings, RecipeSetting("clamp_force", 0.5, "kN")),
    )
    lot = made.lot(segment={"recipe": recipe})
    rows = tuple(made.reading(made.collapse, v, i) for i, v in enumerate((0.30, 0.32), 1))
    found = window_findings(made.facts(lot=lot, readings=rows))
    assert [(f.figures["quantity"], f.figures["value"]) for f in found] == [
        ("collapse", pytest.approx(0.31)),
        ("clamp force", 500.0),
    ]


def test_without_transmission_there_is_no_energy_and_no_finding(made) -> None:
    facts = made.facts(transmission=())
    assert window_findings(facts) == ()
    assert joint_energies(facts)[0].note == "No transmission reading of moulding lot U-1."


def test_settings_that_cannot_be_computed_give_a_note(made) -> None:
    recipe = replace(made.recipe, settings=made.recipe.settings[1:])
    facts = made.facts(lot=made.lot(segment={"recipe": recipe}))
    (energy,) = joint_energies(facts)
    assert energy.budget is None
    assert "power" in energy.note
    assert [f.figures["quantity"] for f in window_findings(facts)] == []


def test_void_readings_do_not_enter_the_mean(made) -> None:
    facts = made.facts(transmission=(22.0, 10.0))
    rows = facts.moulding[0].readings
    voided = replace(facts.moulding[0], readings=(rows[0], replace(rows[1], void=True, value=None)))
    (energy,) = joint_energies(replace(facts, moulding=(voided,)))
    assert energy.transmission_pct == 22.0
