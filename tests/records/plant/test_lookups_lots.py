"""Lists of lots, one lot, what is owed, what left the house."""

from __future__ import annotations

from typing import Any

import pytest

from qualrec.errors import UnknownRecord, UsageError
from qualrec.records import findings, lookups, registry
from qualrec.values import Finding, LotRow

HOUR_US = 3_600_000_000
DAY_US = 24 * HOUR_US


def pages(plant: Any, limit: int, **more: Any) -> list[LotRow]:
    found: list[LotRow] = []
    for _ in range(20):
        page = plant.ask(lookups.lots_page, after=found[-1] if found else None, limit=limit, **more)
        if not page:
            return found
        assert len(page) <= limit
        found += page
    pytest.fail("the pages do not end")


def test_pages_hold_every_lot_once_newest_first(plant: Any) -> None:
    """Lots of the same moment are told apart by their id."""
    for number in range(9):
        plant.lot(f"{number:03d}", day=number // 3)
    whole = pages(plant, 100)
    assert len(whole) == 9
    keys = [(row.started_us, row.id) for row in whole]
    assert keys == sorted(keys, reverse=True)
    for limit in (1, 2, 4):
        assert pages(plant, limit) == whole
    last = whole[3]
    assert list(plant.ask(lookups.lots_page, after=(last.started_us, last.id))) == whole[4:]
    assert [row.number for row in plant.ask(lookups.lots_of_part, "0042", 2)] == ["007", "008"]
    assert list(plant.ask(lookups.lots_of_part, "0042")) == whole[::-1]


def test_a_page_of_any_length_costs_the_same_few_queries(plant: Any) -> None:
    sent_by_length = []
    for number in range(6):
        _, segment = plant.lot(str(number), station_id=plant.station, recipe_revision_id=plant.rev1)
        plant.read(segment, "PATH", 0.4)
        if number in (0, 5):
            with plant.counted() as sent:
                plant.ask(lookups.lots_page)
            sent_by_length.append(len(sent))
    assert sent_by_length[0] == sent_by_length[1] <= 5


def test_one_lot_costs_the_same_few_queries_for_any_number_of_segments(plant: Any) -> None:
    lot, _ = plant.lot(
        "A", upper_moulding_lot_id=plant.moulded, recipe_revision_id=plant.rev1, station_id=plant.station
    )
    with plant.counted() as few:
        plant.ask(lookups.lot, "A")
    for hour in range(1, 4):
        station = plant.station2 if hour % 2 else plant.station
        plant.do(registry.add_segment, lot, plant.begin_us + hour * HOUR_US, station_id=station)
    with plant.counted() as more:
        plant.ask(lookups.lot, "A")
    assert len(few) == len(more) <= 20


def test_a_row_shows_the_last_segment_open_flags_and_counted_values(plant: Any) -> None:
    lot, segment = plant.lot("A", station_id=plant.station, recipe_revision_id=plant.rev1, quantity=50)
    plant.do(registry.add_segment, lot, plant.begin_us + HOUR_US, station_id=plant.station2)
    keys = plant.read(segment, "PULL", 500.0, 510.0, None, condition_id=plant.slow)
    plant.correct(keys[0], kind="void")
    found = [
        Finding("k1", "H", "lot", "1", "s", {}, "r", "x", lot_id=lot),
        Finding("k2", "R", "lot", "1", "s", {}, "r", "x", lot_id=lot),
        Finding("k3", "R", "lot", "1", "s", {}, "r", "x", lot_id=lot),
    ]
    ids = plant.do(findings.store_findings, plant.part, found)
    plant.do(findings.acknowledge, ids[1], "seen")
    plant.do(findings.close_flag, ids[2], "done")
    (row,) = plant.ask(lookups.lots_page)
    assert (row.recipe, row.station, row.part_number, row.quantity) == ("R-42 rev 1", "W2", "0042", 50)
    assert (row.open_holding, row.open_review, row.open_informing, row.readings) == (1, 1, 0, 1)


def test_text_search_takes_signs_as_they_are(plant: Any) -> None:
    for number in ("50%-1", "50-1", "a_b", "aXb", "Back\\slash"):
        plant.lot(number)

    def found(text: str) -> set[str]:
        rows = plant.ask(lookups.lots_page, text=text)
        assert plant.ask(lookups.count_lots, text=text) == len(rows)
        return {row.number for row in rows}

    assert found("%") == {"50%-1"}
    assert found("_") == {"a_b"}
    assert found("A_B") == {"a_b"}
    assert found("\\") == {"Back\\slash"}
    assert len(found("housing")) == 5
    assert found("nothing like it") == set()


def test_lots_are_filtered_by_state_and_part(plant: Any) -> None:
    lot, _ = plant.lot("A")
    plant.lot("B")
    plant.do(registry.set_lot_state, lot, "on hold", expected_version=1)
    assert [row.number for row in plant.ask(lookups.lots_page, state="on hold", part="0042")] == ["A"]
    assert plant.ask(lookups.count_lots, state="open") == 1
    with pytest.raises(UsageError, match="Lot state 'held'"):
        plant.ask(lookups.lots_page, state="held")
    with pytest.raises(UnknownRecord, match="no part number '42'") as caught:
        plant.ask(lookups.count_lots, part="42")
    assert "Did you mean 0042?" in caught.value.remedy


def test_unknown_lots_name_near_ones(plant: Any) -> None:
    for number in ("L-0017", "0017", "X9"):
        plant.lot(number)
    for asked, near in (("17", "0017"), ("l-0017", "L-0017"), ("L-O017", "L-0017"), ("x 9", "X9")):
        with pytest.raises(UnknownRecord, match=f"no lot '{asked}'") as caught:
            plant.ask(lookups.lot, asked)
        assert f"Did you mean {near}" in caught.value.remedy
    with pytest.raises(UnknownRecord) as caught:
        plant.ask(lookups.lot, "completely different")
    assert "Did you mean" not in caught.value.remedy
    with pytest.raises(UnknownRecord):
        plant.ask(lookups.lot_by_id, 5)


def test_the_same_number_in_two_plants(plant: Any) -> None:
    lot, _ = plant.lot("A")
    number = plant.do(registry.add_plant, "P2", "Second", "UTC")
    with plant.store.write(plant.actor, number) as w:
        material = registry.add_material(w, "M", "S", "PP", "transmissive")
        sides = [registry.add_component(w, side, side, side, material) for side in ("upper", "lower")]
        part = registry.add_part(
            w,
            "0042",
            "Other",
            upper_id=sides[0],
            lower_id=sides[1],
            process="mask",
            joint="lap",
            revision="A",
            drawing="D",
        )
        other = registry.add_lot(w, "A", part, plant.begin_us)
    with pytest.raises(UsageError, match="lot 'A' is in plants P1, P2"):
        plant.ask(lookups.lot, "A")
    assert plant.ask(lookups.lot, "A", plant_id=plant.plant).id == lot
    assert plant.ask(lookups.lot, "A", plant_id=number).id == other
    assert plant.ask(lookups.part, "0042", plant_id=number).name == "Other"


def test_the_drawing_of_a_lot_is_the_one_it_was_welded_to(plant: Any) -> None:
    plant.do(
        registry.add_part_revision,
        plant.part,
        "B",
        "D-2",
        change="rib",
        valid_from_us=plant.begin_us + 2 * DAY_US,
    )
    plant.lot("A", day=1)
    plant.lot("B", day=2)
    assert [plant.ask(lookups.lot, n).part.revision for n in "AB"] == ["A", "B"]
    assert plant.ask(lookups.part, "0042").revision == "B"
    assert [r.drawing for r in plant.ask(lookups.part_revisions, plant.part)] == ["D-1", "D-2"]


def test_what_counts_fills_the_positions_in_order(plant: Any) -> None:
    """Voids and test faults do not count; the moulding lots that went in count for the lot."""
    lot, segment = plant.lot("A", upper_moulding_lot_id=plant.moulded)
    plant.do(registry.add_segment, lot, plant.begin_us + HOUR_US, station_id=plant.station)

    def done() -> list[tuple[str, int, int]]:
        return [(o.position, o.done, o.missing) for o in plant.ask(lookups.owed, lot) if o.code == "PULL"]

    assert done() == [("first-off", 0, 2), ("middle", 0, 2), ("end", 0, 1)]
    keys = plant.read(segment, "PULL", 500.0, None, 510.0, 520.0, condition_id=plant.slow)
    assert done() == [("first-off", 2, 0), ("middle", 1, 1), ("end", 0, 1)]
    plant.correct(keys[0], kind="void")
    assert done() == [("first-off", 2, 0), ("middle", 0, 2), ("end", 0, 1)]
    plant.read(segment, "PULL", *([500.0] * 9), condition_id=plant.slow)
    assert done() == [("first-off", 2, 0), ("middle", 2, 0), ("end", 1, 0)]
    plant.read(plant.moulded, "TRN", 22.0, 23.0)
    (trn,) = [o for o in plant.ask(lookups.owed, lot) if o.code == "TRN"]
    assert (trn.count, trn.done) == (3, 2)
    assert plant.ask(lookups.lot, "A").owed == plant.ask(lookups.owed, lot)


def test_subgroups_are_not_counted_twice(plant: Any) -> None:
    """Sums of subgroups stand beside those of all readings."""
    plant.ids["THIN"] = plant.do(
        registry.add_characteristic,
        plant.part,
        code="THIN",
        name="Collapse of all parts",
        quantity="collapse",
        unit="mm",
        samples=9,
        subgroup_size=2,
        subgroup_every=3,
        valid_from_us=plant.begin_us,
    )
    lot, segment = plant.lot("A")
    plant.read(segment, "THIN", *[0.1 * i for i in range(1, 7)])
    assert plant.rows("rollup") > 1
    (owed,) = [o for o in plant.ask(lookups.owed, lot) if o.code == "THIN"]
    assert owed.done == 6
    assert plant.ask(lookups.lots_page)[0].readings == 6
    assert plant.ask(lookups.lot_series, plant.THIN).n.tolist() == [6]
    assert plant.ask(lookups.status_counts, plant.begin_us).readings == 6
    assert [g.readings for g in plant.ask(lookups.conditions_of, plant.THIN)] == [6]
    assert plant.ask(lookups.values, plant.THIN, limit=3).sample.tolist() == [1, 3, 5]


def test_due_tests_are_those_of_unsettled_lots(plant: Any) -> None:
    first, segment = plant.lot("A", day=1)
    second, _ = plant.lot("B", day=2)
    done, _ = plant.lot("C", day=3)
    plant.do(registry.set_lot_state, done, "released", expected_version=1)
    plant.do(registry.owe_test, second, plant.PATH, position="end", due_us=plant.begin_us + 9 * DAY_US)
    plant.read(segment, "PATH", 0.4, 0.5)
    due = plant.ask(lookups.due_tests)
    assert {d.lot_number for d in due} == {"A", "B"}
    assert (due[0].lot_number, due[0].owed.position, due[0].owed.code) == ("B", "end", "PATH")
    assert not [d for d in due if d.lot_id == first and d.owed.code == "PATH"]
    counts = plant.ask(lookups.status_counts, plant.begin_us)
    assert (counts.lots_waiting, counts.tests_missing) == (2, 5 + 3 + 5 + 3 + 2 + 1)
    assert (counts.lots, counts.readings, counts.parts) == ({"open": 2, "released": 1}, 2, 1)
    assert counts.gauges_overdue == ()
    assert plant.ask(lookups.status_counts, plant.begin_us + 31 * DAY_US).gauges_overdue == ("G-1",)


def test_suspect_lots_show_what_left(plant: Any) -> None:
    lot, _ = plant.lot("A", quantity=10)
    plant.do(registry.add_shipment, lot, 10, plant.begin_us + DAY_US, document="LS 9")
    assert plant.ask(lookups.suspect_shipped) == ()
    plant.do(registry.set_lot_state, lot, "suspect, shipped", expected_version=1)
    (found,) = plant.ask(lookups.suspect_shipped)
    assert (found.row.number, [s.document for s in found.shipments]) == ("A", ["LS 9"])


def test_a_reworked_lot_names_its_parent(plant: Any) -> None:
    lot, _ = plant.lot("A")
    plant.lot("A-1", day=1, parent_lot_id=lot)
    assert plant.ask(lookups.lot, "A-1").parent == "A"
    assert plant.ask(lookups.lot, "A").parent == ""


# Tracing.


def traced(plant: Any, **what: Any) -> list[str]:
    return [row.number for row in plant.ask(lookups.lots_touched, **what)]


def test_lots_are_traced_by_all_that_touched_them(plant: Any) -> None:
    other = plant.do(registry.add_moulding_lot, "U0002", plant.upper, plant.begin_us)
    a, a1 = plant.lot("A", day=1, upper_moulding_lot_id=plant.moulded, station_id=plant.station)
    plant.lot("B", day=2, upper_moulding_lot_id=other, station_id=plant.station2, operator_id=plant.berta)
    plant.lot(
        "C", day=3, upper_moulding_lot_id=other, recipe_revision_id=plant.rev1, clamp_tool_id=plant.clamp
    )
    plant.do(registry.add_segment, a, plant.begin_us + DAY_US + HOUR_US, upper_moulding_lot_id=other)
    plant.read(a1, "PULL", 500.0, condition_id=plant.slow, at_us=plant.begin_us + DAY_US)
    plant.read(other, "TRN", 20.0, condition_id=plant.fast, at_us=plant.begin_us + 2 * DAY_US)
    assert traced(plant, delivery_id=plant.delivery) == ["A"]
    assert traced(plant, moulding_lot_id=other) == ["A", "B", "C"]
    assert traced(plant, moulding_lot_id=other, station_id=plant.station2) == ["B"]
    assert traced(plant, recipe_revision_id=plant.rev1) == ["C"]
    assert traced(plant, clamp_tool_id=plant.clamp) == ["C"]
    assert traced(plant, operator_id=plant.berta) == ["B"]
    assert traced(plant, from_us=plant.begin_us + 2 * DAY_US, until_us=plant.begin_us + 3 * DAY_US) == [
        "B",
        "C",
    ]
    # A meter that was used on the moulding lot touches every lot that it went into.
    assert traced(plant, gauge_id=plant.gauge) == ["A", "B", "C"]
    assert traced(plant, gauge_id=plant.gauge, until_us=plant.begin_us + DAY_US) == ["A"]
    assert traced(plant, gauge_id=plant.gauge, from_us=plant.begin_us + 3 * DAY_US) == []
    with pytest.raises(UsageError, match="not said what to trace"):
        traced(plant)
