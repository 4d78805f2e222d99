"""What an instrument sends fills the value of the bench, one reading after the other; nothing typed is written over."""

from __future__ import annotations

import asyncio
import sys
import time
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from textual.app import ComposeResult
from textual.pilot import Pilot

from qualrec.config import Settings
from qualrec.intake import links as sources
from qualrec.intake.links import LinkLost
from qualrec.tui import actions
from qualrec.tui.actions import Place
from qualrec.tui.app import QualrecApp
from qualrec.tui.screens.base import PlaceScreen
from qualrec.tui.screens.bench_link import LinkFeed
from qualrec.tui.widgets.forms import Choice, Field, Form, Option
from qualrec.tui.widgets.message_line import MessageLine

LINK = "form = 1\nname = 'gauge'\npattern = '(?P<value>[0-9.]+)'\nunit = 'N'\naddress = 'COM1'\nwhole_lines = true\n"


class HostScreen(PlaceScreen):
    """A value, a mode, and the feed of a link."""

    PLACE = "bench"

    def __init__(self) -> None:
        super().__init__()
        self.lot = True
        self.done: list[dict[str, str]] = []

    def compose_body(self) -> ComposeResult:
        with Form(id="entry", renews=True):
            yield Field("Value", id="value")
            yield Choice("Mode", (Option("c", "cohesive", "cohesive"),), id="mode")

    def load(self) -> None:
        self.query_one(Form).start()
        self.feed = LinkFeed(self, lambda: self.lot)

    def on_unmount(self) -> None:
        self.feed.close()

    def on_form_complete(self, message: Form.Complete) -> None:
        self.done.append(message.texts)


@pytest.fixture
def host(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Callable[..., QualrecApp]:
    """An app whose instrument sends the pieces that `pieces` gives."""
    monkeypatch.setitem(sys.modules, "host_places", SimpleNamespace(HostScreen=HostScreen))
    kept = tuple(a for a in actions.ACTIONS if a.place in ("app", *actions.FAMILIES))
    monkeypatch.setattr(actions, "ACTIONS", kept)

    def make(pieces: list[bytes], text: str = LINK) -> QualrecApp:
        class Source:
            def read(self, wait_s: float) -> bytes:
                time.sleep(0.01)
                if pieces and pieces[0] == b"lost":
                    pieces.pop(0)
                    raise LinkLost("COM1 was lost.")
                return pieces.pop(0) if pieces else b""

            def close(self) -> None:
                return

        def opener(profile: Any, address: str) -> Source:
            return Source()

        # The queue of `work.links` takes its opener as a default when it is defined.
        from qualrec.work.links import LinkQueue

        monkeypatch.setattr(LinkQueue.__init__, "__defaults__", (opener,))
        monkeypatch.setattr(sources, "FIRST_PAUSE_S", 0.01)
        path = tmp_path / "link.toml"
        path.write_text(text, encoding="utf-8")
        settings = Settings("sqlite:////plant/invented.sqlite", link=str(path))
        return QualrecApp(settings, (Place("bench", "Bench", "1", "host_places:HostScreen", "?"),))

    return make


async def until(pilot: Pilot[None], true: Callable[[], bool]) -> None:
    for _ in range(200):
        if true():
            return
        await asyncio.sleep(0.02)
        await pilot.pause()
    raise AssertionError("it did not happen")


def test_readings_fill_the_value_one_after_the_other(
    host: Callable[..., QualrecApp], run: Callable[..., None]
) -> None:
    pieces = [b"612.4\r\n598.1\r\n"]

    async def steps(pilot: Pilot[None]) -> None:
        screen = pilot.app.screen
        assert isinstance(screen, HostScreen)
        value = screen.query_one("#value", Field)
        await until(pilot, lambda: value.text == "612.4 N")
        await pilot.press("enter", "c")
        await until(pilot, lambda: value.text == "598.1 N")
        await pilot.press("enter", "c")
        await pilot.pause()
        assert [d["value"] for d in screen.done] == ["612.4 N", "598.1 N"]

    run(host(pieces), steps)


def test_what_is_typed_is_not_written_over(host: Callable[..., QualrecApp], run: Callable[..., None]) -> None:
    pieces: list[bytes] = []

    async def steps(pilot: Pilot[None]) -> None:
        screen = pilot.app.screen
        assert isinstance(screen, HostScreen)
        value = screen.query_one("#value", Field)
        await pilot.press("5", "7", "7")
        pieces.append(b"612.4\r\n")
        await until(pilot, lambda: bool(screen.feed.held))
        assert value.text == "577"
        await pilot.press("enter")
        await asyncio.sleep(0.2)
        await pilot.pause()
        assert value.text == "577"
        await pilot.press("c")
        await until(pilot, lambda: value.text == "612.4 N")
        assert [d["value"] for d in screen.done] == ["577"]

    run(host(pieces), steps)


def test_without_a_lot_nothing_is_taken_and_a_lost_line_is_told(
    host: Callable[..., QualrecApp], run: Callable[..., None]
) -> None:
    pieces: list[bytes] = []

    async def steps(pilot: Pilot[None]) -> None:
        screen = pilot.app.screen
        assert isinstance(screen, HostScreen)

        def said(words: str) -> Callable[[], bool]:
            return lambda: words in str(screen.query_one("#message", MessageLine).content)

        screen.lot = False
        pieces.append(b"612.4\r\n")
        await until(pilot, said("without a lot on the bench"))
        screen.lot = True
        await asyncio.sleep(0.2)
        assert screen.query_one("#value", Field).text == ""
        pieces.append(b"lost")
        await until(pilot, said("COM1 was lost"))
        pieces.append(b"598.1\r\n")
        await until(pilot, lambda: screen.query_one("#value", Field).text == "598.1 N")

    run(host(pieces), steps)


def test_a_link_profile_that_cannot_be_read_is_told(
    host: Callable[..., QualrecApp], run: Callable[..., None]
) -> None:
    async def steps(pilot: Pilot[None]) -> None:
        message = pilot.app.screen.query_one("#message", MessageLine)
        await until(pilot, lambda: "form 7" in str(message.content))

    run(host([], "form = 7\n"), steps)
