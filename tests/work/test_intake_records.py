"""What an import makes beside readings: opened lots, conditions, flags, profiles; which segment and revision count."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from qualrec.errors import FileRefused, Refused, UnknownRecord, UsageError
from qualrec.intake.profile_text import to_toml
from qualrec.intake.profiles import ValueColumn
from qualrec.records import lookups, registry
from qualrec.values import NewReading, PullResult
from qualrec.work import intake, intake_job
from qualrec.work.profiles import known_profiles, profile_text, read_profile, save_profile
from qualrec.work.sample_files import locate
from qualrec.work.sample_plan import DAY_US, lot_start

HEAD = "lot,nest,specimen,tested_at,force,mode"
GAUGE = "PS-01"


def pull(
    lot: str = "FM00061", nest: str = "1", specimen: int = 1, force: str = "612.5", mode: str = "parent"
) -> str:
    return f"{lot},{nest},{specimen},2026-10-28T17:30:00Z,{force},{mode}"


def refused(call: Callable[[], object]) -> tuple[Any, ...]:
    with pytest.raises(FileRefused) as caught:
        call()
    assert "nothing of it was taken" in caught.value.message
    return caught.value.problems


# Lots to be opened.


def test_lots_are_opened_with_the_recipe_in_force(small_plant: Any, put: Any, plain: Any) -> None:
    lines = [
        HEAD,
        "N-2,1,1,2026-10-28T09:00:00Z,612.5,parent",
        "N-1,1,1,2026-10-28T08:00:00Z,600.0,parent",
        "N-1,1,2,2026-10-28T07:00:00Z,601.0,parent",
    ]
    session = small_plant.as_badge("T-01")
    path = put(lines)
    assert len(refused(lambda: intake.take_file(small_plant.as_badge("P-01"), path, profile=plain()))) == 2
    save_profile(small_plant.as_badge("P-01"), Path(plain()))
    taken = intake.take_file(session, path, profile="plain tester", part="FM-2040", open_lots=True)
    assert taken.new_lots == ("N-1", "N-2")
    assert any("Opened 2 lots of FM-2040: N-1, N-2." in s for s in taken.sentences)
    with small_plant.store.read() as conn:
        lot = lookups.lot(conn, "N-1")
        owed = {o.code: o.done for o in lot.owed if o.done}
    assert lot.started_us == 1_793_170_800_000_000  # 2026-10-28T07:00:00Z
    assert lot.segment.recipe is not None
    assert (lot.segment.recipe.code, lot.segment.upper) == ("RC-2040", None)
    assert sum(owed.values()) > 0


def test_a_file_with_a_problem_opens_no_lot(small_plant: Any, put: Any, plain: Any) -> None:
    before = small_plant.counts()
    lines = [HEAD, pull(lot="N-1"), pull(lot="N-1", specimen=2, force="?")]
    refused(
        lambda: intake.take_file(
            small_plant.as_badge(), put(lines), profile=plain(), part="FM-2040", open_lots=True
        )
    )
    assert small_plant.counts() == before


def test_what_is_needed_to_open_lots(small_plant: Any, put: Any, plain: Any) -> None:
    path = put([HEAD, pull(lot="N-1")])
    with pytest.raises(UsageError, match="part"):
        intake.take_file(small_plant.as_badge(), path, profile=plain(), open_lots=True)
    with pytest.raises(UsageError, match="Moulding lots are not opened"):
        intake.take_file(
            small_plant.as_badge(), locate("transmission_meter.txt"), part="FM-2040", open_lots=True
        )
    with pytest.raises(UnknownRecord):
        intake.take_file(small_plant.as_badge(), path, profile=plain(), part="FM-2041", open_lots=True)


def test_a_lot_of_another_part_than_named_is_refused(small_plant: Any, put: Any, plain: Any) -> None:
    (problem,) = refused(
        lambda: intake.take_file(small_plant.as_badge(), put([HEAD, pull()]), profile=plain(), part="VB-1310")
    )
    assert "is of FM-2040, not of VB-1310" in problem.message


# Conditions, revisions, segments, flags.


def test_a_gauge_that_is_not_clear_has_to_be_named(small_plant: Any) -> None:
    session = small_plant.as_badge()
    with pytest.raises(UsageError, match="PS-01, PS-02"):
        intake.take_file(session, locate("welding_machine.csv"))
    taken = intake.take_file(session, locate("welding_machine.csv"), gauge="PS-02", dry_run=True)
    assert "COL: gauge PS-02, as named." in taken.choices


def test_conditions_of_earlier_readings_are_taken_over(small_plant: Any, put: Any, plain: Any) -> None:
    session = small_plant.as_badge()
    with small_plant.store.write(session.actor) as writer:
        c = lookups.characteristic(writer.conn, "FM-2040", "PULL")
        known = registry.get_or_add_condition(
            writer,
            gauge_id=lookups.gauge(writer.conn, "PT-02").id,
            fixture="F-12",
            speed_mm_min=10.0,
        )
        segment = lookups.lot(writer.conn, "FM00060").segment.id
        writer.add_readings(
            [NewReading(segment, c.id, 600.0, 1, condition_id=known, pull=PullResult("cohesive"))]
        )
    taken = intake.take_file(session, put([HEAD, pull()]), profile=plain())
    assert "PULL: gauge PT-02, fixture F-12, speed 10 mm/min, as in its earlier readings." in taken.choices
    assert {row[0] for row in small_plant.rows("SELECT condition_id FROM reading")} == {known}


def test_the_revision_in_force_when_welded_judges(small_plant: Any, put: Any, plain: Any) -> None:
    session = small_plant.as_badge()
    with small_plant.store.write(session.actor) as writer:
        c = lookups.characteristic(writer.conn, "FM-2040", "PULL")
        registry.revise_characteristic(
            writer,
            c.id,
            change="Narrower range",
            valid_from_us=lot_start(61) - DAY_US,
            plausible_high=650.0,
            target=None,
        )
    lines = [HEAD, pull(lot="FM00060", force="700"), pull(lot="FM00061", force="700")]
    (problem,) = refused(lambda: intake.take_file(session, put(lines), profile=plain()))
    assert problem.row == 3
    assert "0 to 650 N" in problem.message


def test_a_reading_goes_to_the_segment_of_its_moment_or_of_its_serial(
    small_plant: Any, put: Any, plain: Any
) -> None:
    session = small_plant.as_badge()
    with small_plant.store.write(session.actor) as writer:
        lot = lookups.lot(writer.conn, "FM00061")
        station = lookups.station(writer.conn, "LW-2").id
        registry.add_segment(writer, lot.id, lot.started_us + 3_600_000_000, station_id=station)
    intake.take_file(session, locate("welding_machine.csv"), gauge=GAUGE)
    with small_plant.store.read() as conn:
        first, second = (s.id for s in lookups.lot(conn, "FM00061").segments)
    border = lot.started_us + 3_600_000_000
    wrong = "SELECT count(*) FROM reading WHERE (subject_id = :s) <> (at_us >= :at)"
    assert small_plant.rows(wrong, s=second, at=border) == [(0,)]
    by = plain(
        sample="", serial="serial", mode=None, stream=(), ignore=("nest", "mode"), revision=2,
        values=(ValueColumn("force", "ENERGY", "kJ"),),
    )  # fmt: skip
    lines = [
        HEAD.replace("specimen", "serial"),
        "FM00061,1,FM00061-0003,2026-10-29T09:00:00Z,0.7,x",
        "FM00061,1,new,2026-10-29T09:00:00Z,0.7,x",
    ]
    intake.take_file(session, put(lines), profile=by)
    found = small_plant.rows("SELECT subject_id FROM reading WHERE value = 700 ORDER BY subject_id")
    assert found == [(first,), (second,)]


def test_an_interfacial_pull_in_a_file_holds_the_lot(small_plant: Any, put: Any, plain: Any) -> None:
    taken = intake.take_file(
        small_plant.as_badge(), put([HEAD, pull(force="380", mode="interfacial")]), profile=plain()
    )
    (outcome,) = taken.judged
    assert (outcome.state, outcome.state_changed) == ("on hold", True)
    assert any("is now on hold" in s for s in taken.sentences)
    assert any("interfacial" in s for s in taken.sentences)
    with small_plant.store.read() as conn:
        assert lookups.lot(conn, "FM00061").state == "on hold"
        assert any(f.level == "H" for f in lookups.flags(conn, lot="FM00061"))


def test_a_judgement_that_fails_takes_the_readings_back(
    small_plant: Any, put: Any, plain: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = small_plant.counts()

    def broken(*given: Any) -> Any:
        raise Refused("Another station changed the lot.")

    monkeypatch.setattr(intake_job, "judge_and_store", broken)
    with pytest.raises(Refused, match="Another station"):
        intake.take_file(small_plant.as_badge(), put([HEAD, pull()]), profile=plain())
    assert small_plant.counts() == before


def test_a_dry_run_writes_nothing(small_plant: Any, put: Any, plain: Any) -> None:
    before = small_plant.counts()
    taken = intake.take_file(
        small_plant.as_badge(),
        put([HEAD, pull(lot="N-1", force="612.5")]),
        profile=plain(),
        part="FM-2040",
        open_lots=True,
        dry_run=True,
    )
    assert (taken.batch_id, taken.readings, taken.new_lots) == (None, 1, ("N-1",))
    assert taken.preview[0].stored == "612.5 N"
    assert any("Row 2: N-1 PULL sample 1, stream 1: 612.5 N, parent material" in s for s in taken.sentences)
    assert small_plant.counts() == before


# Profiles.


def test_profiles_are_records_with_revisions(small_plant: Any, put: Any, plain: Any, profile: Any) -> None:
    engineer, technician = small_plant.as_badge("P-01"), small_plant.as_badge("T-01")
    file, path = put([HEAD, pull()]), plain()
    with pytest.raises(Refused, match="define master data"):
        intake.take_file(technician, file, profile=path)
    assert small_plant.counts()["reading"] == 0
    assert "revision 1" in save_profile(engineer, Path(path))
    assert intake.take_file(technician, file).profile == "plain tester rev 1"
    assert "Nothing was added" in save_profile(engineer, Path(plain()))
    other = put([HEAD, pull(specimen=2)], "other.csv")
    with pytest.raises(Refused, match="another content"):
        intake.take_file(engineer, other, profile=plain(decimal_style="auto"))
    said = save_profile(engineer, Path(plain(ignore=("y",))))
    assert said == "Import profile 'plain tester' is stored, revision 2; it follows revision 1."
    said = save_profile(engineer, Path(plain(revision=3, ignore=("x",))))
    assert "revision 3" in said
    with small_plant.store.read() as conn:
        held = {p.name: p for p in known_profiles(conn, engineer.plant.id)}
    assert held["plain tester"] == profile(revision=3, ignore=("x",))
    assert read_profile(put(profile_text(engineer, "plain tester"), "again.toml")) == held["plain tester"]
    (used,) = small_plant.rows("SELECT profile_id FROM batch")
    assert small_plant.rows("SELECT id FROM import_profile WHERE revision = 1") == [used]


def test_a_stored_profile_wins_over_the_built_in_one_of_its_name(
    small_plant: Any, put: Any, profile: Any
) -> None:
    own = profile(name="pull bench", revision=2)
    save_profile(small_plant.as_badge("P-01"), put(to_toml(own), "own.toml"))
    with small_plant.store.read() as conn:
        held = {p.name: p for p in known_profiles(conn, small_plant.as_badge().plant.id)}
    assert held["pull bench"] == own
    assert held["weld cell"].revision == 1


def test_an_unknown_profile_is_said(small_plant: Any) -> None:
    with pytest.raises(UnknownRecord, match="no import profile 'x'"):
        intake.take_file(small_plant.as_badge(), locate("tester_pulls.csv"), profile="x")
    with pytest.raises(UsageError, match="cannot be read"):
        intake.take_file(small_plant.as_badge(), locate("tester_pulls.csv"), profile="none.toml")
