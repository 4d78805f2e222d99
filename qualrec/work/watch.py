"""A watched folder: finished files are taken in as they land, one at a time, none twice.

Each look lists the folder (plain polling, because changes on network shares are not announced). A file is finished when its
size and time stayed the same from one look to another `settle_s` later, it is not empty, and the system gives it away (Windows
refuses that while another program holds it). It is copied aside, taken in from the copy, and moved: to `taken`, or with a
report in words beside it to `refused`. What a file did is in the records: its digest stands in its batch, so neither a
restart nor a second watcher takes it twice; while one watcher takes a file it holds a lock of the database on its digest.

A database that is lost is waited for. `stop` ends after the file in hand.
"""

from __future__ import annotations

import fnmatch
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Literal

from qualrec.config import Settings
from qualrec.errors import (
    ConnectionLost,
    DatabaseBusy,
    DatabaseError,
    FileRefused,
    QualrecError,
    SchemaMismatch,
    UsageError,
)
from qualrec.intake.readers import file_digest
from qualrec.records import lookups
from qualrec.records.database import Store
from qualrec.records.driver_errors import translated
from qualrec.records.guards import NOT_IN_LINE
from qualrec.records.import_lock import ImportLock
from qualrec.work import intake, watch_folder
from qualrec.work.intake_result import Taken, plural
from qualrec.work.profiles import known_profiles
from qualrec.work.rights import require
from qualrec.work.session import Ask, Session, make_session, open_session
from qualrec.work.watch_folder import Changed, Look, Mark

Event = Literal["watching", "taken", "known", "refused", "waits", "left", "lost", "back", "stopped"]
LOST_PAUSE_S = (1.0, 30.0)
"""First and longest pause while the database is lost."""
MOST_FAILURES = 3
"""A file on which the database fails so often, without being lost, is refused."""


@dataclass(frozen=True, slots=True)
class WatchPlan:
    """What is watched and how. `only`: pattern of names, as *.csv; `keep`: taken files stay where they are."""

    folder: Path
    profile: str | None = None
    part: str | None = None
    open_lots: bool = False
    gauge: tuple[str, ...] = ()
    only: str = "*"
    keep: bool = False
    every_s: float = 2.0
    settle_s: float = 2.0
    once: bool = False

    def __post_init__(self) -> None:
        if not self.folder.is_dir():
            raise UsageError(f"{self.folder} is no folder.", "Give the folder that the files land in.")
        if not (0 < self.every_s <= 3600 and 0 < self.settle_s <= 3600):
            raise UsageError("A pause is not from above 0 to 3600 s.", "Correct --every or --settle.")


@dataclass(frozen=True, slots=True)
class Notice:
    """One line of a watch: what happened, to which file, and where that lies now."""

    event: Event
    at: str
    file: str
    message: str
    moved_to: str = ""
    batch: int | None = None
    readings: int = 0
    problems: int = 0


@dataclass(slots=True)
class Tally:
    """How many files of each kind; `waiting` after the last look."""

    taken: int = 0
    known: int = 0
    refused: int = 0
    waiting: int = 0


@dataclass(slots=True)
class Watch:
    """One watcher. `tell` gets every notice; `run` returns when `stop` is set, or after one look with `once`."""

    settings: Settings
    plan: WatchPlan
    tell: Callable[[Notice], None]
    stop: threading.Event = field(default_factory=threading.Event)
    ask: Ask | None = None
    """Asks for password or PIN in a plant with accounts; again after the database was lost."""
    tally: Tally = field(default_factory=Tally)
    _seen: dict[str, Look] = field(default_factory=dict)
    _told: dict[str, str] = field(default_factory=dict)
    _done: dict[str, Mark] = field(default_factory=dict)
    """Files that stay although they are dealt with, as they were then."""
    _failed: dict[str, int] = field(default_factory=dict)
    _session: Session | None = None
    _lost: bool = False

    def run(self) -> Tally:
        """Watch. Raises UsageError, Refused and DatabaseError where the watch cannot begin, SchemaMismatch at any time."""
        pause_s, begun = LOST_PAUSE_S[0], False
        while not self.stop.is_set():
            try:
                with open_session(self.settings, self.ask) as session:
                    self._begin(session, begun)
                    begun, pause_s = True, LOST_PAUSE_S[0]
                    self._rounds()
                break
            except SchemaMismatch:
                raise
            except DatabaseError as error:
                waits = begun or isinstance(error, ConnectionLost | DatabaseBusy)
                if self.plan.once or not waits:
                    raise
                self._say_lost(error)
                self.stop.wait(pause_s)
                pause_s = min(2 * pause_s, LOST_PAUSE_S[1])
        self.tally.waiting = len(self._seen)
        self._say(
            "stopped",
            "",
            f"{plural(self.tally.taken, 'file')} taken, {self.tally.known} taken before, {self.tally.refused} refused, "
            f"{self.tally.waiting} waiting.",
        )
        return self.tally

    def _begin(self, session: Session, again: bool) -> None:
        self._session = session
        require(session.actor, "take files in")
        if not again:
            self._check_plan(session)
            watch_folder.prepare(self.plan.folder, keep=self.plan.keep)
        if self._lost:
            self._lost = False
            self._say("back", "", "The database is back.")
        elif not again:
            self._say("watching", "", f"Watching {self.plan.folder} every {self.plan.every_s:g} s.")

    def _check_plan(self, session: Session) -> None:
        """Raises UsageError for what would refuse every file."""
        plan = self.plan
        if plan.open_lots and plan.part is None:
            raise UsageError("Of which part the new lots are is not said.", "Give --part NUMBER.")
        with session.store.read() as conn:
            if plan.part is not None:
                lookups.part(conn, plan.part, plant_id=session.plant.id)
            for code in plan.gauge:
                lookups.gauge(conn, code, plant_id=session.plant.id)
            names = [p.name for p in known_profiles(conn, session.plant.id)]
        if plan.profile is not None and plan.profile not in names and not Path(plan.profile).is_file():
            raise UsageError(
                f"There is no import profile {plan.profile!r}.",
                f"Known: {', '.join(names)}. Or give the path of a .toml file.",
            )

    # Looks.

    def _rounds(self) -> None:
        """Look until the stop; once: until every file that was there has settled or is found to grow."""
        until = time.monotonic() + 2 * self.plan.settle_s + self.plan.every_s
        pause_s = min(self.plan.every_s, self.plan.settle_s) if self.plan.once else self.plan.every_s
        while not self.stop.is_set():
            self._look()
            if self.plan.once and (not self._seen or time.monotonic() > until):
                return
            self.stop.wait(pause_s)

    def _look(self) -> None:
        """One look at the folder; what has settled is taken."""
        try:
            names = watch_folder.candidates(self.plan.folder)
        except OSError as error:
            self._once_told("", "waits", f"The folder cannot be read ({error.strerror}); it is tried again.")
            return
        self._told.pop("", None)
        ready: list[tuple[int, str, Mark]] = []
        there = set()
        for name, kind in names:
            if not fnmatch.fnmatchcase(name.casefold(), self.plan.only.casefold()):
                continue
            if kind != "file":
                self._once_told(name, "left", f"It is a {kind} and is left alone.")
                continue
            there.add(name)
            mark = self._settled(name)
            if mark is not None:
                ready.append((mark.time_ns, name, mark))
        for gone in self._seen.keys() - there:
            self._forget(gone)
        for _, name, mark in sorted(ready):
            if self.stop.is_set():
                return
            self._take(name, mark)

    def _settled(self, name: str) -> Mark | None:
        """The mark of a file that is finished; None while it is not."""
        path = self.plan.folder / name
        try:
            mark = Mark.of(path)
        except OSError:
            self._forget(name)
            return None
        if self._done.get(name) == mark:
            self._seen.pop(name, None)
            return None
        now, before = time.monotonic(), self._seen.get(name)
        if before is None or before.mark != mark:
            self._seen[name] = Look(mark, now)
            if before is not None:
                self._once_told(name, "waits", "It is still being written.")
            return None
        if now - before.since < self.plan.settle_s:
            return None
        if not mark.size:
            self._once_told(name, "waits", "It is empty so far.")
            return None
        if not self.plan.keep and not watch_folder.given_away(path):
            self._once_told(name, "waits", "Another program holds it, or it may not be moved.")
            return None
        return mark

    def _forget(self, name: str) -> None:
        self._seen.pop(name, None)
        self._told.pop(name, None)
        self._done.pop(name, None)
        self._failed.pop(name, None)

    # One file.

    def _take(self, name: str, mark: Mark) -> None:
        path = self.plan.folder / name
        if NOT_IN_LINE.search(name) or len(name) > 200:
            self._refuse(
                name, mark, UsageError("Its name cannot be kept in the records.", "Give it a plain name.")
            )
            return
        with tempfile.TemporaryDirectory(prefix="qualrec-watch-", ignore_cleanup_errors=True) as room:
            try:
                copy = watch_folder.copy_of(path, Path(room), mark)
            except Changed:
                self._once_told(name, "waits", "It is still being written.")
                return
            except FileNotFoundError:
                self._forget(name)  # another watcher has moved it
                return
            except OSError as error:
                self._once_told(name, "waits", f"It cannot be read ({error.strerror}); it is tried again.")
                return
            self._take_copy(name, mark, copy)

    def _take_copy(self, name: str, mark: Mark, copy: Path) -> None:
        assert self._session is not None
        digest = file_digest(copy)
        with _claimed(self._session.store, digest) as mine:
            if not mine:
                return  # another watcher is taking it
            if not mark.still(self.plan.folder / name):
                self._seen.pop(name, None)
                return
            plan = self.plan
            session = self._session = _refreshed(self._session)
            try:
                taken = intake.take_file(
                    session,
                    copy,
                    profile=plan.profile,
                    part=plan.part,
                    open_lots=plan.open_lots,
                    gauge=plan.gauge,
                )
            except DatabaseError as error:
                if not self._keeps_failing(name, error):
                    raise
                self._refuse(name, mark, error)
            except QualrecError as error:
                self._refuse(name, mark, error)
            except Exception as error:  # a file that the program fails on must not stop the others
                words = (
                    f"The program failed on it ({type(error).__name__}: {error}); nothing of it was taken."
                )
                self._refuse(name, mark, QualrecError(words, "Report this with the file."))
            else:
                self._taken(name, mark, session, taken)

    def _keeps_failing(self, name: str, error: DatabaseError) -> bool:
        """Whether it is the file that the database cannot take: it fails again and again while others could be taken."""
        if type(error) is not DatabaseError:
            return False
        self._failed[name] = self._failed.get(name, 0) + 1
        return self._failed[name] >= MOST_FAILURES

    def _taken(self, name: str, mark: Mark, session: Session, taken: Taken) -> None:
        event: Event = "known" if taken.already or taken.batch_id is None else "taken"
        if event == "taken":
            self.tally.taken += 1
        else:
            self.tally.known += 1
        moved = "" if self.plan.keep else self._put(name, mark, watch_folder.TAKEN)
        self._settle(name, mark, moved)
        held = [f"Lot {lot.number} is {lot.state}." for lot in taken.judged if lot.state_changed]
        batch = None if taken.batch_id is None else session.short_id(taken.batch_id)
        self._say(
            event,
            name,
            " ".join([taken.sentences[0], *held]),
            moved_to=moved,
            batch=batch,
            readings=taken.readings,
        )

    def _refuse(self, name: str, mark: Mark, error: QualrecError) -> None:
        """Put a file aside with its report; where that is not possible it stays and is not tried again while it is the same."""
        self.tally.refused += 1
        moved = self._put(name, mark, watch_folder.REFUSED)
        self._settle(name, mark, moved)
        if moved:
            report = watch_folder.report_text(name, self._moment(), error)
            try:
                watch_folder.write_report(self.plan.folder / moved, report)
            except OSError as problem:
                self._say("waits", name, f"Its report cannot be written ({problem.strerror}).")
        located = error.problems if isinstance(error, FileRefused) else ()
        words = f"{error.message} {located[0] if located else error.remedy}"
        self._say("refused", name, " ".join(words.split()), moved_to=moved, problems=len(located) or 1)

    def _settle(self, name: str, mark: Mark, moved: str) -> None:
        """A file that stays in the folder is dealt with as long as it is the same."""
        self._forget(name)
        if not moved:
            self._done[name] = mark

    def _put(self, name: str, mark: Mark, folder: str) -> str:
        """Move a file into a folder of the watch; its place from the watched folder, empty where it stays."""
        path = self.plan.folder / name
        if not mark.still(path):
            self._once_told(
                name, "waits", "It was changed after it was read; it stays and is looked at again."
            )
            return ""
        try:
            return str(watch_folder.put_into(path, self.plan.folder / folder).relative_to(self.plan.folder))
        except OSError as error:
            self._once_told(name, "waits", f"It cannot be moved to {folder} ({error.strerror}); it stays.")
            return ""

    # Telling.

    def _say_lost(self, error: DatabaseError) -> None:
        if not self._lost:
            self._lost = True
            self._say("lost", "", f"{error.message} Files wait until it is back.")

    def _once_told(self, name: str, event: Event, message: str) -> None:
        """A notice that is not repeated as long as nothing changes."""
        if self._told.get(name) != message:
            self._told[name] = message
            self._say(event, name, message)

    def _moment(self) -> str:
        if self._session is None:
            return time.strftime("%Y-%m-%d %H:%M")
        return self._session.moment(time.time_ns() // 1000)

    def _say(
        self,
        event: Event,
        name: str,
        message: str,
        *,
        moved_to: str = "",
        batch: int | None = None,
        readings: int = 0,
        problems: int = 0,
    ) -> None:
        shown = watch_folder.shown_name
        self.tell(
            Notice(event, self._moment(), shown(name), message, shown(moved_to), batch, readings, problems)
        )


def _refreshed(session: Session) -> Session:
    """The session with roles as they are now. Raises Refused where the person may no longer take files in."""
    fresh = make_session(session.store, session.settings)
    require(fresh.actor, "take files in")
    return fresh


@contextmanager
def _claimed(store: Store, digest: str) -> Iterator[bool]:
    """A lock of the database on a digest, given back when the program dies; False where another watcher holds it."""
    number = int(digest[:15], 16) | 1 << 60
    with translated(store.place):
        lock = ImportLock.take(store, number)
    try:
        yield lock is not None
    finally:
        if lock is not None:
            lock.release()
