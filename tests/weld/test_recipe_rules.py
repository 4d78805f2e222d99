"""Rules of thumb on recipes, what a change asks for, own polymers and ratings over the packaged ones."""

from __future__ import annotations

from dataclasses import replace

import pytest

from qualrec.weld.books import Rated, book_with, packaged_book
from qualrec.weld.change_triggers import change_triggers, trigger_rules
from qualrec.weld.pairs import JointFacts, Level, Rating, check_grades, check_pair
from qualrec.weld.polymers import Grade, find_grade, find_polymer
from qualrec.weld.recipe_rules import JointParts, recipe_remarks
from qualrec.weld.settings import SETTINGS, Process

USUAL = {"power": 200.0, "speed": 2000.0, "seam_length": 180.0, "seam_width": 2.0, "passes": 33.0}


def rules(process: str, settings: dict[str, float], **parts: object) -> list[str]:
    return [r.rule for r in recipe_remarks(process, settings, JointParts(**parts))]  # type: ignore[arg-type]


def test_a_usual_recipe_has_no_remark() -> None:
    parts = {
        "upper": find_grade("PBT-GF30"),
        "thickness_mm": 1.5,
        "transmission_pct": 24.0,
        "absorber_pct": 0.4,
    }
    assert rules("quasi-simultaneous", {**USUAL, "clamp_force": 540.0, "hold_time": 1.2}, **parts) == []


@pytest.mark.parametrize(
    ("setting", "value", "rule"),
    [
        ("power", 600.0, "quasi_power"),
        ("speed", 300.0, "quasi_speed"),
        ("clamp_force", 2000.0, "clamp_set_path"),
        ("hold_time", 5.0, "hold_time"),
        ("wavelength", 1550.0, "wavelength_band"),
        ("set_path", 0.05, "interference"),
        ("passes", 180.0, "quasi_time"),
    ],
)
def test_a_setting_beyond_its_rule_is_remarked(setting: str, value: float, rule: str) -> None:
    found = recipe_remarks("quasi-simultaneous", {**USUAL, setting: value})
    one = next(r for r in found if r.rule == rule)
    assert one.level == "warning"
    assert one.source
    assert f"{value:g}" in one.sentence or rule in ("clamp_set_path", "quasi_time")


def test_transmission_is_held_against_the_rule_of_the_process() -> None:
    """FACTS: below 10 % burns dominate, 20 % is comfortable, contour wants 30 % (common practice, no source)."""
    assert rules("quasi-simultaneous", USUAL, transmission_pct=9.0) == ["transmission_least"]
    assert rules("quasi-simultaneous", USUAL, transmission_pct=15.0) == ["transmission_comfortable"]
    assert rules("quasi-simultaneous", USUAL, transmission_pct=20.0) == []
    contour = {"power": 40.0, "speed": 50.0, "seam_width": 2.0}
    assert rules("contour", contour, transmission_pct=25.0) == ["transmission_contour"]


def test_thickness_counts_for_semicrystalline_polymers_and_gaps_for_contour_welds() -> None:
    contour = {"power": 40.0, "speed": 50.0, "seam_width": 2.0}
    assert rules("contour", contour, upper=find_grade("PC"), thickness_mm=5.0) == ["gap_bridged_pc"]
    found = rules("contour", contour, upper=find_grade("PA6-GF30"), thickness_mm=3.5)
    assert found == ["upper_thickness_semicrystalline", "gap_bridged_pa6_gf30"]


def test_settings_that_are_not_plausible_come_first_with_their_own_source() -> None:
    first = recipe_remarks("quasi-simultaneous", {**USUAL, "power": 5000.0})[0]
    assert first.rule == "plausible range"
    assert first.how_obtained == "judgement"


# Changes.


def topics(*args: object) -> set[tuple[str, str]]:
    return {(t.topic, t.need) for t in change_triggers(*args)}  # type: ignore[arg-type]


def test_tuning_inside_the_window_needs_approval_and_first_off_and_the_customer_is_a_question() -> None:
    found = topics({"power"}, set(), ())
    assert {("approval", "yes"), ("first-off", "yes"), ("customer notice", "ask")} <= found
    assert not {("requalification", "yes"), ("customer notice", "yes")} & found


def test_leaving_the_window_needs_requalification_and_a_notice() -> None:
    found = topics({"power"}, set(), ("joint energy 0.3 below 0.34 J/mm²",))
    assert {("requalification", "yes"), ("window study", "yes"), ("customer notice", "yes")} <= found
    assert ("customer notice", "ask") not in found


@pytest.mark.parametrize("name", ["wavelength", "spot_diameter"])
def test_another_optics_is_a_notice_whatever_the_energy(name: str) -> None:
    assert {("customer notice", "yes"), ("requalification", "yes")} <= topics({name}, set(), ())


def test_the_stop_mode_changes_only_where_the_set_path_comes_or_goes() -> None:
    assert ("control plan", "yes") in topics({"set_path"}, {"set_path"}, ())
    assert ("control plan", "yes") not in topics({"set_path"}, set(), ())
    assert ("control plan", "yes") not in topics({"passes", "laser_time"}, {"passes", "laser_time"}, ())


def test_the_customers_own_notice_rules_stand_with_the_checklist() -> None:
    found = change_triggers({"power"}, set(), (), {"process": "six weeks before"})
    assert any(t.text == "process: six weeks before" for t in found)
    assert change_triggers(set(), set(), (), {"process": "six weeks before"}) == ()


def test_every_setting_that_a_trigger_names_exists() -> None:
    known = {s.name for process in Process for s in SETTINGS[process]}
    assert {name for rule in trigger_rules() for name in rule.settings} <= known


# Own polymers and ratings.


def own(name: str, like: str = "") -> object:
    return replace(find_polymer("PBT"), abbreviation=name, like=like, surface_energy_mn_m=None)


def test_an_own_polymer_is_rated_like_its_family_until_it_has_a_rating_of_its_own() -> None:
    book = book_with([own("PBT-LT", "PBT")], {})  # type: ignore[list-item]
    packaged = check_pair("PBT", "PC").rating
    assert check_pair("PBT-LT", "PC", book=book).rating == packaged
    assert check_pair("PBT-LT", "PBT", book=book).rating is Rating.GOOD
    rated = book_with(
        [own("PBT-LT", "PBT")], {("PC", "PBT-LT"): Rated("none", "trial 7", "own record", own=True)}
    )  # type: ignore[list-item]
    found = check_pair("PBT-LT-GF30", "PC", book=rated)
    assert found.rating is Rating.NO_EVIDENCE
    assert found.findings[0].source == "trial 7"
    assert "trial required" in found.findings[0].text
    assert "not mean impossible" in found.findings[0].text


def test_a_polymer_without_family_or_rating_is_no_evidence_and_with_itself_good() -> None:
    book = book_with([own("XYZ")], {})  # type: ignore[list-item]
    assert check_pair("XYZ", "PC", book=book).rating is Rating.NO_EVIDENCE
    assert check_pair("XYZ", "XYZ", book=book).rating is Rating.GOOD
    assert check_pair("XYZ", "PC", book=book).finding("polarity").level is Level.UNKNOWN  # type: ignore[union-attr]
    assert book_with([], {}) is packaged_book()


def test_what_is_known_of_the_joint_is_judged_with_its_source() -> None:
    pbt = find_polymer("PBT")
    facts = JointFacts(15.0, "(measured)", True, 0.9, 3.5, 1550.0)
    found = check_grades(Grade(pbt, 30.0), Grade(pbt, 30.0), facts, packaged_book())
    levels = {f.topic: f.level for f in found.findings}
    for topic in ("upper optics", "upper thickness", "wavelength", "absorber", "standards"):
        assert levels[topic] is Level.CAUTION, topic
    assert all(f.source for f in found.findings)
    good = check_grades(
        Grade(find_polymer("PC"), 0.0), Grade(find_polymer("PC"), 0.0), JointFacts(88.0, "", True, 0.3, 5.0, 980.0),
        packaged_book(),
    )  # fmt: skip
    assert Level.CAUTION not in {f.level for f in good.findings}
