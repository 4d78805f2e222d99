"""Large imports: staged, accepted, refused, given up, cleared."""

from __future__ import annotations

import subprocess
import sys
import textwrap
from typing import Any

import numpy as np
import pytest

from qualrec.errors import FileRefused, Refused, UnknownRecord, UsageError
from qualrec.records import bulk, clearing
from qualrec.records.bulk import BulkImport, NewColumns
from qualrec.records.clearing import clear_staged

COUNTS = "SELECT (SELECT count(*) FROM reading), (SELECT count(*) FROM rollup), (SELECT count(*) FROM pull)"
SUMS = "SELECT * FROM rollup ORDER BY 1, 2, 3, 4, 5"


def columns(site: Any, n: int, *, lot: int = 0, seed: int = 1, **more: Any) -> NewColumns:
    rng = np.random.default_rng(seed)
    return NewColumns(
        np.full(n, site.segments[lot]),
        np.full(n, site.collapse),
        rng.normal(0.5, 0.05, n),
        np.arange(n) + 86_400_000_000,
        **more,
    )


def take(site: Any, *parts: Any, **more: Any) -> Any:
    with BulkImport(site.store, site.actor, plant_id=site.plant_id, file_name="line3.csv", **more) as job:
        for part in parts:
            job.stage(part)
        return job.accept()


def test_all_or_nothing(site: Any) -> None:
    with BulkImport(site.store, site.actor, file_name="line3.csv", file_digest="d" * 64) as job:
        job.stage(columns(site, 3000))
        assert site.rows("SELECT count(*) FROM rollup") == [(0,)]
        batch = job.accept()
    assert (batch.state, batch.rows, batch.file_name, batch.person) == (
        "accepted",
        3000,
        "line3.csv",
        "First Person",
    )
    assert site.rows("SELECT count(*), min(sample), max(sample) FROM reading") == [(3000, 1, 3000)]
    assert site.rows("SELECT n FROM rollup WHERE subgroup = 0") == [(3000,)]
    assert site.rows("SELECT count(*) FROM rollup WHERE subgroup > 0 AND n = 5") == [(150,)]
    assert site.faults() == []


def test_same_sums_as_typed(site: Any, set_up_plant: Any) -> None:
    """An import in pieces, out of order and with failure modes gives the rows that single entries give."""
    other = set_up_plant(site.store, "P2")
    rng = np.random.default_rng(5)
    modes = ("cohesive", "interfacial", "parent material", "test fault")
    samples = rng.permutation(np.arange(1, 41)).tolist()
    chosen = [modes[i] for i in rng.integers(0, 4, 40)]
    values = rng.normal(540, 20, 40).round(1).tolist()

    def readings(place: Any) -> list[Any]:
        return [
            place.reading(None if m == "test fault" else v, sample=s, pull=place.pull(m), stream_id=t)
            for s, m, v, t in zip(samples, chosen, values, [0, place.stream] * 20, strict=True)
        ]

    for reading in readings(site):
        site.add(reading, kind="file")
    take(other, readings(other)[:17], readings(other)[17:])
    figures = "SELECT stream_id <> 0, n, low, high, first, last, sad FROM rollup"
    figures += " WHERE subject_id / 1099511627776 = {} ORDER BY 1"
    typed, taken = (site.rows(figures.format(p)) for p in (site.plant_id, other.plant_id))
    assert [row[:6] for row in typed] == [row[:6] for row in taken]
    assert [row[6] for row in typed] == pytest.approx([row[6] for row in taken], rel=1e-12)
    modes_query = (
        "SELECT stream_id <> 0, mode, n FROM mode_count WHERE subject_id / 1099511627776 = {} ORDER BY 1, 2"
    )
    assert site.rows(modes_query.format(site.plant_id)) == site.rows(modes_query.format(other.plant_id))
    assert site.faults() == []


def test_second_import_continues_the_first(site: Any) -> None:
    take(site, columns(site, 700))
    take(site, columns(site, 500, seed=2))
    assert site.rows("SELECT n FROM rollup WHERE subgroup = 0") == [(1200,)]
    assert site.faults() == []
    # Numbers that lie before what is stored: the sums depend on the order and are rebuilt.
    (first,) = site.add(site.reading(0.4, characteristic_id=site.collapse, sample=5000))
    take(site, columns(site, 3, seed=3, sample=np.array([4001, 4002, 4003])))
    assert site.rows("SELECT n, last FROM rollup WHERE subgroup = 0") == [(1204, 0.4)]
    assert first.sample == 5000
    assert site.faults() == []


def test_every_problem_is_located_and_nothing_stays(site: Any) -> None:
    site.add(site.reading(0.5, characteristic_id=site.collapse, sample=4))
    before = site.rows(SUMS)
    given = columns(site, 8, sample=np.array([1, 2, 2, 4, 5, 6, 7, 8]), rows=np.arange(11, 19))
    given.value[6] = np.nan
    given.value[7] = np.inf
    with pytest.raises(FileRefused) as caught:
        take(site, given)
    assert [(p.file, p.row, p.message) for p in caught.value.problems] == [
        ("line3.csv", 17, "nan is no number that can be stored."),
        ("line3.csv", 18, "inf is no number that can be stored."),
        ("line3.csv", 13, "Sample 2 comes twice in the file."),
        ("line3.csv", 14, "Sample 4 is already there."),
    ]
    assert caught.value.remedy
    assert site.rows("SELECT count(*) FROM reading") == [(1,)]
    assert site.rows(SUMS) == before
    assert site.rows("SELECT state FROM batch ORDER BY id") == [("accepted",), ("refused",)]
    assert site.faults() == []


def test_sums_gathered_while_staging_are_those_read_again(site: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """Groups in several pieces, in the order of their samples and not; `faults` makes sums and digests anew."""
    monkeypatch.setattr(bulk, "ROWS_A_TRANSACTION", {"sqlite": 40, "postgresql": 40})
    again = []
    reading = bulk.BulkImport._read_again
    monkeypatch.setattr(bulk.BulkImport, "_read_again", lambda *given: again.append(1) or reading(*given))
    for turn, order in enumerate((range(6), (0, 2, 1, 3, 4, 5))):
        first = 1 + 600 * turn
        samples = [np.arange(first + 100 * at, first + 100 * (at + 1)) for at in order]
        take(site, *(columns(site, 100, seed=at, sample=sample) for at, sample in enumerate(samples)))
        assert len(again) == turn
        assert site.faults() == []
    assert site.rows("SELECT sum(n) FROM rollup WHERE subgroup = 0") == [(1200,)]


def test_doubles_in_different_transactions_are_found(site: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bulk, "ROWS_A_TRANSACTION", {"sqlite": 10, "postgresql": 10})
    sample = np.arange(1, 101)
    sample[57] = 3
    with pytest.raises(FileRefused) as caught:
        take(site, *(columns(site, 10, sample=sample[at : at + 10]) for at in range(0, 100, 10)))
    assert [(p.row, p.message) for p in caught.value.problems] == [(58, "Sample 3 is already there.")]
    assert site.rows("SELECT count(*) FROM reading") == [(0,)]


@pytest.mark.parametrize(
    "mode, value, missing, words",
    [
        ("cohesive", 5.0, True, "no value, and it is no test fault"),
        ("test fault", 5.0, False, "A test fault has a value"),
        ("torn", 5.0, False, "'torn' is not known"),
        ("mixed", 5.0, False, "shares of a mixed failure"),
    ],
)
def test_wrong_pulls_are_located(site: Any, mode: str, value: float, missing: bool, words: str) -> None:
    given = columns(site, 3, pulls=[None, site.pull(mode), None], missing=np.array([False, missing, False]))
    with pytest.raises(FileRefused, match=words) as caught:
        take(site, given)
    assert [p.row for p in caught.value.problems] == [2]
    assert value == 5.0


def test_unknown_ids_and_uneven_arrays(site: Any) -> None:
    with pytest.raises(UnknownRecord, match="no subject"):
        take(site, NewColumns(np.array([5]), np.array([site.force]), np.array([1.0]), np.array([1])))
    with pytest.raises(Refused, match="measured on a moulding lot"):
        take(
            site,
            NewColumns(
                np.array([site.segments[0]]), np.array([site.transmission]), np.array([1.0]), np.array([1])
            ),
        )
    with pytest.raises(UsageError, match="value has 2 entries"):
        take(site, NewColumns(np.array([5]), np.array([site.force]), np.array([1.0, 2.0]), np.array([1])))
    with pytest.raises(FileRefused, match="no reading in it"):
        take(site)
    assert site.rows(COUNTS) == [(0, 0, 0)]
    assert site.faults() == []


def test_the_same_file_is_taken_once(site: Any) -> None:
    take(site, columns(site, 10), file_digest="a" * 64)
    with pytest.raises(Refused, match=r"was taken in before, from 'line3\.csv'"):
        take(site, columns(site, 10, seed=2), file_digest="a" * 64)
    assert site.rows("SELECT count(*) FROM reading") == [(10,)]


def test_serials(site: Any) -> None:
    serials = [f"U{i % 50:03d}" for i in range(100)]
    two = columns(site, 100, serials=serials)
    two.characteristic_id[50:] = site.force
    take(site, two)
    assert site.rows("SELECT count(*) FROM welded_unit") == [(50,)]
    assert site.rows(
        "SELECT characteristic_id, count(*), max(sample) FROM reading GROUP BY 1 ORDER BY 1"
    ) == [
        (site.force, 50, 50),
        (site.collapse, 50, 50),
    ]
    assert site.faults() == []
    with pytest.raises(FileRefused, match="Sample 1 has the serial 'A' in row 1, here 'B'"):
        take(
            site,
            columns(
                site,
                2,
                lot=1,
                sample=np.array([1, 1]),
                stream_id=np.array([0, site.stream]),
                serials=["A", "B"],
            ),
        )
    with pytest.raises(Refused, match="Sample 1 has the serial 'U000', not 'X'"):
        take(site, columns(site, 1, sample=np.array([1]), serials=["X"], stream_id=np.array([site.stream])))
    assert site.rows("SELECT count(*) FROM reading") == [(100,)]
    assert site.faults() == []


@pytest.mark.parametrize("serial, taken", [("V9", True), ("U000", True), ("X", False)])
def test_serials_that_another_station_enters_before_the_acceptance(
    site: Any, monkeypatch: pytest.MonkeyPatch, serial: str, taken: bool
) -> None:
    """Sample 1 of the import is U000. Its neighbour enters sample 51, the same sample, or the same with another serial."""
    prepare = bulk.BulkImport._prepare

    def slow(job: Any) -> Any:
        prepared = prepare(job)
        sample = 51 if serial == "V9" else 1
        site.add(site.reading(510.0, sample=sample, serial=serial, pull=site.pull()))
        return prepared

    monkeypatch.setattr(bulk.BulkImport, "_prepare", slow)
    part = columns(site, 50, sample=np.arange(1, 51), serials=[f"U{i:03d}" for i in range(50)])
    if taken:
        take(site, part)
        count = 51 if serial == "V9" else 50
        assert site.rows("SELECT count(*) FROM welded_unit") == [(count,)]
    else:
        with pytest.raises(Refused, match="Sample 1 has the serial 'X', not 'U000'"):
            take(site, part)
        assert site.rows("SELECT sample, serial FROM welded_unit") == [(1, "X")]
    assert site.faults() == []


def test_giving_up_removes_the_staged_rows(site: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bulk, "ROWS_A_TRANSACTION", {"sqlite": 10, "postgresql": 10})
    monkeypatch.setattr(clearing, "ROWS_A_TRANSACTION", 7)
    with BulkImport(site.store, site.actor) as job:
        job.stage(columns(site, 40, pulls=[site.pull()] * 40))
        assert site.rows("SELECT count(*) FROM reading") == [(40,)]
    assert site.rows(COUNTS) == [(0, 0, 0)]
    assert site.rows("SELECT state, remark FROM batch") == [("refused", "given up")]

    def fail_half_way() -> None:
        with BulkImport(site.store, site.actor) as job:
            job.stage(columns(site, 40))
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        fail_half_way()
    assert site.rows(COUNTS) == [(0, 0, 0)]
    assert site.faults() == []


def test_staged_rows_of_a_running_import_are_left_alone(site: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bulk, "ROWS_A_TRANSACTION", {"sqlite": 10, "postgresql": 10})
    with BulkImport(site.store, site.actor) as job:
        job.stage(columns(site, 20))
        assert clear_staged(site.store) == 0
        assert site.faults() == []
        # Others may write between, and do not see the staged rows.
        site.add(site.reading(500.0))
        assert job.accept().rows == 20
    assert site.rows("SELECT count(*) FROM reading") == [(21,)]
    assert site.faults() == []


DYING = """
    import sys
    import numpy as np
    import qualrec.records.bulk as bulk
    from qualrec.records.database import open_store
    from qualrec.values import Actor
    bulk.ROWS_A_TRANSACTION = {"sqlite": 10, "postgresql": 10}
    url, subject, characteristic = sys.argv[1], int(sys.argv[2]), int(sys.argv[3])
    store = open_store(url)
    job = bulk.BulkImport(store, Actor(None, "program")).__enter__()
    n = 35
    job.stage(bulk.NewColumns(np.full(n, subject), np.full(n, characteristic), np.ones(n), np.arange(n)))
    print(job.rows, flush=True)
    sys.stdin.readline()
"""


def test_rows_of_a_dead_import_are_cleared(site: Any, program_env: dict[str, str]) -> None:
    command = [
        sys.executable,
        "-c",
        textwrap.dedent(DYING),
        site.store.url,
        str(site.segments[0]),
        str(site.collapse),
    ]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=program_env
    ) as program:
        assert program.stdout is not None
        assert program.stdout.readline().strip() == "35"
        assert clear_staged(site.store) == 0
        program.kill()
        program.wait()
    assert site.rows("SELECT count(*) FROM reading") == [(35,)]
    assert site.faults() == []
    assert _cleared_soon(site) == 1
    assert site.rows(COUNTS) == [(0, 0, 0)]
    assert site.rows("SELECT state FROM batch") == [("refused",)]
    assert clear_staged(site.store) == 0
    take(site, columns(site, 35))
    assert site.faults() == []
    if site.store.path is not None:
        assert [p.name for p in site.store.path.parent.glob(f"{site.store.path.name}-import*")] == []


def _cleared_soon(site: Any) -> int:
    """A server needs a moment to notice that a client died."""
    import time

    for _ in range(100):
        cleared = clear_staged(site.store)
        if cleared:
            return cleared
        time.sleep(0.05)
    return 0


def test_a_cleared_import_cannot_go_on(site: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bulk, "ROWS_A_TRANSACTION", {"sqlite": 10, "postgresql": 10})
    job = BulkImport(site.store, site.actor).__enter__()
    job.stage(columns(site, 10))
    assert job._lock is not None
    job._lock.release()  # as where a network drive went away
    assert clear_staged(site.store) == 1
    with pytest.raises(Refused, match="was cleared in the meantime"):
        job.stage(columns(site, 10))
    job.__exit__(None, None, None)
    assert site.rows(COUNTS) == [(0, 0, 0)]
    assert site.faults() == []


def test_a_large_import_with_limits_has_a_shape(site: Any) -> None:
    rng = np.random.default_rng(9)
    given = columns(site, 900)
    given.characteristic_id[:] = site.force
    given.value[:] = rng.normal(540, 30, 900)
    given.value[0] = 5000.0
    take(site, given)
    import json

    ((low, high, counts),) = site.rows("SELECT low, high, counts FROM shape")
    # Limits 400 and 700, widened by half.
    assert (low, high) == (325.0, 775.0)
    found = json.loads(counts)
    inside = np.histogram(given.value, bins=256, range=(325.0, 775.0))[0].tolist()
    assert len(found) == 258
    assert found[0] == (given.value < 325).sum()
    assert found[-1] == (given.value > 775).sum()
    assert sum(found) == 900
    assert (
        np.abs(np.array(found[1:-1]) - inside).sum() <= 2
    )  # numpy puts values on an edge by another rounding
    assert site.faults() == []
    site.add(site.reading(500.0))
    assert sum(json.loads(site.rows("SELECT counts FROM shape")[0][0])) == 901
    assert site.faults() == []
