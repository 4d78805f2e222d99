"""Signatures in lines: who, meaning, when, digest, and a mark where what was signed has changed since."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING

from qualrec.tui.labels import Label, Tone
from qualrec.tui.widgets.pick_list import PickLine, Text
from qualrec.tui.widgets.record_table import Cell

if TYPE_CHECKING:
    from qualrec.work.signed import Standing

COVERS = Label("✓", "+", "covers", Tone.GOOD)
CHANGED = Label("!", "!", "NO LONGER COVERS", Tone.BAD)
UNKNOWN = Label("?", "?", "not found", Tone.LOOK)
NOT_BINDING = "A signature here is a record of this plant; it is not legally binding."


def label_of(standing: Standing) -> Label:
    return UNKNOWN if standing.covers is None else COVERS if standing.covers else CHANGED


def signature_lines(
    signatures: Sequence[Standing], moment: Callable[[int | None], str], title: str = "Signatures"
) -> list[PickLine]:
    """A heading with one line for each signature; nothing where there are none."""
    lines = []
    for at, one in enumerate(signatures):
        label = label_of(one)
        said = f"{one.signature.meaning}, {one.signature.person}, {moment(one.signature.at_us)}"
        parts = ("  ", Cell(label.text(), label.tone), f"  {said}")
        lines.append(
            PickLine(f"signature:{at}", parts, [Cell(label.text(), label.tone), *_detail(one, said)])
        )
    return [PickLine("", (title,)), *lines] if lines else []


def signature_text(signatures: Sequence[Standing], moment: Callable[[int | None], str]) -> list[Text]:
    """The same as lines of a detail."""
    found: list[Text] = []
    for one in signatures:
        label = label_of(one)
        said = f"{one.signature.meaning}, {one.signature.person}, {moment(one.signature.at_us)}"
        found.append(Cell(f"  {label.text()}  {said}", label.tone))
        if one.words:
            found.append(Cell(f"    {one.words}", label.tone))
    return ["", "Signatures:", *found] if found else []


def _detail(one: Standing, said: str) -> list[Text]:
    lines: list[Text] = [f"{said}: {one.what}", f"Reason: {one.signature.reason}"]
    if one.words:
        lines.append(Cell(one.words, label_of(one).tone))
    return [*lines, f"SHA-256 of what was signed: {one.signature.digest}", Cell(NOT_BINDING, Tone.QUIET)]
