"""Readings of a lot in lines: verdict, value, failure mode, and what was corrected, void or typed twice."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from qualrec.tui.labels import VERDICTS, DecimalStyle, Label, Tone, number
from qualrec.tui.widgets.pick_list import PickLine, Text
from qualrec.tui.widgets.record_table import Cell

if TYPE_CHECKING:
    from qualrec.judge.verdict import ReadingVerdict
    from qualrec.values import Characteristic, PullResult, ReadingRow

Moment = Callable[[int | None], str]


def reading_key(row: ReadingRow) -> str:
    """The key of a reading's line."""
    k = row.key
    return f"reading:{k.subject_id}.{k.characteristic_id}.{k.stream_id}.{k.sample}"


def reading_line(c: Characteristic | None, row: ReadingRow, moment: Moment, style: DecimalStyle) -> PickLine:
    """One reading with everything about it."""
    verdict = _verdict(c, row)
    label = _label(verdict)
    value = "" if row.value is None else f"{number(row.value, row.decimals or None, style)} {row.unit}"
    mode = f"  {row.pull.mode}" if row.pull is not None and row.pull.mode else ""
    stream = f" {row.stream}" if row.stream else ""
    parts: list[Text] = [
        f"    sample {row.key.sample}{stream}".ljust(20),
        Cell(f" {value or '-':>12}", None if label.tone is Tone.GOOD else label.tone),
        Cell(f" {label.sign}", label.tone),
        mode,
    ]
    marks = reading_marks(row, style)
    if marks:
        parts.append(Cell(f"  {marks}", Tone.LOOK))
    head = Cell(f"{label.text()}  {row.code} sample {row.key.sample}: {value or 'no value'}", label.tone)
    reasons = () if verdict is None else verdict.reasons
    return PickLine(reading_key(row), parts, [head, *reasons, *_detail(row, moment, style)])


def reading_marks(row: ReadingRow, style: DecimalStyle) -> str:
    """Void, corrected, typed twice, late: with what it was before."""
    was = number(row.original, row.decimals or None, style)
    marks = [f"void, was {was}"] if row.void else [f"corrected, was {was}"] if row.corrected else []
    if row.first_text is not None:
        marks.append(f"typed twice, first {row.first_text}")
    if row.late:
        marks.append("entered late")
    return "; ".join(marks)


def _verdict(c: Characteristic | None, row: ReadingRow) -> ReadingVerdict | None:
    from qualrec.judge.verdict import judge_reading

    return None if c is None or row.void else judge_reading(c, row.value, row.pull)


def _label(verdict: ReadingVerdict | None) -> Label:
    if verdict is None or verdict.answer == "unknown":
        return VERDICTS["open"]
    if verdict.answer == "pass":
        return VERDICTS["ok"]
    return VERDICTS["low"] if verdict.side < 0 else VERDICTS["high"] if verdict.side > 0 else VERDICTS["hold"]


def _detail(row: ReadingRow, moment: Moment, style: DecimalStyle) -> list[Text]:
    with_gauge = f" with {row.gauge}" if row.gauge else ""
    lines: list[Text] = [f"measured {moment(row.at_us)} by {row.person or 'nobody named'}{with_gauge}"]
    if row.entered_text:
        lines.append(f"typed: {row.entered_text}")
    if row.first_text is not None:
        lines.append(Cell(f"typed twice, the first entry was: {row.first_text}", Tone.LOOK))
    if row.file_name:
        lines.append(f"from file {row.file_name}")
    if row.void or row.corrected:
        was = number(row.original, row.decimals or None, style)
        word = "void" if row.void else "corrected"
        text = f"{word}, was {was} {row.unit}: {row.correction_reason} ({row.corrected_by})"
        lines.append(Cell(text, Tone.LOOK))
    if row.pull is not None:
        lines += _pull(row.pull, style)
    if row.serial:
        lines.append(f"serial {row.serial}")
    return lines


def _pull(pull: PullResult, style: DecimalStyle) -> list[Text]:
    named = (
        ("interfacial", pull.interfacial_pct),
        ("cohesive", pull.cohesive_pct),
        ("tear", pull.tear_pct),
        ("parent material", pull.parent_pct),
    )
    shares = ", ".join(f"{name} {number(v, None, style)} %" for name, v in named if v is not None)
    lines: list[Text] = [f"failure mode: {pull.mode}" + (f" ({shares})" if shares else "")]
    if pull.moisture or pull.hours_since_weld is not None:
        hours = pull.hours_since_weld
        after = "" if hours is None else f", {number(hours, None, style)} h after the weld"
        lines.append(f"moisture state: {pull.moisture or 'not stated'}{after}")
    return lines
