"""What leaves the house beside the submission, on both databases: certificate, label, weekly review, audit pack."""

from __future__ import annotations

import csv
import hashlib
import json
import math
import statistics
import zipfile
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from openpyxl import load_workbook

from qualrec.errors import Refused, UnknownRecord, UsageError
from qualrec.records import archive as records_archive
from qualrec.records import findings, lookups, registry, trail
from qualrec.records.models import metadata
from qualrec.values import NewReading
from qualrec.work import (
    archive,
    audit_pack,
    bench,
    certificate,
    containment,
    label,
    lot_life,
    lots,
    problems,
    review_week,
)
from qualrec.work.sample_plan import DAY_US, HOUR_US
from qualrec.work.target import find_target

LOT, OTHER = "FM00061", "FM00060"
PULLS = ("612.4", "598.1", "640.0", "655.5", "631.2")


@pytest.fixture
def plant(small_plant: Any) -> Any:
    """FM00061 with 480 parts, tested and good, one pull corrected, its flags closed. FM00060 owes everything."""
    session = small_plant.as_badge("T-01")
    with small_plant.store.write(session.actor) as writer:
        lot = lookups.lot(writer.conn, LOT)
        for code, value in (("TTP", 3.1), ("COL", 0.28)):
            c = lookups.characteristic(writer.conn, "FM-2040", code)
            writer.add_readings(
                [NewReading(lot.segment.id, c.id, value + 0.01 * i, lot.started_us + i) for i in range(5)]
            )
    log(small_plant, "U0061", "TRN", [f"{22.0 + 0.1 * i:.1f}" for i in range(20)])
    log(small_plant, LOT, "PULL", [*PULLS[:4], "62.12"], "parent material")
    with small_plant.store.write(session.actor) as writer:
        found = lookups.lot(writer.conn, LOT)
        registry.end_lot(writer, found.id, found.started_us + 10 * HOUR_US, expected_version=found.version)
        pull = lookups.characteristic(writer.conn, "FM-2040", "PULL")
        row = lookups.readings_of_lot(writer.conn, found.id, "PULL")[4]
        assert row.key.characteristic_id == pull.id
        writer.correct(row.key, kind="value", new_value=float(PULLS[4]), reason="digits lost")
    close_flags(small_plant)
    return small_plant


def log(plant: Any, name: str, code: str, values: list[str], mode: str | None = None) -> None:
    entries = [bench.Entry(value, mode=mode, again=value) for value in values]
    bench.log(plant.as_badge("T-01"), find_target(plant.as_badge("T-01"), name, code), entries)


def close_flags(plant: Any) -> None:
    with plant.store.read() as conn:
        held = [f for f in lookups.flags(conn, lot=LOT) if f.state != "closed"]
    for flag in held:
        lots.close_flag(plant.as_badge("Q-01"), flag.id, "=looked into")


def decide(plant: Any, kind: str, **more: Any) -> str:
    return lots.dispose(plant.as_badge("Q-01"), LOT, kind, reason="as agreed", **more)


def texts(path: Path) -> list[Any]:
    return [
        c.value
        for sheet in load_workbook(path)
        for row in sheet.iter_rows()
        for c in row
        if c.value is not None
    ]


def test_certificate_of_a_released_lot(plant: Any, tmp_path: Path) -> None:
    """Figures by the textbook from the values typed; digests worked out again from the records."""
    decide(plant, "release")
    lot_life.ship(plant.as_badge("Q-01"), LOT, quantity=100, document="DN-1")
    session = plant.as_badge("Q-01")
    head = trail.head(plant.store, 1)
    made = certificate.gather(session, LOT, language="de")
    pull = next(r for r in made.results if r.code == "PULL")
    values = [float(v) for v in PULLS]
    assert (pull.n, pull.low, pull.high, pull.lsl, pull.usl) == (5, min(values), max(values), 350.0, None)
    assert pull.mean == pytest.approx(statistics.fmean(values), rel=1e-12)
    assert pull.sd == pytest.approx(statistics.stdev(values), rel=1e-12)
    assert (pull.answer, pull.corrected, pull.void) == ("pass", 1, 0)
    assert made.modes == {"PULL": {"parent material": 5}}
    assert (made.covers, made.shipped, made.stands) == (480, 100, ())
    assert (made.trail_seq, made.trail_digest) == (head.seq, head.digest)
    assert [(s.meaning, s.covers) for s in made.signatures] == [("released", True)]
    flags = plant.rows("SELECT level, count(*) FROM flag WHERE lot_id = :lot GROUP BY level", lot=made.lot.id)
    assert made.flags == tuple(dict(flags).get(level, 0) for level in "HRI")
    for ending in (".xlsx", ".pdf"):
        done = certificate.make(session, LOT, tmp_path / f"c{ending}", language="de")
        assert done.digest == hashlib.sha256(done.path.read_bytes()).hexdigest()
        content = json.loads(
            plant.rows("SELECT content FROM trail WHERE act = 'certificate made' ORDER BY seq DESC")[0][0]
        )
        assert (content["sha256"], content["draft"], content["covers"]) == (done.digest, False, 480)
        with pytest.raises(Refused, match="already there"):
            certificate.make(session, LOT, done.path)
        certificate.make(session, LOT, done.path, language="de", replace=True)
    found = texts(tmp_path / "c.xlsx")
    assert {
        "Loszeugnis",
        "ERFUNDENE DATEN",
        LOT,
        "Grundwerkstoff",
        "freigegeben",
        480,
        made.signatures[0].digest,
    } <= set(found)
    assert any(
        isinstance(x, float) and math.isclose(x, statistics.fmean(values), rel_tol=1e-12) for x in found
    )
    assert {path.name for path in tmp_path.iterdir()} == {"c.xlsx", "c.pdf"}
    with pytest.raises(Refused, match="may not make certificates"):
        certificate.make(plant.as_badge("T-01"), LOT, tmp_path / "d.pdf")
    with pytest.raises(Refused, match="is no draft"):
        certificate.gather(session, LOT, draft=True)
    with pytest.raises(UsageError, match=r"must end in \.xlsx or \.pdf"):
        certificate.make(session, LOT, tmp_path / "c.doc")
    assert trail.verify(plant.store).ok


def test_no_certificate_of_a_lot_that_is_not_released(plant: Any, tmp_path: Path) -> None:
    session = plant.as_badge("Q-01")
    with pytest.raises(
        Refused, match=r"FM00060 is open\. A certificate is made of released parts only"
    ) as refused:
        certificate.make(session, OTHER, tmp_path / "c.pdf")
    assert "mandatory samples missing" in refused.value.message
    assert "--draft" in refused.value.remedy
    assert not list(tmp_path.iterdir())
    draft = certificate.make(session, OTHER, tmp_path / "draft.xlsx", draft=True)
    assert "DRAFT - NOT RELEASED" in texts(draft.path)
    assert plant.rows("SELECT count(*) FROM trail WHERE act = 'certificate made'") == [(0,)]
    with pytest.raises(UnknownRecord):
        certificate.gather(session, "FM0061")
    with pytest.raises(UsageError, match="no language"):
        certificate.gather(session, LOT, language="fr")
    decide(plant, "release", quantity=300)
    assert certificate.gather(session, LOT).covers == 300
    plant.clock[0] += HOUR_US
    log(plant, LOT, "PULL", ["402.0"], "interfacial")
    with pytest.raises(Refused, match="is on hold") as held:
        certificate.gather(session, LOT)
    assert "interfacial" in held.value.message
    lots.give_concession(session, LOT, "C-1", reason="customer agrees", quantity=180)
    decide(plant, "use as is", quantity=180)
    under = certificate.gather(session, LOT)
    assert [(c.reference, c.quantity) for c in under.concessions] == [("C-1", 180)]
    assert [(s.meaning, s.covers) for s in under.signatures] == [
        ("released", False),
        ("concession", True),
        ("concession", True),
    ]
    assert (under.lot.state, under.covers) == ("released under concession", 480)
    assert under.modes["PULL"] == {"interfacial": 1, "parent material": 5}
    plant.clock[0] += HOUR_US
    log(plant, LOT, "PULL", ["401.0"], "interfacial")
    with pytest.raises(Refused, match="interfacial"):
        certificate.gather(session, LOT)
    with pytest.raises(Refused, match="interfacial failure came up after"):
        lot_life.ship(session, LOT, quantity=1, concession="C-1")


def test_label_tells_state_date_and_person(small_plant: Any, tmp_path: Path) -> None:
    plant, session = small_plant, small_plant.as_badge("T-01")
    plant.clock[0] += HOUR_US
    log(plant, LOT, "PULL", ["402.0"], "interfacial")
    made = label.label(session, LOT)
    assert (made.state, made.quantity, made.since_us, made.by) == (
        "on hold",
        480,
        plant.clock[0],
        session.actor.name,
    )
    assert "interfacial failure" in made.why
    digest = label.write(session, LOT, tmp_path / "l.pdf")
    assert digest == hashlib.sha256((tmp_path / "l.pdf").read_bytes()).hexdigest()
    opened = label.label(session, OTHER, language="de")
    assert (opened.state_word, opened.quantity, opened.why) == ("OFFEN", 480, "")
    with pytest.raises(UsageError, match=r"must end in \.pdf"):
        label.write(session, LOT, tmp_path / "l.xlsx")
    plant.clock[0] += HOUR_US
    decide(plant, "scrap")
    gone = label.label(session, LOT)
    assert (gone.state, gone.since_us, gone.by) == (
        "scrapped",
        plant.clock[0],
        plant.as_badge("Q-01").actor.name,
    )
    assert gone.why == "scrap: as agreed"
    with pytest.raises(Refused, match="is scrapped") as refused:
        certificate.gather(plant.as_badge("Q-01"), LOT)
    assert "nothing to certify" in refused.value.remedy


def test_review_of_a_week(plant: Any, tmp_path: Path) -> None:
    """Counts by plain SQL; drift by its formula; what is owed, held, contained and overdue is there."""
    session = plant.as_badge("Q-01")
    with plant.store.read() as conn:
        lot = lookups.lot(conn, LOT)
    decide(plant, "release", quantity=80)
    log(plant, LOT, "PULL", ["402.0"], "interfacial")
    containment.add(session, "rack 7", "look", lot=LOT, quantity=3)
    problems.open_report(session, "Joint opens", lot=LOT, due={"D3": "2026-01-05"})
    at = datetime.fromtimestamp(lot.started_us / 1e6, UTC)
    year, week, _ = at.isocalendar()
    with plant.store.write(session.actor) as writer:
        ttp = lookups.characteristic(writer.conn, "FM-2040", "TTP")
        other = lookups.lot(writer.conn, OTHER)
        made = findings.store_limits(
            writer, ttp.id, chart="lot means", centre=3.0, sigma=0.05, lower=2.8, upper=3.2, estimator="given",
            from_us=other.started_us - DAY_US, used_lots=(other.id,), left_out=(),
        )  # fmt: skip
        findings.freeze_limits(writer, made, "trial of the review", None)
    found = review_week.gather(session, f"{year}-w{week}", capability=False)
    inside = {"a": found.from_us, "b": found.until_us}
    count = "SELECT count(*) FROM {} WHERE {} >= :a AND {} < :b"
    assert found.until_us - found.from_us in (7 * DAY_US - HOUR_US, 7 * DAY_US, 7 * DAY_US + HOUR_US)
    assert found.week == f"{year}-W{week:02d}"
    assert (
        found.readings
        == plant.rows(
            "SELECT count(*) FROM reading WHERE subject_id IN (SELECT s.id FROM lot_segment s JOIN lot o ON o.id = s.lot_id"
            " WHERE o.started_us >= :a AND o.started_us < :b)",
            **inside,
        )[0][0]
    )
    assert found.readings > 0
    assert found.welded == plant.rows(count.format("lot", "started_us", "started_us"), **inside)[0][0] > 0
    now = {"a": 0, "b": plant.clock[0] + 1}
    this = review_week.gather(session, capability=False)
    assert this.from_us <= plant.clock[0] < this.until_us
    assert len(this.opened) == plant.rows(count.format("flag", "opened_us", "opened_us"), **now)[0][0]
    assert len(this.closed) == plant.rows("SELECT count(*) FROM flag WHERE state = 'closed'")[0][0] > 0
    assert sum(this.standing) == plant.rows("SELECT count(*) FROM flag WHERE state <> 'closed'")[0][0] > 0
    assert [(h.lot.number, h.days) for h in this.held] == [(LOT, 0.0)]
    assert "interfacial failure (PULL)" in this.held[0].because
    drift = next(d for d in found.drift if d.code == "TTP")
    mean = statistics.fmean(3.1 + 0.01 * i for i in range(5))
    assert drift.mean == pytest.approx(mean, rel=1e-12)
    assert drift.shift == pytest.approx((mean - 3.0) / 0.05, rel=1e-9)
    assert (found.modes[0].pulls, found.modes[0].interfacial) == (6, 1)
    assert {d.lot_number for d in found.owed} == {OTHER}
    assert [c.place for c in found.containments] == ["rack 7"]
    assert [(p.next_step, p.overdue) for p in found.problems] == [("D0 Emergency response", ("D3",))]
    assert [(d.kind, d.quantity) for d in this.decided] == [("release", 80)]
    head = trail.head(plant.store, 1)
    assert this.anchor == f"1:{head.seq}:{head.digest}"
    assert any(i.what == "correction: value" for i in this.integrity)
    done = review_week.write(found, tmp_path / "r.xlsx")
    assert {found.anchor, "OVERDUE: 1"} <= {str(x).removeprefix("1, ") for x in texts(done.path)}
    assert "Capability" not in load_workbook(done.path).sheetnames
    review_week.write(review_week.gather(session, language="de", capability=False), tmp_path / "r.pdf")


def test_a_week_that_is_none(small_plant: Any) -> None:
    session = small_plant.as_badge()
    for text in ("2026-W54", "2026-W00", "W14", "14", "", "2025-W53", "2026-14"):
        with pytest.raises(UsageError):
            review_week.week_of(session, text)
    assert review_week.week_of(session, "2026-W53")[1].isoformat() == "2026-12-28"


def rows_of(path: Path) -> list[dict[str, str]]:
    """A CSV file as anybody reads it; the apostrophe before a text is taken away as the README of the pack says."""
    with path.open(encoding="utf-8", newline="") as file:
        found = list(csv.DictReader(file))
    return [{k: v.removeprefix("'") for k, v in row.items()} for row in found]


def test_audit_pack_is_whole_and_can_be_checked_by_anybody(plant: Any, tmp_path: Path) -> None:
    decide(plant, "release")
    session = plant.as_badge("A-01")
    report = problems.open_report(plant.as_badge("P-01"), "=Joint opens", lot=LOT).split()[2]
    log(plant, OTHER, "PULL", ["598.0"], "parent material")
    made = audit_pack.write(session, LOT, tmp_path / "pack")
    folder = made.path
    assert archive.check(folder).ok
    assert made.entries_wrong == ()
    tables = {path.stem: rows_of(path) for path in folder.glob("*.csv")}
    with plant.store.read() as conn:
        lot = lookups.lot(conn, LOT)
    subjects = {str(s.id) for s in lot.segments} | {str(lot.segment.upper.id), str(lot.segment.lower.id)}
    assert {row["subject_id"] for row in tables["reading"]} <= subjects
    assert len(tables["reading"]) == 35
    assert [row["number"] for row in tables["problem_report"]] == [report]
    assert len(tables["correction"]) == 1
    assert {
        row["value_that_counts"] for row in tables["readings_in_words"] if row["characteristic"] == "PULL"
    } == {str(float(v)) for v in PULLS}
    # Nothing that a row names is missing.
    for name, rows in tables.items():
        for key in metadata.tables[name].foreign_keys if name in metadata.tables else ():
            there = {row["id"] for row in tables.get(key.column.table.name, [])}
            assert {row[key.parent.name] for row in rows} - {""} <= there, (name, key.parent.name)
    # Each entry's digest by the rule that the README of the pack gives.
    fields = ("plant_id", "seq", "at_us", "person_id", "station_id")
    for row in tables["trail"]:
        listed = [None if row[f] == "" else int(row[f]) for f in fields]
        listed += [row["act"], row["what_table"], int(row["what_id"]), row["content"], row["previous"]]
        text = json.dumps(listed, separators=(",", ":"), ensure_ascii=False)
        assert hashlib.sha256(text.encode()).hexdigest() == row["digest"]
    acts = {row["act"] for row in tables["trail"]}
    assert {"lot opened", "lot: release", "problem report opened", "readings added"} & acts >= {
        "lot opened",
        "lot: release",
    }
    assert not any(
        row["what_table"] == "lot" and int(row["what_id"]) not in ids(tables["lot"])
        for row in tables["trail"]
    )
    assert "password" not in (folder / "person.csv").read_text(encoding="utf-8")
    assert "invented" in (folder / "README.txt").read_text(encoding="utf-8")
    assert "moulding lot U0061" in (folder / "trace.txt").read_text(encoding="utf-8")
    book = load_workbook(folder / "lot.xlsx")
    assert len(book.sheetnames) == 7
    assert not [c for sheet in book for row in sheet.iter_rows() for c in row if c.data_type == "f"]
    (folder / "lot.csv").write_text("changed", encoding="utf-8")
    assert [fault for fault in archive.check(folder).faults if "lot.csv" in fault]
    with pytest.raises(Refused, match="not an empty folder"):
        audit_pack.write(session, LOT, folder)
    with pytest.raises(Refused, match="may not"):
        audit_pack.write(plant.as_badge("T-01"), LOT, tmp_path / "other")
    assert not (tmp_path / "other").exists()
    assert plant.rows("SELECT count(*) FROM trail WHERE act = 'audit pack made'") == [(1,)]


def ids(rows: list[dict[str, str]]) -> set[int]:
    return {int(row["id"]) for row in rows}


def test_audit_pack_in_one_file(small_plant: Any, tmp_path: Path) -> None:
    session = small_plant.as_badge("A-01")
    made = audit_pack.write(session, OTHER, tmp_path / "pack.zip")
    with zipfile.ZipFile(made.path) as packed:
        assert packed.testzip() is None
        packed.extractall(tmp_path / "out")
    assert archive.check(tmp_path / "out" / "pack").ok
    manifest = (tmp_path / "out" / "pack" / records_archive.MANIFEST).read_bytes()
    assert hashlib.sha256(manifest).hexdigest() == made.manifest_sha256
    with pytest.raises(Refused, match="already there"):
        audit_pack.write(session, OTHER, made.path)
    with pytest.raises(UnknownRecord):
        audit_pack.write(session, "no such lot", tmp_path / "none.zip")
    assert {path.name for path in tmp_path.iterdir()} == {"pack.zip", "out"}


def test_a_changed_entry_is_named_in_the_pack(small_plant: Any, tmp_path: Path) -> None:
    """An entry that was changed behind the program's back: the pack is written, and says which one."""
    with small_plant.store.read() as conn:
        lot = lookups.lot(conn, LOT)
        held = {e.seq: e for e in lookups.trail_of(conn, "lot", lot.id)}
    seq = min(held)
    from qualrec.records import dossier

    real = dossier.entry_digest

    def broken(plant_id: int, number: int, *rest: Any) -> str:
        return "0" * 64 if number == seq else real(plant_id, number, *rest)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(dossier, "entry_digest", broken)
        made = audit_pack.write(small_plant.as_badge("A-01"), LOT, tmp_path / "pack")
    assert made.entries_wrong == (seq,)
    assert f"NOT SOUND: the digests of entries {seq} differ." in " ".join(audit_pack.sentences(made))
