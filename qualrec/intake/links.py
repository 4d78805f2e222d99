"""Where lines come from: a serial port or a TCP connection, connected again when it is lost.

A serial port needs pyserial (`pip install 'qualrec[serial]'`). Nothing is ever sent to the instrument.
"""

from __future__ import annotations

import contextlib
import re
import socket
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Any, Literal, Protocol

from qualrec.errors import QualrecError, UsageError
from qualrec.intake.line_protocol import LineProfile, LineReader, LineReading, LineTrouble
from qualrec.intake.numbers import quote

WAIT_S = 0.2
"""How long one look for bytes waits; a stop is seen as soon."""
SILENT_S = 0.3
"""What comes after so much silence begins a line."""
FIRST_PAUSE_S, LONGEST_PAUSE_S = 0.5, 10.0
"""Pauses between attempts to connect again double from the first to the longest."""
CONNECT_S = 5.0
_TCP = re.compile(r"tcp://(\[[0-9A-Fa-f:.%]+\]|[^:/\[\]\s]+):(\d{1,5})/?")


class LinkLost(QualrecError):
    """The port or the connection is gone."""


class Source(Protocol):
    """An open line of bytes."""

    def read(self, wait_s: float) -> bytes:
        """What has come; empty where nothing came within `wait_s`. Raises LinkLost."""

    def close(self) -> None:
        """Give it back; never raises."""


@dataclass(frozen=True, slots=True)
class LinkEvent:
    """What a link tells. `reading` with kind 'reading' only."""

    kind: Literal["connected", "reading", "trouble", "lost"]
    message: str
    reading: LineReading | None = None
    trouble: LineTrouble | None = None


Opener = Callable[[LineProfile, str], Source]


class TcpSource:
    """Client of an instrument, or of a converter between a serial line and a network."""

    def __init__(self, host: str, port: int) -> None:
        self._name = f"tcp://{host}:{port}"
        try:
            self._socket = socket.create_connection((host, port), timeout=CONNECT_S)
        except (OSError, UnicodeError) as error:
            raise LinkLost(f"{self._name} does not answer ({_words(error)}).") from error
        self._socket.setsockopt(socket.SOL_SOCKET, socket.SO_KEEPALIVE, 1)

    def read(self, wait_s: float) -> bytes:
        self._socket.settimeout(wait_s)
        try:
            data = self._socket.recv(4096)
        except TimeoutError:
            return b""
        except OSError as error:
            raise LinkLost(f"{self._name} was lost ({_words(error)}).") from error
        if not data:
            raise LinkLost(f"{self._name} was closed by the other end.")
        return data

    def close(self) -> None:
        self._socket.close()


class SerialSource:
    """A serial port, held for this program alone."""

    def __init__(self, profile: LineProfile, port: str) -> None:
        try:
            import serial
        except ModuleNotFoundError as error:
            raise UsageError(
                "The driver for serial lines is not installed.", "Install it: pip install 'qualrec[serial]'"
            ) from error
        given = profile.serial
        self._failed: Any = (serial.SerialException, OSError)
        self._name = port
        try:
            self._port: Any = serial.Serial(
                port,
                baudrate=given.baud,
                bytesize=given.data_bits,
                parity=given.parity[0].upper(),
                stopbits=given.stop_bits,
                xonxoff=given.flow == "software",
                rtscts=given.flow == "hardware",
                timeout=WAIT_S,
                exclusive=True,
            )
        except ValueError as error:
            raise UsageError(f"{port}: {error}.", "Correct the settings of the link profile.") from error
        except self._failed as error:
            raise LinkLost(f"{port} cannot be opened ({_words(error)}).") from error

    def read(self, wait_s: float) -> bytes:
        try:
            self._port.timeout = wait_s
            first: bytes = self._port.read(1)
            rest: bytes = self._port.read(self._port.in_waiting) if first and self._port.in_waiting else b""
            return first + rest
        except (*self._failed, TypeError) as error:
            raise LinkLost(f"{self._name} was lost ({_words(error)}).") from error

    def close(self) -> None:
        with contextlib.suppress(*self._failed):
            self._port.close()


def open_source(profile: LineProfile, address: str) -> Source:
    """Open 'tcp://HOST:PORT' or a serial port by its name. Raises LinkLost, UsageError for an address that cannot be read."""
    if "://" in address:
        found = _TCP.fullmatch(address.strip())
        if found is None or not 0 < int(found[2]) < 65536:
            raise UsageError(
                f"{address!r} is no address.", "Write tcp://HOST:PORT, or the name of a serial port."
            )
        return TcpSource(found[1].strip("[]"), int(found[2]))
    if not address.strip():
        raise UsageError(
            "The link has no address.", "Give tcp://HOST:PORT or the name of a serial port (--at)."
        )
    return SerialSource(profile, address.strip())


def listen(
    profile: LineProfile, address: str, stop: threading.Event, opener: Opener = open_source
) -> Iterator[LinkEvent]:
    """What a link tells until `stop`: readings, trouble, and each time that it is connected or lost.

    A lost link is tried again for ever; a loss is told once. Raises UsageError where address or settings are wrong.
    """
    reader, pause_s, told = LineReader(profile), FIRST_PAUSE_S, False
    while not stop.is_set():
        try:
            source = opener(profile, address)
        except LinkLost as error:
            if not told:
                yield LinkEvent("lost", error.message)
                told = True
            stop.wait(pause_s)
            pause_s = min(2 * pause_s, LONGEST_PAUSE_S)
            continue
        yield LinkEvent("connected", f"Connected with {address}.")
        pause_s, told = FIRST_PAUSE_S, True
        try:
            yield from _until_lost(source, reader, stop)
            return
        except LinkLost as error:
            yield from map(_event, reader.cut())
            yield LinkEvent("lost", error.message)
        finally:
            source.close()
        stop.wait(FIRST_PAUSE_S)


def _until_lost(source: Source, reader: LineReader, stop: threading.Event) -> Iterator[LinkEvent]:
    reader.begin(silent_before=False)
    since, begun = time.monotonic(), False
    while not stop.is_set():
        data = source.read(WAIT_S)
        if data:
            if not begun and time.monotonic() - since >= SILENT_S:
                reader.begin(silent_before=True)
            begun = True
            yield from map(_event, reader.feed(data))


def _event(arrived: LineReading | LineTrouble) -> LinkEvent:
    if isinstance(arrived, LineTrouble):
        return LinkEvent("trouble", arrived.message, trouble=arrived)
    words = f"{quote(arrived.line)} -> {arrived.value:.12g} {arrived.unit}"
    return LinkEvent("reading", f"{words} {arrived.note}".rstrip(), reading=arrived)


def _words(error: BaseException) -> str:
    """The system's words for an error, without its number."""
    return (
        str(getattr(error, "strerror", None) or error).splitlines()[0] if str(error) else type(error).__name__
    )
