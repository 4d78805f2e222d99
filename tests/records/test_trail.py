"""Verifying: every way of changing records past the program is found and named."""

from __future__ import annotations

from typing import Any

import pytest

from qualrec.errors import UnknownRecord
from qualrec.records import trail
from qualrec.records.trail import Head


@pytest.fixture
def full(site: Any) -> Any:
    """Readings of several batches, corrections, a shape and an updated row."""
    import numpy as np

    from qualrec.records.bulk import BulkImport, NewColumns

    keys = site.add(
        *[
            site.reading(500.0 + i, pull=site.pull("interfacial"), serial=f"U{i}", entered_text="5")
            for i in range(5)
        ]
    )
    site.add(*[site.reading(510.0 + i, pull=site.pull()) for i in range(3)])
    n = 400
    with BulkImport(site.store, site.actor, file_name="line3.csv") as job:
        values = np.random.default_rng(3).normal(540, 10, n)
        job.stage(NewColumns(np.full(n, site.segments[1]), np.full(n, site.force), values, np.arange(n)))
        job.accept()
    with site.store.write(site.actor) as w:
        w.correct(keys[0], kind="value", new_value=530.0, reason="read again")
        w.update("lot", site.lots[0], {"state": "on hold"}, act="lot held")
    return site


def test_a_sound_database(full: Any) -> None:
    steps: list[tuple[str, int, int]] = []
    verdict = trail.verify(full.store, lambda *step: steps.append(step))
    assert verdict.ok
    assert verdict.readings == 408
    assert verdict.entries == full.rows("SELECT count(*) FROM trail")[0][0]
    assert verdict.heads == (trail.head(full.store, full.plant_id),)
    assert verdict.rows > 20
    assert {step[0] for step in steps} == {"trail", "tables", "references", "readings"}
    assert "cut off" in verdict.remark


TAMPERED = [
    (
        "UPDATE reading SET value = value + 1 WHERE sample = 2",
        {("changed", "reading"), ("changed", "batch"), ("sums", "rollup")},
    ),
    ("UPDATE reading SET at_us = at_us + 1 WHERE sample = 300", {("changed", "batch")}),
    (
        "UPDATE reading SET condition_id = {condition} WHERE sample = 4 AND subject_id = {segment}",
        {("changed", "batch")},
    ),
    (
        "DELETE FROM reading WHERE sample = 8 AND subject_id = {segment}",
        {("removed", "reading"), ("inserted", "pull")},
    ),
    ("DELETE FROM reading WHERE sample = 400", {("changed", "batch")}),
    (
        "INSERT INTO reading SELECT subject_id, characteristic_id, 0, 9, 999, 1, batch_id, 0 FROM reading"
        " WHERE sample = 8 AND subject_id = {segment}",
        {("inserted", "reading")},
    ),
    ("INSERT INTO reading VALUES ({segment}, {force}, 0, 10, 5, 1, 12345, 0)", {("inserted", "reading")}),
    ("UPDATE reading_entry SET entered_text = '6' WHERE sample = 1", {("changed", "batch")}),
    ("DELETE FROM reading_entry WHERE sample = 1", {("changed", "batch")}),
    ("UPDATE pull SET mode = 'cohesive' WHERE sample = 1", {("changed", "batch"), ("sums", "mode_count")}),
    ("DELETE FROM pull WHERE sample = 1", {("changed", "batch"), ("sums", "mode_count")}),
    ("UPDATE welded_unit SET serial = 'X' WHERE sample = 1", {("changed", "welded_unit")}),
    ("DELETE FROM welded_unit WHERE sample = 1", {("changed", "welded_unit")}),
    ("INSERT INTO welded_unit VALUES ({segment}, 99, 'X')", {("changed", "welded_unit")}),
    ("UPDATE correction SET new_value = 531", {("changed", "correction"), ("sums", "rollup")}),
    ("DELETE FROM correction", {("removed", "correction"), ("sums", "rollup")}),
    ("UPDATE batch SET content_digest = '0'", {("changed", "batch")}),
    (
        "UPDATE batch SET state = 'refused' WHERE kind = 'file'",
        {("changed", "batch"), ("sums", "rollup"), ("sums", "shape")},
    ),
    ("DELETE FROM batch WHERE kind = 'file'", {("removed", "batch"), ("inserted", "reading")}),
    ("UPDATE rollup SET s2 = s2 * 1.001", {("sums", "rollup")}),
    ("UPDATE rollup SET n = n + 1", {("sums", "rollup")}),
    ("DELETE FROM rollup", {("sums", "rollup")}),
    ("INSERT INTO rollup VALUES (5, 5, 0, 0, 0, 1, 0, 0, 0, 0, 0, 0, 0, 0, 0)", {("sums", "rollup")}),
    ("UPDATE mode_count SET n = n + 1", {("sums", "mode_count")}),
    ("DELETE FROM mode_count", {("sums", "mode_count")}),
    ("UPDATE shape SET counts = replace(counts, '[0', '[1')", {("sums", "shape")}),
    ("UPDATE lot SET state = 'released'", {("changed", "lot")}),
    ("DELETE FROM test_owed", set()),
    ("DELETE FROM stream WHERE id > 0", {("removed", "stream")}),
    (
        "UPDATE characteristic_revision SET lsl = 300 WHERE lsl = 400",
        {("changed", "characteristic_revision")},
    ),
    ("UPDATE person SET name = 'Other Person' WHERE name = 'First Person'", {("changed", "person")}),
    ("UPDATE person SET password_hash = 'mine' WHERE name = 'First Person'", {("changed", "person")}),
    ("UPDATE person SET failed = 3", set()),
    ("UPDATE plant SET zone = 'UTC'", {("changed", "plant")}),
    ("UPDATE subject SET kind = 'study run' WHERE id = {moulding}", {("changed", "subject")}),
    (
        "UPDATE trail SET content = replace(content, '500', '501')",
        {("changed", "trail")},
    ),
    ("UPDATE trail SET person_id = {second} WHERE seq = 5", {("changed", "trail")}),
    ("DELETE FROM trail WHERE seq = 7", {("removed", "trail")}),
    ("DELETE FROM trail WHERE seq = 1", {("removed", "trail")}),
    ("DELETE FROM trail WHERE seq = {last}", {("cut off", "trail")}),
    ("UPDATE trail_head SET seq = seq + 1", {("cut off", "trail")}),
    ("UPDATE trail_head SET digest = '0'", {("cut off", "trail")}),
    ("UPDATE trail SET seq = CASE seq WHEN 5 THEN -6 WHEN 6 THEN -5 ELSE seq END", {("removed", "trail")}),
]


@pytest.mark.parametrize("statement, expected", TAMPERED)
def test_what_was_done_past_the_program_is_named(full: Any, statement: str, expected: set[Any]) -> None:
    last = full.rows("SELECT max(seq) FROM trail")[0][0]
    full.tamper(
        statement.format(
            segment=full.segments[0],
            force=full.force,
            condition=full.condition,
            moulding=full.moulding_lot,
            second=full.second_id,
            last=last,
        )
    )
    found = set(full.faults())
    assert expected <= found
    assert bool(found) == bool(expected)
    assert trail.verify(full.store).ok == (not expected)


def test_entries_that_were_swapped(full: Any) -> None:
    full.tamper(
        "UPDATE trail SET seq = 1000005 WHERE seq = 5",
        "UPDATE trail SET seq = 5 WHERE seq = 6",
        "UPDATE trail SET seq = 6 WHERE seq = 1000005",
    )
    found = trail.verify(full.store).faults
    assert {("reordered", "trail"), ("changed", "trail")} <= {(f.kind, f.table) for f in found}
    assert {f.row for f in found if f.table == "trail"} == {f"plant {full.plant_id}, {i}" for i in (5, 6, 7)}


def test_faults_name_the_row(full: Any) -> None:
    full.tamper("UPDATE reading SET value = 777 WHERE sample = 2 AND stream_id = 0 AND value < 505")
    faults = trail.verify(full.store).faults
    (named,) = [f for f in faults if f.table == "reading"]
    assert (
        named.message == f"The reading ({full.segments[0]}, {full.force}, 0, 2) is 777.0; 501.0 was entered."
    )
    full.tamper("UPDATE lot SET remark = 'x' WHERE number = 'L-002'")
    (named,) = [f for f in trail.verify(full.store).faults if f.table == "lot"]
    assert str(full.lots[1]) in named.message


def test_cutting_off_everything_at_the_end_shows_only_against_an_anchor(full: Any) -> None:
    """The blind spot of every chain: rows, entries and head taken back together."""
    before = trail.head(full.store, full.plant_id)
    with full.store.write(full.actor) as w:
        w.insert("disposition", {"lot_id": full.lots[0], "kind": "hold", "at_us": 1}, act="held")
    after = trail.head(full.store, full.plant_id)
    assert (after.seq, after.digest) != (before.seq, before.digest)
    assert trail.holds(full.store, before)
    assert trail.holds(full.store, after)
    full.tamper(
        "DELETE FROM disposition",
        f"DELETE FROM trail WHERE seq = {after.seq}",
        f"UPDATE trail_head SET seq = {before.seq}, digest = '{before.digest}'",
    )
    assert trail.verify(full.store).ok
    assert not trail.holds(full.store, after)
    assert trail.holds(full.store, before)


def test_an_anchor_kept_inside_is_compared_too(full: Any) -> None:
    anchor = {"of_plant": full.plant_id, "seq": 3, "digest": "f" * 64, "at_us": 1, "place": "certificate 7"}
    with full.store.write(full.actor) as w:
        w.insert("trail_anchor", anchor, act="anchor kept")
    (fault,) = trail.verify(full.store).faults
    assert fault.kind == "cut off"
    assert "certificate 7" in fault.message


def test_head_of_a_plant_that_is_not_there(full: Any) -> None:
    with pytest.raises(UnknownRecord):
        trail.head(full.store, 99)
    assert not trail.holds(full.store, Head(99, 3, "0" * 64))
    assert trail.holds(full.store, Head(full.plant_id, 0, "0" * 64))


def test_every_plant_has_its_own_chain(full: Any, set_up_plant: Any) -> None:
    other = set_up_plant(full.store, "P2")
    other.add(other.reading(500.0))
    verdict = trail.verify(full.store)
    assert verdict.ok
    assert [h.plant_id for h in verdict.heads] == [full.plant_id, other.plant_id]
    full.tamper(f"UPDATE trail SET act = 'x' WHERE plant_id = {other.plant_id} AND seq = 2")
    assert {f.row for f in trail.verify(full.store).faults} == {f"plant {other.plant_id}, 2"}
