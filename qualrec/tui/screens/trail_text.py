"""Entries of the trail in lines: fields by name, what changed since the entry before on the same record."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

from qualrec.tui.labels import Tone, cut
from qualrec.tui.widgets.pick_list import Text
from qualrec.tui.widgets.record_table import Cell, Line

if TYPE_CHECKING:
    from qualrec.values import TrailRow
    from qualrec.work.session import Session

Moment = Callable[[int | None], str]
MOST_READINGS = 40
"""Most readings of one entry that are listed."""


def entry_line(session: Session, row: TrailRow) -> Line:
    """One line of the list."""
    return Line(
        str(row.seq),
        (
            str(row.seq),
            session.moment(row.at_us),
            row.person or Cell("the program", Tone.QUIET),
            row.act,
            row.what_table.replace("_", " "),
            str(session.short_id(row.what_id)),
        ),
    )


def entry_detail(session: Session, row: TrailRow, before: TrailRow | None) -> list[Text]:
    """An entry with its content. `before`: the entry before it on the same record."""
    said = _read(row.content)
    lines: list[Text] = [
        f"{row.act}   entry {row.seq}",
        f"{session.moment(row.at_us)} by {row.person or 'the program'}",
        f"{row.what_table.replace('_', ' ')} {session.short_id(row.what_id)}",
    ]
    why = said.get("why")
    if why:
        lines.append(f"Why: {why}")
    held = said.get("row")
    old = _read(before.content).get("row") if before is not None else None
    if isinstance(held, dict) and isinstance(old, dict):
        lines += _changes(old, held, session.moment, before.seq if before is not None else 0)
    elif isinstance(held, dict):
        lines += ["", *(f"  {_name(n)}: {_value(n, v, session.moment)}" for n, v in sorted(held.items()))]
    lines += _rest(said, session)
    return [*lines, "", Cell(f"digest {row.digest}", Tone.QUIET)]


def _read(text: str) -> dict[str, Any]:
    try:
        found = json.loads(text)
    except ValueError:
        return {"content": text}
    return found if isinstance(found, dict) else {"content": text}


def _changes(old: Mapping[str, Any], new: Mapping[str, Any], moment: Moment, seq: int) -> list[Text]:
    """Fields that differ from the entry before, then those that stayed."""
    names = sorted({*old, *new})
    moved = [n for n in names if old.get(n) != new.get(n)]
    lines: list[Text] = ["", f"Changed since entry {seq}:"]
    for name in moved:
        was, now = (_value(name, side.get(name), moment) for side in (old, new))
        lines.append(Cell(f"  {_name(name)}: {was} > {now}", Tone.LOOK))
    if not moved:
        lines.append("  nothing")
    return [
        *lines,
        "As before:",
        *(f"  {_name(n)}: {_value(n, new.get(n), moment)}" for n in names if n not in moved),
    ]


def _rest(said: Mapping[str, Any], session: Session) -> list[Text]:
    """What an entry says beside key, row and reason: readings, digests of units, states."""
    lines: list[Text] = []
    for name, value in sorted(said.items()):
        if name in ("row", "why", "key"):
            continue
        if name == "readings" and isinstance(value, list):
            lines += ["", f"Readings: {len(value)}"]
            for one in value[:MOST_READINGS]:
                subject, characteristic, _, sample, figure = one[:5]
                named = (
                    f"subject {session.short_id(subject)}, characteristic {session.short_id(characteristic)}"
                )
                lines.append(f"  {named}, sample {sample}: {'no value' if figure is None else figure}")
            if len(value) > MOST_READINGS:
                lines.append(f"  and {len(value) - MOST_READINGS} more")
        else:
            lines.append(f"  {_name(name)}: {cut(_plain(value), 400)}")
    return lines


def _name(name: str) -> str:
    return name.removesuffix("_us").replace("_", " ")


def _value(name: str, value: Any, moment: Moment) -> str:
    if value is None or value == "":
        return "none"
    if name.endswith("_us") and isinstance(value, int):
        return moment(value)
    if isinstance(value, str) and value[:1] in "[{":
        try:
            return _plain(json.loads(value))
        except ValueError:
            return value
    return _plain(value)


def _plain(value: Any) -> str:
    """A value in words: lists and objects without their marks."""
    if isinstance(value, dict):
        return ", ".join(f"{_name(str(n))} {_plain(v)}" for n, v in value.items()) or "none"
    if isinstance(value, list):
        return ", ".join(_plain(v) for v in value) or "none"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return "none" if value is None else str(value)
