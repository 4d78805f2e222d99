"""Whatever a record holds, nothing that steers the terminal leaves the program."""

from __future__ import annotations

import asyncio
from pathlib import Path

import pytest
from rich.cells import cell_len
from rich.segment import ControlType, Segment
from textual.color import Color
from textual.widgets import Static

from qualrec import config
from qualrec.tui.app import QualrecApp
from qualrec.tui.line_filter import STEERING, NoSteering


def test_segments_keep_their_width_and_lose_what_steers() -> None:
    text = "".join(map(chr, range(0x100))) + "\u202e漢字"
    found = NoSteering().apply([Segment(text), Segment("plain")], Color(0, 0, 0))
    assert not {ord(sign) for sign in found[0].text} & STEERING.keys()
    assert "漢字" in found[0].text
    assert cell_len(found[0].text) == cell_len(text)
    assert found[1].text == "plain"


def test_the_program_s_own_control_segments_pass() -> None:
    own = Segment("\x1b[2J", None, [(ControlType.CLEAR,)])
    assert NoSteering().apply([own], Color(0, 0, 0)) == [own]


@pytest.mark.parametrize("no_color", [False, True])
def test_a_screen_shows_a_bad_name_without_its_control_signs(
    tmp_path: Path, no_color: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    if no_color:
        monkeypatch.setenv("NO_COLOR", "1")
    shown = asyncio.run(rendered(config.Settings(str(tmp_path / "none.sqlite"))))
    assert "name [31mredend" in shown
    assert not {ord(sign) for sign in shown} & STEERING.keys()


async def rendered(settings: config.Settings) -> str:
    """The first line of a widget that holds a bad name."""
    app = QualrecApp(settings, places=())
    async with app.run_test(size=(80, 24)) as pilot:
        await app.screen.mount(Static("name \x1b[31mred\x9b\x07\u202eend", markup=False, id="bad"))
        await pilot.pause()
        widget = app.screen.query_one("#bad", Static)
        return "".join(s.text for s in widget.render_lines(widget.region.reset_offset)[0])
