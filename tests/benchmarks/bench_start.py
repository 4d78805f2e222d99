"""How long a person waits at the start: `--help` against importing typer, first paint against an empty Textual app."""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

NAMES = ("help", "first-paint")
ROUNDS = 9

LEAVE = """
async def leave(pilot):
    pilot.app.exit()
"""
EMPTY_APP = (
    LEAVE
    + """
from textual.app import App
App().run(headless=True, auto_pilot=leave)
"""
)
OURS = (
    LEAVE
    + """
import pathlib, sys
from qualrec import config
from qualrec.tui.app import QualrecApp
settings = config.load(db=sys.argv[1], env={}, file=pathlib.Path("none"))
QualrecApp(settings, places=()).run(headless=True, auto_pilot=leave)
"""
)
"""The first paint comes before the first place and the records are opened; both wait until the app is ready."""


def seconds(*command: str) -> float:
    """Median wall time of a command, one round of warming before."""
    times = []
    for _ in range(ROUNDS + 1):
        start = time.perf_counter()
        subprocess.run(
            command, check=True, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, env={**os.environ}
        )
        times.append(time.perf_counter() - start)
    return statistics.median(times[1:])


def entry(name: str, ours: float, reference: float, goal: float) -> dict[str, Any]:
    ratio = ours / reference
    return {
        "name": name,
        "ours": ours,
        "reference": reference,
        "ratio": ratio,
        "goal": goal,
        "ok": ratio <= goal,
    }


def run() -> list[dict[str, Any]]:
    python = sys.executable
    ours = seconds(
        python, "-c", "import sys; sys.argv = ['qualrec', '--help']; from qualrec.cli.main import run; run()"
    )
    typer = seconds(python, "-c", "import typer")
    with tempfile.TemporaryDirectory() as folder:
        path = str(Path(folder) / "none.sqlite")
        paint = seconds(python, "-c", OURS, path)
    empty = seconds(python, "-c", EMPTY_APP)
    return [entry("help", ours, typer, 3.0), entry("first-paint", paint, empty, 1.6)]
