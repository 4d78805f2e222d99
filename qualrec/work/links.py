"""A force gauge or another instrument on a line: its readings fill the value, the person still says the failure mode.

`LinkQueue` reads a link in a thread; the command and the bench ask it for what has come. Where an instrument is linked is a
setting of the machine; its profile is a TOML file in the form of `intake.line_protocol`.
"""

from __future__ import annotations

import queue
import threading
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from qualrec.errors import ImplausibleValue, QualrecError, UsageError
from qualrec.intake.line_protocol import LineProfile, LineReading, from_toml
from qualrec.intake.links import LinkEvent, Opener, listen, open_source
from qualrec.values import Characteristic
from qualrec.weld.failure_modes import FailureMode, find_mode
from qualrec.work import bench
from qualrec.work.bench import Entry, Logged
from qualrec.work.session import Session
from qualrec.work.target import Target, find_target

__all__ = ["LineReading", "LinkEvent", "LinkQueue", "load_link", "take_reading", "understood_of"]

MOST_WAITING = 1_000
"""Events kept for a reader that is slow; the oldest go first."""
CLOSE_S = 2.0


def load_link(path: Path, address: str = "") -> LineProfile:
    """The link profile in a TOML file, with another address where one is given. Raises UsageError."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise UsageError(f"{path} cannot be read: {error.strerror}.", "Check the path.") from error
    except UnicodeDecodeError as error:
        raise UsageError(f"{path.name} is not UTF-8.", "Save it as UTF-8.") from error
    found = from_toml(text)
    found = replace(found, address=address or found.address)
    if not found.address.strip():
        raise UsageError(
            f"{path.name} names no address.", "Give --at with tcp://HOST:PORT or the name of a serial port."
        )
    return found


class LinkQueue:
    """Reads a link in a thread of its own until `close`.

    with LinkQueue(profile) as link:
        event = link.next(0.2)
    """

    def __init__(self, profile: LineProfile, opener: Opener = open_source) -> None:
        self.profile = profile
        self._opener = opener
        self._events: queue.Queue[LinkEvent | QualrecError] = queue.Queue(MOST_WAITING)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="instrument link", daemon=True)

    def __enter__(self) -> LinkQueue:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Give the port back."""
        self._stop.set()
        if self._thread.ident is not None:
            self._thread.join(CLOSE_S)

    def next(self, wait_s: float = 0.0) -> LinkEvent | None:
        """The next event, None where none comes within `wait_s`. Raises UsageError where the settings are wrong."""
        try:
            found = self._events.get(block=wait_s > 0, timeout=wait_s or None)
        except queue.Empty:
            return None
        if isinstance(found, QualrecError):
            raise found
        return found

    def waiting(self) -> int:
        """How many events wait."""
        return self._events.qsize()

    def _run(self) -> None:
        try:
            for event in listen(self.profile, self.profile.address, self._stop, self._opener):
                self._put(event)
        except QualrecError as error:
            self._put(error)

    def _put(self, event: LinkEvent | QualrecError) -> None:
        while True:
            try:
                self._events.put_nowait(event)
                return
            except queue.Full:
                try:
                    self._events.get_nowait()
                except queue.Empty:
                    continue


def understood_of(characteristic: Characteristic, reading: LineReading) -> str:
    """The reading in the characteristic's unit, in words. Raises UsageError where it measures something else or cannot be."""
    return bench.understand_typed(characteristic, reading.text).echo


@dataclass(frozen=True, slots=True)
class Asked:
    """What a person answers to a reading: the failure mode of a pull with its shares, and whether it is taken at all."""

    mode: str = ""
    shares: str = ""
    taken: bool = True


def take_reading(
    session: Session,
    lot: str,
    code: str,
    reading: LineReading,
    asked: Asked,
    *,
    key: str,
    again: Callable[[str], str],
    stream: str | None = None,
    gauge: str | None = None,
    serial: str = "",
) -> Logged:
    """Log a reading of a link with the person's answer.

    `key` makes it stored once however often it is sent. `again` is asked with the reason where the value is far from what was
    usual: the person types what the display of the instrument shows; empty gives it up. Raises as `bench.log`.
    """
    target = find_target(session, lot, code)
    entry = _entry(session, target, reading, asked, serial)
    try:
        return bench.log(session, target, [entry], stream=stream, gauge=gauge, entry_key=key)
    except ImplausibleValue as error:
        second = again(error.message).strip()
        if not second:
            raise
        entry = replace(entry, again=second)
    return bench.log(session, target, [entry], stream=stream, gauge=gauge, entry_key=key)


def _entry(session: Session, target: Target, reading: LineReading, asked: Asked, serial: str) -> Entry:
    mixed = bool(asked.mode) and find_mode(asked.mode) == FailureMode.MIXED
    repeated = None
    if target.characteristic.strength and target.lot is not None:
        repeated = bench.owed_repeat(
            bench.open_lot(session, target.lot.number).readings, target.characteristic.code
        )
    return Entry(
        reading.text,
        asked.mode,
        bench.read_shares(asked.shares) if mixed else None,
        serial,
        repeat_of=repeated,
        reason="" if repeated is None else bench.REPEAT,
    )
