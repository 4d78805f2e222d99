"""The desk: what the program costs while nobody types, how fast a place comes up, and paging through 100,000 lots.

idle-cpu: the program on a pseudo terminal, each of two places left alone for IDLE_S seconds; processor time used by it as a
share of the time, against the ceiling of 1 %. Read from /proc; left out on systems without it.
place-change: from the wish for a place to its records on the screen, at the sample plant at 120 by 40, each place
visited before; the median of the slowest place against the ceiling of 150 ms.
lots-page: from the key to the painted next page of Lots with 100,000 lots, against 5,000 lots, in the same run.
"""

from __future__ import annotations

import asyncio
import importlib.util
import os
import statistics
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

NAMES = ("idle-cpu", "place-change", "lots-page")
IDLE_S, IDLE_GOAL_PCT = 30.0, 1.0
SETTLE_S = 12.0
"""Until what a place computes in the background is done."""
CHANGE_GOAL_MS, ROUNDS = 150.0, 9
FEW, MANY, PAGES = 5_000, 100_000, 9
PLACES = ("bench", "lots", "charts", "capability", "recipes", "gauges", "trail")


def screens() -> Any:
    spec = importlib.util.spec_from_file_location(
        "bench_screens", Path(__file__).with_name("bench_screens.py")
    )
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


# Nobody types.


def processor_s(pid: int) -> float:
    """Processor time that a program has used, in seconds."""
    fields = Path(f"/proc/{pid}/stat").read_text(encoding="ascii").rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def idle(shared: Any, database: Path) -> dict[str, Any]:
    """The larger share of the places Bench and Charts."""
    program = [sys.executable, "-c", shared.PROGRAM, "--db", str(database), "--badge", "Q-01"]
    terminal = shared.Terminal(program)
    shares = []
    try:
        terminal.until(b"Lots that wait")
        for keys in (b"", b"\x1b[20~3"):
            terminal.send(keys)
            rested = time.perf_counter() + SETTLE_S
            while time.perf_counter() < rested:
                terminal.read(1.0)
            before, begin = processor_s(terminal.program.pid), time.perf_counter()
            end = begin + IDLE_S
            while time.perf_counter() < end:
                terminal.read(1.0)
            used, passed = processor_s(terminal.program.pid) - before, time.perf_counter() - begin
            shares.append(100.0 * used / passed)
    finally:
        terminal.close()
    return {**shared.entry("idle-cpu", max(shares), IDLE_GOAL_PCT, 1.0), "unit": "% against the ceiling"}


# From place to place.


async def ready(screen: Any) -> None:
    """Until the screen waits for nothing and is drawn."""
    from qualrec.tui.workers import Asking

    asking = [node for node in (screen, *screen.query("*")) if isinstance(node, Asking)]
    while any(node.waiting() for node in asking):
        await asyncio.sleep(0.001)
    drawn = asyncio.Event()
    screen.call_after_refresh(drawn.set)
    await drawn.wait()


async def change_times(database: Path) -> dict[str, list[float]]:
    from qualrec.config import Settings
    from qualrec.tui.app import QualrecApp
    from qualrec.tui.desk import Desk

    settings = Settings(f"sqlite:///{database}", badge="Q-01")
    app = QualrecApp(settings, desk=Desk(settings))
    times: dict[str, list[float]] = {place: [] for place in PLACES}
    async with app.run_test(size=(120, 40)) as pilot:
        for at in range(ROUNDS + 1):
            for place in PLACES:
                begin = time.perf_counter()
                await app.action_go(place)
                await ready(app.screen)
                if at:
                    times[place].append(time.perf_counter() - begin)
                await pilot.app.workers.wait_for_complete()
                await pilot.pause()
    return times


def change(shared: Any, database: Path) -> dict[str, Any]:
    times = asyncio.run(change_times(database))
    medians = {place: statistics.median(held) * 1000 for place, held in times.items()}
    slowest = max(medians.values())
    found = shared.entry("place-change", slowest, CHANGE_GOAL_MS, 1.0)
    return {**found, "unit": "ms against the ceiling", "medians_ms": medians}


# Page by page.


async def page_times(path: Path) -> list[float]:
    from qualrec.config import Settings
    from qualrec.tui.app import QualrecApp
    from qualrec.tui.desk import Desk
    from qualrec.tui.widgets.record_table import RecordTable

    settings = Settings(f"sqlite:///{path}", badge="Q-01")
    app = QualrecApp(settings, desk=Desk(settings))
    times = []
    async with app.run_test(size=(120, 40)) as pilot:
        await pilot.app.workers.wait_for_complete()
        await pilot.pause()
        await app.action_go("lots")
        await ready(app.screen)
        table = app.screen.query_one(RecordTable)
        for _ in range(PAGES):
            begin = time.perf_counter()
            assert table.action_next_page()
            await ready(app.screen)
            times.append(time.perf_counter() - begin)
            await pilot.app.workers.wait_for_complete()
            await pilot.pause()
    return times


def pages(shared: Any, folder: Path) -> dict[str, Any]:
    paths = {count: folder / f"paged{count}.sqlite" for count in (FEW, MANY)}
    for count, path in paths.items():
        shared.fill(f"sqlite:///{path}", count)
    times: dict[int, list[float]] = {FEW: [], MANY: []}
    for count in (FEW, MANY, FEW, MANY):
        times[count] += asyncio.run(page_times(paths[count]))
    few, many = (statistics.median(times[count]) for count in (FEW, MANY))
    return {**shared.entry("lots-page", many, few, 1.5), "unit": "s"}


def run() -> list[dict[str, Any]]:
    from qualrec.work import sample_plant

    shared = screens()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        database = folder / "sample.sqlite"
        sample_plant.write(f"sqlite:///{database}")
        found = [change(shared, database), pages(shared, folder)]
        if Path("/proc/self/stat").exists():
            found.append(idle(shared, database))
    return found
