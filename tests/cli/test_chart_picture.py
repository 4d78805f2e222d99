"""`qualrec chart`: pictures that name what is drawn, the same bytes each time; kinds, groups and strips as text and JSON."""

from __future__ import annotations

import builtins
import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest

from qualrec.cli.chart_picture import Group, Level, Panel, Picture, render, write
from qualrec.errors import Refused, UsageError

Run = Callable[..., tuple[int, str, str]]
SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(autouse=True)
def _own_cache(monkeypatch: pytest.MonkeyPatch, tmp_path_factory: pytest.TempPathFactory) -> None:
    """The drawing library keeps its list of fonts in a folder of the run, not in the user's."""
    monkeypatch.setenv("MPLCONFIGDIR", str(tmp_path_factory.getbasetemp() / "pictures"))


def words(svg: str) -> list[str]:
    """The texts of an SVG file."""
    return ["".join(e.itertext()).strip() for e in ElementTree.fromstring(svg).iter(f"{SVG}text")]


def invented(**changes: Any) -> Picture:
    values = np.array([10.0, 11.0, np.nan, 15.0, 9.0])
    flat = np.full(5, 10.0)
    panel = Panel(
        "lot mean, N",
        values,
        ["", "corrected", "", "high", "left out"],
        [Level("lower limit", "8.0", flat - 2), Level("centre", "10.0", flat, centre=True)],
        [("spec lower 2.0", 2.0), ("spec upper 16.0", 16.0)],
    )
    given: dict[str, Any] = {
        "title": "P-1 FORCE <invented> $5$",
        "state": "Limits version 1",
        "names": ("L1", "L2", "L3", "L4", "L5"),
        "panels": (panel, Panel("standard deviation, N", values / 10, [""] * 5)),
        "events": [(1, "g"), (3, "r"), (3, "g")],
        "versions": [(0, "v1"), (2, "v2")],
        "foot": ("Left out of the limits: L5: wrong nest.", "a" * 400),
    }
    return Picture(**{**given, **changes})


def test_the_same_picture_has_the_same_bytes() -> None:
    one, two = render(invented(), "svg"), render(invented(), "svg")
    assert one == two
    assert b"<dc:date>" not in one
    assert render(invented(), "png") == render(invented(), "png")


def test_every_word_stands_in_the_picture_as_it_is() -> None:
    """Texts are texts: no markup of formulas, nothing read as XML; what is drawn is named."""
    found = words(render(invented(), "svg").decode())
    for text in (
        "P-1 FORCE <invented> $5$",
        "Limits version 1",
        "lower limit 8.0",
        "centre 10.0",
        "v2",
        "corrected",
    ):
        assert text in found, text
    assert "spec lower 2.0 (below)" in found, "a far limit is named with its side"
    assert "spec upper 16.0" in found
    assert {"high", "left out", "g", "+"} <= set(found), "two events before one point share a sign"
    assert sum("aaaa" in text for text in found) == 3, "long lines go on below"


def test_pictures_are_drawn_in_black_and_grey() -> None:
    svg = render(invented(), "svg").decode()
    colours = set(re.findall(r"#[0-9a-f]{6}", svg))
    assert colours
    assert all(c[1:3] == c[3:5] == c[5:7] for c in colours), colours


def test_groups_have_signs_of_their_own() -> None:
    values = np.array([1.0, 2.0, 3.0])
    groups = [Group(f"G{at}", at, np.where(np.arange(3) == at % 3, values, np.nan)) for at in range(10)]
    picture = invented(
        names=("a", "b", "c"), panels=(Panel("x", values, [""] * 3, groups=groups),), events=(), versions=()
    )
    svg = render(picture, "svg").decode()
    assert {f"G{at}" for at in range(10)} <= set(words(svg))
    drawn = re.findall(r'<g id="line2d_\d+">\s*<defs>\s*<path id="(\w+)"', svg)
    assert len(drawn) == len(set(drawn)) >= 10


def test_a_file_is_replaced_whole_and_its_ending_is_checked(tmp_path: Path) -> None:
    to = tmp_path / "chart.svg"
    to.write_text("before")
    with pytest.raises(UsageError, match=r"does not end in \.svg") as caught:
        write(invented(), tmp_path / "chart.txt", None)
    assert "chart.svg" in caught.value.remedy
    assert write(invented(), to, None) == (to,)
    assert to.read_bytes().startswith(b"<?xml")
    with pytest.raises(Refused, match="cannot be written"):
        write(invented(), tmp_path / "nowhere" / "chart.svg", None)
    assert [p.name for p in tmp_path.iterdir()] == ["chart.svg"], "no draft stays"


def test_without_the_library_the_refusal_names_the_line_to_install_it(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    real = builtins.__import__

    def without(name: str, *rest: Any) -> Any:
        if name.split(".")[0] == "matplotlib":
            raise ImportError(name)
        return real(name, *rest)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(UsageError, match="not installed") as caught:
        render(invented(), "svg")
    assert "pip install 'qualrec[pictures]'" in caught.value.remedy


def test_a_chart_of_record_as_a_picture(program: Run, written_sample_plant: Path, tmp_path: Path) -> None:
    to = tmp_path / "chart.svg"
    code, out, err = program(written_sample_plant, "chart", "FM-2040", "PULL", "--svg", str(to))
    assert (code, out) == (0, "")
    assert f"Written: {to}" in err
    found = words(to.read_text(encoding="utf-8"))
    text = "\n".join(found)
    assert "FM-2040 PULL  Pull force, cover off body   (invented data)" in found
    assert "Limits version 1, frozen" in text
    for track in ("lot mean, N", "EWMA, N", "standard deviation, N"):
        assert track in found
    assert any(t.startswith("upper limit 727.8") for t in found)
    assert "low" in found
    assert "Points with a signal: FM00038, FM00047" in text
    assert "Events before a point: g clamp glass cleaned." in text


def test_views_groups_and_strips_as_text_json_and_picture(
    program: Run, written_sample_plant: Path, tmp_path: Path
) -> None:
    plant = written_sample_plant
    code, out, _ = program(plant, "chart", "FM-2040", "TRN", "--kind", "cusum", "--by", "stream")
    assert code == 0
    assert "View, not the chart of record; it raises no flag" in out
    assert "The streams differ" in out
    assert "CUSUM up" in out
    code, out, _ = program(plant, "chart", "FM-2040", "TRN", "--by", "stream", "--json")
    assert [g["name"] for g in json.loads(out)["groups"]["groups"]] == ["1", "2", "3", "4"]
    together = ("chart", "FM-2040", "PULL", "--together", "TRN", "--together", "joint energy")
    code, out, _ = program(plant, *together)
    assert "TRN %" in out
    assert "event: clamp glass cleaned" in out
    to = tmp_path / "strips.svg"
    assert program(plant, *together, "--svg", str(to))[0] == 0
    found = words(to.read_text(encoding="utf-8"))
    assert "joint energy  energy at the joint (estimate), J/mm²" in found
    code, _, err = program(plant, *together, "--kind", "cusum")
    assert code == 2
    assert "no other kind" in err
    code, _, err = program(plant, "chart", "FM-2040", "PULL", "--kind", "p")
    assert code == 2
    assert "single values" in err
