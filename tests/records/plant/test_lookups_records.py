"""Parts, characteristics, recipes, gauges, people, flags and the trail as they are read."""

from __future__ import annotations

import json
from typing import Any

import pytest

from qualrec.errors import Refused, UnknownRecord, UsageError
from qualrec.records import findings, lookups, registry
from qualrec.records.lookups.base import near_names
from qualrec.values import Finding

DAY_US = 86_400_000_000


def test_a_part_shows_customer_components_and_materials(plant: Any) -> None:
    part = plant.ask(lookups.part, "0042")
    assert (part.number, part.process, part.joint, part.revision, part.drawing) == (
        "0042",
        "contour",
        "lap",
        "A",
        "D-1",
    )
    assert part.customer is not None
    assert (part.customer.code, dict(part.customer.symbols)) == ("C1", {"critical": "K"})
    assert (part.upper.number, part.upper.material, part.upper.infrared_role, part.upper.thickness_mm) == (
        "U-100",
        "PA-N",
        "transmissive",
        2.0,
    )
    assert (part.lower.side, part.lower.absorber_pct) == ("lower", 0.4)
    assert plant.ask(lookups.parts) == (part,)
    assert plant.ask(lookups.part_by_id, plant.part) == part
    assert [c.number for c in plant.ask(lookups.components)] == ["L-100", "U-100"]
    assert plant.ask(lookups.material, "PA-B").absorber_pct == 0.4
    assert [m.code for m in plant.ask(lookups.materials)] == ["PA-B", "PA-N"]
    assert plant.ask(lookups.customer, "C1") == part.customer
    with pytest.raises(UnknownRecord, match="part with id 5"):
        plant.ask(lookups.part_by_id, 5)


def test_streams_tools_and_cavities(plant: Any) -> None:
    tool = plant.do(registry.add_tool, plant.upper, "T-1")
    cavity = plant.do(registry.add_cavity, tool, "3")
    plant.do(registry.add_stream, plant.part, "cavity 3", upper_cavity_id=cavity)
    (found,) = plant.ask(lookups.cavities, plant.upper)
    assert (found.id, found.tool, found.component, found.code) == (cavity, "T-1", "U-100", "3")
    assert plant.ask(lookups.cavities, plant.lower) == ()
    assert [s.label for s in plant.ask(lookups.streams, plant.part)] == ["cavity 1", "cavity 2", "cavity 3"]
    assert plant.ask(lookups.stream, plant.part, "cavity 3").upper_cavity_id == cavity
    with pytest.raises(UnknownRecord, match="no stream 'nest 1'") as caught:
        plant.ask(lookups.stream, plant.part, "nest 1")
    assert "cavity 1, cavity 2, cavity 3" in caught.value.remedy


def test_characteristics_by_the_revision_in_force(plant: Any) -> None:
    later = plant.begin_us + DAY_US
    plant.do(registry.revise_characteristic, plant.TRN, change="more", valid_from_us=later, samples=7)
    at = {moment: plant.ask(lookups.characteristics, "0042", moment) for moment in (later - 1, later, None)}
    assert [c.code for c in at[None]] == ["PULL", "PATH", "TRN"]
    assert [c.samples for c in at[later - 1]] == [5, 2, 3]
    assert [c.samples for c in at[later]] == [5, 2, 7]
    assert at[None] == at[later]
    assert plant.ask(lookups.characteristics, "0042", plant.begin_us - 1) == ()
    pull = at[None][0]
    assert (pull.sample_positions, pull.accepted_modes, pull.separating) == (
        ("first-off", "middle", "end"),
        ("parent material", "cohesive"),
        ("speed_mm_min",),
    )
    assert plant.ask(lookups.characteristic_by_id, plant.TRN, later - 1).samples == 3
    assert [r.revision for r in plant.ask(lookups.revisions_of, plant.TRN)] == [1, 2]
    assert plant.ask(lookups.characteristics, "0042", None, "TRN") == (at[None][2],)


def test_unknown_characteristics_say_what_there_is(plant: Any) -> None:
    with pytest.raises(UnknownRecord, match="no characteristic of 0042 'pull'") as caught:
        plant.ask(lookups.characteristic, "0042", "pull")
    assert "Did you mean PULL?" in caught.value.remedy
    assert "0042 has: PULL, PATH, TRN" in caught.value.remedy
    with pytest.raises(UnknownRecord, match="no revision in force at 2026-02-02 02:39 UTC"):
        plant.ask(lookups.characteristic, "0042", "PULL", plant.begin_us - 1)
    with pytest.raises(UnknownRecord, match="no revision in force"):
        plant.ask(lookups.characteristic_by_id, plant.PULL, plant.begin_us - 1)
    with pytest.raises(UnknownRecord, match="no characteristic with id 5"):
        plant.ask(lookups.characteristic_by_id, 5)


def test_near_names_put_zeros_and_case_first() -> None:
    assert near_names("7", ["70", "0007", "17"])[0] == "0007"
    assert near_names("pull", ["PULL", "PULLS"])[0] == "PULL"
    assert near_names("zzz", ["abc"]) == []
    assert len(near_names("a", ["A", "0a", "00a", "000A"])) == 3


def test_recipes_choose_the_approved_revision(plant: Any) -> None:
    settings = {"power": 110.0, "speed": 1000.0, "seam_width": 2.0}
    plant.do(registry.add_recipe_revision, plant.recipe, settings=settings, reason="try")
    other = plant.do(registry.add_recipe, plant.part, "R-43")
    plant.do(registry.add_recipe_revision, other, settings=settings, reason="first")
    assert [(r.code, r.revision, r.state) for r in plant.ask(lookups.recipes, "0042")] == [
        ("R-42", 1, "approved"),
        ("R-43", 1, "draft"),
    ]
    assert len(plant.ask(lookups.recipe_revisions, "0042")) == 3
    assert plant.ask(lookups.recipe_revision, "R-42").revision == 1
    assert plant.ask(lookups.recipe_revision, "R-42", 2).settings[0].value == 110.0
    with pytest.raises(UnknownRecord, match="no revision 3") as caught:
        plant.ask(lookups.recipe_revision, "R-42", 3)
    assert caught.value.remedy == "Its revisions: 1, 2."
    with pytest.raises(UnknownRecord, match="recipe 'r-42'"):
        plant.ask(lookups.recipe_revision, "r-42")
    with pytest.raises(UnknownRecord, match="recipe revision with id 5"):
        plant.ask(lookups.recipe_revision_by_id, 5)


def test_deliveries_and_moulding_lots(plant: Any) -> None:
    plant.do(registry.add_delivery, plant.black, "R-001", plant.begin_us + 1, kind="masterbatch")
    for number in range(2, 6):
        plant.do(registry.add_moulding_lot, f"U{number:04d}", plant.upper, plant.begin_us + number // 2)
    assert [d.material for d in plant.ask(lookups.deliveries)] == ["PA-B", "PA-N"]
    assert [d.kind for d in plant.ask(lookups.deliveries, "PA-N")] == ["resin"]
    with pytest.raises(UsageError, match="several materials: PA-B, PA-N"):
        plant.ask(lookups.delivery, "R-001")
    assert plant.ask(lookups.delivery, "R-001", "PA-N").id == plant.delivery
    with pytest.raises(UnknownRecord, match="delivery 'R-01'"):
        plant.ask(lookups.delivery, "R-01")
    seen: list[str] = []
    after = None
    for _ in range(4):
        page = plant.ask(lookups.moulding_lots_page, "U-100", after=after, limit=2)
        seen += [one.number for one in page]
        after = (page[-1].moulded_us, page[-1].id) if page else after
    assert seen == ["U0005", "U0004", "U0003", "U0002", "U0001"]
    assert [one.number for one in plant.ask(lookups.moulding_lots_page, text="l00")] == ["L0001"]
    with pytest.raises(UnknownRecord, match="moulding lot 'U1'"):
        plant.ask(lookups.moulding_lot, "U1")


def test_stations_gauges_and_clamp_tools(plant: Any) -> None:
    plant.do(registry.add_station, "B0", "Tester", "tester")
    assert [s.code for s in plant.ask(lookups.stations)] == ["B0", "W1", "W2"]
    assert [s.code for s in plant.ask(lookups.stations, kind="welder")] == ["W1", "W2"]
    assert plant.ask(lookups.station, "W1").clean_every_hours == 24
    assert plant.ask(lookups.station_by_id, plant.station2).name == "Welder two"
    assert [c.glass for c in plant.ask(lookups.clamp_tools)] == ["glass 12"]
    assert plant.ask(lookups.clamp_tool, "CT-1").id == plant.clamp
    (gauge,) = plant.ask(lookups.gauges, family="pull tester", state="in use")
    assert (gauge.code, [c.certificate for c in gauge.calibrations]) == ("G-1", ["K-1"])
    for look, name in ((lookups.station, "w1"), (lookups.gauge, "g-1"), (lookups.clamp_tool, "ct-1")):
        with pytest.raises(UnknownRecord, match=f"'{name}'") as caught:
            plant.ask(look, name)
        assert "Did you mean" in caught.value.remedy


def test_events_of_a_time_range_and_the_newest(plant: Any) -> None:
    lot, _ = plant.lot("A")
    for place in range(4):
        plant.do(
            registry.add_event,
            "stop" if place % 2 else "restart",
            plant.begin_us + place,
            station_id=plant.station,
            lot_id=lot if place == 3 else None,
        )
    begin = plant.begin_us
    at = [e.at_us - begin for e in plant.ask(lookups.events, plant.station, None, begin + 1, begin + 2)]
    assert at == [1, 2]
    assert [e.at_us - begin for e in plant.ask(lookups.events, newest=2)] == [2, 3]
    assert [e.lot_number for e in plant.ask(lookups.events, lot_id=lot)] == ["A"]
    assert len(plant.ask(lookups.events, kind="stop")) == 2


def test_persons_and_who_acts(plant: Any) -> None:
    assert [p.name for p in plant.ask(lookups.persons)] == ["Anna Example", "Berta Example"]
    berta = plant.ask(lookups.person_by_badge, "0102")
    assert berta.roles == {"technician", "process engineer"}
    assert (berta.has_password, berta.has_pin) == (False, False)
    actor = plant.ask(lookups.actor, "0102", "W2")
    assert (actor.person_id, actor.name, actor.station_id, actor.roles) == (
        plant.berta,
        "Berta Example",
        plant.station2,
        berta.roles,
    )
    with pytest.raises(UnknownRecord, match="badge '102'") as caught:
        plant.ask(lookups.actor, "102")
    assert "0102" not in caught.value.remedy
    with pytest.raises(UsageError, match="not said who acts"):
        plant.ask(lookups.actor)
    plant.do(registry.set_person_state, plant.anna, "disabled", why="left")
    with pytest.raises(Refused, match="Anna Example is disabled"):
        plant.ask(lookups.actor, "0101")
    assert [p.badge for p in plant.ask(lookups.persons, active_only=True)] == ["0102"]


def test_the_only_person_of_a_single_user_plant_acts_without_a_badge(store: Any) -> None:
    number = registry.add_plant(store, "S", "Small", "UTC", single_user=True)
    from qualrec.values import Actor

    with store.write(Actor(None, "set-up"), number) as writer:
        registry.add_person(writer, "Only One", "1")
    with store.read() as conn:
        assert lookups.actor(conn).name == "Only One"
        assert lookups.plant(conn).single_user


def test_flags_are_filtered_and_cost_few_queries(plant: Any) -> None:
    lots = [plant.lot(name, day=day)[0] for day, name in enumerate("ABC")]
    for place, lot in enumerate(lots):
        plant.clock[0] += 1000
        level = "HRI"[place]
        found = Finding(f"k{level}", level, "lot", "w", "s", {}, "r", "x", plant.PULL, lot_id=lot)
        plant.do(findings.store_findings, plant.part, [found])
    newest = plant.ask(lookups.flags)
    assert [f.lot_number for f in newest] == ["C", "B", "A"]
    plant.do(findings.close_flag, newest[0].id, "done")
    assert [f.level for f in plant.ask(lookups.flags, not_closed=True)] == ["R", "H"]
    assert [f.level for f in plant.ask(lookups.flags, state="closed")] == ["I"]
    assert [f.lot_number for f in plant.ask(lookups.flags, lot="A", part="0042", level="H")] == ["A"]
    assert plant.ask(lookups.flags, characteristic_id=plant.PATH) == ()
    assert set(plant.ask(lookups.flags_of_lots, lots[:2])) == set(lots[:2])
    with plant.counted() as sent:
        plant.ask(lookups.flags)
    assert len(sent) == 3
    with pytest.raises(UsageError, match="Flag state 'done'"):
        plant.ask(lookups.flags, state="done")
    with pytest.raises(UsageError, match="Level 'h'"):
        plant.ask(lookups.flags, level="h")
    with pytest.raises(UnknownRecord, match="no lot 'a'"):
        plant.ask(lookups.flags, lot="a")
    with pytest.raises(UnknownRecord, match="no flag 5"):
        plant.ask(lookups.flag, 5)
    assert plant.ask(lookups.status_counts, plant.begin_us).flags == {"H": 1, "R": 1}


def test_the_trail_is_paged_both_ways(plant: Any) -> None:
    every = plant.ask(lookups.trail_rows, limit=10_000, newest_first=False)
    assert [row.seq for row in every] == list(range(1, len(every) + 1))
    older: list[int] = []
    after = None
    for _ in range(len(every) // 7 + 2):
        page = plant.ask(lookups.trail_rows, after, 7)
        older += [row.seq for row in page]
        after = page[-1].seq if page else after
    assert older == [row.seq for row in reversed(every)]
    newer = plant.ask(lookups.trail_rows, 5, 3, newest_first=False)
    assert [row.seq for row in newer] == [6, 7, 8]
    approved = plant.ask(lookups.trail_rows, act="recipe revision approved", plant_id=plant.plant)
    assert [row.what_id for row in approved] == [plant.rev1]
    assert plant.ask(lookups.trail_rows, person_id=plant.berta) == ()


def test_names_of_persons_are_not_in_the_trail(plant: Any) -> None:
    """The chain holds person ids; the name beside an entry is looked up."""
    rows = plant.ask(lookups.trail_of, "person", plant.berta)
    assert [row.act for row in rows] == ["person added"]
    for row in plant.ask(lookups.trail_rows, limit=10_000):
        assert "Example" not in row.content
        json.loads(row.content)
    assert plant.ask(lookups.trail_of, "part", plant.part)[0].person == "Anna Example"
