"""Heads written down outside, and what only they can find; progress in words."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from qualrec.errors import Refused, UsageError
from qualrec.records import trail
from qualrec.records.chain import NO_DIGEST, entry_digest
from qualrec.values import NewReading
from qualrec.work import bench, safekeeping
from qualrec.work.session import Session


def event(plant: Any, text: str) -> None:
    bench.log_event(plant.as_badge("T-01"), "clamp glass cleaned", station="LW-1", remark=text)


def past_the_program(plant: Any, *statements: str) -> None:
    with plant.store.engine.connect() as connection:
        if plant.store.dialect == "sqlite":
            for (name,) in connection.exec_driver_sql(
                "SELECT name FROM sqlite_master WHERE type = 'trigger'"
            ).fetchall():
                connection.exec_driver_sql(f"DROP TRIGGER {name}")
        else:
            connection.exec_driver_sql("SET session_replication_role = replica")
        for statement in statements:
            connection.exec_driver_sql(statement)
        connection.commit()


def compute_anew(plant: Any) -> None:
    """What a forger with the rights of the database does: change an entry and compute every digest after it anew."""
    columns = "at_us, person_id, station_id, act, what_table, what_id, content"
    rows = plant.rows(f"SELECT seq, {columns} FROM trail ORDER BY seq")
    previous, statements = NO_DIGEST, []
    for seq, *parts in rows:
        if seq == 3:
            parts[0] += 1
            statements.append(f"UPDATE trail SET at_us = {parts[0]} WHERE seq = 3")
        digest = entry_digest(1, seq, *parts, previous)
        statements.append(f"UPDATE trail SET previous = '{previous}', digest = '{digest}' WHERE seq = {seq}")
        previous = digest
    past_the_program(plant, *statements, f"UPDATE trail_head SET digest = '{previous}'")


def cut_off(plant: Any) -> None:
    """The last event with its entry and the head."""
    last, digest = plant.rows("SELECT seq, previous FROM trail ORDER BY seq DESC LIMIT 1")[0]
    past_the_program(
        plant,
        f"DELETE FROM trail WHERE seq = {last}",
        "DELETE FROM event WHERE remark = 'second'",
        f"UPDATE trail_head SET seq = {last - 1}, digest = '{digest}'",
    )


@pytest.mark.parametrize("forge", [compute_anew, cut_off])
def test_what_the_chain_cannot_show_a_head_outside_does(small_plant: Any, forge: Any) -> None:
    event(small_plant, "first")
    event(small_plant, "second")
    session = small_plant.as_badge("Q-01")
    head = safekeeping.head_now(session)
    written = safekeeping.anchor_text(head)
    forge(small_plant)
    found = safekeeping.verify(session)
    assert found.ok
    assert "written down outside" in found.remark
    found = safekeeping.verify(session, anchors=safekeeping.read_anchor(written))
    assert [(f.kind, f.table) for f in found.faults] == [("cut off", "trail")]
    assert f"entry {head.seq}" in found.faults[0].message


def test_a_head_is_kept_with_its_place_and_compared_from_then_on(small_plant: Any) -> None:
    session = small_plant.as_badge("Q-01")
    event(small_plant, "first")
    head = safekeeping.record_anchor(session, " weekly report 48 ")
    assert safekeeping.verify(session).ok
    assert small_plant.rows("SELECT of_plant, seq, digest, place FROM trail_anchor") == [
        (head.plant_id, head.seq, head.digest, "weekly report 48")
    ]
    compute_anew(small_plant)
    found = safekeeping.verify(session, sums=False)
    assert any("weekly report 48" in f.message for f in found.faults)
    with pytest.raises(UsageError, match="place is missing"):
        safekeeping.record_anchor(session, "  ")
    with pytest.raises(Refused, match="may not write heads down"):
        safekeeping.record_anchor(small_plant.as_badge("A-01"), "report")


def test_a_head_is_read_from_a_line_or_a_manifest(small_plant: Any, tmp_path: Path) -> None:
    head = safekeeping.head_now(small_plant.as_badge("A-01"))
    line = safekeeping.anchor_text(head)
    assert safekeeping.read_anchor(f" {line}\n") == (head,)
    manifest = tmp_path / "manifest.json"
    manifest.write_text(
        json.dumps({"heads": [{"plant": head.plant_id, "seq": head.seq, "digest": head.digest}]}),
        encoding="utf-8",
    )
    assert safekeeping.read_anchor(str(manifest)) == (head,)
    for bad in ("", "1:2", line[:-1], line.upper(), "x" * 10_000, str(tmp_path / "none.json")):
        with pytest.raises(UsageError, match="no head"):
            safekeeping.read_anchor(bad)
    manifest.write_text("{}", encoding="utf-8")
    with pytest.raises(Refused, match="no manifest"):
        safekeeping.read_anchor(str(manifest))


@pytest.mark.parametrize(
    ("statement", "kind", "table"),
    [
        ("UPDATE event SET remark = 'other' WHERE remark = 'first'", "changed", "event"),
        ("DELETE FROM event WHERE remark = 'first'", "removed", "event"),
        ("INSERT INTO event SELECT id + 900000, plant_id, kind, station_id, lot_id, clamp_tool_id, at_us, entered_us,"
         " person_id, remark FROM event WHERE remark = 'first'", "inserted", "event"),
        ("DELETE FROM trail WHERE seq = 5", "removed", "trail"),
        ("UPDATE trail SET act = 'nothing' WHERE seq = 5", "changed", "trail"),
    ],
)  # fmt: skip
def test_trail_verify_names_what_was_done(small_plant: Any, statement: str, kind: str, table: str) -> None:
    event(small_plant, "first")
    past_the_program(small_plant, statement)
    found = safekeeping.verify(small_plant.as_badge("A-01"), sums=False)
    assert (kind, table) in {(f.kind, f.table) for f in found.faults}
    assert all(f.message and f.row for f in found.faults)


def test_a_reading_that_points_to_nothing_is_found(small_plant: Any) -> None:
    session: Session = small_plant.as_badge("Q-01")
    with small_plant.store.write(session.actor) as writer:
        key = writer.conn.exec_driver_sql("SELECT id FROM lot_segment").first()
        c = writer.conn.exec_driver_sql("SELECT id FROM characteristic WHERE code = 'COL'").first()
        assert key is not None
        assert c is not None
        writer.add_readings([NewReading(key[0], c[0], 0.28, writer.now_us)])
    past_the_program(small_plant, "UPDATE reading SET condition_id = 77")
    found = safekeeping.verify(session)
    assert ("removed", "condition") in {(f.kind, f.table) for f in found.faults}


def test_progress_is_told_once_for_each_step_and_then_every_two_seconds(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    now = [0.0]
    monkeypatch.setattr("time.monotonic", lambda: now[0])
    said: list[str] = []
    tell = safekeeping.Narrator(said.append, "checking")
    for done in range(0, 100, 10):
        tell("readings", done, 100)
        now[0] += 0.5
    tell("trail", 5, 0)
    now[0] += 3
    tell("trail", 7, 0)
    assert said == ["checking readings", "checking readings: 50 %", "checking trail", "checking trail: 7"]
    safekeeping.Narrator(None, "checking")("readings", 1, 2)


def test_verifying_twice_says_the_same(small_plant: Any) -> None:
    session = small_plant.as_badge("A-01")
    assert safekeeping.verify(session) == safekeeping.verify(session)
    assert trail.BLIND_SPOT in safekeeping.verdict_sentences(safekeeping.verify(session))
