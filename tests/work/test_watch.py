"""A watched folder: finished files are taken once, unfinished ones wait, refused ones are told of; nothing is written over."""

from __future__ import annotations

import os
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from qualrec.config import Settings
from qualrec.errors import ConnectionLost, DatabaseError, Refused, SchemaMismatch, UsageError
from qualrec.work import intake, watch, watch_folder
from qualrec.work.watch import Notice, Watch, WatchPlan

HEAD = "lot,nest,specimen,tested_at,force,mode"


def pulls(*specimens: int, lot: str = "FM00061", force: str = "612.5") -> str:
    lines = [f"{lot},1,{n},2026-10-28T17:30:00Z,{force},parent" for n in specimens]
    return "\n".join([HEAD, *lines]) + "\n"


class Bench:
    """A watched folder of a small plant."""

    def __init__(self, plant: Any, folder: Path, profile: str) -> None:
        self.plant, self.folder, self.profile = plant, folder, profile
        self.notices: list[Notice] = []

    def put(self, name: str, text: str) -> Path:
        path = self.folder / name
        path.write_text(text, encoding="utf-8", newline="")
        return path

    def watcher(
        self, tell: Callable[[Notice], None] | None = None, badge: str = "Q-01", **plan: Any
    ) -> Watch:
        given = {"profile": self.profile, "every_s": 0.01, "settle_s": 0.03, "once": True, **plan}
        settings = Settings(self.plant.store.url, badge=badge)
        return Watch(settings, WatchPlan(self.folder, **given), tell or self.notices.append)

    def look(self, **plan: Any) -> dict[str, str]:
        """One run over what is there: the last event of each file."""
        self.notices.clear()
        self.watcher(**plan).run()
        return {n.file: n.event for n in self.notices if n.file}

    def forces(self) -> list[tuple[Any, ...]]:
        return self.plant.rows(
            "SELECT r.sample, r.value FROM reading r JOIN batch b ON b.id = r.batch_id WHERE b.state = 'accepted' ORDER BY 1"
        )

    def batches(self) -> list[tuple[Any, ...]]:
        return self.plant.rows(
            "SELECT file_name, rows FROM batch WHERE state = 'accepted' ORDER BY file_name"
        )

    def there(self) -> list[str]:
        return sorted(
            str(p.relative_to(self.folder)).replace(os.sep, "/")
            for p in self.folder.rglob("*")
            if p.is_file()
        )


@pytest.fixture
def bench(copied_plant: Any, tmp_path: Path, plain: Callable[..., str]) -> Bench:
    """On SQLite."""
    folder = tmp_path / "in"
    folder.mkdir()
    return Bench(copied_plant, folder, plain())


@pytest.fixture
def each_bench(small_plant: Any, tmp_path: Path, plain: Callable[..., str]) -> Bench:
    """On each kind of database."""
    folder = tmp_path / "in"
    folder.mkdir()
    return Bench(small_plant, folder, plain())


def test_files_are_taken_refused_or_known(each_bench: Bench) -> None:
    each_bench.put("a.csv", pulls(1, 2))
    each_bench.put("b.csv", pulls(3, force="6l2"))
    assert each_bench.look() == {"a.csv": "taken", "b.csv": "refused"}
    assert each_bench.forces() == [(1, 612.5), (2, 612.5)]
    assert each_bench.there() == ["refused/b.csv", "refused/b.csv.report.txt", "taken/a.csv"]
    report = (each_bench.folder / "refused" / "b.csv.report.txt").read_text(encoding="utf-8")
    assert 'b.csv, row 2, column force: "6l2"' in report
    assert "Nothing of it was taken" in report
    refused = next(n for n in each_bench.notices if n.event == "refused")
    assert (refused.problems, refused.moved_to.replace(os.sep, "/")) == (1, "refused/b.csv")
    assert "row 2" in refused.message
    each_bench.put("a again.csv", pulls(1, 2))
    assert each_bench.look() == {"a again.csv": "known"}
    each_bench.put("a.csv", pulls(1, 2) + "\n")  # other bytes, the same readings
    assert each_bench.look() == {"a.csv": "known"}
    assert each_bench.there() == [
        "refused/b.csv",
        "refused/b.csv.report.txt",
        "taken/a again.csv",
        "taken/a-2.csv",
        "taken/a.csv",
    ]
    assert each_bench.batches() == [("a.csv", 2)]


def test_two_watchers_take_each_file_once(each_bench: Bench) -> None:
    for n in range(1, 9):
        each_bench.put(f"f{n}.csv", pulls(n))
    watchers = [each_bench.watcher(), each_bench.watcher()]
    for together in watchers:
        object.__setattr__(together.plan, "once", False)
    threads = [threading.Thread(target=w.run) for w in watchers]
    for thread in threads:
        thread.start()
    for _ in range(1500):
        if not list(each_bench.folder.glob("*.csv")):
            break
        threading.Event().wait(0.02)
    for watcher in watchers:
        watcher.stop.set()
    for thread in threads:
        thread.join(30)
    assert each_bench.forces() == [(n, 612.5) for n in range(1, 9)]
    assert len(each_bench.batches()) == 8
    assert sum(w.tally.taken for w in watchers) == 8
    assert sum(w.tally.refused + w.tally.known for w in watchers) == 0
    assert each_bench.there() == [f"taken/f{n}.csv" for n in range(1, 9)]


def test_kept_files_are_not_taken_again_after_a_restart(bench: Bench) -> None:
    bench.put("a.csv", pulls(1))
    assert bench.look(keep=True) == {"a.csv": "taken"}
    assert bench.look(keep=True) == {"a.csv": "known"}
    bench.put("a.csv", pulls(1, 2))  # the tester goes on in the same file
    assert bench.look(keep=True) == {"a.csv": "taken"}
    assert bench.forces() == [(1, 612.5), (2, 612.5)]
    assert bench.there() == ["a.csv"]


def test_what_is_not_finished_waits(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    growing = bench.put("growing.csv", pulls(1))
    for name in ("half.csv.part", "~$open.csv", ".hidden.csv", "x.TMP"):
        bench.put(name, pulls(5))
    bench.put("empty.csv", "")
    bench.put("notes.md", "no table")
    real = watch_folder.candidates

    def writing(folder: Path) -> Any:
        with growing.open("a", encoding="utf-8") as out:
            out.write(pulls(2).splitlines()[1] + "\n")
        return real(folder)

    monkeypatch.setattr(watch_folder, "candidates", writing)
    assert bench.look(only="*.CSV") == {"growing.csv": "waits", "empty.csv": "waits"}
    assert bench.forces() == []
    assert [n.message for n in bench.notices if n.file] == [
        "It is still being written.",
        "It is empty so far.",
    ]


@pytest.mark.parametrize("moment", ["while it is copied", "after it was copied"])
def test_a_file_that_grows_while_it_is_read_is_not_taken_in_part(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, moment: str
) -> None:
    path, real = bench.put("a.csv", pulls(1)), watch_folder.copy_of
    grown: list[int] = []

    def copy(source: Path, room: Path, mark: Any) -> Path:
        def grow() -> None:
            grown.append(1)
            source.write_text(pulls(1, 2), encoding="utf-8")

        if not grown and moment == "while it is copied":
            grow()
        made = real(source, room, mark)
        if not grown:
            grow()
        return made

    monkeypatch.setattr(watch_folder, "copy_of", copy)
    watcher = bench.watcher()
    object.__setattr__(watcher.plan, "settle_s", 0.06)
    watcher.run()
    bench.look()
    assert bench.forces() == [(1, 612.5), (2, 612.5)]
    assert bench.batches() == [("a.csv", 2)]
    assert not path.exists()


def test_links_folders_and_hostile_names(bench: Bench, tmp_path: Path) -> None:
    outside = tmp_path / "outside.csv"
    outside.write_text(pulls(7), encoding="utf-8")
    expected = {"sub.csv": "left", "-rf ; x.csv": "taken", "=cmd().csv": "taken"}
    (bench.folder / "sub.csv").mkdir()
    bench.put("-rf ; x.csv", pulls(1))
    bench.put("=cmd().csv", pulls(2))
    if os.name == "posix":
        os.symlink(outside, bench.folder / "link.csv")
        os.mkfifo(bench.folder / "pipe.csv")
        bench.put("a\n\x1b[31mb.csv", pulls(3))
        (bench.folder / os.fsdecode(b"\xff\xfe.csv")).write_text(pulls(4), encoding="utf-8")
        bench.put("turn\u202efdp.csv", pulls(5))
        expected |= {"link.csv": "left", "pipe.csv": "left"}
        expected |= {
            "a\ufffd\ufffd[31mb.csv": "refused",
            "\ufffd\ufffd.csv": "refused",
            "turn\ufffdfdp.csv": "refused",
        }
    assert bench.look() == expected
    assert [n for n, _ in bench.forces()] == [1, 2]
    assert outside.exists()
    reports = list((bench.folder / "refused").glob("*.report.txt"))
    assert len(reports) == sum(event == "refused" for event in expected.values())
    assert all(path.name.isprintable() for path in reports)


def test_a_link_in_place_of_our_folder_is_refused(bench: Bench, tmp_path: Path) -> None:
    (tmp_path / "elsewhere").mkdir()
    try:
        os.symlink(tmp_path / "elsewhere", bench.folder / "taken", target_is_directory=True)
    except OSError:  # Windows without the right to make links
        (bench.folder / "taken").write_text("", encoding="utf-8")
    bench.put("a.csv", pulls(1))
    with pytest.raises(UsageError, match="taken"):
        bench.look()
    assert bench.forces() == []


def test_a_lost_database_is_waited_for(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    bench.put("a.csv", pulls(1))
    bench.put("b.csv", pulls(2))
    monkeypatch.setattr(watch, "LOST_PAUSE_S", (0.01, 0.02))
    real_open, real_take, tries = watch.open_session, intake.take_file, {"open": 0, "take": 0}

    def opening(settings: Any, ask: Any) -> Any:
        tries["open"] += 1
        if tries["open"] in (1, 2, 4):
            raise ConnectionLost("The server does not answer.")
        return real_open(settings, ask)

    def taking(*args: Any, **more: Any) -> Any:
        tries["take"] += 1
        if tries["take"] == 2:
            real_take(*args, **more)  # it was stored, and the answer was lost
            raise ConnectionLost("The connection was lost.")
        return real_take(*args, **more)

    monkeypatch.setattr(watch, "open_session", opening)
    monkeypatch.setattr(intake, "take_file", taking)
    watcher: Watch

    def tell(notice: Notice) -> None:
        bench.notices.append(notice)
        if notice.file == "b.csv":
            watcher.stop.set()

    watcher = bench.watcher(tell, once=False)
    watcher.run()
    assert [n.event for n in bench.notices] == ["lost", "back", "taken", "lost", "back", "known", "stopped"]
    assert bench.forces() == [(1, 612.5), (2, 612.5)]
    assert bench.there() == ["taken/a.csv", "taken/b.csv"]


@pytest.mark.parametrize("error", [ConnectionLost("gone"), DatabaseError("There is no database.")])
def test_a_scheduled_run_does_not_wait_for_a_lost_database(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, error: DatabaseError
) -> None:
    def opening(settings: Any, ask: Any) -> Any:
        raise error

    monkeypatch.setattr(watch, "open_session", opening)
    with pytest.raises(type(error)):
        bench.look()


def test_a_database_upgraded_meanwhile_ends_the_watch(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    bench.put("a.csv", pulls(1))

    def taking(*args: Any, **more: Any) -> Any:
        raise SchemaMismatch("0002", "0001", "Start the newer one.")

    monkeypatch.setattr(intake, "take_file", taking)
    with pytest.raises(SchemaMismatch):
        bench.look(once=False)
    assert bench.there() == ["a.csv"]


@pytest.mark.parametrize(
    "error", [DatabaseError("Value out of range."), RuntimeError("a fault of the program")]
)
def test_a_file_that_always_fails_does_not_stop_the_others(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, error: Exception
) -> None:
    bench.put("a.csv", pulls(1))
    bench.put("b.csv", pulls(2))
    real = intake.take_file

    def taking(session: Any, path: Path, **more: Any) -> Any:
        if path.name == "a.csv":
            raise error
        return real(session, path, **more)

    monkeypatch.setattr(intake, "take_file", taking)
    monkeypatch.setattr(watch, "LOST_PAUSE_S", (0.01, 0.02))
    watcher: Watch

    def tell(notice: Notice) -> None:
        bench.notices.append(notice)
        if notice.file == "b.csv":
            watcher.stop.set()

    watcher = bench.watcher(tell, once=False)
    watcher.run()
    assert [(n.file, n.event) for n in bench.notices if n.file] == [("a.csv", "refused"), ("b.csv", "taken")]
    assert str(error) in (bench.folder / "refused" / "a.csv.report.txt").read_text(encoding="utf-8")
    assert bench.forces() == [(2, 612.5)]


def test_a_stop_finishes_the_file_in_hand(bench: Bench) -> None:
    for n in (1, 2, 3):
        path = bench.put(f"{n}.csv", pulls(n))
        os.utime(path, (1_000_000 + n, 1_000_000 + n))
    watcher: Watch

    def tell(notice: Notice) -> None:
        bench.notices.append(notice)
        if notice.event == "taken":
            watcher.stop.set()

    watcher = bench.watcher(tell, once=False)
    tally = watcher.run()
    assert (tally.taken, tally.waiting) == (1, 2)
    assert bench.there() == ["2.csv", "3.csv", "taken/1.csv"]
    assert bench.notices[-1].event == "stopped"


@pytest.mark.parametrize("what", ["given_away", "copy_of", "put_into", "candidates"])
def test_what_the_system_refuses_is_told_once_and_tried_again(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, what: str
) -> None:
    bench.put("a.csv", pulls(1))
    real, refusals = getattr(watch_folder, what), []

    def refusing(*args: Any) -> Any:
        if len(refusals) < 3:
            refusals.append(1)
            if what == "given_away":
                return False
            raise PermissionError(13, "Permission denied")
        return real(*args)

    monkeypatch.setattr(watch_folder, what, refusing)
    watcher: Watch

    def tell(notice: Notice) -> None:
        bench.notices.append(notice)
        if notice.event == "taken":
            watcher.stop.set()

    watcher = bench.watcher(tell, once=False)
    watcher.run()
    assert [n.event for n in bench.notices] == ["watching", "waits", "taken", "stopped"]
    assert bench.forces() == [(1, 612.5)]
    assert bench.there() == (["a.csv"] if what == "put_into" else ["taken/a.csv"])


def test_a_file_that_cannot_be_moved_is_taken_once(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    bench.put("a.csv", pulls(1))

    def refusing(*args: Any) -> Any:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(watch_folder, "put_into", refusing)
    assert bench.look()["a.csv"] == "taken"
    assert bench.look()["a.csv"] == "known"
    assert bench.batches() == [("a.csv", 1)]


def test_what_would_refuse_every_file_is_said_at_the_start(bench: Bench, tmp_path: Path) -> None:
    for plan, words in (
        ({"profile": "none such"}, "no import profile"),
        ({"part": "X-1"}, "X-1"),
        ({"gauge": ("PT-99",)}, "PT-99"),
        ({"open_lots": True}, "new lots"),
        ({"every_s": 0.0}, "pause"),
    ):
        with pytest.raises(UsageError, match=words):
            bench.look(**plan)
    with pytest.raises(UsageError, match="no folder"):
        WatchPlan(tmp_path / "none")
    with pytest.raises(Refused, match="may not take files in"):
        bench.watcher(badge="A-01").run()
    assert bench.there() == []


def test_a_right_taken_away_meanwhile_ends_the_watch_and_keeps_the_file(bench: Bench) -> None:
    bench.put("a.csv", pulls(1))
    watcher: Watch

    def tell(notice: Notice) -> None:
        if notice.event == "watching":
            person, role = bench.plant.rows(
                "SELECT person_id, role FROM role r JOIN person p ON p.id = r.person_id WHERE p.badge = 'T-01'"
            )[0]
            with bench.plant.store.write(bench.plant.as_badge("X-01").actor) as writer:
                key = {"person_id": person, "plant_id": writer.plant_id, "role": role}
                writer.remove("role", key, act="role taken away")

    watcher = bench.watcher(tell, badge="T-01")
    with pytest.raises(Refused, match="may not take files in"):
        watcher.run()
    assert bench.there() == ["a.csv"]
    assert bench.forces() == []
