"""What a bench knows of a lot: gauges, streams, moisture, and the first-off after a set-up. On both databases."""

from __future__ import annotations

from typing import Any

import pytest

from qualrec.records import lookups, registry
from qualrec.work import bench, opening
from qualrec.work.bench import Entry
from qualrec.work.bench_facts import waiting_lots
from qualrec.work.target import find_target

MINUTE_US = 60_000_000


def log(
    session: Any, code: str, text: str, lot: str = "FM00061", gauge: str | None = None, **more: Any
) -> Any:
    return bench.log(session, find_target(session, lot, code), [Entry(text, **more)], gauge=gauge)


def running(plant: Any) -> None:
    """Have the clock stand a little after lot FM00061 began."""
    with plant.store.read() as conn:
        plant.clock[0] = lookups.lot(conn, "FM00061").started_us + 10 * MINUTE_US


def test_a_gauge_of_several_is_asked_until_the_station_has_a_usual_one(small_plant: Any) -> None:
    """PS-01 and PS-02 are both path sensors: the sample part's collapse is ambiguous until one was used on LW-1."""
    session = small_plant.as_badge("T-01")
    facts = bench.open_lot(session, "FM00061").facts
    assert [g.code for g in facts.gauges["COL"]] == ["PS-01", "PS-02"]
    assert facts.only("COL") == ""
    assert facts.only("PULL") == "PT-02"
    log(session, "COL", "0.28", gauge="PS-01", lot="FM00060")
    assert bench.open_lot(session, "FM00061").facts.only("COL") == "PS-01"
    log(session, "COL", "0.28", gauge="PS-02")
    assert bench.open_lot(session, "FM00061").facts.only("COL") == ""


def test_lots_that_wait_name_their_station_and_the_first_moment_that_was_set(small_plant: Any) -> None:
    session = small_plant.as_badge("T-01")
    due = small_plant.clock[0] + MINUTE_US
    with session.store.write(session.actor) as writer:
        lot = lookups.lot(writer.conn, "FM00061")
        pull = lookups.characteristic(writer.conn, "FM-2040", "PULL")
        registry.owe_test(writer, lot.id, pull.id, position="hourly", due_us=due)
    with session.store.read() as conn:
        first, second = waiting_lots(conn)
    assert (first.number, first.station, first.due_us, first.ended_us) == ("FM00061", "LW-1", due, None)
    assert first.owed == {"PULL": 6, "COL": 5, "TTP": 5, "TRN": 20}
    assert (second.number, second.due_us, second.owed["PULL"]) == ("FM00060", None, 5)


def test_streams_of_the_part_and_moisture_of_its_materials_are_told(small_plant: Any) -> None:
    session = small_plant.as_badge("T-01")
    facts = bench.open_lot(session, "FM00061").facts
    assert facts.streams == ("1", "2", "3", "4")
    assert not facts.moisture
    with small_plant.store.write(small_plant.as_badge("P-01").actor) as writer:
        part = lookups.part(writer.conn, "VB-1310")
        registry.add_lot(writer, "VB1", part.id, small_plant.clock[0] - MINUTE_US)
    assert bench.open_lot(session, "VB1").facts.moisture


def test_entries_of_several_cavities_and_positions_are_stored_together(small_plant: Any) -> None:
    session = small_plant.as_badge("T-01")
    target = find_target(session, "FM00061", "TRN")
    rows = [
        Entry(text, stream=cavity, position=position)
        for cavity in ("1", "2")
        for position, text in (("gate", "23,4"), ("far end", "22,1"))
    ]
    done = bench.log(session, target, rows, entry_key="grid")
    assert [(r.stream, r.value) for r in done.rows] == [("1", 23.4), ("1", 22.1), ("2", 23.4), ("2", 22.1)]
    with session.store.read() as conn:
        places = [lookups.condition(conn, r.condition_id).position for r in done.rows]
    assert places == ["gate", "far end"] * 2
    assert bench.log(session, target, rows, entry_key="grid").repeated


def test_a_lot_that_began_waits_for_its_first_off(small_plant: Any) -> None:
    running(small_plant)
    session = small_plant.as_badge("T-01")
    gate = bench.open_lot(session, "FM00061").facts.gate
    assert gate is not None
    assert (gate.what, gate.codes) == ("set-up of the lot", ("PULL",))
    log(session, "COL", "0.28", gauge="PS-01")
    assert bench.open_lot(session, "FM00061").facts.gate is not None
    log(session, "PULL", "12", mode="test fault")
    assert bench.open_lot(session, "FM00061").facts.gate is not None
    log(session, "PULL", "600", mode="cohesive")
    assert bench.open_lot(session, "FM00061").facts.gate is None


@pytest.mark.parametrize(
    ("kind", "owes"), [("glass_changed", True), ("restart", True), ("glass_cleaned", False), ("stop", False)]
)
def test_after_a_set_up_the_running_lot_owes_one_more_first_off(
    small_plant: Any, kind: str, owes: bool
) -> None:
    running(small_plant)
    session = small_plant.as_badge("T-01")
    log(session, "PULL", "600", mode="cohesive")
    small_plant.clock[0] += MINUTE_US
    before = bench.open_lot(session, "FM00061").owed
    said = bench.log_event(session, kind, station="LW-1", lot="FM00061")
    after = bench.open_lot(session, "FM00061")
    assert (after.facts.gate is not None) is owes
    assert ("owes a first-off: PULL" in said) is owes
    more = {o.position for o in after.owed} - {o.position for o in before}
    assert more == ({f"first-off after {kind.replace('_', ' ')}"} if owes else set())
    small_plant.clock[0] += MINUTE_US
    log(session, "PULL", "601", mode="cohesive")
    assert bench.open_lot(session, "FM00061").facts.gate is None


def test_only_the_lot_that_runs_owes_it(small_plant: Any) -> None:
    running(small_plant)
    session = small_plant.as_badge("T-01")
    bench.log_event(session, "restart", station="LW-1")
    positions = {
        n: {o.position for o in bench.open_lot(session, n).owed if o.code == "PULL"}
        for n in ("FM00060", "FM00061")
    }
    assert "first-off after restart" in positions["FM00061"]
    assert "first-off after restart" not in positions["FM00060"]
    opening.end(session, "FM00061")
    small_plant.clock[0] += MINUTE_US
    assert "owes" not in bench.log_event(session, "restart", station="LW-1")


def test_the_same_event_of_the_same_moment_owes_once(small_plant: Any) -> None:
    running(small_plant)
    session = small_plant.as_badge("T-01")
    for _ in range(2):
        bench.log_event(session, "restart", station="LW-1", at_us=small_plant.clock[0] - 1)
    owed = [o for o in bench.open_lot(session, "FM00061").owed if o.position == "first-off after restart"]
    assert [o.count for o in owed] == [1]
