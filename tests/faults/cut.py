"""The network to the server is cut in mid-file. Each file must be taken whole, once, when the network is back.

A relay stands between the program and the server and is cut after a random number of bytes that the program sent: between
two statements, in the middle of a COPY, or when a commit was sent and not answered. New connections are refused until it is put
together again. A watch takes tester files and a machine file through it.
"""

from __future__ import annotations

import contextlib
import importlib.util
import random
import socket
import sys
import threading
import time
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import Any
from urllib.parse import urlsplit

from qualrec.config import Settings
from qualrec.records import bulk, trail
from qualrec.records.bulk import clear_staged
from qualrec.records.database import Store
from qualrec.work import intake, watch
from qualrec.work.watch import Notice, Watch, WatchPlan

LONGEST_S = 120.0


def files() -> ModuleType:
    """The module that writes the files and checks the records."""
    path = Path(__file__).with_name("kill_files.py")
    name = "qualrec_tests_faults_kill_files"
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, path)
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    return sys.modules[name]


class Relay:
    """Passes bytes between programs and a server until it is cut."""

    def __init__(self, url: str) -> None:
        parts = urlsplit(url)
        self._server = (parts.hostname or "127.0.0.1", int(parts.port or 5432))
        self._listener = socket.create_server(("127.0.0.1", 0))
        port = int(self._listener.getsockname()[1])
        self.url = parts._replace(netloc=f"{parts.username}@127.0.0.1:{port}").geturl()
        self._lock = threading.Lock()
        self._open: list[socket.socket] = []
        self._left: int | None = None
        self.down = False
        self.cuts = 0
        threading.Thread(target=self._accept, daemon=True).start()

    def cut_after(self, sent: int) -> None:
        """Cut when programs have sent so many more bytes."""
        with self._lock:
            self.down, self._left = False, sent

    def mend(self) -> None:
        with self._lock:
            self.down, self._left = False, None

    def close(self) -> None:
        self._listener.close()
        self._cut()

    def _accept(self) -> None:
        while True:
            try:
                near, _ = self._listener.accept()
            except OSError:
                return
            with self._lock:
                down = self.down
            if down:
                near.close()
                continue
            far = socket.create_connection(self._server)
            with self._lock:
                self._open += [near, far]
            threading.Thread(target=self._pump, args=(near, far, True), daemon=True).start()
            threading.Thread(target=self._pump, args=(far, near, False), daemon=True).start()

    def _pump(self, source: socket.socket, to: socket.socket, sent: bool) -> None:
        with contextlib.suppress(OSError):
            while data := source.recv(16_384):
                passed = self._passes(len(data)) if sent else len(data)
                to.sendall(data[:passed])
                if passed < len(data):
                    self._cut()
                    return
        for end in (source, to):
            with contextlib.suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)

    def _passes(self, size: int) -> int:
        with self._lock:
            if self._left is None:
                return size
            passed = min(size, self._left)
            self._left -= passed
            return passed if passed < size else size

    def _cut(self) -> None:
        with self._lock:
            self.down, self._left = True, None
            self.cuts += 1
            ends, self._open = self._open, []
        for end in ends:
            with contextlib.suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
            end.close()


@dataclass
class Cuts:
    """What happened over all cuts."""

    cuts: int = 0
    waits: int = 0
    tally: Any = None

    @property
    def good(self) -> bool:
        return bool(self.tally.good) and self.cuts > 0


def run(store: Store, folder: Path, cuts: int, seed: int = 1) -> Cuts:
    """Take files through a relay that is cut; `store` is open without it, the plant is laid, the folder is empty."""
    work, relay, found = files(), Relay(store.url), Cuts()
    before = intake.BULK_READINGS, bulk.ROWS_A_TRANSACTION, watch.LOST_PAUSE_S
    intake.BULK_READINGS, bulk.ROWS_A_TRANSACTION = 100, {"sqlite": 20, "postgresql": 20}
    watch.LOST_PAUSE_S = (0.05, 0.05)
    chance, wanted, notices = random.Random(seed), {}, []

    def tell(notice: Notice) -> None:
        notices.append(notice)
        if notice.event == "lost":
            relay.mend()

    settings = Settings(relay.url, badge=work.BADGE)
    plan = WatchPlan(folder, gauge=work.GAUGE, every_s=0.02, settle_s=0.02)
    watcher = Watch(settings, plan, tell)
    thread = threading.Thread(target=watcher.run)
    try:
        for number in range(cuts):
            relay.cut_after(chance.randrange(5_000, 250_000))
            wanted |= work.put(folder, number)
            if not number:
                thread.start()
            _until_empty(folder, thread)
            relay.mend()
        watcher.stop.set()
        thread.join(LONGEST_S)
    finally:
        watcher.stop.set()
        relay.close()
        intake.BULK_READINGS, bulk.ROWS_A_TRANSACTION, watch.LOST_PAUSE_S = before
    _clear(store)
    found.cuts, found.waits = relay.cuts - 1, sum(n.event == "lost" for n in notices)
    found.tally = work.Tally(rounds=cuts, files=len(wanted))
    work._check(store, folder, "watch", wanted, found.tally)
    assert trail.verify(store).ok
    return found


def _until_empty(folder: Path, thread: threading.Thread) -> None:
    end = time.monotonic() + LONGEST_S
    while list(folder.glob("*.csv")):
        assert thread.is_alive(), "the watch ended"
        assert time.monotonic() < end, "files are left"
        time.sleep(0.02)


def _clear(store: Store) -> None:
    """Rows of imports that were cut; a server needs a moment to notice."""
    for _ in range(100):
        clear_staged(store)
        with store.read() as connection:
            query = "SELECT count(*) FROM batch WHERE state = 'staged'"
            if not connection.exec_driver_sql(query).scalar_one():
                return
        time.sleep(0.05)
