"""Lots: opening, segments, state, what leaves the house."""

from __future__ import annotations

import json
from typing import Any

import pytest

from qualrec.errors import Refused, UsageError
from qualrec.records import lookups, registry

HOUR_US = 3_600_000_000
DAY_US = 24 * HOUR_US
SETTINGS = {"power": 100.0, "speed": 1000.0, "seam_width": 2.0}


def test_a_lot_owes_what_the_revisions_in_force_ask(plant: Any) -> None:
    plant.do(
        registry.revise_characteristic,
        plant.PATH,
        change="more",
        valid_from_us=plant.begin_us + 2 * DAY_US,
        samples=9,
    )
    early, _ = plant.lot("A", day=1)
    late, _ = plant.lot("B", day=2)
    bare, _ = plant.lot("C", day=2, owed=False)
    assert [(o.code, o.position, o.count) for o in plant.ask(lookups.owed, early)] == [
        ("PULL", "first-off", 2),
        ("PULL", "middle", 2),
        ("PULL", "end", 1),
        ("PATH", "", 2),
        ("TRN", "", 3),
    ]
    assert [o.count for o in plant.ask(lookups.owed, late) if o.code == "PATH"] == [9]
    assert plant.ask(lookups.owed, bare) == ()


def test_more_tests_are_owed_on_top(plant: Any) -> None:
    lot, _ = plant.lot("A")
    plant.do(registry.owe_test, lot, plant.PULL, count=3, position="repeat", why="test fault")
    plant.do(registry.owe_test, lot, plant.PULL, count=1, position="repeat", due_us=plant.begin_us)
    owed = {o.position: o for o in plant.ask(lookups.owed, lot) if o.code == "PULL"}
    assert (owed["repeat"].count, owed["repeat"].due_us, owed["repeat"].mandatory) == (
        4,
        plant.begin_us,
        True,
    )


def test_moulding_lots_and_recipes_must_belong_to_the_part(plant: Any) -> None:
    with pytest.raises(Refused, match="L0001 is not of U-100, the upper component of part 0042"):
        plant.lot("A", upper_moulding_lot_id=plant.moulded_low)
    other = plant.do(
        registry.add_part,
        "0043",
        "Other",
        upper_id=plant.upper,
        lower_id=plant.lower,
        process="contour",
        joint="lap",
        revision="A",
        drawing="D",
    )
    recipe = plant.do(registry.add_recipe, other, "R-43")
    revision = plant.do(registry.add_recipe_revision, recipe, settings=SETTINGS, reason="first")
    with pytest.raises(Refused, match="R-43 is not one of part 0042"):
        plant.lot("A", recipe_revision_id=revision)
    assert plant.rows("lot") == 0


def test_a_draft_recipe_is_no_reason_to_refuse_a_lot(plant: Any) -> None:
    draft = plant.do(registry.add_recipe_revision, plant.recipe, settings=SETTINGS, reason="try")
    plant.lot("A", recipe_revision_id=draft)
    lot = plant.ask(lookups.lot, "A")
    assert lot.segment.recipe is not None
    assert not lot.segment.recipe.approved_at(lot.started_us)


def test_a_segment_changes_one_thing_and_keeps_the_rest(plant: Any) -> None:
    lot_id, first = plant.lot(
        "A",
        recipe_revision_id=plant.rev1,
        station_id=plant.station,
        operator_id=plant.berta,
        upper_moulding_lot_id=plant.moulded,
        lower_moulding_lot_id=plant.moulded_low,
        clamp_tool_id=plant.clamp,
    )
    start = plant.begin_us
    second = plant.do(registry.add_segment, lot_id, start + HOUR_US, station_id=plant.station2)
    lot = plant.ask(lookups.lot, "A")
    assert [(s.id, s.position, s.station) for s in lot.segments] == [(first, 1, "W1"), (second, 2, "W2")]
    for segment in lot.segments:
        assert segment.upper is not None
        assert segment.lower is not None
        assert segment.recipe is not None
        names = (segment.upper.number, segment.lower.number, segment.recipe.code, segment.operator)
        assert names == ("U0001", "L0001", "R-42", "Berta Example")
        assert segment.upper.deliveries == ("R-001",)
        assert segment.upper.delivery_materials == (plant.clear,)
        assert segment.clamp_tool == "CT-1"
    with pytest.raises(UsageError, match="Nothing changes"):
        plant.do(registry.add_segment, lot_id, start + 2 * HOUR_US, station_id=plant.station2)
    with pytest.raises(UsageError, match="Segment 2 of lot A began later"):
        plant.do(registry.add_segment, lot_id, start + HOUR_US, station_id=plant.station)
    plant.do(registry.set_lot_state, lot_id, "released", expected_version=1)
    with pytest.raises(Refused, match="A is released"):
        plant.do(registry.add_segment, lot_id, start + 2 * HOUR_US, station_id=plant.station)


def test_a_stale_version_is_refused_and_says_who_and_when(plant: Any) -> None:
    lot, _ = plant.lot("A")
    plant.clock[0] += 3 * HOUR_US
    assert plant.do(registry.set_lot_state, lot, "on hold", expected_version=1, by=plant.second) == 2
    with pytest.raises(Refused) as caught:
        plant.do(registry.set_lot_state, lot, "released", expected_version=1)
    # 2026-02-02 05:40 UTC is 06:40 in Berlin.
    assert "changed by Berta Example at 2026-02-02 06:40 and is now on hold" in caught.value.message
    with pytest.raises(Refused, match="changed by Berta"):
        plant.do(registry.end_lot, lot, plant.begin_us + HOUR_US, expected_version=1)
    assert plant.do(registry.set_lot_state, lot, "on hold", expected_version=2) == 2
    assert plant.ask(lookups.lot, "A").state == "on hold"


def test_a_scrapped_lot_stays_scrapped(plant: Any) -> None:
    lot, _ = plant.lot("A")
    version = plant.do(registry.set_lot_state, lot, "scrapped", expected_version=1, why="burnt")
    with pytest.raises(Refused, match="scrapped and stays so"):
        plant.do(registry.set_lot_state, lot, "open", expected_version=version)
    with pytest.raises(UsageError, match="Lot state 'relased'"):
        plant.do(registry.set_lot_state, lot, "relased", expected_version=version)


def test_the_end_of_a_lot_is_not_before_its_last_segment(plant: Any) -> None:
    lot, _ = plant.lot("A")
    plant.do(registry.add_segment, lot, plant.begin_us + HOUR_US, station_id=plant.station)
    with pytest.raises(UsageError, match="end before its last segment"):
        plant.do(registry.end_lot, lot, plant.begin_us + 1, expected_version=1)
    assert plant.do(registry.end_lot, lot, plant.begin_us + HOUR_US, expected_version=1, quantity=480) == 2
    held = plant.ask(lookups.lot_by_id, lot)
    assert (held.ended_us, held.quantity, held.version) == (plant.begin_us + HOUR_US, 480, 2)


def test_shipments_stay_within_lot_and_concession(plant: Any) -> None:
    lot, _ = plant.lot("A", quantity=100)
    other, _ = plant.lot("B", quantity=100)
    until = plant.begin_us + DAY_US
    leave = plant.do(
        registry.add_concession,
        plant.part,
        "C-7",
        reason="scratches",
        lot_id=lot,
        quantity=50,
        until_us=until,
    )
    at = plant.begin_us + HOUR_US
    plant.do(registry.add_shipment, lot, 40, at, document="LS 1", concession_id=leave)
    with pytest.raises(Refused, match="covers 50 parts and 40 are used"):
        plant.do(registry.add_shipment, lot, 11, at, concession_id=leave)
    with pytest.raises(Refused, match="has ended"):
        plant.do(registry.add_shipment, lot, 5, until + 1, concession_id=leave)
    with pytest.raises(Refused, match="not for lot B"):
        plant.do(registry.add_shipment, other, 5, at, concession_id=leave)
    with pytest.raises(Refused, match="holds 100 parts and 40 left"):
        plant.do(registry.add_shipment, lot, 61, at)
    plant.do(registry.add_shipment, lot, 60, at + 1)
    assert [(s.quantity, s.customer) for s in plant.ask(lookups.lot, "A").shipments] == [
        (40, "Invented customer"),
        (60, "Invented customer"),
    ]
    (held,) = plant.ask(lookups.concessions, "A")
    assert (held.reference, held.quantity, held.used) == ("C-7", 50, 40)
    assert plant.ask(lookups.concessions, "B") == ()


def test_use_as_is_needs_a_concession(plant: Any) -> None:
    lot, _ = plant.lot("A", quantity=10)
    with pytest.raises(UsageError, match="needs a concession"):
        plant.do(registry.add_disposition, lot, "use as is", reason="harmless")
    with pytest.raises(Refused, match="holds 10 parts, not 11"):
        plant.do(registry.add_disposition, lot, "sort", reason="look", quantity=11)
    leave = plant.do(registry.add_concession, plant.part, "C-8", reason="r", quantity=10)
    plant.do(registry.add_disposition, lot, "use as is", reason="harmless", concession_id=leave)
    (made,) = plant.ask(lookups.lot, "A").dispositions
    assert (made.kind, made.person, made.reason) == ("use as is", "Anna Example", "harmless")


def test_an_event_is_stored_by_its_code(plant: Any) -> None:
    plant.do(registry.add_event, "clamp glass cleaned", plant.begin_us, station_id=plant.station)
    plant.do(registry.add_event, "stop", plant.begin_us + 1, station_id=plant.station, remark="lunch")
    found = plant.ask(lookups.events, plant.station)
    assert [(e.kind, e.station, e.remark, e.person) for e in found] == [
        ("glass_cleaned", "W1", "", "Anna Example"),
        ("stop", "W1", "lunch", "Anna Example"),
    ]
    with pytest.raises(Refused, match="in the future"):
        plant.do(registry.add_event, "stop", plant.begin_us + 2 * DAY_US, station_id=plant.station)


def test_materials_are_held_and_the_trail_keeps_why(plant: Any) -> None:
    plant.do(registry.set_delivery_state, plant.delivery, "on hold", why="moisture")
    plant.do(registry.set_moulding_lot_state, plant.moulded, "refused", why="short shots")
    held = plant.ask(lookups.moulding_lot, "U0001")
    assert (held.state, held.delivery_states) == ("refused", ("on hold",))
    last = plant.ask(lookups.trail_of, "moulding_lot", plant.moulded)[-1]
    assert (last.act, json.loads(last.content)["why"]) == ("moulding lot refused", "short shots")
