"""Files into the records on both databases: all or nothing, never twice, every problem located."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from qualrec.errors import FileRefused, Refused, UnknownRecord, UsageError
from qualrec.intake.profile_text import to_toml
from qualrec.intake.profiles import PULL_BENCH, Profile, TimeColumns, ValueColumn
from qualrec.records import lookups, registry, trail
from qualrec.work import intake, intake_job
from qualrec.work.profiles import known_profiles, profile_text, read_profile, save_profile
from qualrec.work.sample_files import locate
from qualrec.work.sample_plan import DAY_US, lot_start

HEAD = "lot,nest,specimen,tested_at,force,mode"
GAUGE = "PS-01"


def profile(**changes: Any) -> Profile:
    """A tester without units and words of its own: point, comma as delimiter."""
    given: dict[str, Any] = {
        "name": "plain tester",
        "revision": 1,
        "kind": "tester",
        "delimiter": "comma",
        "encoding": "utf-8",
        "decimal_style": "point",
        "lot": "lot",
        "sample": "specimen",
        "stream": ("nest",),
        "time": TimeColumns(("tested_at",), "iso"),
        "values": (ValueColumn("force", "PULL", "N", pull=True),),
        "mode": type(PULL_BENCH.mode)("mode", PULL_BENCH.mode.words),  # type: ignore[misc, union-attr]
    }
    return Profile(**{**given, **changes})


@pytest.fixture
def put(tmp_path: Path) -> Callable[..., Path]:
    def write(content: str | list[str], name: str = "file.csv") -> Path:
        path = tmp_path / name
        text = content if isinstance(content, str) else "\n".join(content) + "\n"
        path.write_text(text, encoding="utf-8", newline="")
        return path

    return write


@pytest.fixture
def plain(put: Callable[..., Path]) -> Callable[..., str]:
    """Path of a profile as TOML."""

    def write(**changes: Any) -> str:
        return str(put(to_toml(profile(**changes)), "profile.toml"))

    return write


def pull(
    lot: str = "FM00061", nest: str = "1", specimen: int = 1, force: str = "612.5", mode: str = "parent"
) -> str:
    return f"{lot},{nest},{specimen},2026-10-28T17:30:00Z,{force},{mode}"


def refused(call: Callable[[], object]) -> tuple[Any, ...]:
    with pytest.raises(FileRefused) as caught:
        call()
    assert "nothing of it was taken" in caught.value.message
    return caught.value.problems


# Sample files.


def test_pulls_are_stored_as_the_file_says(small_plant: Any) -> None:
    taken = intake.take_file(small_plant.as_badge(), locate("tester_pulls.csv"))
    assert (taken.readings, taken.rows, taken.lots, taken.there) == (5, 5, ("FM00061",), 0)
    with small_plant.store.read() as conn:
        rows = lookups.readings_of_lot(conn, lookups.lot(conn, "FM00061").id, "PULL")
    text = locate("tester_pulls.csv").read_text(encoding="utf-8").splitlines()[6:11]
    expected = [
        (cells[2], int(cells[1]), float(cells[5].replace(".", "").replace(",", ".")))
        for cells in csv.reader(text, delimiter=";")
    ]
    assert [(r.stream, r.key.sample, r.value) for r in rows] == expected
    assert [r.pull.mode for r in rows if r.pull] == [
        "parent material",
        "parent material",
        "cohesive",
        "mixed",
        "parent material",
    ]
    mixed = rows[3].pull
    assert mixed is not None
    assert (mixed.interfacial_pct, mixed.cohesive_pct, mixed.tear_pct, mixed.parent_pct) == (0, 60, 10, 30)
    assert {r.gauge for r in rows} == {"PT-02"}
    assert {(r.source, r.file_name) for r in rows} == {("file", "tester_pulls.csv")}
    assert any("gauge PT-02, the only gauge in use for pull force" in s for s in taken.sentences)
    assert [o.number for o in taken.judged] == ["FM00061"]


def test_transmissions_hang_on_the_moulding_lot_and_judge_its_lots(small_plant: Any) -> None:
    taken = intake.take_file(small_plant.as_badge(), locate("transmission_meter.txt"))
    assert (taken.readings, taken.lots) == (20, ("U0061",))
    assert [o.number for o in taken.judged] == ["FM00060", "FM00061"]
    with small_plant.store.read() as conn:
        moulding = lookups.moulding_lot(conn, "U0061")
        rows = lookups.readings_of_moulding_lot(conn, moulding.id)
        condition = lookups.condition(conn, rows[0].condition_id)
    assert {r.stream for r in rows} == {"1", "2", "3", "4"}
    assert (condition.gauge, condition.wavelength_nm, condition.thickness_mm, condition.position) == (
        "TM-01",
        980.0,
        1.5,
        "weld track",
    )


def test_every_part_of_the_welder_is_kept_with_its_serial(small_plant: Any) -> None:
    taken = intake.take_file(small_plant.as_badge(), locate("welding_machine.csv"), gauge=GAUGE)
    assert taken.counts == {"COL": 200, "TTP": 200, "ENERGY": 200}
    with locate("welding_machine.csv").open(encoding="ascii", newline="") as text:
        lines = list(csv.DictReader(text))
    with small_plant.store.read() as conn:
        lot = lookups.lot(conn, "FM00061")
        for code, column in (("COL", "collapse_mm"), ("TTP", "path_time_s"), ("ENERGY", "energy_J")):
            rows = lookups.readings_of_lot(conn, lot.id, code)
            assert {(r.serial, r.stream, r.value) for r in rows} == {
                (x["serial"], x["nest"], float(x[column])) for x in lines
            }
    assert {r.source for r in rows} == {"machine"}
    assert trail.verify(small_plant.store).ok


# Never twice.


def test_a_file_given_twice_adds_nothing_and_says_so(small_plant: Any, put: Callable[..., Path]) -> None:
    session = small_plant.as_badge()
    first = intake.take_file(session, locate("tester_pulls.csv"))
    before = small_plant.counts()
    copy = put(locate("tester_pulls.csv").read_text(encoding="utf-8").replace("\n", "\r\n"), "copy.csv")
    copy.write_bytes(locate("tester_pulls.csv").read_bytes())
    again = intake.take_file(small_plant.as_badge("T-01"), copy)
    assert again.already
    assert (again.batch_id, again.readings) == (first.batch_id, 0)
    sentence = again.sentences[0]
    for said in (str(first.batch_id), "tester_pulls.csv", "2026-10-29", "Sample quality engineer"):
        assert said in sentence
    assert small_plant.counts() == before


def test_the_same_readings_in_another_file_add_nothing(small_plant: Any) -> None:
    session = small_plant.as_badge()
    intake.take_file(session, locate("tester_pulls.csv"))
    before = small_plant.counts()
    taken = intake.take_file(
        session, locate("tester_pulls.xlsx"), profile=str(locate("tester_workbook_profile.toml"))
    )
    assert (taken.batch_id, taken.there, taken.readings) == (None, 5, 0)
    assert "all 5 readings are there already" in taken.sentences[0]
    assert small_plant.counts() == before


def test_the_workbook_gives_the_same_readings_as_the_text(small_plant: Any, another_plant: Any) -> None:
    query = "SELECT sample, stream_id, value, at_us, mode FROM reading NATURAL JOIN pull ORDER BY sample, stream_id"
    intake.take_file(small_plant.as_badge(), locate("tester_pulls.csv"))
    other = another_plant()
    intake.take_file(
        other.as_badge(), locate("tester_pulls.xlsx"), profile=str(locate("tester_workbook_profile.toml"))
    )
    assert small_plant.rows(query) == other.rows(query)
    assert len(other.rows(query)) == 5


def test_only_what_is_new_is_added(small_plant: Any, put: Any, plain: Any) -> None:
    session, by = small_plant.as_badge(), plain()
    intake.take_file(session, put([HEAD, pull(specimen=1)], "a.csv"), profile=by)
    taken = intake.take_file(session, put([HEAD, pull(specimen=1), pull(specimen=2)], "b.csv"), profile=by)
    assert (taken.readings, taken.there) == (1, 1)
    assert small_plant.counts()["reading"] == 2


@pytest.mark.parametrize(
    "changed, said", [(pull(force="621.5"), "612.5 N"), (pull(mode="cohesive"), "cohesive")]
)
def test_another_value_or_mode_refuses_with_its_row(
    small_plant: Any, put: Any, plain: Any, changed: str, said: str
) -> None:
    session, by = small_plant.as_badge(), plain()
    intake.take_file(session, put([HEAD, pull()], "a.csv"), profile=by)
    before = small_plant.counts()
    file = put([HEAD, pull(specimen=2), changed], "b.csv")
    (problem,) = refused(lambda: intake.take_file(session, file, profile=by))
    assert (problem.file, problem.row, problem.column) == ("b.csv", 3, "force")
    assert "Sample 1 is stored with" in problem.message
    assert said in problem.message
    assert small_plant.counts() == before


def test_a_corrected_reading_is_still_the_same_reading(small_plant: Any, put: Any, plain: Any) -> None:
    session, by = small_plant.as_badge(), plain()
    intake.take_file(session, put([HEAD, pull()], "a.csv"), profile=by)
    with small_plant.store.write(session.actor) as writer:
        (row,) = lookups.readings_of_lot(writer.conn, lookups.lot(writer.conn, "FM00061").id)
        writer.correct(row.key, kind="value", new_value=600.0, reason="Read again from the slip")
    taken = intake.take_file(session, put([HEAD, pull(), pull(specimen=2)], "b.csv"), profile=by)
    assert (taken.readings, taken.there) == (1, 1)


def test_another_station_takes_the_same_readings_meanwhile(
    small_plant: Any, put: Any, plain: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    session, by = small_plant.as_badge(), plain()
    checked, other = intake._check, put([HEAD, pull(force="700.0")], "other.csv")

    def overtaken(*given: Any) -> Any:
        found = checked(*given)
        monkeypatch.setattr(intake, "_check", checked)
        intake.take_file(session, other, profile=by)
        return found

    monkeypatch.setattr(intake, "_check", overtaken)
    (problem,) = refused(lambda: intake.take_file(session, put([HEAD, pull()], "a.csv"), profile=by))
    assert problem.row == 2
    assert small_plant.rows("SELECT value FROM reading") == [(700.0,)]


# Bad input.


@pytest.mark.parametrize(
    "line, column, said",
    [
        (pull(lot="FM00016"), "lot", "Did you mean FM0006"),
        (pull(lot="fm00061"), "lot", "There is no lot 'fm00061'"),
        (pull(force="6l2.5"), "force", "not a number"),
        (pull(force='"612,5"'), "force", "not a number"),
        (pull(force="6125"), "force", "outside what can be (0 to 5000 N)"),
        (pull(force="-3"), "force", "outside what can be"),
        (pull(nest="5"), "nest", "Streams: 1, 2, 3, 4."),
        (pull(mode="torn"), "mode", "not one of"),
    ],
)
def test_a_bad_cell_refuses_the_whole_file(
    small_plant: Any, put: Any, plain: Any, line: str, column: str, said: str
) -> None:
    session, by, before = small_plant.as_badge(), plain(), small_plant.counts()
    file = put([HEAD, pull(specimen=7), line, pull(specimen=8)])
    (problem,) = refused(lambda: intake.take_file(session, file, profile=by))
    assert (problem.file, problem.row, problem.column) == ("file.csv", 3, column)
    assert said in problem.message
    assert small_plant.counts() == before
    checked = intake.check_file(session, file, profile=by)
    assert checked.problems == (problem,)
    assert small_plant.counts() == before


def test_the_sample_file_with_a_letter_in_a_number_is_refused(small_plant: Any) -> None:
    (problem,) = refused(lambda: intake.take_file(small_plant.as_badge(), locate("tester_pulls_bad.csv")))
    assert (problem.file, problem.row, problem.column) == ("tester_pulls_bad.csv", 8, "Peak force")


def test_problems_of_reading_and_of_records_come_in_the_order_of_rows(
    small_plant: Any, put: Any, plain: Any
) -> None:
    lines = [HEAD, pull(lot="X1"), pull(force="?"), pull(lot="X2"), pull(lot="X1", specimen=2)]
    found = refused(lambda: intake.take_file(small_plant.as_badge(), put(lines), profile=plain()))
    assert [(p.row, p.column) for p in found] == [(2, "lot"), (3, "force"), (4, "lot")]


def test_units_are_converted(small_plant: Any, put: Any, plain: Any) -> None:
    by = plain(values=(ValueColumn("force", "PULL", "kN", pull=True),))
    lines = [HEAD, pull(force="0.6125"), pull(force="0.45", specimen=2)]
    intake.take_file(small_plant.as_badge(), put(lines), profile=by)
    assert small_plant.rows("SELECT value FROM reading ORDER BY sample") == [(612.5,), (450.0,)]


def test_a_unit_of_another_quantity_is_refused_once(small_plant: Any, put: Any, plain: Any) -> None:
    by = plain(values=(ValueColumn("force", "PULL", "mm", pull=True),))
    lines = [HEAD, pull(), pull(specimen=2)]
    (problem,) = refused(lambda: intake.take_file(small_plant.as_badge(), put(lines), profile=by))
    assert (problem.row, problem.column) == (2, "force")
    assert "length (mm), PULL is kept in N" in problem.message


def test_decimal_commas(small_plant: Any, put: Any, plain: Any) -> None:
    lines = [line.replace(",", ";").replace(".", ",") for line in (HEAD, pull(force="612.5"))]
    intake.take_file(
        small_plant.as_badge(), put(lines), profile=plain(delimiter="semicolon", decimal_style="comma")
    )
    assert small_plant.rows("SELECT value FROM reading") == [(612.5,)]


def test_without_a_stated_style_plausibility_decides_or_the_number_is_refused(
    small_plant: Any, put: Any, plain: Any
) -> None:
    """1.234 N and 1234 N can both be a pull; 6.123 N can be one, 6123 N cannot."""
    by, session = plain(decimal_style="auto"), small_plant.as_badge()
    (problem,) = refused(lambda: intake.take_file(session, put([HEAD, pull(force="1.234")]), profile=by))
    assert (problem.row, problem.column) == (2, "force")
    taken = intake.take_file(session, put([HEAD, pull(force="6.123")]), profile=by)
    assert small_plant.rows("SELECT value FROM reading") == [(6.123,)]
    assert taken.notes


def test_a_profile_of_lots_does_not_fit_a_characteristic_of_moulding_lots(
    small_plant: Any, put: Any, plain: Any
) -> None:
    by = plain(values=(ValueColumn("force", "TRN", "%"),), mode=None, ignore=("mode",))
    (problem,) = refused(
        lambda: intake.take_file(small_plant.as_badge(), put([HEAD, pull(force="24")]), profile=by)
    )
    assert "is measured on a moulding lot; the file names a lot" in problem.message


def test_a_strength_needs_its_failure_mode(small_plant: Any, put: Any, plain: Any) -> None:
    by = plain(values=(ValueColumn("force", "PULL", "N"),), mode=None, ignore=("mode",))
    (problem,) = refused(lambda: intake.take_file(small_plant.as_badge(), put([HEAD, pull()]), profile=by))
    assert "needs the failure mode" in problem.message


@pytest.mark.parametrize("lines, said", [([HEAD], "no data"), ([HEAD, "Mean,,,,612,"], "no reading")])
def test_a_file_without_readings_is_refused(
    small_plant: Any, put: Any, plain: Any, lines: list[str], said: str
) -> None:
    by = plain(stop_words=("Mean",))
    (problem,) = refused(lambda: intake.take_file(small_plant.as_badge(), put(lines), profile=by))
    assert said in problem.message


def test_an_auditor_takes_nothing_in(small_plant: Any) -> None:
    with pytest.raises(Refused, match="may not take files in"):
        intake.take_file(small_plant.as_badge("A-01"), locate("tester_pulls.csv"))


def test_counts_are_whole(small_plant: Any, put: Any, plain: Any) -> None:
    with small_plant.store.write(small_plant.as_badge().actor) as writer:
        part = lookups.part(writer.conn, "VB-1310")
        registry.add_lot(writer, "VB00001", part.id, lot_start(61))
    by = plain(values=(ValueColumn("force", "LEAK", "count"),), mode=None, ignore=("mode", "nest"), stream=())
    session = small_plant.as_badge()
    (problem,) = refused(
        lambda: intake.take_file(session, put([HEAD, pull(lot="VB00001", force="1.5")]), profile=by)
    )
    assert "1.5 is not a count" in problem.message
    intake.take_file(session, put([HEAD, pull(lot="VB00001", force="2")]), profile=by)
    assert small_plant.rows("SELECT value, stream_id FROM reading") == [(2.0, 0)]


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
        from qualrec.values import NewReading, PullResult

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


def test_profiles_are_records_with_revisions(small_plant: Any, put: Any, plain: Any) -> None:
    engineer, technician = small_plant.as_badge("P-01"), small_plant.as_badge("T-01")
    file, path = put([HEAD, pull()]), plain()
    with pytest.raises(Refused, match="define master data"):
        intake.take_file(technician, file, profile=path)
    assert small_plant.counts()["reading"] == 0
    assert "revision 1" in save_profile(engineer, Path(path))
    assert intake.take_file(technician, file).profile == "plain tester rev 1"
    with pytest.raises(Refused, match="another content"):
        save_profile(engineer, Path(plain(ignore=("x",))))
    save_profile(engineer, Path(plain(revision=3, ignore=("x",))))
    with pytest.raises(Refused, match="at revision 3 already"):
        save_profile(engineer, Path(plain(revision=2)))
    with small_plant.store.read() as conn:
        held = {p.name: p for p in known_profiles(conn, engineer.plant.id)}
    assert held["plain tester"] == profile(revision=3, ignore=("x",))
    assert read_profile(put(profile_text(engineer, "plain tester"), "again.toml")) == held["plain tester"]
    (used,) = small_plant.rows("SELECT profile_id FROM batch")
    assert small_plant.rows("SELECT id FROM import_profile WHERE revision = 1") == [used]


def test_a_stored_profile_wins_over_the_built_in_one_of_its_name(small_plant: Any, put: Any) -> None:
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
