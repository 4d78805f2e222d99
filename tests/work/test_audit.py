"""Archives, samples, clauses, integrity and retention on the sample plant of both databases."""

from __future__ import annotations

import csv
import hashlib
import json
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from qualrec.config import Settings
from qualrec.errors import FileRefused, Refused, UsageError
from qualrec.records import archive as records_archive
from qualrec.records import lookups, trail
from qualrec.records.database import open_store
from qualrec.values import ReadingKey
from qualrec.work import archive, audit, containment, corrections, retention
from qualrec.work.accounts import SAMPLE_PIN
from qualrec.work.session import Session, make_session

DAY_US = 86_400_000_000
YEAR_US = 366 * DAY_US


@pytest.fixture
def plant(plant_url: str) -> Iterator[Session]:
    with open_store(plant_url) as store:
        yield make_session(store, Settings(plant_url, badge="Q-01"))


@pytest.fixture
def auditor(plant: Session) -> Session:
    return make_session(plant.store, Settings(plant.store.url, badge="A-01"))


def read(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def scalar(plant: Session, query: str) -> Any:
    with plant.store.read() as conn:
        return conn.exec_driver_sql(query).scalar()


# Archives.


def test_an_archive_is_read_without_the_program(auditor: Session, tmp_path: Path) -> None:
    """The chain and the digests are recomputed with csv, json and hashlib alone, by the rule of the README."""
    folder = tmp_path / "archive"
    made = archive.write(auditor, folder)
    told = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
    for name, file in told["files"].items():
        assert hashlib.sha256((folder / name).read_bytes()).hexdigest() == file["sha256"], name
    previous = "0" * 64
    entries = read(folder / "trail.csv")
    for row in entries:
        parts = [
            *(int(row[name]) for name in ("plant_id", "seq", "at_us")),
            *(int(row[name]) if row[name] else None for name in ("person_id", "station_id")),
            row["act"],
            row["what_table"],
            int(row["what_id"]),
            row["content"],
            previous,
        ]
        text = json.dumps(parts, separators=(",", ":"), ensure_ascii=False)
        previous = hashlib.sha256(text.encode("utf-8")).hexdigest()
        assert row["digest"] == previous, row["seq"]
    assert told["heads"] == [{"plant": 1, "seq": len(entries), "digest": previous}]
    assert made.heads[0].digest == previous
    explained = (folder / "README.txt").read_text(encoding="utf-8")
    assert "microseconds since 1970" in explained
    assert "trail.csv" in explained


def test_an_archive_holds_every_row_and_no_password(plant: Session, tmp_path: Path) -> None:
    folder = tmp_path / "archive"
    made = archive.write(plant, folder)
    assert made.files["reading.csv"] == scalar(plant, "SELECT count(*) FROM reading")
    assert made.files["lot.csv"] == len(read(folder / "lot.csv")) == scalar(plant, "SELECT count(*) FROM lot")
    assert "password_hash" not in read(folder / "person.csv")[0]
    plain = [r for r in read(folder / "readings_in_words.csv") if r["corrected"] == "1"]
    assert [(r["lot_or_moulding_lot"], r["value_as_entered"] != r["value_that_counts"]) for r in plain] == [
        ("FM00020", True)
    ]
    assert "exchanged" in plain[0]["correction_reason"]
    with plant.store.read() as conn:
        last = lookups.trail_rows(conn, limit=1)[0]
    assert last.act == "archive made"
    assert made.manifest_sha256 in last.content


def test_a_changed_archive_is_found(plant: Session, tmp_path: Path) -> None:
    whole = tmp_path / "archive"
    archive.write(plant, whole)
    assert archive.check(whole).ok

    def replace(folder: Path) -> None:
        path = folder / "lot.csv"
        path.write_bytes(path.read_bytes().replace(b"FM00010", b"FM00011"))

    harms: list[tuple[Any, str]] = [
        (replace, "lot.csv was changed"),
        (lambda f: (f / "pull.csv").unlink(), "pull.csv is missing"),
        (lambda f: (f / "more.csv").write_text("x"), "more.csv is not one"),
        (lambda f: (f / "README.txt").write_text("x"), "README.txt was changed"),
    ]
    for number, (harm, fault) in enumerate(harms):
        folder = tmp_path / f"copy-{number}"
        shutil.copytree(whole, folder)
        harm(folder)
        found = archive.check(folder)
        assert len(found.faults) == 1
        assert fault in found.faults[0]


def test_an_archive_goes_into_a_new_folder_only(plant: Session, tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    (tmp_path / "a" / "mine.txt").write_text("mine")
    with pytest.raises(Refused, match="not an empty folder"):
        archive.write(plant, tmp_path / "a")
    with pytest.raises(Refused, match="no archive"):
        archive.check(tmp_path / "a")
    technician = make_session(plant.store, Settings(plant.store.url, badge="T-01"))
    with pytest.raises(Refused, match="may not make an archive"):
        archive.write(technician, tmp_path / "b")
    assert not (tmp_path / "b").exists()


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (None, ""),
        (True, "1"),
        (False, "0"),
        (0.1, "0.1"),
        (1e22, "1e+22"),
        (-5, "-5"),
        ("-5.2", "-5.2"),
        ("=1+1", "'=1+1"),
        ("@SUM(A1)", "'@SUM(A1)"),
        ("+49 30", "'+49 30"),
        ("-cmd", "'-cmd"),
        ("\t=1", "'\t=1"),
        ("'tis", "''tis"),
        ("a\x1b[31mb", "a<U+001B>[31mb"),
        ("a\u202eb", "a<U+202E>b"),
        ("two\nlines", "two\nlines"),
    ],
)
def test_a_cell_is_text_and_never_a_formula(value: Any, expected: str) -> None:
    assert records_archive.cell(value) == expected


# Samples.


def test_a_sample_is_drawn_again_by_its_seed_and_by_the_rule_printed(auditor: Session) -> None:
    first = audit.sample(auditor, 25, seed="2026-11")
    assert first == audit.sample(auditor, 25, seed="2026-11")
    assert first.drawn != audit.sample(auditor, 25, seed="2026-12").drawn
    with auditor.store.read() as conn:
        keys = [
            ReadingKey(*row)
            for row in conn.exec_driver_sql(
                "SELECT r.subject_id, r.characteristic_id, r.stream_id, r.sample FROM reading r"
                " JOIN batch b ON b.id = r.batch_id WHERE b.state = 'accepted' ORDER BY 1, 2, 3, 4"
            )
        ]
    assert first.total == len(keys)
    expected: list[ReadingKey] = []
    draw = 0
    while len(expected) < 25:
        place = int(hashlib.sha256(f"2026-11/{draw}".encode()).hexdigest(), 16) % len(keys)
        draw += 1
        if keys[place] not in expected:
            expected.append(keys[place])
    assert [d.reading.key for d in first.drawn if d.reading is not None] == expected


def test_every_drawn_reading_leads_to_the_entry_that_accepted_it(auditor: Session) -> None:
    for drawn in audit.sample(auditor, 10, seed="1").drawn:
        assert drawn.reading is not None
        assert drawn.origin is not None
        with auditor.store.read() as conn:
            entry = lookups.trail_rows(conn, after=drawn.origin.trail_seq + 1, limit=1)[0]
        assert entry.what_table == "batch"
        assert entry.what_id == drawn.origin.batch_id


def test_a_sample_says_when_the_gauge_was_overdue(auditor: Session) -> None:
    """Compared with plain SQL: no good calibration covers the moment."""
    with auditor.store.read() as conn:
        overdue = {
            ReadingKey(*row)
            for row in conn.exec_driver_sql(
                "SELECT r.subject_id, r.characteristic_id, r.stream_id, r.sample FROM reading r"
                " JOIN condition k ON k.id = r.condition_id WHERE k.gauge_id IS NOT NULL AND NOT EXISTS"
                " (SELECT 1 FROM calibration c WHERE c.gauge_id = k.gauge_id AND c.verdict = 'good'"
                " AND r.at_us BETWEEN c.at_us AND c.due_us)"
            )
        }
    assert len(overdue) >= 15
    drawn = [d for d in audit.sample(auditor, 400, seed="2026-11").drawn if d.reading is not None]
    said = {d.reading.key for d in drawn if d.reading is not None and d.gauge_then == "overdue"}
    assert said == overdue & {d.reading.key for d in drawn if d.reading is not None}
    assert said


def test_a_seed_is_made_where_none_is_given(auditor: Session) -> None:
    first, second = audit.sample(auditor, 3), audit.sample(auditor, 3)
    assert first.seed != second.seed
    assert audit.sample(auditor, 3, seed=first.seed) == first
    assert len(audit.sample(auditor, 5, seed="1", kind="lots").drawn) == 5
    corrected = audit.sample(auditor, 5, seed="1", kind="corrections")
    assert (corrected.total, len(corrected.drawn)) == (1, 1)
    for count, kind in ((0, "lots"), (20_000, "lots"), (5, "moons")):
        with pytest.raises(UsageError):
            audit.sample(auditor, count, kind=kind)


def test_places_are_spread_evenly() -> None:
    """Chi-square of 20,000 draws over 10 places of 100,000: below the 99.9 % point, 27.88 (table of chi-square, 9 degrees)."""
    found = audit.places("seed", 100_000, 20_000)
    assert len(set(found)) == 20_000
    counts = [sum(1 for p in found if p // 10_000 == k) for k in range(10)]
    assert sum((n - 2_000) ** 2 / 2_000 for n in counts) < 27.88
    assert audit.places("seed", 3, 10) == tuple(dict.fromkeys(audit.places("seed", 3, 3)))
    assert audit.places("seed", 0, 10) == ()


# Clauses.


def test_each_clause_has_its_evidence(auditor: Session, tmp_path: Path) -> None:
    found = {c.clause: c for c in audit.clauses(auditor)}
    assert len(found) >= 34
    assert all(c.counts and c.subject and c.source for c in found.values())
    assert found["ISO 9001 8.5.2"].counts["lots"] == scalar(auditor, "SELECT count(*) FROM lot")
    assert found["IATF 16949 6.1.2.3"].counts == {"copies made": 0, "copies taken back": 0}
    archive.write(auditor, tmp_path / "archive")
    again = {c.clause: c for c in audit.clauses(auditor)}
    assert again["IATF 16949 7.5.3.2.1"].counts["archives made"] == 1
    with auditor.store.read() as conn:
        assert set(lookups.evidence_counts(conn, frozenset(lookups.COUNTED))) == set(lookups.COUNTED)


def test_the_map_is_edited(auditor: Session, tmp_path: Path) -> None:
    own = tmp_path / "own.csv"
    audit.write_map(own)
    with pytest.raises(Refused, match="there already"):
        audit.write_map(own)
    assert audit.clauses(auditor, own) == audit.clauses(auditor)
    own.write_text(
        "clause,subject,evidence,counts,source\nOur 1,ours,lots,lots + flags,own\n", encoding="utf-8"
    )
    assert [(c.clause, sorted(c.counts)) for c in audit.clauses(auditor, own)] == [
        ("Our 1", ["flags", "lots"])
    ]
    own.write_text("clause,subject,evidence,counts,source\nOur 1,x,x,moons,own\n", encoding="utf-8")
    with pytest.raises(FileRefused) as refused:
        audit.clauses(auditor, own)
    assert (refused.value.problems[0].row, refused.value.problems[0].column) == (2, "counts")
    own.write_text("clause;subject\n", encoding="utf-8")
    with pytest.raises(FileRefused, match="head line"):
        audit.clauses(auditor, own)
    with pytest.raises(FileRefused, match="cannot be read"):
        audit.clauses(auditor, tmp_path / "none.csv")


# Integrity.


def test_what_was_changed_or_late_is_counted(plant: Session) -> None:
    before = audit.integrity(plant)
    assert before.total("correction") == scalar(plant, "SELECT count(*) FROM correction")
    assert before.total("entered late") == scalar(plant, "SELECT count(*) FROM reading_entry WHERE late")
    assert before.typed == scalar(plant, "SELECT count(*) FROM reading_entry")
    corrections.correct_text(
        plant, "FM00050", "PULL", 1, reason="wrong part", second_badge="P-01", second_secret=SAMPLE_PIN
    )
    after = audit.integrity(plant)
    new = [r for r in after.rows if r not in before.rows]
    assert [(r.what, r.person, r.reason, r.n) for r in new] == [
        ("correction: void", "Sample quality engineer", "wrong part", 1)
    ]
    since = plant.store.clock() - DAY_US
    assert audit.integrity(plant, from_us=since).rows == tuple(new)
    assert audit.integrity(plant, until_us=since).rows == before.rows


# Retention.


def test_records_are_kept_to_the_end_of_the_year_of_the_longest_rule(plant: Session) -> None:
    """Zone Europe/Berlin: the year ends at 23:00 UTC. 15 years by the customer's profile after a lot of 2026: end of 2041."""
    found = retention.kept(plant, lot="FM00010")[0]
    assert "15 years by the profile" in found.rule
    assert plant.moment(found.until_us) == "2041-12-31 23:59"
    retention.set_rule(plant, 20, rule="safety parts", source="customer's letter", part="FM-2040")
    assert plant.moment(retention.kept(plant, lot="FM00010")[0].until_us) == "2046-12-31 23:59"
    retention.set_rule(plant, 3, rule="all", source="house rule")
    assert plant.moment(retention.kept(plant, lot="FM00010")[0].until_us) == "2046-12-31 23:59"
    assert trail.verify(plant.store).ok


def test_an_early_purge_is_refused(plant: Session, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(Refused, match="kept until 2041-12-31"):
        retention.check_purge(plant, "FM00010")
    monkeypatch.setattr(plant.store, "clock", lambda: 2_272_143_599_000_000)  # 2041-12-31 23:59:59 in Berlin
    with pytest.raises(Refused, match="kept until"):
        retention.check_purge(plant, "FM00010")
    monkeypatch.setattr(plant.store, "clock", lambda: 2_272_143_600_000_000)
    assert retention.check_purge(plant, "FM00010").may_purge
    with pytest.raises(Refused, match="the lot is on hold"):
        retention.check_purge(plant, "FM00053")
    containment.add(plant, "rack", "look", lot="FM00010")
    with pytest.raises(Refused, match="containment"):
        retention.check_purge(plant, "FM00010")


def test_without_a_rule_nothing_may_be_destroyed(small_plant: Any) -> None:
    session = small_plant.as_badge("Q-01")
    with small_plant.store.write(session.actor) as writer:
        for customer in lookups.customers(writer.conn):
            writer.update("customer", customer.id, {"retention_years": None}, act="profile changed")
    found = retention.kept(session, lot="FM00060")[0]
    assert (found.until_us, found.may_purge, found.why) == (None, False, "no rule of retention is set")
    retention.set_rule(session, 1, rule="short", source="test")
    small_plant.clock[0] += 5 * YEAR_US
    assert retention.kept(session, lot="FM00060")[0].why == "the lot is open"


def test_a_part_that_is_made_keeps_its_old_records(small_plant: Any) -> None:
    """One full calendar year after the newest lot of the part, whatever the rule says of the old one."""
    session = small_plant.as_badge("Q-01")
    with small_plant.store.write(session.actor) as writer:
        for customer in lookups.customers(writer.conn):
            writer.update("customer", customer.id, {"retention_years": 1}, act="profile changed")
    first, last = retention.kept(session)
    assert last.until_us is not None
    assert first.until_us == retention.end_of_year(session, last.last_us, 1)


@pytest.mark.parametrize(
    ("years", "rule", "source"), [(0, "x", "x"), (5, " ", "x"), (5, "x", ""), (300, "x", "x")]
)
def test_a_rule_needs_years_words_and_a_source(plant: Session, years: int, rule: str, source: str) -> None:
    with pytest.raises(UsageError):
        retention.set_rule(plant, years, rule=rule, source=source)
