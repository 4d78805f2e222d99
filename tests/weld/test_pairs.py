"""Polymers and the pair check."""

from __future__ import annotations

import itertools

import pytest

from qualrec.errors import UsageError
from qualrec.weld.pairs import Level, MoistureState, Rating, check_pair
from qualrec.weld.polymers import (
    find_grade,
    find_polymer,
    polymers,
    typical_transmission,
    typical_transmissions,
)


def test_polymers_are_sound() -> None:
    for polymer in polymers().values():
        assert 800 < polymer.density_kg_m3 < 2000
        assert polymer.process_low_c < polymer.process_high_c
        assert polymer.melting_c is None or polymer.melting_c < polymer.process_high_c
        assert polymer.semicrystalline or polymer.melting_c is None
    assert len(polymers()) == 32


@pytest.mark.parametrize(
    "name, polymer, glass",
    [
        ("PA6-GF30", "PA6", 30),
        ("pbt gf 20", "PBT", 20),
        ("PC", "PC", 0),
        ("PA6.6-GF35", "PA66", 35),
        ("pom", "POM-C", 0),
    ],
)
def test_grade_names(name: str, polymer: str, glass: float) -> None:
    grade = find_grade(name)
    assert (grade.polymer.abbreviation, grade.glass_pct) == (polymer, glass)


def test_unknown_polymer_names_near_ones() -> None:
    with pytest.raises(UsageError) as caught:
        find_polymer("PA67")
    assert "PA66" in caught.value.remedy


def test_typical_transmission_falls_with_thickness() -> None:
    for row in typical_transmissions():
        assert 0 < row.low_pct <= row.high_pct < 95
    rows = typical_transmission("PA6-GF30")
    assert [row.thickness_mm for row in rows] == [1, 2, 3]
    assert [row.high_pct for row in rows] == sorted((row.high_pct for row in rows), reverse=True)
    assert typical_transmission("PEEK") == ()


def test_rating_is_symmetric() -> None:
    for first, second in itertools.combinations(polymers(), 2):
        assert check_pair(first, second).rating is check_pair(second, first).rating


def test_like_to_like_is_good_but_for_the_known_exception() -> None:
    """Identical thermoplastics weld (general rule of the trade guides); LCP has poor weld lines (from memory)."""
    ratings = {name: check_pair(name, name).rating for name in polymers()}
    assert {name for name, rating in ratings.items() if rating is not Rating.GOOD} == {"LCP"}


def test_melt_overlap() -> None:
    """Process ranges 238 to 288 with 271 to 304, and 204 to 260 with 238 to 288: 17 K and 22 K by hand."""
    assert check_pair("PA6", "PA66").melt_overlap_k == 17
    narrow = check_pair("PA6", "PA66").finding("melt overlap")
    assert narrow is not None
    assert narrow.level is Level.INFORMS
    polypropylene = check_pair("PP", "PA6")
    assert polypropylene.melt_overlap_k == 22
    assert polypropylene.rating is Rating.NO_EVIDENCE, "overlap does not raise a rating"
    apart = check_pair("POM", "PPS")
    assert apart.melt_overlap_k < 0
    melt = apart.finding("melt overlap")
    assert melt is not None
    assert melt.level is Level.CAUTION


def test_no_evidence_is_not_impossible() -> None:
    rating = check_pair("PP", "PA6").finding("rating")
    assert rating is not None
    assert rating.level is Level.UNKNOWN
    assert "trial required" in rating.text
    assert "not mean impossible" in rating.text
    assert Rating.NO_EVIDENCE.value == "no published evidence, trial required"


@pytest.mark.parametrize(
    "percent, level", [(None, Level.UNKNOWN), (8, Level.CAUTION), (15, Level.CAUTION), (35, Level.SUPPORTS)]
)
def test_upper_optics(percent: float | None, level: Level) -> None:
    found = check_pair("PBT", "PBT", upper_transmission_pct=percent).finding("upper optics")
    assert found is not None
    assert found.level is level


@pytest.mark.parametrize(
    "absorbs, level", [(None, Level.UNKNOWN), (True, Level.SUPPORTS), (False, Level.CAUTION)]
)
def test_lower_optics(absorbs: bool | None, level: Level) -> None:
    found = check_pair("PBT", "PBT", lower_absorbs=absorbs).finding("lower optics")
    assert found is not None
    assert found.level is level


def test_moisture() -> None:
    assert check_pair("PP", "PP").finding("moisture") is None
    for state in MoistureState:
        found = check_pair("PA6", "PA6", moisture=state).finding("moisture")
        assert found is not None
        assert found.level is (Level.INFORMS if state is MoistureState.DRY_AS_MOULDED else Level.CAUTION)
    assert check_pair("PC", "PC").finding("hydrolysis") is not None


def test_reinforced_grades_are_outside_the_en_tests() -> None:
    found = check_pair("PA6-GF30", "PA6-GF30").finding("standards")
    assert found is not None
    assert "EN 12814" in found.text
    assert check_pair("PA6", "PA6").finding("standards") is None


def test_every_finding_has_reason_and_source() -> None:
    for upper, lower in itertools.product(["PA6-GF30", "PC", "PP", "PBT-GF30"], repeat=2):
        for finding in check_pair(upper, lower, upper_transmission_pct=20, lower_absorbs=True).findings:
            assert finding.text
            assert finding.source
            assert finding.how_obtained


def test_wrong_input() -> None:
    with pytest.raises(UsageError):
        check_pair("PA6", "PA6", upper_transmission_pct=120)
    with pytest.raises(UsageError, match="Moisture state"):
        check_pair("PA6", "PA6", moisture="damp")
    with pytest.raises(UsageError):
        check_pair("wood", "PA6")
