"""Charts as pictures for reports and mails: SVG or PNG, to be printed in black and white.

Drawn by matplotlib, the extra `pictures`, imported when the first picture is asked for. Nothing is told by colour: flagged,
left-out and corrected points and groups have shapes, limits have dashes and their figures. The same records and
arguments give the same SVG byte by byte. Knows no records: `chart_panels` says what to draw.
"""

from __future__ import annotations

import io
import os
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from math import isfinite
from pathlib import Path
from textwrap import wrap
from typing import TYPE_CHECKING, Any

from qualrec.errors import Refused, UsageError

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from qualrec.stats.results import FloatArray

SHAPES = {
    "corrected": ("D", "white"),
    "left out": ("o", "white"),
    "low": ("v", "black"),
    "high": ("^", "black"),
}
"""Sign and filling of a marked point, the most telling last."""
GROUP_SHAPES = ("s", "x", "+", "p", "*", "h", "d", "1", "2", "3")
"""Signs of groups; the last three for the other groups, for several in one point, for not on record."""
INK, SHADE = "black", "0.45"
WIDTH_IN, PANEL_IN, FOOT_SIGNS = 11.0, 2.5, 150
MOST_EVENTS = 60
"""Events up to which each has its line down the panels."""
STYLE: Any = {
    "svg.hashsalt": "qualrec",
    "svg.fonttype": "none",
    "text.parse_math": False,
    "font.family": "DejaVu Sans",
    "font.size": 9.0,
    "axes.unicode_minus": False,
    "axes.spines.top": False,
    "axes.spines.right": False,
}


@dataclass(frozen=True, slots=True)
class Level:
    """A limit or centre with its name and its figure in words; `values` has one entry per point, nan where there is none."""

    name: str
    figure: str
    values: FloatArray
    centre: bool = False


@dataclass(frozen=True, slots=True)
class Group:
    """Points with a sign of their own, by the place of the sign in GROUP_SHAPES."""

    name: str
    sign: int
    values: FloatArray


@dataclass(frozen=True, slots=True)
class Panel:
    """One chart of the picture. `marks` has a word of SHAPES or '' for each point; `spec` are named levels of one figure."""

    title: str
    values: FloatArray
    marks: Sequence[str]
    levels: Sequence[Level] = ()
    spec: Sequence[tuple[str, float]] = ()
    groups: Sequence[Group] = ()


@dataclass(frozen=True, slots=True)
class Picture:
    """Panels over the same points. `events`: (point it came before, letter); `versions`: (first point, name); `foot`: lines."""

    title: str
    state: str
    names: Sequence[str]
    panels: Sequence[Panel]
    events: Sequence[tuple[int, str]] = ()
    versions: Sequence[tuple[int, str]] = ()
    foot: Sequence[str] = field(default_factory=tuple)
    describes: str = ""
    """The picture in words, for those who do not see it."""


def write(picture: Picture, svg: Path | None, png: Path | None) -> tuple[Path, ...]:
    """Write the picture to the files given; a file there before is replaced whole or not at all.

    Raises UsageError where matplotlib is not installed or a file has another ending, Refused where one cannot be written.
    """
    asked = [(path, kind) for path, kind in ((svg, "svg"), (png, "png")) if path is not None]
    for path, kind in asked:
        if path.suffix.lower() != f".{kind}":
            raise UsageError(f"{path} does not end in .{kind}.", f"Name the file {path.stem}.{kind}.")
    for path, kind in asked:
        _put(path, render(picture, kind))
    return tuple(path for path, _ in asked)


def _put(path: Path, content: bytes) -> None:
    draft = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        draft.write_bytes(content)
        os.replace(draft, path)
    except OSError as error:
        draft.unlink(missing_ok=True)
        raise Refused(
            f"{path} cannot be written: {error.strerror}.", "See the folder and its rights."
        ) from error


def render(picture: Picture, kind: str) -> bytes:
    """The picture as the bytes of an 'svg' or 'png' file. Raises UsageError where matplotlib is not installed."""
    with _drawing():
        from matplotlib.figure import Figure

        foot = [part for line in picture.foot for part in wrap(line, FOOT_SIGNS, subsequent_indent="  ")]
        head_in, foot_in = 1.1, 0.55 + 0.16 * len(foot)
        height = head_in + PANEL_IN * len(picture.panels) + foot_in
        figure = Figure(figsize=(WIDTH_IN, height))
        axes = figure.subplots(len(picture.panels), 1, sharex=True, squeeze=False)[:, 0]
        figure.subplots_adjust(
            left=0.085, right=0.84, top=1 - head_in / height, bottom=foot_in / height, hspace=0.22
        )
        for at, (panel, axis) in enumerate(zip(picture.panels, axes, strict=True)):
            _draw(axis, picture, panel, first=at == 0)
        _name_points(axes[-1], picture.names)
        _write_words(figure, picture, foot, height)
        held = io.BytesIO()
        about = (
            {"Date": None, "Creator": "qualrec", "Title": picture.title, "Description": picture.describes}
            if kind == "svg"
            else {"Software": "qualrec", "Title": picture.title, "Description": picture.describes}
        )
        figure.savefig(held, format=kind, dpi=150, metadata=about)
        return held.getvalue()


@contextmanager
def _drawing() -> Iterator[None]:
    """matplotlib with the settings of these pictures; a sign that the font lacks is drawn as a box, without a warning."""
    try:
        import matplotlib
    except ImportError as error:
        raise UsageError(
            "Pictures need matplotlib, which is not installed.", "Install it: pip install 'qualrec[pictures]'"
        ) from error
    with warnings.catch_warnings(), matplotlib.rc_context(STYLE):
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        yield


def _draw(axis: Axes, picture: Picture, panel: Panel, *, first: bool) -> None:
    count = len(picture.names)
    x = list(range(count))
    axis.set_title(
        panel.title, loc="left", fontsize=9, fontweight="bold", pad=16 if first and picture.events else 6
    )
    axis.plot(x, panel.values, color=SHADE, linewidth=0.8, zorder=2)
    if panel.groups:
        for group in panel.groups:
            sign = GROUP_SHAPES[group.sign]
            filled: dict[str, Any] = {} if sign in "x+123" else {"markerfacecolor": "white"}
            axis.plot(
                x,
                group.values,
                sign,
                color=INK,
                markersize=5,
                linestyle="none",
                label=group.name,
                zorder=3,
                **filled,
            )
    else:
        small = max(1.5, min(4.0, 400.0 / max(1, count)))
        axis.plot(x, panel.values, "o", color=INK, markersize=small, linestyle="none", zorder=3)
    for word, (sign, fill) in SHAPES.items():
        own = [at for at, mark in enumerate(panel.marks) if mark == word]
        if own:
            values = [float(panel.values[at]) for at in own]
            axis.plot(
                own,
                values,
                sign,
                color=INK,
                markerfacecolor=fill,
                markersize=7,
                linestyle="none",
                label=word,
                zorder=4,
            )
    _draw_levels(axis, panel, count)
    _draw_events(axis, picture, letters=first)
    axis.set_xlim(-0.8, count - 0.2)
    axis.margins(y=0.12)
    many = len(axis.get_legend_handles_labels()[0])
    if many:
        axis.legend(
            loc="lower right",
            bbox_to_anchor=(1.0, 1.0 + 0.075 * (first and bool(picture.events)) + 0.075 * (many > 6)),
            borderaxespad=0.2,
            fontsize=7,
            ncols=9,
            frameon=False,
            handletextpad=0.1,
            columnspacing=1.2,
        )


def _draw_levels(axis: Axes, panel: Panel, count: int) -> None:
    """Limits dashed, the centre dotted, each named with its figure at the right; names that would touch are moved apart."""
    named: list[tuple[float, str]] = []
    for level in panel.levels:
        style = (0, (1, 2)) if level.centre else (0, (6, 3))
        axis.step(
            range(count), level.values, where="mid", color=INK, linewidth=0.9, linestyle=style, zorder=1
        )
        known = [float(v) for v in level.values if isfinite(v)]
        if known:
            named.append((known[-1], f"{level.name} {level.figure}"))
    low, high = axis.get_ylim()
    room = 0.5 * (high - low)
    for name, value in panel.spec:
        if low - room <= value <= high + room:
            axis.axhline(value, color=INK, linewidth=1.6, zorder=1)
            named.append((value, name))
        else:
            named.append((low if value < low else high, f"{name} ({'below' if value < low else 'above'})"))
    low, high = axis.get_ylim()
    least = (high - low) * 0.085
    above = -float("inf")
    for value, text in sorted(named):
        place = max(value, above + least)
        above = place
        axis.annotate(
            text, (1.0, place), xycoords=("axes fraction", "data"), xytext=(4, 0), textcoords="offset points",
            va="center", fontsize=7.5, annotation_clip=False,
        )  # fmt: skip


def _draw_events(axis: Axes, picture: Picture, *, letters: bool) -> None:
    lines = len(picture.events) <= MOST_EVENTS
    held: dict[int, str] = {}
    for before, letter in picture.events:
        held[before] = letter if held.get(before, letter) == letter else "+"
    for before, letter in held.items():
        if lines:
            axis.axvline(before - 0.5, color="0.75", linewidth=0.6, linestyle=":", zorder=0)
        if letters:
            axis.annotate(
                letter,
                (before - 0.5, 1.0),
                xycoords=("data", "axes fraction"),
                ha="center",
                va="bottom",
                fontsize=8,
            )
    if len(picture.versions) > 1:
        for start, name in picture.versions:
            axis.axvline(start - 0.5, color=INK, linewidth=0.7, zorder=0)
            axis.annotate(
                name,
                (start - 0.4, 1.0),
                xycoords=("data", "axes fraction"),
                va="top",
                fontsize=7.5,
                fontweight="bold",
            )


def _name_points(axis: Axes, names: Sequence[str]) -> None:
    count = len(names)
    longest = max((len(name) for name in names), default=1)
    most = max(2, int(100 / (longest + 2)))
    step = max(1, -(-count // most))
    places = list(range(0, count, step))
    axis.set_xticks(places, [names[at] for at in places], fontsize=7.5)


def _write_words(figure: Figure, picture: Picture, foot: Sequence[str], height: float) -> None:
    figure.text(0.012, 1 - 0.12 / height, picture.title, fontsize=12, fontweight="bold", va="top")
    figure.text(0.012, 1 - 0.38 / height, picture.state, fontsize=8.5, va="top")
    for at, line in enumerate(foot):
        figure.text(0.012, (0.16 * (len(foot) - at)) / height, line, fontsize=7.5, va="top")
