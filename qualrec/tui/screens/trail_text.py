"""Entries of the trail in lines: fields by name, what was and is, the other entries on the same record."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from qualrec.tui.labels import Tone, cut
from qualrec.tui.widgets.pick_list import Text
from qualrec.tui.widgets.record_table import Cell, Line

if TYPE_CHECKING:
    from qualrec.values import TrailRow
    from qualrec.work.session import Session

MOST_READINGS = 40
"""Most readings of one entry that are listed."""
MOST_OTHERS = 20
"""Most other entries on a record that are listed."""


def entry_line(session: Session, row: TrailRow) -> Line:
    """One line of the list."""
    return Line(
        str(row.seq),
        (
            str(row.seq),
            session.moment(row.at_us),
            row.act,
            row.person or Cell("the program", Tone.QUIET),
            row.what_table.replace("_", " "),
            str(session.short_id(row.what_id)),
        ),
    )


def entry_detail(session: Session, row: TrailRow, history: Sequence[TrailRow] = ()) -> list[Text]:
    """An entry with its content. `history`: all entries on the same record, oldest first."""
    said = _read(row.content)
    lines: list[Text] = [
        f"{row.act}   entry {row.seq}",
        f"{session.moment(row.at_us)} by {row.person or 'the program'}",
        f"{row.what_table.replace('_', ' ')} {session.short_id(row.what_id)}",
    ]
    if said.get("why"):
        lines.append(f"Why: {said['why']}")
    before, after = said.get("before"), said.get("after")
    if isinstance(before, dict) and isinstance(after, dict):
        lines += ["", "Changed:", *_changes(before, after, session)]
    for name, title in (("row", "Entered:"), ("removed", "Removed:")):
        held = said.get(name)
        if isinstance(held, dict):
            lines += ["", title, *(f"  {_name(n)}: {_value(n, v, session)}" for n, v in sorted(held.items()))]
    lines += _rest(said, session)
    others = [r for r in history if r.seq != row.seq]
    if others:
        lines += ["", "Other entries on this record:"]
        lines += [
            f"  {r.seq}  {session.moment(r.at_us)}  {r.act}  {r.person}"
            for r in reversed(others[-MOST_OTHERS:])
        ]
    return [*lines, "", Cell(f"digest {row.digest}", Tone.QUIET)]


def _read(text: str) -> dict[str, Any]:
    try:
        found = json.loads(text)
    except ValueError:
        return {"content": text}
    return found if isinstance(found, dict) else {"content": text}


def _changes(before: Mapping[str, Any], after: Mapping[str, Any], session: Session) -> list[Text]:
    """Each changed field with what it was and is."""
    return [
        Cell(
            f"  {_name(n)}: {_value(n, before.get(n), session)} > {_value(n, after.get(n), session)}",
            Tone.LOOK,
        )
        for n in sorted({*before, *after})
    ]


def _rest(said: Mapping[str, Any], session: Session) -> list[Text]:
    """What an entry says beside fields and reason: readings, digests."""
    lines: list[Text] = []
    for name, value in sorted(said.items()):
        if name in ("row", "removed", "before", "after", "why", "key"):
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
            word = "digest of the record" if name == "state" else _name(name)
            lines.append(f"  {word}: {cut(_plain(value), 400)}")
    return lines


def _name(name: str) -> str:
    return name.removesuffix("_us").replace("_", " ")


def _value(name: str, value: Any, session: Session) -> str:
    if value is None or value == "":
        return "none"
    if name.endswith("_us") and isinstance(value, int):
        return session.moment(value)
    if (name == "id" or name.endswith("_id")) and isinstance(value, int):
        return str(session.short_id(value))
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
