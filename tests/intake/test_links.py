"""Serial lines and TCP: connected, cut, connected again. The serial line is a pseudo-terminal where the system has them."""

from __future__ import annotations

import os
import socket
import sys
import threading
import time
from collections.abc import Callable, Iterator
from typing import Any

import pytest

from qualrec.errors import UsageError
from qualrec.intake import links
from qualrec.intake.line_protocol import LineProfile, SerialSettings
from qualrec.intake.links import LinkEvent, LinkLost, listen, open_source

PATTERN = r"(?P<sign>[-+]?)(?P<value>[0-9.]+) *(?P<unit>[A-Za-z]*)"


def profile(**changes: Any) -> LineProfile:
    return LineProfile(**{"name": "gauge", "pattern": PATTERN, "unit": "N", "overload": "OVER", **changes})


class Gauge:
    """An instrument on TCP that does what a test says: for each connection one function with its socket."""

    def __init__(self, *turns: Callable[[socket.socket], None]) -> None:
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.port = int(self._listener.getsockname()[1])
        self.address = f"tcp://127.0.0.1:{self.port}"
        self._turns = turns
        self._thread = threading.Thread(target=self._serve, daemon=True)

    def __enter__(self) -> Gauge:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._listener.close()
        self._thread.join(10)

    def _serve(self) -> None:
        for turn in self._turns:
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return
            with connection:
                turn(connection)


def sends(*pieces: bytes, first_after_s: float = 0.0) -> Callable[[socket.socket], None]:
    def turn(connection: socket.socket) -> None:
        time.sleep(first_after_s)
        for piece in pieces:
            connection.sendall(piece)
            time.sleep(0.01)

    return turn


def collect(
    events: Iterator[LinkEvent], stop: threading.Event, until: Callable[[list[LinkEvent]], bool]
) -> list[LinkEvent]:
    found: list[LinkEvent] = []
    end = time.monotonic() + 20
    for event in events:
        found.append(event)
        if until(found):
            stop.set()
        assert time.monotonic() < end, found
    return found


def readings(found: list[LinkEvent]) -> list[float]:
    return [e.reading.value for e in found if e.reading is not None]


@pytest.fixture(autouse=True)
def quick(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(links, "FIRST_PAUSE_S", 0.02)
    monkeypatch.setattr(links, "WAIT_S", 0.02)
    monkeypatch.setattr(links, "SILENT_S", 0.1)


def test_lines_of_a_tcp_instrument_cut_and_connected_again() -> None:
    stop = threading.Event()
    first = sends(b"612", b".4 N\r\nOVER\r\n\xff\xfe\r\n137.2 lbf\r\n-5", b"9", first_after_s=0.2)
    second = sends(
        b"9.1 N\r\n", b"598.1 N\r\n", b"1 N\r\n"
    )  # begins at once: its first piece may be the end of a line
    with Gauge(first, second) as gauge:
        events = listen(profile(), gauge.address, stop)
        found = collect(events, stop, lambda f: len(readings(f)) == 4)
    assert readings(found) == [612.4, 137.2, 598.1, 1.0]
    kinds = [e.trouble.kind if e.trouble else e.kind for e in found]
    assert kinds == [
        "connected", "reading", "overload", "garbage", "reading", "cut", "lost", "connected", "cut", "reading", "reading",
    ]  # fmt: skip


def test_an_instrument_that_is_not_there_is_told_once_and_tried_again() -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        address = f"tcp://127.0.0.1:{listener.getsockname()[1]}"
    tries, stop = [], threading.Event()

    def opener(given: LineProfile, where: str) -> Any:
        tries.append(where)
        if len(tries) == 4:
            stop.set()
        return open_source(given, where)

    found = list(listen(profile(), address, stop, opener))
    assert [e.kind for e in found] == ["lost"]
    assert "does not answer" in found[0].message
    assert len(tries) == 4


@pytest.mark.parametrize(
    "address",
    ["", " ", "tcp://", "tcp://host", "tcp://host:0", "tcp://host:70000", "tcp://host:1:2", "udp://h:1"],
)
def test_addresses_that_cannot_be_read(address: str) -> None:
    with pytest.raises(UsageError):
        next(listen(profile(), address, threading.Event()))


def test_a_serial_port_that_is_not_there() -> None:
    with pytest.raises(LinkLost, match="NO-SUCH-PORT"):
        open_source(profile(), "NO-SUCH-PORT")


def test_without_the_driver_the_way_to_it_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "serial", None)
    with pytest.raises(UsageError, match="driver for serial lines") as caught:
        open_source(profile(), "COM3")
    assert "qualrec[serial]" in caught.value.remedy


def test_settings_of_the_line_reach_the_driver(monkeypatch: pytest.MonkeyPatch) -> None:
    import serial

    given: dict[str, Any] = {}

    class Port:
        def __init__(self, name: str, **settings: Any) -> None:
            given.update(settings, name=name)

        def close(self) -> None:
            given["closed"] = True

    monkeypatch.setattr(serial, "Serial", Port)
    line = SerialSettings(baud=2400, data_bits=7, parity="even", stop_bits=2, flow="hardware")
    open_source(profile(serial=line), "COM7").close()
    assert given == {
        "name": "COM7", "baudrate": 2400, "bytesize": 7, "parity": "E", "stopbits": 2, "xonxoff": False, "rtscts": True,
        "timeout": links.WAIT_S, "exclusive": True, "closed": True,
    }  # fmt: skip


if sys.platform != "win32":

    def test_lines_of_a_serial_port() -> None:
        """A pseudo-terminal stands for the line: sent in pieces, then its other end goes away."""
        import tty

        ours, theirs = os.openpty()
        tty.setraw(theirs)
        name, stop = os.ttyname(theirs), threading.Event()

        def send() -> None:
            time.sleep(0.25)
            for piece in (b"61", b"2.4 N\r", b"\n-3.5 N\r\nOVER\r\n", b"\x00\x9f\r\n", b"598.1 N\r\n40"):
                os.write(ours, piece)
                time.sleep(0.02)
            time.sleep(0.1)
            os.close(theirs)
            os.close(ours)

        sender = threading.Thread(target=send)
        sender.start()
        found = collect(listen(profile(), name, stop), stop, lambda f: f[-1].kind == "lost")
        sender.join()
        kinds = [e.trouble.kind if e.trouble else e.kind for e in found]
        assert readings(found) == [612.4, -3.5, 598.1]
        assert kinds == ["connected", "reading", "reading", "overload", "garbage", "reading", "cut", "lost"]

    def test_a_serial_port_is_held_for_one_program() -> None:
        ours, theirs = os.openpty()
        try:
            first = open_source(profile(), os.ttyname(theirs))
            with pytest.raises(LinkLost, match="cannot be opened"):
                open_source(profile(), os.ttyname(theirs))
            first.close()
            open_source(profile(), os.ttyname(theirs)).close()
        finally:
            os.close(ours)
            os.close(theirs)
