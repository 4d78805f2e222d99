"""Every kind of finding on a lot: one case that raises it and one that does not."""

from __future__ import annotations

from dataclasses import replace

import pytest

from qualrec.judge import kinds
from qualrec.judge.equipment import cleaning_findings, gauge_findings, gauge_problems, segment_ends
from qualrec.judge.findings import (
    MOST_READINGS,
    lot_findings,
    reading_findings,
    sample_findings,
    shipment_findings,
)
from qualrec.judge.origins import material_findings, recipe_findings
from qualrec.values import PullResult, Shipment


def test_a_good_lot_has_no_finding(made) -> None:
    rows = tuple(made.reading(made.pull, 600.0 + i, i) for i in range(1, 6))
    assert lot_findings(made.facts(readings=rows)) == ()


def test_a_value_outside_specification(made) -> None:
    rows = (
        made.reading(made.pull, 449.0, 3, stream="cavity 2", stream_id=2),
        made.reading(made.pull, 450.0, 4),
    )
    (found,) = reading_findings(made.facts(readings=rows))
    assert (found.kind, found.level, found.scope) == (kinds.OUTSIDE_SPECIFICATION, "H", "reading")
    assert found.sentence == "Pull force, sample 3 of cavity 2: 449 N is below the lower limit 450 N."
    assert found.what == "reading 41/2/3 low"
    assert (found.lot_id, found.stream_id, found.characteristic_id) == (21, 2, made.pull.id)
    assert found.reaction_plan == made.pull.reaction_plan
    assert found.figures["value"] == 449.0


def test_interfacial_and_share_and_mode(made, kinds_of) -> None:
    rows = (
        made.reading(made.pull, 700.0, 1, pull=PullResult("interfacial", 100.0)),
        made.reading(made.pull, 700.0, 2, pull=PullResult("mixed", 20.0, 80.0, 0.0, 0.0)),
        made.reading(made.pull, 700.0, 3, pull=PullResult("near-surface tear")),
    )
    assert kinds_of(reading_findings(made.facts(readings=rows))) == [
        kinds.INTERFACIAL,
        kinds.INTERFACIAL_SHARE,
    ]
    strict = replace(made.pull, accepted_modes=("cohesive",), interfacial_limit_pct=30.0)
    facts = made.facts(readings=rows, characteristics={strict.id: strict}, transmission=())
    assert kinds_of(reading_findings(facts)) == [kinds.INTERFACIAL, kinds.MODE_NOT_ACCEPTED]


def test_the_revision_of_the_segment_judges(made) -> None:
    """A later revision never changes the verdict of a lot welded before it."""
    rows = (made.reading(made.pull, 460.0),)
    stricter = {made.pull.id: replace(made.pull, lsl=500.0, revision=2)}
    assert reading_findings(made.facts(readings=rows)) == ()
    assert len(reading_findings(made.facts(readings=rows, by_segment={41: stricter}))) == 1


def test_transmission_below_the_minimum_of_the_upper_moulding_lot(made, kinds_of) -> None:
    (found,) = reading_findings(made.facts(transmission=(22.0, 17.9, 22.0)))
    assert (found.kind, found.level) == (kinds.TRANSMISSION_LOW, "H")
    assert found.moulding_lot_id == made.lot().segments[0].upper.id
    assert reading_findings(made.facts(transmission=(22.0, 18.0, 22.0))) == ()
    capped = replace(made.transmission, usl=25.0)
    facts = made.facts(transmission=(26.0,), characteristics={capped.id: capped})
    assert kinds_of(reading_findings(facts)) == [kinds.OUTSIDE_SPECIFICATION]


def test_many_failing_readings_are_counted_not_listed(made) -> None:
    rows = tuple(made.reading(made.collapse, 0.5, i) for i in range(1, 101))
    found = reading_findings(made.facts(readings=rows))
    assert len(found) == MOST_READINGS + 1
    assert found[-1].figures == {"failing readings": 100}
    assert len({f.what for f in found}) == len(found)


def test_judging_twice_gives_the_same_whats(made) -> None:
    rows = tuple(made.reading(made.pull, 400.0, i) for i in range(1, 4))
    facts = made.facts(readings=rows)
    later = replace(facts, now_us=facts.now_us + made.DAY)
    assert [f.what for f in lot_findings(facts)] == [f.what for f in lot_findings(later)]


@pytest.mark.parametrize(
    ("state", "due", "mandatory", "raised"),
    [
        ("under review", None, True, True),
        ("awaiting tests", None, True, False),
        ("awaiting tests", -1, True, True),
        ("awaiting tests", 1, True, False),
        ("under review", None, False, False),
    ],
)
def test_a_mandatory_sample_missing(made, state: str, due: int | None, mandatory: bool, raised: bool) -> None:
    now = made.WELDED + 10 * made.DAY
    owed = made.owed(made.pull, "end", 3, 1, due_us=None if due is None else now + due, mandatory=mandatory)
    facts = made.facts(lot=made.lot(state=state, owed=(owed,)), now_us=now)
    found = sample_findings(facts)
    assert [f.kind for f in found] == ([kinds.SAMPLE_MISSING] if raised else [])
    if raised:
        assert found[0].sentence == "Pull force: 2 of 3 samples missing at position end."


@pytest.mark.parametrize(("done_later", "ended", "raised"), [(0, None, False), (1, None, True), (0, 1, True)])
def test_the_first_off_missing_is_for_review(made, done_later: int, ended: int | None, raised: bool) -> None:
    owed = (made.owed(made.pull, "first-off", 1, 0), made.owed(made.pull, "end", 1, done_later))
    lot = made.lot(state="open", owed=owed, ended_us=None if ended is None else made.WELDED + ended)
    found = sample_findings(made.facts(lot=lot))
    assert [(f.kind, f.level) for f in found] == ([(kinds.FIRST_OFF_MISSING, "R")] if raised else [])


def test_a_first_off_is_not_missing_because_the_moulding_lot_was_measured_before(made) -> None:
    """GIVEN a lot just opened WHEN only its moulding lot has readings THEN no first-off is missing yet."""
    owed = (made.owed(made.pull, "first-off", 1, 0), made.owed(made.transmission, "", 20, 20))
    assert sample_findings(made.facts(lot=made.lot(state="open", owed=owed, ended_us=None))) == ()


def test_recipe_revision_approved_in_time_is_no_finding(made) -> None:
    assert recipe_findings(made.facts()) == ()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"approved_us": None, "state": "draft"}, "never approved"),
        ({"approved_us": 1001 * 24 * 3_600_000_000}, "approved only after"),
        ({"ended_us": 999 * 24 * 3_600_000_000}, "no longer in force"),
        ({"part_number": "P-2"}, "belongs to part P-2"),
    ],
)
def test_recipe_revision_not_approved(made, change: dict[str, object], words: str) -> None:
    lot = made.lot(segment={"recipe": replace(made.recipe, **change)})
    (found,) = recipe_findings(made.facts(lot=lot))
    assert (found.kind, found.level) == (kinds.RECIPE_NOT_APPROVED, "H")
    assert words in found.sentence


def test_no_recipe_at_all_is_not_approved(made) -> None:
    (found,) = recipe_findings(made.facts(lot=made.lot(segment={"recipe": None})))
    assert found.sentence == "Segment 1: no recipe revision is recorded."


def test_a_revision_superseded_later_stays_good_for_the_lot(made) -> None:
    ended = replace(made.recipe, state="superseded", ended_us=made.WELDED + made.DAY)
    assert recipe_findings(made.facts(lot=made.lot(segment={"recipe": ended}))) == ()


@pytest.mark.parametrize(
    ("change", "kind", "words"),
    [
        ({"state": "on hold"}, kinds.MATERIAL_NOT_QUALIFIED, "is on hold"),
        (
            {"delivery_states": ("refused",)},
            kinds.MATERIAL_NOT_QUALIFIED,
            "Delivery D-1 in moulding lot U-1 is refused",
        ),
        (
            {"delivery_materials": (999,)},
            kinds.MATERIAL_NOT_QUALIFIED,
            "No delivery of the qualified material",
        ),
        (
            {"expires_us": 999 * 24 * 3_600_000_000},
            kinds.MATERIAL_EXPIRED,
            "U-1 had expired when it was welded",
        ),
        (
            {"deliveries_expire_us": (980 * 24 * 3_600_000_000,)},
            kinds.MATERIAL_EXPIRED,
            "Delivery D-1 had expired",
        ),
    ],
)
def test_material_not_qualified_or_expired(made, change: dict[str, object], kind: str, words: str) -> None:
    lot = made.lot(segment={"upper": made.moulding("U-1", made.upper, **change)})
    (found,) = material_findings(made.facts(lot=lot))
    assert (found.kind, found.level) == (kind, "H")
    assert words in found.sentence


def test_a_masterbatch_beside_the_qualified_resin_is_no_finding(made) -> None:
    upper = made.moulding("U-1", made.upper, delivery_materials=(made.upper.material_id, 999))
    assert material_findings(made.facts(lot=made.lot(segment={"upper": upper}))) == ()


def test_another_component_is_found(made) -> None:
    lot = made.lot(segment={"upper": made.moulding("X-9", made.lower)})
    (found,) = material_findings(made.facts(lot=lot))
    assert found.sentence == "Moulding lot X-9 is component C2, the part needs C1."


def test_a_failing_result_after_shipment(made) -> None:
    shipped = Shipment(400, made.WELDED + 2 * made.DAY, "customer", "doc")
    lot = made.lot(shipments=(shipped,), state="shipped")
    early = made.reading(made.pull, 400.0, 1)
    late = made.reading(made.pull, 400.0, 2, entered_us=made.WELDED + 3 * made.DAY)
    good = made.reading(made.pull, 600.0, 3, entered_us=made.WELDED + 3 * made.DAY)
    (found,) = shipment_findings(made.facts(lot=lot, readings=(early, late, good)))
    assert (found.kind, found.level, found.figures["shipped"]) == (kinds.FAIL_AFTER_SHIPMENT, "H", 400)
    assert "sample 2" in found.sentence
    assert shipment_findings(made.facts(readings=(early, late))) == ()


def test_a_correction_after_shipment_counts_as_known_then(made) -> None:
    shipped = Shipment(400, made.WELDED + 2 * made.DAY, "customer", "doc")
    row = made.reading(made.pull, 400.0, 1, corrected=True)
    facts = made.facts(
        lot=made.lot(shipments=(shipped,)),
        readings=(row,),
        corrected_us={row.key: made.WELDED + 5 * made.DAY},
    )
    assert [f.kind for f in shipment_findings(facts)] == [kinds.FAIL_AFTER_SHIPMENT]


def test_gauge_overdue_or_found_bad_at_the_reading(made) -> None:
    day = made.DAY
    good = made.gauge((0, 100 * day, "good"))
    assert gauge_problems(good, 50 * day) == ()
    assert gauge_problems(good, 100 * day) == ()  # due that day is not overdue yet
    assert gauge_problems(good, 101 * day) == (kinds.GAUGE_OVERDUE,)
    assert gauge_problems(made.gauge(), 50 * day) == (kinds.GAUGE_OVERDUE,)
    found_bad_later = made.gauge((0, 100 * day, "good"), (90 * day, 90 * day, "bad"))
    assert gauge_problems(found_bad_later, 50 * day) == (kinds.GAUGE_BAD,)
    cleared = made.gauge((0, 100 * day, "good"), (60 * day, 160 * day, "good"), (90 * day, 90 * day, "bad"))
    assert gauge_problems(cleared, 50 * day) == ()  # a good calibration lies between
    used_though_bad = made.gauge((0, 400 * day, "good"), (90 * day, 90 * day, "bad"))
    assert gauge_problems(used_though_bad, 95 * day) == (kinds.GAUGE_BAD,)
    marked = made.gauge((0, 400 * day, "good"), state="found bad")
    assert gauge_problems(marked, 95 * day) == (kinds.GAUGE_BAD,)


def test_one_gauge_finding_counts_its_readings(made) -> None:
    overdue = made.gauge((0, 10 * made.DAY, "good"))
    rows = tuple(made.reading(made.pull, 600.0, i, condition_id=5) for i in range(1, 4))
    (found,) = gauge_findings(made.facts(readings=rows, gauges={5: overdue}))
    assert (found.kind, found.level, found.what) == (kinds.GAUGE_OVERDUE, "R", "gauge G1")
    assert found.sentence == "Pull force: 3 readings on gauge G1, overdue for calibration."
    fresh = made.gauge((made.WELDED, made.WELDED + made.DAY, "good"))
    assert gauge_findings(made.facts(readings=rows, gauges={5: fresh})) == ()
    assert gauge_findings(made.facts(readings=rows)) == ()  # the gauge is not recorded


@pytest.mark.parametrize(
    ("cleanings", "hours"),
    [((-20,), 26.0), ((-30, 4), 34.0), ((), None), ((-2,), 0.0), ((-18,), 0.0), ((-20, 3), 0.0)],
)
def test_cleaning_overdue_while_the_lot_ran(made, cleanings: tuple[int, ...], hours: float | None) -> None:
    """The lot runs 6 hours; the interval is 24 hours; moments are hours from the start of the lot."""
    moments = tuple(made.WELDED + c * made.HOUR for c in cleanings)
    facts = made.facts(stations={7: made.station}, cleanings={7: moments})
    found = cleaning_findings(facts)
    assert len(found) == (hours != 0.0)
    if found:
        assert (found[0].kind, found[0].level) == (kinds.CLEANING_OVERDUE, "R")
        assert found[0].figures["hours"] == hours


def test_a_station_without_interval_is_never_overdue(made) -> None:
    free = replace(made.station, clean_every_hours=0)
    assert cleaning_findings(made.facts(stations={7: free})) == ()


def test_a_lot_that_has_not_ended_is_judged_at_its_start(made) -> None:
    assert segment_ends(made.lot(state="open", ended_us=None)) == (made.WELDED,)
    assert segment_ends(made.lot()) == (made.WELDED + 6 * made.HOUR,)
    first = made.lot().segments[0]
    two = made.lot(segments=(first, replace(first, id=42, position=2, from_us=made.WELDED + made.HOUR)))
    assert segment_ends(two) == (made.WELDED + made.HOUR, made.WELDED + 6 * made.HOUR)
