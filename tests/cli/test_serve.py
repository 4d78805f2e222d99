"""`qualrec serve`: where it listens, whom it answers, what reaches the programs behind the pages, and that it ends them."""

from __future__ import annotations

import asyncio
import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from qualrec.cli import serve
from qualrec.cli.context import OPTIONS, Options
from qualrec.errors import Refused, UsageError
from qualrec.work import set_up

SCREEN = b"Lots that wait"
PROGRAM = "from qualrec.cli.main import run; run()"


@pytest.mark.parametrize(
    ("host", "local"),
    [
        ("127.0.0.1", True),
        ("127.9.9.9", True),
        ("::1", True),
        ("[::1]", True),
        ("LOCALHOST", True),
        ("0.0.0.0", False),
        ("::", False),
        ("192.168.1.5", False),
        ("plant.example", False),
        ("localhost.example", False),
        ("127.0.0.1.example", False),
        ("", False),
    ],
)
def test_addresses_of_this_machine(host: str, local: bool) -> None:
    assert serve.is_loopback(host) is local


def test_an_address_beyond_this_machine_needs_the_flag() -> None:
    serve.check_address("127.0.0.1", network=False)
    serve.check_address("0.0.0.0", network=True)
    with pytest.raises(Refused, match="on this machine only") as caught:
        serve.check_address("0.0.0.0", network=False)
    assert "--network" in caught.value.remedy


def test_records_open_to_all_are_not_offered_to_other_machines(
    program: Callable[..., tuple[int, str, str]],
    written_sample_plant: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The sample plant opens by its printed password, a plant of one person by none: neither is for the network."""
    arguments = ("serve", "--host", "0.0.0.0", "--network", "--port", "9")
    code, _, err = program(written_sample_plant, *arguments)
    assert code == 1
    assert "without a password" in err
    own = tmp_path / "own.sqlite"
    plant = {
        "code": "P1",
        "name": "Plant",
        "zone": "UTC",
        "decimal_style": "point",
        "person": "Invented person",
    }
    set_up.create(f"sqlite:///{own}", **plant)
    code, _, err = program(own, *arguments)
    assert code == 1
    assert "without a password" in err
    guarded = tmp_path / "guarded.sqlite"
    set_up.create(f"sqlite:///{guarded}", **plant, password="a long invented one")
    monkeypatch.setattr(OPTIONS, "db", str(guarded))
    serve.check_records(must_sign_on=True)
    code, _, err = program(tmp_path / "none.sqlite", "serve")
    assert code == 3
    assert "no database" in err


def test_what_the_user_gave_never_stands_in_the_command() -> None:
    """A shell reads the command; names and addresses go by the environment, where nothing reads them as code."""
    bad = "x\"; rm -rf ~ & $(id) `id` %PATH% '.sqlite"
    options = Options(db=bad, theme="light", badge="Q-01' || true", station=None, ascii=True)
    assert serve.environment(options) == {
        "QUALREC_DB": bad,
        "QUALREC_THEME": "light",
        "QUALREC_BADGE": "Q-01' || true",
        "QUALREC_ASCII": "1",
    }
    assert bad not in serve.command()
    done = subprocess.run(
        serve.command().replace(PROGRAM, "print(6 * 7)"), shell=True, capture_output=True, text=True
    )
    assert done.stdout.strip() == "42"


def test_only_the_servers_own_page_is_answered() -> None:
    from qualrec.cli.serve_server import own_request

    assert own_request("127.0.0.1:8710", None, local=True)
    assert own_request("localhost:8710", "http://localhost:8710", local=True)
    assert not own_request("localhost:8710", "http://127.0.0.1:8710", local=True)
    assert not own_request("127.0.0.1:8710", "http://evil.example", local=True)
    assert not own_request("evil.example:8710", "http://evil.example:8710", local=True), (
        "a name that leads here"
    )
    assert not own_request("127.0.0.1:8710", "null", local=True)
    assert own_request("plant.example", "https://plant.example", local=False)
    assert not own_request("plant.example", "https://evil.example", local=False)


def free_port() -> int:
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        return int(listener.getsockname()[1])


def test_a_taken_port_is_said(written_sample_plant: Path) -> None:
    with socket.socket() as listener:
        listener.bind(("127.0.0.1", 0))
        listener.listen()
        port = int(listener.getsockname()[1])
        with pytest.raises(UsageError, match=f"127.0.0.1 port {port} cannot be used") as caught:
            serve.run_server("127.0.0.1", port, Options())
        assert "--port" in caught.value.remedy


async def open_page(port: int, pid: int) -> set[int]:
    """Open a page as a browser does, until its program has painted; end the server meanwhile; the programs behind the page."""
    import aiohttp

    ended = (
        aiohttp.WSMsgType.CLOSE,
        aiohttp.WSMsgType.CLOSED,
        aiohttp.WSMsgType.CLOSING,
        aiohttp.WSMsgType.ERROR,
    )
    site = f"http://127.0.0.1:{port}"
    painted = b""
    async with aiohttp.ClientSession() as client:
        end = time.monotonic() + 60
        while True:
            try:
                async with client.get(site) as page:
                    text = await page.text()
                    assert page.status == 200
                    assert page.headers["X-Frame-Options"] == "DENY"
                break
            except aiohttp.ClientConnectorError:
                assert time.monotonic() < end, "the server did not come"
                await asyncio.sleep(0.2)
        assert "qualrec" in text
        assert "http://" not in text, "nothing comes from elsewhere"
        assert "https://" not in text
        async with client.get(f"{site}/ws", headers={"Origin": "http://evil.example"}) as refused:
            assert refused.status == 403
        async with client.ws_connect(f"{site}/ws?width=80&height=24", origin=site) as socket_:
            while SCREEN not in painted:
                message = await socket_.receive(timeout=60)
                assert message.type in (aiohttp.WSMsgType.BINARY, aiohttp.WSMsgType.TEXT), message
                painted += message.data if isinstance(message.data, bytes) else b""
            behind = children_of(pid)
            os.kill(pid, signal.SIGTERM)
            while (await socket_.receive(timeout=30)).type not in ended:
                pass
    return behind


def children_of(pid: int) -> set[int]:
    found = subprocess.run(["ps", "-o", "pid=", "--ppid", str(pid)], capture_output=True, text=True)
    return {int(word) for word in found.stdout.split()}


def alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return False
    return True


@pytest.mark.skipif(sys.platform == "win32", reason="ended by a signal that the system does not have")
def test_the_first_screen_comes_through_and_the_server_stops_cleanly(
    written_sample_plant: Path, program_env: dict[str, str], tmp_path: Path
) -> None:
    port = free_port()
    env = {**program_env, "QUALREC_CONFIG_DIR": str(tmp_path)}
    command = [sys.executable, "-c", PROGRAM, "--db", str(written_sample_plant), "--theme", "light", "serve"]
    server = subprocess.Popen([*command, "--port", str(port)], env=env, stderr=subprocess.PIPE, text=True)
    try:
        behind = asyncio.run(open_page(port, server.pid))
        _, said = server.communicate(timeout=30)
    finally:
        server.kill()
        server.wait()
    assert server.returncode == 0
    assert said.endswith("Stopped.\n")
    assert "Traceback" not in said
    assert behind
    assert not [pid for pid in behind if alive(pid)]
