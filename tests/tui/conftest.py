"""Fixtures for the screens: settings, invented places with every widget, text of the screen, our own text snapshots."""

from __future__ import annotations

import asyncio
import os
import sys
from collections.abc import Awaitable, Callable
from pathlib import Path
from types import SimpleNamespace

import pytest
from textual.app import ComposeResult
from textual.pilot import Pilot
from textual.widgets import Input

from qualrec.config import Settings
from qualrec.errors import UsageError
from qualrec.tui import actions
from qualrec.tui.actions import Place, bindings_of
from qualrec.tui.app import QualrecApp
from qualrec.tui.screens.base import PlaceScreen
from qualrec.tui.widgets.chart import Chart
from qualrec.tui.widgets.forms import Choice, Field, Form, Option, Understood
from qualrec.tui.widgets.plot_canvas import Mark
from qualrec.tui.widgets.plot_sequence import EventMark, LimitSpan, SequencePlot
from qualrec.tui.widgets.record_table import Cell, Column, Line, Page, PageRequest, RecordTable

SNAPSHOTS = Path(__file__).parent / "snapshots"


def read_force(text: str) -> Understood:
    """A stand-in for the caller's reader of figures: a comma or a point, no mark between thousands."""
    try:
        value = float(text.strip().replace(",", "."))
    except ValueError:
        raise UsageError(f"{text!r} is not a number.", "Type digits and one decimal mark.") from None
    return Understood(value, f"{value:.1f} N")


MODES = (
    Option("i", "interfacial", "interfacial", "The parts came apart at the joint line."),
    Option("c", "cohesive", "cohesive in the weld", "Torn melt on both faces."),
    Option("p", "parent", "parent material", "A wall broke, the weld held."),
)


class BenchScreen(PlaceScreen):
    """A form."""

    PLACE = "bench"
    BINDINGS = bindings_of("bench")

    def __init__(self) -> None:
        super().__init__()
        self.completed: list[dict[str, object]] = []
        self.loads = 0

    def compose_body(self) -> ComposeResult:
        with Form(id="pull"):
            yield Field("Lot", id="lot")
            yield Field("Force", id="force", unit="N", understand=read_force)
            yield Choice("Failure mode", MODES, id="mode")

    def load(self) -> None:
        self.loads += 1
        if self.loads == 1:
            self.query_one(Form).start()

    def on_form_complete(self, message: Form.Complete) -> None:
        self.completed.append(message.values)


def invented_plot(count: int = 40) -> SequencePlot:
    """A fixed series with every mark, a gap, two versions of limits and two events."""
    values = [600.0 + 9.0 * ((at * 7919) % 23 - 11) / 11 for at in range(count)]
    marks = [Mark.PLAIN] * count
    values[7] = float("nan")
    values[20], marks[20] = 640.0, Mark.HIGH
    values[31], marks[31] = 560.0, Mark.LOW
    marks[4], marks[12], marks[36] = Mark.CORRECTED, Mark.LEFT_OUT, Mark.HOLD
    return SequencePlot(
        values,
        marks,
        [f"L{at:03d}" for at in range(count)],
        [LimitSpan(0, 25, 570.0, 600.0, 630.0, "v1"), LimitSpan(25, count, 575.0, 603.0, 631.0, "v2")],
        [EventMark(10, "G", "glass cleaned"), EventMark(25, "R", "resin lot")],
        spec_lower=450.0,
        spec_upper=638.0,
    )


class ChartsScreen(PlaceScreen):
    """A chart with its spread chart."""

    PLACE = "charts"
    BINDINGS = bindings_of("charts")

    def compose_body(self) -> ComposeResult:
        yield Chart(id="chart")

    def load(self) -> None:
        self.ask("plot", invented_plot, self.draw)

    def draw(self, plot: SequencePlot) -> None:
        spread = [5.0 + (at * 31 % 7) / 3 for at in range(len(plot.values))]
        self.query_one(Chart).show(
            plot,
            heading="Pull force of invented lots, limits v2",
            spread=SequencePlot(spread, names=plot.names, limits=[LimitSpan(0, len(spread), None, 6.0, 9.0)]),
        )
        self.query_one(Chart).focus()


class LotsScreen(PlaceScreen):
    """A paged table of 450 invented lots."""

    PLACE = "lots"
    BINDINGS = bindings_of("lots")
    records = tuple(range(1, 451))
    requests: list[PageRequest]

    def __init__(self) -> None:
        super().__init__()
        self.requests = []

    def compose_body(self) -> ComposeResult:
        columns = (
            Column("lot", "Lot", sortable=True),
            Column("n", "Pulls", right=True, sortable=True),
            Column("state", "State"),
        )
        yield RecordTable(columns, self.fetch, id="lots", sort="lot")

    def fetch(self, request: PageRequest) -> Page:
        self.requests.append(request)
        found = [at for at in self.records if request.search in f"{at:04d}"]
        found.sort(reverse=request.descending)
        if request.start is not None:
            found = found[found.index(request.start) + 1 :]
        lines = [
            Line(
                f"{at:04d}", (f"{at:04d} [b]", str(at % 6), Cell("! HOLD", "bad") if at % 50 == 0 else "✓ OK")
            )
            for at in found[: request.size]
        ]
        more = len(found) > request.size
        return Page(lines, found[request.size - 1] if more else None)

    def load(self) -> None:
        self.query_one(RecordTable).reload()
        self.query_one(RecordTable).rows.focus()


class EmptyScreen(PlaceScreen):
    """A place without records."""

    PLACE = "trail"
    BINDINGS = bindings_of("trail")

    def compose_body(self) -> ComposeResult:
        yield from ()

    def load(self) -> None:
        self.ask("records", lambda: 0, lambda count: self.set_empty(count == 0))


@pytest.fixture
def places(monkeypatch: pytest.MonkeyPatch) -> tuple[Place, ...]:
    """Invented places, one per kind of screen, found by their import path as the real ones are."""
    module = SimpleNamespace(
        BenchScreen=BenchScreen, LotsScreen=LotsScreen, ChartsScreen=ChartsScreen, EmptyScreen=EmptyScreen
    )
    monkeypatch.setitem(sys.modules, "invented_places", module)
    own = tuple(
        action for action in actions.ACTIONS if action.place in ("app", *actions.FAMILIES, *actions.PAGES)
    )
    monkeypatch.setattr(actions, "ACTIONS", own)  # the invented places have no actions of their own
    return (
        Place("bench", "Bench", "1", "invented_places:BenchScreen", "What must I test now?"),
        Place("lots", "Lots", "2", "invented_places:LotsScreen", "Which lots wait?"),
        Place("charts", "Charts", "3", "invented_places:ChartsScreen", "Is it drifting?"),
        Place("trail", "Trail", "8", "invented_places:EmptyScreen", "Who changed what?"),
    )


Use = Callable[[Pilot[None]], Awaitable[None]]


@pytest.fixture
def settings() -> Callable[..., Settings]:
    def make(**changes: object) -> Settings:
        return Settings(**{"database_url": "sqlite:////plant/invented.sqlite", **changes})  # type: ignore[arg-type]

    return make


@pytest.fixture
def run() -> Callable[..., None]:
    """Run an app at a fixed size and use it: `run(app, use, size=(80, 24))`."""

    def go(app: QualrecApp, use: Use, size: tuple[int, int] = (80, 24)) -> None:
        async def session() -> None:
            async with app.run_test(size=size) as pilot:
                await settled(pilot)
                await use(pilot)

        asyncio.run(session())

    return go


async def settled(pilot: Pilot[None]) -> None:
    """Until no worker runs and nothing is left to paint."""
    await pilot.pause()
    await pilot.app.workers.wait_for_complete()
    await pilot.pause()


@pytest.fixture
def settle() -> Callable[[Pilot[None]], Awaitable[None]]:
    return settled


@pytest.fixture
def screen_text() -> Callable[[QualrecApp], str]:
    """What stands on the terminal, as text."""

    def text(app: QualrecApp) -> str:
        strips = app.screen._compositor.render_strips()
        return "\n".join("".join(segment.text for segment in strip).rstrip() for strip in strips) + "\n"

    return text


@pytest.fixture
def plot() -> Callable[[int], SequencePlot]:
    return invented_plot


@pytest.fixture
def same_as_snapshot() -> Callable[[str, str], None]:
    """Compare text to `snapshots/<name>.txt`; QUALREC_SNAPSHOTS=write writes the file instead."""

    def compare(name: str, text: str) -> None:
        path = SNAPSHOTS / f"{name}.txt"
        if os.environ.get("QUALREC_SNAPSHOTS") == "write":
            path.write_text(text, encoding="utf-8", newline="\n")
        assert path.read_text(encoding="utf-8") == text

    return compare


@pytest.fixture
def program_on() -> Callable[..., QualrecApp]:
    """The program on a database file, as the person with a badge."""
    from qualrec.tui.desk import Desk

    def make(path: Path, badge: str = "Q-01", **changes: object) -> QualrecApp:
        settings = Settings(f"sqlite:///{path}", badge=badge, **changes)  # type: ignore[arg-type]
        return QualrecApp(settings, desk=Desk(settings))

    return make


@pytest.fixture
def fill() -> Callable[..., Awaitable[None]]:
    """Fill the rows of a sheet: each text is put into the field and ended with Enter; a text in <> is one key alone."""

    async def go(pilot: Pilot[None], *texts: str) -> None:
        await settled(pilot)
        for text in texts:
            if text.startswith("<"):
                await pilot.press(text.strip("<>"))
            else:
                field = pilot.app.focused
                assert isinstance(field, Input), text
                field.insert_text_at_cursor(text)
                await pilot.press("enter")
            await pilot.pause()
        for _ in range(3):
            await settled(pilot)

    return go
