"""Single readings as they count now: corrections, faults, staged batches, samples of many."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from qualrec.errors import UnknownRecord
from qualrec.records import lookups, registry
from qualrec.values import NewReading, PullResult, ReadingKey

HOUR_US = 3_600_000_000
DAY_US = 24 * HOUR_US


def test_a_reading_tells_everything_about_itself(plant: Any) -> None:
    _, segment = plant.lot("0007")
    shares = PullResult("mixed", 10.0, 60.0, 0.0, 30.0, displacement_mm=1.2, moisture="dry")
    given = {
        "condition_id": plant.slow,
        "stream_id": plant.cavity2,
        "serial": "S-0001",
        "entered_text": "512,40",
        "decimals": 2,
        "first_text": "5124",
        "late": True,
        "pull": shares,
    }
    with plant.store.write(plant.second, plant.plant) as writer:
        writer.add_readings([NewReading(segment, plant.PULL, 512.4, plant.begin_us + 7, **given)])
    (row,) = plant.ask(lookups.readings_of_lot, plant.ask(lookups.lot, "0007").id)
    assert (row.lot_number, row.code, row.unit, row.value, row.original) == (
        "0007",
        "PULL",
        "N",
        512.4,
        512.4,
    )
    assert (row.person, row.stream, row.gauge, row.serial) == ("Berta Example", "cavity 2", "G-1", "S-0001")
    assert (row.entered_text, row.decimals, row.first_text, row.late) == ("512,40", 2, "5124", True)
    assert (row.source, row.at_us, row.corrected, row.void, row.pull) == (
        "typed",
        plant.begin_us + 7,
        False,
        False,
        shares,
    )
    assert plant.ask(lookups.reading, row.key) == row
    assert plant.ask(lookups.readings_of_serial, "S-0001") == (row,)
    assert plant.ask(lookups.readings_of_serial, "s-0001") == ()
    with pytest.raises(UnknownRecord, match="sample number 9"):
        plant.ask(lookups.reading, ReadingKey(segment, plant.PULL, plant.cavity2, 9))


def test_corrections_are_laid_over_in_order(plant: Any) -> None:
    lot, segment = plant.lot("A")
    keys = plant.read(segment, "PULL", 500.0, 510.0, None, 530.0, 540.0, condition_id=plant.slow)
    plant.correct(keys[0], kind="value", new_value=505.0)
    plant.correct(keys[0], kind="value", new_value=506.0)
    plant.correct(keys[1], kind="void")
    plant.correct(keys[3], kind="mode", new_mode="interfacial")
    plant.correct(keys[4], kind="void")
    plant.correct(keys[4], kind="value", new_value=545.0)
    rows = plant.ask(lookups.readings_of_lot, lot, "PULL")
    assert [r.value for r in rows] == [506.0, None, None, 530.0, 545.0]
    assert [r.original for r in rows] == [500.0, 510.0, None, 530.0, 540.0]
    assert [r.void for r in rows] == [False, True, False, False, False]
    assert [r.corrected for r in rows] == [True, True, False, True, True]
    assert [r.pull.mode for r in rows] == ["cohesive", "cohesive", "test fault", "interfacial", "cohesive"]
    assert (rows[0].correction_reason, rows[0].corrected_by) == ("typed wrong", "Anna Example")
    found = plant.ask(lookups.values, plant.PULL)
    assert found.value.tolist() == [506.0, 530.0, 545.0]
    assert found.sample.tolist() == [1, 4, 5]
    assert found.mode == ("cohesive", "interfacial", "cohesive")
    assert found.interfacial_pct.tolist() == [0.0, 100.0, 0.0]
    assert found.cohesive_pct.tolist() == [100.0, 0.0, 100.0]
    assert found.corrected.tolist() == [True, True, True]
    made = plant.ask(lookups.corrections, lot="A")
    assert [c.kind for c in made] == ["value", "void", "mode", "void", "value", "value"]
    assert (made[-1].old_value, made[-1].new_value, made[-1].lot_number, made[-1].code) == (
        500.0,
        505.0,
        "A",
        "PULL",
    )
    assert plant.ask(lookups.corrections, part="0042") == made
    assert plant.ask(lookups.corrections, until_us=plant.begin_us - 1) == ()


def test_a_reading_that_became_a_fault_has_no_value(plant: Any) -> None:
    lot, segment = plant.lot("A")
    keys = plant.read(segment, "PULL", 500.0, 510.0, condition_id=plant.slow)
    plant.correct(keys[0], kind="mode", new_mode="test fault")
    assert [r.value for r in plant.ask(lookups.readings_of_lot, lot)] == [None, 510.0]
    assert plant.ask(lookups.values, plant.PULL).value.tolist() == [510.0]
    assert plant.ask(lookups.lot_series, plant.PULL).n.tolist() == [1]


def test_shares_are_those_entered_or_those_of_the_mode(plant: Any) -> None:
    _, segment = plant.lot("A")
    mixed = PullResult("mixed", 40.0, 30.0, 10.0, 20.0)
    modes = [mixed, "interfacial", "cohesive", "parent material", "near-surface tear"]
    plant.read(segment, "PULL", *([500.0] * 5), modes=modes, condition_id=plant.slow)
    plant.read(segment, "PATH", 0.4)
    found = plant.ask(lookups.values, plant.PULL)
    assert found.interfacial_pct.tolist() == [40.0, 100.0, 0.0, 0.0, 0.0]
    assert found.cohesive_pct.tolist() == [30.0, 0.0, 100.0, 0.0, 0.0]
    bare = plant.ask(lookups.values, plant.PATH)
    assert bare.mode == ("",)
    assert np.isnan(bare.interfacial_pct[0])


def test_the_unit_is_that_of_the_revision_when_welded(plant: Any) -> None:
    """A unit may change as long as nothing was read; older lots keep theirs."""
    later = plant.begin_us + 2 * DAY_US
    plant.do(registry.revise_characteristic, plant.PATH, change="in µm", valid_from_us=later, unit="µm")
    lots = [plant.lot(str(day), day=day) for day in (1, 2)]
    for _, segment in lots:
        plant.read(segment, "PATH", 0.4, at_us=later + DAY_US)
    assert [plant.ask(lookups.readings_of_lot, lot)[0].unit for lot, _ in lots] == ["mm", "µm"]


def test_staged_and_refused_batches_are_not_seen(plant: Any) -> None:
    lot, segment = plant.lot("A")
    plant.read(segment, "PATH", 0.4)
    with plant.store.transaction() as conn:
        for place, state in enumerate(("staged", "refused")):
            batch = (plant.plant << 40) + 900_000 + place
            conn.exec_driver_sql(
                "INSERT INTO batch (id, plant_id, kind, state, file_name, content_digest, begun_us, rows, refused_rows, remark)"
                f" VALUES ({batch}, {plant.plant}, 'file', '{state}', 'a.csv', '', {plant.begin_us}, 1, 0, '')"
            )
            conn.exec_driver_sql(
                "INSERT INTO reading (subject_id, characteristic_id, stream_id, sample, value, at_us, batch_id, condition_id)"
                f" VALUES ({segment}, {plant.PATH}, 0, {place + 7}, 9.9, {plant.begin_us}, {batch}, 0)"
            )
    assert [r.value for r in plant.ask(lookups.readings_of_lot, lot)] == [0.4]
    assert plant.ask(lookups.values, plant.PATH).value.tolist() == [0.4]
    with pytest.raises(UnknownRecord):
        plant.ask(lookups.reading, ReadingKey(segment, plant.PATH, 0, 7))
    assert {b.state for b in plant.ask(lookups.batches)} == {"accepted", "staged", "refused"}
    assert [b.state for b in plant.ask(lookups.batches, state="staged", kind="file")] == ["staged"]


def test_a_file_is_found_by_its_digest(plant: Any) -> None:
    _, segment = plant.lot("A")
    with plant.store.write(plant.actor, plant.plant) as writer:
        reading = NewReading(segment, plant.PATH, 0.4, plant.begin_us)
        receipt = writer.add_readings([reading], kind="file", file_name="a.csv", file_digest="d" * 64)
    found = plant.ask(lookups.batch_by_digest, "d" * 64)
    assert (found.id, found.file_name, found.rows, found.person) == (
        receipt.batch_id,
        "a.csv",
        1,
        "Anna Example",
    )
    assert plant.ask(lookups.batch, receipt.batch_id) == found
    assert plant.ask(lookups.batch_by_digest, "e" * 64) is None
    with pytest.raises(UnknownRecord):
        plant.ask(lookups.batch, 5)


def test_readings_of_a_moulding_lot(plant: Any) -> None:
    plant.read(plant.moulded, "TRN", 22.0, 23.0, stream_id=plant.cavity1)
    rows = plant.ask(lookups.readings_of_moulding_lot, plant.moulded)
    assert [(r.lot_id, r.lot_number, r.value, r.stream) for r in rows] == [
        (None, "U0001", 22.0, "cavity 1"),
        (None, "U0001", 23.0, "cavity 1"),
    ]
    assert plant.ask(lookups.readings_of_moulding_lot, plant.moulded, "PULL") == ()


def test_the_newest_readings_of_a_lot(plant: Any) -> None:
    lot, segment = plant.lot("A")
    plant.read(segment, "PATH", *[0.1 * i for i in range(1, 8)])
    with plant.store.read() as conn, plant.counted() as sent:
        rows = lookups.readings_of_lot(conn, lot, limit=3)
    assert [r.key.sample for r in rows] == [5, 6, 7]
    assert len(sent) == 4


@given(n=st.integers(0, 10_000), limit=st.integers(1, 200))
def test_the_step_of_a_sample_keeps_to_the_limit(n: int, limit: int) -> None:
    step = lookups.sample_step(n, limit)
    assert len(range(0, n, step)) <= limit
    assert step == 1 or len(range(0, n, step - 1)) > limit
    assert lookups.sample_step(n, None) == 1


def test_a_sample_of_many_values_is_every_kth(plant: Any) -> None:
    """Lots in time order; within a lot streams, within a stream samples."""
    for day in (2, 0, 1):
        _, segment = plant.lot(str(day), day=day)
        for place, stream in enumerate((plant.cavity1, plant.cavity2)):
            start = day * 20 + place * 10
            plant.read(segment, "PATH", *(float(start + i) for i in range(10)), stream_id=stream)
    whole = plant.ask(lookups.values, plant.PATH)
    assert whole.value.tolist() == [float(i) for i in range(60)]
    for limit in (60, 59, 30, 13, 7, 1):
        step = lookups.sample_step(60, limit)
        found = plant.ask(lookups.values, plant.PATH, limit=limit)
        assert found.value.tolist() == whole.value[::step].tolist()
        assert len(found.value) <= limit
        assert len(found.mode) == len(found.at_us) == len(found.corrected) == len(found.value)
    own = plant.ask(lookups.values, plant.PATH, stream_id=plant.cavity2, limit=6)
    assert own.value.tolist() == [10.0, 15.0, 30.0, 35.0, 50.0, 55.0]


def test_a_sample_keeps_to_the_limit_where_numbers_have_gaps(plant: Any) -> None:
    _, segment = plant.lot("A")
    readings = [
        NewReading(segment, plant.PATH, float(i), plant.begin_us, sample=1 + 4 * i) for i in range(40)
    ]
    with plant.store.write(plant.actor, plant.plant) as writer:
        writer.add_readings(readings)
    found = plant.ask(lookups.values, plant.PATH, limit=10)
    assert 1 <= len(found.value) <= 10
    assert found.value.tolist() == sorted(set(found.value.tolist()))
    assert found.value[-1] > 30
