"""Conditions of readings are told in the words and units of the trade, not by the names of columns."""

from __future__ import annotations

from dataclasses import fields

from qualrec.records.lookups.conditions import SEPARATING_FIELDS, group_label
from qualrec.values import Condition


def test_conditions_are_told_with_name_and_unit() -> None:
    light = Condition(wavelength_nm=980.0, thickness_mm=1.5, geometry="near-contact detector")
    assert group_label(light, ("wavelength_nm", "thickness_mm", "geometry")) == (
        "wavelength 980 nm, thickness 1.5 mm, geometry near-contact detector"
    )
    assert group_label(Condition(speed_mm_min=10.0, fixture="F-12"), ("speed_mm_min", "fixture")) == (
        "speed 10 mm/min, fixture F-12"
    )
    assert group_label(Condition(stop_mode="set path"), ("stop_mode",)) == "stop mode set path"


def test_no_field_shows_the_name_of_its_column() -> None:
    assert {"wavelength_nm", "stop_mode"} <= {f.name for f in fields(Condition)}
    assert "_" not in group_label(Condition(), SEPARATING_FIELDS)
    assert group_label(Condition(), ("wavelength_nm",)) == "wavelength not stated"
