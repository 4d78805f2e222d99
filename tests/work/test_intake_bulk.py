"""Large machine files: the staged way gives the same records as the small one, refuses whole, and leaves nothing behind."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from qualrec.errors import ConnectionLost, FileRefused, Problem
from qualrec.intake import files
from qualrec.intake.import_blocks import BlockResolver
from qualrec.intake.importer import Resolver
from qualrec.intake.profile_text import to_toml
from qualrec.intake.profiles import WELD_CELL, ValueColumn
from qualrec.intake.rows import Problems
from qualrec.records import lookups, registry, trail
from qualrec.work import intake
from qualrec.work.intake_job import Job
from qualrec.work.sample_plan import lot_start

HEAD = "lot,serial,nest,welded_at,collapse_mm,path_time_s,energy_J,stopped_by"
STORED = (
    "SELECT l.number, s.position, c.code, coalesce(t.label, ''), r.sample, r.value, r.at_us, w.serial, g.code, k.stop_mode,"
    " b.kind, b.file_name, p.name"
    " FROM reading r JOIN batch b ON b.id = r.batch_id AND b.state = 'accepted'"
    " JOIN lot_segment s ON s.id = r.subject_id JOIN lot l ON l.id = s.lot_id"
    " JOIN characteristic c ON c.id = r.characteristic_id"
    " LEFT JOIN stream t ON t.id = r.stream_id AND r.stream_id <> 0"
    " LEFT JOIN welded_unit w ON w.subject_id = r.subject_id AND w.sample = r.sample"
    " LEFT JOIN condition k ON k.id = r.condition_id LEFT JOIN gauge g ON g.id = k.gauge_id"
    " LEFT JOIN import_profile p ON p.id = b.profile_id"
    " ORDER BY l.number, s.position, c.code, r.stream_id, r.sample"
)
SUMS = (
    "SELECT l.number, s.position, c.code, u.n, u.low, u.high, u.first, u.last FROM rollup u"
    " JOIN lot_segment s ON s.id = u.subject_id JOIN lot l ON l.id = s.lot_id"
    " JOIN characteristic c ON c.id = u.characteristic_id"
    " ORDER BY l.number, s.position, c.code, u.stream_id, u.condition_id, u.subgroup"
)
FLAGS = "SELECT l.number, f.kind, f.level, f.state FROM flag f JOIN lot l ON l.id = f.lot_id ORDER BY l.number, f.kind, f.id"


def machine_lines(
    count: int = 120, lots: tuple[str, ...] = ("FM00060", "FM00061"), seed: int = 5
) -> list[str]:
    """Parts of several lots in turn, so that lots and streams are mixed in a block."""
    rng = np.random.default_rng(seed)
    lines = [HEAD]
    for k in range(count):
        lot = lots[k // 3 % len(lots)]
        at = f"2026-10-28T{8 + k // 60:02d}:{k % 60:02d}:00+01:00"
        lines.append(
            f"{lot},{lot}-{k:05d},{k % 4 + 1},{at},{0.28 + rng.normal(0, 0.006):.3f},"
            f"{2.9 + rng.normal(0, 0.05):.2f},{580 + rng.normal(0, 9):.1f},path"
        )
    return lines


@pytest.fixture
def put(tmp_path: Path) -> Callable[..., Path]:
    def write(lines: list[str], name: str = "machine.csv") -> Path:
        path = tmp_path / name
        path.write_text("\n".join(lines) + "\n", encoding="utf-8", newline="")
        return path

    return write


@pytest.fixture
def staged(monkeypatch: pytest.MonkeyPatch) -> Callable[[], None]:
    """Makes every file a large one, read in several blocks."""

    def turn_on() -> None:
        monkeypatch.setattr(intake, "BULK_READINGS", 1)
        monkeypatch.setattr(files, "BLOCK_ROWS", 17)
        monkeypatch.setattr("qualrec.intake.fast.PIECE_BYTES", 1500)

    return turn_on


def take(plant: Any, path: Path, **given: Any) -> intake.Taken:
    return intake.take_file(plant.as_badge(), path, **{"gauge": "PS-01", **given})


def problems_of(call: Callable[[], object]) -> tuple[Problem, ...]:
    with pytest.raises(FileRefused) as caught:
        call()
    return caught.value.problems


def test_the_staged_way_gives_the_same_records_as_the_small_one(
    small_plant: Any, another_plant: Any, put: Any, staged: Any
) -> None:
    """Two lots in turn, one of them with two segments, readings in streams, a second file that is known in part."""
    profile = str(put([to_toml(WELD_CELL)], "cell.toml"))
    path, more = put(machine_lines()), put([HEAD, *machine_lines(150)[101:]], "more.csv")
    plants = (small_plant, another_plant())
    for way, plant in enumerate(plants):
        with plant.store.write(plant.as_badge().actor) as writer:
            lot = lookups.lot(writer.conn, "FM00061")
            station = lookups.station(writer.conn, "LW-2").id
            registry.add_segment(writer, lot.id, lot.started_us + 3_600_000_000, station_id=station)
        if way == 1:
            staged()
        first = take(plant, path, profile=profile)
        assert (first.readings, first.there, first.rows) == (360, 0, 120)
        assert first.counts == {"COL": 120, "TTP": 120, "ENERGY": 120}
        second = take(plant, more)
        assert (second.readings, second.there, set(second.lots)) == (90, 60, {"FM00060", "FM00061"})
        assert {o.number for o in second.judged} == {"FM00060", "FM00061"}
    stored = plants[0].rows(STORED)
    assert len(stored) == 450
    assert {row[1] for row in stored if row[0] == "FM00061"} == {1, 2}
    for query in (STORED, SUMS, FLAGS):
        assert plants[0].rows(query) == plants[1].rows(query)
    assert all(trail.verify(plant.store).ok for plant in plants)


def test_units_are_converted_alike(small_plant: Any, another_plant: Any, put: Any, staged: Any) -> None:
    columns = (ValueColumn("collapse_mm", "COL", "µm"), ValueColumn("path_time_s", "TTP", "min"))
    lines = [line.replace("energy_J,", "") for line in machine_lines(1)[:1]]
    rng = np.random.default_rng(8)
    for k in range(60):
        lines.append(
            f"FM00061,S{k},1,2026-10-28T08:{k:02d}:00Z,{280 + rng.normal(0, 6):.4f},{0.05 + k / 7000:.6f},path"
        )
    profile = str(
        put(
            [to_toml(type(WELD_CELL)(**{**fields_of(WELD_CELL), "name": "micro cell", "values": columns}))],
            "p.toml",
        )
    )
    plants = (small_plant, another_plant())
    take(plants[0], put(lines), profile=profile)
    staged()
    take(plants[1], put(lines), profile=profile)
    assert len(plants[0].rows(STORED)) == 120
    assert plants[0].rows(STORED) == plants[1].rows(STORED)


def fields_of(profile: Any) -> dict[str, Any]:
    return {name: getattr(profile, name) for name in profile.__slots__}


BAD = [
    (4, "0.28x", "not a number"),
    (9, "7.250", "outside what can be"),
    (30, "lot", "There is no lot"),
    (44, "nest", "no stream"),
    (61, "7.900", "outside what can be"),
]


def with_bad_rows() -> list[str]:
    lines = machine_lines()
    for row, what, _ in BAD:
        cells = lines[row - 1].split(",")
        place = {"lot": 0, "nest": 2}.get(what, 4)
        cells[place] = "9" if what == "nest" else "X-1" if what == "lot" else what
        lines[row - 1] = ",".join(cells)
    return lines


def test_both_ways_refuse_with_the_same_problems_and_leave_nothing(
    small_plant: Any, put: Any, staged: Any
) -> None:
    path, before = put(with_bad_rows()), small_plant.counts()
    small = problems_of(lambda: take(small_plant, path))
    assert small_plant.counts() == before
    assert [(p.row, w) for p, (_, _, w) in zip(small, BAD, strict=True) if w in p.message] == [
        (r, w) for r, _, w in BAD
    ]
    staged()
    assert problems_of(lambda: take(small_plant, path)) == small
    after = small_plant.counts()
    for table in ("reading", "welded_unit", "rollup", "flag", "lot"):
        assert after[table] == before[table]
    assert small_plant.rows("SELECT state FROM batch") == [("refused",)]
    checked = intake.check_file(small_plant.as_badge(), path, gauge="PS-01")
    assert checked.problems == small
    assert small_plant.counts() == after


def test_a_clash_with_what_is_stored_names_its_row(small_plant: Any, put: Any, staged: Any) -> None:
    staged()
    lines = machine_lines()
    take(small_plant, put(lines))
    before = small_plant.rows(STORED)
    cells = lines[70].split(",")
    cells[5] = "3.99"
    found = problems_of(lambda: take(small_plant, put([*lines[:70], ",".join(cells)], "b.csv")))
    assert [(p.row, p.column) for p in found] == [(71, "path_time_s")]
    assert "the file has 3.99 s" in found[0].message
    assert small_plant.rows(STORED) == before


def test_progress_is_told(small_plant: Any, put: Any, staged: Any) -> None:
    staged()
    told: list[str] = []
    take(small_plant, put(machine_lines()), progress=told.append)
    assert told[-1] == "machine.csv: 120 rows read"
    assert len(told) > 2


def test_the_same_readings_again_add_nothing(small_plant: Any, put: Any, staged: Any) -> None:
    staged()
    lines = machine_lines()
    first = take(small_plant, put(lines))
    before = small_plant.rows(STORED)
    again = take(small_plant, put(lines, "copy.csv"))
    assert again.already
    assert again.batch_id == first.batch_id
    other = take(small_plant, put([lines[0], *reversed(lines[1:])], "turned.csv"))
    assert (other.batch_id, other.readings, other.there) == (None, 0, 360)
    assert small_plant.rows(STORED) == before


def test_lots_are_opened_alike(small_plant: Any, another_plant: Any, put: Any, staged: Any) -> None:
    path = put(machine_lines(90, ("N-1", "FM00061", "N-2")))
    plants = (small_plant, another_plant())
    query = "SELECT number, started_us, state, remark FROM lot ORDER BY number"
    for way, plant in enumerate(plants):
        if way == 1:
            staged()
        taken = take(plant, path, part="FM-2040", open_lots=True)
        assert taken.new_lots == ("N-1", "N-2")
    assert plants[0].rows(query) == plants[1].rows(query)
    assert plants[0].rows(STORED) == plants[1].rows(STORED)
    assert ("N-1", lot_start(61) + 1_800_000_000) in [row[:2] for row in plants[1].rows(query)]


def test_a_large_file_with_a_problem_opens_no_lot(small_plant: Any, put: Any, staged: Any) -> None:
    staged()
    before = small_plant.counts()
    lines = [*machine_lines(40, ("N-1", "N-2")), "N-1,z,1,2026-10-28T10:00:00Z,?,2.9,580,path"]
    problems_of(lambda: take(small_plant, put(lines), part="FM-2040", open_lots=True))
    assert small_plant.counts() == before


def test_a_dry_run_of_a_large_file_writes_nothing(small_plant: Any, put: Any, staged: Any) -> None:
    staged()
    before = small_plant.counts()
    taken = take(
        small_plant, put(machine_lines(40, ("N-1", "FM00061"))), part="FM-2040", open_lots=True, dry_run=True
    )
    assert (taken.batch_id, taken.readings, taken.new_lots) == (None, 120, ("N-1",))
    assert len(taken.preview) == 10
    assert taken.preview[0].stored
    assert small_plant.counts() == before


def test_many_pulls_are_staged_too(small_plant: Any, another_plant: Any, put: Any, staged: Any) -> None:
    """A file that is read row by row: failure modes and samples by number."""
    from qualrec.work.sample_files import locate

    query = (
        "SELECT r.sample, r.stream_id = 0, r.value, p.mode, p.tear_pct, p.displacement_mm FROM reading r"
        " JOIN pull p ON p.subject_id = r.subject_id AND p.characteristic_id = r.characteristic_id"
        " AND p.stream_id = r.stream_id AND p.sample = r.sample ORDER BY r.sample"
    )
    intake.take_file(small_plant.as_badge(), locate("tester_pulls.csv"))
    other = another_plant()
    staged()
    taken = intake.take_file(other.as_badge(), locate("tester_pulls.csv"))
    assert taken.readings == 5
    assert small_plant.rows(query) == other.rows(query)
    assert len(other.rows(query)) == 5


def test_blocks_give_the_drafts_of_the_rows(small_plant: Any, put: Any, staged: Any) -> None:
    """Without the store's own numbering: subject, characteristic, stream, value, moment and serial of every reading."""
    staged()
    path, plant_id = put(with_bad_rows()), small_plant.as_badge().plant.id
    with small_plant.store.read() as conn:
        noted, told = Problems(), Problems()
        rows = Resolver(conn, plant_id, WELD_CELL, path.name, noted)
        read = files.read_file(path, WELD_CELL, plant_zone="Europe/Berlin")
        drafts = [d.reading for row in read.rows if (d := rows.draft(row)) is not None]
        blocks = BlockResolver(Resolver(conn, plant_id, WELD_CELL, path.name, told), lambda c: 0)
        cut = files.read_blocks(path, WELD_CELL, plant_zone="Europe/Berlin")
        pieces = [piece for block in cut.blocks for piece in blocks.columns(block)]
    by_row = sorted(
        (d.subject_id, d.characteristic_id, d.stream_id, d.value, d.at_us, d.serial) for d in drafts
    )
    by_block = sorted(
        reading
        for p in pieces
        if p.stream_id is not None and p.serials is not None
        for reading in zip(
            p.subject_id.tolist(),
            p.characteristic_id.tolist(),
            p.stream_id.tolist(),
            p.value.tolist(),
            p.at_us.tolist(),
            p.serials,
            strict=True,
        )
    )
    assert by_row == by_block
    assert by_row
    assert sorted(map(str, noted.kept)) == sorted(map(str, told.kept))


def test_lots_that_a_stopped_program_left_unjudged_are_judged_when_the_file_is_given_again(
    small_plant: Any, put: Callable[..., Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A limit is exceeded in both lots; the program stops after the readings count and the first lot was judged."""
    monkeypatch.setattr(intake, "BULK_READINGS", 50)
    lines = machine_lines(60)
    path = put(
        [HEAD, *(line.replace(",0.2", ",1.2").replace(",0.3", ",1.3") for line in lines[1:])], "cell.csv"
    )
    real, judged = Job.judge, []

    def stopping(job: Job, writer: Any, names: Any) -> Any:
        if judged:
            raise ConnectionLost("The connection was lost.")
        judged.append(names)
        return real(job, writer, names)

    session = small_plant.as_badge()
    with monkeypatch.context() as lost:
        lost.setattr(Job, "judge", stopping)
        with pytest.raises(ConnectionLost):
            intake.take_file(session, path, gauge="PS-01")
    states = "SELECT number, state FROM lot ORDER BY number"
    assert sorted(state for _, state in small_plant.rows(states)) == ["on hold", "open"]
    checked = intake.check_file(session, path, gauge="PS-01")
    assert checked.already
    assert not checked.judged
    again = intake.take_file(session, path, gauge="PS-01")
    assert again.already
    assert "2 lots judged now" in again.sentences[-1]
    assert [state for _, state in small_plant.rows(states)] == ["on hold", "on hold"]
    counts = small_plant.counts()
    third = intake.take_file(session, path, gauge="PS-01")
    assert third.already
    assert not third.judged
    assert small_plant.counts() == counts
    assert trail.verify(small_plant.store).ok
