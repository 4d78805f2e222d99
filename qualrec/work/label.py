"""The status label of a lot, for its container."""

from __future__ import annotations

import json
from pathlib import Path

from qualrec.errors import UsageError
from qualrec.export.label import Label, write_label
from qualrec.export.messages import LANGUAGES
from qualrec.records import lookups
from qualrec.values import Lot, TrailRow
from qualrec.work import outfile
from qualrec.work.lot_life import balance
from qualrec.work.session import Session


def label(session: Session, number: str, *, language: str = "en") -> Label:
    """What the label of a lot says now. Raises UnknownRecord for an unknown lot, UsageError for an unknown language."""
    if language not in LANGUAGES:
        raise UsageError(f"{language!r} is no language of exports.", f"Use one of: {', '.join(LANGUAGES)}.")
    with session.store.read() as conn:
        lot = lookups.lot(conn, number)
        turn = state_turn(lookups.trail_of(conn, "lot", lot.id))
        flags = lookups.flags(conn, lot=number, not_closed=True)
    held = balance(lot)
    holding = dict.fromkeys(f.kind for f in flags if f.level == "H" and f.scope != "process")
    decided = _decision(lot)
    why = ""
    if lot.state in ("on hold", "suspect, shipped"):
        why = "; ".join(holding) or decided
    elif lot.state in ("scrapped", "reworked", "released under concession"):
        why = decided
    return Label(
        plant=session.plant,
        language=language,
        lot=lot.number,
        state=lot.state,
        part=lot.part.number,
        part_name=lot.part.name,
        quantity=lot.quantity if held is None else held.here,
        since_us=lot.started_us if turn is None else turn.at_us,
        by="qualrec" if turn is None or not turn.person else turn.person,
        why=why,
        printed_us=session.store.clock(),
        printed_by=session.actor.name,
    )


def write(session: Session, number: str, to: Path, *, language: str = "en", replace: bool = False) -> str:
    """Write the label of a lot as a PDF file; returns the SHA-256 of the file."""
    made = label(session, number, language=language)
    return outfile.put(to, lambda part: write_label(made, part), (outfile.PAPER,), replace=replace)


def state_turn(entries: tuple[TrailRow, ...]) -> TrailRow | None:
    """The entry that brought the lot into its state: the last one that changed it, else the one that opened the lot."""
    found = None
    for entry in entries:
        said = json.loads(entry.content)
        if "state" in said.get("after", {}) or "row" in said:
            found = entry
    return found


def _decision(lot: Lot) -> str:
    """The last decision with its reason."""
    if not lot.dispositions:
        return ""
    done = lot.dispositions[-1]
    return f"{done.kind}: {done.reason}" if done.reason else done.kind
