"""From hold to shipment on both databases: split quantities, rework, concessions, suspect parts, containment."""

from __future__ import annotations

from typing import Any

import pytest

from qualrec.errors import Refused, UsageError
from qualrec.records import lookups, registry, trail
from qualrec.values import Disposition, Lot, NewReading, Shipment
from qualrec.work import bench, containment, corrections, lot_life, lots
from qualrec.work.lot_life import Balance, balance
from qualrec.work.sample_plan import DAY_US, HOUR_US
from qualrec.work.target import find_target

LOT = "FM00061"


@pytest.fixture
def plant(small_plant: Any) -> Any:
    """FM00061 with 480 parts, its samples tested and good, its flags closed."""
    session = small_plant.as_badge("T-01")
    with small_plant.store.write(session.actor) as writer:
        for code, value, n in (("TTP", 3.1, 5), ("COL", 0.28, 5)):
            c = lookups.characteristic(writer.conn, "FM-2040", code)
            lot = lookups.lot(writer.conn, LOT)
            writer.add_readings(
                [NewReading(lot.segment.id, c.id, value + 0.01 * i, lot.started_us + i) for i in range(n)]
            )
    with small_plant.store.read() as conn:
        upper = lookups.lot(conn, LOT).segment.upper
    assert upper is not None
    log(small_plant, upper.number, "TRN", [f"{41.0 + 0.1 * i:.1f}" for i in range(20)])
    log(small_plant, LOT, "PULL", ["612.4", "598.1", "640.0", "655.5", "631.2"], "parent material")
    with small_plant.store.write(session.actor) as writer:
        found = lookups.lot(writer.conn, LOT)
        registry.end_lot(writer, found.id, found.started_us + 10 * HOUR_US, expected_version=found.version)
    close_flags(small_plant, LOT)
    assert seen(small_plant).state in lots.RELEASABLE
    return small_plant


def log(plant: Any, name: str, code: str, values: list[str], mode: str | None = None) -> None:
    session = plant.as_badge("T-01")
    entries = [bench.Entry(value, mode=mode, again=value) for value in values]
    bench.log(session, find_target(session, name, code), entries)


def seen(plant: Any, number: str = LOT) -> Lot:
    with plant.store.read() as conn:
        return lookups.lot(conn, number)


def close_flags(plant: Any, number: str) -> None:
    session = plant.as_badge("Q-01")
    with plant.store.read() as conn:
        held = [f for f in lookups.flags(conn, lot=number) if f.state != "closed"]
    for flag in held:
        lots.close_flag(session, flag.id, "looked into")


def decide(plant: Any, kind: str, number: str = LOT, **more: Any) -> str:
    return lots.dispose(plant.as_badge("Q-01"), number, kind, reason="as agreed", **more)


def ship(plant: Any, number: str = LOT, **more: Any) -> str:
    return lot_life.ship(plant.as_badge("Q-01"), number, **more)


def fail(plant: Any) -> None:
    log(plant, LOT, "PULL", ["402.0"], "interfacial")


def test_released_and_shipped(plant: Any) -> None:
    with pytest.raises(Refused, match="none of its parts may leave"):
        ship(plant)
    decide(plant, "release")
    said = ship(plant, quantity=100, document="DN-1")
    assert "100 parts shipped, 380 in the house. It is now released" in said
    with pytest.raises(Refused, match="380 parts may leave"):
        ship(plant, quantity=381)
    assert "It is now shipped" in ship(plant, document="DN-2")
    with pytest.raises(Refused, match="none of its parts"):
        ship(plant)
    assert [s.quantity for s in seen(plant).shipments] == [100, 380]
    assert trail.verify(plant.store).ok


def test_quantities_are_split(plant: Any) -> None:
    """GIVEN 480 parts WHEN 300 are released, 30 scrapped, 50 reworked, the rest released THEN each part is counted once."""
    before = seen(plant).state
    decide(plant, "release", quantity=300)
    assert seen(plant).state == before
    decide(plant, "scrap", quantity=30)
    assert balance(seen(plant)) == Balance(480, 30, 300, 0)
    ship(plant, quantity=200)
    said = decide(plant, "rework", quantity=50)
    assert f"Child lot {LOT}-R1 opened with 50 parts" in said
    with pytest.raises(Refused, match="100 parts that 'release' can be about"):
        decide(plant, "release", quantity=101)
    said = decide(plant, "release", quantity=100)
    assert "It is now released" in said
    assert balance(seen(plant)) == Balance(480, 80, 400, 200)
    assert "200 parts shipped, 0 in the house. It is now shipped" in ship(plant)


def test_rework_opens_a_child_lot_that_owes_its_samples(plant: Any) -> None:
    fail(plant)
    assert seen(plant).state == "on hold"
    decide(plant, "rework")
    parent, child = seen(plant), seen(plant, f"{LOT}-R1")
    assert parent.state == "reworked"
    assert (child.parent, child.quantity, child.part.number) == (LOT, 480, "FM-2040")
    assert child.segment.upper == parent.segment.upper
    assert child.segment.recipe == parent.segment.recipe
    assert child.started_us == parent.started_us
    assert sum(o.missing for o in child.owed if o.code == "PULL") == 5
    with plant.store.read() as conn:
        assert lookups.child_lots(conn, parent.id) == (child.id,)
    with pytest.raises(Refused, match="reworked"):
        decide(plant, "scrap")


def test_a_second_rework_gets_the_next_number(plant: Any) -> None:
    decide(plant, "rework", quantity=10)
    assert f"{LOT}-R2" in decide(plant, "rework", quantity=10)
    assert f"{LOT}-R1-R1" in decide(plant, "rework", number=f"{LOT}-R1", quantity=4)


def test_a_failing_result_after_shipment(plant: Any) -> None:
    decide(plant, "release")
    ship(plant, quantity=200, document="DN-7")
    fail(plant)
    assert seen(plant).state == "suspect, shipped"
    with plant.store.read() as conn:
        assert [s.row.number for s in lookups.suspect_shipped(conn)] == [LOT]
    with pytest.raises(Refused, match="suspect, shipped"):
        ship(plant)
    with pytest.raises(Refused, match="left the house and is suspect"):
        decide(plant, "release")
    decide(plant, "hold")
    decide(plant, "scrap", quantity=5)
    assert seen(plant).state == "suspect, shipped"
    close_flags(plant, LOT)
    assert "It is now shipped" in decide(plant, "release")


def test_a_failing_result_between_release_and_shipment(plant: Any) -> None:
    decide(plant, "release", quantity=100)
    plant.clock[0] += HOUR_US
    fail(plant)
    assert seen(plant).state == "on hold"
    with pytest.raises(Refused, match="came up after"):
        ship(plant)
    close_flags(plant, LOT)
    assert "100 parts shipped" in ship(plant)


def test_concessions_are_counted(plant: Any) -> None:
    fail(plant)
    session = plant.as_badge("Q-01")
    with pytest.raises(Refused, match="no concession"):
        decide(plant, "use as is")
    lots.give_concession(session, LOT, "C-1", reason="customer agrees", quantity=100)
    lots.give_concession(session, LOT, "C-2", reason="customer agrees", until_us=plant.clock[0] + DAY_US)
    with pytest.raises(Refused, match="C-1 covers 100 parts, 0 of them are given"):
        decide(plant, "use as is", concession="C-1", quantity=101)
    decide(plant, "use as is", concession="C-1", quantity=60)
    with pytest.raises(Refused, match="60 of them are given already"):
        decide(plant, "use as is", concession="C-1", quantity=41)
    plant.clock[0] += 2 * DAY_US
    with pytest.raises(Refused, match="C-2 has run out"):
        decide(plant, "use as is", concession="C-2", quantity=1)
    assert "60 parts shipped" in ship(plant)
    with plant.store.read() as conn:
        assert {c.reference: c.used for c in lookups.concessions(conn, LOT)} == {"C-1": 60, "C-2": 0}


def test_parts_released_and_parts_under_concession_leave_apart(plant: Any) -> None:
    session = plant.as_badge("Q-01")
    decide(plant, "release", quantity=300)
    lots.give_concession(session, LOT, "C-1", reason="customer agrees", quantity=180)
    assert "under concession" in decide(plant, "use as is", quantity=180)
    with pytest.raises(Refused, match="released in part and under concession in part"):
        ship(plant)
    ship(plant, quantity=300)
    with pytest.raises(Refused, match="no concession 'C-9'"):
        ship(plant, concession="C-9")
    assert "180 parts shipped, 0 in the house. It is now shipped" in ship(plant, concession="C-1")


def test_parts_do_not_leave_under_a_concession_that_has_run_out(plant: Any) -> None:
    """A concession by date ends for what is still in the house (IATF 16949 8.7.1.1, from memory)."""
    fail(plant)
    session = plant.as_badge("Q-01")
    lots.give_concession(session, LOT, "C-1", reason="customer agrees", until_us=plant.clock[0] + DAY_US)
    decide(plant, "use as is")
    assert "100 parts shipped" in ship(plant, quantity=100)
    plant.clock[0] += 2 * DAY_US
    for named in (None, "C-1"):
        with pytest.raises(Refused, match="C-1 has ended"):
            ship(plant, quantity=100, concession=named)
    assert [s.quantity for s in seen(plant).shipments] == [100]


def test_a_concession_for_others_frees_no_parts_released_before_a_failure(plant: Any) -> None:
    decide(plant, "release", quantity=400)
    plant.clock[0] += HOUR_US
    fail(plant)
    plant.clock[0] += HOUR_US
    lots.give_concession(plant.as_badge("Q-01"), LOT, "C-1", reason="customer agrees", quantity=80)
    decide(plant, "use as is", quantity=80)
    with pytest.raises(Refused, match="came up after"):
        ship(plant, quantity=400)
    with pytest.raises(Refused, match="Under concession C-1 80 parts may leave, not 81"):
        ship(plant, quantity=81, concession="C-1")
    assert "80 parts shipped" in ship(plant, quantity=80, concession="C-1")
    with pytest.raises(Refused, match="Under concession C-1 0 parts"):
        ship(plant, quantity=1, concession="C-1")


def test_a_concession_that_nothing_was_decided_under_ships_nothing(plant: Any) -> None:
    decide(plant, "release")
    lots.give_concession(plant.as_badge("Q-01"), LOT, "C-1", reason="customer agrees", quantity=80)
    with pytest.raises(Refused, match="Under concession C-1 0 parts"):
        ship(plant, quantity=10, concession="C-1")


@pytest.mark.parametrize("first", ["scrap", "return to supplier"])
def test_parts_that_are_gone_are_not_used_as_is(plant: Any, first: str) -> None:
    fail(plant)
    decide(plant, first)
    lots.give_concession(plant.as_badge("Q-01"), LOT, "C-1", reason="customer agrees", quantity=480)
    with pytest.raises(Refused, match="scrapped"):
        decide(plant, "use as is")
    assert seen(plant).state == "scrapped"


def test_containment_names_every_place(plant: Any) -> None:
    decide(plant, "rework", quantity=40)
    decide(plant, "release", quantity=440)
    ship(plant, quantity=100, document="DN-3")
    fail(plant)
    session = plant.as_badge("T-01")
    said = containment.start(session, LOT, "sort by pull of every tenth part")
    assert len(said) == 3
    with pytest.raises(Refused, match="on the list already"):
        containment.start(session, LOT, "again")
    containment.add(session, "rack 7", "look", lot=LOT, quantity=3)
    with plant.store.read() as conn:
        held = lookups.containments(conn, lot=LOT)
    assert {(c.place.split(",")[0], c.quantity) for c in held} == {
        ("in the house", 340),
        ("Sample customer: water metering DN-3", 100),
        (f"child lot {LOT}-R1", 40),
        ("rack 7", 3),
    }
    containment.close(session, held[0].id, "12 parts found, scrapped")
    with pytest.raises(Refused, match="done already"):
        containment.close(session, held[0].id, "again")
    with pytest.raises(UsageError, match="result is empty"):
        containment.close(session, held[1].id, " ")
    with plant.store.read() as conn:
        assert [c.state for c in lookups.containments(conn, lot=LOT)] == ["open"] * 3 + ["done"]
    assert trail.verify(plant.store).ok


def test_the_gauge_is_shown_as_it_stood(plant: Any) -> None:
    """A gauge found bad after the test is said beside the readings taken with it."""
    page = lots.lot_page(plant.as_badge("A-01"), LOT)
    pulls = [r for r in page.readings if r.code == "PULL"]
    before = {lots.gauge_then(page, r) for r in pulls}
    with plant.store.write(plant.as_badge("Q-01").actor) as writer:
        gauge = lookups.gauge(writer.conn, pulls[0].gauge)
        registry.add_calibration(writer, gauge.id, plant.clock[0] + 1, verdict="bad")
    page = lots.lot_page(plant.as_badge("A-01"), LOT)
    after = {lots.gauge_then(page, r) for r in page.readings if r.code == "PULL"}
    assert after == {"gauge found bad"}
    assert before != after


def test_a_correction_that_fails_a_shipped_lot(plant: Any) -> None:
    decide(plant, "release")
    ship(plant)
    done = corrections.correct_text(
        plant.as_badge("T-01"), LOT, "PULL", 1, reason="digits exchanged", value="302.0", second_badge="Q-01"
    )
    assert done.state == "suspect, shipped"


def lot_of(quantity: int, *done: tuple[str, int | None], shipped: int = 0) -> Lot:
    decisions = tuple(Disposition(kind, n, i, "", "") for i, (kind, n) in enumerate(done))
    sent = (Shipment(shipped, 0, "", ""),) if shipped else ()
    given: dict[str, Any] = dict.fromkeys(Lot.__dataclass_fields__)
    return Lot(**{**given, "quantity": quantity, "dispositions": decisions, "shipments": sent})


@pytest.mark.parametrize(
    ("lot", "expected"),
    [
        (lot_of(100), Balance(100, 0, 0, 0)),
        (lot_of(100, ("release", None)), Balance(100, 0, 100, 0)),
        (lot_of(100, ("scrap", 30), ("release", None)), Balance(100, 30, 70, 0)),
        (lot_of(100, ("release", None), ("hold", None)), Balance(100, 0, 0, 0)),
        (lot_of(100, ("release", None), ("hold", None), shipped=40), Balance(100, 0, 40, 40)),
        (lot_of(100, ("release", None), ("hold", 10)), Balance(100, 0, 90, 0)),
        (lot_of(100, ("release", None), ("scrap", None), shipped=40), Balance(100, 60, 40, 40)),
        (lot_of(100, ("rework", 20), ("use as is", 50)), Balance(100, 20, 50, 0)),
        (lot_of(100, ("scrap", None)), Balance(100, 100, 0, 0)),
    ],
)
def test_balance(lot: Lot, expected: Balance) -> None:
    found = balance(lot)
    assert found == expected
    assert found is not None
    assert found.gone + found.undecided + found.free == found.quantity
    assert found.here >= 0
    assert found.may_leave >= 0
