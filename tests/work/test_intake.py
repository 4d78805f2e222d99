"""Files into the records on both databases: all or nothing, never twice, every problem located."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from qualrec.errors import FileRefused, Refused
from qualrec.intake.profiles import ValueColumn
from qualrec.records import lookups, registry, trail
from qualrec.work import intake
from qualrec.work.sample_files import locate
from qualrec.work.sample_plan import lot_start

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
    for said in (
        f"batch {session.short_id(first.batch_id)},",
        "tester_pulls.csv",
        "2026-10-29",
        "Sample quality engineer",
    ):
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


@pytest.mark.parametrize("bulk", [False, True])
def test_a_file_that_grows_while_it_is_read_is_not_taken(
    small_plant: Any, put: Callable[..., Path], monkeypatch: pytest.MonkeyPatch, bulk: bool
) -> None:
    """The digest would be that of the shorter file; the longer one would then come in a second time."""
    before = locate("welding_machine.csv").read_text(encoding="utf-8")
    path = put("\n".join(before.splitlines()[:-1]) + "\n", "cell.csv")
    monkeypatch.setattr(intake, "BULK_READINGS", 100 if bulk else 10_000)
    real, grown = intake.read_blocks, []

    def growing(*given: Any, **more: Any) -> Any:
        found = real(*given, **more)
        if not grown:
            grown.append(path.write_text(before, encoding="utf-8"))
        return found

    monkeypatch.setattr(intake, "read_blocks", growing)
    counts = small_plant.counts()
    with pytest.raises(FileRefused, match="was changed while it was read"):
        intake.take_file(small_plant.as_badge(), path, gauge=GAUGE)
    assert {t: n for t, n in small_plant.counts().items() if t in ("reading", "rollup", "flag")} == {
        t: counts[t] for t in ("reading", "rollup", "flag")
    }
    assert intake.take_file(small_plant.as_badge(), path, gauge=GAUGE).readings == 600
    assert trail.verify(small_plant.store).ok
