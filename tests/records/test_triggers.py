"""The guards of the schema: what is entered is not changed, on both databases, past the program too."""

from __future__ import annotations

from typing import Any

import pytest
from sqlalchemy.exc import DBAPIError

from qualrec.errors import Refused

KEPT = {
    "reading": "value = 1.0",
    "reading_entry": "entered_text = 'x'",
    "pull": "mode = 'cohesive'",
    "welded_unit": "serial = 'x'",
    "correction": "reason = 'x'",
    "trail": "act = 'x'",
    "trail_anchor": "place = 'x'",
    "signature": "reason = 'x'",
    "flag_action": "what = 'x'",
    "flag_finding": "sentence = 'x'",
    "judgement": "verdict = 'pass'",
    "entry_attempt": "why = 'x'",
    "disposition": "reason = 'x'",
}


@pytest.fixture
def full(site: Any) -> Any:
    """A site with a row in every table that keeps its rows."""
    with site.store.write(site.actor) as w:
        (key,) = w.add_readings(
            [site.reading(500.0, entered_text="500", serial="A", pull=site.pull("interfacial"))]
        ).keys
        w.correct(key, kind="value", new_value=510.0, reason="read again")
        w.note_attempt(site.segments[0], site.force, entered_text="5", value=5.0, why="implausible")
        w.insert(
            "disposition", {"lot_id": site.lots[0], "kind": "hold", "at_us": 1, "reason": "r"}, act="held"
        )
        w.insert(
            "signature",
            {
                "person_id": site.person_id,
                "meaning": "approved",
                "what_kind": "recipe revision",
                "what_id": 1,
                "digest": "0" * 64,
                "at_us": 1,
            },
            act="signed",
        )
        flag = w.insert(
            "flag",
            {
                "kind": "k",
                "level": "H",
                "scope": "lot",
                "part_id": site.part_id,
                "rules_version": "1",
                "program_version": "1",
                "opened_us": 1,
            },
            act="flag opened",
        )
        w.insert("flag_action", {"flag_id": flag, "kind": "note", "at_us": 1}, act="note")
        w.insert("flag_finding", {"flag_id": flag, "what": "w", "at_us": 1}, act="found")
        w.insert(
            "judgement",
            {
                "lot_id": site.lots[0],
                "verdict": "fail",
                "rules_version": "1",
                "program_version": "1",
                "at_us": 1,
            },
            act="judged",
        )
        head = w.conn.exec_driver_sql("SELECT seq, digest FROM trail ORDER BY seq LIMIT 1").one()
        anchor = {"of_plant": site.plant_id, "seq": head.seq, "digest": head.digest, "at_us": 1}
        w.insert("trail_anchor", anchor, act="anchor kept")
    return site


def run(site: Any, statement: str) -> None:
    with site.store.transaction() as connection:
        connection.exec_driver_sql(statement)


@pytest.mark.parametrize("table", KEPT)
def test_update_and_delete_are_refused(full: Any, table: str) -> None:
    before = full.rows(f"SELECT * FROM {table}")
    assert before
    for statement in (f"UPDATE {table} SET {KEPT[table]}", f"DELETE FROM {table}"):
        with pytest.raises(Refused, match=f"{table}: rows are never changed or removed") as caught:
            run(full, statement)
        assert caught.value.remedy
    assert full.rows(f"SELECT * FROM {table}") == before
    assert full.faults() == []


@pytest.mark.parametrize("table", KEPT)
def test_replace_and_truncate_are_refused(full: Any, table: str) -> None:
    before = full.rows(f"SELECT * FROM {table}")
    if full.store.dialect == "sqlite":
        statements = [
            f"INSERT OR REPLACE INTO {table} SELECT * FROM {table}",
            f"REPLACE INTO {table} SELECT * FROM {table}",
        ]
    else:
        statements = [f"TRUNCATE {table} CASCADE"]
        if table == "reading":
            names = "SELECT inhrelid::regclass::text FROM pg_inherits WHERE inhparent = 'reading'::regclass"
            partitions = [row[0] for row in full.rows(names)]
            assert "reading_pdefault" in partitions
            assert f"reading_p{full.plant_id}_0" in partitions
            statements += [f"TRUNCATE {name}" for name in partitions]
            statements += [f"DELETE FROM reading_p{full.plant_id}_0"]
    for statement in statements:
        with pytest.raises(Refused, match="never changed or removed"):
            run(full, statement)
    assert full.rows(f"SELECT * FROM {table}") == before


def test_readings_lie_in_the_partition_of_their_range(full: Any) -> None:
    if full.store.dialect == "postgresql":
        assert full.rows("SELECT DISTINCT tableoid::regclass::text FROM reading") == [
            (f"reading_p{full.plant_id}_0",)
        ]


def test_partitions_are_made_ahead(site: Any) -> None:
    if site.store.dialect != "postgresql":
        return
    far = 5 * (1 << 17) - 100
    run(site, f"UPDATE id_counter SET next_value = {far}")
    site.store.ids.__init__()  # type: ignore[misc]
    for number in range(300):
        with site.store.write(site.actor) as writer:
            writer.new_id()
        if number == 299:
            segment = site.new_lot("L-far")
    site.add(site.reading(500.0, subject_id=segment))
    names = {row[0] for row in site.rows("SELECT relname FROM pg_class WHERE relkind = 'r'")}
    assert {f"reading_p{site.plant_id}_{i}" for i in (4, 5, 6)} <= names
    assert site.rows("SELECT DISTINCT tableoid::regclass::text FROM reading") == [
        (f"reading_p{site.plant_id}_5",)
    ]
    assert site.faults() == []


def test_an_accepted_batch_is_final(full: Any) -> None:
    for statement in (
        "UPDATE batch SET state = 'refused'",
        "UPDATE batch SET rows = 5",
        "DELETE FROM batch",
    ):
        with pytest.raises(Refused, match="an accepted batch is final"):
            run(full, statement)


def test_staged_rows_may_go_but_not_change(site: Any) -> None:
    seg, force = site.segments[0], site.force
    run(
        site,
        f"INSERT INTO batch (id, plant_id, kind, state, file_name, content_digest, begun_us, rows, refused_rows, remark)"
        f" VALUES (77, {site.plant_id}, 'file', 'staged', '', '', 1, 1, 0, '')",
    )
    run(site, f"INSERT INTO reading VALUES ({seg}, {force}, 0, 1, 5.0, 1, 77, 0)")
    run(
        site,
        "INSERT INTO pull (subject_id, characteristic_id, stream_id, sample, mode, moisture, status, attempt, reason)"
        f" VALUES ({seg}, {force}, 0, 1, 'cohesive', '', 'valid', 1, '')",
    )
    for statement in ("UPDATE reading SET value = 6", "UPDATE pull SET attempt = 2"):
        with pytest.raises(Refused):
            run(site, statement)
    run(site, "DELETE FROM pull")
    run(site, "DELETE FROM reading")
    assert site.rows("SELECT count(*) FROM reading") == [(0,)]


def test_a_reading_without_a_batch_cannot_be_deleted(site: Any) -> None:
    run(site, f"INSERT INTO reading VALUES ({site.segments[0]}, {site.force}, 0, 1, 5.0, 1, 78, 0)")
    with pytest.raises(Refused):
        run(site, "DELETE FROM reading")


@pytest.fixture
def recipe(site: Any) -> int:
    """Id of a draft revision with one setting and one window."""
    with site.store.write(site.actor) as w:
        recipe = w.insert(
            "recipe", {"part_id": site.part_id, "code": "R1", "process": "contour"}, act="recipe added"
        )
        revision = w.insert(
            "recipe_revision", {"recipe_id": recipe, "revision": 1, "created_us": 1}, act="drafted"
        )
        setting = {"recipe_revision_id": revision, "name": "power", "value": 100.0, "unit": "W"}
        w.insert("recipe_setting", setting, act="setting entered")
        window = {
            "recipe_revision_id": revision,
            "quantity": "transmission",
            "unit": "%",
            "low": 20.0,
            "high": 40.0,
        }
        w.insert("qualified_window", window, act="window entered")
    return revision


def test_an_approved_recipe_revision_keeps_its_content(site: Any, recipe: int) -> None:
    with site.store.write(site.actor) as w:
        key = {"recipe_revision_id": recipe, "name": "power"}
        w.update("recipe_setting", key, {"value": 110.0}, act="setting changed")
        w.update("recipe_revision", recipe, {"reason": "first"}, act="changed")
        approved = {"state": "approved", "approved_us": 5, "approver_id": site.person_id, "valid_from_us": 5}
        w.update("recipe_revision", recipe, approved, act="approved")
    for statement in (
        "UPDATE recipe_setting SET value = 120",
        "DELETE FROM recipe_setting",
        f"INSERT INTO recipe_setting (recipe_revision_id, name, value, unit) VALUES ({recipe}, 'speed', 1, 'mm/s')",
        "UPDATE qualified_window SET high = 50",
        "DELETE FROM qualified_window",
        f"INSERT INTO qualified_window (recipe_revision_id, quantity, unit, proof) VALUES ({recipe}, 'collapse', 'mm', '')",
    ):
        with pytest.raises(Refused, match="keeps its settings"):
            run(site, statement)
    for statement in (
        "UPDATE recipe_revision SET reason = 'other'",
        "UPDATE recipe_revision SET approved_us = 6",
        "UPDATE recipe_revision SET state = 'draft'",
        "DELETE FROM recipe_revision",
    ):
        with pytest.raises(Refused, match="keeps its content"):
            run(site, statement)
    with site.store.write(site.actor) as w:
        w.update("recipe_revision", recipe, {"state": "superseded", "ended_us": 9}, act="superseded")
    with pytest.raises(Refused, match="keeps its content"):
        run(site, "UPDATE recipe_revision SET state = 'approved'")
    assert site.faults() == []


def test_frozen_limits_only_become_superseded(site: Any) -> None:
    row = {
        "characteristic_id": site.force,
        "stream_id": 0,
        "condition_id": 0,
        "version": 1,
        "state": "trial",
        "chart": "lot means",
        "centre": 500.0,
        "sigma": 5.0,
        "estimator": "lot means",
        "from_us": 1,
        "made_us": 1,
    }
    with site.store.write(site.actor) as w:
        limits = w.insert("limits", row, act="limits made")
        w.insert("limits_lot", {"limits_id": limits, "lot_id": site.lots[0]}, act="lot used")
        w.update("limits", limits, {"sigma": 5.5}, act="changed")
        w.update("limits", limits, {"state": "frozen", "frozen_us": 7, "reason": "25 lots"}, act="frozen")
    for statement in (
        "UPDATE limits SET sigma = 6",
        "UPDATE limits SET upper = 600",
        "UPDATE limits SET state = 'trial'",
        "DELETE FROM limits",
        "UPDATE limits_lot SET reason = 'x'",
        "DELETE FROM limits_lot",
    ):
        with pytest.raises(Refused, match="frozen limits are never edited"):
            run(site, statement)
    with site.store.write(site.actor) as w:
        w.update("limits", limits, {"state": "superseded"}, act="superseded")
    with pytest.raises(Refused, match="frozen limits are never edited"):
        run(site, "UPDATE limits SET state = 'frozen'")
    assert site.faults() == []


def test_the_head_of_the_trail_only_grows(site: Any) -> None:
    for statement in ("UPDATE trail_head SET seq = seq - 1", "DELETE FROM trail_head"):
        with pytest.raises(Refused, match="the trail only grows"):
            run(site, statement)


@pytest.mark.parametrize("value", ["'NaN'", "'Infinity'", "1e301", "'abc'"])
def test_the_database_itself_refuses_what_is_no_number(site: Any, value: str) -> None:
    if site.store.dialect == "postgresql":
        value = value.replace("1e301", "1e301::double precision")
    with site.store.engine.connect() as connection, pytest.raises(DBAPIError):
        connection.exec_driver_sql(
            f"INSERT INTO reading VALUES ({site.segments[0]}, {site.force}, 0, 1, {value}, 1, 1, 0)"
        )
