"""`watch`, `listen`, `db move` and `db grants` as they are typed."""

from __future__ import annotations

import io
import json
import os
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from qualrec.work.sample_files import locate

LINK = str(locate("force_gauge_link.toml"))
Program = Callable[..., tuple[int, str, str]]


def gauge(*lines: bytes) -> str:
    """Address of an instrument that sends lines to the first who connects, after a silence."""
    listener = socket.create_server(("127.0.0.1", 0))

    def serve() -> None:
        with listener:
            connection, _ = listener.accept()
            with connection:
                time.sleep(0.5)
                connection.sendall(b"".join(lines))
                time.sleep(2)

    threading.Thread(target=serve, daemon=True).start()
    return f"tcp://127.0.0.1:{listener.getsockname()[1]}"


def test_a_scheduled_watch_says_one_line_a_file(sample_plant: Path, program: Program, tmp_path: Path) -> None:
    folder = tmp_path / "in"
    folder.mkdir()
    for name in ("tester_pulls.csv", "tester_pulls_bad.csv"):
        shutil.copy(locate(name), folder)
    quick = ("--once", "--settle", "0.02", "--every", "0.01")
    code, out, _ = program(sample_plant, "watch", str(folder), *quick)
    assert code == 1
    lines = out.splitlines()
    assert [line.split()[2] for line in lines] == ["watching", "taken", "refused", "stopped"]
    assert "row 8" in lines[2]
    shutil.copy(locate("tester_pulls.csv"), folder)
    code, out, _ = program(sample_plant, "watch", str(folder), *quick, "--json")
    assert code == 0
    found = [json.loads(line) for line in out.splitlines()]
    assert [(n["event"], n["file"]) for n in found] == [
        ("watching", ""), ("known", "tester_pulls.csv"), ("stopped", ""),
    ]  # fmt: skip


def test_a_watch_ends_in_order_when_it_is_told_to(
    sample_plant: Path, tmp_path: Path, program_env: dict[str, str]
) -> None:
    """A termination (on Windows a break of the console) finishes the file in hand; exit 0."""
    folder = tmp_path / "in"
    folder.mkdir()
    shutil.copy(locate("tester_pulls.csv"), folder)
    command = [sys.executable, "-c", "from qualrec.cli.main import run; run()", "--db", str(sample_plant)]
    command += ["watch", str(folder), "--settle", "0.1", "--every", "0.1"]
    own_group: dict[str, Any] = (
        {"creationflags": subprocess.CREATE_NEW_PROCESS_GROUP} if sys.platform == "win32" else {}
    )
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=program_env, **own_group
    ) as watching:
        assert watching.stdout is not None
        assert watching.stderr is not None
        seen = [watching.stdout.readline().split()[2]]
        seen.append(watching.stdout.readline().split()[2])
        watching.send_signal(signal.CTRL_BREAK_EVENT if sys.platform == "win32" else signal.SIGTERM)
        rest, words = watching.stdout.read(), watching.stderr.read()
        assert watching.wait(20) == 0
    assert seen == ["watching", "taken"]
    assert "1 file taken" in rest
    assert "Stopping" in words
    assert "Traceback" not in words


def test_readings_of_an_instrument_are_asked_for_their_mode(
    sample_plant: Path, program: Program, monkeypatch: pytest.MonkeyPatch
) -> None:
    address = gauge(b"612.4 N\r\n", b"OVER\r\n", b"598.1 N\r\n", b"401.2 N\r\n", b"77 N\r\n")
    monkeypatch.setattr(sys, "stdin", io.StringIO("p\n-\nzz\ni\n"))
    code, out, err = program(
        sample_plant, "--badge", "T-01", "listen", "FM00061", "PULL", "--link", LINK, "--at", address
    )
    assert code == 1  # on hold after the interfacial one
    assert "612.4 N, parent material: pass" in out
    assert "401.2 N, interfacial: fail" in out
    assert "598.1 N was not taken" in err
    assert "overload" in err
    with sqlite3.connect(sample_plant) as connection:
        query = (
            "SELECT entered_text FROM reading_entry WHERE person_id = (SELECT id FROM person WHERE badge = 'T-01')"
            " ORDER BY entered_us DESC, sample DESC LIMIT 2"
        )
        assert connection.execute(query).fetchall() == [("401.2 N",), ("612.4 N",)]
    connection.close()


def test_a_link_is_tried_without_records(program: Program, tmp_path: Path) -> None:
    address = gauge(b"612.4 N\r\n", b"#\r\n", b"137.2 LB\r\n")
    missing = tmp_path / "none.sqlite"
    code, out, _ = program(missing, "listen", "--link", LINK, "--at", address, "--count", "2", "--json")
    assert code == 0
    found = [json.loads(line) for line in out.splitlines()]
    assert [n["kind"] for n in found] == ["connected", "reading", "trouble", "reading"]
    assert found[3]["reading"]["unit"] == "lbf"
    assert "N to lbf" in found[3]["message"]
    assert not missing.exists()
    assert program(missing, "listen")[0] == 2
    assert program(missing, "listen", "FM00061", "--link", LINK)[0] == 2


def test_a_plant_is_carried_over_by_the_command(sample_plant: Path, program: Program, tmp_path: Path) -> None:
    """The whole sample plant, with all its flags, signatures, corrections and recipes."""
    to = tmp_path / "moved.sqlite"
    code, out, err = program("unused.sqlite", "db", "move", str(sample_plant), str(to))
    assert code == 0
    assert "Rows and digests of all tables agree" in out
    assert "carrying over rows" in err
    assert program(to, "db", "verify")[0] == 0
    code, _, err = program("unused.sqlite", "db", "move", str(sample_plant), str(to))
    assert (code, "is there already" in err) == (1, True)
    assert not os.path.exists("unused.sqlite")


def test_the_rights_are_printed(program: Program) -> None:
    code, out, _ = program("unused.sqlite", "db", "grants", "--app", "line_app")
    assert code == 0
    assert "CREATE ROLE line_app NOLOGIN" in out
    assert program("unused.sqlite", "db", "grants", "--app", "Line App")[0] == 2
