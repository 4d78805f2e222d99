"""The weld on records, both databases: own grades and ratings, pair of a part, changes and what they ask for, energy."""

from __future__ import annotations

import math

import pytest

from qualrec.assess import capability_report, judge_lot
from qualrec.assess.energy_story import energy_sentence
from qualrec.assess.joint_energy import joint_energy_series
from qualrec.errors import Refused, UnknownRecord, UsageError
from qualrec.judge import kinds
from qualrec.records import lookups
from qualrec.stats.strength import weld_factor
from qualrec.weld.pairs import Level, Rating
from qualrec.work import materials, materials_pairs, opening, parent, recipes, review
from qualrec.work.bench import log_texts

DAY_US = 86_400_000_000
MOULDED = (22.0, 23.0, 24.0, 23.0, 22.6)


def measure(plant, lot: str, values) -> None:
    """Transmission readings of a moulding lot, written as their meter gave them."""
    from qualrec.records import registry
    from qualrec.values import Condition, NewReading

    with plant.store.write(plant.as_badge("T-01").actor) as writer:
        conn = writer.conn
        c = lookups.characteristic(conn, "FM-2040", "TRN")
        meter = lookups.gauge(conn, "TM-01")
        under = Condition(
            gauge_id=meter.id, wavelength_nm=980.0, thickness_mm=1.5, geometry="diffuse", position="track"
        )
        condition = registry.get_or_add_condition(writer, under)
        subject = lookups.moulding_lot(conn, lot).id
        at = writer.now_us
        writer.add_readings([NewReading(subject, c.id, v, at, condition_id=condition) for v in values])


def pull(plant, lot: str, forces, modes) -> None:
    none = {"shares": None, "stream": None, "serials": (), "again": ()}
    log_texts(plant.as_badge("Q-01"), lot, "PULL", forces, modes=modes, gauge="PT-02", **none)


# Materials and pairs.


def test_an_own_polymer_and_rating_count_before_the_packaged_ones(small_plant) -> None:
    session = small_plant.as_badge("P-01")
    told = materials.set_polymer(session, "PBT-LT", {"melt-high": "262,5"}, source="trial 7", like="PBT")
    assert "232 to 262.5 °C" in told
    materials.rate_pair(session, "PBT-LT", "PC", "limited", source="trial 8")
    matrix = materials_pairs.pair_matrix(session, ["PC", "pbt-lt", "POM"])
    cell = matrix.cell("PC", "PBT-LT")
    assert (cell.rating, cell.rated.source, cell.rated.own) == (Rating.LIMITED, "trial 8", True)
    assert matrix.cell("PC", "POM-C").rating is Rating.NO_EVIDENCE
    materials.rate_pair(session, "PC", "PBT-LT", "none", source="trial 9")
    assert (
        materials_pairs.pair_matrix(session, ["PC", "PBT-LT"]).cell("PBT-LT", "PC").rated.source == "trial 9"
    )
    assert small_plant.rows("SELECT count(*) FROM pair_rating") == [(1,)]
    book = materials.materials_page(session).book
    assert book.own == {"PBT-LT"}
    assert book.polymers["PBT"].process_high_c != 262.5
    materials.set_polymer(session, "PBT-LT", {"melt-low": "235"}, source="data sheet")
    assert materials.materials_page(session).book.polymers["PBT-LT"].process_high_c == 262.5


@pytest.mark.parametrize(
    ("figures", "more"),
    [
        ({"melt-high": "260"}, {}),
        ({"melt-high": "200", "melt-low": "260"}, {"crystallinity": "amorphous"}),
        ({"melt-high": "260", "melt-low": "200"}, {}),
        ({"weight": "1"}, {"like": "PBT"}),
        ({}, {"like": "PBX"}),
        ({"melt-high": "hot"}, {"like": "PBT"}),
    ],
)
def test_a_polymer_that_cannot_be_is_refused_in_words(small_plant, figures, more) -> None:
    with pytest.raises(UsageError):
        materials.set_polymer(small_plant.as_badge("P-01"), "NEW", figures, source="x", **more)
    assert small_plant.rows("SELECT count(*) FROM polymer") == [(0,)]


def test_grades_are_added_and_changed_with_a_reason(small_plant) -> None:
    session = small_plant.as_badge("P-01")
    with pytest.raises(UsageError, match="lacks: polymer, role"):
        materials.set_material(session, "NEW", {"supplier": "Invented"})
    with pytest.raises(UsageError, match="in no table"):
        materials.set_material(
            session, "NEW", {"supplier": "Invented", "polymer": "PBX", "role": "absorbing"}
        )
    materials.set_material(session, "NEW", {"supplier": "Invented", "polymer": "PBT", "role": "absorbing"})
    with pytest.raises(UsageError, match="reason"):
        materials.set_material(session, "NEW", {"absorber": "0,9"})
    materials.set_material(session, "NEW", {"absorber": "0,9"}, why="new masterbatch")
    with small_plant.store.read() as conn:
        assert lookups.material(conn, "NEW").absorber_pct == 0.9
    with pytest.raises(Refused):
        materials.set_material(small_plant.as_badge("T-01"), "NEW", {"absorber": "0,3"}, why="x")


def test_a_definition_file_adds_polymers_and_ratings_once(small_plant) -> None:
    tables = {
        "polymer": [{"code": "PBT-LT", "like": "PBT", "process_high_c": 262, "source": "trial 7"}],
        "pair": [{"upper": "PBT-LT", "lower": "PC", "rating": "limited", "source": "trial 8"}],
    }
    small_plant.define(tables)
    small_plant.define(tables)
    assert small_plant.rows("SELECT count(*) FROM polymer") == [(1,)]
    assert small_plant.rows("SELECT upper, lower FROM pair_rating") == [("PBT-LT", "PC")]


def test_the_pair_of_a_part_uses_its_materials_and_what_was_measured(small_plant) -> None:
    session = small_plant.as_badge("P-01")
    before = materials_pairs.pair_of_part(session, "FM-2040")
    assert "not measured; typical" in before.check.finding("upper optics").text
    measure(small_plant, "U0061", MOULDED)
    after = materials_pairs.pair_of_part(session, "FM-2040")
    assert (after.check.upper.name, after.check.rating) == ("PBT-GF30", Rating.GOOD)
    assert after.light.transmission_pct == pytest.approx(sum(MOULDED) / 5)
    assert "moulding lot U0061, 5 readings, 980 nm" in after.check.finding("upper optics").text
    assert after.wavelength_nm == 980.0
    assert after.check.finding("standards").level is Level.CAUTION
    materials.set_material(
        session, "PBT-GF30-BLK", {"absorber": "1,2", "role": "transmissive"}, why="mistake"
    )
    spoiled = materials_pairs.pair_of_part(session, "FM-2040").check
    assert spoiled.finding("lower optics").level is Level.CAUTION
    assert spoiled.finding("absorber").level is Level.CAUTION
    with pytest.raises(UnknownRecord):
        materials_pairs.pair_of_part(session, "FM-9")
    with pytest.raises(UsageError, match="Moisture"):
        materials_pairs.pair_of_part(session, "FM-2040", moisture="damp")


# Recipes.


def test_a_draft_shows_what_the_change_asks_for_before_it_is_approved(small_plant) -> None:
    session = small_plant.as_badge("P-01")
    inside = recipes.draft_texts(session, "RC-2040", 1, ["power=205 from 195 to 210"], "a little more")
    topics = {(t.topic, t.need) for t in inside.triggers}
    assert inside.compared == 1
    assert {("approval", "yes"), ("customer notice", "ask")} <= topics
    assert ("requalification", "yes") not in topics
    beyond = recipes.draft_texts(session, "RC-2040", 1, ["power=260", "spot-diameter=1,5"], "far more")
    needed = {t.topic for t in beyond.triggers if t.need == "yes"}
    assert {"requalification", "customer notice", "window study", "first-off"} <= needed
    assert any("power 260 W outside" in t.because for t in beyond.triggers)
    assert {d.name for d in beyond.changes} >= {"power", "spot_diameter"}
    for wrong in ("line_length=5", "power", "power=abc", "power=200 from 210"):
        with pytest.raises(UsageError):
            recipes.draft_texts(session, "RC-2040", 1, [wrong], "x")


def test_the_energy_of_a_draft_by_measured_transmission_leaves_the_window(small_plant) -> None:
    measure(small_plant, "U0061", MOULDED)
    page = recipes.draft_texts(small_plant.as_badge("P-01"), "RC-2040", 1, ["passes=12"], "faster")
    assert any("joint energy" in t.because for t in page.triggers if t.topic == "requalification")


# Lots.


def test_lots_under_a_temporary_change_and_past_its_end_are_flagged(small_plant) -> None:
    session, clock = small_plant.as_badge("Q-01"), small_plant.clock
    recipes.begin_change(session, "RC-2040", 1, what="glass 2", extra_checks="ten pulls", until="2026-11-10")
    opening.weld(session, "FM1", "FM-2040", upper="U0061", lower="L0061", station="LW-1")
    clock[0] += 40 * DAY_US
    opening.weld(session, "FM2", "FM-2040", upper="U0061", lower="L0061", station="LW-1")
    (change,) = recipes.changes_of(session, "FM-2040")
    assert change.expired_at(clock[0])

    def found(lot: str) -> set[str]:
        with small_plant.store.read() as conn:
            return {f.kind for f in lookups.flags(conn, lot=lot)} & {
                kinds.TEMPORARY_CHANGE,
                kinds.CHANGE_EXPIRED,
            }

    assert (found("FM1"), found("FM2")) == ({kinds.TEMPORARY_CHANGE}, {kinds.CHANGE_EXPIRED})
    recipes.end_change(session, change.id, why="glass 1 is back")
    (ended,) = recipes.changes_of(session)
    assert (ended.state, ended.ended_us, ended.until_us) == ("ended", clock[0], change.until_us)
    with pytest.raises(Refused):
        recipes.end_change(session, change.id, why="again")


def test_the_energy_of_a_lot_has_its_uncertainty_and_says_what_moved_it(small_plant) -> None:
    """By hand: u(T)² = s²/n + (0.4/2)²; E_i = 20 x 200/(1200 x 2) = 1.6667 J/mm² for revision 1 of RC-2040."""
    session = small_plant.as_badge("Q-01")
    measure(small_plant, "U0061", MOULDED)
    opening.receive(session, "R-9", "PBT-GF30-NAT")
    opening.mould(session, "U9", "FM-2041", deliveries=["R-9"])
    measure(small_plant, "U9", (19.0, 19.2, 18.8, 19.1, 18.9))
    small_plant.clock[0] += DAY_US
    opening.weld(session, "FM1", "FM-2040", upper="U9", lower="L0061", station="LW-1")
    with small_plant.store.read() as conn:
        series = joint_energy_series(conn, "FM-2040")
        judged = judge_lot(conn, "FM1", now_us=small_plant.clock[0])
        only = joint_energy_series(conn, "FM-2040", until_us=series.at_us[1], newest=1)
    assert series.numbers == ("FM00060", "FM00061", "FM1")
    assert only.numbers == ("FM00061",)
    incident = 20 * 200 / (1200 * 2)
    assert series.energy[2] == pytest.approx(incident * 0.19)
    s = math.sqrt(sum((v - 19.0) ** 2 for v in (19.0, 19.2, 18.8, 19.1, 18.9)) / 4)
    assert series.uncertainty[2] == pytest.approx(incident * math.sqrt(s * s / 5 + 0.2**2) / 100)
    assert (series.side.tolist(), series.resins[2]) == ([0, 0, -1], ("R-9",))
    sentence = energy_sentence(series, 2)
    assert "Transmission fell from 22.9 to 19 % with resin lot R-9 (moulding lot U9)" in sentence
    assert "against 0.34 to 0.47 qualified for RC-2040 revision 1" in sentence
    assert energy_sentence(series, 1) == ""
    assert judged.energy_story == sentence
    (energy,) = judged.energies
    assert energy.advice is not None
    assert energy.advice.power_w == 210.0
    assert energy.advice.text.startswith("Advice only, nothing is sent to a machine")
    flag = next(
        f
        for f in judged.findings
        if f.kind == kinds.OUTSIDE_WINDOW and f.figures["quantity"] == "joint energy"
    )
    assert "0.3167 ± 0.007" in flag.sentence
    assert flag.figures["power"] == energy.advice.text


def test_readings_of_another_meter_are_not_mixed_in(small_plant) -> None:
    measure(small_plant, "U0061", MOULDED)
    from qualrec.records import registry
    from qualrec.values import Condition, NewReading

    with small_plant.store.write(small_plant.as_badge("T-01").actor) as writer:
        c = lookups.characteristic(writer.conn, "FM-2040", "TRN")
        other = registry.get_or_add_condition(writer, Condition(wavelength_nm=1064.0, geometry="sphere"))
        subject = lookups.moulding_lot(writer.conn, "U0061").id
        writer.add_readings([NewReading(subject, c.id, 60.0, writer.now_us, condition_id=other)] * 2)
    with small_plant.store.read() as conn:
        (energy,) = judge_lot(conn, "FM00061", now_us=small_plant.clock[0]).energies
        series = joint_energy_series(conn, "FM-2040")
    assert (energy.transmission_pct, energy.transmission_n, energy.others) == (pytest.approx(22.92), 5, 2)
    assert series.transmission[-1] == pytest.approx(22.92)


# Sections, leak and burst.


def test_sections_leak_and_burst_are_characteristics_that_lots_are_judged_by(small_plant) -> None:
    from qualrec.work import definitions
    from qualrec.work.sample_files import locate

    session = small_plant.as_badge("Q-01")
    done = definitions.define_file(session, locate("weld_checks.toml"))
    assert done.added == {"characteristic": 6}
    small_plant.clock[0] += DAY_US
    opening.weld(session, "FM1", "FM-2040", upper="U0061", lower="L0061", station="LW-1")
    none = {"modes": (), "shares": None, "stream": None, "gauge": None, "serials": (), "again": ()}
    log_texts(session, "FM1", "HAZ-U", ("142",), **none)
    log_texts(session, "FM1", "LEAKRATE", ("2,4", "3,1"), **none)
    held = log_texts(session, "FM1", "BURST", ("12 bar",), **none)
    assert held.state == "on hold"
    with small_plant.store.read() as conn:
        judged = judge_lot(conn, "FM1", now_us=small_plant.clock[0])
    assert {v.code: v.answer for v in judged.verdicts if v.n} == {
        "HAZ-U": "pass",
        "LEAKRATE": "pass",
        "BURST": "fail",
    }


# Weld factor.


def test_the_weld_factor_stands_in_the_strength_report(small_plant) -> None:
    session = small_plant.as_badge("Q-01")
    forces = ("612,4", "598,1", "640,0", "655,5", "630,2", "601,9")
    modes = ["parent material", "cohesive", "cohesive", "parent material", "cohesive", "cohesive"]
    for lot, part in (("FM00060", slice(0, 3)), ("FM00061", slice(3, 6))):
        pull(small_plant, lot, forces[part], modes[part])
    parents = ("901", "887", "912", "899", "925", "870")
    told = parent.enter_parents(session, "FM-2040", "plaques 1", "PBT-GF30-NAT", parents)
    assert told == "6 parent specimens plaques 1 of PBT-GF30-NAT: mean 899.0 N for FM-2040 PULL."
    with small_plant.store.read() as conn:
        report = capability_report(conn, "FM-2040", "PULL")
    (found,) = report.weld_factors
    welds = [float(f.replace(",", ".")) for f in forces]
    outside = weld_factor(welds, [float(p) for p in parents], [m != "parent material" for m in modes])
    assert found.factor is not None
    assert found.factor.value == pytest.approx(outside.value)
    assert found.factor.value == pytest.approx(sum(welds) / 6 / 899.0)
    assert (found.factor.interval.low, found.factor.interval.high) == pytest.approx(
        (outside.interval.low, outside.interval.high)
    )
    said = " ".join(report.sentences)
    assert "Weld factor against plaques 1 (PBT-GF30-NAT): 0.69" in said
    assert "2 of 6 pulls ended in parent material" in said
    assert "hours since welding are not on record; 8 are asked" in said
    assert report.readings == 6
    (listed,) = parent.listed_parents(session, "FM-2040")
    assert listed.parent.values == tuple(float(p) for p in parents)


def test_too_few_specimens_say_so_and_a_foreign_material_is_refused(small_plant) -> None:
    session = small_plant.as_badge("Q-01")
    pull(small_plant, "FM00060", ("612", "598"), ["cohesive"])
    parent.enter_parents(session, "FM-2040", "few", "PBT-GF30-BLK", ("900", "880"))
    with small_plant.store.read() as conn:
        (found,) = capability_report(conn, "FM-2040", "PULL").weld_factors
    assert {
        "2 welds; at least 6 on each side are asked.",
        "2 parent specimens; at least 6 on each side are asked.",
    } <= set(found.remarks)
    with pytest.raises(UsageError, match="no material of FM-2040"):
        parent.enter_parents(session, "FM-2040", "other", "PP-NAT", ("900", "880"))
    with pytest.raises(Refused, match="there already"):
        parent.enter_parents(session, "FM-2040", "few", "PBT-GF30-BLK", ("900", "880"))
    with pytest.raises(Refused):
        parent.enter_parents(small_plant.as_badge("A-01"), "FM-2040", "x", "PBT-GF30-BLK", ("900",))


def test_an_approved_revision_of_the_sample_keeps_its_approval_rule(small_plant) -> None:
    """Whoever drafts does not approve; the checklist does not stand in the way."""
    page = recipes.draft_texts(small_plant.as_badge("P-01"), "RC-2040", 1, ["hold_time=1,4"], "longer hold")
    with pytest.raises(Refused):
        review.approve_recipe(small_plant.as_badge("P-01"), "RC-2040", page.revision.revision, reason="x")
    review.approve_recipe(
        small_plant.as_badge("Q-01"), "RC-2040", page.revision.revision, reason="pulls seen"
    )
    assert (
        recipes.named_page(small_plant.as_badge("A-01"), "RC-2040").revision.revision
        == page.revision.revision
    )
