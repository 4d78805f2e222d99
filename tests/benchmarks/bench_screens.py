"""What a person waits for on the screen: lists of 20,000 lots against 200, a chart of 5,000 points, a key in a real terminal.

Lists: the program runs headless; the time is that from Reload to the painted list, with the 200 newest lots
waiting in both.
Chart: all lines of the widget drawn anew, at 120 by 40, with limits and a spread chart; its goal is a ceiling of 20 ms.
Key: a digit is sent through a pseudo terminal to the program at the bench of the sample plant, until the digit is painted;
against a Textual app that holds one Input and nothing else. p95 of KEYS keys each, the two taking turns. Needs a system
with pseudo terminals; left out elsewhere.
"""

from __future__ import annotations

import asyncio
import math
import os
import re
import select
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from contextlib import ExitStack, suppress
from pathlib import Path
from typing import Any

from qualrec.tui.widgets.record_table import RecordTable

NAMES = ("lots-list", "bench-list", "chart-redraw", "key-to-screen")
FEW, MANY, WAITING = 200, 20_000, 200
ROUNDS = 15
POINTS = 5_000
CHART_GOAL_MS = 20.0
KEYS = 120
HOUR_US = 3_600_000_000

EMPTY_FORM = """
from textual.app import App
from textual.widgets import Input

class Form(App):
    def compose(self):
        yield Input()

Form().run()
"""
PROGRAM = "from qualrec.cli.main import run; run()"


def entry(name: str, ours: float, reference: float, goal: float) -> dict[str, Any]:
    ratio = ours / reference
    shown = {"name": name, "ours": ours, "reference": reference, "ratio": ratio, "goal": goal}
    return {**shown, "ok": ratio <= goal}


# Lists.


def fill(url: str, count: int) -> None:
    """The master data of the sample plant with `count` lots, the newest WAITING of them not settled; invented.

    Rows are laid past the program, because only reading them is measured.
    """
    from qualrec.records import lookups, registry
    from qualrec.records.database import open_store
    from qualrec.work import definitions
    from qualrec.work.sample_files import locate
    from qualrec.work.set_up import PROGRAM

    tables = definitions.load(locate("sample_plant.toml"))
    with open_store(url, create=True) as store:
        with store.write(PROGRAM) as writer:
            registry.add_plant(writer, "SAMPLE", "Sample plant", "Europe/Berlin", "point", invented=True)
            definitions.Definitions(writer, "bench").define({"person": tables["person"]})
        with store.write(lookups_actor(store)) as writer:
            rest = {k: v for k, v in tables.items() if k not in ("plant", "person")}
            definitions.Definitions(writer, "bench").define(rest)
        with store.read() as conn:
            part = lookups.part(conn, "FM-2040")
            force = lookups.characteristic(conn, "FM-2040", "PULL").id
            recipe = lookups.recipe_revision(conn, "RC-2040", 1).id
            station = lookups.station(conn, "LW-1").id
            plant = lookups.plant(conn).id
        with store.transaction() as connection:
            for name, rows in rows_of(plant, part.id, force, recipe, station, count).items():
                lay(connection, name, rows)


def lookups_actor(store: Any) -> Any:
    from qualrec.records import lookups

    with store.read() as conn:
        return lookups.actor(conn, "P-01")


def rows_of(
    plant: int, part: int, force: int, recipe: int, station: int, count: int
) -> dict[str, list[dict[str, Any]]]:
    """Rows of lots, each with a segment, what it owes and the sums of five pulls (the waiting ones have three)."""
    begin = (plant << 40) + (1 << 30)
    found: dict[str, list[dict[str, Any]]] = {
        n: [] for n in ("subject", "lot", "lot_segment", "test_owed", "rollup")
    }
    for at in range(count):
        lot, segment, owed = (begin + 3 * at + k for k in range(3))
        waits = at >= count - WAITING
        started = 1_700_000_000_000_000 + at * HOUR_US
        found["subject"].append({"id": segment, "plant_id": plant, "kind": "lot segment"})
        found["lot"].append(
            {
                "id": lot,
                "plant_id": plant,
                "number": f"B{at:06d}",
                "part_id": part,
                "quantity": 480,
                "started_us": started,
                "state": "awaiting tests" if waits else "released",
                "version": 1,
                "remark": "",
            }
        )
        found["lot_segment"].append(
            {
                "id": segment,
                "lot_id": lot,
                "position": 1,
                "from_us": started,
                "recipe_revision_id": recipe,
                "station_id": station,
            }
        )
        found["test_owed"].append(
            {
                "id": owed,
                "lot_id": lot,
                "characteristic_id": force,
                "position": "start",
                "count": 5,
                "mandatory": 1,
            }
        )
        n, mean = (3 if waits else 5), 540.0 + at % 17
        figures = dict.fromkeys(("shift", "low", "high", "first", "last"), mean)
        found["rollup"].append(
            {
                "subject_id": segment,
                "characteristic_id": force,
                "stream_id": 0,
                "condition_id": 0,
                "subgroup": 0,
                "n": n,
                **figures,
                **dict.fromkeys(("s1", "s2", "sad", "sp"), 0.0),
            }
        )
    return found


def lay(connection: Any, name: str, rows: list[dict[str, Any]]) -> None:
    from qualrec.records.models import metadata

    connection.execute(metadata.tables[name].insert(), rows)


async def painted(pilot: Any) -> None:
    await pilot.pause()
    await pilot.app.workers.wait_for_complete()
    await pilot.pause()


async def answered(screen: Any) -> None:
    """Until nothing is waited for and the screen is drawn; without the pauses of the test driver."""
    asking = [screen, *screen.query(RecordTable)]
    while any(node.waiting() for node in asking):
        await asyncio.sleep(0.0002)
    drawn = asyncio.Event()
    screen.call_after_refresh(drawn.set)
    await drawn.wait()


async def reload_times(path: Path, place: str, shown: Callable[[Any], int]) -> list[float]:
    """Seconds from Reload to the painted list, ROUNDS times."""
    from qualrec.config import Settings
    from qualrec.tui.app import QualrecApp
    from qualrec.tui.desk import Desk

    settings = Settings(f"sqlite:///{path}", badge="Q-01")
    app = QualrecApp(settings, desk=Desk(settings))
    times = []
    async with app.run_test(size=(120, 40)) as pilot:
        await painted(pilot)
        await app.action_go(place)
        for _ in range(3):
            await painted(pilot)
        assert shown(app.screen) > 0
        for _ in range(ROUNDS):
            begin = time.perf_counter()
            app.action_reload()
            await answered(app.screen)
            times.append(time.perf_counter() - begin)
            await painted(pilot)
    return times


def lists(folder: Path) -> list[dict[str, Any]]:
    from textual.widgets import OptionList

    paths = {count: folder / f"lots{count}.sqlite" for count in (FEW, MANY)}
    for count, path in paths.items():
        fill(f"sqlite:///{path}", count)
    watched: dict[str, Callable[[Any], int]] = {
        "lots": lambda screen: screen.query_one(RecordTable).rows.row_count,
        "bench": lambda screen: screen.query_one("#waiting", OptionList).option_count,
    }
    found = []
    for place, shown in watched.items():
        times: dict[int, list[float]] = {FEW: [], MANY: []}
        for count in (FEW, MANY, FEW, MANY):
            times[count] += asyncio.run(reload_times(paths[count], place, shown))
        few, many = (statistics.median(times[count]) for count in (FEW, MANY))
        found.append(entry(f"{place}-list", many, few, 1.5))
    return found


# Chart.


def plot_of(count: int, centre: float, spread: float) -> Any:
    """An invented series with every kind of mark, two versions of limits and an event."""
    from qualrec.tui.widgets.plot_canvas import Mark
    from qualrec.tui.widgets.plot_sequence import EventMark, LimitSpan, SequencePlot

    values = [centre + spread * math.sin(at * 12.9898) for at in range(count)]
    marks = [
        Mark.HIGH if at % 97 == 0 else Mark.CORRECTED if at % 211 == 0 else Mark.PLAIN for at in range(count)
    ]
    half = count // 2
    limits = [
        LimitSpan(0, half, lower=centre - spread, centre=centre, upper=centre + spread, version="v1"),
        LimitSpan(half, count, lower=centre - spread, centre=centre, upper=centre + spread, version="v2"),
    ]
    return SequencePlot(values, marks=marks, limits=limits, events=[EventMark(half, "a", "invented event")])


async def redraw_times() -> list[float]:
    from textual.app import App, ComposeResult

    from qualrec.tui.themes import THEMES
    from qualrec.tui.widgets.chart import Chart

    class Bare(App[None]):
        def compose(self) -> ComposeResult:
            yield Chart()

    app = Bare()
    for theme in THEMES.values():
        app.register_theme(theme)
    app.theme = "dark"
    times = []
    async with app.run_test(size=(120, 40)) as pilot:
        chart = app.query_one(Chart)
        chart.show(plot_of(POINTS, 600.0, 9.0), heading="invented", spread=plot_of(POINTS, 12.0, 3.0))
        await painted(pilot)
        for step in range(5 * ROUNDS):
            chart.move_to(POINTS - 2 - step)
            begin = time.perf_counter()
            for y in range(chart.size.height):
                chart.render_line(y)
            times.append(time.perf_counter() - begin)
            await pilot.pause()
    return times


def chart() -> dict[str, Any]:
    ours = statistics.median(asyncio.run(redraw_times())) * 1000
    return {**entry("chart-redraw", ours, CHART_GOAL_MS, 1.0), "unit": "ms against the ceiling"}


# Key to screen.

ESCAPES = re.compile(rb"\x1b\[[0-9;?<>=]*[A-Za-z~]|\x1b\][^\x07\x1b]*(?:\x07|\x1b\\)|\x1b[@-_][^\x1b]?")


class Terminal:
    """A program on a pseudo terminal of 80 by 24."""

    def __init__(self, command: list[str]) -> None:
        import fcntl
        import pty
        import struct
        import termios

        self.master, slave = pty.openpty()
        fcntl.ioctl(slave, termios.TIOCSWINSZ, struct.pack("HHHH", 24, 80, 0, 0))
        env = {**os.environ, "TERM": "xterm-256color", "COLORTERM": "truecolor"}
        self.program = subprocess.Popen(
            command, stdin=slave, stdout=slave, stderr=slave, env=env, start_new_session=True
        )
        os.close(slave)

    def read(self, wait_s: float) -> bytes:
        ready, _, _ = select.select([self.master], [], [], wait_s)
        return os.read(self.master, 1 << 16) if ready else b""

    def quiet(self, for_s: float = 0.15, most_s: float = 30.0) -> bytes:
        """Everything painted until nothing comes for `for_s`."""
        end, found = time.monotonic() + most_s, b""
        while time.monotonic() < end:
            part = self.read(for_s)
            if not part:
                break
            found += part
        return found

    def until(self, words: bytes, most_s: float = 60.0) -> None:
        end, found = time.monotonic() + most_s, b""
        while words not in found:
            assert time.monotonic() < end, f"{words!r} was not painted: {found[-400:]!r}"
            found += ESCAPES.sub(b"", self.read(0.2))

    def send(self, keys: bytes) -> None:
        os.write(self.master, keys)

    def time_key(self, key: bytes) -> float:
        """Seconds from a key to its sign on the screen; the sign is taken away again."""
        begin, found = time.perf_counter(), b""
        self.send(key)
        while key not in ESCAPES.sub(b"", found):
            assert time.perf_counter() - begin < 10, "the key was not painted"
            found += self.read(1.0)
        taken = time.perf_counter() - begin
        self.quiet(0.04)
        self.send(b"\x7f")
        self.quiet(0.04)
        return taken

    def close(self) -> None:
        self.send(b"\x11")
        with suppress(subprocess.TimeoutExpired):
            self.program.wait(5)
        if self.program.poll() is None:
            self.program.kill()
            self.program.wait()
        os.close(self.master)


def at_the_bench(database: Path) -> Terminal:
    terminal = Terminal([sys.executable, "-c", PROGRAM, "--db", str(database), "--badge", "T-01"])
    terminal.until(b"Lots that wait")
    terminal.quiet()
    terminal.send(b"FM00061")
    terminal.quiet()
    terminal.send(b"\r")
    terminal.until(b"Owed by this lot")
    terminal.quiet()
    return terminal


def key(folder: Path) -> dict[str, Any]:
    from qualrec.work import sample_plant

    database = folder / "sample.sqlite"
    sample_plant.write(f"sqlite:///{database}")
    with ExitStack() as stack:
        ours = at_the_bench(database)
        stack.callback(ours.close)
        empty = Terminal([sys.executable, "-c", EMPTY_FORM])
        stack.callback(empty.close)
        empty.quiet(1.0)
        times: dict[Terminal, list[float]] = {ours: [], empty: []}
        for at in range(KEYS + 5):
            for terminal in (ours, empty):
                taken = terminal.time_key(b"%d" % (1 + at % 9))
                if at >= 5:
                    times[terminal].append(taken)
    mine, bare = (p95(times[t]) for t in (ours, empty))
    return entry("key-to-screen", mine, bare, 2.0)


def p95(times: list[float]) -> float:
    return statistics.quantiles(times, n=20)[-1]


def run() -> list[dict[str, Any]]:
    with tempfile.TemporaryDirectory() as folder:
        found = [*lists(Path(folder)), chart()]
        if os.name == "posix":
            found.append(key(Path(folder)))
    return found
